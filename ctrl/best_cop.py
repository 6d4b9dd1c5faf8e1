"""Best-efficiency hold: long gentle running at the duty that moves heat most cheaply.

A smoothed current has a best value for each difference across the module: less is spent
per joule moved than at full drive.  This law is a thermostat that, while on, gives that
duty, looked up in a table of nine points over the difference hot sink - cold sink.  More is
given only when it is needed: above the band's upper edge a PI law about that edge takes
over where it asks for more than the table.  It is the integral of that law that holds the
cabinet at the edge on a hot day; the table is its floor.

Where a sink's sensor is missing or in fault, the difference stands at an assumed value.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    FULL_PERMILLE,
    check_word,
    nearest,
    to_k100,
    to_permille,
)
from ctrl.fixed_point import (
    INT16_MAX,
    INT32_MAX,
    NO_SENSOR,
    Words,
    add_sat,
    clamp,
    div_round,
    mul_shift,
    sub_sat,
)
from ctrl.pi import FULL_Q20, GAIN_BITS, RESET_BITS, PISettings, moved_integral
from plant.compiled import kernel

TABLE_POINTS = 9
TABLE_STEP_K100 = 1000
"""Difference from one point of the table to the next: 10 K [1/100 K]."""

B_SETPOINT = 0
B_HALF_BAND = 1
B_KP = 2
B_KI = 3
B_RESET = 4
B_ASSUMED = 5
B_TABLE = 6
SETTING_WORDS = B_TABLE + TABLE_POINTS

B_ON = 0
B_ERROR = 1
B_INTEGRAL = 2
B_DEMAND = 3
B_HELD = 4
B_FROZEN = 5
B_LIFT = 6
STATE_WORDS = 7


@dataclass(frozen=True)
class BestCOPSettings:
    """Settings of the best-efficiency hold, in firmware units.

    Attributes
    ----------
    setpoint_c100 : int
        Middle of the band [1/100 deg C].
    half_band_k100 : int
        Half the band between on and off, 1 to 5000 [1/100 K].
    kp_q20, ki_q20, reset_q24 : int
        The law that takes over above the band, as in `PISettings`.
    assumed_k100 : int
        Hot sink less cold sink where it is not read, 0 to 8000 [1/100 K].
    table_permille : tuple of int
        Nine duties, 1 to 1000, at 0, 10, ... 80 K [1/1000].
    """

    setpoint_c100: int
    half_band_k100: int
    kp_q20: int
    ki_q20: int
    reset_q24: int
    assumed_k100: int
    table_permille: tuple[int, ...]

    def __post_init__(self) -> None:
        who = "BestCOPSettings"
        check_word(who, "half_band_k100", self.half_band_k100, 1, 5000, "1/100 K")
        low, high = ABSOLUTE_ZERO_C100 + self.half_band_k100, INT16_MAX - self.half_band_k100
        check_word(who, "setpoint_c100", self.setpoint_c100, low, high, "1/100 deg C")
        check_word(who, "kp_q20", self.kp_q20, 0, INT32_MAX, "2^-20 permille per 1/100 K")
        check_word(who, "ki_q20", self.ki_q20, 0, INT32_MAX, "2^-20 permille per 1/100 K")
        check_word(who, "reset_q24", self.reset_q24, 0, 1 << RESET_BITS, "2^-24")
        most = (TABLE_POINTS - 1) * TABLE_STEP_K100
        check_word(who, "assumed_k100", self.assumed_k100, 0, most, "1/100 K")
        if len(self.table_permille) != TABLE_POINTS:
            raise ValueError(f"{who}.table_permille: expected {TABLE_POINTS} duties")
        for duty in self.table_permille:
            check_word(who, "table_permille", duty, 1, FULL_PERMILLE, "1/1000")

    @classmethod
    def from_physical(
        cls,
        *,
        setpoint_c: float,
        hysteresis_k: float,
        kp_pct_per_k: float,
        ti_s: float,
        period_s: float,
        cop_duties: tuple[float, ...],
        assumed_lift_k: float,
        reading_lsb_k: float = 0.01,
    ) -> "BestCOPSettings":
        """Return the settings for a band, gains and a table of duties.

        Parameters
        ----------
        setpoint_c, hysteresis_k : float
            Middle of the band, full band [deg C, K].
        kp_pct_per_k, ti_s, period_s : float
            As in `PISettings.from_physical`.
        cop_duties : tuple of float, length 9
            Duty at 0, 10, ... 80 K between the sinks [-].
        assumed_lift_k : float
            Difference where it is not read [K].
        reading_lsb_k : float
            Smallest step of the reading [K].

        Raises
        ------
        ValueError
            With one line that says what to change.
        """
        if not 0.02 <= hysteresis_k <= 100.0:
            raise ValueError(f"hysteresis_k = {hysteresis_k}: expected 0.02 to 100 K")
        gains = PISettings.from_physical(
            setpoint_c=setpoint_c, kp_pct_per_k=kp_pct_per_k, ti_s=ti_s, period_s=period_s,
            reading_lsb_k=reading_lsb_k,
        )  # fmt: skip
        return cls(
            setpoint_c100=gains.setpoint_c100,
            half_band_k100=min(nearest(hysteresis_k * 50.0), 5000),
            kp_q20=gains.kp_q20,
            ki_q20=gains.ki_q20,
            reset_q24=gains.reset_q24,
            assumed_k100=to_k100("assumed_lift_k", assumed_lift_k),
            table_permille=tuple(max(to_permille("cop_duties", duty), 1) for duty in cop_duties),
        )

    def to_words(self) -> Words:
        """Return the words, shape (15,), in the order of the B_ setting indices."""
        return np.array(
            [
                self.setpoint_c100, self.half_band_k100, self.kp_q20, self.ki_q20, self.reset_q24,
                self.assumed_k100, *self.table_permille,
            ],
            dtype=np.int64,
        )  # fmt: skip


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: off, nothing learned."""
    for index in range(STATE_WORDS):
        state[index] = 0
    state[B_LIFT] = settings[B_ASSUMED]


@kernel
def observe(settings: Words, state: Words, hot_c100: int, cold_c100: int) -> None:
    """Take both sinks' readings [1/100 deg C] of this tick; NO_SENSOR where there is none."""
    state[B_LIFT] = settings[B_ASSUMED]
    if hot_c100 != NO_SENSOR and cold_c100 != NO_SENSOR:
        state[B_LIFT] = sub_sat(hot_c100, cold_c100)


@kernel
def table_duty(settings: Words, lift_k100: int) -> int:
    """Return the duty of the table at a difference [1/1000], straight between its points."""
    inside = clamp(lift_k100, 0, (TABLE_POINTS - 1) * TABLE_STEP_K100)
    point = 0
    while point < TABLE_POINTS - 2 and inside >= (point + 1) * TABLE_STEP_K100:
        point = point + 1
    low = settings[B_TABLE + point]
    rise = settings[B_TABLE + point + 1] - low
    return low + div_round(rise * (inside - point * TABLE_STEP_K100), TABLE_STEP_K100)


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading and the sinks' last ones.

    Parameters
    ----------
    settings : ndarray of int64, shape (15,)
        Words of `BestCOPSettings`.
    state : ndarray of int64, shape (7,)
        Changed in place; order of the B_ state indices.
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty, 0 to 1000 [1/1000].
    """
    half = settings[B_HALF_BAND]
    error = sub_sat(reading_c100, settings[B_SETPOINT])
    if error >= half:
        state[B_ON] = 1
    elif add_sat(error, half) <= 0:
        state[B_ON] = 0
    state[B_FROZEN] = 0
    state[B_ERROR] = sub_sat(error, half)
    if state[B_ON] == 0:
        # What the hot day taught is forgotten: the next start is a gentle one.
        state[B_INTEGRAL] = 0
        state[B_HELD] = 1
        state[B_DEMAND] = 0
        return 0
    best = table_duty(settings, state[B_LIFT])
    wanted = add_sat(mul_shift(settings[B_KP], state[B_ERROR], 0), state[B_INTEGRAL])
    state[B_HELD] = 0
    if wanted < best * (1 << GAIN_BITS) or wanted > FULL_Q20:
        state[B_HELD] = 1
    state[B_DEMAND] = clamp(mul_shift(wanted, 1, GAIN_BITS), best, 1000)
    return state[B_DEMAND]


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Move the integral by one period, knowing the duty that was given.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words; the state is changed.
    final_permille : int
        Mean duty given since the last step, after every limiter [1/1000].
    frozen : int
        1 in defrost, fault or trip: the integral stands still until the next step [-].
    """
    if frozen == 1:
        state[B_FROZEN] = 1
    if state[B_FROZEN] == 1:
        return
    limited = state[B_HELD] == 1 or final_permille != state[B_DEMAND]
    state[B_INTEGRAL] = moved_integral(
        state[B_INTEGRAL], final_permille, limited, settings[B_RESET], settings[B_KI],
        state[B_ERROR],
    )  # fmt: skip


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand: on if it was on, the integral at that duty."""
    state[B_ON] = 0
    state[B_INTEGRAL] = clamp(duty_permille, 0, 1000) * (1 << GAIN_BITS)
    if duty_permille > 0:
        state[B_ON] = 1

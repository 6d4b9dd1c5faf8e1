"""Cascade: the reading sets how cold the cold sink may be, and the sink's own sensor sets the duty.

Outer loop, on the control reading, in the form of `ctrl.pi`: it asks for a drop of the cold
sink below the setpoint, 0 to setpoint - floor.  Inner loop, on the cold-sink reading: PI of
the duty.  The sink is never asked to be colder than the floor; a floor just above freezing
keeps it free of ice without a defrost, at the price of what it can hold.

Both integrals are limited by back-calculation.  Where the inner loop cannot follow (a duty
limit, a fold-back), the outer integral tracks the drop that is really there, so that a
pull-down does not wind it up.

Without a cold-sink reading (its fault does not stop cooling) the law falls back to a
thermostat of +/- 0.25 K at a stand-in duty; nothing keeps the floor then.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    FULL_PERMILLE,
    check_word,
    finite,
    to_c100,
    to_gain,
    to_permille,
)
from ctrl.fixed_point import (
    INT16_MAX,
    INT32_MAX,
    NO_SENSOR,
    Words,
    add_sat,
    clamp,
    mul_shift,
    sub_sat,
)
from ctrl.pi import (
    FULL_Q20,
    GAIN_BITS,
    RESET_BITS,
    PISettings,
    check_integral_step,
    moved_integral,
)
from plant.compiled import kernel

OUTER_BITS = 18
"""Fraction bits of the outer gain, proportional part and integral [1/100 K, Q18]."""
MOST_DROP_K100 = 8000
"""Largest drop of the sink; times 2**18 it still fits int32 [1/100 K]."""
BLIND_HALF_BAND_K100 = 25

C_SETPOINT = 0
C_FLOOR = 1
C_OUTER_KP = 2
C_OUTER_KI = 3
C_OUTER_RESET = 4
C_KP = 5
C_KI = 6
C_RESET = 7
C_BLIND = 8
SETTING_WORDS = 9

S_COLD = 0
S_FRESH = 1
S_DROP = 2
S_OUTER_INTEGRAL = 3
S_OUTER_ERROR = 4
S_OUTER_SATURATED = 5
S_INTEGRAL = 6
S_ERROR = 7
S_DEMAND = 8
S_SATURATED = 9
S_FROZEN = 10
S_BLIND_ON = 11
STATE_WORDS = 12


@dataclass(frozen=True)
class CascadeSettings:
    """Settings of the cascade, in firmware units.

    Attributes
    ----------
    setpoint_c100 : int
        Control reading to hold [1/100 deg C].
    floor_c100 : int
        Coldest the sink is asked to be, below the setpoint by at most 80 K [1/100 deg C].
    outer_kp_q18, outer_ki_q18 : int
        Drop of the sink for each kelvin too warm, and what a period adds [2**-18].
    outer_reset_q24 : int
        Period over outer integral time [2**-24].
    kp_q20, ki_q20, reset_q24 : int
        Inner loop, as in `PISettings`.
    blind_permille : int
        Duty of the stand-in thermostat, 1 to 1000 [1/1000].
    """

    setpoint_c100: int
    floor_c100: int
    outer_kp_q18: int
    outer_ki_q18: int
    outer_reset_q24: int
    kp_q20: int
    ki_q20: int
    reset_q24: int
    blind_permille: int

    def __post_init__(self) -> None:
        who = "CascadeSettings"
        check_word(
            who, "setpoint_c100", self.setpoint_c100, ABSOLUTE_ZERO_C100 + MOST_DROP_K100,
            INT16_MAX, "1/100 deg C",
        )  # fmt: skip
        check_word(
            who, "floor_c100", self.floor_c100, self.setpoint_c100 - MOST_DROP_K100,
            self.setpoint_c100 - 1, "1/100 deg C",
        )  # fmt: skip
        for name in ("outer_kp_q18", "outer_ki_q18", "kp_q20", "ki_q20"):
            check_word(who, name, getattr(self, name), 0, INT32_MAX, "fixed point")
        for name in ("outer_reset_q24", "reset_q24"):
            check_word(who, name, getattr(self, name), 0, 1 << RESET_BITS, "2^-24")
        check_word(who, "blind_permille", self.blind_permille, 1, FULL_PERMILLE, "1/1000")

    @classmethod
    def from_physical(
        cls,
        *,
        setpoint_c: float,
        sink_floor_c: float,
        sink_gain: float,
        sink_ti_s: float,
        kp_pct_per_k: float,
        ti_s: float,
        period_s: float,
        blind_duty: float,
        reading_lsb_k: float = 0.01,
        cold_lsb_k: float = 0.01,
    ) -> "CascadeSettings":
        """Return the settings for a tuning, refusing what whole numbers cannot hold.

        Parameters
        ----------
        setpoint_c, sink_floor_c : float
            Control reading to hold, coldest sink [deg C].
        sink_gain : float
            Kelvin of sink for a kelvin of reading, above 0 to 8000 [-].
        sink_ti_s, ti_s : float
            Integral times of outer and inner loop, not below the period [s].
        kp_pct_per_k : float
            Inner gain [% duty per K of the sink].
        period_s : float
            Control period, 0.1 to 60 [s].
        blind_duty : float
            Duty of the stand-in thermostat [-].
        reading_lsb_k, cold_lsb_k : float
            Smallest steps of control and cold-sink reading [K].

        Raises
        ------
        ValueError
            With one line that says what to change.
        """
        inner = PISettings.from_physical(
            setpoint_c=setpoint_c, kp_pct_per_k=kp_pct_per_k, ti_s=ti_s, period_s=period_s,
            reading_lsb_k=cold_lsb_k,
        )  # fmt: skip
        if finite("sink_gain", sink_gain, "K per K") <= 0.0:
            raise ValueError(f"sink_gain = {sink_gain}: expected more than 0 K per K")
        if finite("sink_ti_s", sink_ti_s, "s") < period_s:
            raise ValueError(f"sink_ti_s = {sink_ti_s}: expected at least the period, {period_s} s")
        setpoint, floor = to_c100("setpoint_c", setpoint_c), to_c100("sink_floor_c", sink_floor_c)
        if not 1 <= setpoint - floor <= MOST_DROP_K100:
            raise ValueError(
                f"sink_floor_c = {sink_floor_c}: expected below the setpoint, {setpoint_c} deg C, "
                f"by at most {MOST_DROP_K100 / 100:g} K"
            )
        ki = sink_gain * period_s / sink_ti_s
        who = f"sink_ti_s = {sink_ti_s} with sink_gain = {sink_gain} and period_s = {period_s}"
        check_integral_step(who, ki * 2.0**OUTER_BITS, reading_lsb_k)
        return cls(
            setpoint_c100=setpoint,
            floor_c100=floor,
            outer_kp_q18=to_gain("sink_gain", sink_gain, OUTER_BITS, "raise sink_gain"),
            outer_ki_q18=to_gain("sink gain by period", ki, OUTER_BITS, "lengthen the period"),
            outer_reset_q24=to_gain(
                "period / sink_ti_s", period_s / sink_ti_s, RESET_BITS, "lengthen the period"
            ),
            kp_q20=inner.kp_q20,
            ki_q20=inner.ki_q20,
            reset_q24=inner.reset_q24,
            blind_permille=to_permille("blind_duty", blind_duty),
        )

    def to_words(self) -> Words:
        """Return the words, shape (9,), in the order of the C_ indices."""
        return np.array(
            [
                self.setpoint_c100, self.floor_c100, self.outer_kp_q18, self.outer_ki_q18,
                self.outer_reset_q24, self.kp_q20, self.ki_q20, self.reset_q24,
                self.blind_permille,
            ],
            dtype=np.int64,
        )  # fmt: skip


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: nothing learned, the sink not yet read."""
    for index in range(STATE_WORDS):
        state[index] = 0
    state[S_COLD] = NO_SENSOR
    state[S_FRESH] = 1


@kernel
def observe(settings: Words, state: Words, cold_c100: int) -> None:
    """Take the cold-sink reading [1/100 deg C] of this tick, or NO_SENSOR."""
    state[S_COLD] = cold_c100


@kernel
def _blind(settings: Words, state: Words, error: int) -> int:
    """Return the stand-in thermostat's duty; both integrals stand still."""
    if error >= BLIND_HALF_BAND_K100:
        state[S_BLIND_ON] = 1
    elif error <= -BLIND_HALF_BAND_K100:
        state[S_BLIND_ON] = 0
    state[S_FROZEN] = 1
    if state[S_BLIND_ON] == 1:
        return settings[C_BLIND]
    return 0


@kernel
def _sought_drop(settings: Words, state: Words, error: int) -> int:
    """Return how far below the setpoint the sink shall be [1/100 K]."""
    most = sub_sat(settings[C_SETPOINT], settings[C_FLOOR])
    proportional = mul_shift(settings[C_OUTER_KP], error, 0)
    if state[S_FRESH] == 1:
        # No bump at the first reading: ask for the drop that is there.
        there = clamp(sub_sat(settings[C_SETPOINT], state[S_COLD]), 0, most)
        start = sub_sat(there * (1 << OUTER_BITS), proportional)
        state[S_OUTER_INTEGRAL] = clamp(start, 0, most * (1 << OUTER_BITS))
        state[S_FRESH] = 0
    wanted = add_sat(proportional, state[S_OUTER_INTEGRAL])
    state[S_OUTER_SATURATED] = 0
    if wanted < 0 or wanted > most * (1 << OUTER_BITS):
        state[S_OUTER_SATURATED] = 1
    return clamp(mul_shift(wanted, 1, OUTER_BITS), 0, most)


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading and the sink's last one.

    Parameters
    ----------
    settings : ndarray of int64, shape (9,)
        Words of `CascadeSettings`.
    state : ndarray of int64, shape (12,)
        Changed in place; order of the S_ indices.
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty, 0 to 1000 [1/1000].
    """
    error = sub_sat(reading_c100, settings[C_SETPOINT])
    state[S_OUTER_ERROR] = error
    if state[S_COLD] == NO_SENSOR:
        state[S_DEMAND] = _blind(settings, state, error)
        return state[S_DEMAND]
    state[S_FROZEN] = 0
    state[S_DROP] = _sought_drop(settings, state, error)
    target = sub_sat(settings[C_SETPOINT], state[S_DROP])
    state[S_ERROR] = sub_sat(state[S_COLD], target)
    wanted = add_sat(mul_shift(settings[C_KP], state[S_ERROR], 0), state[S_INTEGRAL])
    state[S_SATURATED] = 0
    if wanted < 0 or wanted > FULL_Q20:
        state[S_SATURATED] = 1
    state[S_DEMAND] = clamp(mul_shift(wanted, 1, GAIN_BITS), 0, 1000)
    return state[S_DEMAND]


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Move both integrals by one period, knowing the duty that was given.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words; the state is changed.
    final_permille : int
        Mean duty given since the last step, after every limiter [1/1000].
    frozen : int
        1 in defrost, fault or trip: both stand still until the next step [-].
    """
    if frozen == 1:
        state[S_FROZEN] = 1
    if state[S_FROZEN] == 1:
        return
    most = sub_sat(settings[C_SETPOINT], settings[C_FLOOR])
    limited = state[S_SATURATED] == 1 or final_permille != state[S_DEMAND]
    state[S_INTEGRAL] = moved_integral(
        state[S_INTEGRAL], final_permille, limited, settings[C_RESET], settings[C_KI],
        state[S_ERROR],
    )  # fmt: skip
    if state[S_OUTER_SATURATED] == 1 or limited:
        drop = state[S_DROP]
        if limited:
            drop = clamp(sub_sat(settings[C_SETPOINT], state[S_COLD]), 0, most)
        away = sub_sat(drop * (1 << OUTER_BITS), state[S_OUTER_INTEGRAL])
        outer = mul_shift(away, settings[C_OUTER_RESET], RESET_BITS)
    else:
        outer = mul_shift(settings[C_OUTER_KI], state[S_OUTER_ERROR], 0)
    state[S_OUTER_INTEGRAL] = clamp(
        add_sat(state[S_OUTER_INTEGRAL], outer), 0, most * (1 << OUTER_BITS)
    )


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand: the inner integral is that duty.

    The outer loop takes over from the sink's first reading (`S_FRESH`).
    """
    state[S_INTEGRAL] = clamp(duty_permille, 0, 1000) * (1 << GAIN_BITS)
    state[S_FRESH] = 1
    state[S_BLIND_ON] = 0
    if duty_permille > 0:
        state[S_BLIND_ON] = 1

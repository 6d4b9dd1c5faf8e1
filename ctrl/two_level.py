"""Two-level hold: an idle duty in place of off.

High at or above setpoint + half band, idle at or below setpoint - half band, between them
as before, as `ctrl.on_off` with another lower level.  While idle the module goes on at a
small current: the heat that would come back through a module that is off does not, and its
faces swing less.  The idle duty is chosen so that the cabinet just warms; where it cools
all the same (a cold room), the output goes off 1.5 K below the lower edge and comes back to
idle at that edge.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    FULL_PERMILLE,
    check_word,
    nearest,
    to_c100,
    to_permille,
)
from ctrl.fixed_point import INT16_MAX, Words, add_sat, sub_sat
from plant.compiled import kernel

T_SETPOINT = 0
T_HALF_BAND = 1
T_HIGH = 2
T_IDLE = 3
SETTING_WORDS = 4

T_LEVEL = 0
T_ERROR = 1
STATE_WORDS = 2

OFF_BELOW_K100 = 150
"""How far below the lower edge even idling stops; engineering choice [1/100 K]."""

LEVEL_OFF, LEVEL_IDLE, LEVEL_HIGH = 0, 1, 2


@dataclass(frozen=True)
class TwoLevelSettings:
    """Settings of the two-level hold, in firmware units.

    Attributes
    ----------
    setpoint_c100 : int
        Middle of the band [1/100 deg C].
    half_band_k100 : int
        Half the band between high and idle, 1 to 5000 [1/100 K].
    high_permille : int
        Duty when high, 1 to 1000 [1/1000].
    idle_permille : int
        Duty when idle, 0 to less than the high one; 0 is a thermostat [1/1000].
    """

    setpoint_c100: int
    half_band_k100: int
    high_permille: int
    idle_permille: int

    def __post_init__(self) -> None:
        who = "TwoLevelSettings"
        check_word(who, "half_band_k100", self.half_band_k100, 1, 5000, "1/100 K")
        low = ABSOLUTE_ZERO_C100 + self.half_band_k100 + OFF_BELOW_K100
        high = INT16_MAX - self.half_band_k100
        check_word(who, "setpoint_c100", self.setpoint_c100, low, high, "1/100 deg C")
        check_word(who, "high_permille", self.high_permille, 1, FULL_PERMILLE, "1/1000")
        check_word(who, "idle_permille", self.idle_permille, 0, self.high_permille - 1, "1/1000")

    @classmethod
    def from_physical(
        cls, *, setpoint_c: float, hysteresis_k: float, high_duty: float, idle_duty: float
    ) -> "TwoLevelSettings":
        """Return the settings for a setpoint, a full band and two duties.

        Parameters
        ----------
        setpoint_c : float
            Middle of the band [deg C].
        hysteresis_k : float
            Full band from idle to high, 0.02 to 100 [K].
        high_duty, idle_duty : float
            Duties, idle below high [-].

        Raises
        ------
        ValueError
            With one line, for a value out of range.
        """
        if not 0.02 <= hysteresis_k <= 100.0:
            raise ValueError(f"hysteresis_k = {hysteresis_k}: expected 0.02 to 100 K")
        high, idle = to_permille("high_duty", high_duty), to_permille("idle_duty", idle_duty)
        if idle >= high:
            raise ValueError(f"idle_duty = {idle_duty}: expected below the high duty, {high_duty}")
        return cls(
            setpoint_c100=to_c100("setpoint_c", setpoint_c),
            half_band_k100=min(nearest(hysteresis_k * 50.0), 5000),
            high_permille=high,
            idle_permille=idle,
        )

    def to_words(self) -> Words:
        """Return the words, shape (4,), in the order of the T_ setting indices."""
        return np.array(
            [self.setpoint_c100, self.half_band_k100, self.high_permille, self.idle_permille],
            dtype=np.int64,
        )


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: off; the first reading decides."""
    state[T_LEVEL] = LEVEL_OFF
    state[T_ERROR] = 0


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading.

    Parameters
    ----------
    settings : ndarray of int64, shape (4,)
        Words of `TwoLevelSettings`.
    state : ndarray of int64, shape (2,)
        Changed in place: [level 0 off, 1 idle, 2 high; error 1/100 K].
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty: high, idle or 0 [1/1000].
    """
    half = settings[T_HALF_BAND]
    error = sub_sat(reading_c100, settings[T_SETPOINT])
    state[T_ERROR] = error
    if error >= half:
        state[T_LEVEL] = LEVEL_HIGH
    elif add_sat(error, half + OFF_BELOW_K100) <= 0:
        state[T_LEVEL] = LEVEL_OFF
    elif add_sat(error, half) <= 0:
        if state[T_LEVEL] == LEVEL_HIGH:
            state[T_LEVEL] = LEVEL_IDLE
    elif state[T_LEVEL] == LEVEL_OFF:
        state[T_LEVEL] = LEVEL_IDLE
    if state[T_LEVEL] == LEVEL_HIGH:
        return settings[T_HIGH]
    if state[T_LEVEL] == LEVEL_IDLE:
        return settings[T_IDLE]
    return 0


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Do nothing: there is no integral to wind up."""


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand: at the level it was nearest to from below.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words; the state is changed.
    reading_c100 : int
        Control reading [1/100 deg C]; not used.
    duty_permille : int
        Duty before the hand-over [1/1000].
    """
    state[T_LEVEL] = LEVEL_OFF
    if duty_permille > 0:
        state[T_LEVEL] = LEVEL_IDLE
    if duty_permille > settings[T_IDLE]:
        state[T_LEVEL] = LEVEL_HIGH

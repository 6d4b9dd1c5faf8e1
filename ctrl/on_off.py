"""On-off thermostat with hysteresis about the setpoint.

On at or above setpoint + half band, off at or below setpoint - half band, between
them as before.  Minimum on and off times are no business of this file: the limiter in
`ctrl.protection` holds them for every controller.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    FULL_PERMILLE,
    check_word,
    nearest,
    to_c100,
    to_k100,
    to_permille,
)
from ctrl.fixed_point import INT16_MAX, Words, add_sat, sub_sat
from plant.compiled import kernel

O_SETPOINT = 0
O_HALF_BAND = 1
O_ON_DUTY = 2
SETTING_WORDS = 3

O_ON = 0
O_ERROR = 1
STATE_WORDS = 2


@dataclass(frozen=True)
class OnOffSettings:
    """Settings of the thermostat, in firmware units.

    Attributes
    ----------
    setpoint_c100 : int
        Middle of the band, -27315 to 32767 [1/100 deg C].
    half_band_k100 : int
        Half the band between on and off, 1 to 5000 [1/100 K].
    on_permille : int
        Duty when on, 1 to 1000 [1/1000].
    """

    setpoint_c100: int
    half_band_k100: int
    on_permille: int = FULL_PERMILLE

    def __post_init__(self) -> None:
        who = "OnOffSettings"
        check_word(who, "half_band_k100", self.half_band_k100, 1, 5000, "1/100 K")
        low = ABSOLUTE_ZERO_C100 + self.half_band_k100
        high = INT16_MAX - self.half_band_k100
        check_word(who, "setpoint_c100", self.setpoint_c100, low, high, "1/100 deg C")
        check_word(who, "on_permille", self.on_permille, 1, FULL_PERMILLE, "1/1000")

    @classmethod
    def from_physical(
        cls, *, setpoint_c: float, hysteresis_k: float, on_duty: float = 1.0
    ) -> "OnOffSettings":
        """Return the settings for a setpoint and a full band.

        Parameters
        ----------
        setpoint_c : float
            Middle of the band [deg C].
        hysteresis_k : float
            Full band from off to on, 0.02 to 100 [K].
        on_duty : float
            Duty when on, above 0 to 1 [-].

        Returns
        -------
        OnOffSettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            For a band of less than 0.02 K, which the 0.01 K word cannot halve, or any
            other value out of range.
        """
        band = to_k100("hysteresis_k", hysteresis_k)
        if not 2 <= band <= 10000:
            raise ValueError(f"hysteresis_k = {hysteresis_k}: expected 0.02 to 100 K")
        return cls(
            setpoint_c100=to_c100("setpoint_c", setpoint_c),
            half_band_k100=min(nearest(hysteresis_k * 50.0), 5000),
            on_permille=to_permille("on_duty", on_duty),
        )

    def to_words(self) -> Words:
        """Return the words in the order of the O_ setting indices.

        Returns
        -------
        ndarray of int64, shape (3,)
            [setpoint 1/100 deg C, half band 1/100 K, duty 1/1000].
        """
        return np.array([self.setpoint_c100, self.half_band_k100, self.on_permille], dtype=np.int64)


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: off.

    Parameters
    ----------
    settings : ndarray of int64, shape (3,)
        Words of `OnOffSettings`.
    state : ndarray of int64, shape (2,)
        Changed in place: [on 0 or 1, error 1/100 K].
    """
    state[O_ON] = 0
    state[O_ERROR] = 0


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading.

    Parameters
    ----------
    settings : ndarray of int64, shape (3,)
        Words of `OnOffSettings`.
    state : ndarray of int64, shape (2,)
        Changed in place: [on 0 or 1, error 1/100 K].
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty: the on duty or 0 [1/1000].
    """
    error = sub_sat(reading_c100, settings[O_SETPOINT])
    state[O_ERROR] = error
    if error >= settings[O_HALF_BAND]:
        state[O_ON] = 1
    elif add_sat(error, settings[O_HALF_BAND]) <= 0:
        state[O_ON] = 0
    if state[O_ON] == 1:
        return settings[O_ON_DUTY]
    return 0


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Do nothing: a thermostat has no integral to wind up.

    Parameters
    ----------
    settings : ndarray of int64, shape (3,)
        Words of `OnOffSettings`.
    state : ndarray of int64, shape (2,)
        Not changed.
    final_permille : int
        Duty that was given [1/1000].
    frozen : int
        1 in defrost, fault or trip [-].
    """


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand: on if it was on.

    Parameters
    ----------
    settings : ndarray of int64, shape (3,)
        Words of `OnOffSettings`.
    state : ndarray of int64, shape (2,)
        Changed in place.
    reading_c100 : int
        Control reading [1/100 deg C]; not used.
    duty_permille : int
        Duty before the hand-over [1/1000].
    """
    state[O_ON] = 0
    if duty_permille > 0:
        state[O_ON] = 1

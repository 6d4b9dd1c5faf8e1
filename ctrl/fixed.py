"""Constant duty: no control at all, for tests of the plant and for the bench."""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import FULL_PERMILLE, check_word, to_permille
from ctrl.fixed_point import Words, clamp
from plant.compiled import kernel

F_DUTY = 0
SETTING_WORDS = 1

F_DEMAND = 0
STATE_WORDS = 1


@dataclass(frozen=True)
class FixedSettings:
    """Settings of the constant duty, in firmware units.

    Attributes
    ----------
    duty_permille : int
        Duty, 0 to 1000 [1/1000].
    """

    duty_permille: int

    def __post_init__(self) -> None:
        check_word("FixedSettings", "duty_permille", self.duty_permille, 0, FULL_PERMILLE, "1/1000")

    @classmethod
    def from_physical(cls, *, duty: float) -> "FixedSettings":
        """Return the settings for a duty of 0 to 1.

        Parameters
        ----------
        duty : float
            Duty, 0 to 1 [-].

        Returns
        -------
        FixedSettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            Outside 0 to 1.
        """
        return cls(duty_permille=to_permille("duty", duty))

    def to_words(self) -> Words:
        """Return the words in the order of the F_ indices.

        Returns
        -------
        ndarray of int64, shape (1,)
            [duty 1/1000].
        """
        return np.array([self.duty_permille], dtype=np.int64)


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start.

    Parameters
    ----------
    settings : ndarray of int64, shape (1,)
        Words of `FixedSettings`.
    state : ndarray of int64, shape (1,)
        Changed in place: [demand 1/1000].
    """
    state[F_DEMAND] = 0


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the constant duty, whatever the reading.

    Parameters
    ----------
    settings : ndarray of int64, shape (1,)
        Words of `FixedSettings`.
    state : ndarray of int64, shape (1,)
        Changed in place: [demand 1/1000].
    reading_c100 : int
        Control reading [1/100 deg C]; not used.

    Returns
    -------
    int
        Demanded duty [1/1000].
    """
    state[F_DEMAND] = clamp(settings[F_DUTY], 0, 1000)
    return state[F_DEMAND]


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Do nothing: a constant has nothing to wind up.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (1,)
        Words of `FixedSettings` and its state.
    final_permille : int
        Duty that was given [1/1000].
    frozen : int
        1 in defrost, fault or trip [-].
    """


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Do nothing: the duty is constant, there is no hand-over to smooth.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (1,)
        Words of `FixedSettings` and its state.
    reading_c100 : int
        Control reading [1/100 deg C].
    duty_permille : int
        Duty before the hand-over [1/1000].
    """

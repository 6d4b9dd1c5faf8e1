"""Time-proportioning for a drive that is only on or off: a duty as on-time in a window.

The last stage of the firmware, after every limiter.  Each window of W ticks gives the
nearest on-time that the hardware allows: none, at least the minimum, at most W less the
minimum, or all.  What was asked and not given is carried into the next window::

    owed += duty each tick,   owed -= 1000 each tick that is on   [1/1000 ticks]

so the mean over many windows is the duty, to within half a minimum on-time (error
diffusion, textbook).  Anti-windup tracks the limited duty before this stage, never the
on and off after it.

A trip, a fault or a defrost cuts a window at once and forgets what was owed; the off-time
that follows is at least the minimum, as after a reset.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import check_word, to_ticks
from ctrl.fixed_point import INT16_MAX, Words, add_sat, clamp, div_round
from plant.compiled import kernel

WINDOW_TICKS = 0
WINDOW_MIN_TICKS = 1
WINDOW_SETTING_WORDS = 2

WINDOW_LEFT = 0  # ticks left of this window
WINDOW_ON_LEFT = 1  # ticks of it still to be on
WINDOW_OWED = 2  # asked and not given [1/1000 ticks]
WINDOW_WAIT = 3  # ticks to stay off after a cut or a reset
WINDOW_OUTPUT = 4  # what the switch gets [1/1000]
WINDOW_STATE_WORDS = 5


@dataclass(frozen=True)
class SlowWindowSettings:
    """Window and minimum time, in firmware units.

    Attributes
    ----------
    window_ticks : int
        Length of the window, 2 to 32767; 0 passes the duty through [ticks].
    min_ticks : int
        Least on-time and least off-time, at most half a window [ticks].
    """

    window_ticks: int = 0
    min_ticks: int = 0

    def __post_init__(self) -> None:
        who = "SlowWindowSettings"
        check_word(who, "window_ticks", self.window_ticks, 0, INT16_MAX, "ticks")
        check_word(who, "min_ticks", self.min_ticks, 0, INT16_MAX, "ticks")
        if self.window_ticks == 1:
            raise ValueError(f"{who}.window_ticks = 1: expected 0, or 2 to {INT16_MAX} ticks")
        if 2 * self.min_ticks > self.window_ticks:
            raise ValueError(
                f"{who}.min_ticks = {self.min_ticks}: expected at most half of the window, "
                f"{self.window_ticks} ticks"
            )

    @classmethod
    def from_physical(
        cls, *, window_s: float, min_on_s: float, tick_s: float
    ) -> "SlowWindowSettings":
        """Return the settings for a window and a minimum on- and off-time [s]."""
        return cls(
            window_ticks=to_ticks("window_s", window_s, tick_s),
            min_ticks=to_ticks("window_min_on_s", min_on_s, tick_s),
        )

    def to_words(self) -> Words:
        """Return the words, shape (2,), in the order of the WINDOW_ setting indices."""
        return np.array([self.window_ticks, self.min_ticks], dtype=np.int64)


@kernel
def reset_window(settings: Words, sat: int, state: Words, at: int) -> None:
    """Start off, nothing owed, and stay off for the minimum time."""
    state[at + WINDOW_LEFT] = 0
    state[at + WINDOW_ON_LEFT] = 0
    state[at + WINDOW_OWED] = 0
    state[at + WINDOW_WAIT] = settings[sat + WINDOW_MIN_TICKS]
    state[at + WINDOW_OUTPUT] = 0


@kernel
def on_ticks(window: int, least: int, wanted: int) -> int:
    """Return the allowed on-time of a window [ticks] nearest to a wanted one [1/1000 ticks].

    Allowed are 0, `least` to `window - least`, and `window`; half way goes up.
    """
    ticks = div_round(clamp(wanted, 0, window * 1000), 1000)
    if ticks < least:
        return least if 2 * wanted >= least * 1000 else 0
    if window - ticks < least:
        return window if 2 * (window * 1000 - wanted) <= least * 1000 else window - least
    return ticks


@kernel
def advance_window(
    settings: Words, sat: int, state: Words, at: int, duty_permille: int, cut: int
) -> int:
    """Return what the switch gets in this tick, 0 or 1000; the duty itself without a window.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words with this stage's settings from `sat` and state from `at`; state changed.
    duty_permille : int
        Duty after every limiter, 0 to 1000 [1/1000].
    cut : int
        1 in trip, fault, low battery or defrost: off at once.

    Returns
    -------
    int
        [1/1000].
    """
    window, least = settings[sat + WINDOW_TICKS], settings[sat + WINDOW_MIN_TICKS]
    if window == 0:
        state[at + WINDOW_OUTPUT] = duty_permille
        return duty_permille
    if cut == 1:
        if state[at + WINDOW_LEFT] > 0 or state[at + WINDOW_OUTPUT] > 0:
            reset_window(settings, sat, state, at)
        state[at + WINDOW_OWED] = 0
        state[at + WINDOW_WAIT] = clamp(state[at + WINDOW_WAIT] - 1, 0, least)
        return 0
    if state[at + WINDOW_WAIT] > 0:
        state[at + WINDOW_WAIT] = state[at + WINDOW_WAIT] - 1
        state[at + WINDOW_OUTPUT] = 0
        return 0
    if state[at + WINDOW_LEFT] == 0:
        state[at + WINDOW_LEFT] = window
        wanted = add_sat(state[at + WINDOW_OWED], duty_permille * window)
        state[at + WINDOW_ON_LEFT] = on_ticks(window, least, wanted)
    out = 0
    if state[at + WINDOW_ON_LEFT] > 0:
        out = 1000
        state[at + WINDOW_ON_LEFT] = state[at + WINDOW_ON_LEFT] - 1
    state[at + WINDOW_LEFT] = state[at + WINDOW_LEFT] - 1
    # No more than one window is ever owed: a duty cannot make up for what a limit took.
    owed = add_sat(state[at + WINDOW_OWED], duty_permille - out)
    state[at + WINDOW_OWED] = clamp(owed, -1000 * window, 1000 * window)
    state[at + WINDOW_OUTPUT] = out
    return out

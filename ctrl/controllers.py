"""The controllers by name, and one tick of the whole firmware.

A new controller is one file with `reset`, `step`, `track` and `preload`, one line in
`CONTROLLERS`, and one branch in each of the four dispatchers below (compiled code
cannot look a function up by name); one that looks at the sinks has an `observe` too.
"""

import difflib
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from ctrl import best_cop, cascade, fixed, on_off, pi, two_level
from ctrl.fixed_point import Words, clamp
from ctrl.protection import (
    DUE_FREEZE,
    DUE_STEP,
    DUE_TRACK_AND_STEP,
    G_WINDOW,
    P_AIR_C100,
    P_COLD_C100,
    P_DEMAND,
    P_FINAL,
    P_FROZEN,
    P_HOT_C100,
    P_WINDOW,
    guard,
    limit,
    schedule,
    take_mean,
)
from ctrl.slow_window import advance_window
from plant.compiled import kernel

KIND_FIXED = 0
KIND_ON_OFF = 1
KIND_PI = 2
KIND_TWO_LEVEL = 3
KIND_CASCADE = 4
KIND_BEST_COP = 5


class LawSettings(Protocol):
    """What every settings class can do."""

    def to_words(self) -> Words:
        """Return the settings as firmware words, shape (n,)."""
        ...


@dataclass(frozen=True)
class Controller:
    """One entry of the registry.

    Attributes
    ----------
    name : str
        Name in the config file.
    kind : int
        Number that the compiled dispatchers know it by [-].
    settings : type
        Its frozen settings class.
    state_words : int
        Length of its state [words].
    """

    name: str
    kind: int
    settings: Any
    state_words: int


CONTROLLERS = {
    item.name: item
    for item in (
        Controller("fixed", KIND_FIXED, fixed.FixedSettings, fixed.STATE_WORDS),
        Controller("on_off", KIND_ON_OFF, on_off.OnOffSettings, on_off.STATE_WORDS),
        Controller("pi", KIND_PI, pi.PISettings, pi.STATE_WORDS),
        Controller("two_level", KIND_TWO_LEVEL, two_level.TwoLevelSettings, two_level.STATE_WORDS),
        Controller("cascade", KIND_CASCADE, cascade.CascadeSettings, cascade.STATE_WORDS),
        Controller("best_cop", KIND_BEST_COP, best_cop.BestCOPSettings, best_cop.STATE_WORDS),
    )
}


def controller(name: str) -> Controller:
    """Return the controller of this name.

    Parameters
    ----------
    name : str
        Name in the config file.

    Returns
    -------
    Controller
        The registry's entry.

    Raises
    ------
    ValueError
        For an unknown name, with the valid ones and the nearest.
    """
    if name in CONTROLLERS:
        return CONTROLLERS[name]
    near = difflib.get_close_matches(name, CONTROLLERS, n=1)
    hint = f"; nearest: {near[0]}" if near else ""
    raise ValueError(f"controller = {name!r}: expected one of {', '.join(CONTROLLERS)}{hint}")


def controller_of(settings: LawSettings) -> Controller:
    """Return the controller that a settings object belongs to.

    Parameters
    ----------
    settings : LawSettings
        Settings of one of the registered controllers.

    Returns
    -------
    Controller
        The registry's entry.

    Raises
    ------
    ValueError
        For settings of no registered controller.
    """
    for item in CONTROLLERS.values():
        if type(settings) is item.settings:
            return item
    raise ValueError(f"{type(settings).__name__}: expected settings of {', '.join(CONTROLLERS)}")


def new_law_state(settings: LawSettings) -> Words:
    """Return the controller's state after power-up.

    Parameters
    ----------
    settings : LawSettings
        Settings of one of the registered controllers.

    Returns
    -------
    ndarray of int64, shape (state_words,)
        State after `reset`.
    """
    item = controller_of(settings)
    state = np.zeros(item.state_words, dtype=np.int64)
    law_reset(item.kind, settings.to_words(), state)
    return state


@kernel
def law_reset(kind: int, settings: Words, state: Words) -> None:
    """Put the controller's state to its start.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    settings, state : ndarray of int64, shape (n,)
        The controller's words; the state is changed.
    """
    if kind == KIND_PI:
        pi.reset(settings, state)
    elif kind == KIND_ON_OFF:
        on_off.reset(settings, state)
    elif kind == KIND_TWO_LEVEL:
        two_level.reset(settings, state)
    elif kind == KIND_CASCADE:
        cascade.reset(settings, state)
    elif kind == KIND_BEST_COP:
        best_cop.reset(settings, state)
    else:
        fixed.reset(settings, state)


@kernel
def law_observe(kind: int, settings: Words, state: Words, hot_c100: int, cold_c100: int) -> None:
    """Tell a controller that looks at the sinks what they read, before its step.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    settings, state : ndarray of int64, shape (n,)
        The controller's words; the state is changed.
    hot_c100, cold_c100 : int
        Readings of both sinks, NO_SENSOR where there is none [1/100 deg C].
    """
    if kind == KIND_CASCADE:
        cascade.observe(settings, state, cold_c100)
    elif kind == KIND_BEST_COP:
        best_cop.observe(settings, state, hot_c100, cold_c100)


@kernel
def law_step(kind: int, settings: Words, state: Words, reading_c100: int) -> int:
    """Return the controller's demanded duty, once a control period.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    settings, state : ndarray of int64, shape (n,)
        The controller's words; the state is changed.
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty [1/1000].
    """
    if kind == KIND_PI:
        return pi.step(settings, state, reading_c100)
    if kind == KIND_ON_OFF:
        return on_off.step(settings, state, reading_c100)
    if kind == KIND_TWO_LEVEL:
        return two_level.step(settings, state, reading_c100)
    if kind == KIND_CASCADE:
        return cascade.step(settings, state, reading_c100)
    if kind == KIND_BEST_COP:
        return best_cop.step(settings, state, reading_c100)
    return fixed.step(settings, state, reading_c100)


@kernel
def law_track(kind: int, settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Tell the controller what was given in place of its last demand.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    settings, state : ndarray of int64, shape (n,)
        The controller's words; the state is changed.
    final_permille : int
        Mean duty given since the last step, after every limiter [1/1000].
    frozen : int
        1 in defrost, fault or trip [-].
    """
    if kind == KIND_PI:
        pi.track(settings, state, final_permille, frozen)
    elif kind == KIND_ON_OFF:
        on_off.track(settings, state, final_permille, frozen)
    elif kind == KIND_TWO_LEVEL:
        two_level.track(settings, state, final_permille, frozen)
    elif kind == KIND_CASCADE:
        cascade.track(settings, state, final_permille, frozen)
    elif kind == KIND_BEST_COP:
        best_cop.track(settings, state, final_permille, frozen)
    else:
        fixed.track(settings, state, final_permille, frozen)


@kernel
def law_preload(
    kind: int, settings: Words, state: Words, reading_c100: int, duty_permille: int
) -> None:
    """Let the controller take over from a duty set by hand, without a bump.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    settings, state : ndarray of int64, shape (n,)
        The controller's words; the state is changed.
    reading_c100 : int
        Control reading at the hand-over [1/100 deg C].
    duty_permille : int
        Duty before the hand-over [1/1000].
    """
    if kind == KIND_PI:
        pi.preload(settings, state, reading_c100, duty_permille)
    elif kind == KIND_ON_OFF:
        on_off.preload(settings, state, reading_c100, duty_permille)
    elif kind == KIND_TWO_LEVEL:
        two_level.preload(settings, state, reading_c100, duty_permille)
    elif kind == KIND_CASCADE:
        cascade.preload(settings, state, reading_c100, duty_permille)
    elif kind == KIND_BEST_COP:
        best_cop.preload(settings, state, reading_c100, duty_permille)
    else:
        fixed.preload(settings, state, reading_c100, duty_permille)


@kernel
def _proportion(guard_settings: Words, guard_state: Words) -> None:
    """Turn the limited duty into on and off where the drive knows nothing in between."""
    advance_window(
        guard_settings, G_WINDOW, guard_state, P_WINDOW, guard_state[P_FINAL],
        guard_state[P_FROZEN],
    )  # fmt: skip


@kernel
def firmware_tick(
    kind: int,
    law: Words,
    law_state: Words,
    guard_settings: Words,
    guard_state: Words,
    tick: int,
    codes: Words,
) -> None:
    """Run one tick of the firmware: guard, controller when due, limiters.

    Parameters
    ----------
    kind : int
        One of the KIND_ numbers [-].
    law, law_state : ndarray of int64, shape (n,)
        The controller's settings and state; the state is changed.
    guard_settings, guard_state : ndarray of int64
        Words and state of the protections; the state is changed.  The output is in
        P_FINAL (limited duty), P_OUTPUT (what the drive gets), P_HOT_FAN, P_COLD_FAN,
        P_ALARM and P_REASON.
    tick : int
        Number of this tick [-]; not used, so that no clock can wrap.
    codes : ndarray of int64, shape (4,)
        Raw codes of the control, hot-sink and cold-sink sensor, supply [mV].
    """
    guard(guard_settings, guard_state, codes)
    if kind == KIND_PI:
        pi.hear(law, law_state, codes)
    due = schedule(guard_settings, guard_state)
    if due == DUE_FREEZE:
        law_track(kind, law, law_state, 0, 1)
    elif due == DUE_STEP or due == DUE_TRACK_AND_STEP:
        given = take_mean(guard_state)
        if due == DUE_TRACK_AND_STEP:
            law_track(kind, law, law_state, given, 0)
        law_observe(kind, law, law_state, guard_state[P_HOT_C100], guard_state[P_COLD_C100])
        guard_state[P_DEMAND] = clamp(
            law_step(kind, law, law_state, guard_state[P_AIR_C100]), 0, 1000
        )
    limit(guard_settings, guard_state, guard_state[P_DEMAND])
    _proportion(guard_settings, guard_state)


class UserLaw(Protocol):
    """A maker's own controller in Python."""

    def step(self, reading_c100: int, tick: int) -> int:
        """Return the demanded duty [1/1000] for a reading [1/100 deg C] at a tick."""
        ...


class Outside(Protocol):
    """A whole firmware from outside, in place of ours: `linked.LinkedController` is one."""

    def tick(self, settings: Words, state: Words, tick: int, codes: Words) -> None:
        """Run one tick and write the command into the protections' `state`."""

    def power_lost(self) -> None:
        """Start anew at the next tick."""


def firmware_tick_python(
    user: UserLaw, guard_settings: Words, guard_state: Words, tick: int, codes: Words
) -> None:
    """Run one tick with a maker's own controller behind the same protections.

    Parameters
    ----------
    user : UserLaw
        Object with ``step(reading_c100, tick) -> permille``, called when due.
    guard_settings, guard_state : ndarray of int64
        Words and state of the protections; the state is changed.
    tick : int
        Number of this tick, handed to the controller [-].
    codes : ndarray of int64, shape (4,)
        Raw codes of the control, hot-sink and cold-sink sensor, supply [mV].

    Raises
    ------
    ValueError
        When the controller returns anything but a whole number; a whole number
        outside 0 to 1000 is clamped, as the firmware would.
    """
    guard(guard_settings, guard_state, codes)
    due = schedule(guard_settings, guard_state)
    if due in (DUE_STEP, DUE_TRACK_AND_STEP):
        take_mean(guard_state)
        demand = user.step(int(guard_state[P_AIR_C100]), tick)
        if isinstance(demand, bool) or not isinstance(demand, int | np.integer):
            raise ValueError(
                f"tick {tick}: the controller returned {demand!r}; "
                f"expected a whole number from 0 to 1000, in 1/1000"
            )
        guard_state[P_DEMAND] = max(0, min(int(demand), 1000))
    limit(guard_settings, guard_state, int(guard_state[P_DEMAND]))
    _proportion(guard_settings, guard_state)

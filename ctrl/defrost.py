"""Defrost: stop, let the cabinet's air melt the ice, let it drip, go on.

run -> melt (module off, cold fan on) -> drip (module off, cold fan off) -> run.

Melting ends when the cold sink has been at the end temperature for the hold time, or
after the longest time; without a cold-sink sensor by time alone.  If the control
reading reaches the abort temperature, cooling comes first: melt or drip ends at once,
and no defrost starts.  Time is counted from the start of one defrost to the start of the
next, so that a plan of 24 h or a part of it comes at the same hours every day; it is
never read from a clock.

What starts a melt: the clock (timed, reversed); the module's own rest once the interval is
over, for the air is coldest and the module off anyway (off-cycle); a grown air-to-sink
difference (demand, `ctrl.defrost_demand`).  The last two start by the clock at the latest
time.  Reversed current warms the sink itself, after a pause, rising slowly to a small share
of full duty, never without a cold-sink reading, never above the end temperature; the inside
fan then stands still.

Defrost with the module off needs cabinet air above about 2 deg C.  End +2 to +5 deg C
held 2 to 5 min, longest 30 to 45 min, drip 2 to 5 min: common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.defrost_demand import (
    BANDS,
    D_LEARN,
    D_SETTLE,
    D_SHARE,
    M_BAND,
    M_CLEAN,
    M_MEAN,
    M_STEADY,
    has_grown,
    reset_demand,
)
from ctrl.firmware_units import FULL_PERMILLE, check_word, to_c100, to_permille, to_ticks
from ctrl.fixed_point import INT16_MAX, INT32_MAX, NO_SENSOR, Words, add_sat, clamp, sub_sat
from plant.compiled import kernel

DEFROST_NONE = 0
DEFROST_TIMED = 1
DEFROST_OFF_CYCLE = 2
DEFROST_DEMAND = 3
DEFROST_REVERSED = 4
KIND_NAMES = {
    DEFROST_NONE: "none",
    DEFROST_TIMED: "timed",
    DEFROST_OFF_CYCLE: "off_cycle",
    DEFROST_DEMAND: "demand",
    DEFROST_REVERSED: "reversed",
}
KIND_OF = {name: kind for kind, name in KIND_NAMES.items()}

# Settings: index within the block.
D_KIND = 0
D_INTERVAL = 1
D_END = 2
D_HOLD = 3
D_LONGEST = 4
D_DRIP = 5
D_ABORT = 6
# D_SHARE, D_LEARN, D_SETTLE of the demand plan are 7 to 9.
D_REVERSE = 10
D_RAMP = 11
D_PAUSE = 12
D_LATEST = 13
DEFROST_SETTING_WORDS = 14

# State: index within the block.
M_PHASE = 0
M_TICKS = 1
M_HELD = 2
M_COUNT = 3
M_END = 4
M_SINCE_START = 5
M_REVERSE = 6
# M_MEAN, M_BAND, M_STEADY of the demand plan are 7 to 9, M_CLEAN and what follows 10 to 18.
M_WHY = M_CLEAN + BANDS
DEFROST_STATE_WORDS = M_WHY + 1

# M_PHASE
PHASE_RUN = 0
PHASE_MELT = 1
PHASE_DRIP = 2

# M_END: how the last melt ended.
END_NONE = 0
END_WARM = 1
END_TIME = 2
END_ABORT = 3
ENDS = {
    END_NONE: "no defrost yet",
    END_WARM: "cold sink reached the end temperature",
    END_TIME: "longest time",
    END_ABORT: "cabinet too warm",
}

# M_WHY: what started the last melt.
START_NONE = 0
START_CLOCK = 1
START_REST = 2
START_GROWN = 3

__all__ = [
    "BANDS",
    "DEFROST_DEMAND",
    "DEFROST_NONE",
    "DEFROST_OFF_CYCLE",
    "DEFROST_REVERSED",
    "DEFROST_TIMED",
    "D_LEARN",
    "D_SETTLE",
    "D_SHARE",
    "KIND_NAMES",
    "KIND_OF",
    "M_BAND",
    "M_CLEAN",
    "M_MEAN",
    "M_STEADY",
    "DefrostSettings",
    "advance_defrost",
    "reset_defrost",
]


@dataclass(frozen=True)
class DefrostSettings:
    """Defrost plan, in firmware units.

    Attributes
    ----------
    kind : int
        DEFROST_NONE, DEFROST_TIMED, DEFROST_OFF_CYCLE, DEFROST_DEMAND or DEFROST_REVERSED.
    interval_ticks : int
        From the start of one defrost to the start of the next, at least 1; off-cycle and
        demand: the least [ticks].
    end_c100 : int
        Cold-sink reading that ends melting [1/100 deg C].
    hold_ticks : int
        How long it must be held, at least 1 [ticks].
    longest_ticks : int
        Longest melting, at least 1 [ticks].
    drip_ticks : int
        Dripping after it, 0 or more [ticks].
    abort_c100 : int
        Control reading that stops a defrost; 0 or NO_SENSOR: never [1/100 deg C].
    share_permille : int
        Demand: growth of the air-to-sink difference that starts a melt [1/1000].
    learn_ticks : int
        Demand: how long after a melt the sink counts as clean [ticks].
    settle_ticks : int
        Demand: how long the duty must have been in its band [ticks].
    reverse_permille : int
        Reversed: duty the other way while melting [1/1000].
    ramp_permille : int
        Reversed: its rise, at least 1 [1/1000 per tick].
    pause_ticks : int
        Reversed: off before it begins [ticks].
    latest_ticks : int
        Off-cycle and demand: a melt starts at the latest this long after the last [ticks].
    """

    kind: int = DEFROST_NONE
    interval_ticks: int = 1
    end_c100: int = 300
    hold_ticks: int = 1
    longest_ticks: int = 1
    drip_ticks: int = 0
    abort_c100: int = NO_SENSOR
    share_permille: int = 300
    learn_ticks: int = 3600
    settle_ticks: int = 300
    reverse_permille: int = 0
    ramp_permille: int = 5
    pause_ticks: int = 30
    latest_ticks: int = INT32_MAX - 1

    def __post_init__(self) -> None:
        who = "DefrostSettings"
        check_word(who, "kind", self.kind, DEFROST_NONE, DEFROST_REVERSED, "(kind of defrost)")
        for name, low, high, unit in (
            ("share_permille", 1, FULL_PERMILLE, "1/1000"),
            ("learn_ticks", 1, INT32_MAX - 1, "ticks"),
            ("settle_ticks", 1, INT32_MAX - 1, "ticks"),
            ("reverse_permille", 0, FULL_PERMILLE, "1/1000"),
            ("ramp_permille", 1, FULL_PERMILLE, "1/1000 per tick"),
            ("pause_ticks", 0, INT32_MAX - 1, "ticks"),
            ("latest_ticks", 1, INT32_MAX - 1, "ticks"),
        ):
            check_word(who, name, getattr(self, name), low, high, unit)
        if self.kind == DEFROST_REVERSED and self.drip_ticks < 1:
            # The bridge must be off for a moment before the current turns round again.
            check_word(who, "drip_ticks", self.drip_ticks, 1, INT32_MAX - 1, "ticks")
        for name in ("interval_ticks", "hold_ticks", "longest_ticks"):
            check_word(who, name, getattr(self, name), 1, INT32_MAX - 1, "ticks")
        check_word(who, "drip_ticks", self.drip_ticks, 0, INT32_MAX - 1, "ticks")
        check_word(who, "end_c100", self.end_c100, 1, 3000, "1/100 deg C (ice melts at 0)")
        check_word(who, "abort_c100", self.abort_c100, NO_SENSOR, INT16_MAX, "1/100 deg C")

    @classmethod
    def from_physical(
        cls,
        *,
        interval_s: float,
        longest_s: float,
        tick_s: float,
        end_c: float = 3.0,
        hold_s: float = 120.0,
        drip_s: float = 180.0,
        abort_c: float | None = None,
        kind: str = "timed",
        latest_s: float | None = None,
        grown_share: float = 0.3,
        learn_s: float = 10800.0,
        settle_s: float = 900.0,  # a sink just melted is still on its way after 300 s
        reverse_share: float = 0.0,
        pause_s: float = 30.0,
    ) -> "DefrostSettings":
        """Return a plan, a timed one unless another kind is named.

        Parameters
        ----------
        interval_s, longest_s : float
            Time between defrosts and longest melting [s].
        tick_s : float
            Base tick [s].
        end_c : float
            Cold-sink reading that ends melting, 0.01 to 30 [deg C].
        hold_s, drip_s : float
            Hold time at the end temperature and dripping [s].
        abort_c : float or None
            Control reading that stops a defrost; None: never [deg C].
        kind : str
            One of the values of KIND_NAMES but "none".
        latest_s : float or None
            Off-cycle and demand: longest time from start to start; None: twice the
            interval [s].
        grown_share : float
            Demand: growth of the difference that starts a melt, 0.001 to 1 [-].
        learn_s, settle_s : float
            Demand: time after a melt that counts as clean, time in a band of duty [s].
        reverse_share : float
            Reversed: share of full duty the other way [-].
        pause_s : float
            Reversed: off before it begins [s].

        Returns
        -------
        DefrostSettings
            The plan in firmware units.

        Raises
        ------
        ValueError
            For a value out of range.
        """
        abort = NO_SENSOR if abort_c is None else to_c100("abort_c", abort_c)
        if abort == 0:
            raise ValueError("abort_c = 0: expected a temperature other than 0 deg C, or none")
        return cls(
            kind=KIND_OF[kind],
            interval_ticks=to_ticks("interval_s", interval_s, tick_s),
            end_c100=to_c100("end_c", end_c),
            hold_ticks=max(1, to_ticks("hold_s", hold_s, tick_s)),
            longest_ticks=to_ticks("longest_s", longest_s, tick_s),
            drip_ticks=to_ticks("drip_s", drip_s, tick_s),
            abort_c100=abort,
            share_permille=to_permille("grown_share", grown_share),
            learn_ticks=max(1, to_ticks("learn_s", learn_s, tick_s)),
            settle_ticks=max(1, to_ticks("settle_s", settle_s, tick_s)),
            reverse_permille=0 if reverse_share == 0.0
            else to_permille("reverse_share", reverse_share),
            # Half a per cent a second: a minute to the usual share, kind to the joints.
            ramp_permille=max(1, round(5.0 * tick_s)),
            pause_ticks=to_ticks("pause_s", pause_s, tick_s),
            latest_ticks=to_ticks(
                "latest_s", 2.0 * interval_s if latest_s is None else latest_s, tick_s
            ),
        )  # fmt: skip

    def to_words(self) -> Words:
        """Return the words in the order of the D_ indices.

        Returns
        -------
        ndarray of int64, shape (14,)
            Kind, interval, end, hold, longest, drip, abort, share, learning, settling,
            reverse, ramp, pause, latest.
        """
        return np.array(
            [
                self.kind,
                self.interval_ticks,
                self.end_c100,
                self.hold_ticks,
                self.longest_ticks,
                self.drip_ticks,
                self.abort_c100,
                self.share_permille,
                self.learn_ticks,
                self.settle_ticks,
                self.reverse_permille,
                self.ramp_permille,
                self.pause_ticks,
                self.latest_ticks,
            ],
            dtype=np.int64,
        )


@kernel
def reset_defrost(state: Words, sat: int) -> None:
    """Put the plan to its start: running, the interval begins anew.

    Parameters
    ----------
    state : ndarray of int64, shape (n,)
        Words that hold the defrost state; changed in place.
    sat : int
        Where it begins [-].
    """
    state[sat + M_PHASE] = PHASE_RUN
    # A phase's first tick is number 0, and `advance_defrost` counts before it looks.
    state[sat + M_TICKS] = -1
    state[sat + M_SINCE_START] = -1
    state[sat + M_HELD] = 0
    state[sat + M_COUNT] = 0
    state[sat + M_END] = END_NONE
    state[sat + M_REVERSE] = 0
    state[sat + M_WHY] = START_NONE
    reset_demand(state, sat)


@kernel
def _enter(state: Words, sat: int, phase: int) -> None:
    """Begin a phase."""
    state[sat + M_PHASE] = phase
    state[sat + M_TICKS] = 0
    state[sat + M_HELD] = 0


@kernel
def _too_warm(settings: Words, at: int, control_c100: int) -> int:
    """Return 1 when the control reading forbids a defrost."""
    abort = settings[at + D_ABORT]
    if abort == 0 or abort == NO_SENSOR or control_c100 == NO_SENSOR:
        return 0
    if control_c100 >= abort:
        return 1
    return 0


@kernel
def _melt(settings: Words, at: int, state: Words, sat: int, cold_c100: int) -> None:
    """One tick of melting: watch the cold sink and the time."""
    if cold_c100 != NO_SENSOR and cold_c100 >= settings[at + D_END]:
        state[sat + M_HELD] = add_sat(state[sat + M_HELD], 1)
    else:
        state[sat + M_HELD] = 0
    if state[sat + M_HELD] >= settings[at + D_HOLD]:
        state[sat + M_END] = END_WARM
    elif state[sat + M_TICKS] >= settings[at + D_LONGEST]:
        state[sat + M_END] = END_TIME
    else:
        return
    if settings[at + D_DRIP] > 0:
        _enter(state, sat, PHASE_DRIP)
    else:
        _enter(state, sat, PHASE_RUN)


@kernel
def _start(
    settings: Words, at: int, state: Words, sat: int, difference_c100: int, duty_permille: int
) -> int:
    """Return why a melt is due in this tick of running, or START_NONE."""
    since = state[sat + M_SINCE_START]
    kind = settings[at + D_KIND]
    grown = 0
    if kind == DEFROST_DEMAND:
        clean_ticks = -1
        if state[sat + M_END] == END_WARM:
            clean_ticks = state[sat + M_TICKS]
        grown = has_grown(
            settings, at, state, sat, difference_c100, duty_permille, clean_ticks,
            settings[at + D_HOLD],
        )  # fmt: skip
    if since < settings[at + D_INTERVAL]:
        return START_NONE
    if kind == DEFROST_TIMED or kind == DEFROST_REVERSED:
        return START_CLOCK
    if since >= settings[at + D_LATEST]:
        return START_CLOCK
    if kind == DEFROST_OFF_CYCLE and duty_permille == 0:
        return START_REST
    if grown == 1:
        return START_GROWN
    return START_NONE


@kernel
def _reverse(settings: Words, at: int, state: Words, sat: int, cold_c100: int) -> None:
    """Set the duty the other way: only while melting, read, and below the end temperature."""
    level = 0
    if (
        settings[at + D_KIND] == DEFROST_REVERSED
        and state[sat + M_PHASE] == PHASE_MELT
        and state[sat + M_TICKS] >= settings[at + D_PAUSE]
        and cold_c100 != NO_SENSOR
        and cold_c100 < settings[at + D_END]
    ):
        risen = add_sat(state[sat + M_REVERSE], settings[at + D_RAMP])
        level = clamp(risen, 0, settings[at + D_REVERSE])
    state[sat + M_REVERSE] = level


@kernel
def advance_defrost(
    settings: Words,
    at: int,
    state: Words,
    sat: int,
    control_c100: int,
    cold_c100: int,
    may_start: int,
    duty_permille: int,
) -> int:
    """Take the defrost plan one tick further.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (n,)
        Words that hold the plan and its state; the state is changed.
    at, sat : int
        Where the plan and its state begin [-].
    control_c100, cold_c100 : int
        Control and cold-sink reading, or NO_SENSOR [1/100 deg C].
    may_start : int
        0 in trip or fault: a running defrost goes on, none starts [-].
    duty_permille : int
        Limited duty of the tick before [1/1000].

    Returns
    -------
    int
        The phase of this tick: PHASE_RUN, PHASE_MELT or PHASE_DRIP [-].
    """
    if settings[at + D_KIND] == DEFROST_NONE:
        return PHASE_RUN
    state[sat + M_TICKS] = add_sat(state[sat + M_TICKS], 1)
    state[sat + M_SINCE_START] = add_sat(state[sat + M_SINCE_START], 1)
    phase = state[sat + M_PHASE]
    warm = _too_warm(settings, at, control_c100)
    if phase == PHASE_RUN:
        difference = NO_SENSOR
        if control_c100 != NO_SENSOR and cold_c100 != NO_SENSOR:
            difference = sub_sat(control_c100, cold_c100)
        why = _start(settings, at, state, sat, difference, duty_permille)
        if may_start == 1 and warm == 0 and why != START_NONE:
            _enter(state, sat, PHASE_MELT)
            state[sat + M_SINCE_START] = 0
            state[sat + M_COUNT] = add_sat(state[sat + M_COUNT], 1)
            state[sat + M_WHY] = why
    elif warm == 1:
        state[sat + M_END] = END_ABORT
        if phase == PHASE_MELT and settings[at + D_KIND] == DEFROST_REVERSED:
            _enter(state, sat, PHASE_DRIP)  # off first, before the current turns round
        else:
            _enter(state, sat, PHASE_RUN)
    elif phase == PHASE_MELT:
        _melt(settings, at, state, sat, cold_c100)
    elif state[sat + M_TICKS] >= settings[at + D_DRIP]:
        _enter(state, sat, PHASE_RUN)
    _reverse(settings, at, state, sat, cold_c100)
    return state[sat + M_PHASE]

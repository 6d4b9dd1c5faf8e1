"""Off-cycle defrost: stop, let the cabinet's air melt the ice, let it drip, go on.

run -> melt (module off, cold fan on) -> drip (module off, cold fan off) -> run.

Melting ends when the cold sink has been at the end temperature for the hold time, or
after the longest time; without a cold-sink sensor by time alone.  If the control
reading reaches the abort temperature, cooling comes first: melt or drip ends at once,
and no defrost starts.  Time is counted from the start of one defrost to the start of the
next, so that a plan of 24 h or a part of it comes at the same hours every day; it is
never read from a clock.

Defrost with the module off needs cabinet air above about 2 deg C.  End +2 to +5 deg C
held 2 to 5 min, longest 30 to 45 min, drip 2 to 5 min: common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import check_word, to_c100, to_ticks
from ctrl.fixed_point import INT16_MAX, INT32_MAX, NO_SENSOR, Words, add_sat
from plant.compiled import kernel

DEFROST_NONE = 0
DEFROST_TIMED = 1

# Settings: index within the block.
D_KIND = 0
D_INTERVAL = 1
D_END = 2
D_HOLD = 3
D_LONGEST = 4
D_DRIP = 5
D_ABORT = 6
DEFROST_SETTING_WORDS = 7

# State: index within the block.
M_PHASE = 0
M_TICKS = 1
M_HELD = 2
M_COUNT = 3
M_END = 4
M_SINCE_START = 5
DEFROST_STATE_WORDS = 6

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


@dataclass(frozen=True)
class DefrostSettings:
    """Defrost plan, in firmware units.

    Attributes
    ----------
    kind : int
        DEFROST_NONE or DEFROST_TIMED.
    interval_ticks : int
        From the start of one defrost to the start of the next, at least 1 [ticks].
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
    """

    kind: int = DEFROST_NONE
    interval_ticks: int = 1
    end_c100: int = 300
    hold_ticks: int = 1
    longest_ticks: int = 1
    drip_ticks: int = 0
    abort_c100: int = NO_SENSOR

    def __post_init__(self) -> None:
        who = "DefrostSettings"
        check_word(who, "kind", self.kind, DEFROST_NONE, DEFROST_TIMED, "(kind of defrost)")
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
    ) -> "DefrostSettings":
        """Return a timed plan.

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
            kind=DEFROST_TIMED,
            interval_ticks=to_ticks("interval_s", interval_s, tick_s),
            end_c100=to_c100("end_c", end_c),
            hold_ticks=max(1, to_ticks("hold_s", hold_s, tick_s)),
            longest_ticks=to_ticks("longest_s", longest_s, tick_s),
            drip_ticks=to_ticks("drip_s", drip_s, tick_s),
            abort_c100=abort,
        )

    def to_words(self) -> Words:
        """Return the words in the order of the D_ indices.

        Returns
        -------
        ndarray of int64, shape (7,)
            Kind, interval, end, hold, longest, drip, abort.
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
def advance_defrost(
    settings: Words,
    at: int,
    state: Words,
    sat: int,
    control_c100: int,
    cold_c100: int,
    may_start: int,
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
        if may_start == 1 and warm == 0 and state[sat + M_SINCE_START] >= settings[at + D_INTERVAL]:
            _enter(state, sat, PHASE_MELT)
            state[sat + M_SINCE_START] = 0
            state[sat + M_COUNT] = add_sat(state[sat + M_COUNT], 1)
    elif warm == 1:
        state[sat + M_END] = END_ABORT
        _enter(state, sat, PHASE_RUN)
    elif phase == PHASE_MELT:
        _melt(settings, at, state, sat, cold_c100)
    elif state[sat + M_TICKS] >= settings[at + D_DRIP]:
        _enter(state, sat, PHASE_RUN)
    return state[sat + M_PHASE]

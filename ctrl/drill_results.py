"""What a drill is and what it finds: pass line, scenario, run, limits, devices, verdict."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ctrl.config import Config
from ctrl.drill_rig import DRILL_STATES, HALTED, Rig
from ctrl.firmware import Settings

HOT_SINK, FOAM, MODULE = "hot sink", "foam at the hot sink", "module hot face"
COLDEST, WARMEST, ICE = "contents coldest", "contents warmest", "ice in the fin gaps"
PARTS = (HOT_SINK, FOAM, MODULE)
UNHARMED = (*PARTS, COLDEST)

CONTENTS = (COLDEST, WARMEST)

# A contents limit that sound running does not keep is judged by the additional warming (or
# chilling): this far beyond sound running.  Limits of parts never move.
HEALTHY_K = 0.5

HALTED_WORDS = DRILL_STATES[HALTED]

SETTLED, WARM, IN_MELT = "settled", "warm", "in the middle of a melt"


Act = Callable[[Rig], None]


@dataclass(frozen=True)
class PassLine:
    """What a drill has to show, stated before it runs.

    Attributes
    ----------
    limits : tuple of str
        Limits that must hold throughout.
    off_within_s : float or None
        The firmware must be off with its alarm by then [s].
    back_within_h : float or None
        Contents must be cold again by then, after the last event [h].
    clear_within_h : float or None
        Ice must be under its limit by then [h].
    judged : bool
        Whether a run can fail; what is not judged is shown against the same limits.
    fan : str
        Where the hot fan stands in the safe state, in words: its wiring decides.
    notes : tuple of str
        What else there is to know of it, in words.
    """

    limits: tuple[str, ...] = UNHARMED
    off_within_s: float | None = None
    back_within_h: float | None = None
    clear_within_h: float | None = None
    judged: bool = True
    fan: str = "hot fan on"
    notes: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The pass line as a sentence."""
        kept = "kept" if self.judged else "not judged; shown against"
        parts = [f"{kept}: {', '.join(self.limits)}"]
        if self.off_within_s is not None:
            parts.append(f"off, {self.fan}, alarm within {self.off_within_s:g} s")
        if self.back_within_h is not None:
            parts.append(f"contents cold again within {self.back_within_h:g} h of its end")
        if self.clear_within_h is not None:
            parts.append(f"ice under its limit within {self.clear_within_h:g} h")
        parts += self.notes
        if self.back_within_h is not None or set(CONTENTS) & set(self.limits):
            parts.append(
                "a contents limit that sound running does not keep is judged by the additional "
                f"warming or chilling: at most {HEALTHY_K:g} K"
            )
        return "; ".join(parts)


@dataclass(frozen=True)
class Scenario:
    """One run of a drill: a room, a start, the fault, and what happens later.

    `then` holds (seconds after the fault, what happens).  `pass_line` is the drill's own
    where it is None; planned runs have theirs.  `volts` is the supply's voltage [V], the usual
    one where it is None.
    """

    name: str
    room: str
    inject: Act
    then: tuple[tuple[float, Act], ...] = ()
    start: str = SETTLED
    pass_line: PassLine | None = None
    volts: float | None = None

    @property
    def line(self) -> PassLine:
        """The pass line of a planned run."""
        assert self.pass_line is not None
        return self.pass_line

    @property
    def place(self) -> str:
        """Name and room, and the voltage where it is not the usual one."""
        return place_words(self.name, self.room, self.volts)


def place_words(name: str, room: str, volts: float | None) -> str:
    """Return what one run is called; `volts` [V] only where it is not the usual one."""
    at = "" if volts is None else f", {volts:g} V"
    return f"{name}{'' if room in name else f', {room} room'}{at}"


@dataclass(frozen=True)
class Drill:
    """One drill: its name, the fault in words, the pass line, and how its runs are made.

    `scenarios` returns the runs for a config, or a reason in words why there are none.
    """

    name: str
    fault: str
    pass_line: PassLine
    scenarios: Callable[[Config, Settings], tuple[Scenario, ...] | str]


@dataclass(frozen=True)
class Plan:
    """A drill for one cabinet: its runs with their pass lines, or why there are none."""

    name: str
    fault: str
    scenarios: tuple[Scenario, ...]
    skipped: str | None = None

    @property
    def lines(self) -> tuple[tuple[str, str], ...]:
        """(runs, pass line) in words; no runs are named where all share one line."""
        runs: dict[str, list[str]] = {}
        for item in self.scenarios:
            runs.setdefault(item.line.words, []).append(item.place)
        if len(runs) == 1:
            return (("", next(iter(runs))),)
        return tuple(("; ".join(names), words) for words, names in runs.items())


@dataclass(frozen=True)
class Moving:
    """What has not settled at the end of a run: a column, how fast, and how much is to come.

    `rest_k` [K] is infinite where it is not yet slowing down.
    """

    column: str
    rate_k_per_h: float
    rest_k: float


@dataclass(frozen=True)
class Silent:
    """A limit that was exceeded without an alarm, and the control reading [°C] at its worst."""

    limit: str
    reading_c: float


@dataclass(frozen=True)
class Moment:
    """How things stand some minutes after the fault; temperatures in °C."""

    at_min: float
    hot_sink_c: float
    foam_c: float
    air_c: float
    contents_c: float
    duty: float
    state: str


@dataclass(frozen=True)
class LimitFound:
    """One limit of a drill: the worst value, when it came, and when the limit was exceeded.

    `stated` is the config's, `sound_value` the worst of sound running.  `limit`, which is judged,
    is the stated one; for contents that sound running lets exceed it, `HEALTHY_K` beyond that.
    `column` is the record's.
    """

    name: str
    value: float
    limit: float
    stated: float
    sound_value: float
    unit: str
    worst_min: float
    exceeded_min: float | None
    in_pass_line: bool
    column: str

    @property
    def is_upper(self) -> bool:
        """Whether it is a highest value; else a lowest."""
        return self.name != COLDEST

    @property
    def kept_sound(self) -> bool:
        """Whether sound running keeps the stated limit."""
        if self.is_upper:
            return self.sound_value <= self.stated
        return self.sound_value >= self.stated

    @property
    def kept(self) -> bool:
        """Whether the limit was kept throughout."""
        return self.exceeded_min is None


@dataclass(frozen=True)
class Step:
    """One thing that the firmware did: when it first stood so, in state and reason."""

    at_min: float
    state: str
    reason: str


@dataclass(frozen=True)
class DeviceFound:
    """What one independent device does in a run: when it opens, and what it keeps.

    `keeps` holds when every limit of the pass line is kept with it; `broken` names the others.
    Only what is `counted`, fitted and driven by nothing of the firmware's, can pass a drill.
    """

    device: str
    fitted: bool
    independent: bool
    opens_min: float | None
    keeps: bool
    broken: tuple[str, ...]

    @property
    def counted(self) -> bool:
        """Whether it counts for passing."""
        return self.fitted and self.independent


@dataclass(frozen=True)
class RunFound:
    """One run of a drill, followed to its worst.

    `passed` counts the independent devices that are fitted; `kept_alone` is the firmware by
    itself.  `saved_by` names the independent devices, fitted or not, that keep what the firmware
    could not; `would_save` those that would if a circuit of their own drove them; `lacks` what
    of the pass line is missed, in words.  `barred` holds for a controller that stopped, or that
    does not hold the target without a fault: no device saves its run.  `warning_shown` tells of
    the firmware's other output, `silent` of a limit exceeded without an alarm; `supply_v` is the
    supply's voltage [V], `volts` the same where it is not the usual one; `moving` is what had not
    settled when it was watched no longer.
    """

    name: str
    room: str
    ambient_c: float
    supply_v: float
    volts: float | None
    pass_line: PassLine
    passed: bool
    kept_alone: bool
    lacks: tuple[str, ...]
    barred: bool
    first_minutes: tuple[Moment, ...]
    limits: tuple[LimitFound, ...]
    steps: tuple[Step, ...]
    final_state: str
    alarm_after_s: float | None
    warning_shown: bool
    silent: Silent | None
    latched: bool
    devices: tuple[DeviceFound, ...]
    food_warm_h: float | None
    contents_c_end: float
    setpoint_c: float
    watched_h: float
    moving: tuple[Moving, ...]
    left_model: str | None
    fault_s: float
    table: np.ndarray = field(repr=False, compare=False)

    @property
    def place(self) -> str:
        """Name and room, and the voltage where it is not the usual one."""
        return place_words(self.name, self.room, self.volts)

    @property
    def halted(self) -> bool:
        """Whether the firmware stood still at the end."""
        return self.final_state == HALTED_WORDS

    def limit_of(self, name: str) -> LimitFound:
        """Return the limit of that name."""
        return next(item for item in self.limits if item.name == name)

    @property
    def judged(self) -> bool:
        """Whether it counts for its drill."""
        return self.pass_line.judged

    @property
    def failed(self) -> bool:
        """Whether it fails its drill."""
        return self.judged and not self.passed

    @property
    def verdict(self) -> str:
        """What stands before it."""
        if not self.judged:
            return "not judged"
        return "passed" if self.passed else "FAILED"

    @property
    def saved_by(self) -> tuple[str, ...]:
        """Independent devices that keep the limits where the firmware alone does not."""
        return self._keeping(independent=True)

    @property
    def would_save(self) -> tuple[str, ...]:
        """Devices that would keep them, if driven by a circuit of their own."""
        return self._keeping(independent=False)

    def _keeping(self, *, independent: bool) -> tuple[str, ...]:
        if self.barred:
            return ()
        return tuple(
            item.device for item in self.devices if item.keeps and item.independent == independent
        )


@dataclass(frozen=True)
class DrillResult:
    """A drill that was run; `skipped` has the reason where the config gives nothing to run.

    `lines` are those of its `Plan`.  `unsound` tells, a sentence a room, where a controller that
    is not ours fails without any fault: no drill can then be passed.
    """

    name: str
    fault: str
    lines: tuple[tuple[str, str], ...]
    passed: bool
    runs: tuple[RunFound, ...]
    skipped: str | None = None
    unsound: tuple[str, ...] = ()

    @property
    def pass_line(self) -> str:
        """All pass lines in a row."""
        return ". ".join(f"{runs}: {words}" if runs else words for runs, words in self.lines)

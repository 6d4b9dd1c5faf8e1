"""What a drill is and what it finds: pass line, scenario, run, limits, devices, verdict."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ctrl.config import Config
from ctrl.drill_rig import Rig
from ctrl.firmware import Settings

HOT_SINK, FOAM, MODULE = "hot sink", "foam at the hot sink", "module hot face"
COLDEST, WARMEST, ICE = "contents coldest", "contents warmest", "ice in the fin gaps"
PARTS = (HOT_SINK, FOAM, MODULE)
UNHARMED = (*PARTS, COLDEST)

CONTENTS = (COLDEST, WARMEST)

# A contents limit that sound running does not keep is judged by the additional warming (or
# chilling): this far beyond sound running.  Limits of parts never move.
HEALTHY_K = 0.5

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
    """

    limits: tuple[str, ...] = UNHARMED
    off_within_s: float | None = None
    back_within_h: float | None = None
    clear_within_h: float | None = None

    @property
    def words(self) -> str:
        """The pass line as a sentence."""
        parts = [f"kept: {', '.join(self.limits)}"] if self.limits else ["nothing is asked"]
        if self.off_within_s is not None:
            parts.append(f"off, hot fan on, alarm within {self.off_within_s:g} s")
        if self.back_within_h is not None:
            parts.append(f"contents cold again within {self.back_within_h:g} h of its end")
        if self.clear_within_h is not None:
            parts.append(f"ice under its limit within {self.clear_within_h:g} h")
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
    where it is None.
    """

    name: str
    room: str
    inject: Act
    then: tuple[tuple[float, Act], ...] = ()
    start: str = SETTLED
    pass_line: PassLine | None = None


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
    """One limit of a drill: the worst value, when it came, and when the limit was passed.

    `stated` is the config's, `sound_value` the worst of sound running.  `limit`, which is judged,
    is the stated one; for contents that sound running lets pass it, `HEALTHY_K` beyond that.
    """

    name: str
    value: float
    limit: float
    stated: float
    sound_value: float
    unit: str
    worst_min: float
    passed_min: float | None
    in_pass_line: bool

    @property
    def kept_sound(self) -> bool:
        """Whether sound running keeps the stated limit."""
        upper = self.name != COLDEST
        return self.sound_value <= self.stated if upper else self.sound_value >= self.stated

    @property
    def kept(self) -> bool:
        """Whether the limit was kept throughout."""
        return self.passed_min is None


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
    does not hold the target without a fault: no device saves its run.
    """

    name: str
    room: str
    ambient_c: float
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
    latched: bool
    devices: tuple[DeviceFound, ...]
    food_warm_h: float | None
    contents_c_end: float
    watched_h: float
    left_model: str | None
    fault_s: float
    table: np.ndarray = field(repr=False, compare=False)

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

    `unsound` tells, a sentence a room, where a controller that is not ours fails without any
    fault: no drill can then be passed.
    """

    name: str
    fault: str
    pass_line: str
    passed: bool
    runs: tuple[RunFound, ...]
    skipped: str | None = None
    unsound: tuple[str, ...] = ()

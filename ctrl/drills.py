"""Fault drills: what a cabinet does when a part fails, and whether the limits are kept.

Each drill states its pass line before it runs.  A scenario brings the cabinet to rest in a
stated room, lets the fault in at a stated moment and follows it until it has settled, or
until what is to come turns no verdict.  Where a limit of the pass line is broken, the same run
is made again with each independent device, to see whether it would have kept it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from threading import Lock

import numpy as np

from ctrl.build import at_ambient, humidity_at, plant_of, with_supply_v
from ctrl.capability import flashed_coldest, sensed_k
from ctrl.config import Config
from ctrl.controllers import Outside, UserLaw, controller_of, law_preload
from ctrl.drill_devices import Device, DeviceSpec, device_specs, would_act_at_s
from ctrl.drill_follow import OUTSIDE_H, PIECE_S, follow
from ctrl.drill_limits import broken_of, limits_found, line_of
from ctrl.drill_results import (
    CONTENTS,
    ICE,
    IN_MELT,
    WARM,
    WARMEST,
    DeviceFound,
    Drill,
    DrillResult,
    LimitFound,
    Moment,
    PassLine,
    Plan,
    RunFound,
    Scenario,
    Silent,
    Step,
)
from ctrl.drill_rig import ALARMS, DRILL_REASONS, DRILL_STATES, Rig
from ctrl.findings import DAY_S
from ctrl.firmware import Firmware, Settings, firmware_of
from ctrl.loop import MELTING
from ctrl.protection import P_TRIPPED
from ctrl.protection_settings import P_CONTROL_SENSOR, P_HOT_SENSOR, R_STOPPED
from ctrl.readings import R_STATUS, STATUS_LATCHED
from ctrl.record import INDEX
from ctrl.side_by_side import each_side_by_side
from ctrl.trial import nearest_point, steady_state, warm_state
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.heat_sinks import WITH_MODULE
from plant.steady import Operating

LEAD_S = 3600.0  # sound running before the fault
FOOD_LIMIT_C = 5.0  # food that spoils is kept at 5 °C or colder (from memory)
MOMENTS_MIN = (1.0, 5.0, 15.0)

OUR_MEMORY = "settings_corrupted"  # this drill is about the settings of our own firmware

# Rooms and starts ----------------------------------------------------------------------------


def room_plant(config: Config, room: str, volts: float | None = None) -> Plant:
    """Return the plant in the usual, worst or coldest room, steady; door shut, nothing loaded.

    The worst room stays as hot as at its hottest hour, with the vapour of its mean.  `volts` [V]
    holds all day; None is the supply's usual voltage, with its charging.
    """
    part = config.climate
    mean_c = {"usual": part.usual_c, "worst": part.worst_c, "coldest": part.coldest_c}[room]
    plant = at_ambient(plant_of(config), mean_c, humidity_at(config, mean_c))
    stays_c = mean_c + (0.5 * part.daily_swing_k if room == "worst" else 0.0)
    climate = replace(
        plant.climate, mean_k=stays_c + ZERO_C_K, swing_k=0.0, doors_per_day=0, load_share=0.0
    )
    plant = replace(plant, climate=climate)
    if volts is None:
        return plant
    steady = replace(plant.drive, charging_rise_v=0.0)
    return with_supply_v(replace(plant, drive=steady), volts)


@dataclass(frozen=True)
class Stand:
    """A room with its plant and the steady state to start from."""

    plant: Plant
    point: Operating


class Stands:
    """The rooms of a config, at each voltage that is asked for, each settled once."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self._found: dict[tuple[str, float | None], Stand] = {}
        self._lock = Lock()

    def __getitem__(self, room: str) -> Stand:
        return self.at(room, None)

    def at(self, room: str, volts: float | None) -> Stand:
        """Return a room at a supply voltage [V]; None is the usual one."""
        with self._lock:
            key = (room, volts)
            if key not in self._found:
                config = self._config
                plant = room_plant(config, room, volts)
                coldest = flashed_coldest(config, plant, plant.climate.mean_k)
                point = nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)
                self._found[key] = Stand(plant, point)
            return self._found[key]


@dataclass(frozen=True)
class Bench:
    """What every run of a config shares."""

    config: Config
    settings: Settings
    firmware: Firmware
    stands: Stands
    seed: int
    user_law: UserLaw | None
    outside: Callable[[], Outside] | None = None  # powers up a firmware from outside
    sound_tables: dict[str, np.ndarray] = field(default_factory=dict)
    lock: Lock = field(default_factory=Lock)  # of the tables

    @property
    def is_ours(self) -> bool:
        """Whether the controller that is drilled is the settings' own."""
        return self.user_law is None and self.outside is None

    @property
    def most_h(self) -> float | None:
        """How long its runs are watched at most [h]; None as ours are."""
        return None if self.outside is None else OUTSIDE_H

    def sound(self, room: str, volts: float | None = None) -> np.ndarray:
        """Return the rows of a room without any fault, followed as long as with one.

        Always with our own firmware: a controller that is no good is no yardstick for itself.
        """
        return self._sound(room, volts, ours=True)

    def own_sound(self, room: str, volts: float | None = None) -> np.ndarray:
        """Return the same with the controller that is drilled."""
        return self._sound(room, volts, ours=self.is_ours)

    def _sound(self, room: str, volts: float | None, *, ours: bool) -> np.ndarray:
        at = room if volts is None else f"{room}, {volts:g} V"
        key = at if ours else f"{at}, drilled"
        with self.lock:
            if key not in self.sound_tables:
                bench = replace(self, user_law=None, outside=None) if ours else self
                scenario = Scenario("sound", room, lambda rig: None, volts=volts)
                rig = bench.rig(scenario)
                follow(rig, scenario)
                self.sound_tables[key] = rig.table
            return self.sound_tables[key]

    def rig(
        self, scenario: Scenario, devices: tuple[Device, ...] = (), devices_from_s: float = 0.0
    ) -> Rig:
        """Return a rig at the moment before the fault."""
        stand, config = self.stands.at(scenario.room, scenario.volts), self.config
        warm = scenario.start == WARM
        start = warm_state(stand.plant, config) if warm else steady_state(stand.plant, stand.point)
        rig = Rig(
            config, self.settings, stand.plant, self.firmware, start,
            start_s=3600.0 * config.climate.hottest_hour, seed=self.seed, devices=devices,
            devices_from_s=devices_from_s, user_law=self.user_law,
            outside=None if self.outside is None else self.outside(),
        )  # fmt: skip
        if warm:
            return rig
        if self.is_ours:
            self._preload(rig, stand)
        rig.run(LEAD_S)
        if scenario.start == IN_MELT and self.outside is None:  # whose melt cannot be seen
            self._into_melt(rig)
        return rig

    def _preload(self, rig: Rig, stand: Stand) -> None:
        law = self.firmware.law
        reading_c = sensed_k(stand.plant, stand.point) - ZERO_C_K
        law_preload(
            controller_of(law).kind, law.to_words(), rig.loop.law_state,
            round(100.0 * reading_c), round(1000.0 * stand.point.duty),
        )  # fmt: skip

    def _into_melt(self, rig: Rig) -> None:
        defrost = self.settings.defrost
        assert defrost is not None
        longest_s = 3.0 * defrost.interval_ticks * self.firmware.tick_s
        end_s = rig.loop.time_s + longest_s
        while rig.last_state != MELTING and rig.loop.time_s < end_s and rig.ended is None:
            rig.run(60.0)
        rig.run(60.0)


# Judging ---------------------------------------------------------------------------------------


def _alarm_after_s(table: np.ndarray, fault_s: float) -> float | None:
    after = table[:, INDEX["time_s"]] > fault_s
    hit = np.flatnonzero(after & np.isin(table[:, INDEX["state"]], ALARMS))
    return float(table[hit[0], INDEX["time_s"]] - fault_s) if hit.size else None


def _late(
    line: PassLine,
    limits: tuple[LimitFound, ...],
    table: np.ndarray,
    fault_s: float,
    last_event_s: float,
    fan_runs: bool,
) -> list[str]:
    """Return what of the pass line's times is missed, in words."""
    found, time_s = [], table[:, INDEX["time_s"]]
    if line.off_within_s is not None:
        alarm_s = _alarm_after_s(table, fault_s)
        if alarm_s is None or alarm_s > line.off_within_s:
            when = "never" if alarm_s is None else f"after {alarm_s:g} s"
            found.append(f"alarm {when}")
        else:
            alarmed = np.isin(table[:, INDEX["state"]], ALARMS) & (time_s > fault_s)
            if np.any(table[alarmed, INDEX["current_a"]] > 0.0):
                found.append("current in the alarm")
            if fan_runs and np.any(table[alarmed, INDEX["hot_fan"]] == 0.0):
                found.append("hot fan not running in the alarm")
    by_name = {item.name: item for item in limits}
    for hours, start_s, name, column in (
        (line.back_within_h, last_event_s, WARMEST, "contents_c"),
        (line.clear_within_h, fault_s, ICE, "blockage_pct"),
    ):
        if hours is None:
            continue
        until = (time_s > start_s) & (time_s <= start_s + 3600.0 * hours)
        end = table[until, INDEX[column]]
        if end.size == 0 or end[-1] > by_name[name].limit:
            found.append(f"{name} not within its limit {hours:g} h later")
    return found


def _steps(table: np.ndarray, fault_s: float) -> tuple[Step, ...]:
    """Return each pair of state and reason at its first time after the fault."""
    time_s = table[:, INDEX["time_s"]]
    rows = table[time_s > fault_s]
    pairs = rows[:, [INDEX["state"], INDEX["reason"]]].astype(int)
    _, first = np.unique(pairs, axis=0, return_index=True)
    return tuple(
        Step(
            float((rows[row, INDEX["time_s"]] - fault_s) / 60.0),
            DRILL_STATES[int(pairs[row, 0])], DRILL_REASONS[int(pairs[row, 1])],
        )
        for row in sorted(first)
    )  # fmt: skip


def _moments(table: np.ndarray, fault_s: float) -> tuple[Moment, ...]:
    time_s = table[:, INDEX["time_s"]]
    found = []
    for minutes in MOMENTS_MIN:
        row = int(np.searchsorted(time_s, fault_s + 60.0 * minutes - 1e-6))
        if row < len(table):
            names = ("hot_sink_c", "foam_c", "air_c", "contents_c", "duty")
            values = {name: float(table[row, INDEX[name]]) for name in names}
            state = DRILL_STATES[int(table[row, INDEX["state"]])]
            at_min = (float(time_s[row]) - fault_s) / 60.0
            found.append(Moment(at_min=at_min, **values, state=state))
    return tuple(found)


def _silent(
    scenario: Scenario, limits: tuple[LimitFound, ...], table: np.ndarray, fault_s: float
) -> Silent | None:
    """Return what is to be noticed without an alarm: the limit first exceeded, and the reading.

    Contents that were loaded warm do not count for being warm at first.
    """
    if _alarm_after_s(table, fault_s) is not None:
        return None
    cold_again = table[-1, INDEX["contents_c"]]
    found = [
        (item.exceeded_min, item)
        for item in limits
        if item.exceeded_min is not None
        and not (item.name == WARMEST and scenario.start == WARM and cold_again <= item.limit)
    ]
    if not found:
        return None
    first = min(found, key=lambda pair: pair[0])[1]
    worst_s = fault_s + 60.0 * first.worst_min
    row = int(np.searchsorted(table[:, INDEX["time_s"]], worst_s - 1e-6))
    return Silent(first.name, float(table[min(row, len(table) - 1), INDEX["reading_c"]]))


def _hours_above(table: np.ndarray, fault_s: float) -> float:
    time_s = table[:, INDEX["time_s"]]
    spans = np.diff(time_s, prepend=time_s[0])
    warm = (time_s > fault_s) & (table[:, INDEX["contents_c"]] > FOOD_LIMIT_C)
    return float(np.sum(spans[warm]) / 3600.0)


def _is_latched(rig: Rig) -> bool:
    guard = rig.loop.guard_state
    if rig.noted_state in ALARMS or guard[P_TRIPPED] == 1:
        return True
    return any(guard[at + R_STATUS] == STATUS_LATCHED for at in (P_CONTROL_SENSOR, P_HOT_SENSOR))


def _stopped(table: np.ndarray) -> list[str]:
    """Return a word where a controller from outside crashed, hung or broke the link."""
    hit = np.flatnonzero(table[:, INDEX["reason"]] == R_STOPPED)
    if not hit.size:
        return []
    after_s = table[hit[0], INDEX["time_s"]] - table[0, INDEX["time_s"]]
    return [f"the controller stopped {after_s / 60.0:.0f} min into the run"]


def unsound(bench: Bench, room: str) -> str | None:
    """Return what a controller that is not ours fails in a room without any fault, in words.

    Contents are looked at over its last hours, against the config's limits; where our own
    firmware does not keep those there, against ours and half a kelvin.
    """
    if bench.is_ours:
        return None
    plant, table = bench.stands[room].plant, bench.own_sound(room)
    found = _stopped(table)
    from_s = max(table[-1, INDEX["time_s"]] - PIECE_S, table[0, INDEX["time_s"]])
    limits = limits_found(bench.config, plant, table, from_s, PassLine(), bench.sound(room))
    found += [
        f"{item.name} {item.value:.1f} {item.unit} (limit {item.limit:.1f})"
        for item in limits
        if item.name in CONTENTS and not item.kept
    ]
    return f"{room} room: {', '.join(found)}" if found else None


def _run_scenario(bench: Bench, scenario: Scenario) -> RunFound:
    line, stand = scenario.line, bench.stands.at(scenario.room, scenario.volts)
    rig = bench.rig(scenario)
    rig.warned, fault_s = False, rig.loop.time_s
    judge = _judge(bench, scenario, fault_s)
    outlook, threatened = follow(rig, scenario, judge, bench.most_h)
    table = rig.table
    limits = judge(table)
    broken = _missed(limits, threatened, rig)
    last_s = fault_s + max((after_s for after_s, _ in scenario.then), default=0.0)
    fan_runs = stand.plant.hot_sink.fan_wiring != WITH_MODULE
    barred = _stopped(table)
    if unsound(bench, scenario.room) is not None:
        barred.append(f"sound running in the {scenario.room} room")
    late = _late(line, limits, table, fault_s, last_s, fan_runs) + barred
    devices: tuple[DeviceFound, ...] = ()
    fitted_keep = not broken
    if broken:
        devices = _with_devices(bench, scenario, table, fault_s)
        fitted_keep = _fitted_keep(bench, scenario, devices, fault_s)
    return RunFound(
        name=scenario.name,
        room=scenario.room,
        ambient_c=float(table[-1, INDEX["ambient_c"]]),
        supply_v=stand.plant.drive.supply_v,
        volts=scenario.volts,
        pass_line=line,
        passed=fitted_keep and not late,
        kept_alone=not broken and not late,
        lacks=tuple(broken + late),
        barred=bool(barred),
        first_minutes=_moments(table, fault_s),
        limits=limits,
        steps=_steps(table, fault_s),
        final_state=DRILL_STATES[rig.last_state],
        alarm_after_s=_alarm_after_s(table, fault_s),
        warning_shown=rig.warned,
        silent=_silent(scenario, limits, table, fault_s),
        latched=_is_latched(rig),
        devices=devices,
        food_warm_h=_hours_above(table, fault_s) if bench.config.use.purpose == "food" else None,
        contents_c_end=float(table[-1, INDEX["contents_c"]]),
        setpoint_c=bench.settings.setpoint_c,
        watched_h=(rig.loop.time_s - fault_s) / 3600.0,
        moving=outlook.moving(rig.tail(DAY_S)),
        left_model=rig.ended,
        fault_s=fault_s,
        table=table,
    )


def _judge(
    bench: Bench, scenario: Scenario, fault_s: float
) -> Callable[[np.ndarray], tuple[LimitFound, ...]]:
    """Return what holds the rows of a scenario against its limits."""
    plant = bench.stands.at(scenario.room, scenario.volts).plant
    sound = bench.sound(scenario.room, scenario.volts)
    return lambda table: limits_found(bench.config, plant, table, fault_s, scenario.line, sound)


def _missed(limits: tuple[LimitFound, ...], threatened: tuple[str, ...], rig: Rig) -> list[str]:
    """Return the limits that a run breaks, or may yet break, in words."""
    found = broken_of(limits) + [f"{name} not settled, may yet break" for name in threatened]
    return found + ([] if rig.ended is None else ["the model's own end"])


def _guarded(
    bench: Bench, scenario: Scenario, specs: tuple[DeviceSpec, ...], from_s: float
) -> tuple[float | None, tuple[str, ...]]:
    """Run once more with these devices; return (first opening [s], limits then broken)."""
    devices = tuple(Device(spec, bench.settings.setpoint_c) for spec in specs)
    rig = bench.rig(scenario, devices, from_s)
    judge = _judge(bench, scenario, rig.loop.time_s)
    _, threatened = follow(rig, scenario, judge, bench.most_h)
    broken = _missed(judge(rig.table), threatened, rig)
    opened = [device.opened_at_s for device in devices if device.opened_at_s is not None]
    return min(opened, default=None), tuple(broken)


def _with_devices(
    bench: Bench, scenario: Scenario, table: np.ndarray, fault_s: float
) -> tuple[DeviceFound, ...]:
    """Return what each device does in a run that breaks its pass line without it."""
    found, sound = [], bench.own_sound(scenario.room, scenario.volts)
    for spec in device_specs(bench.config, bench.stands[scenario.room].plant):
        act_s = would_act_at_s(spec, table, bench.settings.setpoint_c)
        opened_s: float | None = None
        broken: tuple[str, ...] = ("it never opens",)
        if would_act_at_s(spec, sound, bench.settings.setpoint_c) is not None:
            broken = ("it opens in sound running",)
        elif act_s is not None:
            opened_s, broken = _guarded(bench, scenario, (spec,), act_s)
        opens_min = None if opened_s is None else (opened_s - fault_s) / 60.0
        keeps = opened_s is not None and not broken
        found.append(
            DeviceFound(spec.name, spec.fitted, spec.independent, opens_min, keeps, broken)
        )
    return tuple(found)


def _fitted_keep(
    bench: Bench, scenario: Scenario, devices: tuple[DeviceFound, ...], fault_s: float
) -> bool:
    """Tell whether the devices that count together keep the pass line's limits."""
    fitted = [item for item in devices if item.counted]
    if any(item.keeps for item in fitted):
        return True
    opening = [item for item in fitted if item.opens_min is not None]
    if len(opening) < 2:
        return False
    specs = device_specs(bench.config, bench.stands[scenario.room].plant)
    chosen = tuple(spec for spec in specs if spec.counted)
    from_s = fault_s + 60.0 * min(item.opens_min or 0.0 for item in opening)
    return not _guarded(bench, scenario, chosen, from_s)[1]


def plan_of(bench: Bench, drill: Drill) -> Plan:
    """Return the runs of a drill, each with the pass line that it is judged by."""
    scenarios = drill.scenarios(bench.config, bench.settings)
    if bench.outside is not None and drill.name == OUR_MEMORY:
        scenarios = "the firmware is not ours: whether it checks its settings is its maker's part"
    if isinstance(scenarios, str):
        return Plan(drill.name, drill.fault, (), scenarios)
    plant = bench.stands["usual"].plant
    lines = (line_of(item.pass_line or drill.pass_line, bench.config, plant) for item in scenarios)
    runs = (replace(item, pass_line=line) for item, line in zip(scenarios, lines, strict=True))
    return Plan(drill.name, drill.fault, tuple(runs))


def run_drill(bench: Bench, drill: Drill) -> DrillResult:
    """Run one drill: every scenario, judged by the pass line stated before."""
    return run_plan(bench, plan_of(bench, drill))


def run_plan(bench: Bench, plan: Plan) -> DrillResult:
    """Run what is planned."""
    runs = tuple(_run_scenario(bench, item) for item in plan.scenarios)
    rooms = dict.fromkeys(item.room for item in plan.scenarios)
    said = tuple(words for words in (unsound(bench, room) for room in rooms) if words is not None)
    passed = not any(run.failed for run in runs)
    return DrillResult(plan.name, plan.fault, plan.lines, passed, runs, plan.skipped, said)


def bench_of(
    config: Config,
    settings: Settings,
    *,
    seed: int = 1,
    user_law: UserLaw | None = None,
    outside: Callable[[], Outside] | None = None,
) -> Bench:
    """Return what the drills of a config share.

    Raises
    ------
    ValueError
        With one line, when a setting cannot be held in the firmware's words.
    """
    firmware = firmware_of(config, settings)
    return Bench(config, settings, firmware, Stands(config), seed, user_law, outside)


def drill_all(
    config: Config,
    settings: Settings,
    *,
    seed: int = 1,
    only: str | None = None,
    user_law: UserLaw | None = None,
    outside: Callable[[], Outside] | None = None,
    before: Callable[[Plan], None] = lambda plan: None,
    after: Callable[[DrillResult], None] = lambda result: None,
    workers: int | None = None,
) -> tuple[DrillResult, ...]:
    """Run every drill, or the one named, side by side.

    Parameters
    ----------
    config : Config
    settings : Settings
        What is flashed.
    seed : int
        Of the sensor noise.
    only : str, optional
        One of the names in `ctrl.drill_list.DRILLS`.
    user_law : UserLaw, optional
        A maker's own controller, behind the same protections.
    outside : callable, optional
        Returns a whole firmware from outside, freshly powered up; called once a run.
    before, after : callable
        Told each drill's runs, with their pass lines, before the first one runs; and each
        result, in the same order.
    workers : int, optional
        Threads; all cores by default. Their number changes no result.

    Raises
    ------
    KeyError
        For a name that is no drill.
    """
    from ctrl.drill_list import DRILLS

    bench = bench_of(config, settings, seed=seed, user_law=user_law, outside=outside)
    drills = list(DRILLS.values()) if only is None else [DRILLS[only]]
    plans = [plan_of(bench, drill) for drill in drills]
    for plan in plans:
        before(plan)
    found = []
    for result in each_side_by_side(lambda plan: run_plan(bench, plan), plans, workers):
        after(result)
        found.append(result)
    return tuple(found)

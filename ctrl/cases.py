"""One case: the cabinet at one ambient, with its verdict, findings and limits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from ctrl.build import (
    at_ambient,
    extraction_of,
    humidity_at,
    start_resistance_ohm,
    with_supply_v,
)
from ctrl.capability import (
    Coldest,
    StartCurrents,
    at_duty,
    coldest_holdable,
    flashed_duty,
    limits_of,
)
from ctrl.config import Config
from ctrl.config_settings import Goods
from ctrl.controllers import Outside
from ctrl.findings import Findings, findings_of
from ctrl.firmware import Settings, firmware_of
from ctrl.ice import Ice
from ctrl.loop import FAULT, STATE_WORDS, TRIPPED
from ctrl.trial import Settled, nearest_point, run_settled
from plant import drive
from plant.cabinet import Plant, to_record
from plant.constants import ZERO_C_K
from plant.steady import RUNAWAY_K, NoSteadyState

HOLDS, WITH_DEFROST, CANNOT = "holds", "holds_with_defrost", "cannot_hold"
VERDICT_ORDER = (HOLDS, WITH_DEFROST, CANNOT)
FREEZING_MARGIN_K = 0.5
RUNS_KEPT = 24  # settled runs kept for who asks again, about 2.5 MB each
IDLE_DUTY = 0.01  # a mean duty below this counts as idling


@dataclass(frozen=True)
class Limit:
    """One limit against the value found.

    `margin` is positive when the limit is kept, in `unit`; `ample` is a margin that need
    not worry anyone and ranks limits of different units; `decided` marks the one that
    decided the case; `known_to` is how far off the value may be, in `unit`, 0 where that is
    not told.
    """

    name: str
    value: float
    limit: float
    margin: float
    unit: str
    case: str
    ample: float
    decided: bool = False
    known_to: float = 0.0

    @property
    def kept(self) -> bool:
        """Whether the limit is kept."""
        return self.margin >= 0.0

    @property
    def is_barely_kept(self) -> bool:
        """Whether it is kept with less to spare than the model can tell."""
        return self.kept and self.margin < self.known_to

    @property
    def spare_words(self) -> str:
        """What it has to spare, in words, and beside it how well that is known."""
        unit = "K" if self.unit == "°C" else self.unit
        text = f"{self.name}, {_few(self.margin)} {unit} to spare"
        if not self.is_barely_kept:
            return text
        if self.name == ICE_GAPS:
            most_pct = self.value + self.known_to
            return f"{text}, up to {most_pct:.1f} % closed with frost 50 % denser or lighter"
        return f"{text}, less than the {self.known_to:g} {unit} the sensor may be off"


@dataclass(frozen=True)
class Case:
    """The cabinet at one ambient.

    `pull_down_h` is None, with its reason, where the contents never get cold;
    `hold_over_h` where they stay cold without power for longer than was looked at.
    """

    name: str
    ambient_c: float
    relative_humidity_pct: float
    verdict: str
    reason: str
    coldest_holdable_c: float
    coldest_decided_by: str
    findings: Findings
    ice: Ice
    limits: tuple[Limit, ...]
    pull_down_h: float | None
    pull_down_reason: str | None
    hold_over_h: float | None


def _few(margin: float) -> str:
    return f"{margin:.2f}" if margin < 0.1 else f"{margin:.1f}"


def at_most(name: str, value: float, limit: float, unit: str, case: str, ample: float) -> Limit:
    """Return a limit not to be exceeded."""
    return Limit(name, value, limit, limit - value, unit, case, ample)


def at_least(name: str, value: float, limit: float, unit: str, case: str, ample: float) -> Limit:
    """Return a limit not to be fallen below."""
    return Limit(name, value, limit, value - limit, unit, case, ample)


def contents_min_c(config: Config, plant: Plant) -> float | None:
    """Return the coldest the contents may get [°C]; by default half a kelvin above freezing."""
    if config.use.contents_min_c is not None:
        return config.use.contents_min_c
    if isinstance(config.contents, Goods) and config.contents.water_share == 0.0:
        return None
    return plant.contents.freezing_k - ZERO_C_K + FREEZING_MARGIN_K


def limits_found(config: Config, plant: Plant, found: Findings, case: str) -> list[Limit]:
    """Return every limit of one case against its findings."""
    use, parts = config.use, config.limits
    warmest = use.target_c + use.target_tolerance_k
    limits = [
        at_most(
            "contents mean",
            found.contents_c.mean,
            warmest,
            "°C",
            case,
            0.5 * use.target_tolerance_k,
        ),
        at_least(
            COLD_SIDE,
            found.contents_c.mean,
            use.target_c - use.target_tolerance_k,
            "°C",
            case,
            0.5 * use.target_tolerance_k,
        ),
        at_most("hot sink", found.hot_sink_c.max, parts.hot_sink_max_c, "°C", case, 10.0),
        at_most("foam at the hot sink", found.foam_c.max, parts.foam_max_c, "°C", case, 10.0),
        at_most("module hot face", found.hot_face_c.max, parts.module_max_c, "°C", case, 10.0),
        at_least("walls above the dew point", found.wall_margin_k, 0.0, "K", case, 2.0),
        at_least("outside above the room's dew point", found.outside_margin_k, 0.0, "K", case, 2.0),
    ]
    if use.contents_max_c is not None:
        limits.append(
            at_most("contents warmest", found.contents_c.max, use.contents_max_c, "°C", case, 1.0)
        )
    coldest = contents_min_c(config, plant)
    if coldest is not None:
        limits.append(at_least(COLDEST, found.contents_c.min, coldest, "°C", case, 1.0))
    if use.humidity_limit_pct is not None:
        limits.append(
            at_most(
                "humidity inside", found.air_rh_pct.mean, use.humidity_limit_pct, "%", case, 10.0
            )
        )
    if found.supply_off_share > 0.0:
        # The findings say it: a supply that cuts out takes the whole cabinet with it.
        off_pct = 100.0 * found.supply_off_share
        limits.append(at_most("time the supply is cut out", off_pct, 0.0, "%", case, 1.0))
    if found.duty_mean < IDLE_DUTY:
        return limits  # nothing is held by the sensor
    off_k = config.sensor.tolerance_k
    return [replace(x, known_to=off_k) if x.name in OF_THE_CONTENTS else x for x in limits]


# A wet wall, inside or outside, is a nuisance and a finding; it does not by itself fail a case.
ADVISORY = frozenset({"walls above the dew point", "outside above the room's dew point"})
COLD_SIDE = "contents mean, cold side"
COLDEST = "contents coldest"
# Limits that move with the control sensor's error.
OF_THE_CONTENTS = (COLD_SIDE, "contents mean", COLDEST, "contents warmest")
ICE_GAPS = "ice in the fin gaps"


def is_cold_room(config: Config, found: Findings) -> bool:
    """Tell whether the room is colder than the target: a cabinet does not heat."""
    return found.ambient_c.mean < config.use.target_c


def advisory_limits(cold_room: bool) -> frozenset[str]:
    """Return the limits that by themselves fail no case.

    A cabinet cannot help a room colder than its target; that the contents do not freeze is a
    limit of its own.
    """
    return ADVISORY | {COLD_SIDE} if cold_room else ADVISORY


def ice_limit(ice: Ice, case: str) -> Limit:
    """Return the icing limit: share of the fin gaps closed at the dampest air.

    Known as well as frost's density is: to the worse end of its range.
    """
    row = at_most(ICE_GAPS, ice.blockage_pct, ice.limit_pct, "%", case, 0.2 * ice.limit_pct)
    return replace(row, known_to=ice.blockage_most_pct - ice.blockage_pct)


def judge(
    config: Config,
    found: Findings,
    coldest: Coldest,
    limits: list[Limit],
    ice: Ice,
    plan_works: bool,
    plan_row: Limit | None = None,
) -> tuple[str, str, list[Limit]]:
    """Return (verdict, reason in words, limits with the deciding one marked).

    `plan_row` is the icing limit with the defrost plan, where there is one.
    """
    cold_room = is_cold_room(config, found)
    advisory = advisory_limits(cold_room)
    binding = [item for item in limits if item.name not in advisory]
    failed = [item for item in binding if not item.kept]
    ranked = sorted(binding, key=lambda item: item.margin / item.ample)
    decided = ranked[0].name
    marked = [replace(item, decided=item.name == decided) for item in limits]
    stopped = [STATE_WORDS[code] for code in (FAULT, TRIPPED) if code in found.states_seen]
    if stopped:
        return CANNOT, f"the firmware stopped the module: {', '.join(stopped)}", marked
    if failed:
        first = min(failed, key=lambda item: item.margin / item.ample)
        return CANNOT, _why_not(config, found, coldest, first), marked
    if ice.ices and plan_works:
        return WITH_DEFROST, _with_plan(binding, plan_row), marked
    if ice.ices:
        return CANNOT, "the cold sink ices up, and no defrost tried keeps it clear", marked
    cold_c = found.contents_c.mean
    if cold_room and cold_c < config.use.target_c - config.use.target_tolerance_k:
        return HOLDS, f"colder than wanted, {cold_c:.1f} °C: the room is; nothing freezes", marked
    if cold_room and found.duty_mean < IDLE_DUTY:
        return HOLDS, "the module idles: the room is colder than the target", marked
    return HOLDS, f"holds; tightest limit: {ranked[0].spare_words}", marked


def _with_plan(binding: list[Limit], plan_row: Limit | None) -> str:
    """Return in words what a room has to spare that holds with the defrost plan."""
    rows = [*binding] if plan_row is None else [*binding, plan_row]
    tightest = min(rows, key=lambda item: item.margin / item.ample)
    text = "holds, with the defrost plan: the cold sink ices without it; tightest limit: "
    text += tightest.spare_words
    if plan_row is not None and plan_row.is_barely_kept and tightest is not plan_row:
        text += f"; {plan_row.spare_words}"
    return text


def deciding_case(cases: Sequence[Case]) -> Case:
    """Return the case that decides: the worst verdict, of those that hold the least to spare."""
    worst = max(cases, key=lambda case: VERDICT_ORDER.index(case.verdict))
    alike = [case for case in cases if case.verdict == worst.verdict]
    if worst.verdict == CANNOT:
        return worst
    return min(alike, key=_least_spare)


def _least_spare(case: Case) -> float:
    """Return the deciding limit's margin as a share of an ample one [-]."""
    return min((x.margin / x.ample for x in case.limits if x.decided), default=float("inf"))


def barely_kept(config: Config, cases: Sequence[Case]) -> list[Limit]:
    """Return the limits that are kept with less to spare than the model can tell."""
    found = []
    for case in cases:
        left_out = advisory_limits(is_cold_room(config, case.findings))
        found += [x for x in case.limits if x.is_barely_kept and x.name not in left_out]
    return found


def ranging_beyond(config: Config, cases: Sequence[Case]) -> Case | None:
    """Return the case whose contents range furthest beyond the tolerance within a day, or None.

    The tolerance is of their mean.  Rooms colder than the target are left out.
    """
    use = config.use

    def beyond_k(case: Case) -> float:
        span = case.findings.contents_c
        return max(span.max - use.target_c, use.target_c - span.min) - use.target_tolerance_k

    held = [case for case in cases if not is_cold_room(config, case.findings)]
    furthest = max(held, key=beyond_k, default=None)
    return furthest if furthest is not None and beyond_k(furthest) >= 0.05 else None


def _why_not(config: Config, found: Findings, coldest: Coldest, failed: Limit) -> str:
    target_c = config.use.target_c
    if failed.name in ("contents mean", "contents warmest"):
        if coldest.contents_c > target_c + config.use.target_tolerance_k:
            return (
                f"too hot: the coldest the contents can be held at is {coldest.contents_c:.1f} °C "
                f"({coldest.decided_by} decides), wanted {target_c:g} °C"
            )
        return (
            f"too warm: contents {found.contents_c.mean:.1f} °C in the mean and "
            f"{found.contents_c.max:.1f} °C at most, wanted {target_c:g} °C"
        )
    if failed.name == COLD_SIDE:
        return (
            f"too cold: contents {found.contents_c.mean:.1f} °C in the mean, wanted "
            f"{target_c:g} °C; the thermostat's band is too wide for this room"
        )
    if failed.name == COLDEST:
        idle, remedy = "", "it would need heating"
        if found.duty_mean < IDLE_DUTY:
            idle = " with the module idle"
            if config.drive.off_mode == "hold":
                idle, remedy = " on the hold current alone", "leave the module open while off"
        return (
            f"too cold: contents fall to {found.contents_c.min:.1f} °C{idle}, "
            f"limit {failed.limit:.1f} °C; {remedy}"
        )
    return f"{failed.name}: {failed.value:.1f} {failed.unit}, limit {failed.limit:g} {failed.unit}"


@dataclass(frozen=True)
class CaseRun:
    """A case's plant, its coldest point and its settled run with given settings."""

    plant: Plant
    coldest: Coldest
    settled: Settled
    findings: Findings


def run_case(
    config: Config,
    base: Plant,
    settings: Settings,
    ambient_c: float,
    humidity_pct: float,
    *,
    seed: int,
    run: int,
    outside: Outside | None = None,
) -> CaseRun:
    """Run the cabinet with `settings`, or a firmware from outside, until it repeats.

    Our own runs are kept for a while: centring, band and defrost ask for the same day again.
    """
    if outside is None:
        return kept_run(config, base, settings, ambient_c, humidity_pct, seed, run)
    return _run(config, base, settings, ambient_c, humidity_pct, seed, run, outside)


def _run(
    config: Config, base: Plant, settings: Settings, ambient_c: float, humidity_pct: float,
    seed: int, run: int, outside: Outside | None = None,
) -> CaseRun:  # fmt: skip
    plant = at_ambient(base, ambient_c, humidity_pct)
    most = settings.duty_limit if config.drive.kind != "relay" else 1.0
    coldest = coldest_holdable(plant, ambient_c + ZERO_C_K, limits_of(config), most)
    start = nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)
    settled = run_settled(
        plant, firmware_of(config, settings), start, seed=seed, run=run, outside=outside
    )
    found = findings_of(
        settled.record, config.use.target_c, config.use.target_tolerance_k, energy_boundary(config)
    )
    return CaseRun(plant, coldest, settled, found)


kept_run = lru_cache(maxsize=RUNS_KEPT)(_run)


def usual_run(config: Config, base: Plant, settings: Settings, seed: int) -> CaseRun:
    """Run the cabinet with `settings` in the usual room until it repeats."""
    room_c = config.climate.usual_c
    return run_case(config, base, settings, room_c, humidity_at(config, room_c), seed=seed, run=0)


def energy_boundary(config: Config) -> str:
    """Return where energy is counted, in words."""
    return "mains plug" if config.supply.kind == "mains" else "battery terminals"


# How much worse than stated a hot sink may be [-]. Common practice, no source.
SINK_TOLERANCE = 0.10


def with_poor_parts(config: Config, plant: Plant) -> Plant:
    """Return the plant with its hot side at the poor end of what the parts may be off.

    The module draws more, by what its sheet leaves open of its resistance; the hot sink
    carries off less.
    """
    ohm_pct = extraction_of(config).tolerance_pct["resistance"]
    mod, sink = plant.module, plant.hot_sink
    return replace(
        plant,
        module=replace(mod, resistance_ohm=mod.resistance_ohm * (1.0 - 0.01 * ohm_pct)),
        hot_sink=replace(sink, fan_w_per_k=sink.fan_w_per_k / (1.0 + SINK_TOLERANCE)),
    )


def unguarded_limits(config: Config, plant: Plant) -> list[Limit]:
    """Return the hot side's limits at the highest voltage where no firmware can cut back.

    A relay has no duty to limit, and without a sensor on the hot sink nothing folds back:
    hottest hour of the hottest day, full on, parts at the poor end of their tolerances, for
    nothing else stands between an error of the model and the foam.
    """
    if config.drive.kind != "relay" or config.hot_sink_sensor is not None:
        return []
    plant = with_poor_parts(config, plant)
    room, parts, case = config.climate, config.limits, "highest voltage, poor parts"
    hot_c = room.worst_c + 0.5 * room.daily_swing_k
    humidity_pct = humidity_at(config, room.worst_c)
    high = at_ambient(with_supply_v(plant, config.supply.highest_voltage_v), hot_c, humidity_pct)
    try:
        point = at_duty(high, 1.0, hot_c + ZERO_C_K)
        found = (point.hot_sink_k, point.foam_k, point.hot_face_k)
    except NoSteadyState:
        found = (RUNAWAY_K,) * 3
    hot_sink_c, foam_c, face_c = (value - ZERO_C_K for value in found)
    return [
        at_most("hot sink", hot_sink_c, parts.hot_sink_max_c, "°C", case, 10.0),
        at_most("foam at the hot sink", foam_c, parts.foam_max_c, "°C", case, 10.0),
        at_most("module hot face", face_c, parts.module_max_c, "°C", case, 10.0),
    ]


def current_limits(config: Config, plant: Plant) -> list[Limit]:
    """Return the limits of supply, wire and fuse at the highest voltage, module cold-started."""
    supply = config.supply
    at = StartCurrents.of(config, plant, supply.highest_voltage_v)
    # A window's on-time is long enough for wire and fuse to feel the whole current.
    duty = 1.0 if plant.drive.kind == drive.RELAY else flashed_duty(config, plant)
    whole_a, supply_a = at.wire_a(duty), at.supply_a(duty)
    # One that holds its current gives no more: what starves then is told as a caution.
    holds = supply.protection == "constant_current"
    given_a = min(supply_a, supply.current_limit_a) if holds else supply_a
    wire_a = drive.wire_ampacity_a(supply.wire_mm2)
    least = []
    if supply.minimum_load_a > 0.0:
        least.append(
            at_least(
                "least load of the supply",
                idle_current_a(config, plant),
                supply.minimum_load_a,
                "A",
                "idle",
                0.2 * supply.minimum_load_a,
            )
        )
    return [
        at_most("current in the wire", whole_a, wire_a, "A", "start-up", 0.2 * wire_a),
        at_most("fuse, 1.25 x current", 1.25 * whole_a, supply.fuse_a, "A", "start-up",
                0.2 * supply.fuse_a),
        at_most("supply current", given_a, supply.current_limit_a, "A", "start-up",
                0.2 * supply.current_limit_a),
        at_most("fuse protects the wire", supply.fuse_a, wire_a, "A", "start-up", 0.2 * wire_a),
        *least,
    ]  # fmt: skip


def idle_current_a(config: Config, plant: Plant) -> float:
    """Return the load left when the module is off and the hot fan has run on [A].

    An inside fan with its own switch goes on; the controller's own current is not known.
    """
    hot, cold = config.hot_sink, config.cold_sink
    left_w = hot.fan_w if hot.fan_wiring == "always" else 0.0
    left_w += cold.fan_w if cold.fan_wiring != "with_module" else 0.0
    _, _, held_w = drive.mean_currents(
        to_record(plant).drive, 0.0, start_resistance_ohm(config, plant), 0.0, 0.0
    )
    return float(left_w + held_w) / config.supply.voltage_v

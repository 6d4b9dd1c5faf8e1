"""The main job: from one config to settings one would flash, with reasons.

Steady states give a first verdict within a second; tuning and simulation then decide.
"""

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, replace
from math import sqrt

from ctrl.aim import ROOM_COLDER, Aim, aim_of, with_kind
from ctrl.bottlenecks import (
    Bottleneck,
    Sensitivity,
    module_spread_k,
    rank_changes,
    rank_parameters,
    twin_spread_k,
)
from ctrl.branches import FanFailure, after_fan_failure
from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.candidates import Candidate, candidates_of
from ctrl.capability import (
    Coldest,
    DutyLimit,
    duty_for,
    duty_limit,
    flashed_coldest,
)
from ctrl.cases import (
    CANNOT,
    Case,
    CaseRun,
    Limit,
    at_least,
    barely_kept,
    current_limits,
    deciding_case,
    energy_boundary,
    ice_limit,
    judge,
    limits_found,
    run_case,
    unguarded_limits,
    usual_run,
)
from ctrl.cautions import (
    absent_protections,
    cautions_of,
    fan_failure_cautions,
    not_kept,
)
from ctrl.config import Config
from ctrl.controllers import Outside
from ctrl.defrost_kinds import rerun_plan
from ctrl.drive_cycling import cycling_words
from ctrl.energy_day import EnergyDay, energy_day
from ctrl.findings import Findings, pull_down_h
from ctrl.firmware import Settings, firmware_of
from ctrl.heat_soak import HeatSoak, heat_soak_of
from ctrl.honesty import Pair, pairs_of
from ctrl.ice import (
    DefrostPlan,
    Ice,
)
from ctrl.ice_border import IceBorder, ice_border
from ctrl.recommend_ice import ice_at, rooms_of
from ctrl.side_by_side import cores, side_by_side
from ctrl.tolerances import AS_TUNED, Tolerance, tolerance_of
from ctrl.too_cold import TooCold, is_only_too_cold, too_cold_rooms
from ctrl.trial import hold_over_h, nearest_point, pull_down
from ctrl.tuned import centred, relay_life_of, tuned, warmest_mean_c
from plant.constants import ZERO_C_K

SEED = 20240229  # of the sensor noise; any number does, this one is printed
RELAY_LIFE = "life of the relay"  # a wish, not a danger: missed, it is a caution
NOT_SAFE = "not safe to build as described"  # so a reason begins where the build itself fails
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Provisional:
    """What the steady states alone say, before anything is simulated."""

    usual: Coldest
    worst: Coldest
    usual_ambient_c: float
    worst_ambient_c: float
    target_c: float
    usual_plug_w: float | None
    aim: Aim

    @property
    def reaches_target(self) -> bool:
        """Whether the target lies above the coldest holdable at the worst ambient."""
        return self.worst.contents_c <= self.target_c


@dataclass(frozen=True)
class Controlled:
    """One candidate with what it does at the usual ambient."""

    candidate: Candidate
    findings: Findings
    relay_life_years: float | None


@dataclass(frozen=True)
class Recommendation:
    """Settings to flash, and why."""

    config: Config
    verdict: str
    reason: str
    provisional: Provisional
    setpoint_c: float
    setpoint_offset_k: float
    coldest_holdable_c: float
    coldest_decided_by: str
    duty_limit: DutyLimit
    chosen: Controlled
    controllers: tuple[Controlled, ...]
    defrost: DefrostPlan | None
    ice_border: IceBorder
    cases: tuple[Case, ...]
    limits: tuple[Limit, ...]
    pull_down_h: float | None
    pull_down_reason: str | None
    hold_over_h: float | None
    hold_over_limit_c: float
    bottlenecks: tuple[Bottleneck, ...]
    sensitivities: tuple[Sensitivity, ...]
    absent_protections: tuple[str, ...]
    cautions: tuple[str, ...]
    energy_boundary: str
    seed: int
    fan_failure: tuple[FanFailure, ...]
    heat_soak: HeatSoak
    aim: Aim
    tolerance: Tolerance | None = None
    pairs: tuple[Pair, ...] = ()
    energy_day: EnergyDay | None = None
    too_cold: tuple[TooCold, ...] = ()
    module_spread_k: float = 0.0
    twin_spread_k: float = 0.0

    @property
    def ice_free_setpoint_c(self) -> float | None:
        """Reading to hold for `coldest_ice_free_c` [°C]."""
        return self.ice_border.setpoint_c

    @property
    def is_safe_to_build(self) -> bool:
        """Whether no limit of current, fuse, foam or module fails the build itself."""
        return not self.reason.startswith(NOT_SAFE)

    @property
    def coldest_ice_free_c(self) -> float | None:
        """Coldest mean of the contents from which on the usual room leaves the sink clear [°C]."""
        return self.ice_border.contents_c

    @property
    def barely(self) -> tuple[Limit, ...]:
        """Limits kept with less to spare than the model can tell; none where one fails."""
        if self.verdict == CANNOT:
            return ()
        return tuple(barely_kept(self.config, self.cases))

    @property
    def is_only_too_cold(self) -> bool:
        """Whether cold rooms alone fail, so that nothing colder would mend it."""
        return is_only_too_cold(self.too_cold, self.cases)

    @property
    def tolerance_verdict(self) -> str:
        """What the draws say beside the verdict: "kept", "not_kept" or "left_out"."""
        if self.tolerance is None:
            return "left_out"
        return "kept" if self.tolerance.kept else "not_kept"

    @property
    def tolerance_reason(self) -> str:
        """The same in words; empty where no parts were drawn."""
        found = self.tolerance
        if found is None:
            return ""
        shown = "shown" if found.kept else "NOT SHOWN"
        fresh, bound = "comparing", "no confidence claimed, they chose the settings"
        if found.confirmed:
            fresh = "fresh"
            bound = f"at least {100.0 * found.share_at_least:.1f} % with 95 % confidence"
        return (
            f"with parts out of tolerance {shown} for {100.0 * found.wanted_share:.0f} % of such "
            f"cabinets: {found.holds} of {found.draws} {fresh} draws keep every limit, {bound}; "
            f"most at risk: {found.at_risk}{self._way_there}"
        )

    @property
    def _way_there(self) -> str:
        if self.tolerance is None or self.tolerance.kept:
            return ""
        for item in self.tolerance.remedies:
            if item.reaches:
                lead = "" if self.tolerance.confirmed else "as a guide, "
                return f"; {lead}enough would be {item.change}"
        return f"; nothing tried is enough, measure first: {self.tolerance.measure_first or '-'}"

    @property
    def coldest_spread_k(self) -> float:
        """How far the coldest holdable may be off, independent errors added [K].

        Each part 10 % off, the module by what its sheet leaves open; of a twin its own errors.
        """
        if self.config.twin is not None:
            return self.twin_spread_k
        parts = sum(item.gain_k**2 for item in self.sensitivities)
        return sqrt(parts + self.module_spread_k**2)

    @property
    def coldest_spread_words(self) -> str:
        """What that spread is of."""
        if self.config.twin is not None:
            return "parts as measured, one standard error"
        return "each part 10 % off, the module by its sheet"


def provisional(config: Config) -> Provisional:
    """Return the first verdict, from steady states only."""
    plant, room = plant_of(config), config.climate
    usual = flashed_coldest(config, plant, room.usual_c + ZERO_C_K)
    hot = at_ambient(plant, room.worst_c, humidity_at(config, room.worst_c))
    worst = flashed_coldest(config, hot, room.worst_c + ZERO_C_K)
    point = duty_for(plant, room.usual_c + ZERO_C_K, config.use.target_c + ZERO_C_K, usual)
    aim = aim_of(config, plant, config.drive.kind)
    return Provisional(
        usual, worst, room.usual_c, room.worst_c, config.use.target_c,
        None if point is None or aim.state == ROOM_COLDER else point.plug_w, aim,
    )  # fmt: skip


def recommend(
    config: Config,
    *,
    seed: int = SEED,
    progress: Progress = lambda stage: None,
    draws: int = 0,
    workers: int | None = None,
) -> Recommendation:
    """Return the recommendation for a config.

    Parameters
    ----------
    config : Config
    seed : int
        Of the sensor noise.
    progress : callable
        Told each stage in words as it begins.
    draws : int
        Cabinets drawn out of tolerance that confirm the settings; 0 leaves that out.
    workers : int, optional
        Threads for them; as many as cores when left out.
    """
    first = provisional(config)
    plant = plant_of(config)
    progress("tuning the controllers")
    ready = tuned(config, candidates_of(config, plant, first.aim.control_c), seed,
                  progress=progress, workers=workers)  # fmt: skip
    aim = ready.aim
    best, candidates, plan, ices = ready.best, list(ready.candidates), ready.plan, ready.ices
    tolerance = None
    if draws > 0:
        tolerance = tolerance_of(config, best.plant, best.settings, seed=seed, draws=draws,
                                 workers=workers, progress=progress)  # fmt: skip
        best, plan = _held(config, best, plan, ices, tolerance, seed)
    candidates[0] = best
    progress("running the usual, the worst and the coldest room")
    rooms = list(enumerate(rooms_of(config)))
    ran = side_by_side(lambda x: run_case(
        config, best.plant, best.settings, x[1][1], humidity_at(config, x[1][1]), seed=seed,
        run=x[0]), rooms, workers)  # fmt: skip
    runs = {name: run for (_, (name, _)), run in zip(rooms, ran, strict=True)}
    controllers = _controlled(config, candidates, runs["usual"], seed, progress)
    progress("pull-down and hold-over")
    settings = best.settings
    cases = side_by_side(
        lambda x: case_of(config, x, runs[x], ices[x], plan, settings, aim, seed), runs, workers
    )
    usual = runs["usual"]
    progress("the coldest setpoint that stays free of ice")
    offset_k = best.settings.setpoint_c - usual.findings.contents_c.mean
    if aim.is_out_of_reach or aim.is_too_cold:
        offset_k = aim.offset_k  # the reading does not come to the setpoint there
    border = ice_border(config, best, config.climate.usual_c, seed, workers)
    progress("stopping the hot fan")
    failures = _fan_failures(config, best.settings, seed)
    worst = runs["worst"]
    progress("ranking what holds it back")
    worst_case = deciding_case(cases)
    limits = [item for case in cases for item in case.limits]
    apart = current_limits(config, plant) + _relay_limit(config, controllers[0])
    apart += unguarded_limits(config, plant)
    verdict, reason = _overall(worst_case, controllers[0], apart)
    found = usual.findings
    return Recommendation(
        config=config,
        verdict=verdict,
        reason=reason,
        provisional=first,
        setpoint_c=best.settings.setpoint_c,
        setpoint_offset_k=offset_k,
        coldest_holdable_c=runs["worst"].coldest.contents_c,
        coldest_decided_by=runs["worst"].coldest.decided_by,
        duty_limit=duty_limit(plant, config),
        chosen=controllers[0],
        controllers=tuple(controllers),
        defrost=plan,
        ice_border=border,
        cases=tuple(cases),
        limits=(*limits, *apart),
        pull_down_h=cases[0].pull_down_h,
        pull_down_reason=cases[0].pull_down_reason,
        hold_over_h=cases[0].hold_over_h,
        hold_over_limit_c=hold_over_limit_c(config),
        bottlenecks=tuple(rank_changes(config)),
        sensitivities=tuple(rank_parameters(config)),
        aim=aim,
        too_cold=too_cold_rooms(config, aim, cases),
        module_spread_k=module_spread_k(config),
        twin_spread_k=0.0 if config.twin is None else twin_spread_k(config),
        absent_protections=tuple(absent_protections(config)),
        cautions=(
            *not_kept(apart),
            *ready.worn,
            *cautions_of(config, plant, cases),
            *_cycling(controllers[0]),
            *fan_failure_cautions(failures),
        ),
        energy_boundary=energy_boundary(config),
        seed=seed,
        fan_failure=failures,
        heat_soak=heat_soak_of(
            worst.plant,
            nearest_point(worst.plant, config.use.target_c + ZERO_C_K, worst.coldest),
            config.protection.hot_fan_run_on_s,
        ),
        tolerance=tolerance,
        pairs=() if draws == 0 else pairs_of(
            config, [item.candidate for item in controllers], seed=seed,
            workers=workers or cores(), progress=progress,
        ),
        energy_day=energy_day(config, best.plant, best.settings, found, seed=seed,
                              workers=workers),
    )  # fmt: skip


def _cycling(chosen: Controlled) -> tuple[str, ...]:
    """Return the caution that the chosen drive starts too often in the usual room, if it does."""
    item, starts_per_h = chosen.candidate, chosen.findings.cycles_per_hour
    words = cycling_words(item.controller, item.drive, starts_per_h)
    return (f"In the usual room {words}.",) if words else ()


def _held(
    config: Config, best: Candidate, plan: DefrostPlan | None, ices: dict[str, Ice],
    tolerance: Tolerance, seed: int,
) -> tuple[Candidate, DefrostPlan | None]:  # fmt: skip
    """Return candidate and defrost plan with the settings that hold more cabinets.

    Ice, interval and what decided are those of the new settings, run anew; the other kinds
    stay as they were tried, before the tolerances were looked at.
    """
    settings, part = tolerance.settings, config.defrost
    best = replace(best, settings=settings)
    if tolerance.change == AS_TUNED or settings.defrost is None:
        return best, plan
    hours = settings.defrost.interval_ticks * min(settings.period_s, 1.0) / 3600.0
    room = max(ices, key=lambda name: ices[name].blockage_pct)
    found = ice_at(config, best, settings, dict(rooms_of(config))[room], config.use.target_c, seed,
                 most_days=5, only_clear=True)  # fmt: skip
    works = found.clear_and_cold(warmest_mean_c(config, ices[room]), config.use.contents_max_c)
    why = f"parts out of tolerance ({tolerance.change}); run anew, other kinds as tried before"
    if plan is not None:
        return best, rerun_plan(plan, settings.defrost, hours, found, works, why)
    has_sensor = config.cold_sink_sensor is not None
    ends_by = "cold-sink temperature" if has_sensor else "time only"
    return best, DefrostPlan(hours, part.end_c, part.longest_min, part.drip_min, ends_by,
                             settings.defrost, found, works, (), why=why)  # fmt: skip


def _fan_failures(config: Config, settings: Settings, seed: int) -> tuple[FanFailure, ...]:
    """Return what a failed hot fan does, as the firmware guards and without its sensor."""
    guarded = (True, False) if config.hot_sink_sensor is not None else (False,)
    return tuple(after_fan_failure(config, settings, protected=on, seed=seed) for on in guarded)


def _overall(worst: Case, chosen: Controlled, apart: list[Limit]) -> tuple[str, str]:
    """Return (verdict, reason) of the worst room, unless the build itself is unsound."""
    room = f"{worst.name} room, {worst.ambient_c:g} °C: {worst.reason}"
    unsafe = [
        f"{item.name} ({item.case})" for item in apart if not item.kept and item.name != RELAY_LIFE
    ]
    if unsafe:
        return CANNOT, f"{NOT_SAFE}: {', '.join(unsafe)}; {room}"
    if chosen.candidate.note and worst.verdict != CANNOT:
        return CANNOT, f"no settings to trust: {chosen.candidate.note}; {room}"
    return worst.verdict, room


def hold_over_limit_c(config: Config) -> float:
    """Return the contents' temperature that ends a hold-over [°C]."""
    use = config.use
    if use.contents_max_c is not None:
        return use.contents_max_c
    return use.target_c + use.target_tolerance_k


def case_of(
    config: Config,
    name: str,
    run: CaseRun,
    ice: Ice,
    plan: DefrostPlan | None,
    settings: Settings,
    aim: Aim,
    seed: int,
    outside: Outside | None = None,
) -> Case:
    """Return one room's case.

    `outside`, freshly powered up, pulls down in place of our firmware; its own run's loop is
    used up for the hold-over, of ours a copy: it is kept (`ctrl.cases.run_case`).
    """
    loop = deepcopy(run.settled.loop) if outside is None else run.settled.loop
    ambient_c = dict(rooms_of(config))[name]
    pulled = pull_down(run.plant, config, firmware_of(config, settings), seed=seed, outside=outside)
    use = config.use
    reached_h, why_not = pull_down_h(pulled, use.target_c, use.target_tolerance_k)
    limits = limits_found(config, run.plant, run.findings, name)
    shown = plan.ice if plan is not None and ice.ices else ice
    works = plan is not None and plan.works
    # Ice that a defrost deals with is judged by the plan, not by its share of the gaps.
    ice_row = ice_limit(shown, name)
    if not ice.ices:
        limits.append(ice_row)
    verdict, reason, marked = judge(
        config, run.findings, run.coldest, limits, ice, works, ice_row if ice.ices else None
    )
    if name == "usual" and aim.is_too_cold and verdict != CANNOT:
        # In the other rooms that is no lack of the cabinet; here it is what it was asked for.
        verdict, reason = CANNOT, aim.words
    if ice.ices:
        marked.append(ice_row)
    return Case(
        name=name,
        ambient_c=ambient_c,
        relative_humidity_pct=humidity_at(config, ambient_c),
        verdict=verdict,
        reason=reason,
        coldest_holdable_c=run.coldest.contents_c,
        coldest_decided_by=run.coldest.decided_by,
        findings=run.findings,
        ice=ice,
        limits=tuple(marked),
        pull_down_h=reached_h,
        pull_down_reason=why_not,
        hold_over_h=hold_over_h(loop, hold_over_limit_c(config)),
    )


def _controlled(
    config: Config,
    candidates: list[Candidate],
    chosen: CaseRun,
    seed: int,
    progress: Progress,
) -> list[Controlled]:
    """Run every candidate on the usual day; the chosen one has been run already."""
    found = [_with_life(config, candidates[0], chosen.findings)]
    for item in candidates[1:]:
        progress(f"comparing with {item.controller.replace('_', '-')} on {item.drive}")
        item, _ = centred(config, item, seed)
        run = usual_run(with_kind(config, item.drive), item.plant, item.settings, seed)
        found.append(_with_life(config, item, run.findings))
    return found


def _with_life(config: Config, item: Candidate, found: Findings) -> Controlled:
    return Controlled(item, found, relay_life_of(config, item.drive, found))


def _relay_limit(config: Config, chosen: Controlled) -> list[Limit]:
    if chosen.relay_life_years is None:
        return []
    wanted = config.limits.relay_life_years
    life = min(chosen.relay_life_years, 100.0)
    return [at_least(RELAY_LIFE, life, wanted, "years", "usual", wanted)]


__all__ = ["CANNOT", "Provisional", "Recommendation", "provisional", "recommend"]

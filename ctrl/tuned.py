"""The settings tuned for a cabinet, before parts are drawn out of tolerance.

One place for `recommend`, `compare` and `thermostat`: setpoint, band and defrost plan of the
controller to flash are decided here and its usual day is run here, so that no two verbs tell
different settings, or another life of the same relay.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ctrl.build import at_ambient
from ctrl.candidates import Candidate
from ctrl.capability import coldest_holdable, duty_for, limits_of
from ctrl.cases import CaseRun, usual_run
from ctrl.config import Config
from ctrl.defrost import DefrostSettings
from ctrl.defrost_kinds import plan_kind
from ctrl.findings import Findings
from ctrl.ice import DefrostPlan, Ice, plan_defrost
from ctrl.narrower_band import narrowed, simulated_band
from ctrl.recommend_ice import ice_at, ice_by_case, rooms_of
from ctrl.tuning import relay_life_years
from plant.constants import ZERO_C_K

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Tuned:
    """What is to be flashed, before parts are drawn.

    `candidates`: the one to flash first, the others with the same defrost; `ices`: by room,
    without a defrost; `worn`: in words, what was passed over because it wears a relay out.
    """

    candidates: tuple[Candidate, ...]
    ices: dict[str, Ice]
    plan: DefrostPlan | None
    worn: tuple[str, ...]

    @property
    def best(self) -> Candidate:
        """The one to flash."""
        return self.candidates[0]

    @property
    def defrost(self) -> DefrostSettings | None:
        """The plan's settings, where there is one and it works."""
        return self.plan.settings if self.plan is not None and self.plan.works else None


def tuned(
    config: Config,
    candidates: Sequence[Candidate],
    seed: int,
    *,
    progress: Progress = lambda stage: None,
    workers: int | None = None,
) -> Tuned:
    """Return the settings to flash: setpoint, defrost plan and band, each decided on the loop.

    Parameters
    ----------
    config : Config
    candidates : sequence of Candidate
        As `ctrl.candidates` tunes them; the first that spares the relay is the one to flash.
    seed : int
        Of the sensor noise.
    progress : callable
        Told each stage in words as it begins.
    workers : int, optional
        Threads; as many as cores when left out.
    """
    ordered, worn = sparing_first(config, list(candidates), seed)
    progress("running the chosen controller on a usual day")
    best, _ = centred(config, ordered[0], seed)
    ordered = [best, *ordered[1:]]
    progress("looking for ice at the dampest air")
    ices = ice_by_case(config, best, seed, workers)
    plan = plan_of(config, best, ices, seed, progress)
    taken = plan.settings if plan is not None and plan.works else None
    flashed = settled(config, best, seed, taken)
    if flashed.settings.hysteresis_k != best.settings.hysteresis_k:
        # Another band ices otherwise: what is told of ice is that of the band flashed.
        progress("looking for ice with the band decided")
        bare = replace(flashed, settings=replace(flashed.settings, defrost=None))
        ices = ice_by_case(config, bare, seed, workers)
        plan = plan_of(config, bare, ices, seed, progress)
        taken = plan.settings if plan is not None and plan.works else None
        flashed, _ = centred(config, bare if taken is None else with_defrost(bare, taken), seed)
    others = [item if taken is None else with_defrost(item, taken) for item in ordered[1:]]
    return Tuned((flashed, *others), ices, plan, tuple(worn))


def settled(
    config: Config, candidate: Candidate, seed: int, defrost: DefrostSettings | None
) -> Candidate:
    """Return a centred candidate with its defrost and, on a relay, with the band decided."""
    if defrost is not None:
        # The melts warm the contents: the setpoint is centred once more, as the plan was.
        candidate, _ = centred(config, with_defrost(candidate, defrost), seed)
    return banded(config, candidate, seed)


def banded(config: Config, candidate: Candidate, seed: int) -> Candidate:
    """Return a thermostat with the band the simulation decides, its setpoint centred again.

    Any other law comes back as it is.
    """
    narrower = narrowed(config, simulated_band(config, candidate, seed), seed)
    return candidate if narrower is candidate else centred(config, narrower, seed)[0]


def relay_life_of(config: Config, drive: str, found: Findings) -> float | None:
    """Return the life of the contact that the switchings of a usual day leave [a].

    None where nothing wears.
    """
    if drive not in ("relay", "slow_window") or not config.drive.contacts:
        return None
    return relay_life_years(max(found.cycles_per_hour, 1e-9), config.limits.relay_cycles)


def warmest_mean_c(config: Config, bare: Ice) -> float:
    """Return the warmest mean that a defrost may leave the contents at [°C]."""
    use = config.use
    return max(use.target_c + use.target_tolerance_k, bare.contents_c_mean + 0.5)


def with_defrost(candidate: Candidate, plan: DefrostSettings) -> Candidate:
    return replace(candidate, settings=replace(candidate.settings, defrost=plan))


def centred(config: Config, candidate: Candidate, seed: int) -> tuple[Candidate, CaseRun]:
    """Move the setpoint by what the simulated mean of the contents misses the target."""
    run = usual_run(config, candidate.plant, candidate.settings, seed)
    miss_k = run.findings.contents_c.mean - config.use.target_c
    at_target = abs(miss_k) <= 2.0 * config.use.target_tolerance_k
    if at_target and abs(miss_k) >= 0.05:
        moved = round(candidate.settings.setpoint_c - miss_k, 1)
        candidate = replace(candidate, settings=replace(candidate.settings, setpoint_c=moved))
    return candidate, run


def plan_of(
    config: Config, candidate: Candidate, ices: dict[str, Ice], seed: int, progress: Progress
) -> DefrostPlan | None:
    """Return a defrost plan for the case that ices most, or None where none ices."""
    icing = [name for name, found in ices.items() if found.ices]
    if not icing:
        return None
    progress("planning the defrost")
    ambient = dict(rooms_of(config))
    part, use = config.defrost, config.use
    worst = max(icing, key=lambda name: ices[name].blockage_pct)

    def try_plan(settings: DefrostSettings) -> Ice:
        tried, _ = centred(config, with_defrost(candidate, settings), seed)
        return ice_at(
            config, tried, tried.settings, ambient[worst], use.target_c, seed, most_days=5,
            only_clear=True,
        )  # fmt: skip

    tick_s = min(candidate.settings.period_s, 1.0)
    contents_limit_c = warmest_mean_c(config, ices[worst])
    damp = at_ambient(candidate.plant, ambient[worst], config.climate.worst_humidity_pct)
    ambient_k = ambient[worst] + ZERO_C_K
    reach = coldest_holdable(damp, ambient_k, limits_of(config))

    def watts(contents_c: float) -> float:
        return (duty_for(damp, ambient_k, contents_c + ZERO_C_K, reach) or reach.point).plug_w

    def at_target(ice: Ice) -> float:
        more_w = watts(use.target_c) - watts(ice.contents_c_mean)
        return ice.energy_kwh_per_day + 0.024 * more_w

    timed = plan_defrost(
        try_plan,
        tick_s=tick_s,
        end_c=part.end_c,
        longest_min=part.longest_min,
        drip_min=part.drip_min,
        has_cold_sensor=config.cold_sink_sensor is not None,
        contents_limit_c=contents_limit_c,
        warmest_c=use.contents_max_c,
    )
    progress("trying other kinds of defrost")
    return plan_kind(
        config, candidate.controller, ices[worst], timed, try_plan,
        tick_s=tick_s, contents_limit_c=contents_limit_c, warmest_c=use.contents_max_c,
        at_target=at_target,
    )  # fmt: skip


def sparing_first(
    config: Config, candidates: list[Candidate], seed: int
) -> tuple[list[Candidate], list[str]]:
    """Return the candidates, the first that spares the relay before one that wears it out.

    Only where several fit the drive, and only if the other holds the target too; with it, in
    words, what was passed over.
    """
    first, others = candidates[0], [item for item in candidates[1:] if item.fits and not item.note]
    if not (first.fits and config.drive.contacts and others):
        return candidates, []
    wanted, use = config.limits.relay_life_years, config.use
    _, run = centred(config, first, seed)
    worn = relay_life_of(config, first.drive, run.findings)
    if worn is None or worn >= wanted:
        return candidates, []
    for item in others:
        moved, _ = centred(config, item, seed)
        found = centred(config, moved, seed)[1].findings
        life = relay_life_of(config, moved.drive, found)
        held = abs(found.contents_c.mean - use.target_c) <= use.target_tolerance_k
        if held and (life is None or life >= wanted):
            rest = [each for each in candidates if each is not item]
            return [item, *rest], [
                f"{_words(first)} would wear the relay's contacts out in {worn:.1f} years of "
                f"{wanted:g} wanted: {_words(item)} is taken. A solid-state switch (drive.contacts "
                "= false) does not wear."
            ]
    return candidates, []


def _words(item: Candidate) -> str:
    law = {"pi": "PI", "on_off": "on-off"}.get(item.controller, item.controller)
    return f"{law} on the {item.drive.replace('_', ' ')}"

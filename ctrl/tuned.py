"""The settings tuned for a cabinet, before parts are drawn out of tolerance.

One place for `recommend`, `compare` and `thermostat`: setpoint, band and defrost plan of the
controller to flash are decided here and its usual day is run here, so that no two verbs tell
different settings, or another life of the same relay.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ctrl.aim import Aim, aim_of, moved_to, with_kind
from ctrl.bands import NEVER_PER_H
from ctrl.build import at_ambient
from ctrl.candidates import Candidate
from ctrl.capability import coldest_holdable, duty_for, flashed_coldest, limits_of
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

AIM_STEP_K = 1.0  # to which a setpoint clear of ice is sought where the target is out of reach
# Below the room in which a setpoint is just held [K]: near full drive, and it never stops to melt.
JUST_HELD_K = (0.4, 0.8, 1.2)
ROOM_STEP_K = 0.05
ALIKE_K = 0.1  # contents this near each other count as alike: the simpler is taken
# Mean duty of a day below which the room, not the module, keeps the contents where they are: an
# engineering choice. A setpoint raised for it would leave them warmer in a hotter room.
ROOM_KEEPS_BELOW = 0.05
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Tuned:
    """What is to be flashed, before parts are drawn.

    `candidates`: the one to flash first, the others with the same defrost; `ices`: by room,
    without a defrost; `worn`: in words, what was passed over because it wears a relay out;
    `aim`: what the setpoint is for, by steady states, before it was centred.
    """

    candidates: tuple[Candidate, ...]
    ices: dict[str, Ice]
    plan: DefrostPlan | None
    worn: tuple[str, ...]
    aim: Aim

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
    aim = aim_of(config, best.plant, best.drive)
    if aim.is_out_of_reach:
        best = banded(config, best, seed)  # tuned where it still cycles
        near = nearest(config, best, aim, seed, progress, workers)
        others = [_alike(config, item, near) for item in ordered[1:]]
        return Tuned((near.candidate, *others), near.ices, near.plan, tuple(worn), near.aim)
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
    return Tuned((flashed, *others), ices, plan, tuple(worn), aim)


@dataclass(frozen=True)
class Nearest:
    """Settings that bring the contents as near an unreachable target as does no harm."""

    candidate: Candidate
    ices: dict[str, Ice]
    plan: DefrostPlan | None
    aim: Aim

    @property
    def mean_c(self) -> float:
        """Mean of the contents over the rooms at their dampest air [°C]."""
        return sum(item.contents_c_mean for item in self.ices.values()) / len(self.ices)


def nearest(
    config: Config, candidate: Candidate, aim: Aim, seed: int, progress: Progress,
    workers: int | None,
) -> Nearest:  # fmt: skip
    """Return the setpoint to flash where the target is out of reach, as the simulated days say.

    The steady states' own where it keeps the sink clear.  Else a defrost there, or the coldest
    setpoint that stays clear without one, whichever leaves the contents colder over the rooms;
    where neither works, the coldest that still controls.
    """
    progress("looking for ice at the dampest air")
    low = at_setpoint(candidate, aim.setpoint_c)
    if not aim.why and aim.usual.remaining_k <= aim.tolerance_k:
        low, _ = centred(config, low, seed)
        if low.settings.setpoint_c < aim.setpoint_c:
            why = "below the target's, which brings the contents nearer within the tolerance"
            aim = moved_to(aim, low.settings.setpoint_c, why)
    ices = ice_by_case(config, low, seed, workers)
    icing = [name for name, found in ices.items() if found.ices]
    between = just_held_icing_c(config, low, aim, seed)
    if not icing and between is None:
        return Nearest(low, ices, None, aim)
    places = [f"the {name} room" for name in icing]
    if between is not None:
        places.append(f"a room of {between:.0f} °C, which just lets it be held")
    rooms = " and ".join(places)
    plan = plan_of(config, low, ices, seed, progress)
    found: list[Nearest] = []
    progress("looking for the coldest setpoint without ice")
    clear_c = coldest_clear_c(config, low, icing, aim, seed)
    if clear_c is not None:
        warmer = at_setpoint(candidate, clear_c)
        why = (
            f"the coldest, to {AIM_STEP_K:g} K, that keeps the cold sink clear, also in the room "
            f"that just lets it be held (with the target's, it ices in {rooms})"
        )
        clear = ice_by_case(config, warmer, seed, workers)
        if not any(item.ices for item in clear.values()):
            found.append(Nearest(warmer, clear, None, moved_to(aim, clear_c, why)))
    if plan is not None and plan.works:
        melted = with_defrost(low, plan.settings)
        with_plan = {
            name: ice_at(config, melted, melted.settings, room_c, config.use.target_c, seed,
                         most_days=5)
            for name, room_c in rooms_of(config)
        }  # fmt: skip
        still = just_held_icing_c(config, melted, aim, seed)
        if still is None and not any(item.ices for item in with_plan.values()):
            why = f"the target's, with a defrost: without one the cold sink ices in {rooms}"
            told = moved_to(aim, aim.setpoint_c, why)
            found.append(Nearest(melted, with_plan, plan, told))
    if found:
        least_c = min(item.mean_c for item in found)
        taken = next(item for item in found if item.mean_c <= least_c + ALIKE_K)
        return taken if taken.plan is None else replace(taken, ices=ices)
    warmest = at_setpoint(candidate, aim.control_c)
    ices = ice_by_case(config, warmest, seed, workers)
    why = "where it still controls: colder ices, and no defrost tried keeps the cold sink clear"
    plan = plan_of(config, warmest, ices, seed, progress)
    if plan is not None and plan.works:
        warmest = with_defrost(warmest, plan.settings)
    return Nearest(warmest, ices, plan, moved_to(aim, aim.control_c, why))


def just_held_icing_c(config: Config, candidate: Candidate, aim: Aim, seed: int) -> float | None:
    """Return a room a little below the one that just lets the setpoint be held and ices, or None.

    There a module runs nearly all the time on its coldest sink: hotter rooms keep the sink
    warmer, in colder ones it stops and melts.  The named rooms may lie on either side [°C].
    """
    room, settings = config.climate, candidate.settings
    told, contents_c = with_kind(config, candidate.drive), settings.setpoint_c - aim.offset_k

    def is_held(ambient_c: float) -> bool:
        damp = at_ambient(candidate.plant, ambient_c, room.worst_humidity_pct)
        return flashed_coldest(told, damp, ambient_c + ZERO_C_K).contents_c <= contents_c

    low_c, high_c = room.coldest_c, room.worst_c
    if not is_held(low_c) or is_held(high_c):
        return None
    while high_c - low_c > ROOM_STEP_K:
        middle = 0.5 * (low_c + high_c)
        low_c, high_c = (middle, high_c) if is_held(middle) else (low_c, middle)
    rooms = [low_c - below_k for below_k in JUST_HELD_K if low_c - below_k > room.coldest_c]
    return next(
        (x for x in rooms if ice_at(config, candidate, settings, x, contents_c, seed).ices), None
    )


def coldest_clear_c(
    config: Config, candidate: Candidate, rooms: Sequence[str], aim: Aim, seed: int
) -> float | None:
    """Return the coldest setpoint that no room ices at [°C], by halving, or None.

    Up to that where the controller still controls.  The candidate's own setpoint is known to
    ice, in these rooms or where it is just held.
    """
    ambient = dict(rooms_of(config))

    def ices_at(setpoint_c: float) -> bool:
        moved = at_setpoint(candidate, setpoint_c)
        target_c = config.use.target_c
        return (
            any(
                ice_at(config, moved, moved.settings, ambient[name], target_c, seed).ices
                for name in rooms
            )
            or just_held_icing_c(config, moved, aim, seed) is not None
        )

    low_c, high_c = candidate.settings.setpoint_c, aim.control_c
    if high_c <= low_c or ices_at(high_c):
        return None
    while high_c - low_c > AIM_STEP_K:
        middle = round(0.5 * (low_c + high_c), 1)
        low_c, high_c = (middle, high_c) if ices_at(middle) else (low_c, middle)
    return high_c


def _alike(config: Config, item: Candidate, near: Nearest) -> Candidate:
    """Return another candidate with the same aim and the same defrost."""
    settings = replace(item.settings, defrost=near.candidate.settings.defrost)
    return aimed(config, replace(item, settings=settings), near.aim)


def aimed(config: Config, candidate: Candidate, flashed: Aim | None = None) -> Candidate:
    """Return a tuned candidate with the setpoint aimed for where a target is out of reach.

    Its own, or that of what is `flashed`: then another drive may hold the target.  No colder
    than what is flashed aims at, where ice moved that.
    """
    aim = aim_of(config, candidate.plant, candidate.drive)
    if not aim.is_out_of_reach and (flashed is None or not flashed.is_out_of_reach):
        return candidate
    contents_c = aim.contents_c if flashed is None else max(aim.contents_c, flashed.contents_c)
    return at_setpoint(candidate, round(contents_c + aim.offset_k, 1))


def at_setpoint(candidate: Candidate, setpoint_c: float) -> Candidate:
    """Return the candidate with another setpoint [°C]."""
    return replace(candidate, settings=replace(candidate.settings, setpoint_c=setpoint_c))


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
    return relay_life_years(max(found.cycles_per_hour, NEVER_PER_H), config.limits.relay_cycles)


def warmest_mean_c(config: Config, bare: Ice) -> float:
    """Return the warmest mean that a defrost may leave the contents at [°C]."""
    use = config.use
    return max(use.target_c + use.target_tolerance_k, bare.contents_c_mean + 0.5)


def warmest_c(config: Config, bare: Ice) -> float | None:
    """Return the warmest that a defrost may let the contents come to [°C], or None for any.

    Contents too warm without it already are not to come warmer yet.
    """
    use = config.use
    held = bare.contents_c_mean <= use.target_c + use.target_tolerance_k
    if use.contents_max_c is None or held:
        return use.contents_max_c
    return max(use.contents_max_c, bare.contents_c_max)


def with_defrost(candidate: Candidate, plan: DefrostSettings) -> Candidate:
    return replace(candidate, settings=replace(candidate.settings, defrost=plan))


def centred(config: Config, candidate: Candidate, seed: int) -> tuple[Candidate, CaseRun]:
    """Move the setpoint by what the simulated mean of the contents misses the target.

    Not where the target is out of reach by more than the tolerance: the miss is the module's
    lack then; nor where the room keeps the contents cool by itself: it is the room's.
    """
    told = with_kind(config, candidate.drive)
    run = usual_run(told, candidate.plant, candidate.settings, seed)
    miss_k = run.findings.contents_c.mean - config.use.target_c
    at_target = abs(miss_k) <= 2.0 * config.use.target_tolerance_k
    in_reach = run.coldest.contents_c <= config.use.target_c + config.use.target_tolerance_k
    is_rooms = run.findings.duty_mean < ROOM_KEEPS_BELOW
    if in_reach and at_target and abs(miss_k) >= 0.05 and not is_rooms:
        candidate = at_setpoint(candidate, round(candidate.settings.setpoint_c - miss_k, 1))
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
    warmest = warmest_c(config, ices[worst])
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
        warmest_c=warmest,
    )
    progress("trying other kinds of defrost")
    return plan_kind(
        config, candidate.controller, ices[worst], timed, try_plan,
        tick_s=tick_s, contents_limit_c=contents_limit_c, warmest_c=warmest,
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

"""How likely the settings hold with parts out of tolerance, and what would make it likelier.

Candidates are compared on common draws (scrambled Sobol points); the chosen one is confirmed
on fresh, independent ones, whose share that holds has an exact one-sided bound.  Each draw
depends on (seed, index) alone: the result is the same for any number of workers.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import binomtest, spearmanr

from ctrl.build import at_ambient, humidity_at, with_supply_v
from ctrl.capability import coldest_holdable, limits_of
from ctrl.cases import Limit
from ctrl.config import Config
from ctrl.defrost import DefrostSettings
from ctrl.firmware import Settings
from ctrl.ice import INTERVALS_H
from ctrl.side_by_side import cores, side_by_side
from ctrl.tolerance_draws import (
    COMPARING,
    CONFIRMING,
    Array,
    Draw,
    Spread,
    Start,
    binding_limits,
    comparing_draws,
    confirming_draw,
    judged,
    least_voltage_v,
    most_duty_of,
    noise_seed,
    spreads_of,
    start_of,
)
from ctrl.tolerance_remedies import (
    Remedy,
    limit_name,
    lower_bound,
    measured,
    more_room,
    room_everywhere,
)
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

DRAWS, COMPARED = 400, 64
CONFIDENCE = 0.95
FEW = 1.0 / 64.0  # a share of failures that needs no search for better settings
BLOCK = 16  # draws between two looks at whether a variant has already lost
LEAST_SHARE = 0.02  # of what the parts decide; smaller ones are not worth a line
NOT_BY_CHANCE = 0.1  # sign test of two variants on common draws
MOST_VARIANTS = 6
FURTHER_STEPS = 2  # of the setpoint, the way that broke fewer limits
AS_TUNED = "as tuned"
COLDEST = "coldest"
FAR_DEVIATIONS = 4.0  # of the margins of a few draws: as good as never broken
MOST_DEVIATIONS = 99.0  # a margin that no part moves
Progress = Callable[[str], None]

COLDER_HELPS = ("contents mean", "contents warmest", "humidity inside")
WARMER_HELPS = ("contents mean, cold side", "contents coldest", "ice in the fin gaps",
                "growth of ice")  # fmt: skip
LESS_DUTY_HELPS = ("hot sink", "foam at the hot sink", "module hot face")


@dataclass(frozen=True)
class Variant:
    """Settings tried on the common draws; `failed` of `draws` broke a limit.

    `stopped` tells that it had lost before all were run.
    """

    what: str
    settings: Settings
    draws: int
    failed: int
    stopped: bool = False


@dataclass(frozen=True)
class PartSpread:
    """What one tolerance does to the limit most at risk.

    `rank_correlation` is Spearman's, of the drawn value and the margin, -1 to 1; `share` is its
    square over the sum of all squares, 0 to 1.
    """

    name: str
    part: str
    key: str
    unit: str
    low: float
    high: float
    rank_correlation: float
    share: float


@dataclass(frozen=True)
class Tolerance:
    """The settings with parts out of tolerance.

    `share_holds` of the draws kept every limit in the usual and the worst room at once, and in
    the coldest where `cold` tells that it counts; with 95 % confidence at
    least `share_at_least` of all such cabinets do.  `confirmed` tells that this is from fresh
    independent draws, not from those that the settings were chosen on.
    """

    settings: Settings
    change: str
    variants: tuple[Variant, ...]
    confirmed: bool
    draws: int
    holds: int
    share_at_least: float
    wanted_share: float
    failures: tuple[tuple[str, int], ...]
    at_risk: str
    parts: tuple[PartSpread, ...]
    measure_first: str
    energy_range_kwh_per_day: tuple[float, float]
    least_voltage_v: float
    coldest_at_least_voltage_c: float
    reason: str
    seed: int
    outcomes: tuple[Draw, ...]
    cold: "ColdLook | None" = None
    remedies: tuple[Remedy, ...] = ()

    @property
    def share_holds(self) -> float:
        """Share of the draws that kept every limit [-]."""
        return self.holds / self.draws

    @property
    def share_claimed(self) -> float | None:
        """`share_at_least` of fresh draws; None of those that the settings were chosen on."""
        return self.share_at_least if self.confirmed else None

    @property
    def kept(self) -> bool:
        """Whether the bound reaches what is wanted."""
        return self.share_at_least >= self.wanted_share


def upper_bound(holds: int, draws: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided upper bound of a share [-], exact."""
    return 1.0 - lower_bound(draws - holds, draws, confidence)


@dataclass(frozen=True)
class Bench:
    """What every draw of one config needs; the settings vary.

    A draw is run in the usual and the worst room, and in the coldest where a first look found a
    limit at risk there: it costs half as much again.  What the cabinet as described breaks there
    (`ignored`) does not count, and no variant is taken that breaks more there.
    """

    config: Config
    plant: Plant
    spreads: tuple[Spread, ...]
    seed: int
    workers: int
    with_coldest: bool = False
    ignored: frozenset[str] = frozenset()

    def starts(self, settings: Settings) -> tuple[Start, ...]:
        """Return the rooms that draws are run in, of the cabinet as described."""
        room = self.config.climate
        rooms = [("usual", room.usual_c), ("worst", room.worst_c)]
        if self.with_coldest:
            rooms.append((COLDEST, room.coldest_c))
        return tuple(
            start_of(self.config, self.plant, settings, name, ambient_c, self.seed)
            for name, ambient_c in rooms
        )

    def run(
        self, settings: Settings, starts: tuple[Start, ...], points: Array | Sequence[Array],
        first: int, stream: int,
    ) -> list[Draw]:  # fmt: skip
        """Return the draws at `points`, judged, in their order; `first` is the first's index."""

        def one(place: int) -> Draw:
            seed = noise_seed(self.seed, stream, first + place)
            found = judged(self.config, self.plant, settings, starts, self.spreads, points[place],
                           first + place, seed)  # fmt: skip
            return without(found, self.ignored)

        # Threads, not processes: the compiled day gives up the interpreter's lock.
        return side_by_side(one, range(len(points)), self.workers)

    def compare(
        self, settings: Settings, starts: tuple[Start, ...], count: int, most_failed: int
    ) -> list[Draw]:
        """Return the common draws of one variant, until it has more failures than allowed."""
        points = comparing_draws(count, len(self.spreads), self.seed)
        found: list[Draw] = []
        for first in range(0, count, BLOCK):
            found += self.run(settings, starts, points[first : first + BLOCK], first, COMPARING)
            if sum(not item.holds for item in found) > most_failed:
                break
        return found

    def confirm(
        self, settings: Settings, starts: tuple[Start, ...], count: int, progress: Progress
    ) -> list[Draw]:
        """Return fresh independent draws."""
        found: list[Draw] = []
        block = max(BLOCK, 4 * self.workers)
        for first in range(0, count, block):
            progress(f"parts out of tolerance: draw {first} of {count}")
            indices = range(first, min(first + block, count))
            points = [confirming_draw(index, len(self.spreads), self.seed) for index in indices]
            found += self.run(settings, starts, points, first, CONFIRMING)
        return found


@dataclass(frozen=True)
class ColdLook:
    """What a few common draws do in the coldest room.

    `nearest` is the limit fewest standard deviations from breaking there, `deviations` of them
    on the mean; `drawn` tells that the coldest room is therefore run in every draw.
    """

    draws: int
    broke: int
    nearest: str
    deviations: float
    drawn: bool


def without(draw: Draw, ignored: frozenset[str]) -> Draw:
    """Return a draw judged without some limits."""
    if not ignored & draw.margins.keys():
        return draw
    margins = {name: value for name, value in draw.margins.items() if name not in ignored}
    failed = tuple(name for name in draw.failed if name not in ignored)
    return replace(
        draw, failed=failed, margins=margins, tightest=min(margins.values(), default=np.inf)
    )


def looked_at_cold(bench: Bench, settings: Settings) -> tuple[ColdLook, Bench]:
    """Return what the coldest room does to a few draws, and the bench that follows from it."""
    config = bench.config
    start = start_of(config, bench.plant, settings, COLDEST, config.climate.coldest_c, bench.seed)
    ignored = frozenset(f"{x}, {COLDEST}" for x in _breaks_from(config, settings, start))
    looking = replace(bench, ignored=ignored)
    points = comparing_draws(BLOCK, len(bench.spreads), bench.seed)
    draws = [cold_only(x) for x in looking.run(settings, (start,), points, 0, COMPARING)]
    if not any(item.margins for item in draws):  # everything there breaks as described
        return ColdLook(len(draws), 0, "none", MOST_DEVIATIONS, False), looking
    nearest = limit_at_risk(draws)
    values = np.array([item.margins[nearest] for item in draws if nearest in item.margins])
    deviations = min(float(np.mean(values) / max(np.std(values), 1e-9)), MOST_DEVIATIONS)
    broke = sum(not item.holds for item in draws)
    drawn = broke > 0 or deviations < FAR_DEVIATIONS
    look = ColdLook(len(draws), broke, limit_name(nearest), deviations, drawn)
    return look, replace(looking, with_coldest=drawn)


def cold_only(draw: Draw) -> Draw:
    """Return a draw judged by the limits of the coldest room alone."""
    return without(draw, frozenset(x for x in draw.margins if not x.endswith(f", {COLDEST}")))


# Variants of the settings ------------------------------------------------------------------


def _fails(failures: Counter[str], names: tuple[str, ...]) -> int:
    return sum(count for name, count in failures.items() if name.rpartition(", ")[0] in names)


def _more_defrost(config: Config, settings: Settings) -> list[tuple[str, Settings]]:
    """Return settings with the next shorter interval, or with a first plan where there is none."""
    tick_s, part = min(settings.period_s, 1.0), config.defrost
    plan = settings.defrost
    if plan is None:
        return [
            (f"defrost every {hours:g} h", replace(settings, defrost=DefrostSettings.from_physical(
                interval_s=3600.0 * hours, end_c=part.end_c, longest_s=60.0 * part.longest_min,
                drip_s=60.0 * part.drip_min, tick_s=tick_s)))
            for hours in INTERVALS_H[:2]
        ]  # fmt: skip
    now_h = plan.interval_ticks * tick_s / 3600.0
    shorter = [hours for hours in INTERVALS_H if hours < now_h - 1e-6][:1]
    return [
        (f"defrost every {hours:g} h",
         replace(settings, defrost=replace(plan, interval_ticks=round(hours * 3600.0 / tick_s))))
        for hours in shorter
    ]  # fmt: skip


def variants_of(
    config: Config, settings: Settings, failures: Counter[str]
) -> list[tuple[str, Settings]]:
    """Return (words, settings) that might break fewer limits, the mildest first.

    Only changes that speak to what failed: a colder setpoint for contents too warm, a warmer
    one for ice and cold, a more frequent defrost, a narrower band, less duty for heat.
    """
    step = setpoint_step_k(config)
    found: list[tuple[str, Settings]] = []

    def moved(base: Settings, by_k: float) -> Settings:
        return replace(base, setpoint_c=round(base.setpoint_c + by_k, 1))

    too_warm, too_cold = _fails(failures, COLDER_HELPS), _fails(failures, WARMER_HELPS)
    iced = _fails(failures, ("ice in the fin gaps", "growth of ice"))
    defrosts = _more_defrost(config, settings) if iced else []
    found += defrosts
    if settings.controller == "on_off" and too_warm:
        # At a long run share the mean leaves the middle of a wide band.
        for share in (0.7, 0.5):
            band = max(round(share * settings.hysteresis_k, 1), 0.3)
            narrow = replace(settings, hysteresis_k=band)
            found.append((f"band {band:g} K", narrow))
            found.append((f"band {band:g} K, setpoint {step:g} K colder", moved(narrow, -step)))
    if too_warm:
        found.append((f"setpoint {step:g} K colder", moved(settings, -step)))
        found.append((f"setpoint {2.0 * step:g} K colder", moved(settings, -2.0 * step)))
        found += [(f"{words}, setpoint {step:g} K colder", moved(item, -step))
                  for words, item in defrosts[:1]]  # fmt: skip
    if too_cold > too_warm:
        found.append((f"setpoint {step:g} K warmer", moved(settings, step)))
        found.append((f"setpoint {2.0 * step:g} K warmer", moved(settings, 2.0 * step)))
    if _fails(failures, LESS_DUTY_HELPS) and config.drive.kind != "relay":
        less = round(0.9 * settings.duty_limit, 3)
        found.append(("duty limit 10 % lower", replace(settings, duty_limit=less)))
    return found[:MOST_VARIANTS]


def _breaks_in_the_cold(bench: Bench, settings: Settings) -> set[str]:
    """Return what the cabinet as described breaks in the coldest room with these settings."""
    config = bench.config
    room_c = config.climate.coldest_c
    start = start_of(config, bench.plant, settings, COLDEST, room_c, bench.seed)
    return _breaks_from(config, settings, start)


def _breaks_from(config: Config, settings: Settings, start: Start) -> set[str]:
    return {item.name for item in _limits_of(config, settings, start) if not item.kept}


def _limits_of(config: Config, settings: Settings, start: Start) -> list[Limit]:
    has_defrost = settings.defrost is not None
    return binding_limits(config, start.plant, start.findings, start.name, has_defrost)


def better_by_chance(before: Sequence[Draw], after: Sequence[Draw]) -> float:
    """Return how likely chance alone makes the second that much better [-]: a sign test.

    On common draws only those count on which the two differ.
    """
    pairs = list(zip(before, after, strict=False))
    gained = sum(b.holds and not a.holds for a, b in pairs)
    lost = sum(a.holds and not b.holds for a, b in pairs)
    if gained + lost == 0:
        return 1.0
    return float(binomtest(gained, gained + lost, 0.5, alternative="greater").pvalue)


# The whole ---------------------------------------------------------------------------------


def failures_of(draws: Sequence[Draw]) -> Counter[str]:
    """Return how many draws broke each limit."""
    return Counter(name for item in draws for name in item.failed)


def limit_at_risk(draws: Sequence[Draw]) -> str:
    """Return the limit that is broken most often, else the one fewest spreads from breaking."""
    counts = failures_of(draws)
    if counts:
        return max(sorted(counts), key=lambda name: counts[name])
    names = sorted(set.intersection(*(set(item.margins) for item in draws)))

    def spreads_away(name: str) -> float:
        values = np.array([item.margins[name] for item in draws])
        return float(np.mean(values) / max(np.std(values), 1e-9))

    return min(names, key=spreads_away)


def parts_of(
    spreads: tuple[Spread, ...], points: Array, draws: Sequence[Draw], limit: str
) -> tuple[PartSpread, ...]:
    """Return what each tolerance does to one limit's margin, the largest share first."""
    have = [n for n, item in enumerate(draws) if limit in item.margins]
    margins = np.array([draws[n].margins[limit] for n in have])
    if len(have) < 8 or np.ptp(margins) < 1e-9:
        return ()
    ranks = [float(spearmanr(points[have, k], margins).statistic) for k in range(len(spreads))]
    whole = sum(value * value for value in ranks)
    found = [
        PartSpread(item.name, item.part, item.key, item.unit, item.low, item.high, rank,
                   rank * rank / whole)
        for item, rank in zip(spreads, ranks, strict=True)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda item: -item.share))


def _first_part(parts: tuple[PartSpread, ...]) -> str:
    shares: Counter[str] = Counter()
    for item in parts:
        shares[item.part] += item.share  # type: ignore[assignment]
    return max(shares, key=lambda part: shares[part]) if shares else ""


def setpoint_step_k(config: Config) -> float:
    """Return the step by which a setpoint is moved in search of fewer broken limits [K]."""
    return round(0.3 * config.use.target_tolerance_k, 1) or 0.1


def further_of(
    config: Config, settings: Settings, tried: Sequence[Variant]
) -> list[tuple[str, Settings]]:
    """Return the next steps of the setpoint, the way that has broken fewer limits so far.

    From the best variant that differs from `settings` in its setpoint; nothing where no such
    variant did better than as tuned, on whole counts.
    """
    step = setpoint_step_k(config)
    moved = [
        x for x in tried[1:]
        if not x.stopped and x.failed < tried[0].failed
        and x.settings.setpoint_c != settings.setpoint_c
    ]  # fmt: skip
    if not moved:
        return []
    best = min(moved, key=lambda item: item.failed)
    by_k = best.settings.setpoint_c - settings.setpoint_c
    found = []
    for count in range(1, FURTHER_STEPS + 1):
        more_k = by_k + (step if by_k > 0.0 else -step) * count
        other = replace(best.settings, setpoint_c=round(settings.setpoint_c + more_k, 1))
        if all(item.settings != other for item in tried):
            side = "warmer" if more_k > 0.0 else "colder"
            head = best.what.partition("setpoint")[0]
            found.append((f"{head}setpoint {abs(more_k):.1f} K {side}", other))
    return found


def _searched(
    bench: Bench, settings: Settings, compared: int, progress: Progress
) -> tuple[Settings, str, list[Variant], list[Draw], tuple[Start, ...]]:
    """Return the best settings on the common draws, in words, all tried, and their draws."""
    starts = bench.starts(settings)
    base = bench.compare(settings, starts, compared, compared)
    tried = [Variant(AS_TUNED, settings, len(base), sum(not item.holds for item in base))]
    best, words, best_draws, best_starts = settings, AS_TUNED, base, starts
    hopeless = all(not item.holds for item in base)
    if tried[0].failed <= max(FEW * compared, 1) or hopeless:
        return best, words, tried, best_draws, best_starts
    allowed = _breaks_in_the_cold(bench, settings)
    waiting = variants_of(bench.config, settings, failures_of(base))
    refined = False
    while waiting:
        what, other = waiting.pop(0)
        progress(f"parts out of tolerance: {what}")
        if not _breaks_in_the_cold(bench, other) - allowed:
            at = bench.starts(other)
            most = sum(not item.holds for item in best_draws)
            draws = bench.compare(other, at, compared, most)
            failed, stopped = sum(not item.holds for item in draws), len(draws) < compared
            tried.append(Variant(what, other, len(draws), failed, stopped))
            if not stopped and failed < most and better_by_chance(base, draws) <= NOT_BY_CHANCE:
                best, words, best_draws, best_starts = other, what, draws, at
        if not waiting and not refined:
            refined, waiting = True, further_of(bench.config, settings, tried)
    return best, words, tried, best_draws, best_starts


def tolerance_of(
    config: Config,
    plant: Plant,
    settings: Settings,
    *,
    seed: int,
    draws: int = DRAWS,
    compared: int = COMPARED,
    workers: int | None = None,
    progress: Progress = lambda stage: None,
) -> Tolerance:
    """Return how likely settings hold, changed where that makes it likelier.

    Parameters
    ----------
    plant : Plant
        The cabinet as described, with the drive that the settings are for.
    settings : Settings
        As tuned for it.
    draws, compared : int
        Fresh draws that confirm the chosen settings, and common ones that compare variants.
    workers : int, optional
        Threads; as many as cores when left out.  The result does not depend on it.
    """
    bench = Bench(config, plant, spreads_of(config, plant), seed, workers or cores())
    progress("parts out of tolerance: the coldest room")
    cold, bench = looked_at_cold(bench, settings)
    progress("parts out of tolerance: comparing")
    chosen, words, tried, found, starts = _searched(bench, settings, compared, progress)
    wanted = config.tolerances.wanted_share
    points = comparing_draws(compared, len(bench.spreads), seed)
    # What the common draws already rule out needs no confirming.
    held = sum(item.holds for item in found)
    confirmed = upper_bound(held, len(found)) >= wanted
    if confirmed:
        found = bench.confirm(chosen, starts, draws, progress)
        points = np.array(
            [confirming_draw(index, len(bench.spreads), seed) for index in range(draws)]
        )
        held = sum(item.holds for item in found)
    at_risk = limit_at_risk(found)
    parts = parts_of(bench.spreads, points, found, at_risk)
    first = _first_part(parts)
    energies = [item.energy_kwh_per_day for item in found if item.energy_kwh_per_day > 0.0]
    low, high = np.quantile(energies, (0.05, 0.95)) if energies else (np.nan, np.nan)
    least_v = least_voltage_v(config, plant)
    bound = lower_bound(held, len(found))
    remedies: list[Remedy] = []
    if bound < wanted:
        remedies = measured([x.name for x in parts], bench.spreads, points, found, wanted)
        scales = {f"{x.name}, {start.name}": (x.ample, x.unit)
                  for start in starts for x in _limits_of(config, chosen, start)}  # fmt: skip
        room = more_room(at_risk, scales, found, wanted)
        remedies += [] if room is None else [room]
        if not any(item.reaches for item in remedies):
            every = room_everywhere(scales, found, wanted)
            remedies += [] if every is None else [every]
        remedies = [replace(item, fresh=confirmed) for item in remedies]
    return Tolerance(
        settings=chosen,
        change=words,
        variants=tuple(tried),
        confirmed=confirmed,
        draws=len(found),
        holds=held,
        share_at_least=bound,
        wanted_share=wanted,
        failures=tuple(failures_of(found).most_common()),
        at_risk=at_risk,
        parts=parts,
        measure_first=first,
        energy_range_kwh_per_day=(float(low), float(high)),
        least_voltage_v=least_v,
        coldest_at_least_voltage_c=_coldest_at(config, plant, chosen, least_v),
        reason=_reason(bound >= wanted, confirmed, at_risk, first, parts, wanted, len(tried)),
        seed=seed,
        outcomes=tuple(found),
        cold=cold,
        remedies=tuple(remedies),
    )


def _coldest_at(config: Config, plant: Plant, settings: Settings, supply_v: float) -> float:
    """Return the coldest holdable in the worst room at one supply voltage [°C]."""
    worst_c = config.climate.worst_c
    moved = with_supply_v(at_ambient(plant, worst_c, humidity_at(config, worst_c)), supply_v)
    most = most_duty_of(config, settings)
    return coldest_holdable(moved, worst_c + ZERO_C_K, limits_of(config), most).contents_c


def _reason(
    kept: bool,
    confirmed: bool,
    at_risk: str,
    first: str,
    parts: tuple[PartSpread, ...],
    wanted: float,
    tried: int,
) -> str:
    share = sum(item.share for item in parts if item.part == first)
    whose = f"; {first} decides {100.0 * share:.0f} % of that limit's spread" if first else ""
    if kept:
        return f"keeps {100.0 * wanted:.0f} %; most at risk: {at_risk}{whose}"
    how = "" if confirmed else " (ruled out on the comparing draws already)"
    with_what = f"with any of {tried} settings tried" if tried > 1 else "with the settings as tuned"
    return (
        f"{100.0 * wanted:.0f} % cannot be shown {with_what}{how}: "
        f"{at_risk} breaks most often{whose}"
    )

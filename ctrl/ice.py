"""Does the cold sink ice up, how cold may it run without, and the defrost that keeps it working."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, log2
from typing import TYPE_CHECKING

import numpy as np

from ctrl.controllers import Outside
from ctrl.defrost import DefrostSettings
from ctrl.findings import DAY_S
from ctrl.firmware import Firmware
from ctrl.loop import MELTING
from ctrl.outside_loop import loop_around
from ctrl.record import Record
from ctrl.trial import steady_state
from plant.cabinet import Plant
from plant.steady import Operating

if TYPE_CHECKING:
    from ctrl.defrost_kinds import TriedDefrost

GROWTH_G_PER_DAY = 0.1  # net growth below this counts as none
MOST_DAYS = 14
ROW_S = 60.0
INTERVALS_H = (24.0, 12.0, 8.0, 6.0, 4.0)
DENSITY_SPREAD = 0.5  # frost density correlations: plus or minus this share
RANGE_FROM = 0.5  # share of the limit from which the range is worth two more runs


@dataclass(frozen=True)
class Ice:
    """Frost on the cold sink over a run at the dampest air.

    `growth_g_per_day` is that of the least frost of each day, so that what melts and grows
    within a day does not count; `blockage_range_pct` is that of frost 50 % denser and 50 %
    lighter, each run as long, or None where that was not run; `range_ices` tells whether the
    sink ices up at either end.
    """

    growth_g_per_day: float
    frost_g_max: float
    blockage_pct: float
    blockage_range_pct: tuple[float, float] | None
    contents_c_max: float
    contents_c_mean: float
    energy_kwh_per_day: float
    days: int
    limit_pct: float
    melts_per_day: float = 0.0
    range_ices: bool = False

    @property
    def clear_over_range(self) -> bool:
        """Whether nothing ices, be the frost 50 % denser or 50 % lighter than reckoned."""
        return not (self.ices or self.range_ices)

    @property
    def blockage_most_pct(self) -> float:
        """Most of the gaps closed at any density of frost that was run [%]."""
        return max((self.blockage_pct, *(self.blockage_range_pct or ())))

    @property
    def ices(self) -> bool:
        """Whether the sink ices up: net growth, or too much of the gaps closed at once."""
        return self.growth_g_per_day > GROWTH_G_PER_DAY or self.blockage_pct >= self.limit_pct

    def clear_and_cold(self, mean_limit_c: float, warmest_c: float | None) -> bool:
        """Whether nothing ices, and the contents keep their mean and their warmest [°C]."""
        cold = self.contents_c_mean <= mean_limit_c
        return not self.ices and cold and (warmest_c is None or self.contents_c_max <= warmest_c)


def ice_of(
    plant: Plant,
    firmware: Firmware,
    start: Operating,
    limit_pct: float,
    *,
    most_days: int = MOST_DAYS,
    seed: int = 1,
    outside: Outside | None = None,
) -> Ice:
    """Run day after day until frost repeats, blocks the fins, or 14 days are over."""
    return _ran(plant, firmware, start, limit_pct, (3, most_days), seed, outside)


def ice_with_range(
    plant: Plant,
    firmware: Firmware,
    start: Operating,
    limit_pct: float,
    *,
    most_days: int = MOST_DAYS,
    seed: int = 1,
    only_clear: bool = False,
) -> Ice:
    """Return `ice_of`, and where the sink ices what a denser and a lighter frost would do.

    With `only_clear` a sink that ices as reckoned is not run again: a plan that has failed.

    Correlations of frost density are good to 50 % or so: the same days are run again with
    1.5 and 0.5 times the density.  Looser frost is thicker, insulates more and chokes the fan,
    so that the blockage does not simply go with one over the density.
    """
    found = ice_of(plant, firmware, start, limit_pct, most_days=most_days, seed=seed)
    if only_clear and found.ices:
        return found
    if not found.ices and found.blockage_pct < RANGE_FROM * limit_pct:
        return found
    ends = []
    for factor in (1.0 + DENSITY_SPREAD, 1.0 - DENSITY_SPREAD):
        sink = plant.cold_sink
        other = replace(sink, frost_density_factor=factor * sink.frost_density_factor)
        days = (found.days, found.days)
        run = _ran(replace(plant, cold_sink=other), firmware, start, limit_pct, days, seed)
        ends.append(run)
    denser, lighter = ends
    return replace(
        found,
        blockage_range_pct=(denser.blockage_pct, lighter.blockage_pct),
        range_ices=denser.ices or lighter.ices,
    )


def _ran(
    plant: Plant,
    firmware: Firmware,
    start: Operating,
    limit_pct: float,
    days: tuple[int, int],
    seed: int,
    outside: Outside | None = None,
) -> Ice:
    """Return the ice after a number of days between the two given."""
    least_days, most_days = days
    loop = loop_around(plant, firmware, steady_state(plant, start), outside, seed=seed)
    least: list[float] = []
    for day in range(1, most_days + 1):
        record = loop.run(DAY_S, ROW_S)
        least.append(float(np.min(record["frost_g"])))
        blockage = float(np.max(record["blockage_pct"]))
        growth = least[-1] - least[-2] if day > 1 else np.inf
        if day >= least_days and (growth <= 0.01 or blockage >= 4.0 * limit_pct):
            break
    energy = record["energy_kwh"]
    return Ice(
        growth_g_per_day=float(growth),
        frost_g_max=float(np.max(record["frost_g"])),
        blockage_pct=blockage,
        blockage_range_pct=None,
        contents_c_max=float(np.max(record["contents_c"])),
        contents_c_mean=float(np.mean(record["contents_c"])),
        energy_kwh_per_day=float(energy[-1] - energy[0]),
        days=day,
        limit_pct=limit_pct,
        melts_per_day=melts_in(record),
    )


def melts_in(record: Record) -> float:
    """Return the melts of a record: those that began in it, the first row's with them.

    A day's record begins at midnight, where a plan that runs by intervals from power-up often
    melts; over a whole day the melt cut by its start stands for the one cut by its end.
    """
    melting = record["state"] == MELTING
    return float(np.count_nonzero(melting[1:] & ~melting[:-1]) + melting[0])


@dataclass(frozen=True)
class DefrostPlan:
    """A defrost and what it does.

    `works` tells whether it keeps the sink from icing; `others` lists every interval of a
    timed one that was tried with the ice it left, `kinds_tried` the best of every kind that
    the hardware allows, `why` what decided between them, `passed_over` the other kinds with
    the reason each.
    """

    interval_h: float
    end_c: float
    longest_min: float
    drip_min: float
    ends_by: str
    settings: DefrostSettings
    ice: Ice
    works: bool
    others: tuple[tuple[float, Ice], ...]
    kind: str = "timed"
    kinds_tried: tuple["TriedDefrost", ...] = ()
    why: str = ""

    passed_over: tuple[tuple[str, str], ...] = ()

    @property
    def is_sure(self) -> bool:
        """Whether it works over the whole range of the frost's density."""
        return self.works and self.ice.clear_over_range


def plan_defrost(
    try_plan: Callable[[DefrostSettings], Ice],
    *,
    tick_s: float,
    end_c: float,
    longest_min: float,
    drip_min: float,
    has_cold_sensor: bool,
    contents_limit_c: float,
    warmest_c: float | None = None,
) -> DefrostPlan:
    """Return the rarest timed defrost that keeps the sink clear, or the best of those tried.

    Clear at every density that the frost may have; where none is, of those that are clear at
    the density reckoned the one that leaves least at any.

    Parameters
    ----------
    try_plan : callable
        Simulates the cabinet with a plan and returns its ice.
    tick_s : float
        Base tick of the firmware [s].
    end_c, longest_min, drip_min : float
        End temperature [°C], longest melting and dripping [min].
    has_cold_sensor : bool
        Whether the end temperature can be read; else the longest time ends it.
    contents_limit_c : float
        Warmest mean the contents may have with the plan [°C].
    warmest_c : float, optional
        Warmest the contents may be at any time [°C].
    """
    tried: list[tuple[float, Ice, DefrostSettings]] = []
    for interval_h in INTERVALS_H:
        settings = DefrostSettings.from_physical(
            interval_s=interval_h * 3600.0,
            end_c=end_c,
            longest_s=longest_min * 60.0,
            drip_s=drip_min * 60.0,
            tick_s=tick_s,
        )
        ice = try_plan(settings)
        tried.append((interval_h, ice, settings))
        if ice.clear_and_cold(contents_limit_c, warmest_c) and ice.clear_over_range:
            break
    working = [item for item in tried if item[1].clear_and_cold(contents_limit_c, warmest_c)]
    works = bool(working)
    if works and working[-1][1].clear_over_range:
        interval_h, ice, settings = working[-1]
    elif works:
        interval_h, ice, settings = min(working, key=lambda item: item[1].blockage_most_pct)
    else:
        interval_h, ice, settings = min(tried, key=lambda item: item[1].blockage_pct)
    return DefrostPlan(
        interval_h=interval_h,
        end_c=end_c,
        longest_min=longest_min,
        drip_min=drip_min,
        ends_by="cold-sink temperature" if has_cold_sensor else "time only",
        settings=settings,
        ice=ice,
        works=works,
        others=tuple((hours, found) for hours, found, _ in tried),
    )


def coldest_ice_free_c(
    ices_at: Callable[[float], bool],
    low_c: float,
    high_c: float,
    step_k: float = 0.25,
    guess_c: float | None = None,
) -> float | None:
    """Return the coldest contents temperature without icing [°C], to `step_k`, or None.

    On the points that halving from `low_c`, the coldest holdable, to `high_c` leads to; colder
    ices more.  Begun at `guess_c` with doubled steps: each look simulates days, and a good guess
    saves most of them without moving the answer.
    """
    cells = 2 ** max(ceil(log2(max((high_c - low_c) / step_k, 1.0))), 0) if high_c > low_c else 0
    width_k = (high_c - low_c) / max(cells, 1)
    guess = 0.5 * (low_c + high_c) if guess_c is None else guess_c
    place = min(max(ceil((guess - low_c) / max(width_k, 1e-9)), 0), cells)
    icy, clear = -1, cells + 1  # ices up to `icy`, no more from `clear` on
    step = cells or 1 if guess_c is None else 1  # without a guess the ends are next
    while clear - icy > 1:
        if ices_at(low_c + place * width_k):
            icy = place
            place = min(icy + step, cells) if clear > cells else (icy + clear) // 2
        else:
            clear = place
            place = max(clear - step, 0) if icy < 0 else (icy + clear) // 2
        step *= 2
    return low_c + clear * width_k if clear <= cells else None

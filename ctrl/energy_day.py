"""Energy a day, estimated by steady power and defrost increment.

    E = 24 h x (P_ss + dE_df / t_df)

the sum that IEC 62552-3 works with (quoted in the law text of SI 2021/745, schedule 14), at
16 and 32 °C; 25 °C is beside that pair, for low-noise appliances (from memory).  Door shut,
nothing loaded, room constant, contents at the target.  E itself is the mean of whole days
with their defrosts once these repeat, P_ss that of days without, and dE_df what makes up the
difference: a small difference of two means, so that it is told with its spread.  An
estimate by that sum, never a test to the standard: no chamber,
no weighted thermocouples, and boxes for boats and cars are
outside the law's scope anyhow.

What doors and bottles add stands apart, from runs with and without them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import numpy as np

from ctrl.build import at_ambient, humidity_at
from ctrl.capability import at_duty, coldest_holdable, duty_for, limits_of
from ctrl.config import Config
from ctrl.defrost import DEFROST_DEMAND, DEFROST_OFF_CYCLE
from ctrl.findings import DAY_S, Findings
from ctrl.firmware import Settings, firmware_of
from ctrl.ice import GROWTH_G_PER_DAY
from ctrl.loop import MELTING, Loop
from ctrl.record import Record
from ctrl.side_by_side import side_by_side
from ctrl.trial import loop_at, nearest_point
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

METHOD = "estimated by steady power and defrost increment, as IEC 62552-3 sums them"
PAIR_C = (16.0, 32.0)
BESIDE_C = 25.0
BESIDE = "outside the pair"
PAIR, OWN = "of the pair", "own climate"
USE_DAYS = 4
LEAST_DAYS, WINDOW_DAYS, MORE_DAYS = 1, 2, 4  # to settle, to average, to wait on
BLOCKS, REPEATS_REL = 3, 0.02
ROW_S = 60.0
STARTS_LATER = (DEFROST_OFF_CYCLE, DEFROST_DEMAND)


@dataclass(frozen=True)
class EnergyRow:
    """Energy a day at one constant room.

    `steady_w` is P_ss at the target, at plug or battery; `defrost_kwh` and
    `defrost_interval_h` are dE_df and t_df, None where no defrost falls due; `spread_kwh` is
    half the range that dE_df has by the days it was taken from. `note` tells why P_ss or dE_df
    is missing where days never repeat: the most frost of the last day without a defrost less
    that of the day before, `most_frost_change_g`, and half the range of power in those days,
    `spread_w`. `coldest_holdable_c` is worked out only where the target is out of reach.
    `energy_kwh_per_day` is None with `why` where the target
    cannot be held, or where the room itself is colder.
    """

    where: str
    ambient_c: float
    steady_w: float | None
    defrost_kwh: float | None
    defrost_interval_h: float | None
    energy_kwh_per_day: float | None
    why: str = ""
    spread_kwh: float | None = None
    note: str = ""
    most_frost_change_g: float | None = None
    spread_w: float | None = None
    coldest_holdable_c: float | None = None

    @property
    def is_resolved(self) -> bool:
        """Whether the defrost increment is larger than its spread."""
        if self.defrost_kwh is None or self.spread_kwh is None:
            return False
        return abs(self.defrost_kwh) > self.spread_kwh


@dataclass(frozen=True)
class EnergyDay:
    """Energy a day at every room, and what use adds in the usual room.

    `pair_kwh_per_day` is the mean of 16 and 32 °C; `doors_kwh_per_day` and
    `loads_kwh_per_day` are None where there are none.
    """

    method: str
    rows: tuple[EnergyRow, ...]
    pair_kwh_per_day: float | None
    usual_kwh_per_day: float
    doors_kwh_per_day: float | None
    loads_kwh_per_day: float | None


def summed_kwh_per_day(steady_w: float, defrost_kwh: float, interval_h: float) -> float:
    """Return 24 h x (P_ss + dE_df / t_df) [kWh/d]; no defrost has an increment of 0."""
    return 24.0 * (1e-3 * steady_w + defrost_kwh / interval_h)


def undisturbed(plant: Plant, ambient_c: float, humidity_pct: float) -> Plant:
    """Return the plant in a constant room, door shut, nothing loaded, no sun."""
    moved = at_ambient(plant, ambient_c, humidity_pct)
    quiet = replace(
        moved.climate, swing_k=0.0, doors_per_day=0, load_share=0.0, sun_w=0.0, radiant_w=0.0
    )
    return replace(moved, climate=quiet)


def energy_day(
    config: Config,
    plant: Plant,
    settings: Settings,
    usual: Findings,
    *,
    seed: int,
    workers: int | None = None,
) -> EnergyDay:
    """Return the energy a day for a controller's settings.

    Parameters
    ----------
    config : Config
    plant : Plant
        With the drive that the settings are for.
    settings : Settings
        As recommended, defrost plan included.
    usual : Findings
        Of the settled run in the usual room, doors and loads with it.
    seed : int
        Of the sensor noise.
    workers : int, optional
        Rooms at the same time; as many as cores when left out.
    """
    room = config.climate
    places = [(PAIR, ambient_c) for ambient_c in PAIR_C] + [(BESIDE, BESIDE_C)]
    places += [(OWN, room.usual_c)]
    if room.worst_c != room.usual_c:
        places += [(OWN, room.worst_c)]
    rows = side_by_side(lambda x: _row(config, plant, settings, *x, seed), places, workers)
    pair = [row.energy_kwh_per_day for row in rows[: len(PAIR_C)]]
    held = [kwh for kwh in pair if kwh is not None]
    doors, loads = _use(config, plant, settings, seed)
    return EnergyDay(
        method=METHOD,
        rows=tuple(rows),
        pair_kwh_per_day=sum(held) / len(held) if len(held) == len(pair) else None,
        usual_kwh_per_day=usual.energy_kwh_per_day,
        doors_kwh_per_day=doors,
        loads_kwh_per_day=loads,
    )


def _row(
    config: Config, base: Plant, settings: Settings, where: str, ambient_c: float, seed: int
) -> EnergyRow:
    own = humidity_at(config, ambient_c)
    plant = undisturbed(
        base, ambient_c, own if where == OWN else config.climate.relative_humidity_pct
    )
    ambient_k, target_k = ambient_c + ZERO_C_K, config.use.target_c + ZERO_C_K
    most = settings.duty_limit if config.drive.kind != "relay" else 1.0
    coldest = coldest_holdable(plant, ambient_k, limits_of(config), most)
    start = duty_for(plant, ambient_k, target_k, coldest)
    if start is None:
        why = f"cannot be held: coldest {coldest.contents_c:.1f} °C, {coldest.decided_by} decides"
        return EnergyRow(where, ambient_c, None, None, None, None, why,
                         coldest_holdable_c=coldest.contents_c)  # fmt: skip
    if at_duty(plant, 0.0, ambient_k).contents_k <= target_k:
        why = "room is colder than the contents are wanted: nothing is cooled"
        return EnergyRow(where, ambient_c, None, None, None, None, why)

    def watts_at_target(power_w: float, contents_c: float) -> float:
        # The setpoint was centred with doors and loads: power is brought to the target by the
        # slope of the steady states, so that no row gains by being warmer. Contents that a
        # melt leaves warmer take less to hold; that is no merit of the melt either.
        there = duty_for(plant, ambient_k, contents_c + ZERO_C_K, coldest) or coldest.point
        return power_w + start.plug_w - there.plug_w

    def mean(aimed: Settings, name: str, longest_h: float) -> _Mean:
        loop = loop_at(plant, firmware_of(config, aimed), start, seed=seed)
        return settled_mean(loop, name, longest_h, watts_at_target)

    bare = mean(replace(settings, defrost=None), "starts", 0.0)
    melts = None
    if settings.defrost is not None:
        melts = mean(settings, "state", _longest_h(settings))
    return _summed(where, ambient_c, bare, melts)


def _longest_h(settings: Settings) -> float:
    plan = settings.defrost
    if plan is None:
        return 0.0
    longest = plan.latest_ticks if plan.kind in STARTS_LATER else plan.interval_ticks
    return longest * min(settings.period_s, 1.0) / 3600.0


def _summed(where: str, ambient_c: float, bare: "_Mean", melts: "_Mean | None") -> EnergyRow:
    """Return the row of the days without a defrost and of those with it."""
    steady_w = bare.power_w if bare.repeats else None
    row = EnergyRow(where, ambient_c, steady_w, None, None, None,
                    most_frost_change_g=bare.growth_g, spread_w=bare.spread_w)  # fmt: skip
    if melts is None or melts.interval_h is None:
        note = "" if bare.repeats else f"no two days are alike, {bare.apart}: the last days' mean"
        kwh = 0.024 * bare.power_w
        return replace(row, steady_w=bare.power_w, energy_kwh_per_day=kwh, note=note)
    kwh = 0.024 * melts.power_w
    if steady_w is None or not melts.repeats:
        note = f"without a defrost no two days are alike, {bare.apart}: no steady power"
        if not melts.repeats:
            note = "days with defrosts do not repeat either: the last days' mean"
        return replace(row, defrost_interval_h=melts.interval_h, energy_kwh_per_day=kwh, note=note)
    increment_kwh = 1e-3 * (melts.power_w - steady_w) * melts.interval_h
    spread_kwh = 1e-3 * (melts.spread_w + bare.spread_w) * melts.interval_h
    kwh = summed_kwh_per_day(steady_w, increment_kwh, melts.interval_h)
    return replace(
        row, defrost_kwh=increment_kwh, defrost_interval_h=melts.interval_h,
        energy_kwh_per_day=kwh, spread_kwh=spread_kwh,
    )  # fmt: skip


@dataclass(frozen=True)
class _Mean:
    """Mean power [W] at the target over whole cycles, half the range of its blocks [W].

    `growth_g` is the last day's most frost less that of the day before [g].
    """

    power_w: float
    spread_w: float
    interval_h: float | None
    repeats: bool
    growth_g: float = 0.0

    @property
    def apart(self) -> str:
        """How the days differ, in words."""
        return (
            f"the most frost changes by {self.growth_g:+.1f} g from one day to the next, the "
            f"power lies within ±{self.spread_w:.1f} W"
        )


def settled_mean(
    loop: Loop, name: str, longest_h: float, watts_at_target: Callable[[float, float], float]
) -> _Mean:
    """Run day by day until the mean power repeats, and return it.

    Parameters
    ----------
    loop : Loop
        At its start.
    name : str
        "starts" to cut the days where the module starts, "state" where a melt begins.
    longest_h : float
        Longest time from melt to melt [h], 0 without.
    watts_at_target : callable
        Power [W] at the target, from (power [W], contents [°C]).
    """
    window = max(WINDOW_DAYS, ceil(3.2 * longest_h * 3600.0 / DAY_S))
    days: list[Record] = []
    for day in range(1, LEAST_DAYS + window + MORE_DAYS + 1):
        days.append(loop.run(DAY_S, ROW_S))
        if day < LEAST_DAYS + window:
            continue
        frost = [float(np.max(record["frost_g"])) for record in days[-2:]]
        found = replace(
            _mean_of(days[-window:], name, watts_at_target), growth_g=frost[1] - frost[0]
        )
        still = found.growth_g <= GROWTH_G_PER_DAY
        if still and found.spread_w <= REPEATS_REL * found.power_w:
            return found
    return replace(found, repeats=False)


def _mean_of(
    days: list[Record], name: str, watts_at_target: Callable[[float, float], float]
) -> _Mean:
    column = np.concatenate([record[name] for record in days])
    energy = np.concatenate([record["energy_kwh"] for record in days])
    contents = np.concatenate([record["contents_c"] for record in days])
    row_h = days[0].row_s / 3600.0
    is_melt = name == "state"
    marks = (column == MELTING).astype(float) if is_melt else column
    edges = np.flatnonzero(np.diff(marks) > 0.0)
    interval_h = None
    if edges.size > 1 and is_melt:
        interval_h = float(edges[-1] - edges[0]) * row_h / (edges.size - 1)
    if edges.size < BLOCKS + 1 and not (is_melt and edges.size > 2):
        # Nothing cycles, or too seldom: by the clock.
        edges = np.linspace(0, column.size - 1, BLOCKS + 1).astype(int)
    picked = np.linspace(0, edges.size - 1, min(BLOCKS + 1, edges.size)).round().astype(int)
    cuts = edges[picked]

    def watts(first: int, last: int) -> float:
        power_w = 1e3 * float(energy[last] - energy[first]) / ((last - first) * row_h)
        return watts_at_target(power_w, float(np.mean(contents[first:last])))

    blocks = [watts(first, last) for first, last in zip(cuts[:-1], cuts[1:], strict=True)]
    spread_w = 0.5 * (max(blocks) - min(blocks))
    return _Mean(watts(int(cuts[0]), int(cuts[-1])), spread_w, interval_h, True)


def _use(
    config: Config, plant: Plant, settings: Settings, seed: int
) -> tuple[float | None, float | None]:
    """Return what doors and loads add in the usual room [kWh/d], each with less without it."""
    room = config.climate
    here = at_ambient(plant, room.usual_c, room.relative_humidity_pct)
    coldest = coldest_holdable(here, room.usual_c + ZERO_C_K, limits_of(config))
    start = nearest_point(here, config.use.target_c + ZERO_C_K, coldest)
    firmware = firmware_of(config, settings)

    def kwh(**changed: Any) -> float:
        # The same start and days for each: ice that piles up day by day then costs alike.
        run = replace(here, climate=replace(here.climate, **changed))
        loop = loop_at(run, firmware, start, seed=seed)
        loop.run((USE_DAYS - 1) * DAY_S, ROW_S)
        energy = loop.run(DAY_S, ROW_S)["energy_kwh"]
        return float(energy[-1] - energy[0])

    has_doors, has_loads = here.climate.doors_per_day > 0, here.climate.load_share > 0.0
    if not has_doors and not has_loads:
        return None, None
    used = kwh()
    doors = used - kwh(doors_per_day=0) if has_doors else None
    loads = used - kwh(load_share=0.0) if has_loads else None
    return doors, loads

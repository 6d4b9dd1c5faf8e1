"""Energy a day, estimated by steady power and defrost increment.

    E = 24 h x (P_ss + dE_df / t_df)

the sum that IEC 62552-3 works with (quoted in the law text of SI 2021/745, schedule 14), at
16 and 32 °C; 25 °C is beside that pair, for low-noise appliances (from memory).  Door shut,
nothing loaded, room constant, contents at the target.  An estimate by that sum, never a test
to the standard: no chamber, no weighted thermocouples, and boxes for boats and cars are
outside the law's scope anyhow.

What doors and bottles add stands apart, from runs with and without them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import numpy as np

from ctrl.build import at_ambient, humidity_at
from ctrl.capability import coldest_holdable, duty_for, limits_of
from ctrl.config import Config
from ctrl.defrost import DEFROST_DEMAND, DEFROST_OFF_CYCLE
from ctrl.findings import DAY_S, Findings
from ctrl.firmware import Settings, firmware_of
from ctrl.loop import MELTING
from ctrl.record import Record
from ctrl.trial import loop_at, nearest_point
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

METHOD = "estimated by steady power and defrost increment, as IEC 62552-3 sums them"
PAIR_C = (16.0, 32.0)
BESIDE_C = 25.0
BESIDE = "outside the pair"
PAIR, OWN = "of the pair", "own climate"
SETTLE_DAYS, USE_DAYS = 1, 4
ROW_S = 60.0
STARTS_LATER = (DEFROST_OFF_CYCLE, DEFROST_DEMAND)


@dataclass(frozen=True)
class EnergyRow:
    """Energy a day at one constant room.

    `steady_w` is P_ss at the target, at plug or battery; `defrost_kwh` and
    `defrost_interval_h` are dE_df and t_df, None where no defrost falls due;
    `energy_kwh_per_day` is None with `why` where the target cannot be held.
    """

    where: str
    ambient_c: float
    steady_w: float | None
    defrost_kwh: float | None
    defrost_interval_h: float | None
    energy_kwh_per_day: float | None
    why: str = ""


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
    config: Config, plant: Plant, settings: Settings, usual: Findings, *, seed: int
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
    """
    room = config.climate
    places = [(PAIR, ambient_c) for ambient_c in PAIR_C] + [(BESIDE, BESIDE_C)]
    places += [(OWN, room.usual_c)]
    if room.worst_c != room.usual_c:
        places += [(OWN, room.worst_c)]
    rows = [_row(config, plant, settings, where, at_c, seed) for where, at_c in places]
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
        return EnergyRow(where, ambient_c, None, None, None, None, why)

    def watts(contents_c: float) -> float:
        point = duty_for(plant, ambient_k, contents_c + ZERO_C_K, coldest) or coldest.point
        return point.plug_w

    def run(aimed: Settings, days: int) -> Record:
        loop = loop_at(plant, firmware_of(config, aimed), start, seed=seed)
        loop.run(SETTLE_DAYS * DAY_S, ROW_S)
        return loop.run(days * DAY_S, ROW_S)

    bare = run(replace(settings, defrost=None), 1)
    bare_w, bare_c = _mean_power(bare, bare["starts"])
    # The setpoint was centred with doors and loads: power is brought to the target by the
    # slope of the steady states, so that no row gains by being warmer.
    steady_w = bare_w + start.plug_w - watts(bare_c)
    defrost_kwh, interval_h = _increment(run, settings, bare_w, bare_c, watts)
    kwh = summed_kwh_per_day(steady_w, defrost_kwh or 0.0, interval_h or 24.0)
    return EnergyRow(where, ambient_c, steady_w, defrost_kwh, interval_h, kwh)


def _increment(
    run: Callable[[Settings, int], Record],
    settings: Settings,
    bare_w: float,
    bare_c: float,
    watts: Callable[[float], float],
) -> tuple[float | None, float | None]:
    """Return (dE_df [kWh], t_df [h]) of the settings' defrost, or None where none falls due."""
    if settings.defrost is None:
        return None, None
    plan = settings.defrost
    longest = plan.latest_ticks if plan.kind in STARTS_LATER else plan.interval_ticks
    # Two melts have to begin within the run.
    days = ceil(2.2 * longest * min(settings.period_s, 1.0) / DAY_S)
    record = run(settings, days)
    melting = record["state"] == MELTING
    begun = np.flatnonzero(melting[1:] & ~melting[:-1])
    if begun.size < 2:
        return None, None
    first, last = int(begun[0]), int(begun[-1])
    interval_h = (last - first) * record.row_s / 3600.0 / (begun.size - 1)
    kwh = record["energy_kwh"][last] - record["energy_kwh"][first]
    warm_c = float(np.mean(record["contents_c"][first:last]))
    with_kw = float(kwh) * 3600.0 / ((last - first) * record.row_s)
    # Contents that a melt leaves warmer take less to hold; that is no merit of the melt.
    extra_kw = with_kw - 1e-3 * (bare_w + watts(warm_c) - watts(bare_c))
    return extra_kw * interval_h, interval_h


def _mean_power(record: Record, starts: np.ndarray) -> tuple[float, float]:
    """Return (mean power [W], contents' mean [°C]), over whole cycles where it cycles."""
    edges = np.flatnonzero(np.diff(starts) > 0)
    first, last = (int(edges[0]), int(edges[-1])) if edges.size > 2 else (0, starts.size - 1)
    kwh = record["energy_kwh"][last] - record["energy_kwh"][first]
    hours = (last - first) * record.row_s / 3600.0
    return 1e3 * float(kwh) / hours, float(np.mean(record["contents_c"][first:last]))


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

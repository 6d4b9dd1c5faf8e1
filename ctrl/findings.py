"""What a record means: swings, cycles, ice, hottest hot side, energy per day.

Findings read the settled part of a run: its last whole day where it has one.
"""

from dataclasses import dataclass
from math import nan

import numpy as np

from ctrl.fixed_point import NO_SENSOR
from ctrl.loop import COOLING, SUPPLY_CUT_OUT
from ctrl.record import INDEX, Record

DAY_S = 86400.0
SETTLED_K = 0.02  # successive days of air and contents differ by less than this
SETTLED_ENERGY = 0.005  # ... and their energy by less than this share


@dataclass(frozen=True)
class Span:
    """Smallest, mean and largest of a signal over the settled part."""

    min: float
    mean: float
    max: float


@dataclass(frozen=True)
class Findings:
    """What one run shows.

    Temperatures in °C, masses in g, over the settled part unless the name says otherwise.
    `pull_down_h` is None when the contents never came within the tolerance, with the reason
    in `pull_down_reason`; `swing_k` is the air's swing that control alone makes, without
    doors, loads and defrosts; `contents_swing_k` is the contents' whole daily range.
    """

    air_c: Span
    contents_c: Span
    cold_sink_c: Span
    hot_sink_c: Span
    hot_face_c: Span
    foam_c: Span
    reading_c: Span
    ambient_c: Span
    duty_mean: float
    current_max_a: float
    frost_g_max: float
    frost_g_end: float
    frost_growth_g_per_day: float
    blockage_pct_max: float
    frozen_share_max: float
    cycles_per_hour: float
    swing_k: float
    contents_swing_k: float
    pull_down_h: float | None
    pull_down_reason: str | None
    energy_kwh_per_day: float
    energy_boundary: str
    settled: bool
    air_rh_pct: Span
    wall_margin_k: float
    wall_water_g_max: float
    water_out_g_per_day: float
    energy_residual_rel: float
    water_residual_rel: float
    states_seen: tuple[int, ...]
    outside_margin_k: float
    deposit_g_per_day: float
    ice_share: float
    supply_off_share: float = 0.0
    given_off_g_per_day: float = 0.0


def span(signal: np.ndarray) -> Span:
    """Return smallest, mean and largest of a signal."""
    return Span(float(np.min(signal)), float(np.mean(signal)), float(np.max(signal)))


def _read(reading_c: np.ndarray) -> Span:
    """Return the span of the readings there were; no number where the sensor never gave one."""
    given = reading_c[reading_c > 0.01 * NO_SENSOR]
    return span(given) if given.size else Span(nan, nan, nan)


def is_settled(record: Record) -> bool:
    """Tell whether the last two days agree in air, contents and energy."""
    rows = round(DAY_S / record.row_s)
    if len(record.table) < 2 * rows:
        return False
    last, before = record.table[-rows:], record.table[-2 * rows : -rows]
    return days_agree(record, before, last)


def days_agree(record: Record, before: np.ndarray, last: np.ndarray) -> bool:
    """Tell whether two days' tables, shape (rows, columns), agree within the settled limits."""
    for name in ("air_c", "contents_c"):
        difference = np.mean(last[:, INDEX[name]]) - np.mean(before[:, INDEX[name]])
        if abs(difference) > SETTLED_K:
            return False
    energy = INDEX["energy_kwh"]
    spent_last = last[-1, energy] - last[0, energy]
    spent_before = before[-1, energy] - before[0, energy]
    return bool(abs(spent_last - spent_before) <= SETTLED_ENERGY * max(spent_last, 1e-9))


def switch_ons(duty: np.ndarray) -> int:
    """Return how often a duty goes from zero to above zero."""
    running = duty > 0.0
    return int(np.count_nonzero(running[1:] & ~running[:-1]))


def undisturbed_swing_k(record: Record) -> float:
    """Return the air's range within one hour that control alone makes [K].

    The median over the clock hours without an open door, a defrost, a warm load or a pause
    in the hour before; over all hours where every hour has one.
    """
    rows = max(1, round(3600.0 / record.row_s))
    hours = len(record.table) // rows
    air = record["air_c"]
    if hours == 0:
        return float(np.ptp(air))
    jumps = np.abs(np.diff(record["contents_c"], prepend=record["contents_c"][0])) > 0.2
    disturbed = (record["door"] > 0.0) | (record["state"] > COOLING) | jumps
    per_hour = disturbed[: hours * rows].reshape(hours, rows).any(axis=1)
    calm = ~(per_hour | np.roll(per_hour, 1))
    ranges = np.ptp(air[: hours * rows].reshape(hours, rows), axis=1)
    return float(np.median(ranges[calm] if calm.any() else ranges))


def pull_down_h(
    record: Record, target_c: float, tolerance_k: float
) -> tuple[float | None, str | None]:
    """Return the hours until the contents first come within the tolerance of the target."""
    contents = record["contents_c"]
    if contents[0] <= target_c + tolerance_k:
        return 0.0, None
    within = np.flatnonzero(contents <= target_c + tolerance_k)
    if within.size == 0:
        hours = record.duration_s / 3600.0
        return None, f"not within {tolerance_k:g} K of {target_c:g} °C in {hours:.0f} h"
    return float((record["time_s"][within[0]] - record["time_s"][0] + record.row_s) / 3600.0), None


def findings_of(
    record: Record, target_c: float, tolerance_k: float, energy_boundary: str
) -> Findings:
    """Return the findings of a run.

    Parameters
    ----------
    record : Record
        Any length; the settled part is its last day, or all of it when shorter.
    target_c, tolerance_k : float
        Wanted temperature of the contents and how near counts as there [°C, K].
    energy_boundary : str
        Where the energy is counted: "mains plug" or "battery terminals".
    """
    part = record.last(DAY_S)
    days = part.duration_s / DAY_S
    hours = max(part.duration_s / 3600.0, 1e-9)
    energy = part["energy_kwh"]
    frost = part["frost_g"]
    water_out = part["water_out_g"]
    given_off = part["given_off_g"]
    reached, reason = pull_down_h(record, target_c, tolerance_k)
    # The first row of a part already holds its first tick: scale to the whole part.
    whole = len(part.table) / max(len(part.table) - 1, 1)
    return Findings(
        air_c=span(part["air_c"]),
        contents_c=span(part["contents_c"]),
        cold_sink_c=span(part["cold_sink_c"]),
        hot_sink_c=span(part["hot_sink_c"]),
        hot_face_c=span(part["hot_face_c"]),
        foam_c=span(part["foam_c"]),
        reading_c=_read(part["reading_c"]),
        ambient_c=span(part["ambient_c"]),
        duty_mean=float(np.mean(part["duty"])),
        current_max_a=float(np.max(part["current_a"])),
        frost_g_max=float(np.max(frost)),
        frost_g_end=float(frost[-1]),
        frost_growth_g_per_day=float((frost[-1] - frost[0]) * whole / days),
        blockage_pct_max=float(np.max(part["blockage_pct"])),
        frozen_share_max=float(np.max(part["frozen_share"])),
        cycles_per_hour=float(part["starts"][-1] - part["starts"][0]) / hours,
        swing_k=undisturbed_swing_k(part),
        contents_swing_k=float(np.ptp(part["contents_c"])),
        pull_down_h=reached,
        pull_down_reason=reason,
        energy_kwh_per_day=float((energy[-1] - energy[0]) * whole / days),
        energy_boundary=energy_boundary,
        settled=is_settled(record),
        air_rh_pct=span(part["air_rh_pct"]),
        wall_margin_k=float(np.min(part["wall_surface_c"] - dew_point_c(part))),
        wall_water_g_max=float(np.max(part["wall_water_g"])),
        water_out_g_per_day=float((water_out[-1] - water_out[0]) * whole / days),
        energy_residual_rel=record.energy_residual_rel,
        water_residual_rel=record.water_residual_rel,
        states_seen=tuple(int(code) for code in np.unique(record["state"])),
        outside_margin_k=float(np.min(part["outer_surface_c"] - part["ambient_dew_c"])),
        deposit_g_per_day=float((part["deposit_g"][-1] - part["deposit_g"][0]) * whole / days),
        ice_share=share_that_stays(part),
        supply_off_share=float(np.mean(part["state"] == SUPPLY_CUT_OUT)),
        given_off_g_per_day=float((given_off[-1] - given_off[0]) * whole / days),
    )


LEAST_DEPOSIT_G = 0.01  # less than this in a day is none


def share_that_stays(record: Record) -> float:
    """Return the share of what settled on the cold sink that stays as ice [-], 0 to 1.

    Frost gained over vapour settled; 0 where nothing settled, or where as much melted or
    dried away.
    """
    settled = float(record["deposit_g"][-1] - record["deposit_g"][0])
    gained = float(record["frost_g"][-1] - record["frost_g"][0])
    return min(max(gained / settled, 0.0), 1.0) if settled > LEAST_DEPOSIT_G else 0.0


def dew_point_c(record: Record) -> np.ndarray:
    """Return the cabinet air's dew point [°C], shape (rows,), or frost point below 0 °C.

    From the record's temperature and humidity (over ice below 0 °C), by the Magnus forms of
    `plant.moist_air` and their inverse.
    """
    t_c = record["air_c"]
    water, ice = 17.625 * t_c / (t_c + 243.04), 22.587 * t_c / (t_c + 273.86)
    humidity = np.maximum(record["air_rh_pct"], 0.1) * 0.01
    x = np.log(humidity) + np.where(t_c < 0.0, ice, water)
    return np.where(x < 0.0, 273.86 * x / (22.587 - x), 243.04 * x / (17.625 - x))

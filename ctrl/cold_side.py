"""The cold side as `coldloop check` shows it: inside fan on and stopped, and the wet outside."""

from dataclasses import dataclass

import numpy as np

from ctrl.build import at_ambient, box_of, humidity_at, plant_of
from ctrl.capability import fans_at, flashed_coldest
from ctrl.config import Config
from ctrl.trial import nearest_point
from plant import air_layers, cabinet, moist_air
from plant.cabinet import Plant
from plant.constants import SECONDS_PER_DAY, ZERO_C_K
from plant.steady import NoSteadyState, Operating, operating_point

LEAST_DEPOSIT_G = 0.01  # less than this in a day is none
DRY, WET, FROSTING = "dry", "wet", "frosting"


@dataclass(frozen=True)
class ColdSide:
    """The cold side at one duty with the inside fan on or stopped, clean sink, steady.

    `sink_state` is dry, wet or frosting; `layering_k` is the top half of the air above the
    bottom half, least and most; None throughout where the hot side runs away.
    """

    fan: str
    duty: float
    cold_sink_c_mean: float | None
    air_c_mean: float | None
    contents_c_mean: float | None
    sink_state: str | None
    deposit_g_per_day: float | None
    given_off_g_per_day: float | None
    layering_k: tuple[float, float] | None


@dataclass(frozen=True)
class OutsideValues:
    """The coldest outside face over a day with the target held, against the dew point there.

    The thinnest face, in the shade, at the hour of the least margin.
    """

    case: str
    ambient_c: float
    relative_humidity_pct: float
    outer_surface_c: float
    ambient_dew_c: float
    outside_margin_k: float


def _held_point(config: Config, base: Plant, ambient_c: float) -> tuple[Plant, Operating]:
    plant = at_ambient(base, ambient_c, humidity_at(config, ambient_c))
    coldest = flashed_coldest(config, plant, ambient_c + ZERO_C_K)
    return plant, nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)


def cold_side_of(config: Config) -> tuple[ColdSide, ...]:
    """Return the cold side in the worst room at the duty that holds the target there.

    Common practice, no source: with the circulating fan stopped the sink falls many kelvin
    and the cabinet warms.
    """
    room = config.climate
    plant, point = _held_point(config, plant_of(config), room.worst_c)
    hot_fan, cold_fan = fans_at(plant, point.duty)
    area_m2 = box_of(config).inside_area_m2
    return tuple(
        _row(plant, point, hot_fan, fan, area_m2)
        for fan in ((cold_fan, 0.0) if cold_fan > 0.0 else (0.0,))
    )


def _row(
    plant: Plant, held: Operating, hot_fan: float, cold_fan: float, area_m2: float
) -> ColdSide:
    fan = "on" if cold_fan > 0.0 else "stopped"
    try:
        point = operating_point(plant, held.duty, held.ambient_k, hot_fan, cold_fan)
    except NoSteadyState:
        return ColdSide(fan, held.duty, None, None, None, None, None, None, None)
    slope = np.zeros(cabinet.STATES)
    record = cabinet.to_record(plant)
    cabinet.derivative(record, point.state, point.inputs, slope)
    a_day = 1e3 * SECONDS_PER_DAY
    deposit = a_day * float(slope[cabinet.DEPOSIT])
    state = DRY
    if deposit >= LEAST_DEPOSIT_G:
        state = FROSTING if point.cold_sink_k < ZERO_C_K else WET
    return ColdSide(
        fan=fan,
        duty=held.duty,
        cold_sink_c_mean=point.cold_sink_k - ZERO_C_K,
        air_c_mean=point.air_k - ZERO_C_K,
        contents_c_mean=point.contents_k - ZERO_C_K,
        sink_state=state,
        deposit_g_per_day=deposit,
        given_off_g_per_day=a_day * float(slope[cabinet.GIVEN_OFF]),
        layering_k=air_layers.layering_k(record, point.state, point.inputs, area_m2),
    )


HOURS = 25


def outside_of(config: Config) -> tuple[OutsideValues, ...]:
    """Return the coldest outside face in the usual and in the hottest, dampest room.

    The room goes through its daily swing, its vapour constant but never above saturation, as
    in a simulation; the wall's inner half stays at its mean.
    """
    room, base = config.climate, plant_of(config)
    found = []
    for case, ambient_c in (("usual", room.usual_c), ("worst", room.worst_c)):
        plant, point = _held_point(config, base, ambient_c)
        swing_k = 0.5 * room.daily_swing_k
        hours = [
            _outside_at(plant, point, float(ambient_k))
            for ambient_k in ambient_c + ZERO_C_K + np.linspace(-swing_k, swing_k, HOURS)
        ]
        surface_k, dew_k = min(hours, key=lambda pair: pair[0] - pair[1])
        found.append(
            OutsideValues(
                case,
                ambient_c,
                humidity_at(config, ambient_c),
                surface_k - ZERO_C_K,
                dew_k - ZERO_C_K,
                surface_k - dew_k,
            )  # fmt: skip
        )
    return tuple(found)


def _outside_at(plant: Plant, point: Operating, ambient_k: float) -> tuple[float, float]:
    """Return (coldest outside face, dew point) [K] at one temperature of the room."""
    record, state, room = cabinet.to_record(plant), point.state.copy(), plant.climate
    state[cabinet.WALL_SHADED] = cabinet.shaded_wall(record, state, ambient_k)
    fan = point.inputs[cabinet.COLD_FAN]
    _, surface_k = cabinet.wall_surfaces(record, state, ambient_k, fan)
    saturated = moist_air.saturation_humidity_ratio(ambient_k, room.pressure_pa)
    ratio = max(min(room.humidity_ratio, saturated), 1e-6)
    return float(surface_k), float(moist_air.dew_point(ratio, room.pressure_pa))

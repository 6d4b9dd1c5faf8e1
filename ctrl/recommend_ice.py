"""Ice of a recommendation's rooms: without a defrost, with a plan, and the coldest without ice."""

from dataclasses import replace
from functools import partial

import numpy as np

from ctrl import ice as ice_part
from ctrl.build import at_ambient
from ctrl.candidates import Candidate
from ctrl.capability import coldest_holdable, limits_of
from ctrl.config import Config
from ctrl.controllers import Outside
from ctrl.firmware import Settings, firmware_of
from ctrl.ice import Ice, coldest_ice_free_c, ice_of, ice_with_range
from ctrl.side_by_side import side_by_side
from ctrl.trial import nearest_point
from plant.constants import ZERO_C_K


def rooms_of(config: Config) -> list[tuple[str, float]]:
    """Return (name, temperature [°C]) of the usual, the worst and the coldest room."""
    room = config.climate
    return [("usual", room.usual_c), ("worst", room.worst_c), ("coldest", room.coldest_c)]


def ice_at(
    config: Config,
    candidate: Candidate,
    settings: Settings,
    ambient_c: float,
    contents_c: float,
    seed: int,
    most_days: int = ice_part.MOST_DAYS,
    with_range: bool = False,
    outside: Outside | None = None,
) -> Ice:
    """Return the ice at the dampest air, from the steady state that holds `contents_c`.

    A firmware from `outside` runs once, as it is, without the range.
    """
    run = ice_with_range if with_range else partial(ice_of, outside=outside)
    plant = at_ambient(candidate.plant, ambient_c, config.climate.worst_humidity_pct)
    coldest = coldest_holdable(plant, ambient_c + ZERO_C_K, limits_of(config))
    return run(
        plant,
        firmware_of(config, settings),
        nearest_point(plant, contents_c + ZERO_C_K, coldest),
        config.limits.sink_ice_blockage_pct,
        most_days=most_days,
        seed=seed,
    )


def ice_by_case(
    config: Config, candidate: Candidate, seed: int, workers: int | None = None
) -> dict[str, Ice]:
    """Return the ice of every room without a defrost, with the range of the frost's density."""
    bare, rooms = replace(candidate.settings, defrost=None), rooms_of(config)

    def of(room: tuple[str, float]) -> Ice:
        return ice_at(config, candidate, bare, room[1], config.use.target_c, seed, with_range=True)

    found = side_by_side(of, rooms, workers)
    return {name: ice for (name, _), ice in zip(rooms, found, strict=True)}


def coldest_ice_free(
    config: Config, candidate: Candidate, low_c: float, seed: int, offset_k: float | None = None
) -> float | None:
    """Return the coldest contents that do not ice in the usual room at the dampest air [°C].

    `offset_k` is the setpoint above the contents [K]; the candidate's, held at the target, when
    left out.
    """
    if offset_k is None:
        offset_k = candidate.settings.setpoint_c - config.use.target_c

    def ices_at(contents_c: float) -> bool:
        aimed = replace(
            candidate.settings, setpoint_c=round(contents_c + offset_k, 2), defrost=None
        )
        room_c = config.climate.usual_c
        return ice_at(config, candidate, aimed, room_c, contents_c, seed, most_days=5).ices

    high_c = config.climate.usual_c - 1.0
    damp = at_ambient(candidate.plant, config.climate.usual_c, config.climate.worst_humidity_pct)
    reach = coldest_holdable(damp, config.climate.usual_c + ZERO_C_K, limits_of(config))

    def sink_c(contents_c: float) -> float:
        return nearest_point(damp, contents_c + ZERO_C_K, reach).cold_sink_k - ZERO_C_K

    # A first guess: where the mean sink comes to 0 °C. It saves days and moves no answer.
    low_c, near_c = min(low_c, high_c), np.linspace(min(low_c, high_c), high_c, 33)
    guess_c = next((float(x) for x in near_c if sink_c(float(x)) >= 0.0), high_c)
    return coldest_ice_free_c(ices_at, low_c, high_c, guess_c=guess_c)

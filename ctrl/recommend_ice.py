"""Ice of a recommendation's rooms: without a defrost and with a plan."""

from dataclasses import replace
from functools import partial

from ctrl import ice as ice_part
from ctrl.build import at_ambient
from ctrl.candidates import Candidate
from ctrl.capability import coldest_holdable, limits_of
from ctrl.config import Config
from ctrl.controllers import Outside
from ctrl.firmware import Settings, firmware_of
from ctrl.ice import Ice, ice_of, ice_with_range
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
    only_clear: bool = False,
    outside: Outside | None = None,
) -> Ice:
    """Return the ice at the dampest air, from the steady state that holds `contents_c`.

    With the range of the frost's density, or with `only_clear` where it is clear as reckoned.
    A firmware from `outside` runs once, as it is, without the range.
    """
    ranged = partial(ice_with_range, only_clear=only_clear)
    once = partial(ice_of, outside=outside)
    run = ranged if with_range or only_clear else once
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

"""Ice of a recommendation's rooms: without a defrost and with a plan."""

from dataclasses import replace
from functools import lru_cache

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
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

ICES_KEPT = 128  # for who asks again


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
    args = (config, candidate.plant, settings, ambient_c, contents_c, seed, most_days)
    if outside is not None:
        return _ice(*args, False, False, outside)
    return kept_ice(*args, with_range, only_clear)


def _ice(
    config: Config, base: Plant, settings: Settings, ambient_c: float, contents_c: float,
    seed: int, most_days: int, with_range: bool, only_clear: bool, outside: Outside | None = None,
) -> Ice:  # fmt: skip
    plant = at_ambient(base, ambient_c, config.climate.worst_humidity_pct)
    coldest = coldest_holdable(plant, ambient_c + ZERO_C_K, limits_of(config))
    start = nearest_point(plant, contents_c + ZERO_C_K, coldest)
    firmware, limit_pct = firmware_of(config, settings), config.limits.sink_ice_blockage_pct
    if with_range or only_clear:
        return ice_with_range(
            plant, firmware, start, limit_pct, most_days=most_days, seed=seed, only_clear=only_clear
        )
    return ice_of(plant, firmware, start, limit_pct, most_days=most_days, seed=seed,
                  outside=outside)  # fmt: skip


kept_ice = lru_cache(maxsize=ICES_KEPT)(_ice)


def ice_by_case(
    config: Config, candidate: Candidate, seed: int, workers: int | None = None
) -> dict[str, Ice]:
    """Return the ice of every room without a defrost, with the range of the frost's density."""
    bare, rooms = replace(candidate.settings, defrost=None), rooms_of(config)

    def of(room: tuple[str, float]) -> Ice:
        return ice_at(config, candidate, bare, room[1], config.use.target_c, seed, with_range=True)

    found = side_by_side(of, rooms, workers)
    return {name: ice for (name, _), ice in zip(rooms, found, strict=True)}

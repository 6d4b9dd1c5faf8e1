"""The hot side as `coldloop check` shows it: fins, steady states, heat soaked back."""

from dataclasses import dataclass

from ctrl.branches import Holding, Scan, branches_of, duties_that_hold
from ctrl.build import at_ambient, driven_hot_sink, fin_operating_point, humidity_at, plant_of
from ctrl.capability import flashed_coldest
from ctrl.config import Config
from ctrl.heat_soak import HeatSoak, heat_soak_of
from ctrl.trial import nearest_point
from plant.constants import ZERO_C_K
from plant.fins import Through


@dataclass(frozen=True)
class HotSide:
    """Resistances, and where the hot side comes to rest in the worst room.

    `fan_k_per_w` and `no_fan_k_per_w` are sink to room, dust and recirculated exhaust
    counted; `scans` are at the duty that holds the target (or comes nearest) and at full
    drive, one for each state of the hot fan; `holding` are the duties that hold the target.
    """

    fan_k_per_w: float
    no_fan_k_per_w: float
    fan_flow_m3_per_h: float
    fins: Through | None
    ambient_c: float
    scans: tuple[Scan, ...]
    holding: tuple[Holding, ...]
    heat_soak: HeatSoak


def hot_side_of(config: Config) -> HotSide:
    """Return the hot side's part of a check.

    Raises
    ------
    NoSteadyState
        When no drive at all has a steady state.
    """
    room = config.climate
    plant = at_ambient(plant_of(config), room.worst_c, humidity_at(config, room.worst_c))
    ambient_k, target_k = room.worst_c + ZERO_C_K, config.use.target_c + ZERO_C_K
    point = nearest_point(plant, target_k, flashed_coldest(config, plant, ambient_k))
    duties = sorted({point.duty, 1.0})
    return HotSide(
        fan_k_per_w=1.0 / plant.hot_sink.fan_w_per_k,
        no_fan_k_per_w=1.0 / plant.hot_sink.no_fan_w_per_k,
        fan_flow_m3_per_h=driven_hot_sink(config)[1] / config.hot_sink.dust_factor,
        fins=fin_operating_point(config),
        ambient_c=room.worst_c,
        scans=tuple(item for duty in duties for item in branches_of(plant, ambient_k, duty)),
        holding=tuple(duties_that_hold(plant, ambient_k, target_k)),
        heat_soak=heat_soak_of(plant, point, config.protection.hot_fan_run_on_s),
    )

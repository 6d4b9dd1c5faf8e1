"""What the model says of a whole cabinet: through its right-hand side, parts and all.

A dry cabinet above its kinks is linear: two Newton steps on `cabinet.derivative` itself find
where it settles.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from ctrl.evidence_base import base_plant, public_functions
from plant import cabinet, drive, envelope
from plant.constants import SECONDS_PER_DAY, ZERO_C_K

WALLS = (cabinet.WALL_INNER_H, cabinet.WALL_OUTER)
EVERY_NODE = (
    cabinet.COLD_FACE, cabinet.HOT_FACE, cabinet.HOT_SINK, cabinet.COLD_SINK_H, cabinet.AIR_H,
    *WALLS, cabinet.CONTENTS_H,
)  # fmt: skip


def _settle(record: Any, state: Any, inputs: Any, unknowns: tuple[int, ...]) -> np.ndarray:
    """Move `unknowns` of `state` to where their slopes vanish; return all slopes there."""
    which = np.array(unknowns)
    slope, moved = np.zeros(cabinet.STATES), np.zeros(cabinet.STATES)
    for _ in range(3):
        cabinet.derivative(record, state, inputs, slope)
        matrix = np.empty((which.size, which.size))
        for column, index in enumerate(which):
            nudged = state.copy()
            nudged[index] += 1.0
            cabinet.derivative(record, nudged, inputs, moved)
            matrix[:, column] = (moved - slope)[which]
        state[which] -= np.linalg.solve(matrix, slope[which])
    cabinet.derivative(record, state, inputs, slope)
    return slope


def _boxed(
    width_m: float, depth_m: float, height_m: float, wall_m: float, k: float,
    inside: float, outside: float, direct: float = 0.0, changes_per_h: float = 0.0,
) -> envelope.Envelope:  # fmt: skip
    """Return a box of one foam, the same all round, with its films [W/(m2 K)]."""
    faces = {f"{face}_m": wall_m for face in ("front", "back", "left", "right", "top", "bottom")}
    box = envelope.Box(
        width_m, depth_m, height_m, conductivity_w_per_m_k=k, **faces  # type: ignore[arg-type]
    )  # fmt: skip
    return replace(
        base_plant().envelope, foam_w_per_k=sum(envelope.wall_parts_w_per_k(box).values()),
        inside_film_w_per_k=inside * box.inside_area_m2,
        outside_film_w_per_k=outside * box.outside_area_m2, direct_w_per_k=direct,
        volume_m3=box.volume_m3, leak_per_s=changes_per_h / 3600.0, foam_slope_per_k=0.0,
    )  # fmt: skip


def _walls(plant: cabinet.Plant, in_c: float, room_c: float) -> tuple[Any, np.ndarray, np.ndarray]:
    """Return record, state and inputs of a dry cabinet whose fan turns and makes no heat."""
    plant = replace(plant, cold_sink=replace(plant.cold_sink, fan_w=0.0))
    state = cabinet.uniform_state(plant, in_c + ZERO_C_K, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = room_c + ZERO_C_K, 1.0
    return cabinet.to_record(plant), state, inputs


def settled_leak_w_per_k(in_c: float, room_c: float, **box: float) -> float:
    """Return the heat that comes into the air once the walls have settled, a kelvin."""
    plant = replace(base_plant(), envelope=_boxed(**box))
    record, state, inputs = _walls(plant, in_c, room_c)
    slope = _settle(record, state, inputs, WALLS)
    return float(slope[cabinet.AIR_H] / (room_c - in_c))


def wall_dew_g_per_h(air_c: float, air_g: float, wall_c: float, **box: float) -> float:
    """Return the water that settles on walls whose inner half has one temperature."""
    plant = replace(base_plant(), envelope=_boxed(**box))
    record, state, inputs = _walls(plant, air_c, air_c)
    cabinet.set_air(record, state, air_c + ZERO_C_K, 1e-3 * air_g)
    cabinet.set_wall_inner(record, state, wall_c + ZERO_C_K)
    state[cabinet.WALL_OUTER] = wall_c + ZERO_C_K
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    return float(3.6e6 * slope[cabinet.WALL_WATER])


def sink_dew_g_per_h(air_c: float, air_g: float, sink_c: float, cold: float) -> float:
    """Return the water that settles on a clean cold sink with a film of `cold` [W/K]."""
    base = base_plant()
    plant = replace(base, cold_sink=replace(base.cold_sink, fan_w_per_k=cold))
    record, state, inputs = _walls(plant, air_c, air_c)
    cabinet.set_air(record, state, air_c + ZERO_C_K, 1e-3 * air_g)
    cabinet.set_cold_sink(record, state, sink_c + ZERO_C_K)
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    return float(3.6e6 * slope[cabinet.DEPOSIT])


def open_door_w(width_m: float, height_m: float, in_c: float, room_c: float) -> float:
    """Return the heat that dry air brings through the open door at first."""
    base = base_plant()
    box = replace(base.envelope, door_width_m=width_m, door_height_m=height_m)
    record, state, inputs = _walls(replace(base, envelope=box), in_c, room_c)
    shut, wide = np.zeros(cabinet.STATES), np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, shut)
    inputs[cabinet.DOOR] = 1.0
    cabinet.derivative(record, state, inputs, wide)
    return float(wide[cabinet.HEAT_IN] - shut[cabinet.HEAT_IN])


def balance(
    seebeck: float, ohm: float, conductance: float, amps: float, contact: float, hot: float,
    cold: float, inner_fan_w: float, outer_fan_w: float, contents: float, capacity: float,
    load_share: float, load_c: float, efficiency: float, room_c: float, **box: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Return (air [°C], contents [°C], hot sink [°C], plug [W]) of a dry cabinet at rest.

    Module of constant properties on a smooth current; films, joints and sinks in W/K.
    """
    base = base_plant()
    plant = replace(
        base, envelope=_boxed(**box),
        module=replace(
            base.module, seebeck_v_per_k=seebeck, resistance_ohm=ohm, stages=1,
            conductance_w_per_k=conductance, cold_contact_w_per_k=contact,
            hot_contact_w_per_k=contact, temperature_dependence=0,
        ),
        drive=drive.Drive(
            drive.CURRENT, supply_v=60.0, current_limit_a=100.0, source_ohm=0.0, wire_ohm=0.0,
            switch_ohm=0.0, converter_efficiency=1.0, ripple=0.0, set_current_a=amps,
            supply_efficiency=efficiency, standby_w=0.0,
        ),
        hot_sink=replace(base.hot_sink, fan_w_per_k=hot, fan_w=outer_fan_w),
        cold_sink=replace(base.cold_sink, fan_w_per_k=cold, fan_w=inner_fan_w),
        contents=replace(
            base.contents, heat_capacity_j_per_k=capacity, film_w_per_k=contents, wet_kg_per_s=0.0
        ),
        climate=replace(base.climate, load_k=load_c + ZERO_C_K),
    )  # fmt: skip
    state = cabinet.uniform_state(plant, 8.0 + ZERO_C_K, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT] = room_c + ZERO_C_K
    inputs[[cabinet.DUTY, cabinet.HOT_FAN, cabinet.COLD_FAN]] = 1.0
    inputs[cabinet.LOAD_RATE] = load_share / SECONDS_PER_DAY
    record = cabinet.to_record(plant)
    slope = _settle(record, state, inputs, EVERY_NODE)
    return (
        float(cabinet.air_temperature(record, state) - ZERO_C_K),
        float(cabinet.contents_temperature(record, state) - ZERO_C_K),
        float(state[cabinet.HOT_SINK] - ZERO_C_K),
        float(slope[cabinet.PLUG_ENERGY]),
    )


def balance_air_c(**numbers: float) -> float:
    return balance(**numbers)[0]


def balance_contents_c(**numbers: float) -> float:
    return balance(**numbers)[1]


def balance_hot_sink_c(**numbers: float) -> float:
    return balance(**numbers)[2]


def balance_plug_w(**numbers: float) -> float:
    return balance(**numbers)[3]


VALUES: dict[str, Callable[..., Any]] = {
    name: item for name, item in public_functions(dict(globals())).items() if name != "balance"
}

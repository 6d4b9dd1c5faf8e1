"""Steady states of the cabinet: what it comes to if nothing changes.

Found by pseudo-transient continuation (implicit Euler with a growing step, one Newton
step each): it ends in the steady state that the cabinet would drift to, never on an
unstable branch that a bare root finder may pick.
"""

from dataclasses import dataclass, replace

import numpy as np

from plant import cabinet, moist_air
from plant import climate as climate_part
from plant.cabinet import Plant
from plant.compiled import array_kernel
from plant.constants import SECONDS_PER_DAY, ZERO_C_K

UNKNOWNS = np.array(
    [
        cabinet.COLD_FACE, cabinet.HOT_FACE, cabinet.HOT_SINK, cabinet.COLD_SINK_H,
        cabinet.AIR_H, cabinet.WALL_INNER_H, cabinet.WALL_OUTER, cabinet.CONTENTS_H,
        cabinet.VAPOUR,
    ]
)  # fmt: skip
VAPOUR_UNKNOWN = 8
LEAST_STRIDE_KG = 1e-8
FIRST_STEP_S = 30.0
STEP_GROWTH = 1.8
LONGEST_STEP_S = 1e12
LONG_STEPS = 150
KINK_STEP_S = 1e3
MOST_STEPS = 500
SETTLED_K = 1e-7
SETTLED_K_PER_S = 1e-10  # over the slowest time constant, a day, this is 0.01 mK
GOOD_ENOUGH_K_PER_S = 1e-7  # ... and this, where a kink lets no better, is 10 mK
# A hot sink beyond this is past every limit, and the lumped module past its meaning.
RUNAWAY_K = ZERO_C_K + 400.0


class NoSteadyState(ArithmeticError):
    """The cabinet has no steady state below the runaway temperature at this duty."""


@array_kernel
def _scales(plant):
    """Return what one kelvin (or a tenth of a gram of vapour per kg) is worth in each unknown."""
    scale = np.ones(UNKNOWNS.size)
    scale[3] = plant.cold_sink.heat_capacity_j_per_k
    scale[4] = cabinet.dry_air_kg(plant) * moist_air.CP_DRY_AIR
    scale[5] = plant.envelope.inner_heat_capacity_j_per_k
    scale[7] = plant.contents.heat_capacity_j_per_k
    scale[8] = cabinet.dry_air_kg(plant) * 1e-4
    return scale


@array_kernel
def settle(plant, state, inputs):
    """Change `state` in place to the steady state for constant `inputs`; return success.

    Uses `FROST_FROZEN` and the continuous load of `inputs`; frost and sink water stay as
    they are in `state`.
    """
    count = UNKNOWNS.size
    scale = _scales(plant)
    slope = np.zeros(cabinet.STATES)
    moved = np.zeros(cabinet.STATES)
    matrix = np.zeros((count, count))
    right = np.zeros(count)
    step, former = FIRST_STEP_S, 1.0
    for taken in range(MOST_STEPS):
        # At a kink (just wet, just dry) long steps hop to and fro: damped ones that grow only
        # as the drift falls do not (switched evolution relaxation, textbook).
        hops = taken >= LONG_STEPS
        cabinet.derivative(plant, state, inputs, slope)
        for i in range(count):
            right[i] = slope[UNKNOWNS[i]] / scale[i]
        drift = np.max(np.abs(right))
        if drift < SETTLED_K_PER_S:
            return True
        if taken == LONG_STEPS:
            step = KINK_STEP_S
        elif hops:
            step *= min(max(former / drift, 0.25), STEP_GROWTH)
        former = drift
        for j in range(count):
            trial = state.copy()
            nudge = 1e-4 * scale[j]
            trial[UNKNOWNS[j]] += nudge
            cabinet.derivative(plant, trial, inputs, moved)
            for i in range(count):
                difference = moved[UNKNOWNS[i]] - slope[UNKNOWNS[i]]
                matrix[i, j] = -difference / (scale[i] * 1e-4)
        for i in range(count):
            matrix[i, i] += 1.0 / step
        change = np.linalg.solve(matrix, right)
        # A dry sink takes no vapour, a wet one a lot: from the dry side the slopes see no
        # end to the vapour's rise. In short strides it meets the kink and stops there.
        stride = (0.1 * state[cabinet.VAPOUR] + LEAST_STRIDE_KG) / scale[VAPOUR_UNKNOWN]
        change[VAPOUR_UNKNOWN] = min(max(change[VAPOUR_UNKNOWN], -stride), stride)
        largest = np.max(np.abs(change))
        if not np.isfinite(largest):
            return False
        if largest > 20.0:  # a leap this long left the range the slopes speak of
            step *= 0.25
            if step < 1e-3:
                return False
            continue
        for i in range(count):
            state[UNKNOWNS[i]] += (0.5 if hops else 1.0) * change[i] * scale[i]
        state[cabinet.VAPOUR] = max(state[cabinet.VAPOUR], 0.0)
        if state[cabinet.HOT_SINK] > RUNAWAY_K:
            return False
        if largest < SETTLED_K and step > 1e6:
            return True
        if not hops:
            step = min(step * STEP_GROWTH, LONGEST_STEP_S)
    return drift < GOOD_ENOUGH_K_PER_S


@dataclass(frozen=True)
class Operating:
    """A steady operating point.

    Temperatures in K, heat flows in W, current in A; `plug_w` at the mains plug or the
    battery terminals; `state` is the state vector, shape (STATES,).
    """

    duty: float
    ambient_k: float
    air_k: float
    contents_k: float
    cold_sink_k: float
    hot_sink_k: float
    hot_face_k: float
    cold_face_k: float
    foam_k: float
    wall_surface_k: float
    relative_humidity: float
    mean_current_a: float
    cooling_w: float
    plug_w: float
    water_kg_per_day: float
    state: np.ndarray
    inputs: np.ndarray


def steady_inputs(
    plant: Plant, duty: float, ambient_k: float, hot_fan: float = 1.0, cold_fan: float = 1.0
) -> np.ndarray:
    """Return the inputs, shape (INPUTS,), of a mean day: doors and loads spread over 24 h."""
    climate = plant.climate
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT] = ambient_k
    saturated = moist_air.saturation_humidity_ratio(ambient_k, climate.pressure_pa)
    inputs[cabinet.AMBIENT_W] = min(climate.humidity_ratio, saturated)
    inputs[cabinet.DOOR] = climate.doors_per_day * climate.door_open_s / SECONDS_PER_DAY
    inputs[cabinet.DUTY] = duty
    inputs[cabinet.HOT_FAN] = hot_fan
    inputs[cabinet.COLD_FAN] = cold_fan
    inputs[cabinet.LOAD_RATE] = climate.load_share / SECONDS_PER_DAY
    inputs[cabinet.FROST_FROZEN] = 1.0
    inputs[cabinet.SUN] = climate_part.mean_absorbed_radiation(climate)
    return inputs


def without_freezing(plant: Plant) -> Plant:
    """Return the plant with contents that stay liquid: a plateau has no single steady state."""
    contents = plant.contents
    return replace(
        plant,
        contents=replace(
            contents, latent_j=0.0, frozen_heat_capacity_j_per_k=contents.heat_capacity_j_per_k
        ),
    )


def operating_point(
    plant: Plant,
    duty: float,
    ambient_k: float,
    hot_fan: float = 1.0,
    cold_fan: float = 1.0,
    start: np.ndarray | None = None,
) -> Operating:
    """Return the steady state at a constant duty and ambient.

    The door's opening is spread over the day, which overstates the first seconds' rush a
    little less than it understates the warm surfaces; simulations decide in the end.

    Raises
    ------
    NoSteadyState
        When the hot side runs away.
    """
    liquid = without_freezing(plant)
    record = cabinet.to_record(liquid)
    inputs = steady_inputs(plant, duty, ambient_k, hot_fan, cold_fan)
    if start is None:
        state = cabinet.uniform_state(liquid, ambient_k, plant.climate.humidity_ratio)
    else:
        state = start.copy()
    try:
        found = settle(record, state, inputs)
    except np.linalg.LinAlgError:
        found = False
    if not found:
        raise NoSteadyState(f"no steady state at duty {duty:.3f} and {ambient_k - ZERO_C_K:.1f} °C")
    return describe(liquid, record, state, inputs)


def describe(plant: Plant, record: np.record, state: np.ndarray, inputs: np.ndarray) -> Operating:
    """Return the operating point that `state` and `inputs` make."""
    from plant import heat_sinks, stage

    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    mean_a, _, _, _, _ = stage.on_drive(
        record.module, record.drive, inputs[cabinet.DUTY],
        state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
        inputs[cabinet.SUPPLY_RISE_V], inputs[cabinet.DISCONNECTED],
    )  # fmt: skip
    ambient_k = inputs[cabinet.AMBIENT]
    air_k = cabinet.air_temperature(record, state)
    state[cabinet.WALL_SHADED] = cabinet.shaded_wall(record, state, ambient_k)
    wall_k, _ = cabinet.wall_surfaces(record, state, ambient_k, inputs[cabinet.COLD_FAN])
    relative_humidity = float(
        moist_air.relative_humidity(
            air_k,
            state[cabinet.VAPOUR] / cabinet.dry_air_kg(record),
            plant.climate.pressure_pa,
        )
    )
    return Operating(
        duty=float(inputs[cabinet.DUTY]),
        ambient_k=float(ambient_k),
        air_k=float(air_k),
        contents_k=float(cabinet.contents_temperature(record, state)),
        cold_sink_k=float(cabinet.cold_sink_temperature(record, state)),
        hot_sink_k=float(state[cabinet.HOT_SINK]),
        hot_face_k=float(state[cabinet.HOT_FACE]),
        cold_face_k=float(state[cabinet.COLD_FACE]),
        foam_k=float(
            heat_sinks.foam_temperature(
                ambient_k, state[cabinet.HOT_SINK], plant.hot_sink.foam_share
            )
        ),
        wall_surface_k=float(wall_k),
        relative_humidity=min(relative_humidity, 1.0),  # what is beyond is mist
        mean_current_a=float(mean_a),
        cooling_w=float(slope[cabinet.MODULE_COOLING]),
        plug_w=float(slope[cabinet.PLUG_ENERGY]),
        water_kg_per_day=float(slope[cabinet.WATER_IN] * SECONDS_PER_DAY),
        state=state,
        inputs=inputs,
    )

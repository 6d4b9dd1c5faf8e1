"""One step of the plant, and the adaptive steps that fill one tick.

Additive Runge-Kutta of third order, ARK3(2)4L[2]SA of Kennedy and Carpenter 2003
(Applied Numerical Mathematics 44, 139-181; coefficients from memory, their order
conditions are checked by a test).  The module's two ceramic faces are light and fast
(1/20 s .. 1/5 s); how far each is from its sink is taken implicitly, which costs one division
each, and everything else explicitly.  A face then follows a drifting sink without an error of
the split.  Both halves share the same weights, so what one node loses another gains, to rounding.
"""

import numpy as np

from plant import cabinet
from plant.compiled import kernel

GAMMA = 1767732205903.0 / 4055673282236.0
EXPLICIT = np.array(
    [
        [0.0, 0.0, 0.0, 0.0],
        [1767732205903.0 / 2027836641118.0, 0.0, 0.0, 0.0],
        [5535828885825.0 / 10492691773637.0, 788022342437.0 / 10882634858940.0, 0.0, 0.0],
        [
            6485989280629.0 / 16251701735622.0,
            -4246266847089.0 / 9704473918619.0,
            10755448449292.0 / 10357097424841.0,
            0.0,
        ],
    ]
)
IMPLICIT = np.array(
    [
        [0.0, 0.0, 0.0, 0.0],
        [GAMMA, GAMMA, 0.0, 0.0],
        [2746238789719.0 / 10658868560708.0, -640167445237.0 / 6845629431997.0, GAMMA, 0.0],
        [
            1471266399579.0 / 7840856788654.0,
            -4482444167858.0 / 7529755066697.0,
            11266239266428.0 / 11593286722821.0,
            GAMMA,
        ],
    ]
)
WEIGHTS = IMPLICIT[3].copy()
EMBEDDED = np.array(
    [
        2756255671327.0 / 12835298489170.0,
        -10771552573575.0 / 22201958757719.0,
        9247589265047.0 / 10645013368117.0,
        2193209047091.0 / 5459859503100.0,
    ]
)
ERROR_WEIGHTS = WEIGHTS - EMBEDDED
STAGES = 4

# A step is accepted when the embedded estimate of its error is below this in every
# temperature, and below four times as much in the faces, which hold next to no heat.
# Chosen so that replayed runs stay within 5 mK of air against a reference at 1e-9; the
# tests print what is reached.
TOLERANCE_K = 5e-4
FACE_SHARE = 0.25
TOLERANCE_KG = 1e-7
# About where the explicit half would cease to damp the air and the quickest sensor.
LONGEST_STEP_S = 4.0
SHORTEST_STEP_S = 1.0 / 4096.0
ROUNDING_KG = 1e-15  # a mass that runs out may end this far below nothing


# Below this a step twice as long is tried.  The estimate of the faces grows 4.3 to 6.5 times with
# each doubling from 1/4 s to 4 s (measured in a slow window), not eight times.
GROWS_BELOW = 0.16
# What `advance` returns in place of a step when not even the shortest one is good.
FAILED_S = -1.0
# Density at which a missed frost volume counts as a missed mass [kg/m3]: a light frost's.
VOLUME_KG_PER_M3 = 100.0


@kernel
def error_ratio(plant, error):
    """Return the largest error of a trial step over its tolerance [-], every state counted."""
    # Four chains side by side; one long chain would wait for itself at every link.
    nodes = FACE_SHARE * max(abs(error[cabinet.COLD_FACE]), abs(error[cabinet.HOT_FACE]))
    nodes = max(nodes, max(abs(error[cabinet.HOT_SINK]), abs(error[cabinet.WALL_OUTER])))
    sensors = max(abs(error[cabinet.CONTROL_SENSOR]), abs(error[cabinet.HOT_SENSOR]))
    sensors = max(sensors, abs(error[cabinet.COLD_SENSOR]))
    air_k = error[cabinet.AIR_H] / (cabinet.dry_air_kg(plant) * cabinet.CP_DRY_AIR)
    sink_k = error[cabinet.COLD_SINK_H] / plant.cold_sink.heat_capacity_j_per_k
    wall_k = error[cabinet.WALL_INNER_H] / plant.envelope.inner_heat_capacity_j_per_k
    # By the lesser of the contents' two heat capacities.
    contents_k = error[cabinet.CONTENTS_H] / plant.contents.frozen_heat_capacity_j_per_k
    stores = max(max(abs(air_k), abs(sink_k)), max(abs(wall_k), abs(contents_k)))
    water = max(abs(error[cabinet.VAPOUR]), abs(error[cabinet.FROST]))
    water = max(water, max(abs(error[cabinet.SINK_WATER]), abs(error[cabinet.WALL_WATER])))
    water = max(water, VOLUME_KG_PER_M3 * abs(error[cabinet.FROST_VOLUME]))
    return max(max(max(nodes, sensors), stores) / TOLERANCE_K, water / TOLERANCE_KG)


@kernel
def try_step(plant, state, inputs, step_s, fresh, slopes, stage, trial, error, faces):
    """Write the state after one step of `step_s` [s] into `trial`, its error into `error`.

    `fresh` False: `state` and `inputs` are those of the trial before, only the step is shorter.
    `slopes` has shape (STAGES, STATES); `stage`, `trial` and `error` shape (STATES,);
    `faces`, how far each face is from its sink, shape (STAGES, 2).
    Third order; the error estimate is that of the embedded second-order formula.
    """
    mod = plant.module
    face = mod.face_heat_capacity_j_per_k
    cold_rate = -(mod.cold_contact_w_per_k + mod.conductance_w_per_k) / face
    hot_rate = -(mod.hot_contact_w_per_k + mod.conductance_w_per_k) / face
    cold_factor = 1.0 / (1.0 - step_s * GAMMA * cold_rate)
    hot_factor = 1.0 / (1.0 - step_s * GAMMA * hot_rate)
    for i in range(STAGES):
        if i == 0 and not fresh:
            continue  # a shorter step from the same state begins with the same slope
        for n in range(cabinet.PHYSICAL_STATES):
            stage[n] = state[n]
        for j in range(i):
            share_s = step_s * EXPLICIT[i, j]
            for n in range(cabinet.PHYSICAL_STATES):
                stage[n] += share_s * slopes[j, n]
        cold, hot = 0.0, 0.0
        for j in range(i):
            difference = IMPLICIT[i, j] - EXPLICIT[i, j]
            cold += difference * faces[j, 0]
            hot += difference * faces[j, 1]
        cold_sink_k = cabinet.cold_sink_temperature(plant, stage)
        hot_sink_k = stage[cabinet.HOT_SINK]
        if i > 0:
            stage[cabinet.COLD_FACE] += step_s * cold_rate * (cold - GAMMA * cold_sink_k)
            stage[cabinet.COLD_FACE] *= cold_factor
            stage[cabinet.HOT_FACE] += step_s * hot_rate * (hot - GAMMA * hot_sink_k)
            stage[cabinet.HOT_FACE] *= hot_factor
        faces[i, 0] = stage[cabinet.COLD_FACE] - cold_sink_k
        faces[i, 1] = stage[cabinet.HOT_FACE] - hot_sink_k
        cabinet.derivative(plant, stage, inputs, slopes[i])
    for n in range(cabinet.STATES):
        gain, miss = 0.0, 0.0
        for j in range(STAGES):
            gain += WEIGHTS[j] * slopes[j, n]
            miss += ERROR_WEIGHTS[j] * slopes[j, n]
        trial[n] = state[n] + step_s * gain
        error[n] = step_s * miss


@kernel
def _overdrawn(trial):
    """Tell whether a trial step took more water from somewhere than there was."""
    for part in cabinet.WATERS:
        if trial[part] < -ROUNDING_KG:
            return True
    return False


@kernel
def _finite(trial):
    """Tell whether all of a trial step are numbers: one that is none spoils the sum."""
    one, two = 0.0, 0.0  # side by side: a sum in a row waits each time
    for n in range(0, cabinet.STATES, 2):
        one += trial[n]
        two += trial[n + 1]
    return np.isfinite(one + two)


@kernel
def advance(plant, state, inputs, duration_s, step_hint_s, work):
    """Advance `state` in place by `duration_s` [s] and return the step to try next [s].

    Halves the step until the estimated error is within tolerance, and doubles it again
    when the error is far below.  When the shortest step is not good either, `state` stays
    at the last good one and FAILED_S is returned; `failed_part` then names the culprit.
    `work` is a `work_array`.
    """
    slopes = work[:STAGES]
    stage, trial, error = work[STAGES], work[STAGES + 1], work[STAGES + 2]
    faces = work[STAGES + 3 :, :2]
    left = duration_s
    step = step_hint_s
    if step <= 0.0:
        return FAILED_S  # it failed before: nothing is good from here on
    fresh = True
    while left > 1e-9:
        now = min(step, left)
        try_step(plant, state, inputs, now, fresh, slopes, stage, trial, error, faces)
        ratio = error_ratio(plant, error)
        # Written so that a ratio that is no number is no good either.
        if not (ratio <= 1.0) or not _finite(trial) or _overdrawn(trial):
            if now <= SHORTEST_STEP_S:
                return FAILED_S
            step = 0.5 * now
            fresh = False
            continue
        fresh = True
        for n in range(cabinet.STATES):
            state[n] = trial[n]
        for part in cabinet.WATERS:  # rounding would add up, and be taken for a mass overdrawn
            state[part] = max(state[part], 0.0)
        left -= now
        if ratio < GROWS_BELOW and now >= step:
            step = min(2.0 * step, LONGEST_STEP_S)
    return step


def failed_part(plant: np.record, state: np.ndarray, work: np.ndarray) -> tuple[int, bool]:
    """Return (index of the state at which `advance` failed, whether it was still a number)."""
    trial, error = work[STAGES + 1], work[STAGES + 2]
    lost = np.flatnonzero(~np.isfinite(trial))
    if lost.size:
        return int(lost[0]), False
    ratios = np.zeros(cabinet.PHYSICAL_STATES)
    for part in range(cabinet.PHYSICAL_STATES):
        alone = np.zeros(cabinet.STATES)
        alone[part] = error[part]
        ratios[part] = error_ratio(plant, alone)
    overdrawn = [part for part in cabinet.WATERS if trial[part] < -ROUNDING_KG]
    if ratios.max() <= 1.0 and overdrawn:
        return int(overdrawn[0]), True
    return int(ratios.argmax()), True


def work_array() -> np.ndarray:
    """Return scratch space for `advance`, allocated once per run."""
    return np.zeros((2 * STAGES + 3, cabinet.STATES))

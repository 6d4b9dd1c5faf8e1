"""The cabinet for small changes about a steady state: a linear plant from duty to reading.

Frost is frozen (its mass stays), contents do not freeze, and the slopes are taken on one
side of every threshold: one plant is dry, wet or frosting, never between.  Tuning takes
several of them, over duties, ambients and regimes, and lets the worst decide.

The slopes are exact: dual numbers (`plant.dual`) go through the plant's own right-hand side.
Richardson's differences of the compiled one stand beside them as a check.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plant import cabinet, drive, frost, heat_sinks, moist_air, sensors, steady
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.dual import Dual, plain, plain_record
from plant.steady import Operating

Array = NDArray[np.float64]

STATE_NAMES = (
    "cold_face_k", "hot_face_k", "hot_sink_k", "cold_sink_k", "air_k", "wall_inner_k",
    "wall_outer_k", "contents_k", "air_humidity_g_per_kg", "control_sensor_k",
)  # fmt: skip
COLD_FACE, HOT_FACE, HOT_SINK, COLD_SINK, AIR = range(5)
WALL_INNER, WALL_OUTER, CONTENTS, HUMIDITY, READING = range(5, 10)

DRY, WET, FROSTING = "dry", "wet", "frosting"

# Steps tried for the differences [K, g/kg]; the best of them is kept.  A large one is cut
# short by thresholds, a small one by rounding.
STEPS = (1e-2, 1e-3, 1e-4)
DUTY_STEP = 1e-3
# At duty 0 and 1 the slope of the side within range: taken this far inside [-].
INSIDE = 1e-9


@dataclass(frozen=True, eq=False)
class LinearPlant:
    """dx/dt = A x + B u, reading = C x + D u, for changes from an operating point.

    Attributes
    ----------
    A, B, C, D : ndarray, shapes (n, n), (n, 1), (1, n), (1, 1)
        x in K (humidity in g/kg), u the duty from 0 to 1 [-], the reading in K.
    state_names : tuple of str
        Names of x with units.
    duty, ambient_k : float
        Of the operating point [-, K].
    regime : str
        "dry", "wet" or "frosting": what the cold sink does there.
    reading_k : float
        True temperature at the control sensor there [K].
    cold_sink_j_per_k : float
        Heat capacity of the cold sink with its frost and water [J/K].
    supply_v : float
        Supply voltage there [V]; 0 where none is told.
    """

    A: Array
    B: Array
    C: Array
    D: Array
    state_names: tuple[str, ...]
    duty: float
    ambient_k: float
    regime: str = DRY
    reading_k: float = 0.0
    cold_sink_j_per_k: float = 0.0
    supply_v: float = 0.0


def sensed_temperature_k(plant: Plant, op: Operating) -> float:
    """Return the temperature at the control sensor's place [K]."""
    at = {sensors.AIR: op.air_k, sensors.COLD_SINK: op.cold_sink_k, sensors.CONTENTS: op.contents_k}
    return at[plant.control_sensor.place]


def temperatures_of(record: Any, state: Array) -> Array:
    """Return the ten states of `STATE_NAMES`, shape (10,), that a plant state holds."""
    return np.array(
        [
            state[cabinet.COLD_FACE],
            state[cabinet.HOT_FACE],
            state[cabinet.HOT_SINK],
            cabinet.cold_sink_temperature(record, state),
            cabinet.air_temperature(record, state),
            cabinet.wall_inner_temperature(record, state),
            state[cabinet.WALL_OUTER],
            cabinet.contents_temperature(record, state),
            1e3 * state[cabinet.VAPOUR] / cabinet.dry_air_kg(record),
            state[cabinet.CONTROL_SENSOR],
        ]
    )


@dataclass(frozen=True)
class _Physics:
    """The plant's functions that the rates call: compiled, or twins that take dual numbers."""

    derivative: Callable[..., Any]
    dry_air_kg: Callable[..., Any]
    set_air: Callable[..., Any]
    set_cold_sink: Callable[..., Any]
    set_wall_inner: Callable[..., Any]
    vapour_enthalpy: Callable[..., Any]


def _physics(form: Callable[[Any], Any]) -> _Physics:
    return _Physics(
        form(cabinet.derivative), form(cabinet.dry_air_kg), form(cabinet.set_air),
        form(cabinet.set_cold_sink), form(cabinet.set_wall_inner),
        form(moist_air.vapour_enthalpy),
    )  # fmt: skip


COMPILED, EXACT = _physics(lambda function: function), _physics(plain)


def state_of(record: Any, around: Array, x: Array, physics: _Physics = COMPILED) -> Array:
    """Return the plant state with the temperatures `x`, and frost and water of `around`."""
    state = around.astype(x.dtype)
    state[cabinet.COLD_FACE], state[cabinet.HOT_FACE] = x[COLD_FACE], x[HOT_FACE]
    state[cabinet.HOT_SINK], state[cabinet.WALL_OUTER] = x[HOT_SINK], x[WALL_OUTER]
    physics.set_cold_sink(record, state, x[COLD_SINK])
    physics.set_air(record, state, x[AIR], 1e-3 * x[HUMIDITY])
    physics.set_wall_inner(record, state, x[WALL_INNER])
    # Contents that stay liquid: one straight line through the freezing point.
    rise = x[CONTENTS] - record.contents.freezing_k
    state[cabinet.CONTENTS_H] = rise * record.contents.heat_capacity_j_per_k
    state[cabinet.CONTROL_SENSOR] = x[READING]
    return state


def cold_sink_capacity(record: Any, state: Array) -> float:
    """Return the heat capacity of the cold sink with its frost and water [J/K]."""
    return float(
        record.cold_sink.heat_capacity_j_per_k
        + state[cabinet.FROST] * moist_air.CP_ICE
        + state[cabinet.SINK_WATER] * moist_air.CP_LIQUID
    )


def rates(
    record: Any, inputs: Array, around: Array, x: Array, physics: _Physics = COMPILED
) -> Array:
    """Return dx/dt, shape (10,), by the chain rule from the plant's enthalpy rates.

    With `physics` EXACT, `x` and `inputs` may hold dual numbers (dtype object).
    """
    state = state_of(record, around, x, physics)
    slope = np.zeros_like(state)
    physics.derivative(record, state, inputs, slope)
    dry_kg = physics.dry_air_kg(record)
    air_j_per_k = dry_kg * moist_air.CP_DRY_AIR + state[cabinet.VAPOUR] * moist_air.CP_VAPOUR
    air_w = slope[cabinet.AIR_H] - slope[cabinet.VAPOUR] * physics.vapour_enthalpy(x[AIR])
    wall_j_per_k = record.envelope.inner_heat_capacity_j_per_k + state[cabinet.WALL_WATER] * (
        moist_air.CP_LIQUID if x[WALL_INNER] >= ZERO_C_K else moist_air.CP_ICE
    )
    return np.array(
        [
            slope[cabinet.COLD_FACE],
            slope[cabinet.HOT_FACE],
            slope[cabinet.HOT_SINK],
            slope[cabinet.COLD_SINK_H] / cold_sink_capacity(record, around),
            air_w / air_j_per_k,
            slope[cabinet.WALL_INNER_H] / wall_j_per_k,
            slope[cabinet.WALL_OUTER],
            slope[cabinet.CONTENTS_H] / record.contents.heat_capacity_j_per_k,
            1e3 * slope[cabinet.VAPOUR] / dry_kg,
            slope[cabinet.CONTROL_SENSOR],
        ]
    )


def exact_jacobian(record: Any, op_state: Array, inputs: Array) -> Array:
    """Return the matrix [A B], shape (10, 11), of the right-hand side without any step.

    One run of the uncompiled right-hand side on dual numbers; a second one where duty or a fan
    on its wires is 0 or 1, for the slope by duty on the side within range.
    """
    centre = temperatures_of(record, op_state)
    size = centre.size + 1
    unit, parts = np.eye(size), plain_record(record)
    x = np.array([Dual(value, unit[n]) for n, value in enumerate(centre)], dtype=object)
    moved = (cabinet.DUTY, *_fans_with_duty(record))

    def slopes(around: dict[int, float]) -> Array:
        driven = np.array([float(value) for value in inputs], dtype=object)
        for index, value in around.items():
            driven[index] = Dual(value, unit[-1])
        found = rates(parts, driven, op_state, x, EXACT)
        # A rate that depends on nothing here is a plain number.
        return np.array([getattr(item, "slopes", np.zeros(size)) for item in found])

    at = {index: float(inputs[index]) for index in moved}
    inside = {index: min(max(value, INSIDE), 1.0 - INSIDE) for index, value in at.items()}
    matrix = slopes(at)
    if inside != at:
        matrix[:, -1] = slopes(inside)[:, -1]
    return matrix


def _fans_with_duty(record: Any) -> list[int]:
    """Return the fans that follow the duty, as inputs.

    A fan on the wires of a relay-switched module turns for the relay's share of the time.
    """
    sinks = ((cabinet.HOT_FAN, record.hot_sink), (cabinet.COLD_FAN, record.cold_sink))
    return [
        index
        for index, sink in sinks
        if record.drive.kind == drive.RELAY and sink.fan_wiring == heat_sinks.WITH_MODULE
    ]


def difference(
    function: Callable[[float], Array], step: float, low: float = -np.inf, high: float = np.inf
) -> tuple[Array, Array]:
    """Return (slope at 0, estimate of its error) of `function`, by Richardson's rule.

    Two second-order differences with `step` and half of it; central, or one-sided where
    `low` or `high` is nearer than the step (textbook).
    """

    def slope(h: float) -> Array:
        if -h >= low and h <= high:
            return (function(h) - function(-h)) / (2.0 * h)
        side = h if h <= high else -h
        return (4.0 * function(side) - function(2.0 * side) - 3.0 * function(0.0)) / (2.0 * side)

    coarse, fine = slope(step), slope(0.5 * step)
    correction = (fine - coarse) / 3.0
    return fine + correction, np.abs(correction)


def difference_jacobian(
    record: Any, op_state: Array, inputs: Array, step: float
) -> tuple[Array, Array]:
    """Return (matrix [A B], error of its entries), both of shape (10, 11)."""
    centre = temperatures_of(record, op_state)
    columns = []
    for j in range(centre.size):
        unit = np.zeros(centre.size)
        unit[j] = 1.0

        def moved(h: float, unit: Array = unit) -> Array:
            return rates(record, inputs, op_state, centre + h * unit)

        # The air cannot hold less than no vapour.
        low = -centre[HUMIDITY] if j == HUMIDITY else -np.inf
        columns.append(difference(moved, step, low))

    def driven(h: float) -> Array:
        changed = inputs.copy()
        for index in (cabinet.DUTY, *_fans_with_duty(record)):
            changed[index] += h
        return rates(record, changed, op_state, centre)

    duty = float(inputs[cabinet.DUTY])
    columns.append(difference(driven, DUTY_STEP, -duty, 1.0 - duty))
    return np.column_stack([c[0] for c in columns]), np.column_stack([c[1] for c in columns])


def deviation(matrix: Array, other: Array) -> float:
    """Return the largest difference of two matrices, relative to the largest entry of its row."""
    row = np.max(np.abs(matrix), axis=1, keepdims=True)
    return float(np.max(np.abs(matrix - other) / np.maximum(row, 1e-12)))


def differences(record: Any, state: Array, inputs: Array) -> Array:
    """Return [A B] by differences of the compiled right-hand side, with the best of `STEPS`."""
    trials = [difference_jacobian(record, state, inputs, step) for step in STEPS]
    return min(trials, key=lambda trial: deviation(trial[0], trial[0] - trial[1]))[0]


def regime_of(record: Any, state: Array, inputs: Array) -> str:
    """Return what the cold sink does in a state with frozen frost: "dry", "wet", "frosting"."""
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    if slope[cabinet.WATER_OUT] <= 0.0:
        return DRY
    film, frost_layer = cabinet.cold_sink_film(record, state, inputs[cabinet.COLD_FAN])
    sink_k = cabinet.cold_sink_temperature(record, state)
    air_k = cabinet.air_temperature(record, state)
    air_w = state[cabinet.VAPOUR] / cabinet.dry_air_kg(record)
    surface_k = frost.surface_temperature(
        film, frost_layer, air_k, air_w, sink_k, 0.0, record.climate.pressure_pa
    )
    return FROSTING if frost.ice_share(surface_k) > 0.5 else WET


def _frozen(
    plant: Plant, op: Operating, hot_fan: float | None = None, cold_fan: float | None = None
) -> tuple[Any, Array, Array]:
    """Return (record, state, inputs) that the slopes are taken at: frost and contents frozen."""
    record = cabinet.to_record(steady.without_freezing(plant))
    inputs = op.inputs.copy()
    inputs[cabinet.FROST_FROZEN] = 1.0
    for index, fan in ((cabinet.HOT_FAN, hot_fan), (cabinet.COLD_FAN, cold_fan)):
        if fan is not None:
            inputs[index] = fan
    state = op.state.copy()
    # `steady` leaves the sensor's lag out.
    state[cabinet.CONTROL_SENSOR] = sensed_temperature_k(plant, op)
    return record, state, inputs


def difference_error(plant: Plant, op: Operating) -> float:
    """Return how far the exact slopes are from differences of the compiled right-hand side.

    The largest entry's, relative to the largest in its row [-]: two ways to the same slopes,
    so mostly the differences' own error (1e-12 to 1e-9 away from thresholds).
    """
    at = _frozen(plant, op)
    return deviation(exact_jacobian(*at), differences(*at))


def linear_plant(
    plant: Plant, op: Operating, hot_fan: float | None = None, cold_fan: float | None = None
) -> LinearPlant:
    """Return the plant for small changes about an operating point.

    Parameters
    ----------
    plant : Plant
    op : Operating
        From `plant.steady.operating_point`; its state may carry frost.
    hot_fan, cold_fan : float, optional
        Fans [0 to 1] where they differ from those of `op`.

    Returns
    -------
    LinearPlant
        States of `STATE_NAMES`, one input (duty), one output (the control sensor's own
        temperature).  At duty 0 and 1 the slope of the side within range is taken.
    """
    record, state, inputs = _frozen(plant, op, hot_fan, cold_fan)
    reading_k = state[cabinet.CONTROL_SENSOR]
    matrix = exact_jacobian(record, state, inputs)
    if not np.all(np.isfinite(matrix)):
        raise ArithmeticError("the plant's slopes are not finite at this operating point")
    count = len(STATE_NAMES)
    output = np.zeros((1, count))
    output[0, READING] = 1.0
    return LinearPlant(
        A=matrix[:, :count],
        B=matrix[:, count:],
        C=output,
        D=np.zeros((1, 1)),
        state_names=STATE_NAMES,
        duty=op.duty,
        ambient_k=op.ambient_k,
        regime=regime_of(record, state, inputs),
        reading_k=reading_k,
        cold_sink_j_per_k=cold_sink_capacity(record, state),
        supply_v=plant.drive.supply_v,
    )


def steady_gain_k_per_duty(linear: LinearPlant) -> float:
    """Return how far the reading falls in the end for one unit of duty [K]: C A^-1 B.

    It shrinks as duty rises; with a smoothed current it turns negative beyond the duty of
    most cooling, where more only heats: no controller may be let in there.
    """
    return float((linear.C @ np.linalg.solve(linear.A, linear.B) - linear.D)[0, 0])


def short_term_gain_w_per_duty(linear: LinearPlant) -> float:
    """Return the heat taken from the cold sink [W per unit duty] with both sinks frozen.

    The two faces settle within a second; what they then draw through the cold joint is
    the gain that a controller meets at crossover.  A reading of the air cannot move
    while the sinks are held, so this gain is one of heat.
    """
    faces = [linear.state_names.index("cold_face_k"), linear.state_names.index("hot_face_k")]
    sink = linear.state_names.index("cold_sink_k")
    settled = -np.linalg.solve(linear.A[np.ix_(faces, faces)], linear.B[faces])
    rate = linear.A[sink, faces] @ settled + linear.B[sink]
    return float(-rate[0] * linear.cold_sink_j_per_k)


def largest_fall_k_per_duty(linear: LinearPlant) -> float:
    """Return the most that the reading ever falls after a step [K per unit duty].

    The steady gain, or more where the hot side warms up later; infinite where the plant is
    unstable.
    """
    slowest = time_constants_s(linear)
    if not np.all((slowest > 0.0) & np.isfinite(slowest)):
        return np.inf
    times = np.geomspace(slowest[0], 10.0 * slowest[-1], 40)
    return float(max(np.max(step_response(linear, times)), steady_gain_k_per_duty(linear)))


def time_constants_s(linear: LinearPlant) -> Array:
    """Return the time constants [s], fastest first; infinite or negative ones mean unstable."""
    poles = np.linalg.eigvals(linear.A)
    with np.errstate(divide="ignore"):
        return np.sort(-1.0 / poles.real)


def step_response(linear: LinearPlant, t: Array) -> Array:
    """Return the fall of the reading [K] at the times `t` [s] after a unit step of duty."""
    from scipy.linalg import expm

    count = linear.A.shape[0]
    joined = np.zeros((count + 1, count + 1))
    joined[:count, :count], joined[:count, count:] = linear.A, linear.B
    grown = expm(np.asarray(t, dtype=float)[:, None, None] * joined)
    return -(grown[:, :count, count] @ linear.C[0]) - linear.D[0, 0]


def frequency_response(linear: LinearPlant, omega: Array, delay_s: float = 0.0) -> NDArray[Any]:
    """Return the fall of the reading per unit duty, complex, at `omega` [rad/s]."""
    s = 1j * np.asarray(omega, dtype=float)
    eye = np.eye(linear.A.shape[0])
    inner = np.linalg.solve(s[:, None, None] * eye - linear.A, linear.B.astype(complex))
    response = -(linear.C @ inner + linear.D)[:, 0, 0]
    return response * np.exp(-s * delay_s)


def sampled_matrices(
    linear: LinearPlant, period_s: float, delay_s: float
) -> tuple[Array, Array, Array, int]:
    """Return (Phi, Gamma now, Gamma before, whole samples of delay) of the sampled plant.

    Zero-order hold with a dead time of n periods and a fraction f of one: of the duty
    that reaches the plant, the older one holds for f, the newer one for the rest
    (Astrom and Wittenmark, Computer-Controlled Systems, sampling of systems with delay).
    """
    from scipy.linalg import expm

    if period_s <= 0.0 or delay_s < 0.0:
        raise ValueError(f"period_s = {period_s}, delay_s = {delay_s}: expected above 0 s, 0 s up")
    whole = int(np.floor(delay_s / period_s + 1e-9))
    part = max(delay_s - whole * period_s, 0.0)
    count = linear.A.shape[0]
    joined = np.zeros((count + 1, count + 1))
    joined[:count, :count], joined[:count, count:] = linear.A, linear.B
    last, first = expm(joined * (period_s - part)), expm(joined * part)
    phi = last[:count, :count] @ first[:count, :count]
    return phi, last[:count, count:], last[:count, :count] @ first[:count, count:], whole


def sampled(linear: LinearPlant, period_s: float, delay_s: float) -> Any:
    """Return the sampled plant from duty to reading as a discrete `control.StateSpace`.

    Parameters
    ----------
    linear : LinearPlant
    period_s : float
        Control period [s].
    delay_s : float
        From the moment of the reading to the change of duty [s]: age of the reading,
        computing tick, half of a slow window.  Whole periods become delay states, the
        fraction is exact.
    """
    import control

    phi, now, before, whole = sampled_matrices(linear, period_s, delay_s)
    count = phi.shape[0]
    # Chain of held duties: the first holds u[k-1], the last u[k-whole-1].
    chain = whole + 1
    size = count + chain
    a, b = np.zeros((size, size)), np.zeros((size, 1))
    a[:count, :count] = phi
    a[:count, count + chain - 1 :] = before
    if whole == 0:
        b[:count] = now
    else:
        a[:count, count + chain - 2 : count + chain - 1] = now
    b[count, 0] = 1.0
    for i in range(1, chain):
        a[count + i, count + i - 1] = 1.0
    c = np.hstack([linear.C, np.zeros((1, chain))])
    return control.StateSpace(a, b, c, linear.D, period_s, remove_useless_states=False)


def sampled_response(
    linear: LinearPlant, period_s: float, delay_s: float, omega: Array
) -> NDArray[Any]:
    """Return the sampled plant's fall of the reading per unit duty at `omega` [rad/s].

    The same system as `sampled`, with the delay as a power of z instead of states.
    """
    phi, now, before, whole = sampled_matrices(linear, period_s, delay_s)
    z = np.exp(1j * np.asarray(omega, dtype=float) * period_s)
    right = now[None] + before[None] / z[:, None, None]
    inner = np.linalg.solve(z[:, None, None] * np.eye(phi.shape[0]) - phi, right)
    return -(linear.C @ inner + linear.D)[:, 0, 0] / z**whole

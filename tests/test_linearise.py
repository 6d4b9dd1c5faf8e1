"""The linear plant against the nonlinear one, closed forms and python-control."""

from dataclasses import replace

import lumped
import numpy as np
import pytest
from scipy.optimize import fsolve

from ctrl import linearise
from ctrl.build import at_ambient, plant_of
from ctrl.capability import at_duty
from ctrl.config import load_config
from ctrl.shipped import shipped_names
from plant import cabinet, drive, integrate, sensors, steady
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0
# (humidity ratio, duty) of one operating point in each regime of the invented cabinet
REGIMES = {"dry": (0.003, 0.4), "wet": (0.012, 0.4), "frosting": (0.010, 0.9)}


def in_air_of(plant, ratio):
    return replace(plant, climate=replace(plant.climate, humidity_ratio=ratio))


def seen_by(plant, place):
    return replace(plant, control_sensor=replace(plant.control_sensor, place=place))


@pytest.fixture(params=sorted(REGIMES))
def case(request, example_plant):
    """(plant, operating point, linear plant) in each regime."""
    ratio, duty = REGIMES[request.param]
    plant = in_air_of(example_plant, ratio)
    op = steady.operating_point(plant, duty, AMBIENT_K)
    return plant, op, linearise.linear_plant(plant, op), request.param


def test_the_regime_is_that_of_the_operating_point(case):
    _, op, linear, regime = case
    assert linear.regime == regime
    assert (op.water_kg_per_day > 1e-9) == (regime != "dry")


def test_exact_slopes_are_those_of_differences(case):
    """Two ways: dual numbers uncompiled, Richardson's differences of the compiled kernels."""
    plant, op, _, _ = case
    assert 0.0 < linearise.difference_error(plant, op) < 1e-8


def test_a_settled_cabinet_is_stable_on_its_own(case):
    linear = case[2]
    constants = linearise.time_constants_s(linear)
    assert np.all(constants > 0.0) and np.all(np.isfinite(constants))
    assert constants[0] < 1.0  # ceramic faces
    assert constants[-1] > 2e4  # contents: 25200 J/K over about 1 W/K of leak


@pytest.mark.parametrize(("low", "high", "allowed"), [
    (-np.inf, np.inf, 2e-6), (0.0, np.inf, 2e-4), (-np.inf, 0.0, 2e-4),
])  # fmt: skip
def test_differences_are_of_the_order_richardson_promises(low, high, allowed):
    """exp has slope 1 at 0; step 0.1: central h^4/480 = 2e-7 left, one-sided some h^3/10."""
    slope, error = linearise.difference(lambda h: np.array([np.exp(h)]), 0.1, low, high)
    assert slope[0] == pytest.approx(1.0, abs=allowed)
    assert abs(slope[0] - 1.0) < error[0] < 2e-3


def test_rates_are_those_of_the_temperatures_by_the_chain_rule(case):
    """Away from steady, the temperatures of a state moved along the plant's own slopes.

    A short step along d(state)/dt, temperatures read before and after: no chain rule.
    """
    plant, op, _, _ = case
    record = cabinet.to_record(steady.without_freezing(plant))
    x = linearise.temperatures_of(record, op.state)
    x[linearise.AIR] += 2.0
    x[linearise.HUMIDITY] *= 1.1
    state = linearise.state_of(record, op.state, x)
    assert linearise.temperatures_of(record, state) == pytest.approx(x, abs=1e-9)
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, op.inputs, slope)
    slope[cabinet.WALL_WATER] = 0.0  # frozen, as the frost is
    moved = [linearise.temperatures_of(record, state + s * 1e-3 * slope) for s in (-1.0, 1.0)]
    expected = (moved[1] - moved[0]) / 2e-3
    found = linearise.rates(record, op.inputs, op.state, x)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_steady_gain_is_the_slope_of_the_steady_states(case):
    """Difference of two independent steady states 0.01 of duty apart; within 0.1 %."""
    plant, op, linear, _ = case

    def air_k(duty):
        return steady.operating_point(plant, duty, AMBIENT_K, start=op.state).air_k

    slope = (air_k(op.duty - 0.005) - air_k(op.duty + 0.005)) / 0.01
    assert linearise.steady_gain_k_per_duty(linear) == pytest.approx(slope, rel=1e-3)


def test_a_small_step_of_duty_follows_the_nonlinear_plant(case):
    """`integrate.advance` on the whole plant, duty up 0.02: reading within 1 % of the step."""
    plant, op, linear, regime = case
    record = cabinet.to_record(steady.without_freezing(plant))
    state, inputs = op.state.copy(), op.inputs.copy()
    state[cabinet.CONTROL_SENSOR] = linear.reading_k
    inputs[cabinet.DUTY] += 0.02
    times = np.array([30.0, 60.0, 180.0, 600.0, 1800.0, 7200.0])
    work, hint, before, falls = integrate.work_array(), 1.0, 0.0, []
    for time_s in times:
        hint = integrate.advance(record, state, inputs, time_s - before, hint, work)
        before = time_s
        falls.append(linear.reading_k - state[cabinet.CONTROL_SENSOR])
    predicted = 0.02 * linearise.step_response(linear, times)
    deviation = np.max(np.abs(predicted - falls)) / falls[-1]
    assert falls[-1] > 0.05  # a step worth seeing
    assert deviation < 0.01, f"{regime}: {100 * deviation:.3f} % of the step, limit 1 %"


def test_step_response_ends_at_the_steady_gain(case):
    linear = case[2]
    end = linearise.step_response(linear, np.array([1e7]))[0]
    assert end == pytest.approx(linearise.steady_gain_k_per_duty(linear), rel=1e-6)


def test_short_term_gain_is_the_module_between_two_held_sinks(case):
    """Face temperatures solved anew from the module's equations at two duties; within 0.1 %."""
    plant, op, linear, _ = case
    mod, record = plant.module, cabinet.to_record(plant)

    def drawn_w(duty):
        def balance(faces):
            cold_k, hot_k = faces
            mean, square, _ = drive.mean_currents(
                record.drive, mod.seebeck_v_per_k, mod.resistance_ohm, duty, hot_k - cold_k
            )
            args = (mod.seebeck_v_per_k, mod.resistance_ohm)
            cooling = lumped.cold_heat(*args, mod.conductance_w_per_k, mean, square, cold_k, hot_k)
            power = lumped.electrical_power(*args, mean, square, cold_k, hot_k)
            return (
                mod.cold_contact_w_per_k * (op.cold_sink_k - cold_k) - cooling,
                cooling + power - mod.hot_contact_w_per_k * (hot_k - op.hot_sink_k),
            )

        cold_k, _ = fsolve(balance, (op.cold_face_k, op.hot_face_k), xtol=1e-12)
        return mod.cold_contact_w_per_k * (op.cold_sink_k - cold_k)

    slope = (drawn_w(op.duty + 0.01) - drawn_w(op.duty - 0.01)) / 0.02
    assert linearise.short_term_gain_w_per_duty(linear) == pytest.approx(slope, rel=1e-3)


def test_gain_turns_negative_beyond_the_duty_of_most_cooling(example_plant):
    """3.5 A of smooth current into a weak hot sink: in the end more only heats.

    With the sinks held the module still draws more heat, so the reading first goes down:
    no controller can tell in time.
    """
    plant = in_air_of(example_plant, 0.003)
    weak = replace(
        plant,
        drive=replace(plant.drive, kind=drive.CURRENT),
        hot_sink=replace(plant.hot_sink, fan_w_per_k=1.2),
    )
    gains, short = [], []
    for duty in (0.1, 0.7):
        linear = linearise.linear_plant(weak, steady.operating_point(weak, duty, AMBIENT_K))
        gains.append(linearise.steady_gain_k_per_duty(linear))
        short.append(linearise.short_term_gain_w_per_duty(linear))
    assert gains[0] > 0.0 > gains[1]
    assert min(short) > 0.0


@pytest.mark.parametrize("duty", [0.0, 1.0])
def test_slopes_at_the_ends_of_the_duty_are_those_of_the_side_within(example_plant, duty):
    """The gain at the end is the limit of the gain just inside; 1 % over 0.01 of duty."""
    plant = in_air_of(example_plant, 0.003)
    inside = duty + (0.01 if duty == 0.0 else -0.01)
    gains = [
        linearise.short_term_gain_w_per_duty(
            linearise.linear_plant(plant, steady.operating_point(plant, d, AMBIENT_K))
        )
        for d in (duty, inside)
    ]
    assert gains[0] == pytest.approx(gains[1], rel=0.01)


def test_frost_on_the_sink_is_carried_and_slows_it(example_plant):
    """30 g at 200 kg/m3: heat capacity up by 30 g of ice at 2090 J/(kg K), gain down."""
    plant = in_air_of(example_plant, 0.010)
    clean_op = steady.operating_point(plant, 0.9, AMBIENT_K)
    state = clean_op.state.copy()
    state[cabinet.FROST], state[cabinet.FROST_VOLUME] = 0.03, 0.03 / 200.0
    record = cabinet.to_record(steady.without_freezing(plant))
    cabinet.set_cold_sink(record, state, clean_op.cold_sink_k)
    frosted_op = steady.operating_point(plant, 0.9, AMBIENT_K, start=state)
    clean = linearise.linear_plant(plant, clean_op)
    frosted = linearise.linear_plant(plant, frosted_op)
    gained = frosted.cold_sink_j_per_k - clean.cold_sink_j_per_k
    assert gained == pytest.approx(0.03 * 2090.0)
    early = np.array([120.0])
    assert (
        linearise.step_response(frosted, early)[0] < 0.9 * linearise.step_response(clean, early)[0]
    )


def test_the_reading_is_taken_at_the_sensor(example_plant):
    """Seen on the cold sink a step comes first and largest, in the contents last."""
    plant = in_air_of(example_plant, 0.003)
    falls = {}
    for name, place in sensors.PLACES.items():
        placed = seen_by(plant, place)
        op = steady.operating_point(placed, 0.4, AMBIENT_K)
        linear = linearise.linear_plant(placed, op)
        assert linear.reading_k == linearise.sensed_temperature_k(placed, op)
        falls[name] = linearise.step_response(linear, np.array([300.0]))[0]
    assert falls["cold_sink"] > 1.5 * falls["air"] > 15.0 * falls["contents"] > 0.0


@pytest.mark.parametrize(("period_s", "delay_s"), [(1.0, 0.0), (1.0, 1.0), (2.0, 5.0), (5.0, 7.3)])
def test_sampling_with_a_fraction_of_a_period_of_delay_is_exact(case, period_s, delay_s):
    """A held step is a step: at the samples it is the continuous step, later by the delay."""
    control = pytest.importorskip("control")
    linear = case[2]
    count = 60
    model = linearise.sampled(linear, period_s, delay_s)
    times = np.arange(count) * period_s
    _, reached = control.forced_response(model, times, np.ones(count))
    since = times - delay_s
    exact = np.zeros(count)
    exact[since > 0.0] = linearise.step_response(linear, since[since > 0.0])
    assert -reached == pytest.approx(exact, abs=1e-9 * abs(exact[-1]))


def test_both_forms_of_the_sampled_plant_agree(case):
    """Delay as states (python-control) and as a power of z: same response."""
    linear = case[2]
    omega = np.geomspace(1e-5, np.pi / 2.0, 200)
    model = linearise.sampled(linear, 2.0, 7.3)
    ours = linearise.sampled_response(linear, 2.0, 7.3, omega)
    assert -model(np.exp(2j * omega)) == pytest.approx(ours, rel=1e-6)


def test_a_negative_delay_is_refused(case):
    with pytest.raises(ValueError, match="delay_s"):
        linearise.sampled(case[2], 1.0, -0.5)


@pytest.fixture(scope="module", params=shipped_names())
def shipped(request):
    config = load_config(request.param)
    return at_ambient(plant_of(config), config.climate.worst_c, 80.0), config.climate.worst_c


@pytest.mark.parametrize("duty", [0.3, 0.7, 1.0])
def test_slopes_of_every_shipped_cabinet_are_exact(shipped, duty):
    """Dual numbers against the best of three steps of differences, within 1e-8 of a row."""
    plant, room_c = shipped
    op = at_duty(plant, duty, room_c + ZERO_C_K)
    assert linearise.difference_error(plant, op) < 1e-8


def test_exact_slopes_where_differences_cannot_tell(example_plant):
    """Contents 1e-6 K below a threshold: differences straddle it, dual numbers do not.

    The walls' own water freezes at 0 °C, and their heat capacity halves there (CP_ICE for
    CP_LIQUID): exact slopes are those far off on the same side.
    """
    op = steady.operating_point(in_air_of(example_plant, 0.003), 0.4, AMBIENT_K)
    record, state, inputs = linearise._frozen(example_plant, op)
    state[cabinet.WALL_WATER] = 0.2

    def of(above_k):
        cabinet.set_wall_inner(record, state, ZERO_C_K + above_k)
        return linearise.exact_jacobian(record, state, inputs)

    at_edge, off, other = of(-1e-6), of(-1e-3), of(1e-3)
    assert at_edge == pytest.approx(off, rel=2e-4, abs=1e-6)
    row = linearise.WALL_INNER
    assert abs(at_edge[row, row] / other[row, row] - 1.0) > 0.1

"""Margins, tuning rules, relay test, the simple thermostat cycle, and the PI tuner.

Plants of the published rows: y/u = K e^(-theta s)/(tau s + 1), y a fall in K, u duty.
"""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from ctrl import first_order, linearise, margins, pi, tuning
from plant import cabinet, drive, integrate, steady
from plant.compiled import array_kernel
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0


def lag(gain_k, tau_s):
    """Return a first-order plant; its dead time goes in as the loop's delay."""
    return linearise.LinearPlant(
        A=np.array([[-1.0 / tau_s]]), B=np.array([[-gain_k / tau_s]]), C=np.eye(1),
        D=np.zeros((1, 1)), state_names=("reading_k",), duty=0.5, ambient_k=AMBIENT_K,
    )  # fmt: skip


def continuous_margins(model, kp_pct_per_k, ti_s):
    """Return the margins of continuous PI on first order with exact delay."""
    theta = model.dead_time_s
    omega = np.unique(
        np.concatenate(
            [np.geomspace(1e-9 / theta, 60.0 / theta, 9000), np.linspace(0.01, 60.0, 6000) / theta]
        )
    )
    controller = 0.01 * kp_pct_per_k * (1.0 + 1.0 / (1j * omega * ti_s))
    return margins.margins_of(omega, first_order.first_order_response(model, omega) * controller)


# SIMC -------------------------------------------------------------------------------------

# Skogestad 2003, SIMC with tau_c = theta: published 3.14, 61.4 deg, 1.59 (Ti = tau) and
# 2.96, 46.9 deg, 1.70 (integrating); the other rows are computed from the same loops.
# (tau_c/theta, GM, PM deg, Ms, delay error over theta) with Ti = tau
SIMC_LAG = [
    (0.5, 2.356, 51.80, 1.917, 1.36), (1.0, 3.142, 61.35, 1.590, 2.14),
    (1.5, 3.927, 67.08, 1.438, 2.93), (2.0, 4.712, 70.90, 1.349, 3.71),
    (3.0, 6.283, 75.68, 1.249, 5.28), (4.0, 7.854, 78.54, 1.194, 6.85),
]  # fmt: skip
# (tau_c/theta, GM, PM deg, Ms) on an integrator, Ti = 4 (tau_c + theta)
SIMC_INTEGRATOR = [
    (0.5, 2.171, 37.04, 2.175), (1.0, 2.963, 46.86, 1.704), (1.5, 3.753, 52.76, 1.504),
    (2.0, 4.541, 56.69, 1.393), (3.0, 6.115, 61.60, 1.274), (4.0, 7.687, 64.55, 1.211),
]  # fmt: skip


@pytest.mark.parametrize(("ratio", "gm", "pm", "ms", "delay"), SIMC_LAG)
def test_simc_margins_with_the_integral_time_of_the_lag(ratio, gm, pm, ms, delay):
    theta = 60.0
    model = first_order.FirstOrder(30.0, 3.0 * theta, theta)
    kp, ti = first_order.simc(model, ratio * theta)
    assert ti == model.tau_s
    found = continuous_margins(model, kp, ti)
    assert found.gain_margin == pytest.approx(gm, abs=6e-4)
    assert found.phase_margin_deg == pytest.approx(pm, abs=6e-3)
    assert found.ms == pytest.approx(ms, abs=6e-4)
    assert found.delay_margin_s / theta == pytest.approx(delay, abs=6e-3)
    # Closed forms for Ti = tau: GM = (pi/2)(1 + tau_c/theta), PM = 90 - 57.3/(1 + tau_c/theta).
    assert found.gain_margin == pytest.approx(np.pi / 2.0 * (1.0 + ratio), rel=1e-4)
    assert found.phase_margin_deg == pytest.approx(90.0 - np.degrees(1.0 / (1.0 + ratio)), abs=1e-2)


@pytest.mark.parametrize(("ratio", "gm", "pm", "ms"), SIMC_INTEGRATOR)
def test_simc_margins_on_an_integrating_plant(ratio, gm, pm, ms):
    """An integrator is a lag without end: tau = 1e6 theta changes no digit shown."""
    theta = 60.0
    model = first_order.FirstOrder(30.0, 1e6 * theta, theta)
    kp, ti = first_order.simc(model, ratio * theta)
    assert ti == pytest.approx(4.0 * (1.0 + ratio) * theta)
    found = continuous_margins(model, kp, ti)
    assert found.gain_margin == pytest.approx(gm, abs=6e-4)
    assert found.phase_margin_deg == pytest.approx(pm, abs=6e-3)
    assert found.ms == pytest.approx(ms, abs=6e-4)


# Margins by python-control on exact delay: (K, tau, theta, tau_c/theta, Kc, Ti, GM, PM, Ms,
# delay margin); K in K per full duty.
CASES = {
    "small cabinet, tau_c = theta": (30, 1200, 60, 1, 33.33, 480, 3.035, 52.51, 1.651, 107),
    "small cabinet, 2 theta": (30, 1200, 60, 2, 22.22, 720, 4.644, 65.13, 1.364, 201),
    "small cabinet, 4 theta": (30, 1200, 60, 4, 13.33, 1200, 7.854, 78.54, 1.194, 411),
    "loaded cabinet, tau_c = theta": (25, 5400, 180, 1, 60.00, 1440, 3.011, 50.61, 1.667, 310),
    "loaded cabinet, 2 theta": (25, 5400, 180, 2, 40.00, 2160, 4.609, 62.30, 1.373, 573),
    "loaded cabinet, 4 theta": (25, 5400, 180, 4, 24.00, 3600, 7.798, 73.85, 1.199, 1141),
}


@pytest.mark.parametrize("name", CASES)
def test_first_order_cases_continuous(name):
    gain, tau, theta, ratio, kp_row, ti_row, gm, pm, ms, delay = CASES[name]
    model = first_order.FirstOrder(gain, tau, theta)
    kp, ti = first_order.simc(model, ratio * theta)
    assert (kp, ti) == (pytest.approx(kp_row, abs=5e-3), pytest.approx(ti_row))
    found = continuous_margins(model, kp, ti)
    assert found.gain_margin == pytest.approx(gm, abs=6e-4)
    assert found.phase_margin_deg == pytest.approx(pm, abs=6e-3)
    assert found.ms == pytest.approx(ms, abs=6e-4)
    assert found.delay_margin_s == pytest.approx(delay, abs=0.6)


@pytest.mark.parametrize("name", CASES)
def test_the_sampled_loop_converges_to_the_continuous_one(name):
    """Half the period, half the distance: hold and forward Euler are of first order."""
    gain, tau, theta, ratio, *_ = CASES[name]
    model = first_order.FirstOrder(gain, tau, theta)
    kp, ti = first_order.simc(model, ratio * theta)
    exact = continuous_margins(model, kp, ti)
    away = []
    for period_s in (theta / 15.0, theta / 30.0, theta / 60.0):
        found = margins.margins(lag(gain, tau), kp, ti, period_s, theta)
        away.append(
            [
                exact.gain_margin - found.gain_margin,
                exact.phase_margin_deg - found.phase_margin_deg,
                found.ms - exact.ms,
            ]
        )
    away = np.array(away)
    assert np.all(away > 0.0)  # sampling never helps
    assert away[0] / away[1] == pytest.approx(2.0, rel=0.1)
    assert away[1] / away[2] == pytest.approx(2.0, rel=0.1)
    assert away[2, 0] < 0.015 * exact.gain_margin


# The small cabinet at tau_c = theta with period h and slow window Tw, counted as
# theta + Tw/2 + h/2 (computed with python-control): (h, Tw, GM, PM deg, Ms)
WINDOWS = [
    (5.0, 0.0, 2.91, 51.3, 1.69),
    (5.0, 60.0, 1.92, 36.6, 2.41),
    (10.0, 120.0, 1.39, 20.7, 4.3),
]


@pytest.mark.parametrize(("period_s", "window_s", "gm", "pm", "ms"), WINDOWS)
def test_sampling_and_a_slow_window_cost_margin(period_s, window_s, gm, pm, ms):
    """As the rows count it to their rounding; the exact sampled loop near them."""
    counted = first_order.FirstOrder(30.0, 1200.0, 60.0 + 0.5 * (window_s + period_s))
    found = continuous_margins(counted, 100.0 / 3.0, 480.0)
    assert found.gain_margin == pytest.approx(gm, abs=6e-3)
    assert found.phase_margin_deg == pytest.approx(pm, abs=0.06)
    assert found.ms == pytest.approx(ms, abs=0.006 if ms < 3.0 else 0.06)
    exact = margins.margins(lag(30.0, 1200.0), 100.0 / 3.0, 480.0, period_s, 60.0 + 0.5 * window_s)
    assert exact.gain_margin == pytest.approx(gm, abs=0.02)
    assert exact.phase_margin_deg == pytest.approx(pm, abs=0.5)
    assert exact.ms == pytest.approx(ms, rel=0.02)


def test_a_window_of_four_dead_times_is_unstable():
    """Same source: window 240 s at h = 5 s has a gain margin of 0.90."""
    found = margins.margins(lag(30.0, 1200.0), 100.0 / 3.0, 480.0, 5.0, 60.0 + 120.0)
    assert not found.stable
    assert found.ms == inf
    slower = margins.margins(lag(30.0, 1200.0), 0.88 * 100.0 / 3.0, 480.0, 5.0, 60.0 + 120.0)
    assert slower.stable


# Lambda tuning, textbook; margins computed: (K, tau, theta, lambda, Kc, GM, PM, Ms)
LAMBDA = [
    (30.0, 1200.0, 60.0, 600.0, 6.06, 17.3, 84.8, 1.085),
    (30.0, 1200.0, 60.0, 180.0, 16.67, 6.28, 75.7, 1.249),
    (25.0, 5400.0, 180.0, 540.0, 30.0, 6.28, 75.7, 1.249),
]


@pytest.mark.parametrize(("gain", "tau", "theta", "closed", "kp_row", "gm", "pm", "ms"), LAMBDA)
def test_lambda_tuning(gain, tau, theta, closed, kp_row, gm, pm, ms):
    model = first_order.FirstOrder(gain, tau, theta)
    kp, ti = first_order.lambda_tuning(model, closed)
    assert kp == pytest.approx(kp_row, abs=5e-3)
    assert ti == tau
    found = continuous_margins(model, kp, ti)
    assert found.gain_margin == pytest.approx(gm, abs=0.06)
    assert found.phase_margin_deg == pytest.approx(pm, abs=0.06)
    assert found.ms == pytest.approx(ms, abs=6e-4)


# Margins against python-control on the cabinet itself ---------------------------------------


@pytest.fixture(scope="module")
def cabinet_plants(example_plant):
    """Linear plants of the invented cabinet: two duties, two ambients, dry and humid."""
    plants = []
    for ratio in (0.003, 0.012):
        plant = replace(example_plant, climate=replace(example_plant.climate, humidity_ratio=ratio))
        for duty in (0.4, 0.8):
            for ambient_c in (20.0, 32.0):
                op = steady.operating_point(plant, duty, ZERO_C_K + ambient_c)
                plants.append(linearise.linear_plant(plant, op))
    return plants


def control_loop(linear, kp, ti, period_s, delay_s):
    """Return the loop L built by python-control from states, delay chain and PI."""
    control = pytest.importorskip("control")
    plant = linearise.sampled(linear, period_s, delay_s)
    integrator = control.StateSpace([[1.0]], [[1.0]], [[1.0]], [[0.0]], period_s)
    controller = 0.01 * kp * (1.0 + (period_s / ti) * integrator)
    return -(plant * controller)


@pytest.mark.parametrize(("kp", "ti", "period_s", "delay_s"), [
    (60.0, 120.0, 1.0, 1.0), (150.0, 100.0, 2.0, 1.3), (20.0, 60.0, 5.0, 32.0),
])  # fmt: skip
def test_margins_agree_with_python_control(cabinet_plants, kp, ti, period_s, delay_s):
    control = pytest.importorskip("control")
    for linear in cabinet_plants[::3]:
        loop = control_loop(linear, kp, ti, period_s, delay_s)
        omega = margins.frequency_grid(linear, period_s, delay_s, ti)
        sampled = control.FRD(loop(np.exp(1j * omega * period_s)), omega, smooth=True)
        gm, pm, sm, _, _, _ = control.stability_margins(sampled, returnall=True)
        found = margins.margins(linear, kp, ti, period_s, delay_s)
        assert found.gain_margin == pytest.approx(min(g for g in gm if g > 1.0), rel=1e-3)
        assert found.phase_margin_deg == pytest.approx(np.min(np.abs(pm)), abs=0.02)
        assert found.ms == pytest.approx(1.0 / np.min(sm), rel=1e-3)
        assert found.gain_reduction_margin == inf
        shown = margins.control_margins(linear, kp, ti, period_s, delay_s)
        assert shown.gain_margin == pytest.approx(found.gain_margin, rel=1e-3)
        assert shown.phase_margin_deg == pytest.approx(found.phase_margin_deg, abs=0.02)
        assert shown.ms == pytest.approx(found.ms, rel=1e-3)
        assert shown.delay_margin_s == pytest.approx(found.delay_margin_s, rel=1e-3)


def test_python_control_is_asked_alone(cabinet_plants, monkeypatch):
    # Our own margins cannot move what python-control shows.
    setting = (cabinet_plants[0], 60.0, 120.0, 1.0, 1.0)
    own, shown = margins.margins(*setting), margins.control_margins(*setting)
    monkeypatch.setattr(margins, "margins_of", lambda omega, loop: margins.UNSTABLE)
    assert margins.control_margins(*setting) == shown
    assert shown.gain_margin == pytest.approx(own.gain_margin, rel=1e-3)


def test_python_control_tells_an_unstable_loop(cabinet_plants):
    linear = cabinet_plants[0]
    most = margins.margins(linear, 60.0, 120.0, 1.0, 1.0).gain_margin
    assert margins.control_margins(linear, 0.98 * most * 60.0, 120.0, 1.0, 1.0).stable
    assert not margins.control_margins(linear, 1.02 * most * 60.0, 120.0, 1.0, 1.0).stable


@pytest.mark.parametrize("period_s", [10.0, 30.0, 60.0])
def test_a_crossing_at_half_the_sampling_rate_agrees(cabinet_plants, period_s):
    for linear in cabinet_plants[::3]:
        setting = (linear, 20.0, 20.0 * period_s, period_s, 1.0)
        own, shown = margins.margins(*setting), margins.control_margins(*setting)
        assert shown.gain_margin == pytest.approx(own.gain_margin, rel=2e-3)


def closed_loop_radius(linear, kp, ti, period_s, delay_s):
    control = pytest.importorskip("control")
    loop = control_loop(linear, kp, ti, period_s, delay_s)
    return np.max(np.abs(control.poles(control.feedback(loop, 1))))


def test_the_gain_margin_is_where_the_closed_loop_leaves_the_unit_circle(cabinet_plants):
    """Poles of the closed loop, python-control: inside 1 % below the margin, outside above."""
    for linear in cabinet_plants[::3]:
        found = margins.margins(linear, 60.0, 120.0, 1.0, 2.0)
        below, above = (
            closed_loop_radius(linear, f * 60.0 * found.gain_margin, 120.0, 1.0, 2.0)
            for f in (0.99, 1.01)
        )
        assert below < 1.0 < above


def test_stability_by_the_turn_of_the_curve_is_that_of_the_poles(cabinet_plants):
    """Random gains, integral times and delays, seed 3; both verdicts occur often."""
    draw = np.random.default_rng(3)
    verdicts = []
    for _ in range(60):
        linear = cabinet_plants[int(draw.integers(len(cabinet_plants)))]
        kp, ti = 10.0 ** draw.uniform(1.0, 3.2), 10.0 ** draw.uniform(0.8, 3.0)
        delay_s = draw.uniform(0.0, 40.0)
        radius = closed_loop_radius(linear, kp, ti, 2.0, delay_s)
        if abs(radius - 1.0) < 1e-5:
            continue
        assert margins.margins(linear, kp, ti, 2.0, delay_s).stable == (radius < 1.0)
        verdicts.append(radius < 1.0)
    assert 15 < sum(verdicts) < len(verdicts) - 15


def test_a_plant_that_heats_is_unstable_in_any_loop():
    assert not margins.margins(lag(-5.0, 600.0), 10.0, 600.0, 1.0, 1.0).stable


def test_a_conditionally_stable_loop_reports_how_far_the_gain_may_fall():
    """1/(s (s/0.01 + 1)^2) type lags with a fast integral: less gain also loses stability.

    L = k (1 + 1/(Ti s))/(s') with the phase below -180 at low frequency; checked with the
    closed loop's poles on both sides of both limits.
    """
    slow = linearise.LinearPlant(
        A=np.array([[-1e-5, 0.0], [1.0, -1e-5]]), B=np.array([[-1e-3], [0.0]]),
        C=np.array([[0.05, 1e-3]]), D=np.zeros((1, 1)), state_names=("a", "b"),
        duty=0.5, ambient_k=AMBIENT_K,
    )  # fmt: skip
    kp, ti, period_s, delay_s = 20000.0, 60.0, 1.0, 1.0
    found = margins.margins(slow, kp, ti, period_s, delay_s)
    assert found.stable
    assert 1.0 < found.gain_reduction_margin < inf
    for factor in (0.98, 1.02):
        less = closed_loop_radius(
            slow, kp / found.gain_reduction_margin * factor, ti, period_s, delay_s
        )
        more = closed_loop_radius(slow, kp * found.gain_margin / factor, ti, period_s, delay_s)
        assert (less < 1.0) == (factor > 1.0)
        assert (more < 1.0) == (factor > 1.0)


# First order with dead time -------------------------------------------------------------------


def test_the_fit_finds_an_exact_first_order_again():
    model = first_order.first_order(lag(30.0, 1200.0), 60.0)
    assert model.gain_k == pytest.approx(30.0, rel=1e-4)
    assert model.tau_s == pytest.approx(1200.0, rel=1e-4)
    assert model.dead_time_s == pytest.approx(60.0, rel=1e-4)
    assert model.fit_error_pct < 0.01


def test_the_fit_of_a_cabinet_states_its_error(cabinet_plants):
    """The stated deviation is that of the two step responses; below 10 % of the step."""
    for linear in cabinet_plants:
        model = first_order.first_order(linear, 2.0)
        t = np.linspace(model.horizon_s / 200.0, model.horizon_s, 200)
        full = np.array(
            [linearise.step_response(linear, np.array([x - 2.0]))[0] if x > 2.0 else 0.0 for x in t]
        )
        away = np.max(np.abs(first_order.first_order_step(model, t) - full)) / full[-1]
        assert model.fit_error_pct == pytest.approx(100.0 * away, rel=1e-6)
        assert 0.0 < model.fit_error_pct < 10.0


# Relay test, exact cycle of first order with dead time (own derivation, simulated with steps of
# 0.02 s): (H, tau, theta, h, a, P, simulated a, simulated P, describing-function gain, K, d)
RELAY = [
    (13.5, 1200.0, 60.0, 0.0, 0.65840, 234.29, 0.65847, 234.30, 29.01, 15.0),
    (12.0, 150.0, 25.0, 0.1, 1.92687, 97.18, 1.92717, 97.20, 6.62, 10.0),
]


@pytest.mark.parametrize(
    ("reach", "tau", "theta", "h", "a", "p", "a_sim", "p_sim", "ku", "d"), RELAY
)
def test_relay_test_rows(reach, tau, theta, h, a, p, a_sim, p_sim, ku, d):
    amplitude, period_s = first_order.relay_test(reach, tau, theta, h)
    assert amplitude == pytest.approx(a, abs=6e-6)
    assert period_s == pytest.approx(p, abs=6e-3)
    assert amplitude == pytest.approx(a_sim, rel=2e-4)
    assert period_s == pytest.approx(p_sim, rel=3e-4)
    assert first_order.from_relay_test(reach, amplitude, period_s, h) == pytest.approx((tau, theta))
    gain = first_order.describing_function_gain(d, amplitude, h)
    assert gain == pytest.approx(ku, abs=6e-3)


def test_relay_test_refuses_a_band_beyond_reach():
    with pytest.raises(ValueError, match="half_band_k"):
        first_order.relay_test(1.0, 100.0, 10.0, 1.5)


# Thermostat -------------------------------------------------------------------------------------

# Closed form and simulation (steps of 0.02 s): T_on, T_off, tau, theta, lo, hi, T_max, T_min,
# t_on, t_off, period, run; simulated swing, period, run
THERMOSTAT = {
    "dead time": (
        (-6.0, 25.0, 1200.0, 60.0, 4.5, 5.5),
        (6.451, 3.988, 264.5, 149.6, 414.1, 0.6387), (2.463, 414.2, 0.6387),
    ),
    "no dead time": (
        (-6.0, 25.0, 1200.0, 0.0, 4.5, 5.5),
        (5.500, 4.500, 109.2, 60.0, 169.2, 0.6453), (1.000, 169.2, 0.6453),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", THERMOSTAT)
def test_thermostat_cycle_rows(name):
    arguments, (t_max, t_min, on_s, off_s, period_s, run), simulated = THERMOSTAT[name]
    cycle = first_order.limit_cycle(*arguments)
    assert cycle.t_max_c == pytest.approx(t_max, abs=6e-4)
    assert cycle.t_min_c == pytest.approx(t_min, abs=6e-4)
    assert cycle.on_s == pytest.approx(on_s, abs=0.06)
    assert cycle.off_s == pytest.approx(off_s, abs=0.06)
    assert cycle.period_s == pytest.approx(period_s, abs=0.06)
    assert cycle.run_share == pytest.approx(run, abs=6e-5)
    assert cycle.swing_k == pytest.approx(simulated[0], abs=1e-3)
    assert cycle.period_s == pytest.approx(simulated[1], abs=0.11)
    assert cycle.cycles_per_hour == pytest.approx(3600.0 / cycle.period_s)


@array_kernel
def switch_a_lag(t_on, t_off, tau, dead_steps, low, high, step_s, steps, switches):
    """Run a thermostat on a lag with a delay line; return (lowest, highest, switchings)."""
    line = np.zeros(dead_steps + 1)
    reading, on, count = high, True, 0
    lowest, highest = high, high
    fade = np.exp(-step_s / tau)
    for k in range(steps):
        if reading >= high:
            on = True
        elif reading <= low:
            on = False
        slot = k % (dead_steps + 1)
        line[slot] = 1.0 if on else 0.0
        given = line[(k + 1) % (dead_steps + 1)]
        before = line[k % (dead_steps + 1)]
        end = t_on if given > 0.5 else t_off
        reading = end + (reading - end) * fade
        if k > steps // 2:
            lowest, highest = min(lowest, reading), max(highest, reading)
            if before != line[(k + dead_steps) % (dead_steps + 1)]:
                switches[count % switches.size] = k * step_s
                count += 1
    return lowest, highest, count


@pytest.mark.parametrize("theta", [10.0, 60.0])
def test_thermostat_cycle_against_a_live_simulation(theta):
    """Exact first-order steps of 0.05 s with a delay line; swing within 3 mK, period 0.2 s."""
    switches = np.zeros(4)
    low_c, high_c, count = switch_a_lag(
        -6.0, 25.0, 1200.0, round(theta / 0.05), 4.5, 5.5, 0.05, 100_000, switches
    )
    assert count >= 4
    period_s = np.sort(switches)[2:] - np.sort(switches)[:2]
    cycle = first_order.limit_cycle(-6.0, 25.0, 1200.0, theta, 4.5, 5.5)
    assert high_c == pytest.approx(cycle.t_max_c, abs=3e-3)
    assert low_c == pytest.approx(cycle.t_min_c, abs=3e-3)
    assert period_s == pytest.approx(cycle.period_s, abs=0.2)


def test_no_cycle_outside_the_reach():
    with pytest.raises(ValueError, match="band"):
        first_order.limit_cycle(5.0, 25.0, 1200.0, 0.0, 4.5, 5.5)


# PI tuner -----------------------------------------------------------------------------------------


def meets_floors(found):
    return found.ms <= 1.7 and found.gain_margin >= 2.5 and found.phase_margin_deg >= 45.0


def test_tuned_pi_is_robust_on_every_plant(cabinet_plants):
    tuned = tuning.tune_pi(cabinet_plants, 1.0, 1.0, noise_k=0.02)
    assert len(tuned.margins) == len(cabinet_plants)
    for linear, found in zip(cabinet_plants, tuned.margins, strict=True):
        again = margins.margins(linear, tuned.kp_pct_per_k, tuned.ti_s, tuned.period_s, 1.0)
        assert meets_floors(again)
        assert found.ms == pytest.approx(again.ms, rel=1e-3)
        radius = closed_loop_radius(linear, tuned.kp_pct_per_k, tuned.ti_s, tuned.period_s, 1.0)
        assert radius < 1.0
    assert meets_floors(tuned.worst)
    assert tuned.noise_duty_pct <= 2.0 + 1e-9


def test_the_plant_with_the_highest_gain_governs(cabinet_plants):
    """Low duty has the higher gain: less back-pressure of heat; index by the tightest rule."""
    tuned = tuning.tune_pi(cabinet_plants, 1.0, 1.0)
    peak = [np.abs(linearise.frequency_response(p, np.array([0.03])))[0] for p in cabinet_plants]
    assert peak[tuned.governing] > 0.98 * max(peak)
    assert cabinet_plants[tuned.governing].duty == 0.4


def test_noise_limits_the_gain(cabinet_plants):
    """2 % of duty over 0.1 K of noise: 20 % per K."""
    free = tuning.tune_pi(cabinet_plants, 1.0, 1.0)
    noisy = tuning.tune_pi(cabinet_plants, 1.0, 1.0, noise_k=0.1)
    assert noisy.kp_pct_per_k == pytest.approx(20.0, rel=1e-6)
    assert "noise" in noisy.decided_by
    assert free.kp_pct_per_k > 2.0 * noisy.kp_pct_per_k
    assert "noise" not in free.decided_by


def test_a_coarse_reading_limits_the_gain(cabinet_plants):
    """4 % of duty over 0.5 K of step: 8 % per K."""
    tuned = tuning.tune_pi(cabinet_plants, 1.0, 1.0, reading_lsb_k=0.5)
    assert tuned.kp_pct_per_k == pytest.approx(8.0, rel=1e-6)
    assert "step" in tuned.decided_by


def test_the_fitted_plant_is_the_one_with_the_higher_gain():
    """Three times the gain, a third of kp: 100/(3 30) tau/(2 theta) of the SIMC rule."""
    tuned = tuning.tune_pi([lag(30.0, 1200.0), lag(90.0, 1200.0)], 1.0, 60.0)
    assert tuned.governing == 1
    assert tuned.kp_pct_per_k == pytest.approx(100.0 / 90.0 * 1200.0 / 121.0, rel=0.01)
    assert "SIMC" in tuned.decided_by


def test_a_plant_that_is_slower_to_answer_decides():
    """The governing plant's rule knows nothing of another one with a second lag of 300 s."""
    second = linearise.LinearPlant(
        A=np.array([[-1.0 / 1200.0, 0.0], [1.0 / 300.0, -1.0 / 300.0]]),
        B=np.array([[-35.0 / 1200.0], [0.0]]), C=np.array([[0.0, 1.0]]), D=np.zeros((1, 1)),
        state_names=("a", "b"), duty=0.25, ambient_k=AMBIENT_K,
    )  # fmt: skip
    alone = tuning.tune_pi([lag(30.0, 1200.0)], 1.0, 60.0)
    tuned = tuning.tune_pi([lag(30.0, 1200.0), second], 1.0, 60.0)
    assert tuned.governing == 0
    assert "duty 0.25" in tuned.decided_by
    assert tuned.kp_pct_per_k < 0.8 * alone.kp_pct_per_k
    assert meets_floors(tuned.worst)
    # No more was given up than needed: one step of the search quicker misses a floor.
    kp, ti = first_order.simc(tuned.model, tuned.tau_c_s / 1.05)
    assert not meets_floors(margins.margins(second, kp, ti, 1.0, 60.0))


def test_the_period_is_lengthened_until_whole_numbers_hold_the_gain():
    """A slow plant: 1 s adds less than 8 of the integral's units per step of the reading."""
    slow = [lag(60.0, 90000.0)]
    with pytest.raises(ValueError, match="lengthen the period"):
        pi.PISettings.from_physical(setpoint_c=5.0, kp_pct_per_k=1.0, ti_s=30000.0, period_s=1.0)
    tuned = tuning.tune_pi(slow, 1.0, 5400.0, noise_k=2.0)
    assert tuned.period_s > 1.0
    assert "period lengthened" in tuned.decided_by
    words = pi.PISettings.from_physical(
        setpoint_c=5.0, kp_pct_per_k=tuned.kp_pct_per_k, ti_s=tuned.ti_s, period_s=tuned.period_s
    )
    assert words.ki_q20 >= 8


def test_a_slow_window_counts_as_half_its_length(cabinet_plants):
    plain = tuning.tune_pi(cabinet_plants, 1.0, 31.0)
    window = tuning.tune_pi(cabinet_plants, 1.0, 1.0, window_s=60.0)
    assert window.kp_pct_per_k == pytest.approx(plain.kp_pct_per_k)
    assert window.kp_pct_per_k < tuning.tune_pi(cabinet_plants, 1.0, 1.0).kp_pct_per_k


def test_a_duty_beyond_most_cooling_is_refused(example_plant, cabinet_plants):
    weak = replace(
        example_plant,
        drive=replace(example_plant.drive, kind=drive.CURRENT),
        hot_sink=replace(example_plant.hot_sink, fan_w_per_k=1.2),
    )
    beyond = linearise.linear_plant(weak, steady.operating_point(weak, 0.7, AMBIENT_K))
    with pytest.raises(tuning.NoTuning, match="lower the duty limit"):
        tuning.tune_pi([*cabinet_plants, beyond], 1.0, 1.0)


def test_the_tuned_whole_number_controller_holds_the_real_plant(example_plant):
    """The firmware's integers on the nonlinear plant: a 1 K step settles to 0.02 K in an hour."""
    plant = replace(example_plant, climate=replace(example_plant.climate, humidity_ratio=0.003))
    op = steady.operating_point(plant, 0.5, AMBIENT_K)
    tuned = tuning.tune_pi([linearise.linear_plant(plant, op)], 1.0, 1.0, noise_k=0.03)
    reading_c = op.air_k - ZERO_C_K
    settings = pi.PISettings.from_physical(
        setpoint_c=reading_c - 1.0, kp_pct_per_k=tuned.kp_pct_per_k, ti_s=tuned.ti_s, period_s=1.0
    ).to_words()
    memory = np.zeros(pi.STATE_WORDS, dtype=np.int64)
    pi.preload(settings, memory, round(100 * (reading_c - 1.0)), 500)
    record = cabinet.to_record(steady.without_freezing(plant))
    state, inputs = op.state.copy(), op.inputs.copy()
    state[cabinet.CONTROL_SENSOR] = op.air_k
    work, hint, errors = integrate.work_array(), 1.0, []
    for _ in range(3600):
        reading = round(100 * (state[cabinet.CONTROL_SENSOR] - ZERO_C_K))
        duty = pi.step(settings, memory, reading)
        pi.track(settings, memory, duty, 0)
        inputs[cabinet.DUTY] = duty / 1000.0
        hint = integrate.advance(record, state, inputs, 1.0, hint, work)
        errors.append(state[cabinet.CONTROL_SENSOR] - ZERO_C_K - (reading_c - 1.0))
    assert errors[0] > 0.9
    assert min(errors) > -0.4  # overshoot of a well-damped loop
    assert np.max(np.abs(errors[-600:])) < 0.02


@pytest.mark.parametrize("period_s", [0.1, 1.0, 10.0, 30.0, 60.0])
def test_every_period_the_config_allows_is_tuned(cabinet_plants, period_s):
    # A period is never a reason to go untuned: Ti grows with it, the safe side.
    found = tuning.tune_pi(cabinet_plants, period_s, 1.0)
    assert found.ti_s >= 20.0 * found.period_s - 1e-9
    assert found.worst.ms <= 1.7
    assert found.worst.gain_margin >= 2.5
    assert found.worst.phase_margin_deg >= 45.0
    shown = margins.control_margins(
        cabinet_plants[0], found.kp_pct_per_k, found.ti_s, found.period_s, 1.0
    )
    assert shown.gain_margin < 1e6  # a crossing at half the sampling rate counts

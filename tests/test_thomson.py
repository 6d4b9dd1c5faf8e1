"""Properties along the legs and Thomson heat: the plant's closed form against the legs in 1-D.

The reference is scipy's boundary-value solver on the heat equation of one leg (textbook;
T along the leg, y = kappa G dT/dx the conducted heat, x from 0, cold, to 1, hot):

    dT/dx = y / (kappa(T) G),   dy/dx = I T alpha'(T) dT/dx - I^2 rho(T)/G

with the published polynomials (from memory) typed in anew here.  254 legs, area over length
G = 1.194 mm: 127 couples of about 6 A.  It shares nothing with the plant.
"""

import lumped
import numpy as np
import pytest
from scipy.integrate import solve_bvp
from scipy.optimize import minimize_scalar

from plant import data_sheet, leg_material, stage

LEGS, G = 254, 1.194e-3

# T K; alpha uV/K, rho 1e-5 ohm m, kappa W/(m K): table computed from the polynomials.
PUBLISHED = [
    (250.0, 192.97, 0.852, 1.8999),
    (275.0, 203.23, 0.975, 1.7478),
    (300.0, 212.26, 1.106, 1.6474),
    (325.0, 220.05, 1.245, 1.5986),
    (350.0, 226.60, 1.392, 1.6015),
]

# Th, Tc K, I A: from a cabinet's usual work to a module's limits.
POINTS = [
    (303.0, 293.0, 2.0), (308.0, 278.0, 2.0), (308.0, 278.0, 4.0), (308.0, 278.0, 6.0),
    (318.0, 273.0, 3.0), (318.0, 268.0, 5.0), (328.0, 263.0, 4.0), (298.15, 240.0, 6.0),
]  # fmt: skip


def alpha(t):
    return (22224 + 930.6 * t - 0.9905 * t * t) * 1e-9


def alpha_slope(t):
    return (930.6 - 2 * 0.9905 * t) * 1e-9


def rho(t):
    return (5112 + 163.4 * t + 0.6279 * t * t) * 1e-10


def kappa(t):
    return (62605 - 277.7 * t + 0.4131 * t * t) * 1e-4


def legs(amps, hot_k, cold_k=None, thomson=1.0):
    """Return (cold face K, cooling W, power W) of the module; `cold_k` None: with no load."""

    def rates(_, s):
        gradient = s[1] / (kappa(s[0]) * G)
        heat = thomson * amps * s[0] * alpha_slope(s[0]) * gradient - amps**2 * rho(s[0]) / G
        return np.array([gradient, heat])

    def ends(first, last):
        if cold_k is None:
            at_cold = 100.0 * (alpha(first[0]) * first[0] * amps - first[1])
        else:
            at_cold = first[0] - cold_k
        return np.array([at_cold, last[0] - hot_k])

    x = np.linspace(0.0, 1.0, 11)
    start_k = hot_k - 50.0 if cold_k is None else cold_k
    guess = np.array(
        [start_k + (hot_k - start_k) * x, np.full(11, kappa(hot_k) * G * (hot_k - start_k))]
    )
    found = solve_bvp(rates, ends, x, guess, tol=1e-8)
    assert found.success
    (cold, hot), (y_cold, y_hot) = found.y[:, [0, -1]]
    taken_up = alpha(cold) * cold * amps - y_cold
    given_off = alpha(hot) * hot * amps - y_hot
    return cold, LEGS * taken_up, LEGS * (given_off - taken_up)


def at_25_c():
    """Return (a, R, K) of the module at 25 °C."""
    t = 298.15
    return LEGS * alpha(t), LEGS * rho(t) / G, LEGS * kappa(t) * G


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0]:.0f} K")
def test_polynomials_against_the_published_table(row):
    temp_k, uv_per_k, rho_e5, w_per_m_k = row
    by = leg_material.polynomial
    assert by(leg_material.SEEBECK, temp_k) * 1e6 == pytest.approx(uv_per_k, abs=0.006)
    assert by(leg_material.RESISTIVITY, temp_k) * 1e5 == pytest.approx(rho_e5, abs=0.0006)
    assert by(leg_material.CONDUCTIVITY, temp_k) == pytest.approx(w_per_m_k, abs=6e-5)


def test_ratios_are_the_polynomials_over_those_at_25_c():
    for temp_k in (230.0, 262.0, 298.15, 340.0, 390.0):
        a, r, k, slope_a, slope_r = leg_material.ratios(temp_k)
        assert a == pytest.approx(alpha(temp_k) / alpha(298.15), rel=1e-12)
        assert r == pytest.approx(rho(temp_k) / rho(298.15), rel=1e-12)
        assert k == pytest.approx(kappa(temp_k) / kappa(298.15), rel=1e-12)
        assert slope_a == pytest.approx(alpha_slope(temp_k) / alpha(298.15), rel=1e-12)
        rise = (rho(temp_k + 0.01) - rho(temp_k - 0.01)) / 0.02 / rho(298.15)
        assert slope_r == pytest.approx(rise, rel=1e-8)


def test_slopes_at_300_k():
    # Published: alpha +0.158 %/K, rho +0.488 %/K at 300 K, to the digit.
    a, r, _, slope_a, slope_r = leg_material.ratios(300.0)
    assert 100.0 * slope_a / a == pytest.approx(0.158, abs=6e-4)
    assert 100.0 * slope_r / r == pytest.approx(0.488, abs=6e-4)


@pytest.mark.parametrize("point", POINTS, ids=lambda p: f"{p[1]:.0f}/{p[0]:.0f} K, {p[2]:g} A")
def test_cooling_and_power_against_the_legs_in_one_dimension(point, note):
    hot_k, cold_k, amps = point
    _, cooling_w, power_w = legs(amps, hot_k, cold_k)
    ours_w, our_power_w = data_sheet.at_current(
        at_25_c(), data_sheet.Build(varies=1), amps, cold_k, hot_k
    )
    # What is gained: the same with properties at the mean of the faces, and without Thomson heat.
    p = stage.properties(*at_25_c(), 1, 0.5 * (hot_k + cold_k))
    mean_w = lumped.cold_heat(p[0], p[1], p[2], amps, amps**2, cold_k, hot_k)
    constant_w = lumped.cold_heat(*at_25_c(), amps, amps**2, cold_k, hot_k)
    _, without_w, _ = legs(amps, hot_k, cold_k, thomson=0.0)
    note(
        f"{cold_k:.0f}/{hot_k:.0f} K, {amps:g} A: 1-D {cooling_w:.3f} W, "
        f"ours {ours_w - cooling_w:+.3f} W, properties at the mean {mean_w - cooling_w:+.3f}, "
        f"constant {constant_w - cooling_w:+.3f}, no Thomson heat {without_w - cooling_w:+.3f};"
        f" power {power_w:.3f} W, ours {100 * (our_power_w / power_w - 1):+.2f} %"
    )
    # Third order is left out: 0.3 % of the Peltier heat covers it at a module's limits.
    peltier_w = p[0] * amps * cold_k
    assert abs(ours_w - cooling_w) < 0.003 * peltier_w
    assert abs(ours_w - cooling_w) < 0.3 * abs(mean_w - cooling_w)
    assert our_power_w == pytest.approx(power_w, rel=0.004)


@pytest.mark.parametrize("hot_k", [298.15, 323.15])
def test_largest_difference_against_the_legs_in_one_dimension(hot_k, note):
    best = minimize_scalar(
        lambda amps: legs(amps, hot_k)[0], bounds=(4, 9), options={"xatol": 1e-3}
    )
    amps, cold_k = data_sheet.largest_difference(at_25_c(), data_sheet.Build(varies=1), hot_k)
    constant_a, constant_k = data_sheet.largest_difference(
        at_25_c(), data_sheet.Build(varies=0), hot_k
    )
    note(
        f"Th {hot_k:.0f} K: 1-D {hot_k - best.fun:.2f} K at {best.x:.2f} A; ours"
        f" {hot_k - cold_k:.2f} K at {amps:.2f} A; constant properties {hot_k - constant_k:.2f} K"
        f" at {constant_a:.2f} A"
    )
    assert hot_k - cold_k == pytest.approx(hot_k - best.fun, abs=0.3)
    assert amps == pytest.approx(best.x, rel=0.03)  # the top is flat


def test_with_constant_properties_nothing_is_added():
    p = stage.properties(0.0528, 2.0, 0.508, 0, 290.0)
    assert stage.uptake(p, 2.0, 4.0, 16.0, 275.0, 310.0) == lumped.cold_heat(
        0.0528, 2.0, 0.508, 4.0, 16.0, 275.0, 310.0
    )
    assert stage.leg_resistance(p, 4.0, 16.0, 275.0, 310.0) == 2.0

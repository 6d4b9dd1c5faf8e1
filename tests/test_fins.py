"""Fins and fan: correlations against ht, fluids and CoolProp, the rest against hand sums.

Printed table: rectangular ducts of Incropera and DeWitt, Table 8.1 (from memory): side ratio,
Nu at one wall temperature, Darcy f Re; to its printed digits.
"""

from dataclasses import replace

import fluids
import ht
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_bvp
from scipy.optimize import brentq

from plant import fins

SINK = fins.FinSink(30, 0.03, 0.001, 0.002, 0.1, 200.0)  # invented
FAN = fins.FanCurve(80.0 / 3600.0, 50.0)  # invented
TABLE_8_1 = [(1.0, 2.98, 57.0), (2.0, 3.39, 62.0), (3.0, 3.96, 69.0), (4.0, 4.44, 73.0),
             (8.0, 5.60, 82.0)]  # fmt: skip


def test_air():
    def air(name):
        return PropsSI(name, "T", fins.INTAKE_K, "P", 101325.0, "Air")

    assert air("L") == pytest.approx(fins.AIR_CONDUCTIVITY_W_PER_M_K, rel=5e-3)
    assert air("V") == pytest.approx(fins.AIR_VISCOSITY_PA_S, rel=5e-3)
    assert air("PRANDTL") == pytest.approx(fins.PRANDTL, rel=5e-3)
    assert air("D") == pytest.approx(fins.air_density(), rel=1e-3)


@pytest.mark.parametrize("altitude_m", [0.0, 1000.0, 2000.0, 4500.0])
def test_pressure_of_the_standard_atmosphere(altitude_m):
    expected = fluids.ATMOSPHERE_1976(altitude_m).P
    assert fins.pressure_at_altitude_pa(altitude_m) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("ratio", "nusselt", "f_re"), TABLE_8_1)
def test_developed_laminar_duct(ratio, nusselt, f_re):
    # The polynomial is a fit: 0.3 % beside the table's rounding.
    assert fins.laminar_nusselt(1.0 / ratio) == pytest.approx(nusselt, abs=0.005 + 3e-3 * nusselt)
    assert 4.0 * fins.laminar_friction(1.0 / ratio) == pytest.approx(f_re, abs=0.5 + 3e-3 * f_re)


def test_parallel_plates_are_the_limit():
    assert fins.laminar_nusselt(0.0) == pytest.approx(7.54, abs=0.005)
    assert 4.0 * fins.laminar_friction(0.0) == pytest.approx(96.0, abs=0.5)


@pytest.mark.parametrize("reynolds", [300.0, 900.0, 2200.0])
def test_entry_term_against_ht(reynolds):
    """Hausen's tube: the same entry term over 3.66."""
    slender = 0.04
    tube = ht.conv_internal.laminar_entry_thermal_Hausen(reynolds, fins.PRANDTL, 1.0, slender)
    ours = fins.nusselt(reynolds, 0.1, slender) - fins.laminar_nusselt(0.1)
    assert ours == pytest.approx(tube - 3.66, rel=1e-9)


@pytest.mark.parametrize("reynolds", [4000.0, 1e4, 1e5])
def test_turbulent_against_ht_and_fluids(reynolds):
    factor = fluids.friction.Haaland(reynolds, 0.0)
    assert fins.friction(reynolds, 0.1, 0.04) == pytest.approx(factor, rel=1e-6)
    expected = ht.conv_internal.turbulent_Gnielinski(reynolds, fins.PRANDTL, factor)
    assert fins.nusselt(reynolds, 0.1, 0.04) == pytest.approx(expected, rel=1e-6)


def test_long_channel_has_the_developed_friction():
    assert fins.friction(500.0, 0.25, 1e-7) == pytest.approx(4.0 * 18.23 / 500.0, rel=3e-3)


def test_fin_efficiency_against_the_fin_equation():
    """T'' = m^2 T, base at 1, tip idle: mean of T over the fin, solved by collocation."""
    film, metal, thick, high = 54.0, 200.0, 1e-3, 0.03
    square = 2.0 * film / (metal * thick) * high**2
    x = np.linspace(0.0, 1.0, 50)
    found = solve_bvp(
        lambda s, y: np.vstack([y[1], square * y[0]]),
        lambda a, b: np.array([a[0] - 1.0, b[1]]), x, np.ones((2, x.size)), tol=1e-8,
    )  # fmt: skip
    fine = np.linspace(0.0, 1.0, 2001)
    mean = np.trapezoid(found.sol(fine)[0], fine)
    assert fins.fin_efficiency(film, metal, thick, high) == pytest.approx(mean, rel=1e-5)


def test_a_sink_by_hand():
    """3 m/s: D 3.75 mm, Re 682, Gz 18.05, Nu 6.37 + 0.945, h 52.7; R by the air's warming.

    Mass flow 1.1455 x 5.22e-3 kg/s carries 6.02 W/K; area 29 x 0.1 x (0.06 x 0.867 + 0.002)
    = 0.1567 m2; 1/R = 6.02 (1 - exp(-1.373)).  Hand calculation.
    """
    found = fins.through(SINK, 3.0 * SINK.flow_area_m2)
    assert found.reynolds == pytest.approx(682.0, rel=2e-3)
    assert found.film_w_per_m2_k == pytest.approx(52.7, rel=3e-3)
    assert found.fin_efficiency == pytest.approx(0.867, abs=1e-3)
    assert found.k_per_w == pytest.approx(1.0 / (6.02 * (1.0 - np.exp(-1.373))), rel=5e-3)


@pytest.mark.parametrize(("speed", "k_per_w"), [(1, 0.267), (2, 0.189), (3, 0.154), (5, 0.119)])
def test_plate_estimate_is_near_for_wide_gaps(speed, k_per_w, note):
    """A published-style estimate: 0.30 m2, efficiency 0.9, laminar plate of 80 mm, no warming.

    Our duct with gaps of 8 mm and its own entry; a different model, so 25 % are allowed.
    """
    wide = fins.FinSink(51, 0.0375, 0.0015, 0.008, 0.08, 200.0)
    found = fins.through(wide, speed * wide.flow_area_m2)
    film_only = 1.0 / (0.30 * 0.9 * found.film_w_per_m2_k)
    note(f"{speed} m/s: duct {film_only:.3f} K/W, plate {k_per_w} K/W")
    assert film_only == pytest.approx(k_per_w, rel=0.25)


def test_entry_and_exit_take_their_velocity_heads():
    """Open share s = 29 x 2 / (29 x 2 + 30 x 1) = 0.659: 0.42 (1 - s^2) + (1 - s^2)^2 = 0.557.

    Kays and London (from memory) by hand; a short channel shows them, a long one hardly.
    """
    flow = 5.0 * SINK.flow_area_m2
    found = fins.through(SINK, flow)
    head_pa = 0.5 * fins.air_density() * 5.0**2
    slender = SINK.hydraulic_diameter_m / SINK.length_m
    along = fins.friction(found.reynolds, SINK.aspect, slender) / slender
    assert found.pressure_drop_pa / head_pa - along == pytest.approx(0.557, abs=1e-3)
    assert 0.1 < 0.557 / along < 0.5


@pytest.mark.parametrize("share", [0.0, 0.25, 0.6, 1.0])
def test_transition_as_published(share):
    """Gnielinski 2013: linear between the ends at Re 2300 and 4000, both by ht and fluids."""
    slender = 0.04
    laminar = ht.conv_internal.laminar_entry_thermal_Hausen(2300.0, fins.PRANDTL, 1.0, slender)
    low = laminar - 3.66 + fins.laminar_nusselt(0.1)
    factor = fluids.friction.Haaland(4000.0, 0.0)
    high = ht.conv_internal.turbulent_Gnielinski(4000.0, fins.PRANDTL, factor)
    expected = (1.0 - share) * low + share * high
    found = fins.nusselt(2300.0 + share * 1700.0, 0.1, slender)
    assert found == pytest.approx(expected, rel=1e-6)


def test_a_third_point_bends_the_fans_curve():
    """Through its own points; on the line it changes nothing; above it, more air."""
    density = fins.FAN_SHEET_DENSITY
    bent = replace(FAN, middle=(40.0 / 3600.0, 40.0))
    for flow, pressure in ((0.0, 50.0), (40.0, 40.0), (80.0, 0.0), (20.0, 45.0), (60.0, 20.0)):
        assert bent.pressure_pa(flow / 3600.0, density) == pytest.approx(pressure)
    same = replace(FAN, middle=(40.0 / 3600.0, 25.0))
    straight, more = fins.operating_point(SINK, FAN), fins.operating_point(SINK, bent)
    assert fins.operating_point(SINK, same).flow_m3_per_s == pytest.approx(straight.flow_m3_per_s)
    assert more.flow_m3_per_s > 1.1 * straight.flow_m3_per_s


def test_pressure_drop_rises_with_flow_through_the_transition():
    drops = [fins.through(SINK, v * SINK.flow_area_m2).pressure_drop_pa
             for v in np.linspace(0.1, 30.0, 400)]  # fmt: skip
    assert np.all(np.diff(drops) > 0.0)


def test_operating_point_lies_on_both_curves():
    found = fins.operating_point(SINK, FAN)
    density = fins.air_density()
    flow = brentq(
        lambda q: FAN.pressure_pa(q, density) - fins.through(SINK, q).pressure_drop_pa, 1e-5, 0.02
    )
    assert found.flow_m3_per_s == pytest.approx(flow, rel=1e-9)
    assert 0.1 < found.flow_m3_per_s / FAN.free_flow_m3_per_s < 0.9


def test_thinner_air_and_narrower_gaps_cost():
    plain = fins.operating_point(SINK, FAN)
    high = fins.operating_point(SINK, FAN, fins.pressure_at_altitude_pa(2000.0))
    narrow = fins.operating_point(replace(SINK, gap_m=0.001), FAN)
    assert high.k_per_w > 1.1 * plain.k_per_w
    assert narrow.flow_m3_per_s < 0.5 * plain.flow_m3_per_s
    assert fins.through(SINK, 0.0).k_per_w == float("inf")

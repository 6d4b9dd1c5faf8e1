"""The module against printed sheets, worked numbers and a numeric search."""

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from plant import module, stage
from plant.constants import ZERO_C_K


def at_current(values, amps, cold_k, hot_k):
    """Return (heat taken up, electrical power) [W] by what a run uses, constant properties."""
    return stage.at_current(*values, 0, 1, 0.5, 1e3, amps, cold_k, hot_k)


# Module data sheet, rev. 2006, hot side 25 C.  Printed: couples, Imax A, Vmax V, Qmax W,
# dTmax K, AC resistance ohm.  The last two (R ohm, K W/K) are hand calculations from
# Imax, Vmax, dTmax.  Qmax and the AC resistance are held out: nothing is derived from them.
POWER_MODULE_SHEET_25C = [
    (72, 15.4, 8.9, 85.1, 68.0, 0.45, 0.446, 0.778),
    (128, 15.4, 15.8, 151.4, 68.0, 0.82, 0.792, 1.381),
    (200, 15.4, 25.0, 236.5, 68.0, 1.28, 1.253, 2.185),
    (288, 9.0, 35.8, 198.4, 68.0, 3.11, 3.071, 1.829),
    (288, 15.4, 35.8, 340.5, 68.0, 1.84, 1.794, 3.129),
]

# 127-couple classes: Th C, Imax, Vmax, Qmax, dTmax; then a mV/K, R ohm, K W/K as published
# sheets give them by the same textbook algebra (digits of the table).
CLASSES_127_COUPLES = [
    # 4 A: 127-couple 4 A module sheet
    (27.0, 3.9, 15.5, 32.0, 70.0, 51.6, 3.05, 0.331),
    # 6 A: module data sheet, rev. 2006, 288-couple 6 A row x 127/288
    (25.0, 6.0, 15.79, 56.3, 71.0, 52.9, 2.00, 0.508),
    # 3 A: 127-couple 3 A module listing, hot side and dTmax as the table takes them
    (25.0, 3.0, 15.4, 25.7, 65.0, 51.7, 4.01, 0.278),
    # 6 A commodity: 127-couple 6 A commodity listing, dTmax 65 K of its graded bins
    (25.0, 6.0, 15.8, 51.0, 65.0, 53.0, 2.06, 0.570),
    # 6 A commodity at 50 C: from memory
    (50.0, 6.4, 16.4, 57.0, 75.0, 50.8, 1.97, 0.537),
]

# Worked set of the textbook lumped model: a = 0.0516 V/K, R = 2.0 ohm, K = 0.54 W/K
WORKED = (0.0516, 2.0, 0.54)
# Tc, Th [C]; current of most cooling [A], cooling there [W]; best-COP current [A], COP [-],
# cooling [W], power [W].  Hand calculation, closed form of the textbook.
BEST_POINTS = [
    (0.0, 35.0, 7.047, 30.764, 2.9113, 0.61496, 13.658, 22.209),
    (5.0, 35.0, 7.176, 35.299, 2.4766, 0.82057, 13.212, 16.101),
    (5.0, 45.0, 7.176, 29.899, 3.2534, 0.52036, 14.510, 27.884),
]
# The same module at 5/35 C: I [A], Qc [W], P [W], V [V].  Hand calculation.
SWEEP_5_35_C = [
    (1.0, -2.847, 3.548, 3.548),
    (2.0, 8.505, 11.096, 5.548),
    (3.0, 17.858, 22.644, 7.548),
    (4.0, 25.210, 38.192, 9.548),
    (5.0, 30.563, 57.740, 11.548),
    (6.0, 33.915, 81.288, 13.548),
]


@pytest.mark.parametrize("row", POWER_MODULE_SHEET_25C, ids=lambda r: f"{r[0]}x{r[1]}A")
class TestPowerModuleSheet:
    def sheet(self, row):
        couples, imax, vmax, qmax, dtmax = row[:5]
        return module.DataSheet(couples, imax, vmax, dtmax, qmax, ZERO_C_K + 25.0)

    def test_resistance_and_conductance_to_the_tables_digits(self, row):
        _, resistance, conductance = module.lumped_parameters(self.sheet(row))
        assert resistance == pytest.approx(row[6], abs=0.0006)
        assert conductance == pytest.approx(row[7], abs=0.0006)

    def test_held_out_qmax(self, row):
        # Qmax rebuilt from the other three lies within -1.3 .. 0.0 % of the printed one;
        # the sheet prints Vmax to 0.1 V (0.6 % of 8.9 V), so 1.5 % both ways.
        values = module.lumped_parameters(self.sheet(row))
        found, _ = at_current(values, row[1], ZERO_C_K + 25.0, ZERO_C_K + 25.0)
        assert found == pytest.approx(row[3], rel=0.015)

    def test_held_out_ac_resistance(self, row):
        # The resistance drawn from Vmax/Imax lies 1 to 4 % below the printed AC value.
        _, resistance, _ = module.lumped_parameters(self.sheet(row))
        assert 0.96 < resistance / row[5] < 1.0

    def test_seebeck_per_couple(self, row):
        # 414 to 419 uV/K per couple over the sheet (hand calculation from Vmax/Th/couples).
        seebeck, _, _ = module.lumped_parameters(self.sheet(row))
        assert 413.5e-6 < seebeck / row[0] < 419.5e-6

    def test_figure_of_merit_depends_on_dtmax_only(self, row):
        # Z = 2 dTmax/(Th - dTmax)^2 (textbook), whatever Imax, Vmax and Qmax say.
        z = module.figure_of_merit(*module.lumped_parameters(self.sheet(row)))
        assert z == pytest.approx(2.0 * 68.0 / (298.15 - 68.0) ** 2, rel=1e-12)


@pytest.mark.parametrize("row", CLASSES_127_COUPLES, ids=lambda r: f"{r[1]}A-{r[2]}V-{r[0]:.0f}C")
def test_classes_of_127_couples(row):
    th_c, imax, vmax, qmax, dtmax, seebeck_mv, resistance, conductance = row
    sheet = module.DataSheet(127, imax, vmax, dtmax, qmax, ZERO_C_K + th_c)
    a, r, k = module.lumped_parameters(sheet)
    assert a * 1e3 == pytest.approx(seebeck_mv, abs=0.06)  # printed to 0.1 mV/K
    assert r == pytest.approx(resistance, abs=0.006)  # printed to 0.01 ohm
    assert k == pytest.approx(conductance, abs=0.0006)  # printed to 0.001 W/K


@pytest.mark.parametrize("row", BEST_POINTS, ids=lambda r: f"{r[0]:.0f}/{r[1]:.0f}C")
class TestBestPoints:
    def test_peak_cooling(self, row):
        tc, th = ZERO_C_K + row[0], ZERO_C_K + row[1]
        current = module.peak_cooling_current_a(WORKED[0], WORKED[1], tc)
        assert current == pytest.approx(row[2], abs=6e-4)
        cooling, _ = at_current(WORKED, current, tc, th)
        assert cooling == pytest.approx(row[3], abs=6e-4)

    def test_best_cop(self, row):
        tc, th = ZERO_C_K + row[0], ZERO_C_K + row[1]
        current, cop = module.best_cop(*WORKED, tc, th)
        assert current == pytest.approx(row[4], abs=6e-5)
        assert cop == pytest.approx(row[5], abs=6e-6)
        cooling, power = at_current(WORKED, current, tc, th)
        assert cooling == pytest.approx(row[6], abs=6e-4)
        assert power == pytest.approx(row[7], abs=6e-4)

    def test_closed_forms_against_a_numeric_search(self, row):
        """scipy's bounded search over the model that runs: it knows none of the closed forms."""
        tc, th = ZERO_C_K + row[0], ZERO_C_K + row[1]

        def cooling(i):
            return at_current(WORKED, i, tc, th)[0]

        def cop(i):
            return cooling(i) / at_current(WORKED, i, tc, th)[1]

        options = {"xatol": 1e-9}
        peak = minimize_scalar(lambda i: -cooling(i), bounds=(0.5, 15), options=options)
        best = minimize_scalar(lambda i: -cop(i), bounds=(0.5, 15), options=options)
        # A search by values finds a flat top to about the root of the rounding error.
        assert peak.x == pytest.approx(
            module.peak_cooling_current_a(WORKED[0], WORKED[1], tc), rel=1e-6
        )
        assert (best.x, -best.fun) == pytest.approx(module.best_cop(*WORKED, tc, th), rel=1e-6)


@pytest.mark.parametrize(("amps", "cooling_w", "power_w", "volts"), SWEEP_5_35_C)
def test_sweep_at_5_and_35_c(amps, cooling_w, power_w, volts):
    tc, th = ZERO_C_K + 5.0, ZERO_C_K + 35.0
    cooling, power = at_current(WORKED, amps, tc, th)
    assert cooling == pytest.approx(cooling_w, abs=6e-4)
    assert power == pytest.approx(power_w, abs=6e-4)
    assert power / amps == pytest.approx(volts, abs=6e-4)


@pytest.mark.parametrize(("hot_c", "largest_k"), [(25.0, 66.3), (50.0, 75.6)])
def test_largest_difference_at_two_hot_sides(hot_c, largest_k):
    # Constant properties: 66.3 K at 25 C and 75.6 K at 50 C, to 0.1 K.  The sheet of 2006
    # says "+10 K" for the same step.  Tc follows from Th - Tc = Z Tc^2/2.
    z = module.figure_of_merit(*WORKED)
    tc = np.roots([0.5 * z, 1.0, -(ZERO_C_K + hot_c)]).max()
    assert module.largest_difference_k(*WORKED, tc) == pytest.approx(
        ZERO_C_K + hot_c - tc, rel=1e-9
    )
    assert ZERO_C_K + hot_c - tc == pytest.approx(largest_k, abs=0.06)


def test_sheet_limits_are_met_by_the_lumped_model():
    """At Imax, no load: the difference is dTmax and the voltage is Vmax, by definition."""
    sheet = module.DataSheet(127, 6.0, 15.79, 71.0, 56.3, 298.15)
    a, r, k = module.lumped_parameters(sheet)
    cold, hot, amps = 298.15 - 71.0, 298.15, 6.0
    cooling, power = at_current((a, r, k), amps, cold, hot)
    assert cooling == pytest.approx(0.0, abs=1e-9)
    assert power / amps == pytest.approx(15.79, rel=1e-12)
    assert module.peak_cooling_current_a(a, r, cold) == pytest.approx(6.0, rel=1e-12)


def test_bank_equals_modules_counted_one_by_one():
    """Two strings of three: heat and power are six times one module's at its own current."""
    one = WORKED
    bank = module.bank(one, in_series=3, in_parallel=2, derating=1.0)
    tc, th, amps = 275.0, 310.0, 2.5
    total = 2.0 * amps
    each = at_current(one, amps, tc, th)
    assert at_current(bank, total, tc, th) == pytest.approx([6.0 * w for w in each], rel=1e-12)


def test_derating_lowers_the_pumped_heat_in_proportion():
    # Commodity listings give 8.2..8.6 W per A against 9.4..9.75 on full sheets: about 12 % less.
    full = module.bank(WORKED, 1, 1, 1.0)
    poor = module.bank(WORKED, 1, 1, 0.88)
    assert poor[0] / full[0] == pytest.approx(0.88, rel=1e-12)
    assert poor[1:] == full[1:]


# Sink resistance K/W: current of most cooling A, cooling there W, hot side C.  127-couple 6 A
# class, a 0.05133 V/K, R 1.985 ohm, K 0.5254 W/K; 0.50 K/W from a cabinet at 5 C to the cold
# face, ambient 25 C (published sweep, computed; digits of the table).
POOR_HOT_SINKS = {
    0.05: (6.48, 26.0, 31.0), 0.15: (5.85, 21.9, 40.5), 0.30: (5.03, 16.9, 49.0),
    0.50: (4.17, 12.0, 54.0), 0.80: (3.26, 7.3, 55.0),
}  # fmt: skip


@pytest.mark.parametrize(("k_per_w", "row"), POOR_HOT_SINKS.items())
def test_current_of_most_cooling_falls_with_a_poor_hot_sink(k_per_w, row):
    """Module between two sinks: both balances solved by a root finder for 1201 currents."""
    a, r, k = 0.05133, 1.985, 0.5254
    ambient, cabinet = ZERO_C_K + 25.0, ZERO_C_K + 5.0

    def hot_of(amps, cold):
        # a I Th + I^2 R/2 - K (Th - Tc) = (Th - Ta)/Rh, solved for Th.
        return (0.5 * r * amps**2 + k * cold + ambient / k_per_w) / (k + 1.0 / k_per_w - a * amps)

    def heat(amps, cold):
        return at_current((a, r, k), amps, cold, hot_of(amps, cold))[0]

    def cold_of(amps):
        return brentq(lambda t: heat(amps, t) - (cabinet - t) / 0.50, 200.0, 320.0, xtol=1e-10)

    amps = np.linspace(2.0, 8.0, 1201)
    colds = np.array([cold_of(i) for i in amps])
    best = int(colds.argmin())
    assert amps[best] == pytest.approx(row[0], abs=0.012)
    assert heat(amps[best], colds[best]) == pytest.approx(row[1], abs=0.06)
    assert hot_of(amps[best], colds[best]) - ZERO_C_K == pytest.approx(row[2], abs=0.6)


def test_compiled_and_plain_agree():
    args = (*WORKED, 1, 1, 0.5, 1e3, 3.0, 278.0, 308.0)
    assert stage.at_current(*args) == pytest.approx(stage.at_current.py_func(*args), rel=1e-14)

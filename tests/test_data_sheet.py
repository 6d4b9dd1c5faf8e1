"""The fit of all printed numbers: weights, residuals, spread, and what it says of real sheets."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar

from ctrl.build import extraction_of, one_module_of, plant_of
from ctrl.config import build_config, load_config, plain_data
from plant import data_sheet, module, presets
from plant.data_sheet import Build, Tolerances, extract
from plant.module import DataSheet

# 288-couple 6 A row of the power-module sheet, 25 °C, scaled to 127 couples, AC resistance 2.13.
SIX_AMPS = DataSheet(127, 6.0, 15.79, 71.0, 56.3, 298.15, 2.13)
CONSTANT = Build(varies=0)


def changed(name, **tables):
    """Return a shipped config with keys of its tables changed; None takes a key away."""
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        merged = {**data.get(table, {}), **keys}
        data[table] = {key: value for key, value in merged.items() if value is not None}
    return build_config(data, name)


def textbook_numbers(values, hot_k):
    """Return (Imax, Vmax, dTmax, Qmax, R): closed forms of constant properties (textbook)."""
    a, r, k = values
    z = a * a / (r * k)
    cold_k = (np.sqrt(1.0 + 2.0 * z * hot_k) - 1.0) / z
    amps = a * cold_k / r
    return np.array([amps, a * hot_k, hot_k - cold_k, a * amps * hot_k - 0.5 * amps**2 * r, r])


@pytest.mark.parametrize("hot_k", [298.15, 323.15])
def test_predicted_numbers_of_constant_properties(hot_k):
    values = (0.0528, 2.0, 0.508)
    ours = data_sheet.predicted_numbers(values, CONSTANT, hot_k)
    assert ours == pytest.approx(textbook_numbers(values, hot_k), rel=1e-7)


@pytest.mark.parametrize("varies", [0, 1])
def test_largest_difference_against_a_search(varies):
    """Scipy's bounded search over the current, bisection for the cold face."""
    from scipy.optimize import brentq

    values, build = (0.0528, 2.15, 0.48), Build(varies)

    def cold_at(amps):
        return brentq(
            lambda t: data_sheet.at_current(values, build, amps, t, 298.15)[0], 180.0, 298.0
        )

    best = minimize_scalar(cold_at, bounds=(3.0, 10.0), options={"xatol": 1e-7})
    amps, cold_k = data_sheet.largest_difference(values, build, 298.15)
    assert cold_k == pytest.approx(best.fun, abs=1e-7)
    assert amps == pytest.approx(best.x, rel=1e-4)
    if varies == 0:  # and the closed forms of the textbook
        assert module.largest_difference_k(*values, best.fun) == pytest.approx(298.15 - best.fun)
        assert module.peak_cooling_current_a(*values[:2], best.fun) == pytest.approx(
            best.x, rel=1e-4
        )


@pytest.mark.parametrize("varies", [0, 1])
def test_a_consistent_sheet_gives_back_its_module(varies):
    values, build = (0.0521, 2.2, 0.47), Build(varies=varies)
    printed = data_sheet.predicted_numbers(values, build, 300.0)
    found = extract(DataSheet(127, *printed[:4], 300.0, printed[4]), Tolerances(), build)
    assert found.values == pytest.approx(values, rel=1e-6)
    assert found.misfit < 1e-5
    assert all(abs(value) < 1e-3 for value in found.residuals_pct.values())


def test_least_squares_against_scipy():
    """The 6 A sheet, constant properties: scipy's simplex on the textbook's closed forms."""
    printed = np.array([6.0, 15.79, 71.0, 56.3, 2.13])
    allowed = np.array([0.10, 0.05, 0.03, 0.10, 0.05])

    def squares(logs):
        return np.sum((np.log(textbook_numbers(np.exp(logs), 298.15) / printed) / allowed) ** 2)

    start = np.log(module.lumped_parameters(SIX_AMPS))
    best = minimize(squares, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13})
    found = extract(SIX_AMPS, Tolerances(), CONSTANT)
    assert found.values == pytest.approx(np.exp(best.x), rel=1e-6)
    assert found.misfit == pytest.approx(np.sqrt(best.fun / 2.0), rel=1e-5)
    off = 100.0 * (printed / textbook_numbers(np.exp(best.x), 298.15) - 1.0)
    assert list(found.residuals_pct.values()) == pytest.approx(off, abs=1e-3)


def test_a_number_held_tight_is_met():
    tight = extract(SIX_AMPS, Tolerances(dtmax_pct=0.5, qmax_pct=0.5), Build())
    loose = extract(SIX_AMPS, Tolerances(dtmax_pct=0.5, qmax_pct=50.0), Build())
    assert abs(tight.residuals_pct["qmax_w"]) < 0.1
    assert abs(loose.residuals_pct["qmax_w"]) > 2.0


def test_tolerance_of_the_values_is_the_scatter_of_sheets():
    """400 sheets printed with errors of the stated size: their fits scatter as `tolerance_pct`."""
    true = (0.0528, 2.1, 0.49)
    exact = textbook_numbers(true, 298.15)
    allowed = np.array([0.10, 0.05, 0.03, 0.10, 0.05])
    rng = np.random.default_rng(7)
    logs = []
    for _ in range(400):
        printed = exact * np.exp(allowed * rng.normal(size=5))
        found = extract(DataSheet(127, *printed[:4], 298.15, printed[4]), Tolerances(), CONSTANT)
        logs.append(np.log(found.values))
    scatter = 100.0 * np.std(logs, axis=0)
    stated = extract(DataSheet(127, *exact[:4], 298.15, exact[4]), Tolerances(), CONSTANT)
    # The scatter of 400 is known to 3.5 %; three times that.
    assert list(stated.tolerance_pct.values()) == pytest.approx(scatter, rel=0.11)


def test_contradiction_widens_the_tolerance():
    wrong = replace(SIX_AMPS, qmax_w=30.0)
    sound, bad = extract(SIX_AMPS), extract(wrong)
    assert sound.misfit < 1.0 < bad.misfit
    for name in data_sheet.VALUES:
        assert bad.tolerance_pct[name] > 1.5 * sound.tolerance_pct[name]


def test_no_module_comes_near():
    # 100 K from one stage at 20 °C and a heat beyond all electrical power.
    nonsense = DataSheet(127, 60.0, 0.5, 100.0, 1000.0, 293.15)
    try:
        assert extract(nonsense).misfit > 5.0
    except data_sheet.SheetContradiction as found:
        assert "sheet" in str(found)


@pytest.mark.parametrize("name", presets.names("module"))
def test_every_preset_agrees_with_itself(name, note):
    sheet = presets.module(name)
    found = extract(
        DataSheet(
            sheet.couples, sheet.imax_a, sheet.vmax_v, sheet.dtmax_k, sheet.qmax_w,
            sheet.sheet_hot_side_c + 273.15, sheet.ac_resistance_ohm or 0.0,
        )
    )  # fmt: skip
    off = ", ".join(f"{key} {value:+.1f} %" for key, value in found.residuals_pct.items())
    note(f"{name}: misfit {found.misfit:.2f}; {off}")
    assert found.misfit < 1.3
    # Legs of this material: 212 uV/K each at 25 °C by the published polynomials; commodity
    # sheets fall 10 % short.
    assert 0.88 < found.seebeck / (2.0 * sheet.couples * 211.6e-6) < 1.01


# Held out: the printed AC resistance (rev. 2006 sheet, 25 °C), from the other four numbers.
HELD_OUT = [
    (72, 15.4, 8.9, 85.1, 0.45), (128, 15.4, 15.8, 151.4, 0.82), (200, 15.4, 25.0, 236.5, 1.28),
    (288, 9.0, 35.8, 198.4, 3.11), (288, 15.4, 35.8, 340.5, 1.84),
]  # fmt: skip


@pytest.mark.parametrize("row", HELD_OUT, ids=lambda row: f"{row[0]}x{row[1]}A")
def test_held_out_ac_resistance(row, note):
    """Constant properties fall 1 to 4 % short of it; varying ones overshoot by 6 to 9 %.

    Sheets are thus closer to constant properties at 25 °C than their numbers' own meaning
    allows; this is why the AC resistance belongs into the fit where it is printed.
    """
    couples, imax, vmax, qmax, ohm = row
    sheet = DataSheet(couples, imax, vmax, 68.0, qmax, 298.15)
    constant, varying = (
        extract(sheet, Tolerances(), Build(varies)).resistance for varies in (0, 1)
    )
    note(f"{couples} x {imax} A: constant {constant / ohm:.3f}, varying {varying / ohm:.3f}")
    assert 0.95 < constant / ohm < 1.0
    assert 1.05 < varying / ohm < 1.10


def test_fifty_degrees_hot_side():
    """The sheet of 2006: going to Th = 50 °C adds 10 K to dTmax and 10 % to Qmax.

    Round figures of the sheet.  Reached: 10.9 K and 11 %; the legs in one dimension give 10.7 K
    (`test_thomson`), constant properties 9.3 K.
    """
    found = extract(DataSheet(128, 15.4, 15.8, 68.0, 151.4, 298.15, 0.82))
    warm = data_sheet.predicted_numbers(found.values, Build(), 323.15)
    assert warm[2] - found.predicted["dtmax_k"] == pytest.approx(10.0, abs=1.0)
    assert warm[3] / found.predicted["qmax_w"] == pytest.approx(1.10, abs=0.02)


# In the config -----------------------------------------------------------------------------


def test_config_keys_reach_the_fit():
    base = extraction_of(changed("galley_larder", module={}))
    assert base == extract(SIX_AMPS)
    tight = extraction_of(changed("galley_larder", module={"qmax_tolerance_pct": 1.0}))
    assert abs(tight.residuals_pct["qmax_w"]) < 0.3 < abs(base.residuals_pct["qmax_w"])
    still = changed("galley_larder", module={"temperature_dependence": False})
    assert extraction_of(still) == extract(SIX_AMPS, Tolerances(), CONSTANT)
    assert plant_of(still).module.temperature_dependence == 0


def test_a_bought_module_on_top_of_a_bought_module():
    """Sheet of the lower one; the upper of the same legs, 31 of 127 couples."""
    stacked = changed(
        "galley_larder",
        module={"stages": 2, "upper_stage_couples": 31, "sheet_covers": "lower_stage",
                "middle_contact_k_per_w": 0.05},
    )  # fmt: skip
    lower = extract(SIX_AMPS).values
    (a1, r1, k1), (a2, r2, k2) = data_sheet.stage.split(*one_module_of(stacked), 31.0 / 158.0)
    assert (a2, r2, k2) == pytest.approx(lower, rel=1e-12)
    assert (a1, r1, k1) == pytest.approx([value * 31.0 / 127.0 for value in lower], rel=1e-12)
    mod = plant_of(stacked).module
    assert (mod.stages, mod.upper_share) == (2, pytest.approx(31.0 / 158.0))
    assert mod.middle_contact_w_per_k == pytest.approx(20.0)

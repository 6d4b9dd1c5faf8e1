"""The data files: each entry sound, sourced, and found by its name."""

import math

import pytest

from plant import presets


@pytest.mark.parametrize("kind", presets.KINDS)
def test_every_entry_names_its_source(kind):
    for name in presets.names(kind):
        source = presets._find(kind, name).source
        assert len(source) > 5, f"{kind} {name!r} has no source"


def test_module_sheets_agree_with_themselves():
    # Hand calculation (textbook module algebra): Qmax = Vmax Imax (Th + dTmax) / (2 Th) at
    # dT = 0. Full sheets agree within 4.2 % (published check rows); commodity listings stray
    # by up to 15 %, which is why `derating` exists. A slipped decimal is far outside.
    for name in presets.names("module"):
        sheet = presets.module(name)
        hot_k = sheet.sheet_hot_side_c + 273.15
        implied_w = sheet.vmax_v * sheet.imax_a * (hot_k + sheet.dtmax_k) / (2.0 * hot_k)
        within = 0.042 if "power-module sheet" in sheet.source else 0.16
        assert sheet.qmax_w == pytest.approx(implied_w, rel=within), name


def test_module_names_say_couples_and_amps():
    for name in presets.names("module"):
        sheet = presets.module(name)
        words = name.split()
        assert int(words[0]) == sheet.couples
        # "6 A commodity" is sold as 6 A and printed as 6.4 A.
        assert float(words[2]) == pytest.approx(sheet.imax_a, rel=0.07), name


def test_voltage_per_couple_is_that_of_bismuth_telluride():
    # Vmax / (couples Th) is the couple's Seebeck coefficient; 375 to 425 uV/K covers
    # printed sheets of this material (published class table).
    for name in presets.names("module"):
        sheet = presets.module(name)
        couple_v_per_k = sheet.vmax_v / (sheet.couples * (sheet.sheet_hot_side_c + 273.15))
        assert 375e-6 < couple_v_per_k < 425e-6, name


def test_eps_presets_lie_on_the_supplier_points():
    # Supplier's data to ASTM C578 at -3.9, 4.4, 23.9 C [W/(m K)]; three points, one line,
    # so the fit may miss each by the rounding of the original (0.01 BTU in/h ft2 F = 0.0014).
    points = {
        "EPS light": (0.0332, 0.0346, 0.0375),
        "EPS common": (0.0317, 0.0339, 0.0368),
        "EPS medium": (0.0303, 0.0317, 0.0346),
        "EPS dense": (0.0288, 0.0303, 0.0332),
    }
    for name, values in points.items():
        foam = presets.foam(name)
        for t_c, k in zip((-3.9, 4.4, 23.9), values, strict=True):
            line = foam.conductivity_w_per_m_k + foam.slope_w_per_m_k_per_k * (t_c - 10.0)
            assert line == pytest.approx(k, abs=0.0007), (name, t_c)


def test_can_has_the_published_time_constant():
    # Published row: 0.33 l can, U 6 W/m2K, side and base: 2.37 h (last digit 0.01).
    # Water, as the row; 4186 J/kgK.
    can = presets.container("can 0.33 l")
    heat = can.volume_l * 4186.0 + can.empty_mass_kg * can.wall_specific_heat_j_per_kg_k
    assert heat / (6.0 * can.film_area_m2) / 3600.0 == pytest.approx(2.37, abs=0.01)


@pytest.mark.parametrize("name", presets.names("container"))
def test_container_holds_what_it_says(name):
    # The liquid cannot take more room than the outer cylinder; shoulders leave at most half empty.
    container = presets.container(name)
    assert 0.5 < container.volume_l / container.outer_volume_l < 1.0


def test_cylinder_geometry():
    # Hand calculation: d = 100 mm, h = 100 mm: side pi/100, base pi/400 m2, volume pi/4 l.
    unit = presets.Container(0.7, 100.0, 100.0, 0.1, 840.0, "invented")
    assert unit.film_area_m2 == pytest.approx(math.pi / 100 + math.pi / 400)
    assert unit.outer_volume_l == pytest.approx(math.pi / 4)


@pytest.mark.parametrize("kind", ["hot sink", "cold sink"])
def test_size_words_are_in_order(kind):
    small, medium, large = (presets._find(kind, size) for size in ("small", "medium", "large"))
    assert small.fan_k_per_w > medium.fan_k_per_w > large.fan_k_per_w
    for sink in (small, medium, large):
        assert sink.no_fan_k_per_w > 2.0 * sink.fan_k_per_w  # fan stopped: far worse


def test_unknown_name_lists_the_valid_ones_and_the_nearest():
    with pytest.raises(presets.UnknownPreset) as caught:
        presets.foam("EPS comon")
    assert caught.value.nearest == "EPS common"
    assert caught.value.valid == presets.names("foam")
    assert "XPS" in str(caught.value)


def test_a_name_like_nothing_has_no_nearest():
    with pytest.raises(presets.UnknownPreset) as caught:
        presets.module("???")
    assert caught.value.nearest is None

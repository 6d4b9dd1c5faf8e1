"""Moist air against IAPWS values, psychrolib and CoolProp."""

import CoolProp.CoolProp as coolprop
import numpy as np
import psychrolib
import pytest

from plant import moist_air
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K

psychrolib.SetUnitSystem(psychrolib.SI)

# Saturation over ice, Pa: IAPWS R14-08 sublimation equation.
ICE_IAPWS_PA = {
    -30.0: 38.005, -25.0: 63.274, -20.0: 103.24, -15.0: 165.27, -10.0: 259.87,
    -8.0: 309.96, -5.0: 401.74, -2.0: 517.71, 0.0: 611.15,
}  # fmt: skip
# Saturation over water, Pa: IAPWS-95 (CoolProp), 2..40 C.
WATER_IAPWS_PA = {
    2.0: 705.99, 5.0: 872.58, 8.0: 1073.00, 10.0: 1228.20, 15.0: 1705.79,
    20.0: 2339.32, 25.0: 3169.93, 32.0: 4759.57,
}  # fmt: skip
# Supercooled water, Pa: Murphy and Koop 2005 (formula from memory).
SUPERCOOLED_MURPHY_KOOP_PA = {-30.0: 50.94, -20.0: 125.50, -10.0: 286.45, -5.0: 421.76}

# T C, RH; W g/kg, dew or frost point C, vapour pressure Pa by psychrolib (ideal gas), and
# W g/kg, h kJ/kg, v m3/kg by CoolProp (real gas).
STATE_POINTS = [
    (32, 0.55, 16.491, 21.828, 2617.2, 16.569, 74.60, 0.8872),
    (32, 0.70, 21.141, 25.838, 3331.0, 21.243, 86.55, 0.8936),
    (25, 0.50, 9.881, 13.864, 1584.6, 9.926, 50.42, 0.8578),
    (25, 0.60, 11.895, 16.701, 1901.5, 11.949, 55.57, 0.8605),
    (25, 0.80, 15.962, 21.309, 2535.4, 16.035, 65.97, 0.8661),
    (20, 0.50, 7.262, 9.272, 1169.4, 7.294, 38.62, 0.8399),
    (16, 0.60, 6.770, 8.248, 1091.1, 6.799, 33.29, 0.8277),
    (10, 0.70, 5.322, 4.787, 859.6, 5.344, 23.52, 0.8086),
    (8, 0.75, 4.979, 3.845, 804.6, 5.000, 20.62, 0.8024),
    (5, 0.85, 4.586, 2.691, 741.6, 4.605, 16.58, 0.7934),
    (5, 0.60, 3.230, -1.867, 523.5, 3.244, 13.17, 0.7916),
    (2, 0.90, 3.925, 0.535, 635.4, 3.941, 11.88, 0.7839),
    (0, 0.80, 3.016, -2.683, 488.9, 3.028, 7.57, 0.7771),
    (-5, 0.90, 2.227, -6.227, 361.6, 2.237, 0.54, 0.7619),
]

# kJ/kg: vaporisation 0..32 C from CoolProp (IAPWS-95); sublimation below 0 C from the molar
# fits of Murphy and Koop 2005 (from memory).
VAPORISATION_KJ = {0.01: 2500.9, 5.0: 2489.0, 10.0: 2477.2, 20.0: 2453.5, 25.0: 2441.7}
SUBLIMATION_KJ = {-20.0: 2837.9, -10.0: 2836.5, -5.0: 2835.4, 0.0: 2834.2}
FUSION_KJ = {-10.0: 312.0, -5.0: 322.9, 0.0: 333.5}

# T C: alpha/D Lewis number to the power 2/3, and vapour over heat conductance in
# (kg/m2 s)/(W/m2 K).  Air properties CoolProp; D Marrero and Mason 1972 (from memory).
LEWIS = {0.0: (0.930, 1.070e-3), 5.0: (0.927, 1.072e-3), 20.0: (0.920, 1.080e-3)}


def ratio_at(t_c, rh):
    """Humidity ratio by the plant's own functions."""
    return moist_air.humidity_ratio(rh * moist_air.saturation_pressure(ZERO_C_K + t_c))


@pytest.mark.parametrize(("t_c", "pascal"), ICE_IAPWS_PA.items())
def test_saturation_over_ice(t_c, pascal):
    # The Magnus form is stated within 0.12 % from -20 to 0 C; it grows to 0.2 % at -30 C.
    limit = 1.2e-3 if t_c >= -20.0 else 2e-3
    value = moist_air.saturation_pressure_ice(ZERO_C_K + t_c)
    assert value == pytest.approx(pascal, rel=limit)
    # Hyland-Wexler in psychrolib lies up to 0.03 % above IAPWS.
    assert value == pytest.approx(psychrolib.GetSatVapPres(t_c), rel=limit + 3e-4)


@pytest.mark.parametrize(("t_c", "pascal"), WATER_IAPWS_PA.items())
def test_saturation_over_water(t_c, pascal):
    value = moist_air.saturation_pressure_water(ZERO_C_K + t_c)
    # Error of this Magnus form: -0.11 % at 5 C, -0.25 % at 20, -0.26 % at 25 C.
    assert value == pytest.approx(pascal, rel=2.7e-3)
    live = coolprop.PropsSI("P", "T", ZERO_C_K + t_c, "Q", 0, "Water")
    assert live == pytest.approx(pascal, abs=0.006)  # the table itself, to its rounding
    assert value == pytest.approx(live, rel=2.7e-3)


@pytest.mark.parametrize(("t_c", "pascal"), SUPERCOOLED_MURPHY_KOOP_PA.items())
def test_saturation_over_supercooled_water(t_c, pascal):
    value = moist_air.saturation_pressure_water(ZERO_C_K + t_c)
    assert value == pytest.approx(pascal, rel=2.7e-3)


def test_branches_meet_at_zero():
    below = moist_air.saturation_pressure(ZERO_C_K - 1e-9)
    above = moist_air.saturation_pressure(ZERO_C_K + 1e-9)
    assert above == pytest.approx(below, rel=1e-9)
    assert below == pytest.approx(611.15, rel=2e-4)  # IAPWS R14-08 at 0 C


@pytest.mark.parametrize("row", STATE_POINTS, ids=lambda r: f"{r[0]}C-{r[1]:.2f}")
class TestStatePoints:
    def test_against_psychrolib_table(self, row):
        t_c, rh, w_ps, dew_c, pv = row[:5]
        ratio = ratio_at(t_c, rh)
        # Same ideal-gas model; only the saturation formula differs (0.25 %).
        assert ratio * 1e3 == pytest.approx(w_ps, rel=3e-3)
        assert rh * moist_air.saturation_pressure(ZERO_C_K + t_c) == pytest.approx(pv, rel=2.5e-3)
        # Over ice below 0 C in both; 0.25 % of pressure is 0.04 K of dew point, and most of
        # that cancels, as the same formula is used there and back.
        assert moist_air.dew_point(ratio) - ZERO_C_K == pytest.approx(dew_c, abs=0.02)

    def test_against_psychrolib_live(self, row):
        t_c, rh = float(row[0]), row[1]
        ratio = psychrolib.GetHumRatioFromRelHum(t_c, rh, STANDARD_PRESSURE_PA)
        assert ratio_at(t_c, rh) == pytest.approx(ratio, rel=3e-3)
        assert moist_air.relative_humidity(ZERO_C_K + t_c, ratio) == pytest.approx(rh, rel=3e-3)
        volume = psychrolib.GetMoistAirVolume(t_c, ratio, STANDARD_PRESSURE_PA)
        assert 1.0 / moist_air.dry_air_density(ZERO_C_K + t_c, ratio) == pytest.approx(
            volume, rel=1e-4
        )
        # Same formula h = cp t + W (L + cpv t); cp and L differ in the fourth digit.
        enthalpy = psychrolib.GetMoistAirEnthalpy(t_c, ratio)
        assert moist_air.moist_air_enthalpy(ZERO_C_K + t_c, ratio) == pytest.approx(
            enthalpy, abs=20.0
        )

    def test_against_coolprop(self, row):
        t_c, rh, w_cp, h_cp, v_cp = row[0], row[1], row[5], row[6], row[7]
        ratio = ratio_at(t_c, rh)
        # Real-gas enhancement, which the ideal-gas plant leaves out: 0.40..0.48 % on W, plus
        # the saturation formula's: 0.8 % together.
        assert ratio * 1e3 == pytest.approx(w_cp, rel=8e-3)
        args = ("T", ZERO_C_K + t_c, "P", STANDARD_PRESSURE_PA, "R", rh)
        live = coolprop.HAPropsSI("W", *args)
        assert live * 1e3 == pytest.approx(w_cp, abs=6e-4)
        # Enthalpy at CoolProp's own W: cp of air 1006 against 1005.7..1006.1 and real-gas parts.
        at_same_w = moist_air.moist_air_enthalpy(ZERO_C_K + t_c, live) / 1e3
        assert at_same_w == pytest.approx(h_cp, abs=0.10)
        assert 1.0 / moist_air.dry_air_density(ZERO_C_K + t_c, live) == pytest.approx(
            v_cp, rel=1e-3
        )


def test_ambient_sets_of_the_regulation():
    # UK retained regulation 2019/2018, Annex IV: 25 C/60 % is 12.0 g/kg and 16.7 C dew point,
    # 30 C/55 % is 14.8 g/kg and 20.0 C.  Printed digits; g/kg agree within 0.1 (ideal gas 0.15).
    for t_c, rh, grams, dew_c in [(25.0, 0.60, 12.0, 16.7), (30.0, 0.55, 14.8, 20.0)]:
        ratio = ratio_at(t_c, rh)
        assert ratio * 1e3 == pytest.approx(grams, abs=0.16)
        assert moist_air.dew_point(ratio) - ZERO_C_K == pytest.approx(dew_c, abs=0.06)


@pytest.mark.parametrize("t_c", [-20.0, -5.0, -0.01, 0.01, 5.0, 25.0])
def test_dew_point_undoes_saturation(t_c):
    ratio = moist_air.saturation_humidity_ratio(ZERO_C_K + t_c)
    assert moist_air.dew_point(ratio) - ZERO_C_K == pytest.approx(t_c, abs=1e-9)


class TestHeats:
    """The plant carries heats as enthalpies; latent heats are their differences."""

    @pytest.mark.parametrize(("t_c", "kilojoule"), VAPORISATION_KJ.items())
    def test_vaporisation(self, t_c, kilojoule):
        value = moist_air.vapour_enthalpy(ZERO_C_K + t_c) - moist_air.CP_LIQUID * t_c
        # Constant heat capacities: 0.05 % over 0..25 C.
        assert value / 1e3 == pytest.approx(kilojoule, rel=5e-4)
        vapour = coolprop.PropsSI("H", "T", ZERO_C_K + t_c, "Q", 1, "Water")
        liquid = coolprop.PropsSI("H", "T", ZERO_C_K + t_c, "Q", 0, "Water")
        assert value == pytest.approx(vapour - liquid, rel=5e-4)

    @pytest.mark.parametrize(("t_c", "kilojoule"), SUBLIMATION_KJ.items())
    def test_sublimation(self, t_c, kilojoule):
        ice = moist_air.CP_ICE * t_c - moist_air.LATENT_FUSION
        value = moist_air.vapour_enthalpy(ZERO_C_K + t_c) - ice
        assert value / 1e3 == pytest.approx(kilojoule, rel=5e-4)

    @pytest.mark.parametrize(("t_c", "kilojoule"), FUSION_KJ.items())
    def test_fusion(self, t_c, kilojoule):
        ice = moist_air.CP_ICE * t_c - moist_air.LATENT_FUSION
        value = moist_air.CP_LIQUID * t_c - ice
        # Supercooled water's heat capacity rises above 4.2 kJ/(kg K): 0.5 % at -10 C.
        assert value / 1e3 == pytest.approx(kilojoule, rel=5e-3)

    def test_heat_capacities_against_coolprop(self):
        air = coolprop.PropsSI("C", "T", 278.15, "P", 101325.0, "Air")
        vapour = coolprop.PropsSI("Cp0mass", "T", 283.15, "P", 1000.0, "Water")
        water = coolprop.PropsSI("C", "T", 283.15, "P", 101325.0, "Water")
        assert air == pytest.approx(moist_air.CP_DRY_AIR, rel=1e-3)
        assert vapour == pytest.approx(moist_air.CP_VAPOUR, rel=5e-3)
        # 4219..4184 J/(kg K) over 0..20 C: one constant is within 0.5 %.
        assert water == pytest.approx(moist_air.CP_LIQUID, rel=5e-3)


@pytest.mark.parametrize(("t_c", "row"), LEWIS.items())
def test_lewis_relation(t_c, row):
    power, ratio = row
    # One constant serves 0..20 C: 0.9 % at 20 C.
    assert moist_air.LEWIS_TO_TWO_THIRDS == pytest.approx(power, rel=0.01)
    assert moist_air.mass_conductance(1.0) == pytest.approx(ratio, rel=0.01)
    # Live: alpha from CoolProp over the diffusivity D = 1.87e-10 T^2.072 (from memory).
    temp_k = ZERO_C_K + t_c
    alpha = coolprop.PropsSI("L", "T", temp_k, "P", 101325.0, "Air") / (
        coolprop.PropsSI("D", "T", temp_k, "P", 101325.0, "Air")
        * coolprop.PropsSI("C", "T", temp_k, "P", 101325.0, "Air")
    )
    live = (alpha / (1.87e-10 * temp_k**2.072)) ** (2.0 / 3.0)
    assert live == pytest.approx(power, abs=0.001)


def test_one_air_change_brings_heat_and_water():
    """31.5 litres of room air replace the cabinet's (psychrolib: h and W at both states)."""
    inside_w, volume = ratio_at(5.0, 0.80), 0.0315
    # Room C and RH; total J, sensible J, water g: hand calculation from psychrolib's points.
    for t_c, rh, total, sensible, grams in [
        (25.0, 0.60, 1449.0, 736.0, 0.277), (30.0, 0.60, 1979.0, 899.0, 0.419),
    ]:  # fmt: skip
        ratio = ratio_at(t_c, rh)
        dry_kg = volume * moist_air.dry_air_density(ZERO_C_K + t_c, ratio)
        gain = moist_air.moist_air_enthalpy(ZERO_C_K + t_c, ratio)
        gain -= moist_air.moist_air_enthalpy(ZERO_C_K + 5.0, inside_w)
        assert dry_kg * gain == pytest.approx(total, rel=4e-3)
        assert dry_kg * moist_air.CP_DRY_AIR * (t_c - 5.0) == pytest.approx(sensible, rel=4e-3)
        assert dry_kg * (ratio - inside_w) * 1e3 == pytest.approx(grams, rel=5e-3)


# Beyond boiling ------------------------------------------------------------------------


@pytest.mark.parametrize("pressure_pa", [101325.0, 54020.0])  # sea level, 5000 m
def test_humidity_ratio_rises_without_a_pole(pressure_pa):
    """Smooth and rising to 200 °C, the true formula as far as a share of 0.8."""
    kelvin = ZERO_C_K + np.arange(-40.0, 200.0, 0.01)
    ratio = np.array([moist_air.saturation_humidity_ratio(t, pressure_pa) for t in kelvin])
    assert np.isfinite(ratio).all() and (np.diff(ratio) > 0.0).all()
    slope = np.diff(ratio[kelvin > ZERO_C_K + 1.0])  # at 0 °C ice begins, which is a true kink
    assert (np.abs(np.diff(slope)) < 0.01 * slope[1:]).all()  # no kink where the tangent begins
    vapour_pa = 0.79 * pressure_pa
    exact = moist_air.MOLAR_MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa)
    assert moist_air.humidity_ratio(vapour_pa, pressure_pa) == exact


def test_the_line_below_saturation_is_below_it():
    """Air under the line is not saturated, from -60 to 90 °C, at sea level and on a mountain."""
    for pressure_pa in (101325.0, 70000.0):
        for temp_c in np.linspace(-60.0, 90.0, 301):
            saturated = moist_air.saturation_humidity_ratio(temp_c + 273.15, pressure_pa)
            assert not moist_air.surely_unsaturated(temp_c + 273.15, saturated, pressure_pa)
    assert moist_air.surely_unsaturated(281.15, 0.005)  # 8 °C, 75 %

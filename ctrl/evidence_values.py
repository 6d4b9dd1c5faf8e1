"""What the model says for each outside check: plain numbers in, one number out.

Every entry calls the model's own functions on the way that a run takes; units as the
check files state them.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from ctrl.build import plant_of
from ctrl.config import Config, build_config, load_config, plain_data
from ctrl.config_cabinet import Cabinet
from ctrl.firmware import reading_step_k
from ctrl.readings import SensorSettings, linearise
from plant import (
    cabinet,
    contents,
    drive,
    envelope,
    frost,
    module,
    moist_air,
    presets,
    sensors,
)
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K

BASE = "benchmark"  # a shipped cabinet that lends what a check does not state


def _record(name: str, part: Any) -> np.record:
    """Return one part of a plant as the record that kernels read."""
    return cabinet.to_record(replace(_base_plant(), **{name: part}))[name]


@cache
def _base_config() -> Config:
    return load_config(BASE)


@cache
def _base_plant() -> cabinet.Plant:
    return plant_of(_base_config())


def _config_with(**sections: dict[str, Any]) -> Config:
    return build_config(plain_data(_base_config()) | sections, "outside check")


# Module -------------------------------------------------------------------------------


def _sheet(couples: int, imax_a: float, vmax_v: float, dtmax_k: float, hot_c: float) -> Any:
    """Return a sheet whose Qmax is left out: no number, so that using it would show."""
    return module.DataSheet(couples, imax_a, vmax_v, dtmax_k, float("nan"), hot_c + ZERO_C_K)


def sheet_qmax_w(**sheet: Any) -> float:
    return module.implied_qmax_w(_sheet(**sheet))


def sheet_resistance_ohm(**sheet: Any) -> float:
    return module.lumped_parameters(_sheet(**sheet))[1]


def sheet_seebeck_mv_per_k(**sheet: Any) -> float:
    return 1e3 * module.lumped_parameters(_sheet(**sheet))[0]


def module_cooling_w(a: float, r: float, k: float, amps: float, cold_c: float, hot_c: float) -> Any:
    return module.cold_heat(a, r, k, amps, amps**2, cold_c + ZERO_C_K, hot_c + ZERO_C_K)


def module_power_w(a: float, r: float, amps: float, cold_c: float, hot_c: float) -> Any:
    return module.electrical_power(a, r, amps, amps**2, cold_c + ZERO_C_K, hot_c + ZERO_C_K)


def best_current_a(a: float, r: float, k: float, cold_c: float, hot_c: float) -> float:
    return module.best_cop(a, r, k, cold_c + ZERO_C_K, hot_c + ZERO_C_K)[0]


def best_cop(a: float, r: float, k: float, cold_c: float, hot_c: float) -> float:
    return module.best_cop(a, r, k, cold_c + ZERO_C_K, hot_c + ZERO_C_K)[1]


def peak_current_a(a: float, r: float, cold_c: float) -> float:
    return module.peak_cooling_current_a(a, r, cold_c + ZERO_C_K)


def _largest_difference_k(a: float, r: float, k: float, hot_k: float) -> float:
    """Return the largest difference at a fixed hot side [K], by halving."""
    low, high = 100.0, hot_k
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = middle + module.largest_difference_k(a, r, k, middle) > hot_k
        low, high = (low, middle) if above else (middle, high)
    return hot_k - low


def difference_gained_k(a: float, r: float, k: float, from_c: float, to_c: float) -> float:
    """Return what the largest difference gains with a warmer hot side [K]."""
    warm, cool = (_largest_difference_k(a, r, k, c + ZERO_C_K) for c in (to_c, from_c))
    return warm - cool


def path_w_per_k(*, k: float, cold_k_per_w: float, hot_k_per_w: float) -> float:
    return envelope.series(k, 1.0 / cold_k_per_w, 1.0 / hot_k_per_w)


# Moist air ----------------------------------------------------------------------------


def over_ice_pa(t_c: float) -> Any:
    return moist_air.saturation_pressure_ice(t_c + ZERO_C_K)


def over_water_pa(t_c: float) -> Any:
    return moist_air.saturation_pressure_water(t_c + ZERO_C_K)


def _ratio(t_c: float, rh_pct: float) -> Any:
    pressure = 0.01 * rh_pct * moist_air.saturation_pressure(t_c + ZERO_C_K)
    return moist_air.humidity_ratio(pressure)


def grams_per_kg(t_c: float, rh_pct: float) -> float:
    return 1e3 * _ratio(t_c, rh_pct)


def dew_point_c(t_c: float, rh_pct: float) -> float:
    return moist_air.dew_point(_ratio(t_c, rh_pct)) - ZERO_C_K


def humidity_pct(t_c: float, g_per_kg: float) -> float:
    return 100.0 * moist_air.relative_humidity(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def volume_m3_per_kg(t_c: float, g_per_kg: float) -> float:
    return 1.0 / moist_air.dry_air_density(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def enthalpy_kj_per_kg(t_c: float, g_per_kg: float) -> float:
    return 1e-3 * moist_air.moist_air_enthalpy(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def sublimation_kj_per_kg(t_c: float) -> float:
    ice = moist_air.CP_ICE * t_c - moist_air.LATENT_FUSION
    return 1e-3 * (moist_air.vapour_enthalpy(t_c + ZERO_C_K) - ice)


def vaporisation_kj_per_kg(t_c: float) -> float:
    return 1e-3 * (moist_air.vapour_enthalpy(t_c + ZERO_C_K) - cabinet.liquid_enthalpy(
        t_c + ZERO_C_K))  # fmt: skip


def vapour_over_heat_g(heat_w_per_k: float) -> float:
    """Return grams a second and unit of humidity ratio for a conductance of heat."""
    return 1e3 * moist_air.mass_conductance(heat_w_per_k)


# Frost --------------------------------------------------------------------------------


def fresh_density(surface_c: float) -> Any:
    return frost.deposit_density(surface_c + ZERO_C_K)


def frost_conductivity(density: float) -> Any:
    return frost.conductivity(density)


def flow_left(gap_over: float) -> float:
    """Return the share of a laminar gap's flow with frost of 1/`gap_over` gap a side.

    The film goes with the root of the flow; read backwards.
    """
    return frost.blocked_film_factor(frost.open_fraction(1.0 / gap_over, 1.0)) ** 2


def melting_kj_per_kg(excess_k: float) -> float:
    """Return the heat that melts a kilogram: the metal's heat over the melting rate."""
    rate = frost.melting_rate(ZERO_C_K + excess_k, 1.0, 1.0)
    return 1e-3 * frost.PHASE_CHANGE_W_PER_M2_K * excess_k / rate


def layer_g_per_m2(air_c: float, rh_pct: float, sink_c: float, film: float, hours: float) -> float:
    """Return the frost after some hours on a square metre held cold [g], in 30 s steps.

    The flows are those of the right-hand side, frost surface and layer in series.
    """
    step_s, air_k, sink_k = 30.0, air_c + ZERO_C_K, sink_c + ZERO_C_K
    ratio, vapour_film = _ratio(air_c, rh_pct), moist_air.mass_conductance(film)
    mass, volume = 0.0, 0.0
    for _ in range(round(hours * 3600.0 / step_s)):
        layer = 1e9
        if volume > 0.0:
            layer = frost.conductivity(mass / volume) / volume
        surface_k = frost.surface_temperature(film, layer, air_k, ratio, sink_k, 1.0)
        grown = step_s * cabinet.vapour_flow(
            vapour_film, ratio, surface_k, 0.0, STANDARD_PRESSURE_PA
        )
        mass += grown
        volume += grown / frost.deposit_density(surface_k)
    return 1e3 * mass


# Envelope -----------------------------------------------------------------------------


def _box(width_m: float, depth_m: float, height_m: float, wall_m: float, k: float) -> envelope.Box:
    walls = {f"{face}_m": wall_m for face in ("front", "back", "left", "right", "top", "bottom")}
    return envelope.Box(width_m, depth_m, height_m, conductivity_w_per_m_k=k, **walls)


def box_shape_m(width_m: float, depth_m: float, height_m: float, wall_m: float) -> float:
    box = _box(width_m, depth_m, height_m, wall_m, 1.0)
    return sum(envelope.conduction_shape_factors_m(box).values())


def edge_shape(side_m: float, wall_m: float) -> float:
    """Return the edges' shape factor per length of edge."""
    parts = envelope.conduction_shape_factors_m(_box(side_m, side_m, side_m, wall_m, 1.0))
    return parts["edges"] / (12.0 * side_m)


def box_leak_w_per_k(
    width_m: float, depth_m: float, height_m: float, wall_m: float, k: float,
    inside: float, outside: float,
) -> float:  # fmt: skip
    box = _box(width_m, depth_m, height_m, wall_m, k)
    foam = k * sum(envelope.conduction_shape_factors_m(box).values())
    return envelope.series(inside * box.inside_area_m2, foam, outside * box.outside_area_m2)


def door_l_per_s(width_m: float, height_m: float, inside_c: float, outside_c: float) -> float:
    flow = envelope.door_flow_m3_per_s(width_m, height_m, inside_c + ZERO_C_K, outside_c + ZERO_C_K)
    return 1e3 * flow


def foam_w_per_m_k(name: str, t_c: float) -> float:
    foam = presets.foam(name)
    return foam.conductivity_w_per_m_k + foam.slope_w_per_m_k_per_k * (t_c - 10.0)


def default_outside_film() -> float:
    return float(Cabinet.model_fields["outside_film_w_per_m2_k"].default)


def air_change_j(litres: float, room_c: float, room_pct: float, in_c: float, in_pct: float) -> Any:
    room, inside = _ratio(room_c, room_pct), _ratio(in_c, in_pct)
    dry_kg = 1e-3 * litres * moist_air.dry_air_density(room_c + ZERO_C_K, room)
    return dry_kg * (
        moist_air.moist_air_enthalpy(room_c + ZERO_C_K, room)
        - moist_air.moist_air_enthalpy(in_c + ZERO_C_K, inside)
    )


def air_change_g(litres: float, room_c: float, room_pct: float, in_c: float, in_pct: float) -> Any:
    room, inside = _ratio(room_c, room_pct), _ratio(in_c, in_pct)
    dry_kg = 1e-3 * litres * moist_air.dry_air_density(room_c + ZERO_C_K, room)
    return 1e3 * dry_kg * (room - inside)


# Contents -----------------------------------------------------------------------------


def _bottle(container: str, liquid: str, film: float) -> contents.Contents:
    part = {
        "kind": "bottles", "container": container, "count": 1, "liquid": liquid,
        "film_w_per_m2_k": film, "film_fan_stopped_w_per_m2_k": min(film, 5.0),
    }  # fmt: skip
    return plant_of(_config_with(contents=part)).contents


def bottle_time_constant_h(container: str, liquid: str, film: float) -> float:
    one = _bottle(container, liquid, film)
    return one.heat_capacity_j_per_k / one.film_w_per_k / 3600.0


def _goods(kg: float, cp: float) -> np.record:
    part = {
        "kind": "goods", "mass_kg": kg, "water_share": 1.0, "specific_heat_j_per_kg_k": cp,
        "surface_m2": 0.1, "freezing_c": 0.0,
    }  # fmt: skip
    return _record("contents", plant_of(_config_with(contents=part)).contents)


def freezing_kj(kg: float, cp: float, from_c: float, to_c: float) -> float:
    lump = _goods(kg, cp)
    warm, cold = (contents.enthalpy(lump, c + ZERO_C_K) for c in (from_c, to_c))
    return 1e-3 * (warm - cold)


def frozen_share(kg: float, cp: float, from_c: float, taken_kj: float) -> float:
    lump = _goods(kg, cp)
    left = contents.enthalpy(lump, from_c + ZERO_C_K) - 1e3 * taken_kj
    return float(contents.frozen_share(lump, left))


def cooled_to_c(kg: float, cp: float, from_c: float, taken_kj: float) -> float:
    lump = _goods(kg, cp)
    left = contents.enthalpy(lump, from_c + ZERO_C_K) - 1e3 * taken_kj
    return float(contents.temperature(lump, left)) - ZERO_C_K


def liquid_freezing_c(name: str) -> float:
    return presets.liquid(name).freezing_c


def liquid_cp_kj(name: str) -> float:
    return 1e-3 * presets.liquid(name).specific_heat_j_per_kg_k


def liquid_latent_kj(container: str, name: str) -> float:
    liquid_kg = (
        1e-3 * presets.container(container).volume_l * presets.liquid(name).density_kg_per_m3
    )
    return 1e-3 * _bottle(container, name, 6.0).latent_j / liquid_kg


# Drive --------------------------------------------------------------------------------


def _ideal(kind: str, supply_v: float, **more: Any) -> np.record:
    """Return a drive without losses."""
    part = replace(
        _base_plant().drive, kind=drive.DRIVE_KINDS[kind], supply_v=supply_v,
        current_limit_a=100.0, source_ohm=0.0, wire_ohm=0.0, switch_ohm=0.0,
        converter_efficiency=1.0, ripple=0.0, **more,
    )  # fmt: skip
    return _record("drive", replace(part, supply_efficiency=1.0, standby_w=0.0))


def pwm_cooling_w(
    a: float, r: float, k: float, supply_v: float, duty: float, cold_c: float, hot_c: float
) -> Any:
    cold_k, hot_k = cold_c + ZERO_C_K, hot_c + ZERO_C_K
    mean, square, _ = drive.mean_currents(_ideal("fast_pwm", supply_v), a, r, duty, hot_k - cold_k)
    return module.cold_heat(a, r, k, mean, square, cold_k, hot_k)


def pwm_power_between_sinks_w(
    a: float, r: float, k: float, supply_v: float, duty: float, cold_c: float, room_c: float,
    cold_k_per_w: float, hot_k_per_w: float,
) -> float:  # fmt: skip
    """Return the module's power once both faces are in balance [W], by damped repetition."""
    ideal, air_k, room_k = _ideal("fast_pwm", supply_v), cold_c + ZERO_C_K, room_c + ZERO_C_K
    cold_k, hot_k, power = air_k, room_k, 0.0
    for _ in range(400):
        mean, square, _ = drive.mean_currents(ideal, a, r, duty, hot_k - cold_k)
        cooling = module.cold_heat(a, r, k, mean, square, cold_k, hot_k)
        power = module.electrical_power(a, r, mean, square, cold_k, hot_k)
        cold_k += 0.3 * (air_k - cold_k_per_w * cooling - cold_k)
        hot_k += 0.3 * (room_k + hot_k_per_w * (cooling + power) - hot_k)
    return float(power)


def ripple_loss_pct(ripple: float, a: float, r: float, k: float, cold_c: float) -> float:
    """Return what a ripple takes off the largest difference [%], by search over the duty."""

    def largest(part: np.record) -> float:
        duties = np.linspace(0.3, 1.0, 701)
        return max(_no_load_difference(part, a, r, k, cold_c + ZERO_C_K, duty) for duty in duties)

    smooth = _ideal("current", 100.0, set_current_a=10.0)
    rough = smooth.copy()
    rough["ripple"] = ripple
    return 100.0 * (1.0 - largest(rough) / largest(smooth))


def _no_load_difference(
    part: np.record, a: float, r: float, k: float, cold_k: float, duty: float
) -> float:
    mean, square, _ = drive.mean_currents(part, a, r, duty, 0.0)
    return float(module.cold_heat(a, r, k, mean, square, cold_k, cold_k)) / k


def limited_a(seebeck_v: float, ohm: float, power_w: float) -> Any:
    return drive.limited_current(seebeck_v, ohm, power_w)


def gauge_mohm_per_m(gauge: int) -> float:
    """Return a conductor's resistance [mohm/m]; the gauge law gives its area."""
    diameter_mm = 0.127 * 92.0 ** ((36 - gauge) / 39.0)
    return 0.5e3 * drive.wire_resistance_ohm(1.0, 0.25 * np.pi * diameter_mm**2)


def wire_carries_a(area_mm2: float) -> float:
    return drive.wire_ampacity_a(area_mm2)


def fuse_a(current_a: float) -> float:
    return drive.fuse_for_a(current_a) or float("nan")


# Sensors ------------------------------------------------------------------------------


def thermistor_ohm(t_c: float, beta_k: float) -> Any:
    return sensors.thermistor_ohm(t_c + ZERO_C_K, 10e3, beta_k)


def divider_code(t_c: float, beta_k: float, divider_ohm: float, bits: int) -> Any:
    ohm = sensors.thermistor_ohm(t_c + ZERO_C_K, 10e3, beta_k)
    return sensors.divider_code(ohm, divider_ohm, 2.0**bits)


def digital_code(t_c: float) -> Any:
    part = replace(_base_plant().control_sensor, fitted=1, kind=sensors.DIGITAL)
    return sensors.code_of(_record("control_sensor", part), t_c + ZERO_C_K)


def firmware_reading_c(code: int, beta_k: float, bits: int) -> float:
    """Return what the microcontroller makes of a code, in its whole numbers."""
    part = SensorSettings.thermistor(
        r25_ohm=10e3, beta_k=beta_k, divider_ohm=10e3, adc_bits=bits, tick_s=1.0
    )
    return 0.01 * linearise(part.to_words(), 0, code)


def code_step_k(beta_k: float, bits: int) -> float:
    part = _base_config().sensor.model_copy(update={
        "kind": "thermistor", "r25_ohm": 10e3, "divider_ohm": 10e3, "beta_k": beta_k,
        "adc_bits": bits,
    })  # fmt: skip
    return reading_step_k(part)


def noise_square(draws: int) -> float:
    return float(np.mean([sensors.noise_draw(1, 0, 0, tick) ** 2 for tick in range(draws)]))


def noise_beyond_pct(draws: int, sigmas: float) -> float:
    """Return how many draws lie further out than some standard deviations [%]."""
    beyond = sum(abs(sensors.noise_draw(3, 0, 1, tick)) > sigmas for tick in range(draws))
    return 100.0 * beyond / draws


VALUES: dict[str, Callable[..., Any]] = {
    function.__name__: function
    for function in (
        sheet_qmax_w, sheet_resistance_ohm, sheet_seebeck_mv_per_k, module_cooling_w,
        module_power_w, best_current_a, best_cop, peak_current_a, difference_gained_k,
        path_w_per_k, over_ice_pa, over_water_pa, grams_per_kg, dew_point_c, humidity_pct,
        volume_m3_per_kg, enthalpy_kj_per_kg, sublimation_kj_per_kg, vaporisation_kj_per_kg,
        vapour_over_heat_g, fresh_density, frost_conductivity, flow_left, melting_kj_per_kg,
        layer_g_per_m2, box_shape_m, edge_shape, box_leak_w_per_k, door_l_per_s, foam_w_per_m_k,
        default_outside_film, air_change_j, air_change_g, bottle_time_constant_h, freezing_kj,
        frozen_share, cooled_to_c, liquid_freezing_c, liquid_cp_kj, liquid_latent_kj,
        pwm_cooling_w, pwm_power_between_sinks_w, ripple_loss_pct, limited_a, gauge_mohm_per_m,
        wire_carries_a, fuse_a, thermistor_ohm, divider_code, digital_code, firmware_reading_c,
        code_step_k, noise_square, noise_beyond_pct,
    )
}  # fmt: skip

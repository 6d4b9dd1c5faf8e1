"""What the model says for each outside check: plain numbers in, one number out.

Every entry calls functions that a run, a search or `check` calls, on parameters as a check
states them.  Units as the check files state them.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from ctrl import evidence_cabinet, evidence_electric
from ctrl.build import plant_of
from ctrl.evidence_base import base_config, base_plant, config_with, public_functions, record
from ctrl.firmware import reading_step_k
from ctrl.readings import SensorSettings, linearise
from plant import cabinet, contents, envelope, films, frost, moist_air, presets, sensors
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K

# Moist air ----------------------------------------------------------------------------


def over_ice_pa(t_c: float) -> Any:
    return moist_air.saturation_pressure_ice(t_c + ZERO_C_K)


def over_water_pa(t_c: float) -> Any:
    return moist_air.saturation_pressure_water(t_c + ZERO_C_K)


def _ratio(t_c: float, rh_pct: float) -> Any:
    pressure = 0.01 * rh_pct * moist_air.saturation_pressure(t_c + ZERO_C_K)
    return moist_air.humidity_ratio(pressure)


def grams_per_kg(vapour_pa: float) -> Any:
    return 1e3 * moist_air.humidity_ratio(vapour_pa)


def grams_at_humidity(t_c: float, rh_pct: float) -> Any:
    return 1e3 * _ratio(t_c, rh_pct)


def dew_point_c(t_c: float, rh_pct: float) -> Any:
    return moist_air.dew_point(_ratio(t_c, rh_pct)) - ZERO_C_K


def dew_point_of_c(g_per_kg: float) -> Any:
    return moist_air.dew_point(1e-3 * g_per_kg) - ZERO_C_K


def humidity_pct(t_c: float, g_per_kg: float) -> Any:
    return 100.0 * moist_air.relative_humidity(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def volume_m3_per_kg(t_c: float, g_per_kg: float) -> Any:
    return 1.0 / moist_air.dry_air_density(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def enthalpy_kj_per_kg(t_c: float, g_per_kg: float) -> Any:
    return 1e-3 * moist_air.moist_air_enthalpy(t_c + ZERO_C_K, 1e-3 * g_per_kg)


def sublimation_kj_per_kg(t_c: float) -> Any:
    ice = moist_air.CP_ICE * t_c - moist_air.LATENT_FUSION
    return 1e-3 * (moist_air.vapour_enthalpy(t_c + ZERO_C_K) - ice)


def vaporisation_kj_per_kg(t_c: float) -> Any:
    liquid = cabinet.liquid_enthalpy(t_c + ZERO_C_K)
    return 1e-3 * (moist_air.vapour_enthalpy(t_c + ZERO_C_K) - liquid)


def vapour_over_heat_g(heat_w_per_k: float) -> Any:
    """Return grams a second and unit of humidity ratio for a conductance of heat."""
    return 1e3 * moist_air.mass_conductance(heat_w_per_k)


# Frost --------------------------------------------------------------------------------


def fresh_density(kind: str, surface_c: float, metal_c: float) -> Any:
    return frost.fresh_density(frost.DENSITIES[kind], surface_c + ZERO_C_K, metal_c + ZERO_C_K)


def frost_conductivity(kind: str, density: float) -> Any:
    return frost.layer_conductivity(frost.CONDUCTIVITIES[kind], density)


def flow_left(gap_over: float) -> Any:
    """Return the share of a laminar gap's flow with frost of 1/`gap_over` gap a side."""
    return frost.blocked_flow(frost.open_fraction(1.0 / gap_over, 1.0))


def melting_kj_per_kg(excess_k: float) -> Any:
    """Return the heat that melts a kilogram: the metal's heat over the melting rate."""
    rate = frost.melting_rate(ZERO_C_K + excess_k, 1.0, 1.0)
    return 1e-3 * frost.PHASE_CHANGE_W_PER_M2_K * excess_k / rate


@cache
def _layer(
    air_c: float, rh_pct: float, sink_c: float, film: float, hours: float,
) -> tuple[float, float, float]:  # fmt: skip
    """Return (frost [kg], volume [m3], surface [°C]) on a square metre held cold.

    Steps of 15 s; the flows are those of the right-hand side, frost surface and layer in
    series, fresh frost by the default correlation.
    """
    step_s, air_k, sink_k = 15.0, air_c + ZERO_C_K, sink_c + ZERO_C_K
    ratio, vapour_film = _ratio(air_c, rh_pct), moist_air.mass_conductance(film)
    mass, volume, surface_k = 0.0, 0.0, sink_k
    for _ in range(round(hours * 3600.0 / step_s)):
        layer = frost.NO_LAYER_W_PER_K
        if volume > 0.0:
            layer = frost.layer_conductivity(frost.SANDERS, mass / volume) / volume
        surface_k = frost.surface_temperature(film, layer, air_k, ratio, sink_k, 1.0)
        grown = step_s * cabinet.vapour_flow(
            vapour_film, ratio, surface_k, 0.0, STANDARD_PRESSURE_PA
        )
        mass += grown
        volume += grown / frost.fresh_density(frost.HAYASHI, surface_k, sink_k)
    return mass, volume, surface_k - ZERO_C_K


def layer_g_per_m2(**conditions: float) -> float:
    return 1e3 * _layer(**conditions)[0]


def layer_surface_c(**conditions: float) -> float:
    return _layer(**conditions)[2]


# Envelope -----------------------------------------------------------------------------


def _box(width_m: float, depth_m: float, height_m: float, wall_m: float, k: float) -> envelope.Box:
    walls: dict[str, Any] = {
        f"{face}_m": wall_m for face in ("front", "back", "left", "right", "top", "bottom")
    }
    return envelope.Box(width_m, depth_m, height_m, conductivity_w_per_m_k=k, **walls)


def box_shape_m(width_m: float, depth_m: float, height_m: float, wall_m: float) -> float:
    return sum(envelope.wall_parts_w_per_k(_box(width_m, depth_m, height_m, wall_m, 1.0)).values())


def edge_shape(side_m: float, wall_m: float) -> float:
    """Return the edges' shape factor per length of edge."""
    parts = envelope.wall_parts_w_per_k(_box(side_m, side_m, side_m, wall_m, 1.0))
    return parts["edges"] / (12.0 * side_m)


def box_leak_w_per_k(
    width_m: float, depth_m: float, height_m: float, wall_m: float, k: float,
    inside: float, outside: float,
) -> float:  # fmt: skip
    box = _box(width_m, depth_m, height_m, wall_m, k)
    foam = sum(envelope.wall_parts_w_per_k(box).values())
    return envelope.series(inside * box.inside_area_m2, foam, outside * box.outside_area_m2)


def door_l_per_s(width_m: float, height_m: float, inside_c: float, outside_c: float) -> float:
    flow = envelope.door_flow_m3_per_s(width_m, height_m, inside_c + ZERO_C_K, outside_c + ZERO_C_K)
    return 1e3 * flow


def foam_w_per_m_k(name: str, t_c: float) -> float:
    foam = presets.foam(name)
    return foam.conductivity_w_per_m_k + foam.slope_w_per_m_k_per_k * (t_c - 10.0)


def _leaked(
    litres: float, room_c: float, room_g: float, in_c: float, in_g: float
) -> tuple[float, float]:
    """Return (heat [J], water [g]) that one air change brings, by the right-hand side itself.

    A box without walls' heat leaks 1/h; the slope of its ledger with that leak, less without.
    """
    plant, hour = base_plant(), 3600.0
    slopes = []
    for leak_per_s in (1.0 / hour, 0.0):
        box = replace(plant.envelope, volume_m3=1e-3 * litres, leak_per_s=leak_per_s)
        record = cabinet.to_record(replace(plant, envelope=box))
        state = cabinet.uniform_state(plant, in_c + ZERO_C_K, 1e-3 * in_g)
        cabinet.set_air(record, state, in_c + ZERO_C_K, 1e-3 * in_g)
        inputs, slope = np.zeros(cabinet.INPUTS), np.zeros(cabinet.STATES)
        inputs[cabinet.AMBIENT] = room_c + ZERO_C_K
        inputs[cabinet.AMBIENT_W] = 1e-3 * room_g
        cabinet.derivative(record, state, inputs, slope)
        slopes.append(slope)
    with_leak, without = slopes
    gained = hour * (with_leak - without)
    return float(gained[cabinet.HEAT_IN]), float(1e3 * gained[cabinet.WATER_IN])


def air_change_j(**airs: float) -> float:
    return _leaked(**airs)[0]


def air_change_g(**airs: float) -> float:
    return _leaked(**airs)[1]


# Films ----------------------------------------------------------------------------------


def plate_film(film_k: float, difference_k: float, height_m: float) -> float:
    """Return the film of a vertical plate in still air [W/(m2 K)]."""
    air = films.air(film_k)
    rayleigh = films.grashof(air, difference_k, height_m) * air.prandtl
    return films.plate_nusselt(air.prandtl, rayleigh) * air.conductivity_w_per_m_k / height_m


def bottle_film(difference_k: float, height_m: float, diameter_m: float, film_k: float) -> float:
    """Return the still-air film of an upright bottle as a run gets it, without radiation."""
    surface_k = film_k + 0.5 * difference_k
    return films.outer_film_w_per_m2_k(
        surface_k, height_m, diameter_m, 0.0, 0.0, rise_k=difference_k
    )


def crossflow_number(prandtl: float, reynolds: float) -> float:
    return films.crossflow_nusselt(prandtl, reynolds)


def water_film(t_c: float, difference_k: float, height_m: float) -> float:
    """Return the film of water along an upright glass wall [W/(m2 K)]."""
    water = films.water(t_c + ZERO_C_K)
    rayleigh = films.grashof(water, difference_k, height_m) * water.prandtl
    return films.plate_nusselt(water.prandtl, rayleigh) * water.conductivity_w_per_m_k / height_m


def water_density(t_c: float) -> float:
    return films.water_density_kg_per_m3(t_c + ZERO_C_K)


def radiation_film(one_k: float, other_k: float) -> float:
    return films.radiation_w_per_m2_k(one_k, other_k)


# Contents -----------------------------------------------------------------------------


def _goods(kg: float, cp: float) -> np.record:
    part = {
        "kind": "goods", "mass_kg": kg, "water_share": 1.0, "specific_heat_j_per_kg_k": cp,
        "surface_m2": 0.1, "freezing_c": 0.0,
    }  # fmt: skip
    return record("contents", plant_of(config_with(contents=part)).contents)


def freezing_kj(kg: float, cp: float, from_c: float, to_c: float) -> float:
    lump = _goods(kg, cp)
    warm, cold = (contents.enthalpy(lump, c + ZERO_C_K) for c in (from_c, to_c))
    return 1e-3 * (warm - cold)


def frozen_share(kg: float, cp: float, from_c: float, taken_kj: float) -> float:
    lump = _goods(kg, cp)
    left = contents.enthalpy(lump, from_c + ZERO_C_K) - 1e3 * taken_kj
    return float(contents.ice_share(lump, left, 1.0))


def liquid_freezing_c(name: str) -> float:
    return presets.liquid(name).freezing_c


def liquid_cp_kj(name: str) -> float:
    return 1e-3 * presets.liquid(name).specific_heat_j_per_kg_k


# Sensors ------------------------------------------------------------------------------


def thermistor_ohm(t_c: float, beta_k: float) -> Any:
    return sensors.thermistor_ohm(t_c + ZERO_C_K, 10e3, beta_k)


def divider_code(t_c: float, beta_k: float, divider_ohm: float, bits: int) -> Any:
    ohm = sensors.thermistor_ohm(t_c + ZERO_C_K, 10e3, beta_k)
    return sensors.divider_code(ohm, divider_ohm, 2.0**bits)


def digital_code(t_c: float) -> Any:
    part = replace(base_plant().control_sensor, fitted=1, kind=sensors.DIGITAL)
    return sensors.code_of(record("control_sensor", part), t_c + ZERO_C_K)


def firmware_reading_c(code: int, beta_k: float, bits: int) -> float:
    """Return what the microcontroller makes of a code, in its whole numbers."""
    part = SensorSettings.thermistor(
        r25_ohm=10e3, beta_k=beta_k, divider_ohm=10e3, adc_bits=bits, tick_s=1.0
    )
    return 0.01 * linearise(part.to_words(), 0, code)


def code_step_k(beta_k: float, bits: int) -> float:
    part = base_config().sensor.model_copy(update={
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


# Every public function above, those of module and drive, and of the whole cabinet, by name.
VALUES: dict[str, Callable[..., Any]] = (
    evidence_electric.VALUES | evidence_cabinet.VALUES | public_functions(dict(globals()))
)

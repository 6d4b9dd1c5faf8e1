"""From the config to the plant: heat leak, modules, contents, sinks, by hand."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest

from ctrl.build import (
    SHORTEST_LAG_S,
    at_ambient,
    box_of,
    heat_leak_parts_w_per_k,
    plant_of,
    with_supply_v,
)
from ctrl.config import build_config, load_config, plain_data
from ctrl.shipped import shipped_names
from plant import cabinet, drive, envelope, moist_air
from plant.constants import ZERO_C_K
from plant.steady import operating_point


def changed(name, **tables):
    """Return a shipped config with keys of its tables changed; None takes a key away."""
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        merged = {**data.get(table, {}), **keys}
        data[table] = {key: value for key, value in merged.items() if value is not None}
    return build_config(data, name)


# Heat leak -------------------------------------------------------------------------------


def bare_box(inside_film, outside_film):
    """Return the config of a bare 0.30 x 0.30 x 0.35 m box, 40 mm of 0.036 W/(m K)."""
    return changed(
        "galley_larder",
        cabinet={
            "foam": "EPS light", "foam_thickness_mm": 40, "foam_conductivity_w_per_m_k": 0.036,
            "inside_film_w_per_m2_k": inside_film, "outside_film_w_per_m2_k": outside_film,
            "air_changes_per_h": 0.0, "door_seal_w_per_m_k": 0.0, "module_opening_w_per_k": 0.0,
            "metal_through_wall_w_per_k": 0.0, "module_opening_width_mm": 0.0,
        },
        climate={"usual_c": 12.0, "worst_c": 30.0},  # foam's mean (12 + 8)/2 = 10 °C: no slope
    )  # fmt: skip


@pytest.mark.parametrize(
    ("inside_film", "outside_film", "ua"), [(7.5, 7.5, 0.503), (8.0, 10.0, 0.516)]
)
def test_leak_of_the_handbook_box(inside_film, outside_film, ua):
    # Check values: 3-D finite differences with textbook shape factors, given to 0.001 W/K.
    config = bare_box(inside_film, outside_film)
    found = sum(heat_leak_parts_w_per_k(config).values())
    # By hand: S = 15.000 + 2.052 + 0.048 = 17.100 m; inside 0.600 m2, outside 0.9424 m2.
    by_hand = 1.0 / (1 / (0.6 * inside_film) + 1 / (17.1 * 0.036) + 1 / (0.9424 * outside_film))
    print(f"handbook box: {found:.4f} W/K, table {ua}, by hand {by_hand:.4f}")
    assert found == pytest.approx(ua, abs=0.001)
    assert found == pytest.approx(by_hand, rel=1e-4)


@pytest.mark.parametrize("name", shipped_names())
def test_leak_parts_add_up_to_the_plants_envelope(name):
    config = load_config(name)
    part = plant_of(config).envelope
    foam = envelope.series(part.foam_w_per_k, part.inside_film_w_per_k, part.outside_film_w_per_k)
    room = plant_of(config).climate
    # Dry air of the room by the gas law, its vapour's heat capacity with it.
    dry_pa = room.pressure_pa / (1.0 + room.humidity_ratio / 0.621945)
    kg_per_s = part.volume_m3 * part.leak_per_s * dry_pa / 287.042 / room.mean_k
    air = kg_per_s * (1006.0 + 1860.0 * room.humidity_ratio)
    parts = heat_leak_parts_w_per_k(config)
    assert sum(parts.values()) == pytest.approx(foam + part.direct_w_per_k + air, rel=1e-12)
    assert min(parts.values()) > 0.0


def test_leak_of_the_plant_is_what_the_steady_state_shows():
    # Invariant: with all off but both fans, the fan's own heat over the leak is the rise.
    config = changed(
        "galley_larder", use={"door_openings_per_day": 0, "load_share": 0.0},
        cabinet={"air_changes_per_h": 0.0}, climate={"relative_humidity_pct": 5.0},
        module={"temperature_dependence": False},
    )  # fmt: skip
    plant = plant_of(config)
    # The foam as the parts are stated, not at the warm wall's own temperature.
    plant = replace(plant, envelope=replace(plant.envelope, foam_slope_per_k=0.0))
    ambient_k = plant.climate.mean_k
    point = operating_point(plant, 0.0, ambient_k, 1.0, 1.0)
    mod = plant.module
    through_module = envelope.series(
        plant.cold_sink.fan_w_per_k, mod.cold_contact_w_per_k, mod.conductance_w_per_k,
        mod.hot_contact_w_per_k, plant.hot_sink.fan_w_per_k,
    )  # fmt: skip
    leak = sum(heat_leak_parts_w_per_k(config).values())
    rise_k = plant.cold_sink.fan_w / (leak + through_module)  # two ways out in parallel
    print(f"1 W fan warms the cabinet by {point.air_k - ambient_k:.4f} K, by hand {rise_k:.4f} K")
    assert point.air_k - ambient_k == pytest.approx(rise_k, rel=1e-3)


def test_the_hole_for_the_module_replaces_foam():
    # 40 x 40 mm of 50 mm foam at 0.0345 + 1.77e-4 (15 - 10) W/(m K): area k / L.
    config = load_config("galley_larder")
    k = 0.0345 + 1.77e-4 * (0.5 * (22.0 + 8.0) - 10.0)
    with_hole = plant_of(config).envelope.foam_w_per_k
    without = plant_of(
        changed("galley_larder", cabinet={"module_opening_width_mm": 0.0})
    ).envelope.foam_w_per_k
    assert without - with_hole == pytest.approx(0.04 * 0.04 * k / 0.05, rel=1e-9)


def test_conductivity_follows_the_foams_mean_temperature():
    # EPS, ASTM C578 data: 1.77e-4 W/(m K) for each kelvin about 10 °C; mean of room and target.
    cool, warm = (
        box_of(changed("galley_larder", climate={"usual_c": c})).conductivity_w_per_m_k
        for c in (12.0, 28.0)
    )
    assert cool == pytest.approx(0.0345, rel=1e-9)  # mean 10 °C: the sheet's own value
    assert warm - cool == pytest.approx(1.77e-4 * 8.0, rel=1e-9)  # mean 18 °C
    own = changed("galley_larder", cabinet={"foam_conductivity_w_per_m_k": 0.04},
                  climate={"usual_c": 12.0})  # fmt: skip
    assert box_of(own).conductivity_w_per_m_k == pytest.approx(0.04, rel=1e-9)


def test_each_face_takes_its_own_foam():
    # Benchmark: 50 mm, the door 40 mm. Faces by hand, area over thickness.
    box = box_of(load_config("benchmark"))
    front, side, lid = 0.30 * 0.35, 0.30 * 0.35, 0.30 * 0.30
    by_hand = front / 0.04 + front / 0.05 + 2.0 * side / 0.05 + 2.0 * lid / 0.05
    assert envelope.wall_parts_w_per_k(box)["faces"] == pytest.approx(
        by_hand * box.conductivity_w_per_m_k, rel=1e-12
    )
    assert box.outside_m == pytest.approx((0.40, 0.39, 0.45))  # only the depth feels the door


def test_heat_stored_in_the_wall():
    # Foam volume x density x specific heat (20 kg/m3, 1450 J/(kg K)), halved; lining 900 J/K in.
    part = plant_of(load_config("galley_larder")).envelope
    foam_m3 = 0.40 * 0.40 * 0.45 - 0.30 * 0.30 * 0.35
    half = 0.5 * foam_m3 * 20.0 * 1450.0
    assert part.outer_heat_capacity_j_per_k == pytest.approx(half, rel=1e-9)
    assert part.inner_heat_capacity_j_per_k == pytest.approx(half + 900.0, rel=1e-9)


# Module and drive ------------------------------------------------------------------------


def test_a_bank_of_modules():
    one, two_by_three = (
        plant_of(
            changed("galley_larder", module={"in_series": s, "in_parallel": p})
        ).module
        for s, p in ((1, 1), (2, 3))
    )  # fmt: skip
    # Electrically a string of 2 (a and R double), 3 strings (R a third); thermally 6 side by side.
    assert two_by_three.seebeck_v_per_k == pytest.approx(2.0 * one.seebeck_v_per_k)
    assert two_by_three.resistance_ohm == pytest.approx(2.0 / 3.0 * one.resistance_ohm)
    assert two_by_three.conductance_w_per_k == pytest.approx(6.0 * one.conductance_w_per_k)
    assert two_by_three.face_heat_capacity_j_per_k == pytest.approx(
        6.0 * one.face_heat_capacity_j_per_k
    )
    # The joints are stated for all modules together.
    assert two_by_three.cold_contact_w_per_k == one.cold_contact_w_per_k == pytest.approx(1 / 0.03)


def test_module_from_the_sheet_in_the_file():
    # Film box: Imax 6.4 A, Vmax 14.4 V, dTmax 66 K at Th 298.15 K, derating 0.9 on the Seebeck
    # coefficient. Textbook: a = V/Th, R = V (Th - dT)/(I Th), K = V I (Th - dT)/(2 Th dT), if
    # properties are constant and Qmax is what these three imply, V I (Th + dT)/(2 Th).
    th, dt = 298.15, 66.0
    agreeing = {
        "qmax_w": 14.4 * 6.4 * (th + dt) / (2.0 * th), "ac_resistance_ohm": None,
        "temperature_dependence": False,
    }  # fmt: skip
    mod = plant_of(changed("film_box", module=agreeing)).module
    assert mod.seebeck_v_per_k == pytest.approx(0.9 * 14.4 / th, rel=1e-6)
    assert mod.resistance_ohm == pytest.approx(14.4 * (th - dt) / (6.4 * th), rel=1e-6)
    assert mod.conductance_w_per_k == pytest.approx(
        14.4 * 6.4 * (th - dt) / (2 * th * dt), rel=1e-6
    )


def test_wire_and_converter_go_to_the_drive():
    smooth, pulsed = (plant_of(load_config(name)).drive for name in ("film_box", "galley_larder"))
    # 1 m there and back of 1.5 mm2 copper, 1.724e-8 ohm m (IEC 60028): 22.99 milliohm.
    assert smooth.wire_ohm == pytest.approx(2 * 1.724e-8 / 1.5e-6, rel=1e-12)
    assert (smooth.converter_efficiency, smooth.ripple) == (0.92, 0.05)
    # A transistor alone converts nothing: no loss, no ripple of its own.
    assert (pulsed.converter_efficiency, pulsed.ripple) == (1.0, 0.0)
    assert pulsed.kind == drive.FAST_PWM
    assert pulsed.switch_ohm == 0.02


# Sinks, contents, climate ----------------------------------------------------------------


def test_recirculation_warms_the_intake():
    # Heat balance by hand: intake r/(1 - r) of the exhaust's rise 1/(flow rho cp) per watt.
    sink = plant_of(load_config("galley_larder")).hot_sink
    rise = 0.05 / 0.95 / (75.0 / 3600.0 * 1.2 * 1006.0)
    assert 1.0 / sink.fan_w_per_k == pytest.approx(0.16 + rise, rel=1e-9)
    assert rise == pytest.approx(0.00209, abs=1e-5)  # 2 mK per watt: little under a worktop
    free = plant_of(changed("galley_larder", hot_sink={"exhaust_recirculation": 0.0})).hot_sink
    assert 1.0 / free.fan_w_per_k == pytest.approx(0.16, rel=1e-12)


def test_bottles_by_hand():
    # 12 PET bottles of 0.5 l: 0.52 kg at 3900 J/(kg K) each, shell 22 g at 1200 J/(kg K).
    part = plant_of(load_config("galley_larder")).contents
    liquid_kg = 12 * 0.5e-3 * 1040.0
    heat = liquid_kg * 3900.0 + 12 * 0.022 * 1200.0
    # Side and base of a cylinder 65 mm wide, 205 mm high: pi d h + pi d2/4.
    area = 12 * (pi * 0.065 * 0.205 + pi * 0.065**2 / 4)
    assert part.heat_capacity_j_per_k == pytest.approx(heat, rel=1e-9)
    # Films by hand from the correlations in tests/test_contents_films.py; as given here.
    given = changed(
        "galley_larder",
        contents={"film_w_per_m2_k": 12.0, "film_fan_stopped_w_per_m2_k": 7.0,
                  "touching_share": 0.25},
    )  # fmt: skip
    fixed = plant_of(given).contents
    assert fixed.film_w_per_k == pytest.approx(12.0 * 0.75 * area, rel=1e-9)
    assert fixed.film_still_w_per_k == pytest.approx(7.0 * 0.75 * area, rel=1e-9)
    assert 9.0 * area < part.film_w_per_k < 12.0 * area
    # 89.5 % of it is water, 333.5 kJ/kg, ice 2090 against 4195 J/(kg K).
    assert part.latent_j == pytest.approx(liquid_kg * 0.895 * 3.335e5, rel=1e-9)
    frozen = heat - liquid_kg * 0.895 * (4195.0 - 2090.0)
    assert part.frozen_heat_capacity_j_per_k == pytest.approx(frozen, rel=1e-9)
    assert part.freezing_k == pytest.approx(ZERO_C_K - 0.6)


def test_goods_by_hand():
    # 10 kg of fish: 3600 J/(kg K), 78 % water, 0.40 m2.
    part = plant_of(load_config("summer_fish_box")).contents
    assert part.heat_capacity_j_per_k == pytest.approx(36000.0)
    assert part.latent_j == pytest.approx(7.8 * 3.335e5)
    assert part.frozen_heat_capacity_j_per_k == pytest.approx(36000.0 - 7.8 * 2105.0)
    given = changed("summer_fish_box", contents={"film_w_per_m2_k": 12.0})
    assert plant_of(given).contents.film_w_per_k == pytest.approx(12.0 * 0.40)
    assert 8.0 * 0.40 < part.film_w_per_k < 12.0 * 0.40


def test_an_empty_cabinet_still_has_finite_numbers():
    empty = plant_of(changed("galley_larder", contents={"count": 0}, use={"load_share": 0.0}))
    assert 0.0 < empty.contents.heat_capacity_j_per_k < 10.0
    full = plant_of(changed("galley_larder", use={"load_share": 0.0}))
    points = [operating_point(plant, 0.5, 295.15) for plant in (empty, full)]
    # What stands in the cabinet stores heat but carries none: the steady air is the same.
    assert points[0].air_k == pytest.approx(points[1].air_k, abs=1e-4)


def test_climate_from_the_room():
    room = plant_of(load_config("galley_larder")).climate
    assert room.mean_k == pytest.approx(295.15)
    # 60 % of saturation at 22 °C: 9.86 g/kg (psychrometric tables).
    assert room.humidity_ratio == pytest.approx(0.00986, rel=0.02)
    moved = at_ambient(plant_of(load_config("galley_larder")), 30.0, 80.0).climate
    assert moved.mean_k == pytest.approx(303.15)
    # Relative humidity is a share of the vapour pressure, not of the humidity ratio.
    ratio = moist_air.humidity_ratio(0.8 * moist_air.saturation_pressure(303.15))
    assert moved.humidity_ratio == pytest.approx(ratio, rel=1e-12)
    assert (moved.swing_k, moved.doors_per_day, moved.load_k) == (6.0, 10, pytest.approx(293.15))


def test_sensors_as_fitted():
    plant = plant_of(load_config("seed_store"))
    assert (plant.control_sensor.fitted, plant.hot_sensor.fitted, plant.cold_sensor.fitted) == (
        1, 1, 0,
    )  # fmt: skip
    assert plant.control_sensor.lag_s == 20.0
    quick = plant_of(changed("seed_store", sensor={"lag_s": 0.0}))
    assert quick.control_sensor.lag_s == SHORTEST_LAG_S


def test_another_supply_voltage_changes_nothing_else():
    plant = plant_of(load_config("galley_larder"))
    high = with_supply_v(plant, 14.4)
    assert high.drive.supply_v == 14.4
    assert with_supply_v(high, plant.drive.supply_v) == plant


@pytest.mark.parametrize("name", shipped_names())
def test_every_shipped_config_builds_a_plant_of_finite_numbers(name):
    plant = plant_of(load_config(name))
    words = np.frombuffer(cabinet.to_record(plant).tobytes(), dtype=np.float64)
    assert words.size > 50
    state = cabinet.uniform_state(plant, plant.climate.mean_k, plant.climate.humidity_ratio)
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(cabinet.to_record(plant), state, np.ones(cabinet.INPUTS) * 0.5, slope)
    assert np.all(np.isfinite(slope))
    assert plant.envelope.foam_w_per_k > 0.0

"""Films of bottles and goods against published rows and, live, `ht` and CoolProp."""

import ht
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.optimize import brentq
from scipy.special import j0, j1

from ctrl.build import contents_films, plant_of
from ctrl.check import check
from ctrl.config import ConfigError, build_config, load_config, plain_data
from plant import cabinet, contents, films
from plant.constants import ZERO_C_K


def changed(name, **sections):
    data = plain_data(load_config(name))
    for section, keys in sections.items():
        data[section] = {**data[section], **keys}
    return build_config(data, name)


@pytest.mark.parametrize("t_c", [-10.0, 5.0, 25.0, 50.0])
def test_air_against_coolprop(t_c):
    kelvin = ZERO_C_K + t_c
    ours = films.air(kelvin)
    density = PropsSI("D", "T", kelvin, "P", 101325.0, "Air")
    assert ours.viscosity_m2_per_s == pytest.approx(
        PropsSI("V", "T", kelvin, "P", 101325.0, "Air") / density, rel=0.01
    )
    assert ours.conductivity_w_per_m_k == pytest.approx(
        PropsSI("L", "T", kelvin, "P", 101325.0, "Air"), rel=0.012
    )


@pytest.mark.parametrize("t_c", [0.5, 2.0, 4.15, 8.0, 10.0, 20.0])
def test_water_against_coolprop(t_c):
    kelvin = ZERO_C_K + t_c
    ours = films.water(kelvin)

    def live(name):
        return PropsSI(name, "T", kelvin, "P", 101325.0, "Water")

    assert films.water_density_kg_per_m3(kelvin) == pytest.approx(live("D"), rel=2e-5)
    assert ours.viscosity_m2_per_s == pytest.approx(live("V") / live("D"), rel=0.035)
    assert ours.conductivity_w_per_m_k == pytest.approx(live("L"), rel=0.01)
    expansivity = live("ISOBARIC_EXPANSION_COEFFICIENT")
    assert ours.expansivity_per_k == pytest.approx(expansivity, rel=0.02, abs=2e-7)


# Published check rows: film temperature K, difference K, height m: film W/(m2 K), 3 decimals.
PLATES = [(281.0, 2.0, 0.3, 2.330), (281.0, 10.0, 0.3, 3.697), (310.0, 20.0, 0.1, 5.092)]
# Difference K, height m, diameter m at 283 K: film by Popiel's form.
CYLINDERS = [(5.0, 0.20, 0.065, 3.553), (15.0, 0.20, 0.065, 4.743), (10.0, 0.115, 0.066, 4.616)]
# Water in a bottle 0.2 m high: °C, difference K, film (no conduction floor).
LIQUIDS = [(20.0, 2.0, 288.0), (10.0, 1.0, 166.0), (4.15, 1.0, 58.0)]


@pytest.mark.parametrize(("film_k", "difference_k", "height_m", "expected"), PLATES)
def test_plate_rows(film_k, difference_k, height_m, expected):
    air = films.air(film_k)
    grashof = films.grashof(air, difference_k, height_m)
    found = films.plate_nusselt(air.prandtl, grashof * air.prandtl) * air.conductivity_w_per_m_k
    assert found / height_m == pytest.approx(expected, rel=0.01)  # air's properties


@pytest.mark.parametrize(("difference_k", "height_m", "diameter_m", "expected"), CYLINDERS)
def test_cylinder_rows(difference_k, height_m, diameter_m, expected):
    air = films.air(283.0)
    grashof = films.grashof(air, difference_k, height_m)
    nusselt = films.cylinder_nusselt(air.prandtl, grashof, height_m / diameter_m)
    live = ht.Nu_vertical_cylinder(
        Pr=air.prandtl, Gr=grashof, L=height_m, D=diameter_m, Method="Popiel & Churchill"
    )
    assert nusselt == pytest.approx(live, rel=1e-6)
    assert nusselt * air.conductivity_w_per_m_k / height_m == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("t_c", "difference_k", "expected"), LIQUIDS)
def test_liquid_rows(t_c, difference_k, expected):
    water = films.water(ZERO_C_K + t_c)
    grashof = films.grashof(water, difference_k, 0.2)
    nusselt = films.plate_nusselt(water.prandtl, grashof * water.prandtl)
    assert nusselt * water.conductivity_w_per_m_k / 0.2 == pytest.approx(expected, rel=0.025)


@pytest.mark.parametrize("reynolds", [300.0, 2300.0, 2e4])
def test_crossflow_live(reynolds):
    live = ht.Nu_cylinder_Churchill_Bernstein(reynolds, 0.71)
    assert films.crossflow_nusselt(0.71, reynolds) == pytest.approx(live, rel=1e-6)


@pytest.mark.parametrize(
    ("one_k", "other_k", "expected"), [(283, 278, 4.506), (293, 278, 4.754), (298, 294, 5.294)]
)
def test_radiation_rows(one_k, other_k, expected):
    assert films.radiation_w_per_m2_k(one_k, other_k, 0.9) == pytest.approx(expected, abs=6e-4)


def test_conduction_floor_is_the_cylinder_s_first_eigenvalue():
    root = brentq(j0, 2.0, 3.0)
    assert root**2 == pytest.approx(films.CYLINDER_EIGENVALUE, abs=6e-4)
    assert 3.0 * np.pi**2 / 6.0 == pytest.approx(films.CUBE_EIGENVALUE, abs=6e-4)
    assert j1(root) > 0.5  # a true crossing, no touch


def test_near_4_c_the_liquid_stands_still():
    """By conduction alone 5.783 x 0.569 / 0.065 = 51 W/(m2 K); two or three times that away."""
    at_4, at_8, at_15 = (
        films.liquid_film_w_per_m2_k(ZERO_C_K + t, 0.205, 0.065, 50.0) for t in (3.98, 8.0, 15.0)
    )
    assert at_4 == pytest.approx(51.0, rel=0.02)
    assert at_8 > 1.8 * at_4
    assert at_15 > 2.5 * at_4


def test_check_says_so_near_4_c():
    water = {"liquid": "water"}
    near = check(changed("galley_larder", use={"target_c": 4.5}, contents=water)).contents
    away = check(changed("galley_larder", contents=water)).contents
    assert near.near_densest and not away.near_densest
    assert near.core_film_w_per_m2_k < 0.7 * away.core_film_w_per_m2_k
    assert near.biot > away.biot


@pytest.mark.parametrize(
    ("liquid", "target_c", "expected"),
    [("water", 4.0, True), ("water", 8.0, False), ("soft drink", 4.0, False), ("milk", 4.0, False),
     ("beer", 3.0, True), ("beer", 6.0, False), ("wine", 4.0, False), ("wine", -1.5, True),
     ("soft drink", -1.5, False)],
)  # fmt: skip
def test_each_liquid_has_its_own_densest_point(liquid, target_c, expected):
    """Sugar, alcohol and milk move it; a soft drink freezes at -0.6 °C before it gets there."""
    data = {"target_c": target_c, "contents_min_c": -9.0}
    found = check(changed("galley_larder", use=data, contents={"liquid": liquid})).contents
    assert found.near_densest is expected


def test_a_sugared_drink_at_4_c_stirs_itself():
    """By hand: densest at -1.5 °C, so that it expands at 4 °C as water does at 9.5 °C."""
    drink, as_water = films.watery(ZERO_C_K + 4.0, -1.5), films.water(ZERO_C_K + 9.48)
    assert drink.expansivity_per_k == pytest.approx(as_water.expansivity_per_k, rel=1e-9)
    assert drink.conductivity_w_per_m_k == films.water(ZERO_C_K + 4.0).conductivity_w_per_m_k
    water, sugared = (
        films.liquid_film_w_per_m2_k(ZERO_C_K + 4.0, 0.205, 0.065, 50.0, densest, 0.0)
        for densest in (3.98, -1.5)
    )
    assert sugared > 1.8 * water


def test_a_stated_film_sets_the_biot_number():
    for name in ("galley_larder", "summer_fish_box"):
        calm, windy = (
            contents_films(changed(name, contents={"film_w_per_m2_k": film}))
            for film in (8.0, 32.0)
        )
        assert (calm.film, windy.film) == (8.0, 32.0)
        assert windy.biot > 2.5 * calm.biot  # with more flux a liquid's core stirs itself more
    assert windy.biot == pytest.approx(4.0 * calm.biot, rel=1e-9)  # goods: h L / k


@pytest.mark.parametrize("name", ["galley_larder", "summer_fish_box"])
@pytest.mark.parametrize(
    "stated", [{"film_w_per_m2_k": 2.0}, {"film_fan_stopped_w_per_m2_k": 90.0}]
)
def test_stopping_the_fan_never_improves_a_film(name, stated):
    found = contents_films(changed(name, contents=stated))
    assert found.film_still <= found.film
    key, value = next(iter(stated.items()))
    assert value == (found.film if key == "film_w_per_m2_k" else found.film_still)


def test_a_stopped_film_above_the_running_one_is_refused():
    films_stated = {"film_w_per_m2_k": 8.0, "film_fan_stopped_w_per_m2_k": 9.0}
    with pytest.raises(ConfigError, match=r"film_fan_stopped.*at most film_w_per_m2_k \(8 W"):
        changed("summer_fish_box", contents=films_stated)


def test_one_lump_cools_like_the_cylinder_itself():
    """A long water cylinder that does not stir, 11 W/(m2 K): exact first decay (Bessel).

    Outer film and conduction floor in a row give the lump's rate; Biot 0.3.
    """
    radius, conductivity, capacity, outer = 0.0325, 0.569, 4195.0 * 999.9, 11.0
    biot = outer * radius / conductivity
    zeta = brentq(lambda z: z * j1(z) - biot * j0(z), 1e-3, 2.4)
    exact = zeta**2 * conductivity / (capacity * radius**2)
    floor = films.CYLINDER_EIGENVALUE * conductivity / (2.0 * radius)
    lump = films.series_w_per_m2_k(outer, floor) * 2.0 / radius / capacity
    bare = outer * 2.0 / radius / capacity
    assert lump == pytest.approx(exact, rel=0.05)
    assert bare > 1.1 * exact  # without the core the lump would be well too quick


def test_touching_bottles_lose_surface_and_a_faster_fan_gains_film():
    plain = plant_of(load_config("galley_larder")).contents
    packed = plant_of(changed("galley_larder", contents={"touching_share": 0.3})).contents
    assert packed.film_w_per_k == pytest.approx(0.7 * plain.film_w_per_k, rel=1e-9)
    windy = contents_films(changed("galley_larder", contents={"air_speed_m_per_s": 1.5}))
    calm = contents_films(load_config("galley_larder"))
    assert windy.film > 1.2 * calm.film
    assert windy.film_still < 1.02 * calm.film_still


# Supercooling ----------------------------------------


def supercooled(supercooling_k=4.0):
    part = contents.Contents(2000.0, 1000.0, 160e3, ZERO_C_K, 1.0, 0.5, supercooling_k)
    dtype = cabinet.PLANT_DTYPE["contents"]
    return np.array([tuple(getattr(part, n) for n in dtype.names)], dtype).view(np.recarray)[0]


def test_liquid_stays_liquid_then_leaps_up():
    """By hand: at -4 °C, 2000 J/K x 4 K of 160 kJ are ice at once: 5 %, and 0 °C."""
    part, enthalpy = supercooled(), -4.0 * 2000.0
    almost = 0.999 * enthalpy
    assert contents.ice_begins(part, almost, 0.0) == 0.0
    assert contents.lump_temperature(part, almost, 0.0) == pytest.approx(ZERO_C_K - 3.996)
    assert contents.ice_share(part, almost, 0.0) == 0.0
    assert contents.ice_begins(part, enthalpy, 0.0) == 1.0
    assert contents.lump_temperature(part, enthalpy, 1.0) == ZERO_C_K
    assert contents.ice_share(part, enthalpy, 1.0) == pytest.approx(0.05)
    # It melts at its freezing point, not where it froze.
    assert contents.ice_begins(part, -10.0, 1.0) == 1.0
    assert contents.ice_begins(part, 10.0, 1.0) == 0.0


def test_without_supercooling_nothing_changes():
    part = supercooled(0.0)
    for enthalpy in (-100.0, -9000.0, 500.0):
        assert contents.lump_temperature(part, enthalpy, 0.0) == contents.temperature(
            part, enthalpy
        )


def test_supercooling_in_a_run_keeps_the_balance():
    from ctrl.firmware import firmware_of, settings_of
    from ctrl.loop import Loop
    from ctrl.trial import warm_state

    config = changed(
        "summer_fish_box", climate={"usual_c": 3.0, "coldest_c": 2.0, "daily_swing_k": 0.0},
        contents={"start_c": 2.0, "mass_kg": 0.3, "supercooling_k": 3.0},
        use={"target_c": -5.0, "contents_min_c": -20.0, "load_share": 0.0},
        controller={"kind": "fixed", "fixed_duty": 1.0},
    )  # fmt: skip
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    record = loop.run(12 * 3600.0, 10.0)
    coldest, share = record["contents_c"], record["frozen_share"]
    freezing_c = plant.contents.freezing_k - ZERO_C_K
    begun = int(np.argmax(share > 0.0))
    assert begun > 0
    assert coldest[begun - 1] == pytest.approx(freezing_c - 3.0, abs=0.1)
    assert coldest[begun] == pytest.approx(freezing_c, abs=1e-6)  # the leap
    assert abs(record.energy_residual_rel) < 1e-12

"""The default film coefficients against correlations, live by the `ht` library.

The config takes film coefficients as numbers with defaults of the trade (common practice,
no source).  A default must lie within what natural convection and radiation make of it.
"""

import ht
import pytest

from ctrl.build import contents_films
from ctrl.config import load_config
from ctrl.config_cabinet import Cabinet

GRAVITY = 9.80665
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA


def air(film_k):
    """Return (conductivity [W/(m K)], kinematic viscosity [m2/s], Prandtl [-]) at 1 atm."""
    from CoolProp.CoolProp import PropsSI

    density = PropsSI("D", "T", film_k, "P", 101325.0, "Air")
    viscosity = PropsSI("V", "T", film_k, "P", 101325.0, "Air") / density
    conductivity = PropsSI("L", "T", film_k, "P", 101325.0, "Air")
    heat = PropsSI("C", "T", film_k, "P", 101325.0, "Air")
    return conductivity, viscosity, viscosity * density * heat / conductivity


def grashof(film_k, difference_k, length_m):
    _, viscosity, _ = air(film_k)
    return GRAVITY * difference_k * length_m**3 / (film_k * viscosity**2)


def plate(film_k, difference_k, length_m):
    """Film of a vertical plate in still air [W/(m2 K)], Churchill and Chu."""
    conductivity, _, prandtl = air(film_k)
    nusselt = ht.Nu_vertical_plate_Churchill(Pr=prandtl, Gr=grashof(film_k, difference_k, length_m))
    return nusselt * conductivity / length_m


def radiation(one_k, other_k, emissivity=0.9):
    """Film of radiation between near-black surfaces [W/(m2 K)]."""
    return emissivity * STEFAN_BOLTZMANN * (one_k**2 + other_k**2) * (one_k + other_k)


@pytest.mark.parametrize(
    ("film_k", "difference_k", "length_m", "expected"),
    # Computed check rows of a vertical plate in air, three digits.
    [(281.0, 2.0, 0.3, 2.330), (281.0, 5.0, 0.3, 3.024), (296.0, 3.0, 0.4, 2.446)],
)
def test_the_correlation_gives_the_table_s_rows(film_k, difference_k, length_m, expected):
    assert plate(film_k, difference_k, length_m) == pytest.approx(expected, rel=2e-3)


def default_of(model, key):
    return model.model_fields[key].default


def test_the_outside_film_lies_within_convection_and_radiation():
    # The outer wall stands 1 to 5 K below the room; walls of 0.3 to 0.5 m.
    low = plate(297.0, 1.0, 0.5) + radiation(298.0, 297.0)
    high = plate(294.0, 5.0, 0.3) + radiation(298.0, 293.0)
    print(f"outside: {low:.2f} to {high:.2f} W/(m2 K)")
    assert low < default_of(Cabinet, "outside_film_w_per_m2_k") < high + 0.5


def test_the_inside_films_lie_within_convection_and_radiation():
    # Still air against the inner wall: 1 to 4 K; the fan adds forced convection.
    low = plate(279.0, 1.0, 0.35) + radiation(278.0, 280.0)
    high = plate(280.0, 4.0, 0.3) + radiation(278.0, 282.0)
    print(f"inside, still: {low:.2f} to {high:.2f} W/(m2 K)")
    still = default_of(Cabinet, "inside_film_fan_stopped_w_per_m2_k")
    # A cabinet full of bottles sees less wall than an empty one: down to two thirds.
    assert low * 2.0 / 3.0 < still < high
    assert still < default_of(Cabinet, "inside_film_w_per_m2_k") < 3.0 * high


def test_the_bottles_film_lies_within_convection_and_radiation():
    # A half-litre bottle, 65 x 205 mm, 5 to 15 K warmer than the air; Popiel's form.
    conductivity, _, prandtl = air(283.0)
    films = [
        ht.Nu_vertical_cylinder(
            Pr=prandtl, Gr=grashof(283.0, rise_k, 0.205), L=0.205, D=0.065,
            Method="Popiel & Churchill",
        )
        * conductivity / 0.205
        for rise_k in (5.0, 15.0)
    ]  # fmt: skip
    free = films[1] + radiation(293.0, 278.0)
    print(f"bottle in still air: {films[0]:.2f} alone to {free:.2f} W/(m2 K) with radiation")
    # The config's own film, from the plant's correlations.
    own = contents_films(load_config("galley_larder"))
    still = own.outer_still
    # Bottles side by side see each other, not the cold wall: between no and full radiation.
    assert films[0] < still < free
    assert own.outer > still

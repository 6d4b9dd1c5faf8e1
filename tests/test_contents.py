"""Contents against CoolProp's water and published cooling times."""

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import quad

from plant import cabinet, contents
from plant.constants import ZERO_C_K

# Time constant [h] and time from 25 to 10 C in 5 C air [h] (published, computed from
# m cp/(U A)).  Half-litre PET at 6, 9, 15 W/m2K and 0.75 litre glass at 9 W/m2K.
COOLING_TIMES_H = [(2.17, 3.01), (1.45, 2.01), (0.87, 1.21), (1.80, 2.50)]
# Heat capacity of water [J/(kg K)] at 5..25 C, CoolProp.
WATER_CP = {5.0: 4205.0, 10.0: 4195.2, 15.0: 4188.5, 20.0: 4184.1, 25.0: 4181.3}


def lump(mass_kg=0.5, freezing_c=0.0):
    """Return the record of water, with CoolProp's mean cp and the latent heat of fusion."""
    part = contents.Contents(
        heat_capacity_j_per_k=mass_kg * 4190.0, frozen_heat_capacity_j_per_k=mass_kg * 2090.0,
        latent_j=mass_kg * 333.5e3, freezing_k=ZERO_C_K + freezing_c, film_w_per_k=1.0,
        film_still_w_per_k=0.5,
    )  # fmt: skip
    dtype = cabinet.PLANT_DTYPE["contents"]
    values = tuple(getattr(part, name) for name in dtype.names)
    return np.array([values], dtype=dtype).view(np.recarray)[0]


@pytest.mark.parametrize("t_c", [-15.0, -1e-6, 0.5, 20.0])
def test_enthalpy_and_temperature_undo_each_other(t_c):
    water = lump()
    joule = contents.enthalpy(water, ZERO_C_K + t_c)
    assert contents.temperature(water, joule) - ZERO_C_K == pytest.approx(t_c, abs=1e-9)


@pytest.mark.parametrize(("t_c", "cp"), WATER_CP.items())
def test_water_table_and_one_constant(t_c, cp):
    live = PropsSI("C", "T", ZERO_C_K + t_c, "P", 101325.0, "Water")
    assert live == pytest.approx(cp, abs=0.06)
    # One heat capacity for liquid water, read as a slope of the plant's curve: within 0.4 %.
    water = lump(1.0)
    slope = contents.enthalpy(water, ZERO_C_K + t_c + 0.5) - contents.enthalpy(
        water, ZERO_C_K + t_c - 0.5
    )
    assert slope == pytest.approx(live, rel=4e-3)


def test_heat_to_cool_and_freeze_water_against_coolprop_and_a_quadrature():
    """From 25 C liquid to -5 C ice; ice heat capacity 2.05..2.1 kJ/(kg K), from memory."""
    water = lump(1.0)
    taken = contents.enthalpy(water, ZERO_C_K + 25.0) - contents.enthalpy(water, ZERO_C_K - 5.0)
    liquid = PropsSI("H", "T", 298.15, "P", 101325.0, "Water") - PropsSI(
        "H", "T", 273.16, "P", 101325.0, "Water"
    )
    ice, _ = quad(lambda t: 2050.0 + 8.0 * (t + 5.0), -5.0, 0.0)
    assert taken == pytest.approx(liquid + 333.5e3 + ice, rel=3e-3)


def test_plateau():
    water = lump(0.5, freezing_c=-0.5)
    latent = 0.5 * 333.5e3
    for share in (0.0, 0.25, 0.5, 1.0):
        assert contents.temperature(water, -share * latent) == ZERO_C_K - 0.5
        assert contents.frozen_share(water, -share * latent) == pytest.approx(share, abs=1e-12)
    assert contents.temperature(water, -latent - 2090.0 * 0.5) == pytest.approx(
        ZERO_C_K - 1.5, abs=1e-9
    )
    assert contents.frozen_share(water, 1.0) == 0.0


@pytest.mark.parametrize(("tau_h", "time_h"), COOLING_TIMES_H)
def test_cooling_time_of_a_bottle_in_steady_air(tau_h, time_h, example_plant):
    """The plant's own right-hand side with the air held at 5 C, in 5 s steps."""
    from dataclasses import replace

    capacity = 2000.0
    bottle = replace(
        example_plant,
        contents=replace(
            example_plant.contents, heat_capacity_j_per_k=capacity, freezing_k=ZERO_C_K,
            film_w_per_k=capacity / (tau_h * 3600.0),
        ),
    )  # fmt: skip
    record = cabinet.to_record(bottle)
    state = cabinet.uniform_state(bottle, ZERO_C_K + 5.0, 0.003)
    state[cabinet.CONTENTS_H] = contents.enthalpy(record.contents, ZERO_C_K + 25.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = ZERO_C_K + 5.0, 1.0
    slope, seconds = np.zeros(cabinet.STATES), 0.0
    while cabinet.contents_temperature(record, state) > ZERO_C_K + 10.0:
        cabinet.derivative(record, state, inputs, slope)
        state[cabinet.CONTENTS_H] += 5.0 * slope[cabinet.CONTENTS_H]
        seconds += 5.0
    assert seconds / 3600.0 == pytest.approx(time_h, abs=0.011)  # two roundings of 0.005 h
    assert seconds / 3600.0 == pytest.approx(tau_h * math.log(4.0), rel=2e-3)

"""Film coefficients from correlations: bottles and goods in the air, and the liquid in them.

Worked out once, when a cabinet is built: over a day's differences of 1 to 15 K a still film
moves by about a fifth either way, one in the fan's stream by a hundredth.
"""

from dataclasses import dataclass, replace
from math import log, sqrt

from plant.constants import GRAVITY_M_PER_S2, STANDARD_PRESSURE_PA, ZERO_C_K

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA
EMISSIVITY = 0.9  # glass, plastic, paper, painted metal (from memory)
# Difference between contents and air at which a film is taken [K]. Invented: between the
# first hour after loading and the quiet night.
FILM_RISE_K = 5.0
WATER_DENSEST_C = 3.98  # textbook
# First eigenvalue squared of a long cylinder that cools by conduction (textbook, 2.4048^2).
CYLINDER_EIGENVALUE = 5.783
# ... and of a cube, 3 pi^2, times its volume over surface and side, 1/6.
CUBE_EIGENVALUE = 4.935


@dataclass(frozen=True)
class Fluid:
    """Properties at one temperature.

    Conductivity [W/(m K)], kinematic viscosity [m2/s], Prandtl number [-], volume
    expansivity [1/K].
    """

    conductivity_w_per_m_k: float
    viscosity_m2_per_s: float
    prandtl: float
    expansivity_per_k: float


def air(temp_k: float) -> Fluid:
    """Return dry air at standard pressure: viscosity after Sutherland, ideal gas.

    Viscosity and conductivity in the forms of the US Standard Atmosphere 1976 (from
    memory): viscosity within 1 %, conductivity within 1.2 % of the reference tables,
    -10 to 50 °C.
    """
    viscosity = 1.458e-6 * temp_k**1.5 / (temp_k + 110.4)
    conductivity = 2.64638e-3 * temp_k**1.5 / (temp_k + 245.4 * 10.0 ** (-12.0 / temp_k))
    density = STANDARD_PRESSURE_PA / (287.042 * temp_k)
    return Fluid(conductivity, viscosity / density, viscosity * 1006.0 / conductivity, 1.0 / temp_k)


def water_density_kg_per_m3(temp_k: float) -> float:
    """Return the density of liquid water [kg/m3]: Kell 1975 (from memory), 0..100 °C.

    Most dense at 3.98 °C.
    """
    t = temp_k - ZERO_C_K
    top = 999.83952 + t * (16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (
        105.56302e-9 - t * 280.54253e-12))))  # fmt: skip
    return top / (1.0 + 16.879850e-3 * t)


def water(temp_k: float) -> Fluid:
    """Return liquid water; its expansivity passes zero at 4 °C and is negative below.

    Viscosity 2.414e-5 x 10^(247.8/(T - 140)) (textbook form, from memory): within 2.5 %.
    Conductivity a straight line, 0.561 at 0 °C and 0.0019 more per kelvin: within 1 %.
    """
    density = water_density_kg_per_m3(temp_k)
    dynamic = 2.414e-5 * 10.0 ** (247.8 / (temp_k - 140.0))
    conductivity = 0.561 + 1.9e-3 * (temp_k - ZERO_C_K)
    step = 0.05
    slope = water_density_kg_per_m3(temp_k + step) - water_density_kg_per_m3(temp_k - step)
    return Fluid(
        conductivity,
        dynamic / density,
        dynamic * 4195.0 / conductivity,
        -slope / (2.0 * step * density),
    )


def watery(temp_k: float, densest_c: float) -> Fluid:
    """Return a liquid that is mostly water and is most dense at `densest_c` [°C].

    Water's expansivity, moved along by as much as the densest point is (own assumption: the
    curve keeps its shape); water's other properties, those of 0 °C below that.
    """
    shifted_k = max(temp_k + WATER_DENSEST_C - densest_c, ZERO_C_K)
    return replace(
        water(max(temp_k, ZERO_C_K)), expansivity_per_k=water(shifted_k).expansivity_per_k
    )


def grashof(fluid: Fluid, difference_k: float, length_m: float) -> float:
    """Return the Grashof number [-] of a height `length_m` [m]."""
    buoyancy = GRAVITY_M_PER_S2 * abs(fluid.expansivity_per_k) * abs(difference_k)
    return buoyancy * length_m**3 / fluid.viscosity_m2_per_s**2


def plate_nusselt(prandtl: float, rayleigh: float) -> float:
    """Return Nu of a vertical plate in a still fluid: Churchill and Chu 1975."""
    shape = (1.0 + (0.492 / prandtl) ** (9.0 / 16.0)) ** (8.0 / 27.0)
    return (0.825 + 0.387 * rayleigh ** (1.0 / 6.0) / shape) ** 2


def cylinder_nusselt(prandtl: float, grashof_number: float, height_over_diameter: float) -> float:
    """Return Nu (by height) of an upright cylinder in a still fluid: Popiel 2008.

    The plate's, times what the curved boundary layer adds (coefficients from memory).
    """
    b = 0.0571322 + 0.20305 * prandtl**-0.43
    c = 0.9165 - 0.0043 * sqrt(prandtl) + 0.01333 * log(prandtl) + 0.0004809 / prandtl
    slenderness = sqrt(32.0) * grashof_number**-0.25 * height_over_diameter
    return plate_nusselt(prandtl, grashof_number * prandtl) * (1.0 + b * slenderness**c)


def crossflow_nusselt(prandtl: float, reynolds: float) -> float:
    """Return Nu (by diameter) of a cylinder across a stream: Churchill and Bernstein 1977."""
    laminar = 0.62 * sqrt(reynolds) * prandtl ** (1.0 / 3.0)
    laminar /= (1.0 + (0.4 / prandtl) ** (2.0 / 3.0)) ** 0.25
    return 0.3 + laminar * (1.0 + (reynolds / 282000.0) ** (5.0 / 8.0)) ** 0.8


def radiation_w_per_m2_k(one_k: float, other_k: float, emissivity: float = EMISSIVITY) -> float:
    """Return the film of radiation [W/(m2 K)] to surroundings that enclose the surface."""
    return emissivity * STEFAN_BOLTZMANN * (one_k**2 + other_k**2) * (one_k + other_k)


def outer_film_w_per_m2_k(
    surface_k: float,
    height_m: float,
    diameter_m: float,
    air_m_per_s: float,
    radiating_share: float,
    rise_k: float = FILM_RISE_K,
) -> float:
    """Return the film from an upright cylinder to the air and walls round it [W/(m2 K)].

    Free and forced convection joined by their third powers (Churchill's blend), and
    radiation from the share of the surface that sees the walls rather than its like.

    Parameters
    ----------
    surface_k, rise_k : float
        Surface, and how much warmer it is than the air [K].
    height_m, diameter_m : float
        [m].
    air_m_per_s : float
        Of the circulating fan's stream; 0 for still air [m/s].
    radiating_share : float
        [-].
    """
    air_k = surface_k - rise_k
    film = air(0.5 * (surface_k + air_k))
    nusselt = cylinder_nusselt(film.prandtl, grashof(film, rise_k, height_m), height_m / diameter_m)
    free = nusselt * film.conductivity_w_per_m_k / height_m
    forced = 0.0
    if air_m_per_s > 0.0:
        reynolds = air_m_per_s * diameter_m / film.viscosity_m2_per_s
        forced = crossflow_nusselt(film.prandtl, reynolds) * film.conductivity_w_per_m_k
        forced /= diameter_m
    convection = (free**3 + forced**3) ** (1.0 / 3.0)
    return convection + radiating_share * radiation_w_per_m2_k(surface_k, air_k)


def liquid_film_w_per_m2_k(
    liquid_k: float,
    height_m: float,
    diameter_m: float,
    flux_w_per_m2: float,
    densest_c: float = WATER_DENSEST_C,
    freezing_c: float = 0.0,
) -> float:
    """Return the film inside a bottle of a watery liquid [W/(m2 K)], core to glass.

    Churchill and Chu's plate for the wall's boundary layer, never worse than conduction
    into a long cylinder, 5.783 k/D.  About 4 °C water has no expansivity and the liquid
    stands still: the film falls there to the conduction alone.  Sugar, alcohol and milk
    move that point: `watery`.

    Parameters
    ----------
    liquid_k : float
        Mean temperature [K].
    height_m, diameter_m : float
        [m].
    flux_w_per_m2 : float
        Through the glass; it sets the difference that drives the convection.
    densest_c, freezing_c : float
        Of the liquid [°C].
    """
    fluid = watery(max(liquid_k, ZERO_C_K + freezing_c), densest_c)
    conduction = CYLINDER_EIGENVALUE * fluid.conductivity_w_per_m_k / diameter_m
    film = conduction
    for _ in range(30):
        rayleigh = grashof(fluid, flux_w_per_m2 / film, height_m) * fluid.prandtl
        free = plate_nusselt(fluid.prandtl, rayleigh) * fluid.conductivity_w_per_m_k / height_m
        film = (conduction**4 + free**4) ** 0.25
    return film


def series_w_per_m2_k(outer: float, inner: float) -> float:
    """Return two films in a row as one [W/(m2 K)]."""
    return outer * inner / (outer + inner)


def bottle_biot(outer_w_per_m2_k: float, inner_w_per_m2_k: float) -> float:
    """Return the Biot number of a bottle [-]: outer film times V/A over the core's conductivity.

    A liquid that stirs itself conducts as if k were h D / 5.783; V/A of a long cylinder is
    D/4.  Below 0.1 one lump is good to 5 % (textbook).
    """
    return CYLINDER_EIGENVALUE / 4.0 * outer_w_per_m2_k / inner_w_per_m2_k


def piece_biot(outer_w_per_m2_k: float, side_m: float, conductivity_w_per_m_k: float) -> float:
    """Return the Biot number of a cube of solid goods [-]: h (side/6) / k."""
    return outer_w_per_m2_k * side_m / 6.0 / conductivity_w_per_m_k


def piece_film_w_per_m2_k(side_m: float, conductivity_w_per_m_k: float) -> float:
    """Return the film inside a solid cube [W/(m2 K)], core to surface: pi^2 k / (2 side)."""
    return CUBE_EIGENVALUE * conductivity_w_per_m_k / side_m


def goods_conductivity_w_per_m_k(water_share: float) -> float:
    """Return the conductivity of goods [W/(m K)] by their water: 0.15 dry, 0.55 all water.

    Dry seeds and packaging 0.1 to 0.2, meat and fish 0.45 to 0.5 (from memory).
    """
    return 0.15 + 0.40 * water_share

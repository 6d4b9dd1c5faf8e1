"""Contents: one lump of bottles or goods with a freezing plateau.

The state is the lump's enthalpy, counted from its liquid at the freezing point, so
that the latent heat is neither lost nor missed whatever the step.
"""

from dataclasses import dataclass

from plant.compiled import kernel


@dataclass(frozen=True)
class Contents:
    """Heat capacities and surface of the contents.

    Parameters
    ----------
    heat_capacity_j_per_k, frozen_heat_capacity_j_per_k : float
        Of the whole, before and after freezing [J/K].
    latent_j : float
        Latent heat of the freezable water [J]; 0 for dry goods.
    freezing_k : float
        Freezing point [K].
    film_w_per_k, film_still_w_per_k : float
        Air to contents with the circulating fan on and stopped [W/K].
    supercooling_k : float
        How far below its freezing point the liquid gets before ice begins [K].
    wet_kg_per_s, wet_still_kg_per_s : float
        Vapour conductance of their wet surface with the circulating fan on and stopped
        [kg/s per unit of humidity ratio].
    """

    heat_capacity_j_per_k: float
    frozen_heat_capacity_j_per_k: float
    latent_j: float
    freezing_k: float
    film_w_per_k: float
    film_still_w_per_k: float
    supercooling_k: float = 0.0
    wet_kg_per_s: float = 0.0
    wet_still_kg_per_s: float = 0.0


@kernel
def ice_begins(contents, enthalpy_j, begun):
    """Return 1.0 where there is ice, else 0.0; `begun` says whether there was before.

    A liquid without a crystal in it stays liquid down to `supercooling_k` below its freezing
    point; once ice has begun it stays until all has melted.  Without supercooling it is the
    enthalpy alone that tells.
    """
    if enthalpy_j >= 0.0:
        return 0.0
    if begun > 0.0 or enthalpy_j <= -contents.supercooling_k * contents.heat_capacity_j_per_k:
        return 1.0
    return 0.0


@kernel
def lump_temperature(contents, enthalpy_j, begun):
    """Return the temperature [K] at `enthalpy_j` [J] of contents whose ice has `begun` or not.

    When supercooled liquid begins to freeze, its enthalpy stays and its temperature leaps up
    to the freezing point: a part of it, c dT / L, is ice at once (textbook).
    """
    if enthalpy_j < 0.0 and begun <= 0.0 and contents.supercooling_k > 0.0:
        return contents.freezing_k + enthalpy_j / contents.heat_capacity_j_per_k
    return temperature(contents, enthalpy_j)


@kernel
def ice_share(contents, enthalpy_j, begun):
    """Return the share of the freezable water that is ice [-]; none while supercooled."""
    if begun <= 0.0 and contents.supercooling_k > 0.0:
        return 0.0
    return frozen_share(contents, enthalpy_j)


@kernel
def temperature(contents, enthalpy_j):
    """Return the temperature [K] at `enthalpy_j` [J]; constant while the water freezes."""
    if enthalpy_j >= 0.0:
        return contents.freezing_k + enthalpy_j / contents.heat_capacity_j_per_k
    if enthalpy_j >= -contents.latent_j:
        return contents.freezing_k
    return (
        contents.freezing_k
        + (enthalpy_j + contents.latent_j) / contents.frozen_heat_capacity_j_per_k
    )


@kernel
def enthalpy(contents, temp_k):
    """Return the enthalpy [J] at `temp_k` [K]; at the freezing point, all liquid."""
    rise = temp_k - contents.freezing_k
    if rise >= 0.0:
        return rise * contents.heat_capacity_j_per_k
    return rise * contents.frozen_heat_capacity_j_per_k - contents.latent_j


@kernel
def frozen_share(contents, enthalpy_j):
    """Return the share of the freezable water that is ice [-]."""
    if enthalpy_j >= 0.0 or contents.latent_j <= 0.0:
        return 0.0
    return min(-enthalpy_j / contents.latent_j, 1.0)

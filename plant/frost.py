"""Frost and water on the cold sink.

Frost grows by vapour that meets a surface below 0 °C, with a density that depends
on the surface's temperature; it insulates, narrows the fin gaps, melts with its
latent heat above 0 °C, and the water drips off or freezes again.
"""

from math import exp, sqrt

from plant.compiled import kernel
from plant.constants import ZERO_C_K
from plant.moist_air import LATENT_FUSION

LEAST_DENSITY, GREATEST_DENSITY = 30.0, 600.0  # kg/m3, bounds of the density correlation

# Heat passage from fin to melting or freezing water per area: a wet film of a few
# tenths of a millimetre (0.6 W/m K / 3 mm would be 200). Common practice, no source.
PHASE_CHANGE_W_PER_M2_K = 100.0
# Below this mass a surface counts as only partly covered, and what it gives off
# fades with what is left; so a mass runs out smoothly and never below zero.
COVERING_KG = 2e-4
# ... and below this it gives off nothing: a microgram stays for ever, and the last of a
# frost does not trail off into numbers that slow the processor down.
TRACE_KG = 1e-9
# Water above what clings runs off with this time constant. Common practice, no source.
DRIP_TIME_S = 60.0
# Half-width of the band about 0 °C in which a deposit passes from water to ice.
FREEZING_BAND_K = 0.1


@kernel
def deposit_density(surface_k):
    """Return the density of fresh frost [kg/m3], Hayashi et al. 1977: 650 exp(0.277 t).

    `surface_k` is the frost surface [K].  Correlations differ by a factor of about two at
    one state: use with +/- 50 %.  Clamped to 30..600 kg/m3.
    """
    density = 650.0 * exp(0.277 * (surface_k - ZERO_C_K))
    return min(max(density, LEAST_DENSITY), GREATEST_DENSITY)


@kernel
def conductivity(density_kg_per_m3):
    """Return the conductivity of frost [W/(m K)], Sanders 1974: 1.202e-3 rho^0.963.

    Within a factor of two below 150 kg/m3.
    """
    return 1.202e-3 * density_kg_per_m3**0.963


@kernel
def ice_share(surface_k):
    """Return the share of a deposit that freezes [-]: 1 below 0 °C, 0 above, linear between."""
    share = 0.5 - 0.5 * (surface_k - ZERO_C_K) / FREEZING_BAND_K
    return min(max(share, 0.0), 1.0)


@kernel
def coverage(mass_kg):
    """Return how far a mass of water or frost covers the sink [-], 0 to 1."""
    return min(max((mass_kg - TRACE_KG) / COVERING_KG, 0.0), 1.0)


@kernel
def open_fraction(thickness_m, fin_gap_m):
    """Return the open share of a fin gap with frost of `thickness_m` on both sides [-]."""
    return max(1.0 - 2.0 * thickness_m / fin_gap_m, 0.05)


@kernel
def blocked_film_factor(open_share):
    """Return the factor on a fan's film coefficient when the gaps narrow [-].

    Laminar gap flow at a fixed pressure goes with the cube of the gap, a laminar film
    with the root of the flow: 1.5th power.
    """
    return open_share * sqrt(open_share)


@kernel
def melting_rate(sink_k, area_m2, frost_kg):
    """Return frost melted [kg/s] on a sink at `sink_k` [K]; 0 below 0 °C."""
    excess = max(sink_k - ZERO_C_K, 0.0)
    return PHASE_CHANGE_W_PER_M2_K * area_m2 * excess / LATENT_FUSION * coverage(frost_kg)


@kernel
def freezing_rate(sink_k, area_m2, water_kg):
    """Return water frozen [kg/s] on a sink at `sink_k` [K]; 0 above 0 °C."""
    lack = max(ZERO_C_K - sink_k, 0.0)
    return PHASE_CHANGE_W_PER_M2_K * area_m2 * lack / LATENT_FUSION * coverage(water_kg)

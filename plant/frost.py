"""Frost and water on the cold sink.

Frost grows by vapour that meets a surface below 0 °C, with a density that depends
on the surface's temperature; it insulates, narrows the fin gaps, melts with its
latent heat above 0 °C, and the water drips off or freezes again.

Correlations of density and conductivity differ by a factor of about two at one state.
Several can be chosen, and a factor on the density spans the +/- 50 %.
"""

from math import exp, sqrt

from plant.compiled import kernel
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K
from plant.moist_air import (
    LATENT_FUSION,
    LATENT_VAPORISATION_0C,
    mass_conductance,
    saturation_humidity_ratio,
)

LEAST_DENSITY, GREATEST_DENSITY = 30.0, 600.0  # kg/m3, bounds of the density correlation

# Density correlations that can be chosen
HAYASHI, HERMES, HOSODA_UZUHASHI = 0, 1, 2
DENSITIES = {"hayashi": HAYASHI, "hermes": HERMES, "hosoda_uzuhashi": HOSODA_UZUHASHI}
# ... and conductivities
SANDERS, YONKO_SEPSY, LEE, OSTIN_ANDERSSON = 0, 1, 2, 3
CONDUCTIVITIES = {
    "sanders": SANDERS, "yonko_sepsy": YONKO_SEPSY, "lee": LEE, "ostin_andersson": OSTIN_ANDERSSON,
}  # fmt: skip
# Air between the fins where a correlation asks for its speed [m/s]. Invented: 15 m3/h
# through a sink of 60 x 80 mm.
FIN_AIR_SPEED_M_PER_S = 1.0
# A layer that conducts better than this [W/K] is none.
NO_LAYER_W_PER_K = 1e9
# Newton steps to the frost's surface: a fixed number, so that the right-hand side is smooth.
NEWTON_STEPS = 2

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
def hermes_density(surface_k, wall_k):
    """Return the density of fresh frost [kg/m3], 207.3 exp(0.266 t_s - 0.0615 t_w).

    Hermes et al. 2009 (second-hand; author and 207.3 from memory), t_s at the frost
    surface and t_w at the metal [°C].  Fitted for metal of -15..-5 °C, air of 16..22 °C
    and 50..80 % humidity, 0.7 m/s: a cold cabinet's air lies outside.  Clamped to 30..600.
    """
    density = 207.3 * exp(0.266 * (surface_k - ZERO_C_K) - 0.0615 * (wall_k - ZERO_C_K))
    return min(max(density, LEAST_DENSITY), GREATEST_DENSITY)


@kernel
def hosoda_uzuhashi_density(wall_k):
    """Return the density of frost [kg/m3], 340 |t_w|^-0.445 + 85 u (second-hand).

    The exponent is -0.445 as our second-hand copy prints it; -0.455 is recalled elsewhere,
    which makes the first term 2.7 % smaller at -15 °C.
    t_w at the metal [°C], -15..-5; `FIN_AIR_SPEED_M_PER_S` for the air's speed u.
    Knows nothing of the surface.  Clamped to 30..600.
    """
    below = max(ZERO_C_K - wall_k, 0.1)
    density = 340.0 * below**-0.445 + 85.0 * FIN_AIR_SPEED_M_PER_S
    return min(max(density, LEAST_DENSITY), GREATEST_DENSITY)


@kernel
def fresh_density(kind, surface_k, wall_k):
    """Return the density of what settles now [kg/m3], by one of `DENSITIES`."""
    if kind == HERMES:
        return hermes_density(surface_k, wall_k)
    if kind == HOSODA_UZUHASHI:
        return hosoda_uzuhashi_density(wall_k)
    return deposit_density(surface_k)


@kernel
def layer_conductivity(kind, density_kg_per_m3):
    """Return the conductivity of frost [W/(m K)], by one of `CONDUCTIVITIES`.

    Sanders 1974, as `conductivity`.  Yonko and Sepsy 1967, second-hand, coefficients
    converted from imperial units: metal -30..-5 °C, air 21 °C at 1.3..5.3 m/s, below about
    570 kg/m3.  Lee et al. 1994, second-hand: 50..400 kg/m3.  Ostin and Andersson 1991,
    second-hand: metal -20..-7 °C, air 20..21 °C at 3 m/s.  They differ by a factor of two
    below 150 kg/m3, and by 1.8 at 400.  Never less than still air, 0.024 W/(m K).
    """
    rho = density_kg_per_m3
    if kind == YONKO_SEPSY:
        return 0.02423 + 7.217e-4 * rho + 1.186e-6 * rho * rho
    if kind == LEE:
        return 0.132 + 3.13e-4 * rho + 1.6e-7 * rho * rho
    if kind == OSTIN_ANDERSSON:
        return max(-8.71e-3 + 4.39e-4 * rho + 1.05e-6 * rho * rho, 0.024)
    return conductivity(rho)


@kernel
def surface_temperature(
    film_w_per_k, layer_w_per_k, air_k, air_ratio, sink_k, cover, pressure_pa=STANDARD_PRESSURE_PA
):
    """Return the temperature of the frost's surface [K].

    The balance film (T_air - T) + L g (W_air - W_sat(T)) = layer (T - T_sink): what the
    vapour gives up as it settles has to pass the layer as well.  Two Newton steps from the
    surface without latent heat, with the slope of saturation over ice on both sides of
    0 °C, so that the answer has no jump.  Off by at most 0.03 K for surfaces below -0.5 °C;
    above that the share that freezes changes within a tenth of a kelvin and the answer may be
    off by 0.35 K (a test); a third step does not help.

    Parameters
    ----------
    film_w_per_k, layer_w_per_k : float
        Air to surface, surface to metal [W/K].
    air_k, air_ratio, sink_k : float
        Air [K], its humidity ratio [-], metal [K].
    cover : float
        How far ice or water covers the sink, 0 to 1 [-]: what leaves fades with it.
    pressure_pa : float
        Of the air [Pa].
    """
    dry_k = (film_w_per_k * air_k + layer_w_per_k * sink_k) / (film_w_per_k + layer_w_per_k)
    if layer_w_per_k >= NO_LAYER_W_PER_K:
        return dry_k
    surface_k = dry_k
    conductance = mass_conductance(film_w_per_k)
    for _ in range(NEWTON_STEPS):
        saturated = saturation_humidity_ratio(surface_k, pressure_pa)
        flow = conductance * (air_ratio - saturated)
        if flow < 0.0:
            flow *= cover
        latent = LATENT_VAPORISATION_0C + LATENT_FUSION * ice_share(surface_k)
        # d ln(e)/dT of the Magnus form over ice: 22.587 x 273.86 / (t + 273.86)^2.
        slope = saturated * 6185.7 / (surface_k + 0.71) ** 2
        total = film_w_per_k + layer_w_per_k
        lacks_w = total * (dry_k - surface_k) + latent * flow
        surface_k += lacks_w / (total + latent * conductance * slope)
    return surface_k


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
    """Return the open share of a fin gap with frost of `thickness_m` on both sides [-].

    Nought once they meet: the fan's part of the film is gone, still air's is left.  A block of
    ice has less surface than the fins had, so the model then cools better than the sink would.
    """
    return max(1.0 - 2.0 * thickness_m / fin_gap_m, 0.0)


@kernel
def blocked_flow(open_share, free_flow_share=0.0):
    """Return the air flow through narrowed gaps over that through clean ones [-].

    Laminar gap flow at a given pressure goes with the cube of the gap.  A fan gives less
    pressure the more it moves, p = p_stall (1 - V/V_free); where the two lines meet,
    V/V_clean = o^3 / (1 - x + x o^3), with the share x of its free flow that the fan moves
    through the clean sink.  x = 0 is a fixed pressure, the worst; a fan that hardly feels
    the clean sink (x near 1) loses flow only when the gaps are nearly closed.
    """
    cube = open_share * open_share * open_share
    return cube / (1.0 - free_flow_share + free_flow_share * cube)


@kernel
def blocked_film_factor(open_share, free_flow_share=0.0):
    """Return the factor on a fan's film coefficient when the gaps narrow [-].

    A laminar film goes with the root of the flow: at a fixed pressure the 1.5th power.
    """
    return sqrt(blocked_flow(open_share, free_flow_share))


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

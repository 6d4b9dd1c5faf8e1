"""Moist air: saturation, humidity ratio, latent heats, the Lewis relation.

Ideal-gas mixture of dry air and water vapour at constant pressure.  Enthalpies
are counted from liquid water and dry air at 0 °C, the usual reference of
psychrometric tables.
"""

from math import exp, log

from plant.compiled import kernel
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K

# Ratio of molar masses water/dry air: ASHRAE Handbook Fundamentals, psychrometrics chapter.
MOLAR_MASS_RATIO = 0.621945
GAS_CONSTANT_DRY_AIR = 287.042  # J/(kg K), same source

CP_DRY_AIR = 1006.0  # J/(kg K), dry air at 0..40 °C, textbook
CP_VAPOUR = 1860.0  # J/(kg K), ASHRAE psychrometrics chapter (from memory)
CP_LIQUID = 4200.0  # J/(kg K), water at 0..20 °C within 0.5 %
CP_ICE = 2090.0  # J/(kg K), ice near -5 °C (from memory)
LATENT_VAPORISATION_0C = 2.501e6  # J/kg at 0 °C, IAPWS-95 (2500.9 kJ/kg at 0.01 °C)
LATENT_FUSION = 3.335e5  # J/kg at 0 °C, difference of sublimation and vaporisation

# Lewis number to the power 2/3 at 0..5 °C: alpha/D with D = 1.87e-10 T^2.072 m2/s
# (Marrero and Mason 1972, from memory) gives Le = 0.893..0.896.
LEWIS_TO_TWO_THIRDS = 0.928

# Vapour's share of the pressure beyond which saturation is not followed.


@kernel
def saturation_pressure_water(temp_k):
    """Return the saturation vapour pressure over liquid water [Pa].

    Magnus form with the coefficients of Alduchov and Eskridge 1996 (from memory):
    within 0.26 % of the IAPWS values from -30 to 32 °C.

    Parameters
    ----------
    temp_k : float
        Temperature [K].
    """
    t_c = temp_k - ZERO_C_K
    return 610.94 * exp(17.625 * t_c / (t_c + 243.04))


@kernel
def saturation_pressure_ice(temp_k):
    """Return the saturation vapour pressure over ice [Pa], for `temp_k` [K] up to 273.15.

    Magnus form, Alduchov and Eskridge 1996 (from memory): within 0.12 % of the
    IAPWS R14-08 sublimation equation from -20 to 0 °C.
    """
    t_c = temp_k - ZERO_C_K
    return 611.21 * exp(22.587 * t_c / (t_c + 273.86))


@kernel
def saturation_pressure(temp_k):
    """Return the saturation pressure over ice below 0 °C, over water above [Pa]."""
    if temp_k < ZERO_C_K:
        return saturation_pressure_ice(temp_k)
    # Scaled by 0.04 % so that the two branches meet at 0 °C: a jump there would
    # be a kink the integrator has to step around on every wet sink.
    return saturation_pressure_water(temp_k) * (611.21 / 610.94)


# Vapour's share of the pressure beyond which the humidity ratio goes on along its tangent.
# The true one has no bound at boiling, and a trial step may look beyond; no cabinet gets here
# (94 °C at sea level, 77 °C at 5000 m).
LARGEST_VAPOUR_SHARE = 0.8


@kernel
def humidity_ratio(vapour_pressure_pa, pressure_pa=STANDARD_PRESSURE_PA):
    """Return kg of vapour per kg of dry air [-] (ASHRAE psychrometrics, W = 0.622 p/(P - p)).

    Above a share of `LARGEST_VAPOUR_SHARE` its tangent: smooth, rising, without a pole.
    """
    if vapour_pressure_pa <= LARGEST_VAPOUR_SHARE * pressure_pa:
        return MOLAR_MASS_RATIO * vapour_pressure_pa / (pressure_pa - vapour_pressure_pa)
    dry_share = 1.0 - LARGEST_VAPOUR_SHARE
    beyond = (vapour_pressure_pa / pressure_pa - LARGEST_VAPOUR_SHARE) / (dry_share * dry_share)
    return MOLAR_MASS_RATIO * (LARGEST_VAPOUR_SHARE / dry_share + beyond)


@kernel
def saturation_humidity_ratio(temp_k, pressure_pa=STANDARD_PRESSURE_PA):
    """Return the humidity ratio of saturated air [-] at `temp_k` [K]; over ice below 0 °C."""
    return humidity_ratio(saturation_pressure(temp_k), pressure_pa)


# A straight line below the whole of the saturation curve at standard pressure, which is convex:
# W_s(t) > 0.0053 + 3.6e-4 (t - 5 °C) (a test).
LINE_AT_5_C, LINE_PER_K = 0.0053, 3.6e-4


@kernel
def surely_unsaturated(temp_k, ratio, pressure_pa=STANDARD_PRESSURE_PA):
    """Tell whether air is so dry that its saturation need not be looked up: it costs most.

    Below the line, which at less pressure lies lower than saturation all the more.
    """
    line = LINE_AT_5_C + LINE_PER_K * (temp_k - ZERO_C_K - 5.0)
    return ratio * pressure_pa < line * STANDARD_PRESSURE_PA


@kernel
def relative_humidity(temp_k, ratio, pressure_pa=STANDARD_PRESSURE_PA):
    """Return relative humidity [-] of air at `temp_k` [K] with humidity ratio `ratio` [-].

    Over ice below 0 °C, as the outside checks (and most tables) take it.
    """
    vapour_pressure = pressure_pa * ratio / (MOLAR_MASS_RATIO + ratio)
    return vapour_pressure / saturation_pressure(temp_k)


@kernel
def dew_point(ratio, pressure_pa=STANDARD_PRESSURE_PA):
    """Return the dew point [K], or the frost point where it lies below 0 °C.

    Closed inverse of the two Magnus forms above; needs `ratio` > 0.
    """
    vapour_pressure = pressure_pa * ratio / (MOLAR_MASS_RATIO + ratio)
    if vapour_pressure < 611.21:
        x = log(vapour_pressure / 611.21)
        return ZERO_C_K + 273.86 * x / (22.587 - x)
    x = log(vapour_pressure / 611.21)
    return ZERO_C_K + 243.04 * x / (17.625 - x)


@kernel
def dry_air_density(temp_k, ratio, pressure_pa=STANDARD_PRESSURE_PA):
    """Return kg of dry air per m3 of moist air [kg/m3] (ideal gas mixture)."""
    partial = pressure_pa / (1.0 + ratio / MOLAR_MASS_RATIO)
    return partial / (GAS_CONSTANT_DRY_AIR * temp_k)


@kernel
def vapour_enthalpy(temp_k):
    """Return the enthalpy of water vapour [J/kg], from liquid water at 0 °C."""
    return LATENT_VAPORISATION_0C + CP_VAPOUR * (temp_k - ZERO_C_K)


@kernel
def moist_air_enthalpy(temp_k, ratio):
    """Return the enthalpy per kg of dry air [J/kg] (h = cp t + W (L + cpv t))."""
    return CP_DRY_AIR * (temp_k - ZERO_C_K) + ratio * vapour_enthalpy(temp_k)


@kernel
def mass_conductance(heat_conductance_w_per_k):
    """Return the vapour conductance [kg/s per unit of humidity ratio] of a wet surface.

    Chilton-Colburn analogy with exponent 1/3: g = h A / (cp Le^(2/3)).  Taking
    Le = 1 would understate deposition by 7 to 8 %.
    """
    return heat_conductance_w_per_k / (CP_DRY_AIR * LEWIS_TO_TWO_THIRDS)

"""Bismuth telluride: how Seebeck coefficient, resistivity and conductivity change with heat.

Polynomials per leg, T in K, commonly cited from a module maker's handbook (from memory):

    alpha = (22224 + 930.6 T - 0.9905 T^2) 1e-9  V/K
    rho   = (5112 + 163.4 T + 0.6279 T^2) 1e-10  ohm m
    kappa = (62605 - 277.7 T + 0.4131 T^2) 1e-4  W/(m K)

Only their ratios to the values at `REFERENCE_K` are used: a module's own a, R and K come
from its sheet.
"""

from plant.compiled import kernel

# Sheets print the resistance at 25 °C, and a cabinet's module works about there.
REFERENCE_K = 298.15

SEEBECK = (22224e-9, 930.6e-9, -0.9905e-9)
RESISTIVITY = (5112e-10, 163.4e-10, 0.6279e-10)
CONDUCTIVITY = (62605e-4, -277.7e-4, 0.4131e-4)

# The polynomials are held at their ends: a search may ask for what no module sees.
COLDEST_K, HOTTEST_K = 150.0, 600.0


def polynomial(coefficients: tuple[float, float, float], temp_k: float) -> float:
    """Return c0 + c1 T + c2 T^2, in the units above."""
    c0, c1, c2 = coefficients
    return c0 + temp_k * (c1 + temp_k * c2)


def _about_reference(coefficients: tuple[float, float, float]) -> tuple[float, float]:
    """Return (u, v) of the same polynomial as ratio 1 + u t + v t^2, t = T - REFERENCE_K."""
    at = polynomial(coefficients, REFERENCE_K)
    _, c1, c2 = coefficients
    return (c1 + 2.0 * c2 * REFERENCE_K) / at, c2 / at


SEEBECK_1, SEEBECK_2 = _about_reference(SEEBECK)
RESISTIVITY_1, RESISTIVITY_2 = _about_reference(RESISTIVITY)
CONDUCTIVITY_1, CONDUCTIVITY_2 = _about_reference(CONDUCTIVITY)


@kernel
def ratios(mean_k):
    """Return what the properties at `mean_k` [K] are of those at `REFERENCE_K`.

    Returns
    -------
    seebeck, resistance, conductance : float
        Ratios [-].
    seebeck_slope, resistance_slope : float
        Their slopes [1/K].
    """
    t = min(max(mean_k, COLDEST_K), HOTTEST_K) - REFERENCE_K
    return (
        1.0 + t * (SEEBECK_1 + t * SEEBECK_2),
        1.0 + t * (RESISTIVITY_1 + t * RESISTIVITY_2),
        1.0 + t * (CONDUCTIVITY_1 + t * CONDUCTIVITY_2),
        SEEBECK_1 + 2.0 * t * SEEBECK_2,
        RESISTIVITY_1 + 2.0 * t * RESISTIVITY_2,
    )

"""The textbook's module with constant properties, typed in for the tests alone.

a [V/K], R [ohm], K [W/K]; temperatures of the faces [K]; the means of I and of I^2 [A, A^2].
"""


def cold_heat(seebeck, resistance, conductance, mean_a, square_a2, cold_k, hot_k):
    """Return the heat taken up [W]: a I Tc - I^2 R/2 - K (Th - Tc)."""
    back_w = conductance * (hot_k - cold_k)
    return seebeck * mean_a * cold_k - 0.5 * resistance * square_a2 - back_w


def electrical_power(seebeck, resistance, mean_a, square_a2, cold_k, hot_k):
    """Return the electrical power [W]: a I (Th - Tc) + I^2 R."""
    return seebeck * mean_a * (hot_k - cold_k) + resistance * square_a2

"""How far the cabinet's air is layered: the top half above the bottom half.

The plant has one node of air.  This estimate, made from a steady state, says what that
leaves out; it feeds nothing back.
"""

import numpy as np

from plant import cabinet, moist_air

# Radiation between the inner faces, emissivity 0.9 at 8 °C [W/(m2 K)] (textbook); half of what
# leaves the lower half of a box's faces meets the upper half (by its view of itself).
RADIATION_W_PER_M2_K = 0.9 * 4.0 * 5.67e-8 * 281.0**3
VIEW = 0.5

# m cp of the air past the cold sink, over the sink's film conductance.
# Fan stopped: air leaves deep fins at their temperature (1), or a free laminar layer on them
# 0.4 of the way there, the flow-weighted mean of the integral method's profiles
# y (1 - y)^2 and (1 - y)^2: (1/30) / (1/12) (textbook).
STILL_STREAM = (1.0, 2.5)
# Fan on: it warms 0.4 to 0.63 of the way (0.5 to 1 transfer units; common practice, no source);
# the jet carries 0.32 x/d = 2.4 times its flow along at 7.5 diameters (textbook), or nothing.
DRIVEN_STREAM = (1.6, 6.0)


def layering_k(
    plant: np.record, state: np.ndarray, inputs: np.ndarray, inside_area_m2: float
) -> tuple[float, float]:
    """Return the least and the most that the top half's air stands above the bottom half's [K].

    Two nodes of air in a steady state: the sink draws from the top and gives its stream, m cp,
    to the bottom; each half has half of walls and leaks; the walls' inner faces radiate to each
    other.  The difference of the two balances is (Q - fan) / (2 m cp + g), g what evens out by
    walls and leaks.  Vapour is left out.  Range by that of the stream.

    Parameters
    ----------
    plant, state, inputs : records and arrays of a steady state
        As in `plant.cabinet.derivative`.
    inside_area_m2 : float
        Of the walls [m2].
    """
    box, fan = plant.envelope, inputs[cabinet.COLD_FAN]
    film, _ = cabinet.cold_sink_film(plant, state, fan)
    air_k = cabinet.air_temperature(plant, state)
    fan_w = fan * plant.cold_sink.fan_w
    taken_w = film * (air_k - cabinet.cold_sink_temperature(plant, state)) - fan_w

    to_wall = 0.5 * cabinet.wall_film(plant, fan)
    foam = cabinet.foam_conductance(plant, state)
    outward = 0.5 * foam * box.outside_film_w_per_k / (foam + box.outside_film_w_per_k)
    evens = outward + 2.0 * RADIATION_W_PER_M2_K * VIEW * 0.5 * inside_area_m2
    leak = box.leak_per_s * cabinet.dry_air_kg(plant) * moist_air.CP_DRY_AIR
    walls = to_wall * evens / (to_wall + evens) + 0.5 * (box.direct_w_per_k + leak)
    low, high = (
        max(taken_w, 0.0) / (2.0 * share * film + walls)
        for share in sorted(DRIVEN_STREAM if fan > 0.0 else STILL_STREAM, reverse=True)
    )
    return float(low), float(high)

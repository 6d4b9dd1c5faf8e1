"""A whole cabinet at rest by hand: textbook balances as five linear equations.

Typed in apart from the model; all in W/K, °C and W.  Unknown are both faces, both sinks, the air.
"""

import numpy as np


def whole_balance(
    seebeck, ohm, conductance, amps, contact, hot, cold, inner_fan_w, outer_fan_w, contents,
    capacity, load_share, load_c, efficiency, room_c, width_m, depth_m, height_m, wall_m, k, inside,
    outside, direct, changes_per_h,
):  # fmt: skip
    """Return (air [°C], contents [°C], hot sink [°C], plug [W])."""
    w, d, h, t = width_m, depth_m, height_m, wall_m
    inner_m2 = 2.0 * (w * d + w * h + d * h)
    outer_m2 = 2.0 * sum((x + 2 * t) * (y + 2 * t) for x, y in ((w, d), (w, h), (d, h)))
    shape_m = inner_m2 / t + 0.54 * 4.0 * (w + d + h) + 8.0 * 0.15 * t
    wall = 1.0 / (1.0 / (inside * inner_m2) + 1.0 / (k * shape_m) + 1.0 / (outside * outer_m2))
    air_kg_per_s = changes_per_h / 3600.0 * w * d * h * 101325.0 / (287.05 * (room_c + 273.15))
    leak = wall + direct + air_kg_per_s * 1006.0
    brought = load_share * capacity / 86400.0  # W/K of what is exchanged
    through = 1.0 / (1.0 / brought + 1.0 / contents)  # from the load to the air
    peltier, joule = seebeck * amps, amps * amps * ohm
    # cold face, hot face, hot sink, cold sink, air
    matrix = np.array([
        [contact + peltier + conductance, -conductance, 0.0, -contact, 0.0],
        [-conductance, contact - peltier + conductance, -contact, 0.0, 0.0],
        [0.0, -contact, contact + hot, 0.0, 0.0],
        [-contact, 0.0, 0.0, contact + cold, -cold],
        [0.0, 0.0, 0.0, -cold, cold + leak + through],
    ])  # fmt: skip
    right = np.array([
        0.5 * joule - peltier * 273.15, 0.5 * joule + peltier * 273.15, hot * room_c, 0.0,
        leak * room_c + through * load_c + inner_fan_w,
    ])  # fmt: skip
    cold_face, hot_face, hot_sink, _, air = np.linalg.solve(matrix, right)
    inside_c = air + through * (load_c - air) / contents
    power_w = peltier * (hot_face - cold_face) + joule
    return air, inside_c, hot_sink, (power_w + inner_fan_w + outer_fan_w) / efficiency

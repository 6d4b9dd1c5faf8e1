"""A cabinet with two nodes of air, top and bottom, typed in for the tests alone.

Steady and dry.  The cold sink draws from the top half and gives its stream to the bottom one;
as much goes back up.  Each half has half of the walls, of the seal and of the leak; the inner
faces of the walls radiate to each other.  With an endless stream it is one node.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import root

from plant import stage

RADIATION_W_PER_M2_K = 0.9 * 4.0 * 5.67e-8 * 281.0**3  # textbook, emissivity 0.9
VIEW = 0.5  # from the lower half of a box's faces to the upper half, the rest to itself


@dataclass(frozen=True)
class TwoNodes:
    """Steady temperatures [K]; contents without a load stand at their air's temperature."""

    top_k: float
    bottom_k: float
    sink_k: float
    sink_w: float

    @property
    def mean_k(self):
        return 0.5 * (self.top_k + self.bottom_k)

    @property
    def layering_k(self):
        return self.top_k - self.bottom_k


def two_nodes(plant, duty, ambient_k, fan, stream_w_per_k, area_m2):
    """Return the steady state of a plant's record at a stream m cp [W/K] past the cold sink."""
    box, sink, mod = plant.envelope, plant.cold_sink, plant.module
    film = box.inside_film_still_w_per_k
    film += fan * (box.inside_film_w_per_k - film)
    sink_film = sink.no_fan_w_per_k + fan * (sink.fan_w_per_k - sink.no_fan_w_per_k)
    leak = box.leak_per_s * box.volume_m3 * 101325.0 / 287.05 / ambient_k * 1006.0
    between = RADIATION_W_PER_M2_K * VIEW * 0.5 * area_m2

    def misses(x):
        top, bottom, face_1, face_2, sink_k, cold, hot, hot_sink = x
        mean = 0.5 * (0.5 * (face_1 + face_2) + ambient_k)
        foam = box.foam_w_per_k * (1.0 + box.foam_slope_per_k * (mean - box.foam_reference_k))
        outward = 0.5 / (1.0 / foam + 1.0 / box.outside_film_w_per_k)
        direct = 0.5 * (box.direct_w_per_k + leak)
        _, _, _, cooling_w, power_w = stage.on_drive(mod, plant.drive, duty, cold, hot)
        sink_w = sink_film * (top - sink_k)
        joint_w = mod.cold_contact_w_per_k * (sink_k - cold)
        hot_w = mod.hot_contact_w_per_k * (hot - hot_sink)
        return [
            stream_w_per_k * (bottom - top)
            + 0.5 * film * (face_1 - top) + direct * (ambient_k - top),
            stream_w_per_k * (top - bottom) - sink_w + fan * sink.fan_w
            + 0.5 * film * (face_2 - bottom) + direct * (ambient_k - bottom),
            outward * (ambient_k - face_1) - 0.5 * film * (face_1 - top)
            - between * (face_1 - face_2),
            outward * (ambient_k - face_2) - 0.5 * film * (face_2 - bottom)
            + between * (face_1 - face_2),
            sink_w - joint_w,
            joint_w - cooling_w,
            cooling_w + power_w - hot_w,
            hot_w - plant.hot_sink.fan_w_per_k * (hot_sink - ambient_k),
        ]  # fmt: skip

    start = ambient_k + np.array([-12.0, -12.0, -11.0, -11.0, -25.0, -26.0, 8.0, 7.0])
    found = root(misses, start, method="lm")
    assert found.success, found.message
    top, bottom, _, _, sink_k = found.x[:5]
    return TwoNodes(top, bottom, sink_k, sink_film * (top - sink_k))

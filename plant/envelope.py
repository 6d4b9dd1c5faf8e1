"""The insulated box: heat leak by part, heat stored in the wall, air exchange.

Two wall nodes, at a quarter and three quarters of the foam, so that the steady
leak is exact and the wall still remembers yesterday's heat.
"""

from dataclasses import dataclass
from math import sqrt

from plant.compiled import kernel
from plant.constants import GRAVITY_M_PER_S2

EDGE_SHAPE_FACTOR = 0.54  # per length; Incropera and DeWitt, Table 4.1, edge of two walls
CORNER_SHAPE_FACTOR = 0.15  # per thickness; same table, corner of three walls


@dataclass(frozen=True)
class Box:
    """Inside measures and foam of a rectangular cabinet.

    Parameters
    ----------
    width_m, depth_m, height_m : float
        Inside: left to right, front to back, bottom to top [m].
    front_m, back_m, left_m, right_m, top_m, bottom_m : float
        Foam of each face [m].
    conductivity_w_per_m_k : float
        Of the foam at its mean temperature [W/(m K)].
    """

    width_m: float
    depth_m: float
    height_m: float
    front_m: float
    back_m: float
    left_m: float
    right_m: float
    top_m: float
    bottom_m: float
    conductivity_w_per_m_k: float

    @property
    def volume_m3(self) -> float:
        """Inside volume [m3]."""
        return self.width_m * self.depth_m * self.height_m

    @property
    def outside_m(self) -> tuple[float, float, float]:
        """Outside width, depth and height [m]."""
        return (
            self.width_m + self.left_m + self.right_m,
            self.depth_m + self.front_m + self.back_m,
            self.height_m + self.top_m + self.bottom_m,
        )

    @property
    def inside_area_m2(self) -> float:
        """Area of the six inside faces [m2]."""
        return surface_m2(self.width_m, self.depth_m, self.height_m)

    @property
    def outside_area_m2(self) -> float:
        """Area of the six outside faces [m2]."""
        return surface_m2(*self.outside_m)

    @property
    def foam_volume_m3(self) -> float:
        """Volume of the foam [m3]."""
        width, depth, height = self.outside_m
        return width * depth * height - self.volume_m3


def surface_m2(width_m: float, depth_m: float, height_m: float) -> float:
    """Return the surface of a rectangular box [m2]."""
    return 2.0 * (width_m * depth_m + width_m * height_m + depth_m * height_m)


def conduction_shape_factors_m(box: Box) -> dict[str, float]:
    """Return the conduction shape factor [m] of faces, edges and corners: q = S k dT.

    Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, Table 4.1: plane wall
    A/L, edge 0.54 D (D > L/5), corner 0.15 L.  The inner area alone would be a tenth low,
    the outer area alone a third high, for a 30 litre box.  Edges and corners of unequal
    walls take the table's equal-wall values; corners the mean thickness.
    """
    width, depth, height = box.width_m, box.depth_m, box.height_m
    faces = (
        width * height * (1.0 / box.front_m + 1.0 / box.back_m)
        + depth * height * (1.0 / box.left_m + 1.0 / box.right_m)
        + width * depth * (1.0 / box.top_m + 1.0 / box.bottom_m)
    )
    thicknesses = (box.front_m, box.back_m, box.left_m, box.right_m, box.top_m, box.bottom_m)
    return {
        "faces": faces,
        "edges": EDGE_SHAPE_FACTOR * 4.0 * (width + depth + height),
        "corners": 8.0 * CORNER_SHAPE_FACTOR * sum(thicknesses) / 6.0,
    }


@dataclass(frozen=True)
class Envelope:
    """What the assembled plant needs of the box.

    Parameters
    ----------
    foam_w_per_k : float
        Foam between its two surfaces, edges and corners in [W/K].
    inside_film_w_per_k, inside_film_still_w_per_k : float
        Air to inner surface with the circulating fan on, and stopped [W/K].
    outside_film_w_per_k : float
        Outer surface to ambient [W/K].
    inner_heat_capacity_j_per_k, outer_heat_capacity_j_per_k : float
        Of each half of the wall; the lining counts to the inner one [J/K].
    direct_w_per_k : float
        Seal, metal through the wall, module opening: straight to ambient [W/K].
    volume_m3 : float
        Air volume [m3].
    leak_per_s : float
        Air changes by leakage [1/s].
    door_width_m, door_height_m : float
        Of the door opening [m].
    """

    foam_w_per_k: float
    inside_film_w_per_k: float
    inside_film_still_w_per_k: float
    outside_film_w_per_k: float
    inner_heat_capacity_j_per_k: float
    outer_heat_capacity_j_per_k: float
    direct_w_per_k: float
    volume_m3: float
    leak_per_s: float
    door_width_m: float
    door_height_m: float


def series(*conductances: float) -> float:
    """Return the conductance of several in a row [W/K]."""
    return 1.0 / sum(1.0 / g for g in conductances)


@kernel
def door_flow_m3_per_s(width_m, height_m, inside_k, outside_k):
    """Return the air flow through an open door [m3/s].

    Buoyancy exchange of the cold-room door relation, 0.221 A sqrt(g H) sqrt(1 - rho_o/rho_i)
    with F = 1 (from memory; an orifice estimate agrees within 7 %).  As the air inside
    takes the outside's temperature the flow dies away by itself, so an opening exchanges
    one box of air and then what the surfaces cool.
    """
    warmer, colder = max(inside_k, outside_k), min(inside_k, outside_k)
    relative = 1.0 - colder / warmer
    # sqrt has no slope at 0: below 1e-4 (0.03 K) take the chord instead.
    drive = sqrt(relative) if relative > 1e-4 else relative * 100.0
    return 0.221 * width_m * height_m * sqrt(GRAVITY_M_PER_S2 * height_m) * drive

"""The insulated box: heat leak by part, heat stored in the wall, air exchange.

Two wall nodes, at a quarter and three quarters of the foam, so that the steady
leak is exact and the wall still remembers yesterday's heat.
"""

from dataclasses import dataclass
from math import pi, sqrt

from plant.compiled import kernel
from plant.constants import GRAVITY_M_PER_S2
from plant.moist_air import dry_air_density

EDGE_SHAPE_FACTOR = 0.54  # per length; Incropera and DeWitt, Table 4.1, edge of two walls
CORNER_SHAPE_FACTOR = 0.15  # per thickness; same table, corner of three walls


@dataclass(frozen=True)
class Beside:
    """What lies inside and outside the foam of one face: thickness [m], resistance [m2 K/W]."""

    inner_m: float
    inner_m2_k_per_w: float
    outer_m: float
    outer_m2_k_per_w: float


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
    inner_layer_m : float
        Layer inside the foam, the same on every face [m]; the inside measures are those of the
        finished box.
    outer_layer_m : float or tuple of float
        Layer outside the foam: on every face, or of each face in the order above [m].
    inner_layer_w_per_m_k, outer_layer_w_per_m_k : float
        Their conductivities [W/(m K)].
    own_layers : tuple of Beside or None
        Layers of one face in place of those, in the order above.
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
    inner_layer_m: float = 0.0
    inner_layer_w_per_m_k: float = 1.0
    outer_layer_m: float | tuple[float, ...] = 0.0
    outer_layer_w_per_m_k: float = 1.0
    own_layers: tuple[Beside | None, ...] = (None,) * 6

    @property
    def foam_m(self) -> tuple[float, ...]:
        """Foam of front, back, left, right, top and bottom [m]."""
        return (self.front_m, self.back_m, self.left_m, self.right_m, self.top_m, self.bottom_m)

    @property
    def outer_m(self) -> tuple[float, ...]:
        """Layer outside the foam of the same six faces [m]."""
        if isinstance(self.outer_layer_m, tuple):
            return self.outer_layer_m
        return (self.outer_layer_m,) * 6

    @property
    def beside_foam(self) -> tuple[Beside, ...]:
        """Layers beside the foam of the same six faces."""
        inner = self.inner_layer_m
        return tuple(
            own or Beside(
                inner, inner / self.inner_layer_w_per_m_k, outer, outer / self.outer_layer_w_per_m_k
            )
            for own, outer in zip(self.own_layers, self.outer_m, strict=True)
        )  # fmt: skip

    @property
    def thickness_m(self) -> tuple[float, ...]:
        """Foam and layers together of the same six faces [m]."""
        return tuple(
            foam + beside.inner_m + beside.outer_m
            for foam, beside in zip(self.foam_m, self.beside_foam, strict=True)
        )

    @property
    def face_area_m2(self) -> tuple[float, ...]:
        """Inside area of the same six faces [m2]."""
        front = self.width_m * self.height_m
        side, top = self.depth_m * self.height_m, self.width_m * self.depth_m
        return (front, front, side, side, top, top)

    @property
    def face_m2_k_per_w(self) -> tuple[float, ...]:
        """Resistance of the same six faces, all layers, without films [m2 K/W]."""
        return tuple(
            foam / self.conductivity_w_per_m_k + beside.inner_m2_k_per_w + beside.outer_m2_k_per_w
            for foam, beside in zip(self.foam_m, self.beside_foam, strict=True)
        )

    @property
    def foam_share(self) -> float:
        """Share of the foam in the wall's resistance, over its faces [-]."""
        return sum(self.foam_m) / self.conductivity_w_per_m_k / sum(self.face_m2_k_per_w)

    @property
    def volume_m3(self) -> float:
        """Inside volume [m3]."""
        return self.width_m * self.depth_m * self.height_m

    @property
    def outside_m(self) -> tuple[float, float, float]:
        """Outside width, depth and height [m]."""
        front, back, left, right, top, bottom = self.thickness_m
        return (
            self.width_m + left + right,
            self.depth_m + front + back,
            self.height_m + top + bottom,
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
        inner = [beside.inner_m for beside in self.beside_foam]
        front, back, left, right, top, bottom = (
            (layer, foam) for layer, foam in zip(inner, self.foam_m, strict=True)
        )
        around, within = 1.0, 1.0
        for clear, one, other in (
            (self.width_m, left, right),
            (self.depth_m, front, back),
            (self.height_m, top, bottom),
        ):
            core = clear + one[0] + other[0]
            within *= core
            around *= core + one[1] + other[1]
        return around - within


def surface_m2(width_m: float, depth_m: float, height_m: float) -> float:
    """Return the surface of a rectangular box [m2]."""
    return 2.0 * (width_m * depth_m + width_m * height_m + depth_m * height_m)


def wall_parts_w_per_k(box: Box) -> dict[str, float]:
    """Return the conductance [W/K] of faces, edges and corners, surface to surface.

    Faces by their own layers in a row.  Edges and corners by conduction shape factors,
    q = S k dT (Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, Table 4.1: edge
    0.54 D for D > L/5, corner 0.15 L), with the conductivity of one material that would
    insulate like the layers (mean of the six faces); corners take the mean thickness.  The
    inner area alone would be a tenth low, the outer area alone a third high, for a 30 litre
    box.  Thin metal skins count through the wall only; heat that runs along them round the
    door frame is part of the door seal's figure.
    """
    resistances = box.face_m2_k_per_w
    alike = [through / whole for through, whole in zip(box.thickness_m, resistances, strict=True)]
    mean = sum(alike) / len(alike)
    thickness = sum(box.thickness_m) / 6.0
    return {
        "faces": sum(
            area / whole for area, whole in zip(box.face_area_m2, resistances, strict=True)
        ),
        "edges": mean * EDGE_SHAPE_FACTOR * 4.0 * (box.width_m + box.depth_m + box.height_m),
        "corners": mean * 8.0 * CORNER_SHAPE_FACTOR * thickness,
    }


def coldest_face_factor(box: Box, inside_w_per_m2_k: float, outside_w_per_m2_k: float) -> float:
    """Return how far the thinnest face's outside falls below the room, over the mean's fall [-].

    Steady, mid-face, films as given [W/(m2 K)].  Edges and corners have more outside than
    inside and are warmer; it is the middle of the thinnest face that gets wet first.
    """
    films = 1.0 / inside_w_per_m2_k + 1.0 / outside_w_per_m2_k
    thinnest = 1.0 / (films + min(box.face_m2_k_per_w))
    whole = series(
        inside_w_per_m2_k * box.inside_area_m2,
        sum(wall_parts_w_per_k(box).values()),
        outside_w_per_m2_k * box.outside_area_m2,
    )
    return thinnest * box.outside_area_m2 / whole


COPPER_W_PER_M_K = 400.0  # textbook


def metal_through_wall_w_per_k(
    bolts: int, diameter_m: float, conductivity_w_per_m_k: float, copper_m2: float, length_m: float
) -> float:
    """Return what bolts and wires carry through a wall [W/K]: q = k A dT / L for each.

    Both ends are taken at the full difference, as where a bolt clamps two sinks; heads in
    air give less.

    Parameters
    ----------
    bolts : int
        How many, with shanks of `diameter_m` [m] and `conductivity_w_per_m_k` [W/(m K)].
    copper_m2 : float
        Section of all wires together [m2].
    length_m : float
        Through the wall [m].
    """
    shanks = bolts * conductivity_w_per_m_k * pi / 4.0 * diameter_m**2
    return (shanks + COPPER_W_PER_M_K * copper_m2) / length_m


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
    foam_slope_per_k : float
        Rise of `foam_w_per_k` for each kelvin of the wall's mean temperature, relative [1/K].
    foam_reference_k : float
        Mean temperature at which `foam_w_per_k` holds [K].
    coldest_face_factor : float
        Fall of the thinnest face's outside below the room, over the mean's [-].
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
    foam_slope_per_k: float = 0.0
    foam_reference_k: float = 283.15
    coldest_face_factor: float = 1.0


def series(*conductances: float) -> float:
    """Return the conductance of several in a row [W/K]."""
    return 1.0 / sum(1.0 / g for g in conductances)


@kernel
def leak_kg_per_s(leak_per_s, volume_m3, ambient_k, ambient_w, pressure_pa):
    """Return the dry air that leaks in [kg/s], at the density of the room's air.

    As much dry air leaves: an air change is the box's volume of what comes in.

    Parameters
    ----------
    leak_per_s, volume_m3 : float
        Air changes [1/s] of the box's volume [m3].
    ambient_k, ambient_w, pressure_pa : float
        Room: temperature [K], humidity ratio [-], pressure [Pa].
    """
    return leak_per_s * volume_m3 * dry_air_density(ambient_k, ambient_w, pressure_pa)


@kernel
def door_flow_m3_per_s(width_m, height_m, inside_k, outside_k):
    """Return the air flow through an open door [m3/s], at the density of the cabinet's air.

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

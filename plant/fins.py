"""Air through a plate-fin sink: film, pressure drop, fan curve, resistance.

Textbook correlations for a duct as wide as the gap between two fins and as high as a fin.
Against measured sinks such estimates are good to about +/-20 % (common practice, no
source); a measured K/W is better and can be stated in their place.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log10, sqrt, tanh

from plant.constants import STANDARD_PRESSURE_PA
from plant.moist_air import CP_DRY_AIR, GAS_CONSTANT_DRY_AIR

# Dry air at 35 °C, a warm intake; checked against CoolProp by a test.
AIR_CONDUCTIVITY_W_PER_M_K = 0.0270
AIR_VISCOSITY_PA_S = 1.89e-5
PRANDTL = 0.706
INTAKE_K = 308.15
FAN_SHEET_DENSITY = 1.2  # kg/m3; fan sheets hold for it (common practice)

LAMINAR_UP_TO, TURBULENT_FROM = 2300.0, 4000.0
Law = Callable[[float], float]


@dataclass(frozen=True)
class FinSink:
    """A base with straight plate fins, the air led between them.

    Parameters
    ----------
    fins : int
        Number of fins; the air flows in the gaps between them.
    height_m, thickness_m, gap_m, length_m : float
        Of a fin, the clear gap, and the way of the air along the fin [m].
    metal_w_per_m_k : float
        Conductivity of the fins [W/(m K)].
    """

    fins: int
    height_m: float
    thickness_m: float
    gap_m: float
    length_m: float
    metal_w_per_m_k: float

    @property
    def gaps(self) -> int:
        """Number of channels."""
        return self.fins - 1

    @property
    def aspect(self) -> float:
        """Shorter over longer side of a channel [-]."""
        return min(self.gap_m, self.height_m) / max(self.gap_m, self.height_m)

    @property
    def hydraulic_diameter_m(self) -> float:
        """Four times area over wetted perimeter of a channel [m]."""
        return 2.0 * self.gap_m * self.height_m / (self.gap_m + self.height_m)

    @property
    def flow_area_m2(self) -> float:
        """Free area of all channels [m2]."""
        return self.gaps * self.gap_m * self.height_m

    @property
    def open_share(self) -> float:
        """Free share of the front [-]."""
        return self.gaps * self.gap_m / (self.gaps * self.gap_m + self.fins * self.thickness_m)


@dataclass(frozen=True)
class FanCurve:
    """A fan by its free flow, its stall pressure, and a point between where that is known.

    Straight lines join them.  Without the point, real curves sag below or bulge above the
    line by a fifth or so (common practice, no source).

    Parameters
    ----------
    free_flow_m3_per_s : float
        Against no pressure [m3/s].
    stall_pa : float
        Pressure at no flow, in air of 1.2 kg/m3 [Pa].
    middle : tuple of (float, float), optional
        (flow [m3/s], pressure [Pa]) between the two.
    """

    free_flow_m3_per_s: float
    stall_pa: float
    middle: tuple[float, float] | None = None

    def pressure_pa(self, flow_m3_per_s: float, density: float) -> float:
        """Return the pressure [Pa] at a flow [m3/s] in air of `density` [kg/m3] (fan laws)."""
        ends = [(0.0, self.stall_pa), (self.free_flow_m3_per_s, 0.0)]
        if self.middle is not None:
            ends.insert(1, self.middle)
        upto = next((i for i in range(1, len(ends)) if flow_m3_per_s <= ends[i][0]), len(ends) - 1)
        (flow, pressure), (next_flow, next_pressure) = ends[upto - 1], ends[upto]
        slope = (next_pressure - pressure) / (next_flow - flow)
        return (pressure + slope * (flow_m3_per_s - flow)) * density / FAN_SHEET_DENSITY


@dataclass(frozen=True)
class Through:
    """What happens in a sink at one flow of air.

    Flow in m3/s, pressure drop in Pa, film in W/(m2 K), resistance base to intake in K/W;
    Reynolds number and fin efficiency without unit.
    """

    flow_m3_per_s: float
    pressure_drop_pa: float
    reynolds: float
    film_w_per_m2_k: float
    fin_efficiency: float
    k_per_w: float


def air_density(temp_k: float = INTAKE_K, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the density of dry air [kg/m3] (ideal gas)."""
    return pressure_pa / (GAS_CONSTANT_DRY_AIR * temp_k)


def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Return the standard atmosphere's pressure [Pa], ISO 2533 up to 11 km (from memory)."""
    return STANDARD_PRESSURE_PA * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588


def laminar_nusselt(aspect: float) -> float:
    """Return Nu of fully developed laminar flow in a rectangular duct, walls at one temperature.

    Polynomial of Shah and London 1978 (from memory), within 0.3 % of the printed table;
    aspect = shorter over longer side.
    """
    a = aspect
    return 7.541 * (1 - 2.610 * a + 4.970 * a**2 - 5.119 * a**3 + 2.702 * a**4 - 0.548 * a**5)


def laminar_friction(aspect: float) -> float:
    """Return Fanning f Re of fully developed laminar flow in a rectangular duct.

    Polynomial of Shah and London 1978 (from memory).
    """
    a = aspect
    return 24.0 * (1 - 1.3553 * a + 1.9467 * a**2 - 1.7012 * a**3 + 0.9564 * a**4 - 0.2537 * a**5)


def turbulent_friction(reynolds: float) -> float:
    """Return the Darcy friction factor of a smooth duct, Haaland 1983 (from memory)."""
    return (-1.8 * log10(6.9 / reynolds)) ** -2


def _blended(reynolds: float, laminar: Law, turbulent: Law) -> float:
    """Return a law's value at a Reynolds number, through the transition as Gnielinski 2013.

    Linear between the laminar law's value at Re 2300 and the turbulent law's at 4000.
    """
    if reynolds <= LAMINAR_UP_TO:
        return laminar(reynolds)
    if reynolds >= TURBULENT_FROM:
        return turbulent(reynolds)
    share = (reynolds - LAMINAR_UP_TO) / (TURBULENT_FROM - LAMINAR_UP_TO)
    return (1.0 - share) * laminar(LAMINAR_UP_TO) + share * turbulent(TURBULENT_FROM)


def nusselt(reynolds: float, aspect: float, diameter_over_length: float) -> float:
    """Return the mean Nu over a channel's length [-].

    Laminar: developed value plus the entry term of Hausen 1943; turbulent: Gnielinski 1976
    with Haaland's friction; between Re 2300 and 4000 as Gnielinski 2013 (from memory).
    """

    def laminar(at: float) -> float:
        graetz = diameter_over_length * at * PRANDTL
        entry = 0.0668 * graetz / (1.0 + 0.04 * graetz ** (2.0 / 3.0))
        return laminar_nusselt(aspect) + entry

    def turbulent(at: float) -> float:
        eighth = turbulent_friction(at) / 8.0
        bottom = 1.0 + 12.7 * sqrt(eighth) * (PRANDTL ** (2.0 / 3.0) - 1.0)
        return eighth * (at - 1000.0) * PRANDTL / bottom

    return _blended(reynolds, laminar, turbulent)


def friction(reynolds: float, aspect: float, diameter_over_length: float) -> float:
    """Return the apparent Darcy friction factor over a channel's length [-].

    Laminar: sqrt((3.44/sqrt(L+))^2 + (f Re)^2) of the developing flow, L+ = L/(D Re)
    (Shah and London 1978; the joining by Muzychka and Yovanovich 1998, both from memory).
    The transition is joined as the film's, for want of better.
    """

    def laminar(at: float) -> float:
        length_plus = 1.0 / (diameter_over_length * at)
        developing = 3.44 / sqrt(length_plus)
        return 4.0 * sqrt(developing**2 + laminar_friction(aspect) ** 2) / at

    return _blended(reynolds, laminar, turbulent_friction)


def fin_efficiency(
    film_w_per_m2_k: float, metal_w_per_m_k: float, thickness_m: float, height_m: float
) -> float:
    """Return the efficiency of a straight fin with an idle tip [-]: tanh(m H)/(m H)."""
    reach = sqrt(2.0 * film_w_per_m2_k / (metal_w_per_m_k * thickness_m)) * height_m
    return tanh(reach) / reach if reach > 1e-6 else 1.0


def through(
    sink: FinSink, flow_m3_per_s: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Through:
    """Return film, pressure drop and resistance at a flow of air.

    The air warms along the channel: 1/R = m cp (1 - exp(-h A eta/(m cp))).  Entry and exit
    lose 0.42 (1 - s^2) and (1 - s^2)^2 velocity heads at an open share s (Kays and London,
    from memory).  Spreading in the base is left out.
    """
    density = air_density(INTAKE_K, pressure_pa)
    velocity = flow_m3_per_s / sink.flow_area_m2
    diameter = sink.hydraulic_diameter_m
    reynolds = max(density * velocity * diameter / AIR_VISCOSITY_PA_S, 1e-6)
    slender = diameter / sink.length_m
    film = nusselt(reynolds, sink.aspect, slender) * AIR_CONDUCTIVITY_W_PER_M_K / diameter
    efficiency = fin_efficiency(film, sink.metal_w_per_m_k, sink.thickness_m, sink.height_m)
    area = sink.gaps * sink.length_m * (2.0 * sink.height_m * efficiency + sink.gap_m)
    carried = density * flow_m3_per_s * CP_DRY_AIR
    taken = carried * (1.0 - exp(-film * area / carried)) if carried > 0.0 else 0.0
    closed = 1.0 - sink.open_share**2
    heads = friction(reynolds, sink.aspect, slender) / slender + 0.42 * closed + closed**2
    return Through(
        flow_m3_per_s=flow_m3_per_s,
        pressure_drop_pa=0.5 * density * velocity**2 * heads,
        reynolds=reynolds,
        film_w_per_m2_k=film,
        fin_efficiency=efficiency,
        k_per_w=1.0 / taken if taken > 0.0 else float("inf"),
    )


def operating_point(
    sink: FinSink, fan: FanCurve, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Through:
    """Return the sink at the flow where the fan's curve meets its pressure drop.

    The drop rises and the curve falls with flow, so a bisection finds the one crossing.
    """
    density = air_density(INTAKE_K, pressure_pa)
    low, high = 0.0, fan.free_flow_m3_per_s
    for _ in range(60):
        middle = 0.5 * (low + high)
        drop_pa = through(sink, middle, pressure_pa).pressure_drop_pa
        if fan.pressure_pa(middle, density) > drop_pa:
            low = middle
        else:
            high = middle
    return through(sink, 0.5 * (low + high), pressure_pa)

"""The two heat sinks: hot side to ambient, cold side to cabinet air."""

from dataclasses import dataclass
from math import sqrt

from plant.compiled import kernel
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K

WITH_MODULE, ALWAYS, OWN_SWITCH = 0, 1, 2
FAN_WIRINGS = {"with_module": WITH_MODULE, "always": ALWAYS, "own_switch": OWN_SWITCH}

STOPPED = 3  # a failed or unplugged fan; no wiring to choose, so it has no word

AIR_J_PER_M3_K = 1.2 * 1006.0  # volumetric heat capacity of air at 20 °C


@dataclass(frozen=True)
class HotSink:
    """Fan-cooled sink outside.

    Parameters
    ----------
    fan_w_per_k, no_fan_w_per_k : float
        Sink to ambient with the fan on and stopped, recirculation counted in [W/K]; stopped
        it holds for a sink 30 K above a room of 25 °C.
    heat_capacity_j_per_k : float
        [J/K].
    fan_w : float
        Fan power at the supply [W].
    foam_share : float
        Share of the sink's rise over ambient that the foam beside it takes [-].
    fan_wiring : int
        One of `FAN_WIRINGS`, or `STOPPED`.
    radiation_share : float
        Part of `no_fan_w_per_k` that is radiation [-].
    """

    fan_w_per_k: float
    no_fan_w_per_k: float
    heat_capacity_j_per_k: float
    fan_w: float
    foam_share: float
    fan_wiring: int
    radiation_share: float = 0.0


@dataclass(frozen=True)
class ColdSink:
    """Finned sink inside.

    Parameters
    ----------
    fan_w_per_k, no_fan_w_per_k : float
        Clean sink to cabinet air with the fan on and stopped [W/K].
    heat_capacity_j_per_k : float
        Of the metal [J/K].
    fin_area_m2, fin_gap_m : float
        Wetted area [m2] and clear gap between fins [m].
    fan_w : float
        Fan power; all of it heats the cabinet [W].
    holds_water_kg : float
        Water that clings to the fins before it drips [kg].
    drains_outside : float
        Share of what drips that leaves the cabinet; the rest stays on the floor inside [-].
    fan_wiring : int
        One of `FAN_WIRINGS`.
    frost_density, frost_conductivity : int
        One of `frost.DENSITIES` and of `frost.CONDUCTIVITIES`.
    frost_density_factor : float
        On that density, for the +/- 50 % it is good to [-].
    fan_free_flow_share : float
        Flow through the clean sink over the fan's free flow [-]; 0 is a fixed pressure.
    water_film_share : float
        Share of the clinging water that lies as an even film in the gaps [-].
    """

    fan_w_per_k: float
    no_fan_w_per_k: float
    heat_capacity_j_per_k: float
    fin_area_m2: float
    fin_gap_m: float
    fan_w: float
    holds_water_kg: float
    drains_outside: float
    fan_wiring: int
    frost_density: int = 0
    frost_conductivity: int = 0
    frost_density_factor: float = 1.0
    fan_free_flow_share: float = 0.0
    water_film_share: float = 0.0


@kernel
def fan_turns(wiring, commanded, duty):
    """Return 1.0 if a fan wired so turns, for the firmware's command and the drive's duty."""
    if wiring == ALWAYS:
        return 1.0
    if wiring == STOPPED:
        return 0.0
    if wiring == WITH_MODULE:
        return 1.0 if duty != 0.0 else 0.0
    return 1.0 if commanded != 0 else 0.0


STATED_RISE_K = 30.0  # a stopped fan's K/W is stated for this rise over a room of 25 °C
STATED_RADIATION_K3 = (328.15**2 + 298.15**2) * (328.15 + 298.15)


@kernel
def fan_is_better(sink, sink_k, ambient_k):
    """Tell whether the fan's film is surely the better, without the still one's roots.

    Up to 60 K over a room of up to 60 °C the still film is at most 1.6 times what it is at
    the stated rise (a test).
    """
    return (
        sink_k - ambient_k < 60.0
        and ambient_k < ZERO_C_K + 60.0
        and 1.6 * sink.no_fan_w_per_k < sink.fan_w_per_k
    )


@kernel
def still_film(sink, sink_k, ambient_k):
    """Return the conductance of a hot sink with its fan stopped [W/K].

    Laminar natural convection goes with the fourth root of the rise, radiation with
    (Ts^2 + Ta^2)(Ts + Ta) (textbook).  The rise is rounded by 1 K at nought, where the root
    has no slope and a room has draughts anyway.
    """
    rise = sink_k - ambient_k
    square = (rise * rise + 1.0) / (STATED_RISE_K * STATED_RISE_K + 1.0)
    convection = sqrt(sqrt(sqrt(square)))
    radiation = (
        (sink_k * sink_k + ambient_k * ambient_k) * (sink_k + ambient_k) / STATED_RADIATION_K3
    )
    share = sink.radiation_share
    return sink.no_fan_w_per_k * ((1.0 - share) * convection + share * radiation)


def with_recirculation(
    k_per_w: float, share: float, flow_m3_per_h: float, density_ratio: float = 1.0
) -> float:
    """Return a sink's resistance to the room [K/W] when it breathes its own exhaust.

    With the share r of the intake drawn from the exhaust, the intake stands
    r/(1 - r) times the exhaust's rise Q/(flow rho cp) above the room (heat balance).
    `density_ratio` is the air's density over that at sea level [-].
    """
    capacity_rate = flow_m3_per_h / 3600.0 * AIR_J_PER_M3_K * density_ratio
    return k_per_w + share / (1.0 - share) / capacity_rate


def thin_air_factor(pressure_pa: float) -> float:
    """Return the factor on a film of air at a pressure [Pa] over that at sea level [-].

    Laminar films go with the root of density (textbook), driven ones at the volume flow that
    a fan keeps, and natural ones, Nu ~ Ra^(1/4).  Turbulent driven ones would go with its
    0.8th power.
    """
    return sqrt(pressure_pa / STANDARD_PRESSURE_PA)


@kernel
def foam_temperature(ambient_k, hot_sink_k, foam_share):
    """Return the temperature of the foam next to the hot sink [K]."""
    return ambient_k + foam_share * (hot_sink_k - ambient_k)

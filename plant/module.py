"""The thermoelectric module: from data sheet to heat flows.

Lumped model with constant properties (textbook): Seebeck coefficient a [V/K],
resistance R [ohm], conductance K [W/K], all of one whole module.  Current that
cools is positive; temperatures are those of the ceramic faces.  What changes with
temperature, and two stages, are in `plant.stage`; all numbers of a sheet at once in
`plant.data_sheet`.
"""

from dataclasses import dataclass
from math import sqrt

from plant import leg_material


@dataclass(frozen=True)
class DataSheet:
    """The numbers printed on a module's sheet.

    Parameters
    ----------
    couples : int
        Number of thermocouples [-].
    imax_a, vmax_v, dtmax_k, qmax_w : float
        Current, voltage and temperature difference at the largest difference with no
        load, and the heat pumped at no difference [A, V, K, W].
    hot_side_k : float
        Hot-side temperature at which they hold [K].  Sheets hold for vacuum or dry gas.
    ac_resistance_ohm : float
        Resistance printed for 25 °C throughout [ohm]; 0: not printed.
    """

    couples: int
    imax_a: float
    vmax_v: float
    dtmax_k: float
    qmax_w: float
    hot_side_k: float
    ac_resistance_ohm: float = 0.0


@dataclass(frozen=True)
class Module:
    """Lumped parameters of the module, or of the whole bank of modules.

    Parameters
    ----------
    seebeck_v_per_k : float
        Seebeck coefficient [V/K].
    resistance_ohm : float
        Electrical resistance [ohm].
    conductance_w_per_k : float
        Thermal conductance between the faces [W/K].
    face_heat_capacity_j_per_k : float
        Heat capacity of each ceramic face with its copper [J/K].
    cold_contact_w_per_k, hot_contact_w_per_k : float
        Conductance of the joint between face and sink [W/K].
    temperature_dependence : int
        1: the three values hold at 25 °C and change as bismuth telluride's; 0: constant.
    stages : int
        1, or 2: then the three values are the whole stack's as seen from outside (voltage
        per kelvin and standing conductance with no current, resistance in sum).
    upper_share : float
        Share of the couples that the upper, cold stage has [-].
    middle_contact_w_per_k : float
        Conductance of the joint between the stages [W/K].
    """

    seebeck_v_per_k: float
    resistance_ohm: float
    conductance_w_per_k: float
    face_heat_capacity_j_per_k: float
    cold_contact_w_per_k: float
    hot_contact_w_per_k: float
    temperature_dependence: int = 0
    stages: int = 1
    upper_share: float = 0.5
    middle_contact_w_per_k: float = 1e3


def resistance_at_ohm(mod: Module, temp_k: float) -> float:
    """Return the resistance [ohm] with the whole module at one temperature, as at start-up."""
    if mod.temperature_dependence == 0:
        return mod.resistance_ohm
    return float(mod.resistance_ohm * leg_material.ratios(temp_k)[1])


def lumped_parameters(sheet: DataSheet) -> tuple[float, float, float]:
    """Return (seebeck [V/K], resistance [ohm], conductance [W/K]) from three of its numbers.

    Constant properties.  Textbook algebra from Imax, Vmax and dTmax at Th: a = Vmax/Th,
    R = Vmax (Th - dTmax)/(Imax Th), K = Vmax Imax (Th - dTmax)/(2 Th dTmax).
    Qmax is the redundant fourth number: a Imax (Th + dTmax)/2 comes out of the other three.
    """
    th, dt = sheet.hot_side_k, sheet.dtmax_k
    seebeck = sheet.vmax_v / th
    resistance = sheet.vmax_v * (th - dt) / (sheet.imax_a * th)
    conductance = sheet.vmax_v * sheet.imax_a * (th - dt) / (2.0 * th * dt)
    return seebeck, resistance, conductance


def bank(
    one: tuple[float, float, float],
    in_series: int,
    in_parallel: int,
    derating: float,
) -> tuple[float, float, float]:
    """Return (a, R, K) of `in_series` x `in_parallel` equal modules between the same sinks.

    Electrically a string of s modules, p strings side by side; thermally all are in
    parallel: same faces, equal shares of joints stated for all together.  `derating` scales
    the Seebeck coefficient (and with it the cooling), as commodity modules fall short of
    their sheet.
    """
    seebeck, resistance, conductance = one
    return (
        derating * seebeck * in_series,
        resistance * in_series / in_parallel,
        conductance * in_series * in_parallel,
    )


def figure_of_merit(seebeck: float, resistance: float, conductance: float) -> float:
    """Return Z = a^2/(R K) [1/K]."""
    return seebeck**2 / (resistance * conductance)


def peak_cooling_current_a(seebeck: float, resistance: float, cold_k: float) -> float:
    """Return the current of most cooling at fixed face temperatures [A]: a Tc/R."""
    return seebeck * cold_k / resistance


def best_cop(
    seebeck: float, resistance: float, conductance: float, cold_k: float, hot_k: float
) -> tuple[float, float]:
    """Return (current [A], COP [-]) of best efficiency at fixed face temperatures.

    m = sqrt(1 + Z Tm); I = a dT/(R (m - 1)); COP = Tc/dT (m - Th/Tc)/(m + 1) (textbook).
    Needs `hot_k` > `cold_k`.
    """
    difference = hot_k - cold_k
    z = figure_of_merit(seebeck, resistance, conductance)
    m = sqrt(1.0 + z * 0.5 * (hot_k + cold_k))
    current = seebeck * difference / (resistance * (m - 1.0))
    cop = cold_k / difference * (m - hot_k / cold_k) / (m + 1.0)
    return current, cop


def largest_difference_k(
    seebeck: float, resistance: float, conductance: float, cold_k: float
) -> float:
    """Return the largest face difference with no heat load [K]: Z Tc^2/2."""
    return 0.5 * figure_of_merit(seebeck, resistance, conductance) * cold_k**2

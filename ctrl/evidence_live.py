"""Outside checks worked out on the spot by a library, where it is installed.

They are shown beside the published ones and are not counted among them.
"""

from collections.abc import Callable
from functools import partial
from importlib import import_module, metadata
from typing import Any

import numpy as np

from ctrl.evidence import Row
from ctrl.evidence_electric import LEG_M, LEGS
from ctrl.evidence_values import VALUES
from plant import films, module
from plant.constants import GRAVITY_M_PER_S2, STANDARD_PRESSURE_PA, ZERO_C_K

WORKED = {"a": 0.0516, "r": 2.0, "k": 0.54}  # V/K, ohm, W/K: a textbook's worked module


def live_rows() -> tuple[list[Row], tuple[str, ...]]:
    """Return the live rows of every installed library, and the names of the absent ones."""
    rows: list[Row] = []
    absent = []
    for name, (module_name, make) in LIBRARIES.items():
        try:
            library = import_module(module_name)
        except ImportError:
            absent.append(name)
            continue
        rows += make(library, f"{name} {metadata.version(name)}, live")
    return rows, tuple(absent)


def _row(source: str, chapter: str, quantity: str, unit: str, expected: float, tolerance: float,
         why: str, value: str, **arguments: Any) -> Row:  # fmt: skip
    ours = float(VALUES[value](**arguments))
    return Row(chapter, quantity, unit, source, "live", float(expected), ours, tolerance, why)


# CoolProp and psychrolib ---------------------------------------------------------------


def _of_coolprop(library: Any, source: str) -> list[Row]:
    def moist(wanted: str, t_c: float, rh_pct: float) -> float:
        air = ("T", t_c + ZERO_C_K, "P", STANDARD_PRESSURE_PA, "R", 0.01 * rh_pct)
        return float(library.HAPropsSI(wanted, *air))

    row = partial(_row, source, "moist air")
    water_pa = library.PropsSI("P", "T", ZERO_C_K + 12.0, "Q", 0, "Water")
    heats = [
        library.PropsSI("H", "T", ZERO_C_K + t_c, "P", STANDARD_PRESSURE_PA, "Water")
        for t_c in (20.0, 5.0)
    ]
    grams = 1e3 * moist("W", 10.0, 70.0)
    return [
        row("vapour pressure over water, 12 C", "Pa", water_pa, 0.0026 * water_pa,
            "0.26 %: the short form used", "over_water_pa", t_c=12.0),
        row("humidity ratio, 20 C 50 %", "g/kg", 1e3 * moist("W", 20.0, 50.0), 0.059,
            "0.8 %: ideal gas and short form", "grams_at_humidity", t_c=20.0, rh_pct=50.0),
        row("dew point, 32 C 70 %", "°C", moist("D", 32.0, 70.0) - ZERO_C_K, 0.02,
            "short form there and back", "dew_point_c", t_c=32.0, rh_pct=70.0),
        row("volume per kg of dry air, 10 C 70 %", "m3/kg", moist("V", 10.0, 70.0), 0.0009,
            "0.1 %: ideal gas", "volume_m3_per_kg", t_c=10.0, g_per_kg=grams),
        row("enthalpy, 10 C 70 %", "kJ/kg", 1e-3 * moist("H", 10.0, 70.0), 0.1,
            "constant heat capacities", "enthalpy_kj_per_kg", t_c=10.0, g_per_kg=grams),
        _row(source, "contents", "heat of 1 kg of water from 20 to 5 C", "kJ",
             1e-3 * (heats[0] - heats[1]), 0.3, "0.4 %: constant heat capacity", "freezing_kj",
             kg=1.0, cp=4195.0, from_c=20.0, to_c=5.0),
    ]  # fmt: skip


def _of_psychrolib(library: Any, source: str) -> list[Row]:
    library.SetUnitSystem(library.SI)
    row = partial(_row, source, "moist air")
    ice_pa = library.GetSatVapPres(-15.0)
    grams = 1e3 * library.GetHumRatioFromRelHum(8.0, 0.75, STANDARD_PRESSURE_PA)
    dew_c = library.GetTDewPointFromRelHum(20.0, 0.40)
    return [
        row("vapour pressure over ice, -15 C", "Pa", ice_pa, 0.0015 * ice_pa,
            "0.15 %: the short form used", "over_ice_pa", t_c=-15.0),
        row("humidity ratio, 8 C 75 %", "g/kg", grams, 0.003 * grams,
            "0.3 %: the short form used", "grams_at_humidity", t_c=8.0, rh_pct=75.0),
        row("dew point, 20 C 40 %", "°C", dew_c, 0.03,
            "the short form used", "dew_point_c", t_c=20.0, rh_pct=40.0),
    ]  # fmt: skip


# ht ------------------------------------------------------------------------------------


def _of_ht(library: Any, source: str) -> list[Row]:
    """Return films as a run gets them: ht's correlations, air of the model's own films."""

    def film(nusselt: str, film_k: float, rise_k: float, height_m: float, **more: Any) -> float:
        air = films.air(film_k)
        grashof = GRAVITY_M_PER_S2 * rise_k * height_m**3 / (film_k * air.viscosity_m2_per_s**2)
        number = getattr(library, nusselt)(Pr=air.prandtl, Gr=grashof, **more)
        return float(number) * air.conductivity_w_per_m_k / height_m

    plate = film("Nu_vertical_plate_Churchill", 296.0, 3.0, 0.4)
    bottle = film(
        "Nu_vertical_cylinder", 280.0, 8.0, 0.3, L=0.3, D=0.08, Method="Popiel & Churchill"
    )
    across = float(library.Nu_cylinder_Churchill_Bernstein(1000.0, 0.71))
    why = "digits: the same correlation, another hand"
    return [
        _row(source, "envelope", "film of a wall in still air, 3 K on 0.4 m", "W/(m2 K)", plate,
             1e-3, why, "plate_film", film_k=296.0, difference_k=3.0, height_m=0.4),
        _row(source, "contents", "film of an upright bottle in still air, 8 K", "W/(m2 K)",
             bottle, 1e-3, why, "bottle_film", film_k=280.0, difference_k=8.0, height_m=0.3,
             diameter_m=0.08),
        _row(source, "contents", "Nusselt number across a bottle, Re 1000", "", across, 1e-3, why,
             "crossflow_number", prandtl=0.71, reynolds=1000.0),
    ]  # fmt: skip


# scipy ---------------------------------------------------------------------------------


def _of_scipy(library: Any, source: str) -> list[Row]:
    optimise = import_module("scipy.optimize")
    row = partial(_row, source, "module")
    faces = {"cold_k": ZERO_C_K, "hot_k": ZERO_C_K + 40.0}
    cooling_w, power_w = _legs_in_one_dimension(3.5, **faces)
    along = "third order along the leg is left out"
    stack = {"a": 0.08, "r": 3.2, "k": 0.85, "share": 0.3, "joint": 20.0, "amps": 3.0,
             "cold_k": 255.0, "hot_k": 305.0}  # fmt: skip
    cold_k, hot_k = ZERO_C_K + 5.0, ZERO_C_K + 35.0
    a, r, k = WORKED.values()
    closed = {"cold_c": 5.0, "hot_c": 35.0}
    current_a, cop = module.best_cop(a, r, k, cold_k, hot_k)
    return [
        row("cooling at 3.5 A, 0/40 C, legs in 1-D (solve_bvp)", "W", cooling_w, 0.06,
            f"{along}: 0.2 %", "legs_cooling_w", amps=3.5, **faces),
        row("power at 3.5 A, 0/40 C, legs in 1-D (solve_bvp)", "W", power_w, 0.06,
            f"{along}: 0.1 %", "legs_power_w", amps=3.5, **faces),
        row("cooling of two stages, 255/305 K, 3 A (fsolve)", "W",
            _stack_by_root(optimise, **stack), 1e-6, "digits of the search", "stack_cooling_w",
            **stack),
        row("search for the current of best COP, 5/35 C, against the closed form", "A", current_a,
            1e-5, "digits of the search", "best_current_a", **WORKED, **closed),
        row("search for the best COP, 5/35 C, against the closed form", "", cop, 1e-8,
            "digits of the search", "best_cop", **WORKED, **closed),
        row("gain of dTmax from a 25 to a 50 C hot side", "K",
            _searched_difference(optimise, 50.0) - _searched_difference(optimise, 25.0), 1e-4,
            "digits of the search", "constant_gain_k", **WORKED, from_c=25.0, to_c=50.0),
    ]  # fmt: skip


def _legs_in_one_dimension(amps: float, cold_k: float, hot_k: float) -> tuple[float, float]:
    """Return (cooling, power) [W] of legs whose heat equation scipy solves.

    dT/dx = y/(kappa G), dy/dx = I T alpha' dT/dx - I^2 rho/G (textbook); the published
    polynomials (from memory) are typed in anew.
    """
    integrate = import_module("scipy.integrate")

    def alpha(t: Any) -> Any:
        return (22224 + 930.6 * t - 0.9905 * t * t) * 1e-9

    def rates(_: Any, s: Any) -> Any:
        t = s[0]
        slope = s[1] / ((62605 - 277.7 * t + 0.4131 * t * t) * 1e-4 * LEG_M)
        thomson = amps * t * (930.6 - 2 * 0.9905 * t) * 1e-9 * slope
        joule = amps**2 * (5112 + 163.4 * t + 0.6279 * t * t) * 1e-10 / LEG_M
        return np.array([slope, thomson - joule])

    x = np.linspace(0.0, 1.0, 11)
    guess = np.array([cold_k + (hot_k - cold_k) * x, np.full(11, 1.65 * LEG_M * (hot_k - cold_k))])
    found = integrate.solve_bvp(
        rates, lambda first, last: np.array([first[0] - cold_k, last[0] - hot_k]), x, guess,
        tol=1e-8,
    )  # fmt: skip
    cold_w, hot_w = (LEGS * (alpha(t) * t * amps - y) for t, y in (found.y[:, 0], found.y[:, -1]))
    return cold_w, hot_w - cold_w


def _stack_by_root(
    optimise: Any, a: float, r: float, k: float, share: float, joint: float, amps: float,
    cold_k: float, hot_k: float,
) -> float:  # fmt: skip
    """Return what a stack takes up [W]: heat out of the upper stage = joint = into the lower."""
    rest = 1.0 - share

    def misses(middle: Any) -> list[float]:
        upper_k, lower_k = middle
        given = share * (a * amps * upper_k + 0.5 * r * amps**2 - k * (upper_k - cold_k))
        taken = rest * (a * amps * lower_k - 0.5 * r * amps**2 - k * (hot_k - lower_k))
        passed = joint * (upper_k - lower_k)
        return [given - passed, taken - passed]

    upper_k, _ = optimise.fsolve(misses, [0.5 * (cold_k + hot_k)] * 2, xtol=1e-13)
    return float(share * (a * amps * cold_k - 0.5 * r * amps**2 - k * (upper_k - cold_k)))


def _searched_difference(optimise: Any, hot_c: float) -> float:
    """Return the largest no-load difference [K]: the coldest root over every current."""
    hot_k, a, r, k = hot_c + ZERO_C_K, *WORKED.values()

    def cold_k(amps: float) -> float:
        return float(
            optimise.brentq(
                lambda cold: a * amps * cold - 0.5 * r * amps**2 - k * (hot_k - cold), 50.0, 500.0
            )
        )

    found = optimise.minimize_scalar(cold_k, bounds=(1.0, 12.0), method="bounded",
                                     options={"xatol": 1e-9})  # fmt: skip
    return hot_k - float(found.fun)


LIBRARIES: dict[str, tuple[str, Callable[[Any, str], list[Row]]]] = {
    "CoolProp": ("CoolProp.CoolProp", _of_coolprop),
    "psychrolib": ("psychrolib", _of_psychrolib),
    "ht": ("ht", _of_ht),
    "scipy": ("scipy", _of_scipy),
}

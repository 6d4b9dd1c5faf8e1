"""Outside checks worked out on the spot by a library, where it is installed.

They are shown beside the published ones and are not counted among them.
"""

from collections.abc import Callable
from functools import partial
from importlib import import_module, metadata
from typing import Any

from ctrl.config_cabinet import Cabinet
from ctrl.evidence import Row
from ctrl.evidence_values import VALUES
from plant.constants import GRAVITY_M_PER_S2, STANDARD_PRESSURE_PA, ZERO_C_K

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA
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
            "0.8 %: ideal gas and short form", "grams_per_kg", t_c=20.0, rh_pct=50.0),
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
            "0.3 %: the short form used", "grams_per_kg", t_c=8.0, rh_pct=75.0),
        row("dew point, 20 C 40 %", "°C", dew_c, 0.03,
            "the short form used", "dew_point_c", t_c=20.0, rh_pct=40.0),
    ]  # fmt: skip


# ht ------------------------------------------------------------------------------------


def _film(library: Any, film_k: float, difference_k: float, length_m: float) -> float:
    """Return convection on a vertical plate and radiation [W/(m2 K)], emissivity 0.9.

    Air at 1 atm between 275 and 300 K, straight lines through 280 and 296 K (tables).
    """
    nu = 1.411e-5 + (film_k - 280.0) * 9.0e-8
    conductivity = 0.02466 + (film_k - 280.0) * 7.7e-5
    grashof = GRAVITY_M_PER_S2 * difference_k * length_m**3 / (film_k * nu**2)
    nusselt = library.Nu_vertical_plate_Churchill(Pr=0.709, Gr=grashof)
    return float(nusselt) * conductivity / length_m + 0.9 * 4.0 * STEFAN_BOLTZMANN * film_k**3


def _of_ht(library: Any, source: str) -> list[Row]:
    outside = _film(library, 296.0, 3.0, 0.4)
    still = _film(library, 280.0, 2.5, 0.33)
    still_default = Cabinet.model_fields["inside_film_fan_stopped_w_per_m2_k"].default
    return [
        _row(source, "envelope", "outside film, 3 K on 0.4 m, with radiation", "W/(m2 K)", outside,
             1.0, "walls of 0.3 to 0.5 m, 1 to 5 K", "default_outside_film"),
        Row("envelope", "inside film in still air, 2.5 K on 0.33 m", "W/(m2 K)", source, "live",
            still, float(still_default), 1.5, "contents hide a part of the wall"),
    ]  # fmt: skip


# scipy ---------------------------------------------------------------------------------


def _of_scipy(library: Any, source: str) -> list[Row]:
    optimise = import_module("scipy.optimize")
    cold_k, hot_k = ZERO_C_K + 5.0, ZERO_C_K + 35.0

    def cooling(amps: float) -> float:
        back = WORKED["k"] * (hot_k - cold_k)
        return WORKED["a"] * amps * cold_k - 0.5 * WORKED["r"] * amps**2 - back

    def power(amps: float) -> float:
        return WORKED["a"] * amps * (hot_k - cold_k) + WORKED["r"] * amps**2

    def most(objective: Callable[[float], float]) -> Any:
        return optimise.minimize_scalar(
            lambda amps: -objective(amps), bounds=(0.5, 15.0), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip

    best, peak = most(lambda amps: cooling(amps) / power(amps)), most(cooling)
    row = partial(_row, source, "module")
    return [
        row("current of best COP, 5/35 C", "A", best.x, 1e-5, "digits of the search",
            "best_current_a", **WORKED, cold_c=5.0, hot_c=35.0),
        row("best COP, 5/35 C", "", -best.fun, 1e-8, "digits of the search",
            "best_cop", **WORKED, cold_c=5.0, hot_c=35.0),
        row("current of most cooling, cold face 5 C", "A", peak.x, 1e-5, "digits of the search",
            "peak_current_a", a=WORKED["a"], r=WORKED["r"], cold_c=5.0),
        row("gain of dTmax from a 25 to a 50 C hot side", "K",
            _searched_difference(optimise, 50.0) - _searched_difference(optimise, 25.0), 1e-5,
            "digits of the search", "difference_gained_k", **WORKED, from_c=25.0, to_c=50.0),
    ]  # fmt: skip


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

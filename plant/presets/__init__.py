"""Named data: modules, foams, containers, liquids, sinks and seals, each with its source.

The numbers live in TOML files beside this one, so that adding a part is adding
data.  An unknown name is refused with the valid names and the nearest one.
"""

import difflib
import math
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent


class UnknownPreset(LookupError):
    """A name that no data file holds.

    Attributes
    ----------
    kind : str
        What was looked for, such as ``"foam"``.
    name : str
        The name that was asked for.
    valid : tuple of str
        All names of that kind.
    nearest : str or None
        The valid name closest in spelling, if one is close.
    """

    def __init__(self, kind: str, name: str, valid: tuple[str, ...]) -> None:
        self.kind = kind
        self.name = name
        self.valid = valid
        self.nearest = nearest_name(name, valid)
        super().__init__(f"no {kind} named {name!r}; valid names: {', '.join(valid)}")


@dataclass(frozen=True)
class ModuleSheet:
    """The printed values of one module's data sheet.

    ``imax_a`` [A], ``vmax_v`` [V], ``dtmax_k`` [K] and ``qmax_w`` [W] hold at a
    hot face of ``sheet_hot_side_c`` [deg C]; ``ac_resistance_ohm`` [ohm] at 25 C
    throughout, None where the sheet does not print it.
    """

    couples: int
    imax_a: float
    vmax_v: float
    dtmax_k: float
    qmax_w: float
    sheet_hot_side_c: float
    source: str
    ac_resistance_ohm: float | None = None


@dataclass(frozen=True)
class Foam:
    """One insulating foam.

    ``conductivity_w_per_m_k`` [W/(m K)] is at 10 C mean temperature and changes
    by ``slope_w_per_m_k_per_k`` [W/(m K^2)]; ``longest_c`` [deg C] is the
    highest temperature for long use.
    """

    conductivity_w_per_m_k: float
    slope_w_per_m_k_per_k: float
    density_kg_per_m3: float
    specific_heat_j_per_kg_k: float
    longest_c: float
    source: str


@dataclass(frozen=True)
class Container:
    """One bottle, can or jar, as a cylinder of equal wetted side and base."""

    volume_l: float
    diameter_mm: float
    height_mm: float
    empty_mass_kg: float
    wall_specific_heat_j_per_kg_k: float
    source: str

    @property
    def film_area_m2(self) -> float:
        """Side and base area in contact with the air [m2] (cylinder geometry)."""
        diameter_m, height_m = self.diameter_mm * 1e-3, self.height_mm * 1e-3
        return math.pi * diameter_m * height_m + math.pi / 4.0 * diameter_m**2

    @property
    def outer_volume_l(self) -> float:
        """Room the container takes in the cabinet [litres] (cylinder geometry)."""
        return math.pi / 4.0 * self.diameter_mm**2 * self.height_mm * 1e-6


@dataclass(frozen=True)
class Liquid:
    """What is in the container; ``water_share`` [-] is the part that freezes.

    ``densest_c`` [deg C] is where it is most dense; below ``freezing_c`` it never gets there.
    """

    specific_heat_j_per_kg_k: float
    density_kg_per_m3: float
    freezing_c: float
    water_share: float
    densest_c: float
    source: str


@dataclass(frozen=True)
class HotSink:
    """A hot sink by size word; resistances [K/W] from base to air."""

    fan_k_per_w: float
    no_fan_k_per_w: float
    heat_capacity_j_per_k: float
    fan_w: float
    fan_flow_m3_per_h: float
    source: str


@dataclass(frozen=True)
class ColdSink:
    """A cold sink by size word; resistances [K/W] from base to cabinet air."""

    fan_k_per_w: float
    no_fan_k_per_w: float
    heat_capacity_j_per_k: float
    fin_area_m2: float
    fin_gap_mm: float
    fan_w: float
    source: str


@dataclass(frozen=True)
class Seal:
    """A door seal by kind; ``w_per_m_k`` is the heat past each metre of it [W/(m K)]."""

    w_per_m_k: float
    source: str


# kind -> (file, table inside the file or None, what one entry becomes)
KINDS: dict[str, tuple[str, str | None, type]] = {
    "module": ("modules.toml", None, ModuleSheet),
    "foam": ("foams.toml", None, Foam),
    "container": ("containers.toml", None, Container),
    "liquid": ("liquids.toml", None, Liquid),
    "hot sink": ("sinks.toml", "hot", HotSink),
    "cold sink": ("sinks.toml", "cold", ColdSink),
    "door seal": ("seals.toml", None, Seal),
}


def nearest_name(name: str, valid: tuple[str, ...] | list[str]) -> str | None:
    """Return the valid name closest in spelling to `name`, or None if none is close."""
    lower = {candidate.lower(): candidate for candidate in valid}
    found = difflib.get_close_matches(name.lower(), list(lower), n=1, cutoff=0.6)
    return lower[found[0]] if found else None


@cache
def _table(kind: str) -> dict[str, Any]:
    file, inner, build = KINDS[kind]
    data = tomllib.loads((FOLDER / file).read_text(encoding="utf-8"))
    entries = data[inner] if inner else data
    return {name: build(**entry) for name, entry in entries.items()}


def names(kind: str) -> tuple[str, ...]:
    """Return every preset name of a kind, in the order of its data file."""
    return tuple(_table(kind))


def _find(kind: str, name: str) -> Any:
    table = _table(kind)
    if name not in table:
        raise UnknownPreset(kind, name, tuple(table))
    return table[name]


def module(name: str) -> ModuleSheet:
    """Return the module sheet of that name; `UnknownPreset` if there is none."""
    sheet: ModuleSheet = _find("module", name)
    return sheet


def foam(name: str) -> Foam:
    """Return the foam of that name; `UnknownPreset` if there is none."""
    found: Foam = _find("foam", name)
    return found


def container(name: str) -> Container:
    """Return the container of that name; `UnknownPreset` if there is none."""
    found: Container = _find("container", name)
    return found


def liquid(name: str) -> Liquid:
    """Return the liquid of that name; `UnknownPreset` if there is none."""
    found: Liquid = _find("liquid", name)
    return found


def seal(name: str) -> Seal:
    """Return the door seal of that name; `UnknownPreset` if there is none."""
    found: Seal = _find("door seal", name)
    return found


def hot_sink(name: str) -> HotSink:
    """Return the hot sink of that size word; `UnknownPreset` if there is none."""
    found: HotSink = _find("hot sink", name)
    return found


def cold_sink(name: str) -> ColdSink:
    """Return the cold sink of that size word; `UnknownPreset` if there is none."""
    found: ColdSink = _find("cold sink", name)
    return found

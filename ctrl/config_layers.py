"""The layers of one face as its key states them, in words: ``3 mm at 0.15, foam, 6 mm at 0.13``.

From inside to outside, commas between.  ``foam`` stands once, for the foam of the table
with that face's own thickness.  Any other layer is a thickness with a conductivity in W/(m K), or
with the name of a shipped foam; ``storing 5000`` after it is the heat it stores, J/(m2 K).
"""

import re
from dataclasses import dataclass

from plant import presets

EXAMPLE = '"3 mm at 0.15, foam, 6 mm at 0.13"'
THICKNESS_MM, CONDUCTIVITY, STORED = (0.1, 200.0), (0.003, 250.0), (0.0, 1e5)
NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
LAYER = re.compile(rf"{NUMBER} ?mm (?:at {NUMBER}|(.+?))(?: storing {NUMBER})?")


@dataclass(frozen=True)
class Layer:
    """One layer beside the foam: thickness [m], W/(m K) at 10 °C and its rise, J/(m2 K)."""

    thickness_m: float
    conductivity_w_per_m_k: float
    slope_w_per_m_k_per_k: float = 0.0
    stored_j_per_m2_k: float = 0.0


@dataclass(frozen=True)
class FaceLayers:
    """What lies inside and outside the foam of one face, each from inside to outside."""

    inner: tuple[Layer, ...]
    outer: tuple[Layer, ...]


def face_layers(text: str) -> FaceLayers:
    """Return the layers that a text states.

    Raises
    ------
    ValueError
        With what was expected, where it states none.
    """
    before: list[Layer] = []
    after: list[Layer] | None = None
    for item in (part.strip() for part in text.split(",")):
        if item != "foam":
            (before if after is None else after).append(_layer(item))
        elif after is not None:
            raise ValueError('"foam" once')
        else:
            after = []
    if after is None:
        raise ValueError(f'layers from inside to outside with "foam" among them, as {EXAMPLE}')
    return FaceLayers(tuple(before), tuple(after))


def _layer(item: str) -> Layer:
    found = LAYER.fullmatch(item)
    if found is None:
        raise ValueError(f'layers from inside to outside, as {EXAMPLE}, in place of "{item}"')
    thickness, conductivity, name, stored = found.groups()
    thickness_m = 1e-3 * _within(thickness, THICKNESS_MM, "mm", item)
    stored_j = _within(stored or "0", STORED, "J/(m2 K)", item)
    if conductivity is not None:
        return Layer(
            thickness_m, _within(conductivity, CONDUCTIVITY, "W/(m K)", item), 0.0, stored_j
        )
    valid = presets.names("foam")
    if name not in valid:
        choices = ", ".join(f'"{word}"' for word in valid)
        raise ValueError(f'"at" and W/(m K), or one of {choices}, in place of "{name}"')
    foam = presets.foam(name)
    own_j = thickness_m * foam.density_kg_per_m3 * foam.specific_heat_j_per_kg_k
    return Layer(
        thickness_m, foam.conductivity_w_per_m_k, foam.slope_w_per_m_k_per_k, own_j + stored_j
    )


def _within(text: str, limits: tuple[float, float], unit: str, item: str) -> float:
    value, (low, high) = float(text), limits
    if not low <= value <= high:
        raise ValueError(f'{low:g} to {high:g} {unit} in "{item}"')
    return value


def thickness_mm(layers: tuple[Layer, ...]) -> float:
    """Return the thickness of several layers [mm]."""
    return 1e3 * sum(layer.thickness_m for layer in layers)

"""One number's chain: value, method, inputs, steps, what decided it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ctrl.check import keys_of
from ctrl.config import Config

if TYPE_CHECKING:
    from ctrl.recommend import Recommendation

ROOM_KEYS = ("climate.usual_c", "climate.relative_humidity_pct", "climate.daily_swing_k")
HOT_KEYS = ("climate.worst_c", "climate.worst_humidity_pct", "climate.daily_swing_k")
SUPPLY_KEYS = ("supply.voltage_v", "supply.highest_voltage_v")


@dataclass(frozen=True)
class Input:
    """One key of the config: value, unit and where it comes from."""

    key: str
    value: object
    unit: str
    origin: str


@dataclass(frozen=True)
class Step:
    """One value on the way; None where there is none."""

    name: str
    value: float | None
    unit: str


@dataclass(frozen=True)
class Chain:
    """How one number came about."""

    name: str
    value: float | None
    unit: str
    method: str
    inputs: tuple[Input, ...]
    steps: tuple[Step, ...]
    decided_by: str
    changes: str


def inputs_of(config: Config, *keys: str) -> tuple[Input, ...]:
    """Return the keys of a config that have a meaning there; a name ending in . is a table."""
    return tuple(
        Input(row.key, row.value, row.unit, row.origin)
        for row in keys_of(config)
        if any(row.key == key or (key[-1] == "." and row.key.startswith(key)) for key in keys)
    )


def changed_by_draws(found: "Recommendation", name: str) -> bool:
    """Return whether the search for settings that hold more cabinets changed a setting."""
    tolerance = found.tolerance
    if tolerance is None:
        return False
    was = getattr(tolerance.variants[0].settings, name)
    return bool(getattr(tolerance.settings, name) != was)

"""How much each assumption of a new configuration matters, in kelvin.

The coldest contents that can be held on the hottest day (steady states), with one assumption
after the other moved to the ends of its plausible range, the rest as written.  Ranges:
common practice, no source.
"""

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.capability import coldest_holdable, limits_of
from ctrl.config import Config, build_config, config_fields, plain_data
from ctrl.config_errors import ConfigError
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState


@dataclass(frozen=True)
class Range:
    """Ends of a range: added to, times, or in place of what was assumed."""

    low: Any
    high: Any
    how: str = "is"

    def ends(self, value: Any) -> tuple[Any, Any]:
        """Return both ends for an assumed value."""
        if self.how == "times":
            return value * self.low, value * self.high
        if self.how == "plus":
            return value + self.low, value + self.high
        return self.low, self.high


RANGES: dict[str, Range] = {
    "cabinet.foam": Range("PUR fresh", "EPS old or unknown"),
    "cabinet.foam_thickness_mm": Range(-10.0, 10.0, "plus"),
    "cabinet.door_seal_w_per_m_k": Range(0.005, 0.06),
    "cabinet.air_changes_per_h": Range(0.1, 1.0),
    "cabinet.metal_through_wall_w_per_k": Range(0.0, 0.1),
    "module.preset": Range("127 couples 4 A", "127 couples 10 A commodity"),
    "module.qmax_w": Range(0.9, 1.1, "times"),
    "module.derating": Range(0.8, 1.0),
    "module.cold_contact_k_per_w": Range(0.015, 0.1),
    "module.hot_contact_k_per_w": Range(0.015, 0.1),
    "hot_sink.fan_k_per_w": Range(0.7, 1.4, "times"),
    "hot_sink.exhaust_recirculation": Range(0.0, 0.3),
    "cold_sink.fan_k_per_w": Range(0.7, 1.4, "times"),
    "cold_sink.fan_w": Range(0.3, 2.5),
    "supply.voltage_v": Range(0.95, 1.05, "times"),
    "supply.current_limit_a": Range(0.7, 1.3, "times"),
    "supply.wire_length_m": Range(0.5, 5.0),
    "drive.kind": Range("relay", "smoothed"),
    "climate.worst_c": Range(-3.0, 3.0, "plus"),
    "climate.relative_humidity_pct": Range(40.0, 80.0),
    "use.door_openings_per_day": Range(0, 30),
    "use.door_open_s": Range(5.0, 30.0),
}


@dataclass(frozen=True)
class Matter:
    """One assumption: its value, the ends of its range, and what they do.

    `low_change_k` and `high_change_k`: the coldest contents less those of the file as
    written [K]; None where such a cabinet finds no steady state or is none.
    """

    key: str
    unit: str
    value: Any
    low_value: Any
    high_value: Any
    low_change_k: float | None
    high_change_k: float | None

    @property
    def size_k(self) -> float:
        """The larger change [K]."""
        return max(abs(change or 0.0) for change in (self.low_change_k, self.high_change_k))


@dataclass(frozen=True)
class Matters:
    """The coldest contents on the hottest day as written [°C], and what moves them most."""

    coldest_holdable_c: float
    worst_c: float
    rows: tuple[Matter, ...]


def coldest_c(config: Config) -> float:
    """Return the coldest contents that can be held on the hottest day [°C]."""
    worst_c = config.climate.worst_c
    plant = at_ambient(plant_of(config), worst_c, humidity_at(config, worst_c))
    return coldest_holdable(plant, worst_c + ZERO_C_K, limits_of(config)).contents_c


def matters(config: Config, assumed_keys: Sequence[str]) -> Matters:
    """Return how much each assumed key matters, the most first.

    Raises
    ------
    NoSteadyState
        When the file as written has none.
    """
    base_c = coldest_c(config)
    units = {row.key: row.unit for row in config_fields()}
    rows = []
    for key in assumed_keys:
        if key not in RANGES:
            continue
        section, name = key.split(".")
        value = getattr(getattr(config, section), name)
        ends = RANGES[key].ends(value)
        changes = tuple(_change_k(config, key, end, base_c) for end in ends)
        rows.append(Matter(key, units[key], value, *ends, *changes))
    rows.sort(key=lambda row: -row.size_k)
    return Matters(base_c, config.climate.worst_c, tuple(rows))


def _change_k(config: Config, key: str, value: Any, base_c: float) -> float | None:
    section, name = key.split(".")
    data = deepcopy(plain_data(config))
    data[section][name] = value
    if key == "climate.worst_c":
        data["climate"]["usual_c"] = min(data["climate"]["usual_c"], value)
    try:
        return coldest_c(build_config(data, config.source)) - base_c
    except (ConfigError, NoSteadyState):
        return None


LEAST_SHOWN_K = 0.1


def text_of_matters(found: Matters) -> list[str]:
    """Return the lines that tell it, for a plain screen of 80 columns."""
    lines = [
        f"Coldest contents as written, room at {found.worst_c:g} C: "
        f"{found.coldest_holdable_c:.1f} C. What was assumed, and what it does to that:",
        f"  {'assumed':<33}{'as':>10}  {'if it were':<22}{'coldest, K':>11}",
    ]
    small = [row.key for row in found.rows if row.size_k < LEAST_SHOWN_K]
    for row in found.rows:
        if row.size_k < LEAST_SHOWN_K:
            continue
        key = row.key if len(row.key) < 33 else row.key[:30] + ".."
        ends = ((row.low_value, row.low_change_k), (row.high_value, row.high_change_k))
        if isinstance(row.value, str):
            lines.append(f"  {key} = {row.value}")
            key, value = "", ""
        else:
            value = f"{row.value:g}"
        for end, change in ends:
            shown = f"{end:g} {row.unit}".strip() if not isinstance(end, str) else end
            told = "cannot be" if change is None else f"{change:+.1f}"
            if change is not None and abs(change) < 0.05:
                told = "0.0"
            lines.append(f"  {key:<33}{value:>10}  {shown:<25.25}{told:>8}")
            key, value = "", ""
    if small:
        lines.append(f"  less than {LEAST_SHOWN_K:g} K each: {', '.join(small)}")
    return lines

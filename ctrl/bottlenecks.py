"""What holds the cabinet back most, in kelvin gained per plausible change.

Each gain is the fall of the coldest holdable temperature at the worst ambient, with the
duty optimised again for the changed cabinet.  The changes are data: `changes.toml`.
"""

import tomllib
from dataclasses import dataclass, replace
from importlib import resources
from math import sqrt
from typing import Any

from ctrl.build import (
    at_ambient,
    data_sheet_of,
    driven_hot_sink,
    extraction_of,
    humidity_at,
    plant_of,
    sheet_build_of,
    sheet_tolerances_of,
)
from ctrl.capability import flashed_coldest
from ctrl.config import Config, ConfigError, build_config, plain_data
from ctrl.twin_spreads import twin_spreads
from plant import data_sheet
from plant.constants import ZERO_C_K

LEAST_GAIN_K = 0.01
# A figure that a config may name by parts instead: key -> (what counts, the parts' keys).
NAMED_INSTEAD = {
    "cabinet.door_seal_w_per_m_k": ("seal_w_per_m_k", ("door_seal",)),
    "cabinet.metal_through_wall_w_per_k": ("metal_w_per_k", ("bolts", "wires_through_wall_mm2")),
}


@dataclass(frozen=True)
class Bottleneck:
    """One plausible change and what it gains.

    `gain_k` is the fall of the coldest holdable temperature [K]; below 0 the change harms.
    """

    part: str
    change: str
    effort: str
    gain_k: float


@dataclass(frozen=True)
class Sensitivity:
    """Gain for one parameter made 10 % better [K]."""

    part: str
    key: str
    gain_k: float


def worst_coldest_c(config: Config) -> float:
    """Return the coldest holdable contents at the worst ambient [°C]."""
    ambient_c = config.climate.worst_c
    plant = at_ambient(plant_of(config), ambient_c, humidity_at(config, ambient_c))
    return flashed_coldest(config, plant, ambient_c + ZERO_C_K).contents_c


def module_spread_k(config: Config) -> float:
    """Return how far the coldest holdable moves by what the module's sheet leaves open [K].

    Each printed number is off by its tolerance and the module fitted anew (its values drawn
    singly would make modules that no sheet describes); independent errors are added.
    """
    ambient_c = config.climate.worst_c
    plant = at_ambient(plant_of(config), ambient_c, humidity_at(config, ambient_c))
    ambient_k = ambient_c + ZERO_C_K
    before = flashed_coldest(config, plant, ambient_k).contents_c
    sheet, found = data_sheet_of(config), extraction_of(config)
    tolerances, build = sheet_tolerances_of(config), sheet_build_of(config)
    total = 0.0
    for name, share in zip(data_sheet.NUMBERS, tolerances.as_shares(), strict=True):
        printed = getattr(sheet, name)
        if printed <= 0.0:
            continue
        off = data_sheet.extract(
            replace(sheet, **{name: printed * (1.0 + share)}), tolerances, build
        )
        a, r, k = (new / old for new, old in zip(off.values, found.values, strict=True))
        mod = replace(
            plant.module,
            seebeck_v_per_k=a * plant.module.seebeck_v_per_k,
            resistance_ohm=r * plant.module.resistance_ohm,
            conductance_w_per_k=k * plant.module.conductance_w_per_k,
        )
        moved = flashed_coldest(config, replace(plant, module=mod), ambient_k).contents_c
        total += (moved - before) ** 2
    return sqrt(total) * max(1.0, found.misfit)


def twin_spread_k(config: Config) -> float:
    """Return how far the coldest holdable moves by the errors of a twin [K].

    Each independent share of them moved by one standard error; squares added.
    """
    ambient_k = config.climate.worst_c + ZERO_C_K
    plant = at_ambient(plant_of(config), config.climate.worst_c,
                       humidity_at(config, config.climate.worst_c))  # fmt: skip
    before = flashed_coldest(config, plant, ambient_k).contents_c
    moved = [
        flashed_coldest(config, share.change(plant, 1.0), ambient_k).contents_c
        for share in twin_spreads(config)
    ]
    return sqrt(sum((after - before) ** 2 for after in moved))


def load_changes() -> dict[str, list[dict[str, Any]]]:
    """Return the tables of `changes.toml`."""
    text = resources.files("ctrl").joinpath("changes.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _value_at(config: Config, key: str) -> Any:
    section, name = key.split(".")
    if key == "hot_sink.fan_k_per_w":
        return driven_hot_sink(config)[0]  # stated, or what the fins imply
    if key in NAMED_INSTEAD:
        return getattr(config.cabinet, NAMED_INSTEAD[key][0])
    return getattr(getattr(config, section), name)


def edited(config: Config, edits: list[dict[str, Any]]) -> Config | None:
    """Return the config with edits applied, or None where they change or fit nothing."""
    data = plain_data(config)
    changed = False
    for edit in edits:
        section, name = edit["key"].split(".")
        old = _value_at(config, edit["key"])
        if old is None:
            return None
        new = edit.get("set", old)
        if "factor" in edit:
            new = type(old)(old * edit["factor"])
        if "add" in edit:
            new = old + edit["add"]
        changed = changed or new != old
        data[section] = {**data.get(section, {}), name: new}
        _carry_along(config, data, edit["key"], new, old)
    if not changed:
        return None
    try:
        return build_config(data, config.source)
    except ConfigError:
        return None  # beyond what this config's own checks allow: not a plausible change here


def _carry_along(config: Config, data: dict[str, Any], key: str, new: Any, old: Any) -> None:
    """Change what must follow a key: faces of their own foam, voltages, foreign drive keys."""
    if key == "cabinet.foam_thickness_mm":
        for face in ("front", "back", "left", "right", "top", "bottom"):
            own = getattr(config.cabinet, f"foam_{face}_mm")
            if own is not None:
                data["cabinet"][f"foam_{face}_mm"] = own + new - old
    for part in NAMED_INSTEAD.get(key, ("", ()))[1]:
        data["cabinet"].pop(part, None)
    if key == "supply.voltage_v":
        data["supply"]["highest_voltage_v"] = max(config.supply.highest_voltage_v, new)
    if key == "drive.kind":
        data["drive"] = {"kind": new}


def rank_changes(config: Config) -> list[Bottleneck]:
    """Return every change that applies, the largest gain first."""
    before = worst_coldest_c(config)
    found = []
    for change in load_changes()["change"]:
        after = edited(config, change["edits"])
        if after is not None:
            gain = before - worst_coldest_c(after)
            found.append(Bottleneck(change["part"], change["change"], change["effort"], gain))
    return sorted(found, key=lambda item: -item.gain_k)


def rank_parameters(config: Config) -> list[Sensitivity]:
    """Return the gain per 10 % of each parameter, the largest first."""
    before = worst_coldest_c(config)
    found = []
    for item in load_changes()["parameter"]:
        after = edited(config, [{"key": item["key"], "factor": item["factor"]}])
        if after is not None:
            found.append(Sensitivity(item["part"], item["key"], before - worst_coldest_c(after)))
    return sorted(found, key=lambda item: -item.gain_k)

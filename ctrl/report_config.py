"""The config as used, and where each of its numbers comes from.

The file's own remarks tell: "measured", "assumed", "invented", "from memory", "common
practice"; a key that the file leaves out is a default, one that differs from it was given on
the command line.  A table [twin] was fitted to a log of the real cabinet: the parts which that
log told are measured, or fitted as the model needs them, and the keys that they stand for no
longer count.
"""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import Any

from ctrl.check import keys_of
from ctrl.config import Config
from ctrl.twin import BY_NAME, LUMPED
from ctrl.twin_spreads import carried

MEASURED, FITTED, STATED, ASSUMED, DEFAULT, ASKED, REPLACED, OF_THE_LOG = (
    "measured", "fitted", "stated", "assumed", "default", "command line", "replaced by the twin",
    "of the twin's log",
)  # fmt: skip
# Words of a remark -> what they make of the number, the first that is found.
REMARKS = (
    (re.compile(r"\bmeasured\b", re.IGNORECASE), MEASURED),
    (re.compile(r"\b(assumed|invented|from memory|common practice|rounded up)\b", re.IGNORECASE),
     ASSUMED),
)  # fmt: skip
# What a twin's part stands for: the value is then what the log told, whatever the key says.
# Where several keys make one value all are named: their sum or product was fitted.
REPLACES = {
    "hot_sink": ("hot_sink.fan_k_per_w",),
    "hot_still": ("hot_sink.no_fan_k_per_w",),
    "hot_joint": ("module.hot_contact_k_per_w",),
    "cold_sink": ("cold_sink.fan_k_per_w",),
    "cold_still": ("cold_sink.no_fan_k_per_w",),
    "cold_joint": ("module.cold_contact_k_per_w",),
    "foam": ("cabinet.foam_conductivity_w_per_m_k",),
    "leaks": ("cabinet.door_seal_w_per_m_k", "cabinet.air_changes_per_h",
              "cabinet.metal_through_wall_w_per_k", "cabinet.module_opening_w_per_k"),
    "contents_film": ("contents.film_w_per_m2_k", "contents.film_fan_stopped_w_per_m2_k"),
    "contents_capacity": ("contents.specific_heat_j_per_kg_k",),
    "hot_capacity": ("hot_sink.heat_capacity_j_per_k",),
    "cold_capacity": ("cold_sink.heat_capacity_j_per_k",),
    "air_lag": ("sensor.lag_s",),
    "cold_lag": ("cold_sink_sensor.lag_s",),
    "hot_lag": ("hot_sink_sensor.lag_s",),
}  # fmt: skip
# The sheet's figures make these three together: only all of them replace it.
MODULE_PARTS = ("seebeck", "resistance", "conductance")
SHEET_KEYS = (
    "module.imax_a", "module.vmax_v", "module.dtmax_k", "module.qmax_w", "module.ac_resistance_ohm",
)  # fmt: skip
MOST_SHOWN = 24  # of a list; a twin's correlations are some hundreds
KEY_LINE = re.compile(r"""^\s*(\w+)\s*=\s*((?:"(?:[^"\\]|\\.)*"|'[^']*'|[^#"'])*)(?:#\s*(.*))?$""")
TABLE_LINE = re.compile(r"^\s*\[(\w+)\]")


@dataclass(frozen=True)
class UsedKey:
    """One key with its value, kind of origin, and the remark that says so."""

    key: str
    value: str
    unit: str
    kind: str
    remark: str


def remarks_of(text: str) -> dict[str, str]:
    """Return the remark behind each key of a TOML text, by "table.key"."""
    found, table = {}, ""
    for line in text.splitlines():
        head = TABLE_LINE.match(line)
        if head:
            table = head.group(1)
            continue
        part = KEY_LINE.match(line)
        if part:
            found[f"{table}.{part.group(1)}"] = (part.group(3) or "").strip()
    return found


def kind_of(remark: str) -> str:
    """Return what a remark makes of its number."""
    return next((kind for pattern, kind in REMARKS if pattern.search(remark)), STATED)


def used_keys(config: Config, text: str) -> list[UsedKey]:
    """Return every key that has a meaning in a config, as it was used.

    Parameters
    ----------
    config : Config
        With the command line's options laid over it.
    text : str
        The file it came from.
    """
    remarks, file = remarks_of(text), tomllib.loads(text)
    told = told_parts(config)
    replaced = replaced_keys(told)
    by_log = {f"twin.{BY_NAME[name].key}": FITTED if name in LUMPED else MEASURED for name in told}
    found = []
    for item in keys_of(config):
        table, name = item.key.split(".")
        if item.value is None:
            continue
        remark = remarks.get(item.key, "")
        is_in_file = name in file.get(table, {})
        if table == "twin":
            kind = by_log.get(item.key, OF_THE_LOG)
            remark = remark or ("" if kind == OF_THE_LOG else "by a log of this cabinet")
        elif item.key in replaced:
            kind, remark = REPLACED, f"twin.{BY_NAME[replaced[item.key]].key}"
        elif is_in_file and not _same(file[table][name], item.value):
            kind, remark = ASKED, f"the file has {shown(file[table][name])}"
        elif is_in_file:
            kind = kind_of(remark)
        elif item.given:
            kind, remark = ASKED, ""
        else:
            kind, remark = DEFAULT, item.origin.removeprefix("default: ")
        found.append(UsedKey(item.key, shown(item.value), item.unit, kind, remark))
    return found


def told_parts(config: Config) -> tuple[str, ...]:
    """Return the names of the twin's parts that its log told; none without a twin.

    None that stopped at the end of the search.

    A lag or an offset of the air means something only where the sensor sits in it.
    """
    if config.twin is None:
        return ()
    return tuple(name for name in carried(config) if name not in config.twin.unknown)


def told_rows(config: Config, lumps: bool) -> tuple[tuple[str, str], ...]:
    """Return part and value with its standard error, of what a twin's log told.

    Parameters
    ----------
    config : Config
    lumps : bool
        Those fitted as the model needs them, or the others, which are measured.
    """
    return tuple(
        (BY_NAME[name].words, _with_error(config, name))
        for name in told_parts(config)
        if (name in LUMPED) == lumps
    )


def _with_error(config: Config, name: str) -> str:
    """Return a value and its standard error, two digits of that, with the unit."""
    assert config.twin is not None
    value, error = config.twin.values[name], config.twin.errors[name]
    decimals = max(0, 1 - floor(log10(error))) if error > 0.0 else 3
    unit = "times the file's" if BY_NAME[name].is_factor else "K"
    return f"{value:.{decimals}f} ± {error:.{decimals}f} {unit}"


def replaced_keys(told: Sequence[str]) -> dict[str, str]:
    """Return which keys a twin stands for, by the part that does so."""
    found = {key: name for name in told for key in REPLACES.get(name, ())}
    if all(name in told for name in MODULE_PARTS):
        found |= dict.fromkeys(SHEET_KEYS, MODULE_PARTS[0])
    return found


def _same(stated: Any, used: Any) -> bool:
    if isinstance(stated, int | float) and isinstance(used, int | float):
        return float(stated) == float(used)
    return shown(stated) == shown(used)


def shown(value: Any) -> str:
    """Return a value as the page shows it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple) and len(value) > MOST_SHOWN:
        return f"{len(value)} numbers"
    if isinstance(value, list | tuple):
        return ", ".join(shown(item) for item in value)
    return str(value)

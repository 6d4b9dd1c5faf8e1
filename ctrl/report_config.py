"""The config as used, and where each of its numbers comes from.

The file's own remarks tell: "measured", "assumed", "invented", "from memory", "common
practice"; a key that the file leaves out is a default, one that differs from it was given on
the command line, and a table [twin] was fitted to a log of the real cabinet.
"""

import re
import tomllib
from dataclasses import dataclass
from typing import Any

from ctrl.check import keys_of
from ctrl.config import Config

MEASURED, STATED, ASSUMED, DEFAULT, ASKED = (
    "measured", "stated", "assumed", "default", "command line",
)  # fmt: skip
# Words of a remark -> what they make of the number, the first that is found.
REMARKS = (
    (re.compile(r"\bmeasured\b", re.IGNORECASE), MEASURED),
    (re.compile(r"\b(assumed|invented|from memory|common practice|rounded up)\b", re.IGNORECASE),
     ASSUMED),
)  # fmt: skip
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
    found = []
    for item in keys_of(config):
        table, name = item.key.split(".")
        if item.value is None:
            continue
        remark = remarks.get(item.key, "")
        is_in_file = name in file.get(table, {})
        if table == "twin":
            kind = ASSUMED if "not told by the log" in remark else MEASURED
            remark = remark or "fitted to a log of this cabinet"
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
    if isinstance(value, list | tuple):
        return ", ".join(shown(item) for item in value)
    return str(value)

"""Putting values into a configuration's text without losing its comments."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ctrl.config import Config, parse_config
from ctrl.config_errors import ConfigError, Problem
from ctrl.new_text import toml_value

HEADING = re.compile(r"\s*\[\s*([A-Za-z_]+)\s*\]\s*(#.*)?$")


@dataclass(frozen=True)
class ConfigLine:
    """One value to write: table, key, value, and the comment behind it."""

    section: str
    key: str
    value: Any
    comment: str

    @property
    def text(self) -> str:
        """The line as TOML has it."""
        return f"{self.key} = {toml_value(self.value)}  # {self.comment}"


def text_with(
    text: str, lines: Sequence[ConfigLine], dropped: Sequence[tuple[str, str]] = ()
) -> str:
    """Return the text with these lines in place of their keys', others as they are.

    Parameters
    ----------
    text : str
        TOML with plain ``[table]`` headings and one key a line.
    lines : sequence of ConfigLine
        What to write; a key that is not there yet comes right under its heading.
    dropped : sequence of (table, key)
        Keys to leave out; they stay as a comment.
    """
    todo = {(line.section, line.key): line for line in lines}
    gone = set(dropped)
    found: list[str] = []
    heads: dict[str, int] = {}
    section = ""
    for row in text.splitlines():
        heading = HEADING.match(row)
        if heading:
            section = heading[1]
            found.append(row)
            heads[section] = len(found)
            continue
        key = re.match(r"\s*([A-Za-z0-9_]+)\s*=", row)
        place = (section, key[1]) if key else None
        if place in todo:
            found.append(todo.pop(place).text)
        elif place in gone:
            found.append(f"# {row.strip()}  (replaced by measured values)")
        else:
            found.append(row)
    for (name, _), line in reversed(list(todo.items())):
        if name not in heads:
            heads[name] = len(found) + 2
            found += ["", f"[{name}]"]
        at = heads[name]
        found.insert(at, line.text)
        heads = {other: n + 1 if n > at else n for other, n in heads.items()}
    return "\n".join(found) + "\n"


def config_with(
    text: str, file: str, lines: Sequence[ConfigLine], dropped: Sequence[tuple[str, str]] = ()
) -> tuple[str, Config]:
    """Return the changed text and the configuration that it reads as.

    Raises
    ------
    ConfigError
        When the text is laid out so that a line did not take, or the values do not fit.
    """
    changed = text_with(text, lines, dropped)
    config = parse_config(changed, file)
    missed = [
        line for line in lines if not _same(getattr(_table(config, line), line.key), line.value)
    ]
    if missed:
        expected = "plain [table] headings with one key a line, or paste the lines by hand"
        key = f"{missed[0].section}.{missed[0].key}"
        raise ConfigError([Problem(file, "cannot be changed in place", key, None, expected)])
    return changed, config


def _table(config: Config, line: ConfigLine) -> Any:
    return getattr(config, line.section)


def _same(one: Any, other: Any) -> bool:
    if isinstance(other, float) and isinstance(one, int | float):
        return abs(one - other) <= 1e-9 * abs(other)
    return bool(one == other)


def grouped(lines: Sequence[ConfigLine]) -> Mapping[str, list[ConfigLine]]:
    """Return the lines by table, in their order."""
    found: dict[str, list[ConfigLine]] = {}
    for line in lines:
        found.setdefault(line.section, []).append(line)
    return found

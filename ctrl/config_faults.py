"""Turn what the checker found into one clear line each: key, value, what was expected."""

import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from ctrl.config_errors import Problem, shown
from ctrl.config_fields import FieldRow, Section, row
from plant.presets import nearest_name

Models = Mapping[str, tuple[type[Section], ...]]

WORDS = {
    "greater_than_equal": "too small",
    "less_than_equal": "too large",
    "finite_number": "not a finite number",
    "literal_error": "not one of the choices",
    "string_too_short": "empty",
    "string_too_long": "too long",
}
MEDICINE = (
    "refused: never for medicines; they need a certified refrigerator with an alarm and a log"
)


def line_of(text: str, key: str) -> int | None:
    """Return the line of a dotted key in TOML text, or of its table, or None.

    Plain `[table]` headings with `key = value` lines are understood; any other
    form of TOML is read just as well, only its faults carry no line.
    """
    section, _, name = key.partition(".")
    heading = re.compile(rf"\s*\[\s*{re.escape(section)}\s*\]")
    wanted = re.compile(rf"\s*[\"']?{re.escape(name)}[\"']?\s*=") if name else None
    found: int | None = None
    inside = False
    for number, line in enumerate(text.splitlines(), start=1):
        if line.lstrip().startswith("["):
            inside = heading.match(line) is not None
            found = number if inside and found is None else found
        elif inside and wanted is not None and wanted.match(line):
            return number
    return found


def pick_model(models: Models, section: str, table: Any) -> type[Section] | None:
    """Return the model one table is checked with; contents choose by their kind."""
    candidates = models.get(section, ())
    if len(candidates) > 1 and isinstance(table, dict):
        for model in candidates:
            if table.get("kind") in row("", model.model_fields["kind"]).choices:
                return model
    return candidates[0] if candidates else None


def _choices_of_kind(models: Models, section: str) -> tuple[str, ...]:
    rows = (row("", model.model_fields["kind"]) for model in models[section])
    return tuple(choice for one in rows for choice in one.choices)


def _table_problem(error: Any, section: str, file: str, text: str, models: Models) -> Problem:
    """Word a fault of a whole table: missing, unknown, or not a table."""
    kind, line = error["type"], line_of(text, section)
    if kind == "missing":
        return Problem(file, "missing", f"[{section}]", expected=f"a table [{section}]")
    if kind == "extra_forbidden":
        nearest = nearest_name(section, tuple(models))
        what = "unknown table" if isinstance(error["input"], dict) else "unknown key"
        return Problem(file, what, section, nearest=nearest, line=line)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        choices = _choices_of_kind(models, section)
        given = error["input"].get("kind")
        expected = "one of " + ", ".join(f'"{word}"' for word in choices)
        if given is None:
            return Problem(file, "missing", f"{section}.kind", None, expected, line=line)
        nearest = nearest_name(given, choices) if isinstance(given, str) else None
        line = line_of(text, f"{section}.kind")
        return Problem(
            file, "not one of the choices", f"{section}.kind", shown(given), expected, nearest, line
        )
    value = shown(error["input"])
    return Problem(file, "not a table", section, value, f"a table [{section}]", line=line)


def _key_problem(
    error: Any, key: str, described: FieldRow | None, known: tuple[str, ...], file: str, text: str
) -> Problem:
    """Word a fault of one key."""
    kind, context, line = error["type"], error.get("ctx", {}), line_of(text, key)
    value = shown(error["input"])
    name = key.rpartition(".")[2]
    if kind == "extra_forbidden":
        return Problem(file, "unknown key", key, value, "", nearest_name(name, known), line)
    expected = described.expected if described else ""
    if kind == "missing":
        return Problem(file, "missing", key, None, expected, None, line)
    if kind == "preset":
        listed = "one of " + ", ".join(f'"{word}"' for word in context["valid"])
        what = f"no such {context['kind']}"
        return Problem(file, what, key, value, listed, context["nearest"], line)
    if kind == "medicine":
        return Problem(file, MEDICINE, key, value, "", None, line)
    nearest = None
    if described and described.choices and isinstance(error["input"], str):
        nearest = nearest_name(error["input"], described.choices)
    what = WORDS.get(kind, f"not {described.kind}" if described else "not usable")
    return Problem(file, what, key, value, expected, nearest, line)


def _between_keys(
    error: Any, section: str, data: Mapping[str, Any], file: str, text: str
) -> list[Problem]:
    """Word the faults of a check that looks at several keys."""
    found = []
    for name, expected in error["ctx"]["faults"]:
        key = f"{section}.{name}" if section else name
        table_name, _, key_name = key.partition(".")
        table = data.get(table_name)
        written = isinstance(table, Mapping) and key_name in table
        value = shown(table[key_name]) if written and isinstance(table, Mapping) else None
        what = "does not fit" if written else "not stated"
        if expected.startswith("no such key"):
            what = "has no meaning here"
        found.append(Problem(file, what, key, value, expected, line=line_of(text, key)))
    return found


def _faults_despite(
    model: type[Section], section: str, table: Mapping[str, Any], bad: set[str]
) -> list[tuple[str, str]]:
    """Return the faults between sound keys of a table in which other keys are at fault.

    The checker stops at the first layer of faults; the user wants both at once.
    """
    sound = {k: v for k, v in table.items() if k in model.model_fields and k not in bad}
    partial = model.model_construct(**sound)
    for key in bad:
        partial.__dict__.pop(key, None)
    found = partial.foreign_keys()
    try:
        found = found + partial.faults()
    except AttributeError:  # a check that needs a key at fault has to wait
        pass
    return [(f"{section}.{key}", expected) for key, expected in found if key not in bad]


def _second_layer(
    problems: list[Problem], data: Mapping[str, Any], file: str, text: str, models: Models
) -> list[Problem]:
    bad: dict[str, set[str]] = {}
    for problem in problems:
        section, _, key = problem.key.partition(".")
        if key and problem.what not in ("does not fit", "not stated", "has no meaning here"):
            bad.setdefault(section, set()).add(key)
    found: list[Problem] = []
    for section, keys in bad.items():
        table, model = data.get(section), pick_model(models, section, data.get(section))
        if model is None or not isinstance(table, dict) or "kind" in keys:
            continue
        faults = _faults_despite(model, section, table, keys)
        found += _between_keys({"ctx": {"faults": faults}}, "", data, file, text)
    return found


def _drop_echoes(problems: list[Problem]) -> list[Problem]:
    """Leave out "missing" where a misspelt key of the same table already explains it."""
    misspelt = {
        f"{problem.key.rpartition('.')[0]}.{problem.nearest}"
        for problem in problems
        if problem.what == "unknown key" and problem.nearest and "." in problem.key
    } | {f"[{p.key and p.nearest}]" for p in problems if p.what == "unknown table" and p.nearest}
    return [p for p in problems if not (p.what == "missing" and p.key in misspelt)]


def problems_of(
    error: ValidationError, data: Mapping[str, Any], file: str, text: str, models: Models
) -> list[Problem]:
    """Return one `Problem` for each fault of a failed validation, in the file's order.

    Parameters
    ----------
    error : ValidationError
        From validating the whole tree of values.
    data : mapping
        The tree that was validated.
    file, text : str
        Name for the lines, and the text to find line numbers in.
    models : mapping
        Table name to the models it may be checked with.
    """
    found: list[Problem] = []
    for one in error.errors(include_url=False):
        path = [str(part) for part in one["loc"]]
        section = path[0] if path else ""
        if one["type"] == "faults":
            found += _between_keys(one, section, data, file, text)
            continue
        model = pick_model(models, section, data.get(section))
        if len(models.get(section, ())) > 1 and len(path) > 1:
            path = [section, *path[2:]]  # the second part names the kind, not a key
        if len(path) < 2:
            found.append(_table_problem(one, section, file, text, models))
            continue
        known = tuple(model.model_fields) if model else ()
        described = row("", model.model_fields[path[1]]) if model and path[1] in known else None
        found.append(_key_problem(one, ".".join(path[:2]), described, known, file, text))
    found += _second_layer(found, data, file, text, models)
    return sorted(_drop_echoes(found), key=lambda p: p.line or 10**9)

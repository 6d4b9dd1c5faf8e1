"""How one key of the configuration is described: range, unit, origin, meaning.

Every key is declared once with `quantity`, `whole`, `choice` or `words`.
The same declaration checks the file, words the error line, lists
the keys, and comments the file that ``coldloop new`` writes.
"""

import types
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError, PydanticUndefined

from plant.presets import names

REQUIRED: Any = ...
PRACTICE = "common practice, no source"
MEMORY = "from memory"
INVENTED = "invented"

Fault = tuple[str, str]
"""(key, what was expected) of a check that looks at more than one key."""


def quantity(default: Any, low: float, high: float, unit: str, doc: str, origin: str = "") -> Any:
    """Declare a number with its closed range, unit (``""`` for none), meaning and origin."""
    extra: dict[str, Any] = {"unit": unit, "origin": origin}
    return Field(default, ge=low, le=high, description=doc, json_schema_extra=extra)


def whole(default: Any, low: int, high: int, unit: str, doc: str, origin: str = "") -> Any:
    """Declare a whole number with its closed range, unit, meaning and origin."""
    return quantity(default, low, high, unit, doc, origin)


def choice(default: Any, doc: str, origin: str = "") -> Any:
    """Declare a key whose type lists the words it may take."""
    return Field(default, description=doc, json_schema_extra={"unit": "", "origin": origin})


def words(default: Any, doc: str, longest: int = 60, origin: str = "", preset: str = "") -> Any:
    """Declare a text of 1 to `longest` characters; `preset` is the kind of preset it names."""
    extra: dict[str, Any] = {"unit": "", "origin": origin, "preset": preset}
    return Field(
        default, min_length=1, max_length=longest, description=doc, json_schema_extra=extra
    )


class Section(BaseModel):
    """One table of the file: frozen, no unknown keys, no text read as a number."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    # keys that have a meaning for some kinds only: kind -> keys
    only_for: ClassVar[dict[str, tuple[str, ...]]] = {}

    def faults(self) -> list[Fault]:
        """Return what is wrong between the keys of this table."""
        return []

    def foreign_keys(self) -> list[Fault]:
        """Return keys that were set although another kind needs them.

        A key that would silently do nothing is refused, so nobody tunes it in vain.
        """
        kind = str(getattr(self, "kind", ""))
        owners: dict[str, list[str]] = {}
        for owner, keys in self.only_for.items():
            for key in keys:
                owners.setdefault(key, []).append(f'"{owner}"')
        return [
            (key, f'no such key for kind = "{kind}"; it belongs to kind = {" or ".join(kinds)}')
            for key, kinds in owners.items()
            if f'"{kind}"' not in kinds and key in self.model_fields_set
        ]

    @model_validator(mode="after")
    def _check(self) -> "Section":
        found = self.foreign_keys() + self.faults()
        if found:
            raise PydanticCustomError("faults", "faults", {"faults": found})
        return self


@dataclass(frozen=True)
class FieldRow:
    """One key as a table row: what `check` lists and what `new` writes as a comment."""

    key: str
    kind: str
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    required: bool
    default: Any
    origin: str
    doc: str

    @property
    def expected(self) -> str:
        """Words for an error line: choices, or kind with range and unit."""
        if self.choices:
            return "one of " + ", ".join(f'"{word}"' for word in self.choices)
        if self.low is None or self.high is None:
            return self.kind
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.kind}, {self.low:g} to {self.high:g}{unit}"


def bare_type(annotation: Any) -> Any:
    """Return the type without ``| None``."""
    if get_origin(annotation) in (Union, types.UnionType):
        kept = [part for part in get_args(annotation) if part is not type(None)]
        return kept[0] if len(kept) == 1 else annotation
    return annotation


def _kind_words(kind: Any, info: FieldInfo) -> str:
    if kind is float:
        return "a number"
    if kind is int:
        return "a whole number"
    if kind is bool:
        return "true or false"
    if get_origin(kind) in (list, tuple):
        return "a list of words" if str in get_args(kind) else "a list of numbers"
    for part in info.metadata:
        if isinstance(part, annotated_types.MaxLen):
            return f"a text of 1 to {part.max_length} characters"
    return "a text"


def row(key: str, info: FieldInfo) -> FieldRow:
    """Return the description of one declared key."""
    kind = bare_type(info.annotation)
    extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
    low = next((p.ge for p in info.metadata if isinstance(p, annotated_types.Ge)), None)
    high = next((p.le for p in info.metadata if isinstance(p, annotated_types.Le)), None)
    choices = tuple(get_args(kind)) if get_origin(kind) is Literal else ()
    preset = str(extra.get("preset", ""))
    choices = names(preset) if preset else choices
    return FieldRow(
        key=key,
        kind="a word" if choices else _kind_words(kind, info),
        unit=str(extra.get("unit", "")),
        low=low,  # type: ignore[arg-type]
        high=high,  # type: ignore[arg-type]
        choices=choices,
        required=info.is_required(),
        default=None if info.default is PydanticUndefined else info.default,
        origin=str(extra.get("origin", "")),
        doc=info.description or "",
    )


def rows(section: str, model: type[BaseModel]) -> tuple[FieldRow, ...]:
    """Return the description of every key of one table, in the order of declaration."""
    return tuple(
        row(f"{section}.{name}" if section else name, info)
        for name, info in model.model_fields.items()
    )

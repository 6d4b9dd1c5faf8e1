"""Outside checks: what published tables and other libraries say, beside what the model says.

The expected numbers stand in `ctrl/published/`, one TOML file a chapter, each with its
source, its tolerance and why it is that wide, the function of ours it looks at and the
constant that it would catch moving.  None of them was used to fit anything.
"""

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ctrl.evidence_values import VALUES

FOLDER = Path(__file__).resolve().parent / "published"
CHAPTERS = ("module", "moist air", "frost", "envelope", "contents", "drive", "sensors", "cabinet")
# Where an expected number comes from: read in a document; worked out apart from the model,
# by a library, a finer grid or by hand; or remembered.
ORIGINS = ("printed", "computed", "from memory", "live")


@dataclass(frozen=True)
class Published:
    """One expected number, as its file states it.

    `value` names the entry of `evidence_values.VALUES` that works out ours from
    `arguments`.  `function` is the function of the model whose error the check would show:
    the check fails once that function's results are falsified.  `constant` is one of the
    model's that it would catch moving: ``module.function literal``, ``module NAME`` or
    ``preset kind/name/field``.  `tests/test_evidence.py` does both.
    """

    chapter: str
    quantity: str
    unit: str
    expected: float
    tolerance: float
    why: str
    source: str
    origin: str
    value: str
    function: str
    constant: str
    arguments: dict[str, Any]

    def ours(self) -> float:
        """Return the model's value."""
        return float(VALUES[self.value](**self.arguments))


@dataclass(frozen=True)
class Row:
    """One line of the table; `deviation` is ours less expected, in `unit`."""

    chapter: str
    quantity: str
    unit: str
    source: str
    origin: str
    expected: float
    ours: float
    tolerance: float
    why: str

    @property
    def deviation(self) -> float:
        """Ours less expected."""
        return self.ours - self.expected

    @property
    def share(self) -> float:
        """Size of the deviation over the tolerance."""
        return abs(self.deviation) / self.tolerance

    @property
    def kept(self) -> bool:
        """Tell whether ours lies within the tolerance; no number never does."""
        return bool(abs(self.deviation) <= self.tolerance)


@dataclass(frozen=True)
class Evidence:
    """Every row, and the libraries that a live comparison would have needed."""

    rows: tuple[Row, ...]
    absent: tuple[str, ...]

    @property
    def kept(self) -> bool:
        """Tell whether every row is kept."""
        return all(row.kept for row in self.rows)

    def chapter(self, name: str) -> tuple[Row, ...]:
        """Return the rows of one chapter."""
        return tuple(row for row in self.rows if row.chapter == name)


@cache
def published() -> tuple[Published, ...]:
    """Return every published check, chapter by chapter in the order of its file."""
    return tuple(check for chapter in CHAPTERS for check in _read(chapter))


def _read(chapter: str) -> Iterator[Published]:
    path = FOLDER / f"{chapter.replace(' ', '_')}.toml"
    for entry in tomllib.loads(path.read_text(encoding="utf-8"))["check"]:
        yield Published(chapter=chapter, **({"arguments": {}} | entry))


def row_of(check: Published) -> Row:
    """Return the line of one check."""
    return Row(
        check.chapter, check.quantity, check.unit, check.source, check.origin,
        float(check.expected), check.ours(), float(check.tolerance), check.why,
    )  # fmt: skip


def evidence(live: bool = True) -> Evidence:
    """Work out every check.

    Parameters
    ----------
    live : bool
        With comparisons against libraries where those are installed.
    """
    rows = [row_of(check) for check in published()]
    absent: tuple[str, ...] = ()
    if live:
        from ctrl.evidence_live import live_rows

        more, absent = live_rows()
        rows += more
    return Evidence(tuple(rows), absent)


def short_form(found: Evidence | None = None) -> str:
    """Return a table in markdown, a line a chapter; live rows left out.

    The same on every machine: it counts published checks only, and rounds to per cent.
    """
    rows = found.rows if found is not None else evidence(live=False).rows
    lines = [
        "| chapter | checks | printed / computed / from memory | largest deviation | sources |",
        "| --- | --- | --- | --- | --- |",
    ]
    fixed = [row for row in rows if row.origin != "live"]
    for chapter in CHAPTERS:
        lines.append(_short_line(chapter, [row for row in fixed if row.chapter == chapter]))
    lines.append(f"| all | {len(fixed)} | {_counts(fixed)} | {_largest(fixed)} | |")
    return "\n".join(lines) + "\n"


def _short_line(chapter: str, rows: Sequence[Row]) -> str:
    sources = "; ".join(dict.fromkeys(row.source for row in rows))
    return f"| {chapter} | {len(rows)} | {_counts(rows)} | {_largest(rows)} | {sources} |"


def _counts(rows: Sequence[Row]) -> str:
    return " / ".join(
        str(sum(row.origin == origin for row in rows)) for origin in ORIGINS if origin != "live"
    )


def _largest(rows: Sequence[Row]) -> str:
    return f"{100.0 * max(row.share for row in rows):.0f} % of its tolerance"

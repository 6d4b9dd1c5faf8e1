"""A console that keeps what a screen would print, so that a page can say it in the same words.

The screens print through four helpers of `ctrl.screen`: heading, paragraph, bullet, table.
Handed a `Notes` instead of a terminal, these keep blocks; a page turns the blocks into markup.
"""

import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

WIDE = 120  # columns a screen may count on when it asks for the width


@dataclass(frozen=True)
class Heading:
    """A section's heading."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """A text; `strong` where the screen sets it bold."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Item:
    """One item of a list."""

    text: str


@dataclass(frozen=True)
class Grid:
    """A table: headings (all empty where it has none), rows of cells, columns to the right."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]


Block = Heading | Paragraph | Item | Grid


class Notes(Console):
    """A console that keeps blocks instead of printing them.

    Attributes
    ----------
    blocks : list of Block
        In the order in which they were said.
    """

    def __init__(self) -> None:
        super().__init__(file=io.StringIO(), width=WIDE, markup=False, emoji=False,
                         highlight=False)  # fmt: skip
        self.blocks: list[Block] = []

    def print(self, *objects: Any, **options: Any) -> None:
        """Keep a line; bold ones are headings, empty ones nothing."""
        for item in objects:
            text = str(item).strip()
            is_heading = isinstance(item, Text) and item.style == "bold"
            if text:
                self.blocks.append(Heading(text) if is_heading else Paragraph(text))

    def table(self, table: Table) -> None:
        """Keep a table's headings and cells."""
        columns = table.columns
        cells = zip(*(tuple(str(cell) for cell in column.cells) for column in columns), strict=True)
        self.blocks.append(
            Grid(
                tuple(str(column.header) for column in columns),
                tuple(cells),
                tuple(column.justify == "right" for column in columns),
            )
        )


def noted(*shows: Callable[[Console], None]) -> list[Block]:
    """Return the blocks that some screens say, one after the other."""
    notes = Notes()
    for show in shows:
        show(notes)
    return notes.blocks

"""What every screen shares: the console, tables without rules, numbers, progress.

Tables carry no lines, so that a narrow or a dumb terminal shows them as well as any
other; what matters is said in words, never by colour alone.
"""

import sys
from collections.abc import Sequence
from math import isfinite

from rich.console import Console
from rich.padding import Padding
from rich.status import Status
from rich.table import Table
from rich.text import Text

from ctrl.notes import Item, Notes, Paragraph

COMPILING = "first run: compiling the model, about half a minute"
NONE = "-"
NARROW_COLUMNS = 40  # below it a table's columns would lose figures or break them


class PipeConsole(Console):
    """A console that leaves a closed pipe to the caller instead of ending the program."""

    def on_broken_pipe(self) -> None:
        """Raise the BrokenPipeError that is being handled."""
        raise


def console(*, stderr: bool = False) -> Console:
    """Return a console on standard output (or error); texts are shown as they are."""
    return PipeConsole(stderr=stderr, markup=False, emoji=False, highlight=False)


class Stages:
    """Says on standard error what is being worked on, while it is a terminal.

    Call it with each stage as it begins; use it as a context.
    """

    def __init__(self, first: str, *, compiling: bool) -> None:
        self._suffix = f" ({COMPILING})" if compiling else ""
        self._console = console(stderr=True)
        self._status: Status | None = None
        self._first = first

    def __enter__(self) -> "Stages":
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            self._status = self._console.status(Text(self._first + self._suffix), spinner="line")
            self._status.start()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._status is not None:
            self._status.stop()

    def __call__(self, stage: str) -> None:
        """Show the stage that begins now."""
        if self._status is not None:
            self._status.update(Text(stage + self._suffix))


def say_compiling() -> None:
    """Tell on standard error that the first run takes longer, where no status line can."""
    if not sys.stderr.isatty():
        sys.stderr.write(COMPILING + "\n")
        sys.stderr.flush()


def heading(out: Console, text: str) -> None:
    """Print a section's heading after an empty line."""
    out.print()
    out.print(Text(text, style="bold"))


def paragraph(out: Console, text: str, indent: int = 2, style: str = "") -> None:
    """Print a text, indented and folded at words."""
    if isinstance(out, Notes):
        out.blocks.append(Paragraph(text, strong="bold" in style))
        return
    out.print(Padding(Text(text, style=style), (0, 0, 0, indent), expand=False))


def bullet(out: Console, text: str) -> None:
    """Print one item of a list, later lines hanging under the first."""
    if isinstance(out, Notes):
        out.blocks.append(Item(text))
        return
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(width=3, justify="right")
    grid.add_column()
    grid.add_row("-", Text(text))
    out.print(grid)


def grid_of(headings: Sequence[str], justify: str, no_wrap: Sequence[int] = (0,)) -> Table:
    """Return an empty table; `justify` has one letter a column: l or r."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold",
                  show_header=any(headings))  # fmt: skip
    for index, (text, side) in enumerate(zip(headings, justify, strict=True)):
        table.add_column(
            text, justify="right" if side == "r" else "left", no_wrap=index in no_wrap,
            overflow="fold",
        )  # fmt: skip
    return table


def show_table(out: Console, table: Table) -> None:
    """Print a table, indented by two."""
    if isinstance(out, Notes):
        out.table(table)
        return
    if out.width < NARROW_COLUMNS:
        for line in table_lines(table):
            paragraph(out, line)
        return
    out.print(Padding(table, (0, 0, 0, 2), expand=False))


def table_lines(table: Table) -> list[str]:
    """Return each row as "label: value unit"; under headings "label: heading value, ..."."""
    headings = [str(column.header) if table.show_header else "" for column in table.columns]
    found = []
    for label, *cells in zip(*(column.cells for column in table.columns), strict=True):
        text = str(label).strip().removesuffix(":")
        mark = ": " if text else ""
        for heading, cell in zip(headings[1:], cells, strict=True):
            if str(cell) and heading:
                text, mark = f"{text}{mark}{heading} {cell}", ", "
            elif str(cell):  # the unit of the cell before, or a value under no heading
                text, mark = f"{text}{' ' if mark == ', ' else mark}{cell}", ", "
        found.append(text)
    return found


def fixed(value: float | None, decimals: int = 1) -> str:
    """Return a number with fixed decimals, never "-0.0"; a dash for none."""
    if value is None:
        return NONE
    if not isfinite(value):
        return "no limit" if value > 0 else NONE
    text = f"{value:.{decimals}f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text


def digits(value: float | None, count: int = 3) -> str:
    """Return a number with about `count` digits, never in powers of ten; a dash for none."""
    if value is None:
        return NONE
    if not isfinite(value):
        return "no limit" if value > 0 else NONE
    if value == 0.0:
        return "0"
    exact = float(f"{value:.{count}g}")
    if abs(exact) >= 1e-4:
        decimals = max(0, count - 1 - _power_of_ten(exact))
        return fixed(exact, decimals)
    return f"{value:.1e}"


def _power_of_ten(value: float) -> int:
    return int(f"{value:e}".partition("e")[2])


def duration(seconds: float) -> str:
    """Return a time in the unit a person would use."""
    if not isfinite(seconds):
        return "never settles"
    for limit, size, unit in ((100.0, 1.0, "s"), (6000.0, 60.0, "min"), (1e99, 3600.0, "h")):
        if seconds < limit:
            return f"{digits(seconds / size, 2)} {unit}"
    return NONE


def percent(share: float | None, decimals: int = 0) -> str:
    """Return a share as per cent."""
    return NONE if share is None else f"{fixed(100.0 * share, decimals)} %"


def words_of(name: str) -> str:
    """Return a name of the code as words: `on_off` as "on-off", `fast_pwm` as "fast PWM"."""
    known = {
        "on_off": "on-off",
        "pi": "PI",
        "fixed": "fixed duty",
        "fast_pwm": "fast PWM",
        "smoothed": "smoothed current",
        "current": "regulated current",
        "relay": "relay",
        "cold_sink": "cold sink",
        "hot_sink": "hot sink",
        "two_level": "two-level hold",
        "best_cop": "best-efficiency hold",
    }
    return known.get(name, name.replace("_", " "))

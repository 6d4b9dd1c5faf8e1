"""Blocks of a screen as markup: headings, texts, lists, tables that fit a phone.

Everything that comes from a config or a run is escaped here, in one place.
"""

import re
from collections.abc import Iterable, Sequence
from html import escape

from ctrl.notes import Block, Grid, Heading, Item, Paragraph

# Letters of a phone's width: 328 px at 8.6 px a letter, so that names have room beside figures.
PHONE_LETTERS = 38
CELL_PADDING = 1.6  # in letters
LONGEST_WORD = 40  # letters; the longest key has 34
UNIT_AFTER_NUMBER = re.compile(r"(\d) (°C|K|W|Wh|kWh|V|A|g|s|min|h|mm|%)(?![\w/])")
UNITS = frozenset({"", "°C", "K", "W", "Wh", "h", "%", "kWh/day", "a day", "up to °C", "min"})


def text_of(text: str) -> str:
    """Return a text safe for markup; a number and its unit stay on one line."""
    return UNIT_AFTER_NUMBER.sub("\\1\u00a0\\2", escape(text, quote=True))


def with_units(grid: Grid) -> Grid:
    """Return a table whose first row of units, if it has one, stands in the headings."""
    first = grid.rows[0] if grid.rows else ()
    if not any(first) or not any(grid.headings) or not all(cell in UNITS for cell in first):
        return grid
    heads = tuple(
        f"{head}, {unit}" if head and unit else head or unit
        for head, unit in zip(grid.headings, first, strict=True)
    )
    return Grid(heads, grid.rows[1:], grid.right)


def without_unit_column(grid: Grid) -> Grid:
    """Return a table whose last, unnamed column of units stands beside what it measures.

    With one column of values it joins them; with several it joins the row's name.
    """
    count = len(grid.headings)
    if count < 3 or grid.headings[-1] or grid.right[-1] or not grid.right[1]:
        return grid
    if not any(row[-1] for row in grid.rows):
        return Grid(grid.headings[:-1], tuple(r[:-1] for r in grid.rows), grid.right[:-1])
    rows: list[tuple[str, ...]] = []
    for row in grid.rows:
        name, *values, unit = row
        if count == 3:
            rows.append((name, f"{values[0]} {unit}".strip()))
        else:
            rows.append((f"{name}, {unit.strip()}" if unit.strip() else name, *values))
    right = (grid.right[0], False) if count == 3 else grid.right[:-1]
    return Grid(grid.headings[:-1], tuple(rows), right)


def without_named_units(grid: Grid) -> Grid:
    """Return a table whose column "unit" joins the row's name, and whose names stand left."""
    right = (False, *grid.right[1:])
    if "unit" not in grid.headings:
        return Grid(grid.headings, grid.rows, right)
    at = grid.headings.index("unit")

    def without(cells: tuple) -> tuple:
        return cells[:at] + cells[at + 1 :]

    rows = ((f"{row[0]}, {row[at]}" if row[at] else row[0], *without(row)[1:]) for row in grid.rows)
    return Grid(without(grid.headings), tuple(rows), without(right))


def with_drives(grid: Grid) -> Grid:
    """Return a table whose first row, if it names drives, stands in the headings."""
    if not grid.rows or grid.rows[0][0] != "drive":
        return grid
    drives = ("", *grid.rows[0][1:])
    heads = tuple(
        f"{head} on {drive}" if head and drive else head
        for head, drive in zip(grid.headings, drives, strict=True)
    )
    return Grid(heads, grid.rows[1:], grid.right)


def with_rooms(grid: Grid) -> Grid:
    """Return the map's table with its headings in words: contents down, rooms across."""
    if not grid.headings or grid.headings[0] != "°C":
        return grid
    rooms = (f"room {head.strip()} °C" for head in grid.headings[1:])
    return Grid(("contents, °C", *rooms), grid.rows, grid.right)


def least_letters(grid: Grid) -> float:
    """Return how many letters wide a table is at its narrowest: longest words, side by side."""
    columns = zip(grid.headings, *grid.rows, strict=True)
    total = 0.0
    for right, cells in zip(grid.right, columns, strict=True):
        pieces = [cell if right else word for cell in cells for word in (cell.split() or [""])]
        total += max(len(piece) for piece in pieces) + CELL_PADDING
    return total


def table_of(grid: Grid, caption: str, *, hide_caption: bool = True) -> str:
    """Return a table; one too wide for a phone is stacked there, each row a small list.

    Roles are written out, since stacking takes them from the elements.
    """
    grid = without_named_units(without_unit_column(with_units(grid)))
    kind = "stack" if least_letters(grid) > PHONE_LETTERS else "plain"
    hidden = ' class="hidden"' if hide_caption else ""
    parts = [f'<table role="table" class="{kind}">', f"<caption{hidden}>{text_of(caption)}"
             "</caption>"]  # fmt: skip
    if any(grid.headings):
        parts.append('<thead role="rowgroup"><tr role="row">')
        for head, right in zip(grid.headings, grid.right, strict=True):
            side = ' class="r"' if right else ""
            if head:
                parts.append(f'<th scope="col" role="columnheader"{side}>{text_of(head)}</th>')
            else:
                parts.append(f'<td role="cell"{side}></td>')
        parts.append("</tr></thead>")
    parts.append('<tbody role="rowgroup">')
    parts += [_row(row, grid) for row in grid.rows]
    parts.append("</tbody></table>")
    return "\n".join(parts)


def _row(row: Sequence[str], grid: Grid) -> str:
    cells = []
    for index, (cell, head, right) in enumerate(zip(row, grid.headings, grid.right, strict=True)):
        side = ' class="r"' if right else ""
        if max((len(word) for word in cell.split()), default=0) > LONGEST_WORD:
            side = ' class="long"'
        label = f' data-label="{text_of(head)}"' if head else ""
        if index == 0 and cell.strip():
            inner = ' class="in"' if cell.startswith(" ") else ""
            text = text_of(cell.strip())
            cells.append(f'<th scope="row" role="rowheader"{inner}{label}>{text}</th>')
        else:
            cells.append(f'<td role="cell"{side}{label}>{text_of(cell.strip())}</td>')
    return f'<tr role="row">{"".join(cells)}</tr>'


def markup_of(blocks: Iterable[Block], level: int, caption: str) -> str:
    """Return blocks as markup.

    Parameters
    ----------
    blocks : iterable of Block
    level : int
        Of the headings among them.
    caption : str
        Of tables that no heading stands before.
    """
    parts: list[str] = []
    items: list[str] = []

    def close_list() -> None:
        if items:
            parts.append("<ul>" + "".join(f"<li>{text}</li>" for text in items) + "</ul>")
            items.clear()

    for block in blocks:
        if isinstance(block, Item):
            items.append(text_of(block.text))
            continue
        close_list()
        if isinstance(block, Heading):
            caption = block.text
            parts.append(f"<h{level}>{text_of(block.text)}</h{level}>")
        elif isinstance(block, Paragraph):
            text = text_of(block.text)
            parts.append(f"<p>{f'<strong>{text}</strong>' if block.strong else text}</p>")
        elif block.rows:
            parts.append(table_of(block, caption))
    close_list()
    return "\n".join(parts)


def figure_of(name: str, svgs: tuple[str, str], alt: str, caption: str) -> str:
    """Return a picture in both widths, one of them shown, with its finding in words."""
    narrow, wide = svgs
    return (
        f'<figure id="{name}"><div role="img" aria-label="{text_of(alt)}">'
        f'<div class="narrow">{narrow}</div><div class="wide">{wide}</div></div>'
        f"<figcaption>{text_of(caption)}</figcaption></figure>"
    )


def section_of(name: str, title: str, body: str) -> str:
    """Return a section with its heading of the second level."""
    return (
        f'<section id="{name}" aria-labelledby="{name}-title">'
        f'<h2 id="{name}-title">{text_of(title)}</h2>\n{body}\n</section>'
    )

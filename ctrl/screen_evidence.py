"""The screen of `coldloop check --evidence`."""

from rich.console import Console

from ctrl.evidence import CHAPTERS, Evidence, Row
from ctrl.screen import digits, fixed, grid_of, heading, paragraph, show_table

HEADINGS = ("quantity; source", "expected", "ours", "off", "allowed", "unit", "kept")


def show(out: Console, found: Evidence) -> None:
    """Print every check, chapter by chapter, and what the whole comes to."""
    out.print("Outside checks: none of these numbers was used to fit the model")
    for chapter in CHAPTERS:
        rows = found.chapter(chapter)
        heading(out, f"{chapter.capitalize()}: {len(rows)} checks")
        table = grid_of(HEADINGS, "lrrrrll", no_wrap=())
        for row in rows:
            table.add_row(*_cells(row))
        show_table(out, table)
    out.print()
    _sum(out, found)


def _cells(row: Row) -> tuple[str, ...]:
    return (
        f"{row.quantity}; {row.source}, {row.origin}"
        if row.origin != "live"
        else f"{row.quantity}; {row.source}",
        f"{row.expected:.6g}",
        f"{row.ours:.6g}",
        ("+" if row.deviation > 0.0 else "") + digits(row.deviation, 2),
        digits(row.tolerance, 2),
        row.unit,
        "yes" if row.kept else "NO",
    )


def _sum(out: Console, found: Evidence) -> None:
    published = [row for row in found.rows if row.origin != "live"]
    live = len(found.rows) - len(published)
    missed = [row for row in found.rows if not row.kept]
    out.print(f"{len(published)} published checks, {live} live; {len(missed)} not kept")
    for row in missed:
        share = fixed(row.share)
        text = f"NOT KEPT: {row.chapter}: {row.quantity}: off by {share} times what is allowed"
        paragraph(out, text, style="bold")
    if found.absent:
        names = ", ".join(found.absent)
        paragraph(
            out, f"Not installed, so not compared with: {names} (pip install coldloop[test])."
        )

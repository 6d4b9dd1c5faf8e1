"""The screen of `coldloop check --bench`."""

from math import floor, log10

from rich.console import Console

from ctrl.config_lines import grouped
from ctrl.measured import AGREES, DIFFERS, BenchCheck, Comparison
from ctrl.screen import bullet, digits, fixed, grid_of, heading, paragraph, show_table


def show(out: Console, found: BenchCheck) -> None:
    """Print what the bench readings tell."""
    config = found.config
    out.print(f"{config.cabinet.name} ({config.source}): bench readings of {found.file}")
    if found.label is not None:
        heading(out, f"Module: {found.label.words}")
        _classes(out, found)
    heading(out, "Measured, with standard errors")
    table = grid_of(("", "found", "config", "unit", "off", ""), "lrrlrl", no_wrap=range(6))
    for row in found.comparisons:
        table.add_row(
            row.name, with_error(row.measured.value, row.measured.standard_error),
            digits(row.expected), row.unit, f"{row.off:+.1f}",
            _word(row.off),
        )  # fmt: skip
    show_table(out, table)
    paragraph(
        out,
        "Off: in standard errors of both, the config's by its tolerances; twice the error "
        "holds 19 times in 20.",
    )
    for row in found.comparisons:
        _detail(out, row)
    for note in found.notes:
        bullet(out, note)
    _lines(out, found)


def with_error(value: float, error: float) -> str:
    """Return a value and its error, both to the error's second digit."""
    if error <= 0.0:
        return digits(value)
    decimals = min(max(1 - floor(log10(error)), 0), 6)
    return f"{value:.{decimals}f} +/- {error:.{decimals}f}"


def _word(off: float) -> str:
    if abs(off) <= AGREES:
        return "agrees"
    return "doubtful" if abs(off) <= DIFFERS else "DIFFERS"


def _classes(out: Console, found: BenchCheck) -> None:
    assert found.label is not None
    table = grid_of(("class", "resistance", "Seebeck", "misfit"), "lrrr")
    own = found.label.labelled
    rows = [(f"{own.name} (label)", own)]
    rows += [(item.name, item) for item in found.label.classes if item.name != own.name]
    for name, item in rows:
        table.add_row(
            name, f"x {fixed(item.resistance_ratio, 2)}", f"x {fixed(item.seebeck_ratio, 2)}",
            fixed(item.misfit),
        )  # fmt: skip
    show_table(out, table)
    paragraph(
        out,
        "Measured over the class's. Misfit in standard errors, with 5 % between parts of one "
        "class; a Seebeck coefficient down to 10 % short counts as usual.",
    )


def _detail(out: Console, row: Comparison) -> None:
    largest = max(row.measured.parts, key=lambda part: part.standard_error)
    whole = row.measured.standard_error**2
    share = 100.0 * largest.standard_error**2 / whole if whole > 0.0 else 0.0
    bullet(
        out,
        f"{row.name}: {row.how}. Error mostly from: {largest.cause} ({share:.0f} % of its square).",
    )
    for note in row.notes:
        bullet(out, f"{row.name}: {note}")


def _lines(out: Console, found: BenchCheck) -> None:
    if not found.lines:
        return
    heading(out, "To paste into the config (or --out FILE writes it)")
    for section, lines in grouped(found.lines).items():
        out.print(f"[{section}]", soft_wrap=True)
        for line in lines:
            out.print(line.text, soft_wrap=True)
    for section, key in found.dropped:
        out.print(f"# and take out {key} of [{section}]", soft_wrap=True)

"""The screen of `coldloop map`: numbers with letters, then the recommended point."""

from rich.console import Console

from ctrl.screen import fixed, grid_of, heading, paragraph, show_table
from ctrl.setpoint_map import LETTERS, RESOLUTION_K, Cell, SetpointMap

WIDE_COLUMNS, NARROW_COLUMNS, NARROW = 9, 7, 72
FEW_ROWS, MANY_ROWS = 12, 40


def columns_of(found: SetpointMap, most: int) -> list[int]:
    """Return which rooms to print: coldest, usual, worst and last, and others evenly between."""
    room = found.config.climate
    wanted = (room.coldest_c, room.usual_c, room.worst_c)
    count = len(found.ambients_c)
    named = [n for n, c in enumerate(found.ambients_c) if c in wanted]
    picked = set(named) | {count - 1}
    for n in sorted(range(count), key=lambda n: -min(abs(n - k) for k in picked)):
        if len(picked) >= most:
            break
        picked.add(n)
    return sorted(picked)


def point_row(found: SetpointMap) -> int:
    """Return which row stands nearest the advised point."""
    point_c = found.advice.contents_c
    return min(range(len(found.contents_c)), key=lambda n: abs(found.contents_c[n] - point_c))


def rows_of(found: SetpointMap) -> list[int]:
    """Return which rows to print: steps up and down from the target, and the point's."""
    target_c, count = found.config.use.target_c, len(found.contents_c)
    apart_k = 1.0 if count < FEW_ROWS else 2.0 if count < MANY_ROWS else 4.0

    def is_step(contents_c: float) -> bool:
        steps = (contents_c - target_c) / apart_k
        return abs(steps - round(steps)) < 1e-6

    picked = {n for n, contents_c in enumerate(found.contents_c) if is_step(contents_c)}
    return sorted(picked | {point_row(found)})


def text_of(cell: Cell) -> str:
    """Return a cell as kWh a day with its letter."""
    if cell.kwh_per_day is None:
        return LETTERS[cell.state]
    return f"{cell.kwh_per_day:.2f}{LETTERS[cell.state] or ' '}"


def show(out: Console, found: SetpointMap) -> None:
    """Print the map."""
    config, advice = found.config, found.advice
    out.print(f"{config.cabinet.name} ({config.source})")
    heading(out, "Energy in kWh a day, by room across and contents down")
    shown = columns_of(found, NARROW_COLUMNS if out.width < NARROW else WIDE_COLUMNS)
    heads = ["°C", *(f"{found.ambients_c[n]:g} " for n in shown)]
    table = grid_of(heads, "r" * len(heads), no_wrap=range(len(heads)))
    nothing = advice.nothing_to_cool
    point = None if nothing else point_row(found)
    for index in reversed(rows_of(found)):
        mark = "*" if index == point else ""
        label = f"{mark}{round(found.contents_c[index], 1):g}"
        table.add_row(label, *(text_of(found.cells[index][n]) for n in shown))
    show_table(out, table)
    end = "." if nothing else "; *: recommended."
    paragraph(out, "i: the cold sink ices, its defrost not counted; x: cannot be held; "
                   f"r: the room itself is colder{end}")  # fmt: skip
    _borders(out, found, shown)
    _advice(out, found)


def _borders(out: Console, found: SetpointMap, shown: list[int]) -> None:
    heading(out, f"Boundaries, contents in °C; ice with the room's air at {found.humidity_pct:g} %")
    table = grid_of(("room", "coldest", "decided by", "ice below", "steady", "run"), "rrlrrr")
    for n in shown:
        item = found.borders[n]
        table.add_row(
            f"{item.ambient_c:g}", fixed(item.coldest_c), item.decided_by, fixed(item.icy_c),
            fixed(item.ice_free_c), fixed(item.simulated_c),
        )  # fmt: skip
    show_table(out, table)
    paragraph(out, f"steady: mean sink at 0 °C; run: simulated, to {RESOLUTION_K:g} K, in the "
                   "coldest, usual and worst room; between them the border is moved as they "
                   "are.")  # fmt: skip


def _advice(out: Console, found: SetpointMap) -> None:
    advice, aim = found.advice, found.aim
    words = f"{aim.words[:1].upper()}{aim.words[1:]}."
    if advice.nothing_to_cool:
        heading(out, "Recommended: nothing")
        paragraph(out, words)
        return
    lead = "aim at contents of" if aim.is_out_of_reach else "contents at"
    heading(out, f"Recommended: {lead} {fixed(advice.contents_c)} °C")
    if aim.words:
        paragraph(out, words)
    if not aim.is_out_of_reach and found.config.climate.usual_c not in advice.colder_rooms_c:
        reading_c = advice.contents_c + found.setpoint_offset_k
        paragraph(out, f"The control sensor then reads {fixed(reading_c)} °C in the usual room.")
    side = "above" if advice.spare_k >= 0.0 else "below"
    where = f"{fixed(abs(advice.spare_k))} K {side} it"
    if advice.is_within_resolution:
        where = f"nearer to it than the {RESOLUTION_K:g} K to which it is known"
    paragraph(out, f"The boundary that decides: {advice.decided_by}, at {advice.ambient_c:g} °C; "
                   f"the point is {where}.")  # fmt: skip
    for ambient_c in advice.colder_rooms_c:
        paragraph(
            out,
            f"The {ambient_c:g} °C room keeps them colder by itself: the module "
            "all but idles there.",
        )
    if advice.needs_defrost:
        paragraph(
            out,
            "It needs a defrost in some rooms; without one, no colder than "
            f"{fixed(advice.without_defrost_c)} °C.",
        )
    else:
        paragraph(out, "No defrost is needed: the point itself, run in the coldest, usual and "
                       "worst room, does not ice.")  # fmt: skip

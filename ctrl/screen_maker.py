"""Screens of a maker's own C beside ours: of `simulate`, and its part of `recommend`."""

from rich.console import Console

from ctrl.cases import CANNOT, Limit
from ctrl.findings import Findings
from ctrl.maker_rooms import Change, MakerRoom, MakerRooms, broken_words, ours_words
from ctrl.maker_trial import MakerTrial
from ctrl.screen import digits, fixed, grid_of, heading, paragraph, percent, show_table, words_of

CAUTION = (
    "A run shows what this code does on one cabinet, not that it is safe. Fit a fuse at the "
    "supply and a thermal cut-out on the hot sink, whatever the firmware does."
)


def show(out: Console, found: MakerTrial) -> None:
    """Print both runs side by side."""
    config, ours = found.config, found.ours
    kind = words_of(ours.settings.controller)
    out.print(
        f"{config.cabinet.name} ({config.source}): {ours.days:.3g} days, {found.source} beside "
        f"{kind} on {words_of(config.drive.kind)}"
    )
    if found.stop_words is not None:
        out.print()
        paragraph(
            out,
            f"{found.stop_words[0].upper()}{found.stop_words[1:]}. From then on module and fans "
            "are off, as behind a watchdog that keeps them off; without one a real output may "
            "stay as it was.",
            indent=0,
            style="bold",
        )
    heading(out, "Same cabinet, weather and contents, " + _part(found))
    table = grid_of(("", found.source, "ours", ""), "lrrl")
    for name, unit, theirs, own in _rows(found.maker.findings, ours.findings):
        table.add_row(name, theirs, own, unit)
    show_table(out, table)
    heading(out, "Limits")
    _limits(out, found)
    heading(out, "What the firmware did, share of the whole run")
    _shares(out, found)
    out.print()
    behind = (
        "Our protections stood behind it."
        if found.protected
        else "None of our protections stood behind it; --protected puts them there."
    )
    paragraph(
        out,
        f"{found.source} is the whole firmware. {behind} Ours: settings {found.ours_from}. "
        f"Seed of the sensor noise: {ours.seed}.",
        indent=0,
    )
    paragraph(out, CAUTION, indent=0)


def _part(found: MakerTrial) -> str:
    return "the last day" if found.ours.days > 1.0 else "the whole run"


def _rows(maker: Findings, ours: Findings) -> list[tuple[str, str, str, str]]:
    """Return (name, unit, maker's value, ours)."""
    both = (maker, ours)

    def row(name: str, unit: str, *texts: str) -> tuple[str, str, str, str]:
        return name, unit, texts[0], texts[1]

    return [
        row("pull-down", "h", *(fixed(x.pull_down_h) for x in both)),
        row("contents, mean", "°C", *(fixed(x.contents_c.mean, 2) for x in both)),
        row("contents, coldest", "°C", *(fixed(x.contents_c.min, 2) for x in both)),
        row("contents, warmest", "°C", *(fixed(x.contents_c.max, 2) for x in both)),
        row("cabinet air, mean", "°C", *(fixed(x.air_c.mean, 2) for x in both)),
        row("swing of the air", "K", *(fixed(x.swing_k, 2) for x in both)),
        row("hot sink, most", "°C", *(fixed(x.hot_sink_c.max) for x in both)),
        row("duty, mean", "%", *(fixed(100.0 * x.duty_mean) for x in both)),
        row("energy", "kWh/day", *(fixed(x.energy_kwh_per_day, 3) for x in both)),
        row("switching", "times an hour", *(digits(x.cycles_per_hour, 2) for x in both)),
        row("ice, most", "g", *(fixed(x.frost_g_max) for x in both)),
        row("fin gaps closed", "%", *(fixed(x.blockage_pct_max) for x in both)),
        row("contents frozen", "%", *(fixed(100.0 * x.frozen_share_max) for x in both)),
    ]


def _limits(out: Console, found: MakerTrial) -> None:
    table = grid_of(("", "limit", found.source, "ours", ""), "lrrrl")
    ours = {limit.name: limit for limit in found.our_limits}
    maker = {limit.name: limit for limit in found.maker_limits}
    for name in dict.fromkeys((*maker, *ours)):  # one of them may have a limit of its own
        either = maker.get(name) or ours[name]
        table.add_row(
            name, fixed(either.limit), _against(maker.get(name)), _against(ours.get(name)),
            either.unit,
        )  # fmt: skip
    show_table(out, table)


def _against(limit: Limit | None) -> str:
    """Return the value found, with the word that it broke its limit."""
    if limit is None:
        return fixed(None)
    return fixed(limit.value) + ("" if limit.kept else " broken")


def _shares(out: Console, found: MakerTrial) -> None:
    table = grid_of(("", found.source, "ours"), "lrr")
    maker, ours = dict(found.maker.state_shares), dict(found.ours.state_shares)
    for words in dict.fromkeys((*maker, *ours)):
        table.add_row(words, percent(maker.get(words, 0.0), 1), percent(ours.get(words, 0.0), 1))
    show_table(out, table)


def show_rooms(out: Console, found: MakerRooms) -> None:
    """Print the maker's code in the recommendation's rooms, and what flashing ours changes."""
    heading(out, f"Yours ({found.source}) in the same rooms, beside what is recommended")
    for room in found.rooms:
        table = grid_of((f"{room.name} room", "yours", "ours", "", "ours changes it by"), "lrrlr")
        for item in room.changes:
            theirs, ours = fixed(item.theirs, item.decimals), fixed(item.ours, item.decimals)
            table.add_row(item.name, theirs, ours, item.unit, _by(item))
        show_table(out, table)
        paragraph(out, _kept_words(found, room))
    paragraph(out, ours_words(found))
    paragraph(
        out,
        "Yours is the whole firmware: none of our protections stands behind it, and its ice is "
        "with whatever it does against ice. What a failed part does to it, drill tells, with the "
        f"same option. Seed of the sensor noise: {found.ours.seed}. {CAUTION}",
    )


def _by(item: Change) -> str:
    """Return a change with its sign, in the figure's unit; kelvin of a temperature."""
    if item.theirs is None or item.ours is None:
        return fixed(None)
    unit = "K" if item.unit == "°C" else item.unit
    # Of the figures as shown, so that the line adds up.
    value = round(item.ours, item.decimals) - round(item.theirs, item.decimals)
    value = round(value, item.decimals)
    return f"{value:+.{item.decimals}f} {unit}" if value else f"{0.0:.{item.decimals}f} {unit}"


def _kept_words(found: MakerRooms, room: MakerRoom) -> str:
    """Return which limits each keeps in a room."""
    said = []
    for who, case, stop in (("yours", room.theirs, room.stop), ("ours", room.ours, None)):
        broken = broken_words(found.config, case)
        if stop is not None:
            said.append(f"{who} {stop.told}; its figures do not count")
        elif broken:
            said.append(f"{who} breaks {', '.join(broken)}")
        elif case.verdict == CANNOT:
            said.append(f"{who} keeps the limits, but {case.reason}")
        else:
            said.append(f"{who} keeps every limit")
    return f"{room.name} room, {room.ours.ambient_c:g} °C: {'; '.join(said)}."

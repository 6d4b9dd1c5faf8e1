"""The cold side on the screen of `check`."""

from rich.console import Console

from ctrl.cold_side import FROSTING, ColdSide, OutsideValues
from ctrl.config import Config
from ctrl.screen import fixed, grid_of, heading, paragraph, show_table


def show_cold_side(out: Console, config: Config, rows: tuple[ColdSide, ...]) -> None:
    """Print what a stopped inside fan does at the duty that holds the target."""
    duty = fixed(100.0 * rows[0].duty, 0)
    heading(out, f"Cold side, worst room ({config.climate.worst_c:g} °C), duty {duty} %")
    table = grid_of(
        ("inside fan", "sink °C", "air °C", "contents °C", "sink", "settles g/day", "layers K"),
        "lrrrlrr",
    )
    for item in rows:
        table.add_row(
            item.fan, fixed(item.cold_sink_c_mean), fixed(item.air_c_mean),
            fixed(item.contents_c_mean), item.sink_state or "hot side runs away",
            fixed(item.deposit_g_per_day), _span(item.layering_k),
        )  # fmt: skip
    show_table(out, table)
    paragraph(
        out,
        "Layers: the air's top half above its bottom half, by estimate; a tall stack follows it, "
        "half up, half down. Air and contents above are means, as if well mixed: layered, the "
        "mean is up to a quarter of that colder, for the sink draws the warm air."
    )  # fmt: skip
    if config.contents.wet_area_m2 > 0.0 and rows[0].given_off_g_per_day is not None:
        paragraph(
            out, f"Wet contents give off {rows[0].given_off_g_per_day:.1f} g of water a day; it "
            "comes from their weight and cools them."
        )  # fmt: skip
    if len(rows) > 1 and rows[1].sink_state == FROSTING != rows[0].sink_state:
        paragraph(out, "With the inside fan stopped the sink frosts.", style="bold")


def _span(pair: tuple[float, float] | None) -> str:
    return "-" if pair is None else f"{pair[0]:.1f} to {pair[1]:.1f}"


def show_outside(out: Console, rows: tuple[OutsideValues, ...]) -> None:
    """Print the coldest outside face against the room's dew point."""
    heading(out, "Outside of the thinnest face in the shade, target held, worst hour of the day")
    table = grid_of(
        ("room", "°C", "humidity %", "surface °C", "dew point °C", "margin K"), "lrrrrr"
    )
    for item in rows:
        table.add_row(
            item.case, fixed(item.ambient_c), fixed(item.relative_humidity_pct, 0),
            fixed(item.outer_surface_c), fixed(item.ambient_dew_c), fixed(item.outside_margin_k),
        )  # fmt: skip
    show_table(out, table)
    if any(item.outside_margin_k < 0.0 for item in rows):
        paragraph(out, "WET OUTSIDE: thicker foam there, or moving air over it.", style="bold")

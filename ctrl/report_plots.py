"""Pictures of the report: drawn twice, for a phone and a wide page, as SVG that takes its colours
from the page.

The colours of `plot_style` become variables of the page's style sheet, which has one set for
light, dark and paper.  Words stay words: no outlines of letters.
"""

import io
import re
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from matplotlib.ticker import MaxNLocator

from ctrl import plot_style as style
from ctrl.bottlenecks import Bottleneck
from ctrl.config import Config
from ctrl.plots import MANY_CYCLES, PANELS, ROW_HEIGHTS, draw_column, stretches
from ctrl.plots_map import filled_in, side_of
from ctrl.record import Record
from ctrl.setpoint_map import SetpointMap

VARIABLES = {
    style.BLACK: "--ink", style.GREY: "--grey", style.GRID: "--grid", style.SHADE: "--shade",
    style.WHITE: "--paper", style.BLUE: "--blue", style.SKY: "--sky", style.GREEN: "--green",
    style.VERMILION: "--red", style.ORANGE: "--amber", style.DARK_ORANGE: "--amber-text",
    style.PURPLE: "--purple",
}  # fmt: skip
NARROW_IN, WIDE_IN = 3.42, 7.3  # 328 and 700 px: a phone of 360 px, and the page's column
NARROW_CYCLES = 15  # over so many a phone shows a band with its mean
# Same bytes each time: a fixed salt for ids, no date; lines no finer than they can be seen.
SVG_OPTIONS: Any = {
    "svg.hashsalt": "coldloop",
    "svg.fonttype": "none",
    "path.simplify_threshold": 0.4,
}
FONTS = "'DejaVu Sans', Verdana, system-ui, sans-serif"
BAND = {"facecolor": style.WHITE, "edgecolor": "none", "alpha": 0.75, "pad": 1.0}
HUE = to_rgba(style.ORANGE)[:3]
Draw = Callable[[float], Figure]


def pictures(name: str, draw: Draw) -> tuple[str, str]:
    """Return a picture as SVG for a phone and for a wide page.

    Parameters
    ----------
    name : str
        Put before every id, so that pictures on one page do not share any.
    draw : callable
        Given a width [in], returns the figure.
    """
    return tuple(  # type: ignore[return-value]
        svg_of(draw, width, f"{name}-{kind}")
        for kind, width in (("narrow", NARROW_IN), ("wide", WIDE_IN))
    )


def svg_of(draw: Draw, width_in: float, name: str) -> str:
    """Return a figure as an SVG element, its colours variables of the page."""
    with matplotlib.rc_context(SVG_OPTIONS):
        figure = draw(width_in)
        FigureCanvasSVG(figure)
        stream = io.StringIO()
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None},
                       facecolor="none", edgecolor="none")  # fmt: skip
    return themed(stream.getvalue(), name)


def themed(svg: str, name: str) -> str:
    """Return matplotlib's SVG fit to stand in a page: own ids, the page's colours and fonts."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>\s*", "", body, flags=re.DOTALL)
    body = re.sub(r'<style type="text/css">.*?</style>', "", body, flags=re.DOTALL)
    box = re.search(r'viewBox="[^"]*"', body)
    rest = body[body.index(">") + 1 :]
    rest = re.sub(r'\bid="', f'id="{name}-', rest)
    rest = re.sub(r'(href="|url\()#', rf"\1#{name}-", rest)
    rest = re.sub(r"('[\w ]+', )+sans-serif", FONTS, rest)
    for colour, variable in VARIABLES.items():
        rest = re.sub(re.escape(colour), f"var({variable})", rest, flags=re.IGNORECASE)
    rest = re.sub(r"[ \t]*\n\s*", "\n", rest).strip()
    shown = box.group(0) if box else ""
    return f'<svg xmlns="http://www.w3.org/2000/svg" {shown} aria-hidden="true">\n{rest}\n'


# A day -------------------------------------------------------------------------------------


def day_figure(record: Record, config: Config, width_in: float) -> Figure:
    """Draw a day: temperatures inside and outside, duty, ice, humidity."""
    narrow = width_in < 5.0
    figure = Figure(figsize=(width_in, 7.2 if narrow else 7.6))
    axes = figure.subplots(
        len(PANELS), 1, sharex=True, gridspec_kw={"height_ratios": ROW_HEIGHTS, "hspace": 0.18}
    )
    left, right = 0.64, 0.82
    figure.subplots_adjust(left=left / width_in, right=1.0 - right / width_in, top=0.985,
                           bottom=0.065)  # fmt: skip
    draw_column(list(axes), record, config, "", NARROW_CYCLES if narrow else MANY_CYCLES)
    axes[-1].set_xlabel("hours of the day", fontsize=style.FONT_PT)
    _clear(figure)
    for axis in axes:
        axis.yaxis.set_label_coords(-0.45 / (width_in - left - right), 0.5)
    if narrow:
        axes[-1].set_xticks(np.arange(0.0, 24.1, 6.0))
    _name_defrosts(axes[0], record)
    return figure


def _name_defrosts(axis: Any, record: Record) -> None:
    """Write "defrost" at the first band, so that its colour is not the only sign."""
    from ctrl.loop import DRIPPING, MELTING

    state = record["state"]
    bands = stretches((state == MELTING) | (state == DRIPPING))
    if not bands:
        return
    hours = (record["time_s"] - record["time_s"][0]) / 3600.0
    first = float(hours[bands[0][0]])
    late = first > 0.6 * float(hours[-1])
    axis.annotate("defrost", (first, 1.0), xycoords=("data", "axes fraction"),
                  xytext=(-2 if late else 2, -1), textcoords="offset points", va="top",
                  ha="right" if late else "left", fontsize=style.FONT_PT - 1.0,
                  color=style.BLUE, rotation=0)  # fmt: skip


def _clear(figure: Figure) -> None:
    """Leave the ground to the page."""
    figure.patch.set_facecolor("none")
    for axis in figure.axes:
        axis.set_facecolor("none")


# The map -----------------------------------------------------------------------------------


def map_figure(found: SetpointMap, width_in: float) -> Figure:
    """Draw the map of room and contents: energy as labelled lines, what bounds it, the point."""
    figure = Figure(figsize=(width_in, 3.7 if width_in < 5.0 else 4.4), layout="constrained")
    axes = figure.add_subplot()
    rooms, contents = np.array(found.ambients_c), np.array(found.contents_c)
    kwh = np.array(
        [[np.nan if c.kwh_per_day is None else c.kwh_per_day for c in row] for row in found.cells]
    )
    _energy(axes, rooms, contents, kwh, 5 if width_in < 5.0 else 8)
    _bounds(axes, found, "\n" if width_in < 5.0 else " ")
    _point(axes, found)
    axes.set_xlim(rooms[0], rooms[-1])
    axes.set_ylim(contents[0], contents[-1])
    axes.set_xlabel("room, °C", fontsize=style.FONT_PT)
    axes.set_ylabel("contents, °C", fontsize=style.FONT_PT)
    style.tidy(axes, grid=False)
    _clear(figure)
    return figure


def _energy(axes: Any, rooms: Any, contents: Any, kwh: Any, most: int) -> None:
    if not np.any(~np.isnan(kwh)):
        return
    filled = np.ma.masked_invalid(filled_in(contents, kwh))
    levels = MaxNLocator(most).tick_values(0.0, float(np.nanmax(kwh)))
    steps = [(*HUE, 0.06 + 0.5 * n / max(len(levels) - 1, 1)) for n in range(len(levels))]
    axes.contourf(rooms, contents, filled, levels=levels, colors=steps, extend="max")
    lines = axes.contour(rooms, contents, filled, levels=levels[1:], colors=style.GREY,
                         linewidths=0.7)  # fmt: skip
    row = round(0.86 * (len(contents) - 1))  # high up: clear of most other words
    along = filled[row]
    spots = [
        (float(np.interp(level, along, rooms)), float(contents[row]))
        for level in levels[1:]
        if along[0] < level < along[-1] - 0.07 * (along[-1] - along[0])  # not at the very edge
    ]
    if spots:
        axes.clabel(lines, fmt="%.3g", fontsize=style.FONT_PT - 1.0, colors=style.BLACK,
                    manual=spots)  # fmt: skip


def _bounds(axes: Any, found: SetpointMap, gap: str) -> None:
    rooms = [item.ambient_c for item in found.borders]
    coldest = [item.coldest_c for item in found.borders]
    low_c, high_c = found.contents_c[0], found.contents_c[-1]
    axes.fill_between(rooms, [min(low_c, c) for c in coldest], coldest, color=style.SHADE, zorder=2)
    axes.plot(rooms, coldest, color=style.VERMILION, linewidth=2.0, zorder=3)
    if coldest[-1] > low_c:
        axes.text(0.985, 0.03, f"cannot{gap}be held\n({found.borders[-1].decided_by})",
                  color=style.VERMILION, fontsize=style.FONT_PT, ha="right", va="bottom",
                  transform=axes.transAxes, zorder=4)  # fmt: skip
    icy = [(item.ambient_c, item.icy_c) for item in found.borders if item.icy_c is not None]
    if icy:
        axes.plot(*zip(*icy, strict=True), color=style.BLUE, linewidth=1.8, linestyle="--",
                  zorder=3)  # fmt: skip
        inside = [item for item in icy if low_c < item[1] < high_c] or icy
        at = inside[len(inside) // 3]
        # The border rises to the right: words that begin at their point stay under it.
        side = "right" if side_of(at[0], found) == "right" else "left"
        axes.annotate("below: the sink ices", at, xytext=(0, -4), textcoords="offset points",
                      color=style.BLUE, fontsize=style.FONT_PT, ha=side, va="top", bbox=BAND,
                      zorder=4)  # fmt: skip
    axes.plot(rooms, rooms, color=style.GREY, linewidth=1.2, linestyle=":")
    if rooms[0] < high_c:
        axes.text(0.015, 0.98, "contents as warm as the room", color=style.BLACK,
                  fontsize=style.FONT_PT - 1.0, ha="left", va="top", transform=axes.transAxes,
                  bbox=BAND, zorder=4)  # fmt: skip


def _point(axes: Any, found: SetpointMap) -> None:
    room, advice = found.config.climate, found.advice
    if advice.nothing_to_cool:
        return
    axes.plot([room.coldest_c, room.worst_c], [advice.contents_c] * 2, color=style.DARK_ORANGE,
              linewidth=1.6, zorder=3)  # fmt: skip
    axes.plot([room.usual_c], [advice.contents_c], "o", color=style.DARK_ORANGE, markersize=7,
              zorder=4)  # fmt: skip
    axes.annotate(f"recommended {advice.contents_c:.1f} °C", (room.usual_c, advice.contents_c),
                  xytext=(0, 7), textcoords="offset points", color=style.DARK_ORANGE,
                  fontsize=style.FONT_PT, ha=side_of(room.usual_c, found), weight="bold",
                  bbox=BAND, zorder=5)  # fmt: skip


# What holds it back ------------------------------------------------------------------------


def width_of(text: str, size_pt: float) -> float:
    """Return how wide a text is in the font that is drawn with [in]."""
    return float(TextPath((0.0, 0.0), text, size_pt, prop=FontProperties()).get_extents().x1) / 72.0


def broken(text: str, size_pt: float, width_in: float) -> str:
    """Return a text broken between words so that no line is wider than `width_in`."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size_pt) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return "\n".join(lines)


def gains_figure(items: Sequence[Bottleneck], width_in: float) -> Figure:
    """Draw what each change gains as bars, the change in words over its bar."""
    most = max(abs(item.gain_k) for item in items)
    size_pt = style.FONT_PT - 0.5
    # Room for the margins, and for a page's font a little wider than the one measured.
    texts = [broken(f"{x.part}: {x.change}", size_pt, 0.94 * width_in - 0.2) for x in items]
    lines = [text.count("\n") + 1 for text in texts]
    # A bar takes 0.22 in with its gap, a line of words 0.16 in.
    heights = [0.22 + 0.16 * count for count in lines]
    figure = Figure(figsize=(width_in, sum(heights) + 0.6), layout="constrained")
    axes = figure.add_subplot()
    bottom = sum(heights)
    left = min(0.0, *(item.gain_k for item in items))
    for item, text, height in zip(items, texts, heights, strict=True):
        bottom -= height
        axes.barh(bottom + 0.09, item.gain_k, height=0.13, color=style.BLUE)
        axes.text(left, bottom + 0.18, text, fontsize=size_pt,
                  va="bottom", color=style.BLACK, linespacing=1.1,
                  bbox={"facecolor": style.WHITE, "edgecolor": "none", "pad": 0.3})  # fmt: skip
        axes.annotate(f"{item.gain_k:+.1f} K", (max(item.gain_k, 0.0), bottom + 0.09),
                      xytext=(3, 0), textcoords="offset points", va="center",
                      fontsize=size_pt, color=style.BLUE)  # fmt: skip
    axes.set_ylim(-0.06, sum(heights))
    axes.set_xlim(left, 1.2 * most)
    axes.set_yticks([])
    axes.axvline(0.0, color=style.GREY, linewidth=0.8)
    axes.set_xlabel("kelvin colder in the worst room", fontsize=style.FONT_PT)
    style.tidy(axes, grid=False)
    axes.spines["left"].set_visible(False)
    _clear(figure)
    return figure

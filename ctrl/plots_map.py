"""The picture of `coldloop map`: energy over room and contents, with its boundaries."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ctrl.files import replace_file
from ctrl.plots import BLACK, BLUE, DARK_ORANGE, FONT_PT, GREY, VERMILION
from ctrl.setpoint_map import SetpointMap

HALO = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}


def plot_map(found: SetpointMap, *, path: Path) -> None:
    """Draw a map and save it, whole or not at all."""
    figure = Figure(figsize=(7.4, 5.4), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    rooms = np.array(found.ambients_c)
    contents = np.array(found.contents_c)
    kwh = np.array(
        [[np.nan if c.kwh_per_day is None else c.kwh_per_day for c in row] for row in found.cells]
    )
    _energy(figure, axes, rooms, contents, kwh)
    _borders(axes, found)
    _point(axes, found)
    axes.set_xlim(rooms[0], rooms[-1])
    axes.set_ylim(contents[0], contents[-1])
    axes.set_xlabel("room, °C")
    axes.set_ylabel("contents, °C")
    axes.set_title(
        f"{found.config.cabinet.name}: what can be held, what ices at {found.humidity_pct:g} % "
        "humidity, what it costs",
        fontsize=FONT_PT + 1,
    )
    with replace_file(path, binary=True) as stream:
        figure.savefig(stream, format=path.suffix[1:].lower())


def _energy(figure: Figure, axes: Any, rooms: Any, contents: Any, kwh: Any) -> None:
    filled = kwh.copy()
    for row in range(contents.size - 3, -1, -1):
        # Below what can be held the colours run on, under the grey drawn over them.
        gap = np.isnan(filled[row])
        filled[row, gap] = (2.0 * filled[row + 1] - filled[row + 2])[gap]
    filled = np.ma.masked_invalid(filled)
    levels = MaxNLocator(9).tick_values(0.0, float(np.nanmax(kwh)))
    drawn = axes.contourf(
        rooms, contents, filled, levels=levels, cmap="cividis_r", alpha=0.75, extend="max"
    )
    lines = axes.contour(
        rooms, contents, filled, levels=levels[2:-1:2], colors=GREY, linewidths=0.6
    )
    axes.clabel(lines, fmt="%.2g kWh/d", fontsize=FONT_PT - 2, colors=BLACK)
    bar = figure.colorbar(drawn, ax=axes)
    bar.set_label("energy, kWh a day")


def _borders(axes: Any, found: SetpointMap) -> None:
    rooms = [item.ambient_c for item in found.borders]
    coldest = [item.coldest_c for item in found.borders]
    low_c, high_c = found.contents_c[0], found.contents_c[-1]
    axes.fill_between(rooms, low_c, np.maximum(coldest, low_c), color="#E8E8E8", zorder=2)
    axes.plot(rooms, coldest, color=VERMILION, linewidth=2.2, zorder=3)
    if coldest[-1] > low_c:
        axes.text(
            0.985, 0.03, f"cannot be held\n({found.borders[-1].decided_by})", color=VERMILION,
            fontsize=FONT_PT, ha="right", va="bottom", transform=axes.transAxes, zorder=4,
        )  # fmt: skip
    icy = [(item.ambient_c, item.icy_c) for item in found.borders if item.icy_c is not None]
    if icy:
        axes.plot(*zip(*icy, strict=True), color=BLUE, linewidth=2.0, linestyle="--", zorder=3)
        at = icy[len(icy) // 3]
        axes.annotate(
            "below: the sink ices", at, xytext=(0, -4), textcoords="offset points", color=BLUE,
            fontsize=FONT_PT, ha="center", va="top", bbox=HALO,
        )  # fmt: skip
        checked = [
            (item.ambient_c, item.simulated_c)
            for item in found.borders
            if item.simulated_c is not None
        ]
        if checked:
            axes.plot(*zip(*checked, strict=True), "s", color=BLUE, markersize=5, zorder=3)
    axes.plot(rooms, rooms, color=GREY, linewidth=1.2, linestyle=":")
    if rooms[0] < high_c:
        axes.text(
            0.015, 0.97, "contents as warm as the room, or warmer", color=BLACK,
            fontsize=FONT_PT - 1, ha="left", va="top", transform=axes.transAxes, zorder=4,
        )  # fmt: skip


def _point(axes: Any, found: SetpointMap) -> None:
    room, advice = found.config.climate, found.advice
    axes.plot(
        [room.coldest_c, room.worst_c], [advice.contents_c] * 2, color=DARK_ORANGE,
        linewidth=1.6, zorder=3,
    )  # fmt: skip
    axes.plot([room.usual_c], [advice.contents_c], "o", color=DARK_ORANGE, markersize=8, zorder=4)
    axes.annotate(
        f"recommended {advice.contents_c:.1f} °C", (room.usual_c, advice.contents_c),
        xytext=(0, 7), textcoords="offset points", color=DARK_ORANGE, fontsize=FONT_PT,
        ha="center", weight="bold", bbox=HALO,
    )  # fmt: skip

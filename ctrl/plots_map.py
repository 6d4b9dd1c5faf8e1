"""The picture of `coldloop map`: energy over room and contents, with its boundaries."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

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
    filled = np.ma.masked_invalid(kwh)
    drawn = axes.contourf(rooms, contents, filled, levels=9, cmap="cividis_r", alpha=0.75)
    lines = axes.contour(
        rooms, contents, filled, levels=drawn.levels[::2], colors=GREY, linewidths=0.6
    )
    axes.clabel(lines, fmt="%.2g kWh/d", fontsize=FONT_PT - 2, colors=BLACK)
    bar = figure.colorbar(drawn, ax=axes)
    bar.set_label("energy, kWh a day")
    axes.set_facecolor("#E8E8E8")


def _borders(axes: Any, found: SetpointMap) -> None:
    rooms = [item.ambient_c for item in found.borders]
    coldest = [item.coldest_c for item in found.borders]
    axes.plot(rooms, coldest, color=VERMILION, linewidth=2.2)
    low_c, high_c = found.contents_c[0], found.contents_c[-1]
    inside = [n for n, c in enumerate(coldest) if low_c < c < high_c]
    if inside:
        n = inside[-1]
        axes.annotate(
            f"cannot be held\n({found.borders[n].decided_by})", (rooms[n], coldest[n]),
            xytext=(-6, -12), textcoords="offset points", color=VERMILION, fontsize=FONT_PT,
            ha="right" if n > len(rooms) // 2 else "left", va="top", bbox=HALO,
        )  # fmt: skip
    icy = [(item.ambient_c, item.icy_c) for item in found.borders if item.icy_c is not None]
    if icy:
        axes.plot(*zip(*icy, strict=True), color=BLUE, linewidth=2.0, linestyle="--")
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
            axes.plot(*zip(*checked, strict=True), "s", color=BLUE, markersize=5)
    axes.plot(rooms, rooms, color=GREY, linewidth=1.2, linestyle=":")
    at_c = 0.5 * (max(low_c, rooms[0]) + min(high_c, rooms[-1]))
    if low_c < at_c < high_c:
        axes.annotate(
            "contents as warm\nas the room", (at_c, at_c), xytext=(-4, 4),
            textcoords="offset points", color=GREY, fontsize=FONT_PT, ha="right", va="bottom",
        )  # fmt: skip


def _point(axes: Any, found: SetpointMap) -> None:
    room, advice = found.config.climate, found.advice
    axes.plot(
        [room.coldest_c, room.worst_c], [advice.contents_c] * 2, color=DARK_ORANGE, linewidth=1.6
    )
    axes.plot([room.usual_c], [advice.contents_c], "o", color=DARK_ORANGE, markersize=8)
    axes.annotate(
        f"recommended {advice.contents_c:.1f} °C", (room.usual_c, advice.contents_c),
        xytext=(0, 7), textcoords="offset points", color=DARK_ORANGE, fontsize=FONT_PT,
        ha="center", weight="bold", bbox=HALO,
    )  # fmt: skip

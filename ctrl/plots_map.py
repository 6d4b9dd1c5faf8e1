"""The picture of `coldloop map`: energy over room and contents, with its boundaries."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ctrl.files import replace_file
from ctrl.plot_style import BLACK, BLUE, DARK_ORANGE, FONT_PT, GREY, SHADE, VERMILION
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


def filled_in(contents: Any, kwh: Any) -> Any:
    """Return the energies, shape (contents, rooms), with values where nothing can be held.

    Colours then run on under the grey that is drawn over them, up to its very border: down
    each room by its last slope, and in rooms where next to nothing is held as in the room before.
    """
    filled = kwh.copy()
    for column in range(filled.shape[1]):
        held = np.flatnonzero(~np.isnan(filled[:, column]))
        if held.size < 2:
            if column > 0:
                gap = np.isnan(filled[:, column])
                filled[gap, column] = filled[gap, column - 1]
            continue
        low, next_up = held[0], held[1]
        slope = (filled[next_up, column] - filled[low, column]) / (
            contents[next_up] - contents[low]
        )
        filled[:low, column] = filled[low, column] + slope * (contents[:low] - contents[low])
    return filled


def _energy(figure: Figure, axes: Any, rooms: Any, contents: Any, kwh: Any) -> None:
    filled = np.ma.masked_invalid(filled_in(contents, kwh))
    most = float(np.nanmax(kwh)) if np.any(~np.isnan(kwh)) else 1.0
    levels = MaxNLocator(9).tick_values(0.0, most)
    drawn = axes.contourf(
        rooms, contents, filled, levels=levels, cmap="cividis_r", alpha=0.75, extend="max"
    )
    # No figures on these lines: they would run under the words; the bar carries them.
    axes.contour(rooms, contents, filled, levels=levels[1:-1], colors=GREY, linewidths=0.6)
    bar = figure.colorbar(drawn, ax=axes)
    bar.set_label("energy, kWh a day")


def side_of(room_c: float, found: SetpointMap) -> str:
    """Return how a label at a room is aligned so that it stays inside the axes."""
    share = (room_c - found.ambients_c[0]) / (found.ambients_c[-1] - found.ambients_c[0])
    return "left" if share < 0.25 else "right" if share > 0.75 else "center"


def _borders(axes: Any, found: SetpointMap) -> None:
    rooms = [item.ambient_c for item in found.borders]
    coldest = [item.coldest_c for item in found.borders]
    low_c, high_c = found.contents_c[0], found.contents_c[-1]
    # Not cut at the axes' edge here: that would tilt its border between two rooms.
    bottom = [min(low_c, c) for c in coldest]
    axes.fill_between(rooms, bottom, coldest, color=SHADE, zorder=2)
    axes.plot(rooms, coldest, color=VERMILION, linewidth=2.2, zorder=3)
    if coldest[-1] > low_c:
        axes.text(
            0.985, 0.03, f"cannot be held\n({found.borders[-1].decided_by})", color=VERMILION,
            fontsize=FONT_PT, ha="right", va="bottom", transform=axes.transAxes, zorder=4,
        )  # fmt: skip
    icy = [(item.ambient_c, item.icy_c) for item in found.borders if item.icy_c is not None]
    if icy:
        axes.plot(*zip(*icy, strict=True), color=BLUE, linewidth=2.0, linestyle="--", zorder=3)
        inside = [item for item in icy if low_c < item[1] < high_c] or icy
        at = inside[len(inside) // 3]
        axes.annotate(
            "below: the sink ices", at, xytext=(0, -4), textcoords="offset points", color=BLUE,
            fontsize=FONT_PT, ha=side_of(at[0], found), va="top", bbox=HALO, zorder=4,
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
    if advice.nothing_to_cool:
        return
    axes.plot(
        [room.coldest_c, room.worst_c], [advice.contents_c] * 2, color=DARK_ORANGE,
        linewidth=1.6, zorder=3,
    )  # fmt: skip
    axes.plot([room.usual_c], [advice.contents_c], "o", color=DARK_ORANGE, markersize=8, zorder=4)
    axes.annotate(
        f"recommended {advice.contents_c:.1f} °C", (room.usual_c, advice.contents_c),
        xytext=(0, 7), textcoords="offset points", color=DARK_ORANGE, fontsize=FONT_PT,
        ha=side_of(room.usual_c, found), weight="bold", bbox=HALO, zorder=4,
    )  # fmt: skip

"""The picture of `coldloop identify`: the step as read, and the gains over duty."""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.first_order import first_order_step
from ctrl.identify import Identification
from ctrl.plot_style import BLUE, FONT_PT, GREEN, GREY, ORANGE, SKY, VERMILION, tidy
from ctrl.plots import save
from ctrl.screen_identify import NAMES

COLOURS, STYLES = (SKY, GREEN, VERMILION), ("-", "--", "-.")


def plot_identification(found: Identification, path: Path | None = None) -> Figure:
    """Draw the step test with the models, then each drive's gains: short-term and steady.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    columns = len(found.maps)
    figure = Figure(figsize=(5.2 * columns, 8.6))
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(3, columns, hspace=0.42, wspace=0.28)
    figure.subplots_adjust(left=0.08, right=0.97, top=0.92, bottom=0.07)
    figure.suptitle(
        f"{found.config.cabinet.name}: model and gains, {100.0 * found.linear.duty:.0f} % duty, "
        f"room {found.ambient_c:g} °C", fontsize=FONT_PT + 3.0, x=0.08, ha="left",
    )  # fmt: skip
    _step(figure.add_subplot(grid[0, :]), found)
    for column, item in enumerate(found.maps):
        upper = figure.add_subplot(grid[1, column])
        lower = figure.add_subplot(grid[2, column])
        rooms = sorted({point.ambient_c for point in item.points})
        for room, colour, style in zip(rooms, COLOURS, STYLES, strict=False):
            here = [point for point in item.points if point.ambient_c == room]
            duty = [100.0 * point.duty for point in here]
            for axis, name in ((upper, "crossover_gain_k"), (lower, "steady_gain_k")):
                values = [getattr(point, name) for point in here]
                axis.plot(duty, values, style, color=colour, marker="o", markersize=3.0,
                          label=f"room {room:g} °C")  # fmt: skip
        upper.set_title(NAMES.get(item.drive, item.drive), fontsize=FONT_PT + 1.0, loc="left")
        lower.axhline(0.0, color=GREY, linewidth=0.8)
        for axis in (upper, lower):
            axis.axvline(100.0 * item.limit.duty, color=ORANGE, linewidth=1.4, linestyle=":",
                         label="duty limit")  # fmt: skip
            axis.set_xlim(0.0, 104.0)
            tidy(axis)
        upper.set_ylim(bottom=0.0)
        upper.set_ylabel(f"gain at {item.crossover_rad_per_s:.3f} rad/s, K", fontsize=FONT_PT)
        lower.set_ylabel("steady gain, K", fontsize=FONT_PT)
        lower.set_xlabel("duty, %", fontsize=FONT_PT)
        lower.legend(fontsize=FONT_PT - 1.0, frameon=False)
    if path is not None:
        save(figure, path)
    return figure


def _step(axis: Axes, found: Identification) -> None:
    step = found.step
    tidy(axis)
    if step is None:
        axis.text(0.5, 0.5, "no step test here", transform=axis.transAxes, ha="center")
        return
    axis.plot(step.time_s, step.fall_k, color=GREY, linewidth=1.0, label="as read, mean")
    axis.set_xlabel("seconds", fontsize=FONT_PT)
    axis.set_ylabel("fall of the reading, K", fontsize=FONT_PT)
    if step.square:
        axis.set_title("Mean period, on first, then off", fontsize=FONT_PT + 1.0, loc="left")
        axis.axvline(round(step.duty * step.horizon_s), color=GREY, linewidth=0.8, linestyle=":")
        return
    axis.set_title(
        f"Step of {100.0 * step.step_duty:.0f} % duty", fontsize=FONT_PT + 1.0, loc="left"
    )
    t = np.linspace(0.0, float(step.time_s[-1]), 200)
    for item, colour, style in zip(found.models, (BLUE, VERMILION, GREEN), STYLES, strict=False):
        fall = step.step_duty * first_order_step(item.model, t)
        axis.plot(t, fall, style, color=colour, label=item.name)
    axis.legend(fontsize=FONT_PT - 1.0, frameon=False, loc="lower right")

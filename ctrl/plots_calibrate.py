"""The picture of `coldloop calibrate`: log and twin, residuals and their memory."""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.calibrate import Calibration, elapsed_s
from ctrl.calibrate_misfit import correlations
from ctrl.plots import (
    BLACK,
    BLUE,
    FONT_PT,
    GREEN,
    GREY,
    SKY,
    VERMILION,
    envelope_rows,
    save,
    spread,
)
from ctrl.screen_calibrate import CHANNEL_WORDS

LINES = {"air_c": (SKY, "-"), "cold_sink_c": (GREEN, "--"), "hot_sink_c": (VERMILION, "-."),
         "contents_c": (BLUE, ":")}  # fmt: skip
MOST_LAGS = 40


def plot_calibration(found: Calibration, path: Path | None = None) -> Figure:
    """Draw log and twin, their difference, and the correlation of the difference.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    figure = Figure(figsize=(9.0, 9.6))
    FigureCanvasAgg(figure)
    upper, middle, lower = figure.subplots(3, 1, height_ratios=(3.0, 2.0, 1.6))
    figure.subplots_adjust(left=0.09, right=0.84, top=0.93, bottom=0.07, hspace=0.32)
    words = "not to be trusted: " if found.distrust else ""
    figure.suptitle(f"{found.config.cabinet.name}: {words}twin from {found.log.name}",
                    fontsize=FONT_PT + 3.0, x=0.09, ha="left")  # fmt: skip
    hours = elapsed_s(found.log) / 3600.0
    shown = [(k, c.name) for k, c in enumerate(found.setup.channels)
             if c.name in LINES and c.name in found.whiteness]  # fmt: skip
    _temperatures(upper, found, hours, shown)
    _residuals(middle, found, hours, shown)
    _memory(lower, found, shown)
    if path is not None:
        save(figure, path)
    return figure


def _bare(axis: Axes) -> None:
    axis.tick_params(labelsize=FONT_PT)
    axis.grid(True, color="#DDDDDD", linewidth=0.5)
    axis.set_axisbelow(True)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)


def _names(axis: Axes, ends: list[float], shown: list[tuple[int, str]], least: float) -> None:
    """Write each line's name at its right end."""
    low, high = axis.get_ylim()
    at = spread([(end - low) / (high - low) for end in ends], least)
    for (_, name), place in zip(shown, at, strict=True):
        axis.text(1.01, place, CHANNEL_WORDS[name], transform=axis.transAxes, fontsize=FONT_PT,
                  color=LINES[name][0], va="center")  # fmt: skip


def _held_back(axis: Axes, found: Calibration, hours: np.ndarray) -> None:
    begin = found.tail_from_s / 3600.0
    axis.axvspan(begin, float(hours[-1]), color=GREY, alpha=0.15, linewidth=0.0)
    axis.set_xlim(0.0, float(hours[-1]))
    axis.set_xlabel("time, h", fontsize=FONT_PT)


def _temperatures(
    axis: Axes, found: Calibration, hours: np.ndarray, shown: list[tuple[int, str]]
) -> None:
    ends = []
    for k, name in shown:
        colour, _ = LINES[name]
        seen, model = found.log.columns[name], found.model[:, k]
        rows = envelope_rows(model)
        axis.plot(hours[rows], seen[rows], color=colour, linewidth=2.6, alpha=0.4)
        axis.plot(hours[rows], model[rows], color=BLACK, linewidth=0.8)
        ends.append(float(model[-1]))
    _held_back(axis, found, hours)
    _bare(axis)
    axis.set_ylabel("°C", fontsize=FONT_PT)
    axis.set_title("Log (broad, coloured) and twin (thin, black); shaded: held back, predicted",
                   fontsize=FONT_PT, loc="left")  # fmt: skip
    _names(axis, ends, shown, 0.07)


def _residuals(
    axis: Axes, found: Calibration, hours: np.ndarray, shown: list[tuple[int, str]]
) -> None:
    ends, largest = [], 0.2
    for k, name in shown:
        off = found.log.columns[name] - found.model[:, k]
        rows = np.flatnonzero(np.isfinite(off))
        rows = rows[:: max(rows.size // 3000, 1)]
        colour, style = LINES[name]
        axis.plot(hours[rows], off[rows], style, color=colour, linewidth=0.9)
        ends.append(float(np.mean(off[rows][-30:])))
        largest = max(largest, float(np.quantile(np.abs(off[rows]), 0.995)))
    axis.axhline(0.0, color=GREY, linewidth=0.8)
    axis.set_ylim(-1.1 * largest, 1.1 * largest)
    _held_back(axis, found, hours)
    _bare(axis)
    axis.set_ylabel("log less twin, K", fontsize=FONT_PT)
    _names(axis, ends, shown, 0.1)


def _memory(axis: Axes, found: Calibration, shown: list[tuple[int, str]]) -> None:
    """Draw the autocorrelation of each channel's residuals over the time between them."""
    ends = []
    step_min = max(found.log.step_s, 60.0) / 60.0
    for k, name in shown:
        off = (found.log.columns[name] - found.model[:, k])[found.fitted_rows]
        off = off[np.isfinite(off)]
        every = max(round(60.0 * step_min / found.log.step_s), 1)
        whole = off.size // every * every
        means = off[:whole].reshape(-1, every).mean(axis=1)
        rho = correlations(means, min(MOST_LAGS, means.size // 2))
        colour, style = LINES[name]
        axis.plot(step_min * np.arange(rho.size), rho, style, color=colour, linewidth=1.2)
        ends.append(float(rho[-1]))
    axis.axhline(0.0, color=GREY, linewidth=0.8)
    axis.set_ylim(-0.6, 1.05)
    axis.set_xlim(left=0.0)
    _bare(axis)
    axis.set_ylabel("autocorrelation", fontsize=FONT_PT)
    axis.set_xlabel("between two residuals, min", fontsize=FONT_PT)
    _names(axis, ends, shown, 0.12)

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
from ctrl.screen import fixed
from ctrl.screen_calibrate import CHANNEL_WORDS

LINES = {"air_c": (SKY, "-"), "cold_sink_c": (GREEN, "--"), "hot_sink_c": (VERMILION, "-."),
         "contents_c": (BLUE, ":")}  # fmt: skip
MOST_LAGS = 40
MEANS = 200  # across a log on a relay, whose rows would be one black band


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
    width_h = float(hours[-1]) / MEANS if _switches(found) else 0.0
    shown = [(k, c.name) for k, c in enumerate(found.setup.channels)
             if c.name in LINES and c.name in found.whiteness]  # fmt: skip
    _temperatures(upper, found, hours, width_h, shown)
    _residuals(middle, found, hours, width_h, shown)
    _memory(lower, found, shown)
    if path is not None:
        save(figure, path)
    return figure


def _switches(found: Calibration) -> bool:
    """Tell whether duty or a fan switches too often to be drawn row by row."""
    return any(unknown.what == "held" for unknown in found.setup.unknowns)


def _means(hours: np.ndarray, values: np.ndarray, width_h: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (middles [h], means) over stretches of `width_h` [h]; all as it is for 0."""
    good = np.isfinite(values)
    hours, values = hours[good], values[good]
    if width_h <= 0.0 or not values.size:
        return hours, values
    label = np.minimum(np.floor(hours / width_h), MEANS - 1.0)  # the end belongs to the last
    starts = np.flatnonzero(np.concatenate([[True], np.diff(label) != 0.0]))
    count = np.diff(np.append(starts, values.size))
    middles, means = (np.add.reduceat(x, starts) / count for x in (hours, values))
    return middles, means


def _mean_words(width_h: float) -> str:
    return f", means over {fixed(60.0 * width_h)} min" if width_h > 0.0 else ""


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
    axis: Axes, found: Calibration, hours: np.ndarray, width_h: float, shown: list[tuple[int, str]]
) -> None:
    ends = []
    for k, name in shown:
        colour, _ = LINES[name]
        seen, model = found.log.columns[name], found.model[:, k]
        if width_h > 0.0:
            axis.plot(*_means(hours, seen, width_h), color=colour, linewidth=2.6, alpha=0.4)
            at_h, twin = _means(hours, np.where(np.isfinite(seen), model, np.nan), width_h)
            axis.plot(at_h, twin, color=BLACK, linewidth=0.8)
            ends.append(float(twin[-1]))
        else:
            rows = envelope_rows(model)
            axis.plot(hours[rows], seen[rows], color=colour, linewidth=2.6, alpha=0.4)
            axis.plot(hours[rows], model[rows], color=BLACK, linewidth=0.8)
            ends.append(float(model[-1]))
    _held_back(axis, found, hours)
    _bare(axis)
    axis.set_ylabel("°C", fontsize=FONT_PT)
    axis.set_title(f"Log (broad, coloured) and twin (thin, black){_mean_words(width_h)}; "
                   "shaded: held back, predicted", fontsize=FONT_PT, loc="left")  # fmt: skip
    _names(axis, ends, shown, 0.07)


def _residuals(
    axis: Axes, found: Calibration, hours: np.ndarray, width_h: float, shown: list[tuple[int, str]]
) -> None:
    ends, largest = [], 0.2
    for k, name in shown:
        at_h, off = _means(hours, found.log.columns[name] - found.model[:, k], width_h)
        every = max(off.size // 3000, 1)
        colour, style = LINES[name]
        axis.plot(at_h[::every], off[::every], style, color=colour, linewidth=0.9)
        ends.append(float(np.mean(off[-30:])))
        largest = max(largest, float(np.quantile(np.abs(off), 0.995)))
    axis.axhline(0.0, color=GREY, linewidth=0.8)
    axis.set_ylim(-1.1 * largest, 1.1 * largest)
    _held_back(axis, found, hours)
    _bare(axis)
    axis.set_ylabel("log less twin, K" + (" (means)" if width_h > 0.0 else ""), fontsize=FONT_PT)
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
    axis.set_ylim(-0.75, 1.05)
    axis.set_xlim(left=0.0)
    _bare(axis)
    axis.set_ylabel("autocorrelation", fontsize=FONT_PT)
    axis.set_xlabel("between two residuals, min", fontsize=FONT_PT)
    _names(axis, ends, shown, 0.12)

"""Pictures of laws compared and of a thermostat's trade-off.

Colours and rules as in `ctrl.plots`: told apart by colour-blind readers, labelled where the
line ends, units on every axis.
"""

from collections.abc import Callable
from math import inf, isfinite
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.comparison import Compared, Comparison, law_words
from ctrl.findings import DAY_S
from ctrl.plot_style import (
    BLACK,
    BLUE,
    DARK_ORANGE,
    FONT_PT,
    GREEN,
    GREY,
    GRID,
    ORANGE,
    SKY,
    VERMILION,
    tidy,
)
from ctrl.plots import envelope_rows, save, spread
from ctrl.screen import words_of
from ctrl.trade_off import TradeOff

Bar = tuple[str, str, Callable[[Compared], float | None], str]
LEAST_SHOWN = 0.05  # a bar where nothing but noise is would look like a figure
LINES = (
    ("air_c", "air", SKY, "-", 1.0),
    ("cold_sink_c", "cold sink", GREEN, "-", 0.8),
    ("contents_c", "contents", BLUE, "-", 1.8),
)
BARS: tuple[Bar, ...] = (
    ("energy, kWh a day", "{:.2f}", lambda x: x.findings.energy_kwh_per_day, BLUE),
    ("swing of the air, K", "{:.2f}", lambda x: x.findings.swing_k, SKY),
    ("range of the contents, K", "{:.2f}", lambda x: x.findings.contents_swing_k, BLUE),
    ("ice in the fin gaps, damp air, %", "{:.1f}", lambda x: x.ice.blockage_pct, GREEN),
    ("hottest hot sink, °C", "{:.0f}", lambda x: x.findings.hot_sink_c.max, VERMILION),
    ("module cycles a day", "{:.0f}", lambda x: x.cycles_per_day, GREY),
    ("time to cool, h", "{:.1f}", lambda x: x.findings.pull_down_h, DARK_ORANGE),
)


def _name(item: Compared, items: tuple[Compared, ...]) -> str:
    name = law_words(item)
    twice = sum(x.candidate.controller == item.candidate.controller for x in items) > 1
    return f"{name}, {words_of(item.candidate.drive)}" if twice else name


def _title(item: Compared) -> str:
    fits = "" if item.candidate.fits else " (another drive)"
    stopped = "" if item.stop is None else f": {item.stop.told}"
    return f"{law_words(item)} on {words_of(item.candidate.drive)}{fits}{stopped}"


def _day_panel(
    axis: Axes, item: Compared, wanted: tuple[float, float], low: float, high: float
) -> None:
    """Draw the last day's temperatures, with names at the lines' ends."""
    part = item.record.last(DAY_S)
    hours = (part["time_s"] - part["time_s"][0]) / 3600.0
    target_c, tolerance_k = wanted
    axis.axhspan(target_c - tolerance_k, target_c + tolerance_k, color=ORANGE, alpha=0.22,
                 linewidth=0.0)  # fmt: skip
    axis.set_ylim(low, high)
    tail = max(len(hours) // 10, 1)
    for column, _, colour, style, width in LINES:
        signal = part[column]
        rows = envelope_rows(signal)
        axis.plot(hours[rows], signal[rows], style, color=colour, linewidth=width)
    ends = [float(np.mean(part[column][-tail:])) for column, *_ in LINES]
    at = spread([(value - low) / (high - low) for value in ends], 0.16)
    for (_, name, colour, *_), place in zip(LINES, at, strict=True):
        axis.text(1.01, place, name, transform=axis.transAxes, color=colour, va="center",
                  fontsize=FONT_PT)  # fmt: skip
    tidy(axis, grid=False)
    axis.grid(True, color=GRID, linewidth=0.5)
    axis.set_xlim(0.0, 24.0)
    axis.set_xticks(range(0, 25, 6))
    axis.set_ylabel("°C", fontsize=FONT_PT)
    axis.set_title(_title(item), fontsize=FONT_PT, loc="left", pad=3.0)


def _bar_panel(axis: Axes, items: tuple[Compared, ...], bar: Bar, named: bool) -> None:
    """Draw one figure of every law as bars with their values beside them."""
    title, shape, value_of, colour = bar
    values = [None if item.stop is not None else value_of(item) for item in items]
    shown = [value if value is not None and isfinite(value) else 0.0 for value in values]
    most = max([*shown, LEAST_SHOWN])
    places = np.arange(len(items))[::-1]
    axis.barh(places, shown, height=0.62, color=colour)
    for item, place, value, length in zip(items, places, values, shown, strict=True):
        none = "not reached" if item.stop is None else "stopped"
        text = none if value is None else shape.format(value)
        axis.text(length + 0.02 * most, place, text, va="center", fontsize=FONT_PT, color=BLACK)
    axis.set_xlim(0.0, 1.25 * most)
    axis.set_xticks([])
    axis.spines["bottom"].set_visible(False)
    axis.set_yticks(places, [_name(item, items) for item in items] if named else [""] * len(items))
    tidy(axis, grid=False)
    axis.set_title(title, fontsize=FONT_PT, loc="left", pad=3.0)


def _limits(items: tuple[Compared, ...]) -> tuple[float, float]:
    """Return one scale for all days [°C]: the laws are to be compared."""
    days = [item.record.last(DAY_S) for item in items]
    low = min(float(np.min(day[column])) for day in days for column, *_ in LINES)
    # A door's short warm breath may run out of the picture; the rest should not be flat.
    high = max(float(np.percentile(day["air_c"], 99.0)) for day in days)
    high = max(high, *(float(np.max(day["contents_c"])) for day in days))
    return low - 0.5, high + 0.5


def plot_comparison(found: Comparison, path: Path | None = None) -> Figure:
    """Draw each law's last day over the other, and their figures as bars beside them.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    items, use = found.rows, found.config.use
    count = len(items)
    height = max(1.75 * count + 0.9, 6.4)
    figure = Figure(figsize=(12.0, height))
    FigureCanvasAgg(figure)
    top, bottom = 1.0 - 0.75 / height, 0.5 / height
    left: Any = figure.add_gridspec(
        count, 1, left=0.06, right=0.50, top=top, bottom=bottom, hspace=0.42
    )
    right: Any = figure.add_gridspec(
        len(BARS), 1, left=0.715, right=0.985, top=top, bottom=bottom, hspace=0.42
    )
    low, high = _limits(items)
    for row, item in enumerate(items):
        axis = figure.add_subplot(left[row, 0])
        _day_panel(axis, item, (use.target_c, use.target_tolerance_k), low, high)
        if row == count - 1:
            axis.set_xlabel("hours of the day", fontsize=FONT_PT)
    for row, bar in enumerate(BARS):
        _bar_panel(figure.add_subplot(right[row, 0]), items, bar, True)
    room = found.config.climate.usual_c
    figure.suptitle(
        f"{found.config.cabinet.name}: laws compared, room {room:g} °C; pale band: wanted "
        f"{use.target_c:g} °C",
        fontsize=FONT_PT + 3.0, x=0.06, ha="left", y=1.0 - 0.22 / height,
    )  # fmt: skip
    if path is not None:
        save(figure, path)
    return figure


def plot_trade_off(found: TradeOff, path: Path | None = None) -> Figure:
    """Draw swing against switchings with the relay's years, and the sensor's places.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    figure = Figure(figsize=(10.5, 6.4))
    FigureCanvasAgg(figure)
    axis = figure.add_axes((0.08, 0.11, 0.86, 0.73))
    points = [x for x in found.points if x.usual.cycles_per_hour > 0.0]
    rate = [x.usual.cycles_per_hour for x in points]
    for name, colour, values in (
        ("air", SKY, [x.usual.air_swing_k for x in points]),
        ("contents", BLUE, [x.usual.contents_swing_k for x in points]),
    ):
        axis.plot(rate, values, "o-", color=colour, linewidth=1.4, markersize=5)
        axis.annotate(name, (rate[-1], values[-1]), textcoords="offset points", xytext=(-8, -4),
                      color=colour, fontsize=FONT_PT + 1, ha="right")  # fmt: skip
    places = zip(points, rate, _apart(rate), strict=True)
    for point, x, shown in places:
        if shown:
            axis.annotate(
                f"{point.hysteresis_k:g} K", (x, point.usual.air_swing_k),
                textcoords="offset points", xytext=(5, 6), fontsize=FONT_PT, color=GREY,
            )  # fmt: skip
    _chosen_mark(axis, found)
    _place_marks(axis, found)
    axis.set_xscale("log")
    axis.set_yscale("log")
    axis.set_xlim(0.6 * min(rate), 1.25 * max(rate))
    low, high = axis.get_ylim()
    axis.set_ylim(0.8 * low, 1.3 * high)
    _plain_ticks(axis)
    axis.set_xlabel("cycles an hour", fontsize=FONT_PT + 1)
    axis.set_ylabel("swing in a cycle, K", fontsize=FONT_PT + 1)
    tidy(axis, grid=False)
    axis.grid(True, color=GRID, linewidth=0.5)
    _years_axis(axis, found)
    figure.suptitle(
        f"{found.config.cabinet.name}: what a thermostat's band buys "
        f"(room {found.config.climate.usual_c:g} °C)",
        fontsize=FONT_PT + 3.0, x=0.08, ha="left", y=0.965,
    )  # fmt: skip
    if path is not None:
        save(figure, path)
    return figure


def _plain_ticks(axis: Axes) -> None:
    """Put 1, 2 and 5 of each decade on both logarithmic axes, in plain figures."""
    steps = [m * 10.0**n for n in range(-4, 4) for m in (1.0, 2.0, 5.0)]
    for part, (low, high) in ((axis.xaxis, axis.get_xlim()), (axis.yaxis, axis.get_ylim())):
        ticks = [step for step in steps if low <= step <= high]
        part.set_ticks(ticks, [f"{step:g}" for step in ticks])
        part.set_ticks([], minor=True)


def _apart(rate: list[float], ratio: float = 1.12) -> list[bool]:
    """Return which points to label: those far enough from the last labelled one."""
    shown, last = [], 0.0
    for value in rate:
        far = last == 0.0 or max(value / last, last / value) > ratio
        shown.append(far)
        last = value if far else last
    return shown


def _chosen_mark(axis: Axes, found: TradeOff) -> None:
    seen = found.chosen.usual
    for value in (seen.air_swing_k, seen.contents_swing_k):
        axis.plot([seen.cycles_per_hour], [value], "D", color=VERMILION, markersize=8,
                  fillstyle="none", markeredgewidth=1.8)  # fmt: skip
    short = (found.chosen.relay_life_years or inf) < found.config.limits.relay_life_years
    why = " (its swing decides)" if short else ""
    axis.annotate(
        f"recommended: {found.chosen.hysteresis_k:g} K{why}",
        (seen.cycles_per_hour, seen.air_swing_k),
        textcoords="offset points", xytext=(6, 12), color=VERMILION, fontsize=FONT_PT + 1,
        ha="left",
    )  # fmt: skip


def _place_marks(axis: Axes, found: TradeOff) -> None:
    offsets = iter(((-10, -16, "right"), (12, 8, "left")))
    for item in found.places:
        if item.place == found.config.sensor.place or item.usual.cycles_per_hour <= 0.0:
            continue
        x, y = item.usual.cycles_per_hour, item.usual.contents_swing_k
        axis.plot([x], [y], "s", color=DARK_ORANGE, markersize=6)
        right, up, side = next(offsets)
        where = (
            "on the cold sink" if item.place == "cold_sink" else f"in the {words_of(item.place)}"
        )
        axis.annotate(
            f"contents, sensor {where}", (x, y), textcoords="offset points", xytext=(right, up),
            ha=side, color=DARK_ORANGE, fontsize=FONT_PT,
        )  # fmt: skip


def _years_axis(axis: Axes, found: TradeOff) -> None:
    """Put the relay's years on top: the same switchings, told as a life."""
    hours = found.config.limits.relay_cycles / (24.0 * 365.25)

    def turned(value: Any) -> Any:
        return hours / np.maximum(value, 1e-9)

    top = axis.secondary_xaxis("top", functions=(turned, turned))
    wanted = found.config.limits.relay_life_years
    low, high = sorted(turned(np.array(axis.get_xlim())))
    ticks = [t for t in (0.5, 1, 2, 5, 10, 20, 50, 100) if low <= t <= high]
    top.set_xticks(ticks, [f"{t:g}" for t in ticks])
    top.minorticks_off()
    top.tick_params(labelsize=FONT_PT)
    top.set_xlabel(
        f"relay's life at its rated load, years ({found.config.limits.relay_cycles:g} switchings)",
        fontsize=FONT_PT + 1,
    )
    axis.axvline(hours / wanted, color=GREY, linestyle=":", linewidth=1.2)
    axis.annotate(
        f"wanted life, {wanted:g} years", (hours / wanted, axis.get_ylim()[0]),
        textcoords="offset points", xytext=(4, 6), color=GREY, fontsize=FONT_PT,
    )  # fmt: skip

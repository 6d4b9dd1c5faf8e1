"""The picture of the fault drills: hot sink and contents from each fault on."""

from collections.abc import Sequence
from itertools import cycle
from math import ceil
from pathlib import Path
from textwrap import shorten

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.config import Config
from ctrl.drill_results import COLDEST, FOAM, HOT_SINK, WARMEST, DrillResult
from ctrl.plot_style import BLUE, FONT_PT, GREY, VERMILION
from ctrl.plots import save
from ctrl.record import INDEX

ACROSS = 4
STYLES = ("-", "--", ":", "-.")
LIMIT_STYLES = {HOT_SINK: "-", FOAM: "--", WARMEST: ":", COLDEST: ":"}
MOST_LETTERS = 34


def plot_drills(config: Config, results: Sequence[DrillResult], path: Path | None = None) -> Figure:
    """Draw a panel a drill; a line style a run in turn, limits in grey.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    shown = [item for item in results if item.runs]
    across = max(min(ACROSS, len(shown)), 1)
    down = max(ceil(len(shown) / across), 1)
    figure = Figure(figsize=(max(3.2 * across, 6.0), 2.3 * down + 0.9), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(down, across, squeeze=False).ravel()
    for axis, item in zip(axes, shown, strict=False):
        _panel(axis, item)
    for axis in axes[len(shown) :]:
        axis.set_axis_off()
    figure.supxlabel("hours from the fault", fontsize=FONT_PT)
    figure.supylabel("°C", fontsize=FONT_PT)
    figure.suptitle(
        f"{config.cabinet.name}: fault drills\nhot sink red, contents blue, in their order "
        "solid, dashed, dotted, dash-dotted and again\nlimits grey: hot sink solid, foam dashed, "
        "contents dotted; a panel names what its drill missed",
        fontsize=FONT_PT + 1,
    )
    if path is not None:
        save(figure, path)
    return figure


def _panel(axis: Axes, found: DrillResult) -> None:
    for run, style in zip(found.runs, cycle(STYLES)):
        hours = (run.table[:, INDEX["time_s"]] - run.fault_s) / 3600.0
        for column, colour in (("hot_sink_c", VERMILION), ("contents_c", BLUE)):
            axis.plot(hours, run.table[:, INDEX[column]], style, color=colour, linewidth=1.1)
    for item in found.runs[0].limits:
        if item.name in LIMIT_STYLES:
            axis.axhline(item.limit, color=GREY, linewidth=0.8, linestyle=LIMIT_STYLES[item.name])
    axis.axvline(0.0, color=GREY, linewidth=0.6, linestyle=":")
    axis.set_title(panel_title(found), fontsize=FONT_PT)
    axis.tick_params(labelsize=FONT_PT - 1)


def panel_title(found: DrillResult) -> str:
    """Return a panel's title: the verdict, and what of the pass line was missed."""
    name = found.name.replace("_", " ")
    if found.passed:
        return f"{name}: passed"
    missed = dict.fromkeys(words for run in found.runs if run.failed for words in run.lacks)
    return "\n".join([f"{name}: FAILED", *(shorten(words, MOST_LETTERS) for words in missed)])

"""The picture of the fault drills: hot sink and contents from each fault on."""

from collections.abc import Sequence
from math import ceil
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.config import Config
from ctrl.drill_results import COLDEST, HOT_SINK, DrillResult, LimitFound
from ctrl.plot_style import BLUE, FONT_PT, GREY, VERMILION
from ctrl.plots import save
from ctrl.record import INDEX

ACROSS = 4
STYLES = ("-", "--", ":")


def plot_drills(config: Config, results: Sequence[DrillResult], path: Path | None = None) -> Figure:
    """Draw a panel a drill; a line style a run, limits in grey.

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
        f"{config.cabinet.name}: fault drills\nhot sink red, contents blue, limits of both grey; "
        "solid, dashed, dotted: runs in their order",
        fontsize=FONT_PT + 1,
    )
    if path is not None:
        save(figure, path)
    return figure


def _panel(axis: Axes, found: DrillResult) -> None:
    for run, style in zip(found.runs, STYLES, strict=False):
        hours = (run.table[:, INDEX["time_s"]] - run.fault_s) / 3600.0
        for column, colour in (("hot_sink_c", VERMILION), ("contents_c", BLUE)):
            axis.plot(hours, run.table[:, INDEX[column]], style, color=colour, linewidth=1.1)
    for item in found.runs[0].limits:
        if item.name in (HOT_SINK, COLDEST):
            axis.axhline(_level(item), color=GREY, linewidth=0.8)
    axis.axvline(0.0, color=GREY, linewidth=0.6, linestyle=":")
    verdict = "passed" if found.passed else "FAILED"
    axis.set_title(f"{found.name.replace('_', ' ')}: {verdict}", fontsize=FONT_PT)
    axis.tick_params(labelsize=FONT_PT - 1)


def _level(item: LimitFound) -> float:
    return item.limit

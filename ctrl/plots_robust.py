"""Pictures of what may be off: designs as a scatter of two figures, tolerances as two panels."""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ctrl.config import Config
from ctrl.design_sweep import Design, Sweep
from ctrl.plot_style import BLACK, BLUE, FONT_PT, GREY, ORANGE, VERMILION
from ctrl.plots import save, spread
from ctrl.tolerances import LEAST_SHARE, Tolerance

LABELS, LABEL_GAP = 9, 0.045


def _kwh(item: Design) -> float:
    return item.energy_kwh_per_day or 0.0


def plot_sweep(found: Sweep, path: Path | None = None) -> Figure:
    """Draw every design: kWh a day against the coldest holdable; the front joined and named.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    figure = Figure(figsize=(9.0, 5.2), layout="constrained")
    FigureCanvasAgg(figure)
    axis = figure.add_subplot()
    known = [item for item in found.designs if item.energy_kwh_per_day is not None]
    if not known:
        axis.text(0.5, 0.5, "no design tried reaches the target in the usual room",
                  ha="center", transform=axis.transAxes)  # fmt: skip
    for reach, marker, colour in ((True, "o", GREY), (False, "x", ORANGE)):
        part = [item for item in known if item.in_reach == reach]
        axis.plot([_kwh(x) for x in part], [x.coldest_c for x in part], marker,
                  color=colour, markersize=5, linestyle="none")  # fmt: skip
    front = sorted((x for x in known if x.on_front), key=_kwh)
    axis.plot([_kwh(x) for x in front], [x.coldest_c for x in front], "-o",
              color=BLUE, markersize=6, linewidth=1.2)  # fmt: skip
    if found.own in known:
        axis.plot([_kwh(found.own)], [found.own.coldest_c], "D", color=VERMILION,
                  markersize=8)  # fmt: skip
    target_c = found.config.use.target_c
    axis.axhline(target_c, color=BLACK, linewidth=0.8, linestyle="--")
    axis.set_xlabel(f"kWh a day at {target_c:g} °C, usual room")
    axis.set_ylabel("coldest holdable in the worst room, °C")
    if known:
        _label_designs(axis, found, front)
    figure.suptitle(f"{found.config.cabinet.name}: other designs, from steady states")
    axis.set_title("down and left is better; line: none beats these in both; dashes: wanted; "
                   "x: out of reach", fontsize=FONT_PT)  # fmt: skip
    if path is not None:
        save(figure, path)
    return figure


def _label_designs(axis: Axes, found: Sweep, front: list[Design]) -> None:
    """Write the names of the front and of the own design at the right, with lines to them."""
    named = front[:LABELS]
    named += [found.own] if found.own not in named and found.own.energy_kwh_per_day else []
    named.sort(key=lambda item: item.coldest_c)
    low, high = axis.get_ylim()
    wanted = [(item.coldest_c - low) / (high - low) for item in named]
    for item, place in zip(named, spread(wanted, LABEL_GAP), strict=True):
        own = item is found.own
        colour = VERMILION if own else BLUE
        axis.annotate(
            item.name, (_kwh(item), item.coldest_c), (1.02, place),
            textcoords="axes fraction", fontsize=FONT_PT - 1, color=colour, va="center",
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.4, "alpha": 0.6},
            annotation_clip=False,
        )  # fmt: skip


def plot_tolerance(config: Config, found: Tolerance, path: Path | None = None) -> Figure:
    """Draw the margin most at risk over the draws, and what decides it.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    figure = Figure(figsize=(9.0, 4.4), layout="constrained")
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.0))
    margins = np.array(
        [item.margins[found.at_risk] for item in found.outcomes if found.at_risk in item.margins]
    )
    edges = np.linspace(min(margins.min(), 0.0), max(margins.max(), 0.0), 31)
    left.hist(margins[margins >= 0.0], bins=edges, color=BLUE)
    left.hist(margins[margins < 0.0], bins=edges, color=VERMILION, hatch="//")
    left.axvline(0.0, color=BLACK, linewidth=1.0)
    left.set_xlabel(f"margin of: {found.at_risk}\n(1: need not worry anyone; below 0: broken)")
    left.set_ylabel("draws")
    bound = "no confidence claimed: comparing draws"
    if found.share_claimed is not None:
        bound = f"at least {100.0 * found.share_claimed:.1f} % (95 % confidence)"
    left.set_title(f"{found.holds} of {found.draws} keep every limit; {bound}", fontsize=FONT_PT)
    parts = [item for item in found.parts if item.share >= LEAST_SHARE][:10][::-1]
    right.barh([item.name for item in parts], [100.0 * item.share for item in parts], color=ORANGE)
    right.set_xlabel("share of what decides it, %")
    right.set_title("which to measure first", fontsize=FONT_PT)
    figure.suptitle(f"{config.cabinet.name}: parts out of tolerance")
    if path is not None:
        save(figure, path)
    return figure

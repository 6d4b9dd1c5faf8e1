"""Pictures of runs: results in, a figure out, saved whole or not at all.

No window and no global state: figures are built directly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ctrl.cases import energy_boundary, run_case
from ctrl.config import Config
from ctrl.files import replace_file
from ctrl.findings import DAY_S, switch_ons
from ctrl.firmware import firmware_of
from ctrl.loop import DRIPPING, LOW_BATTERY, MELTING
from ctrl.plot_style import (
    BLACK,
    BLUE,
    DARK_ORANGE,
    FONT_PT,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    SKY,
    VERMILION,
    tidy,
)
from ctrl.recommend import Recommendation
from ctrl.record import Record
from ctrl.trial import pull_down

MOST_DOORS = 200  # more marks than this would only be a smear
MOST_POINTS = 4000  # per line; more only makes files heavy
LABEL_GAP = 0.06  # least distance of two labels, share of the tallest panel
MANY_CYCLES = 60  # beyond this a run's cycles are drawn as a band with its mean
ROW_HEIGHTS = (3.2, 1.5, 1.3, 1.0, 1.2)


@dataclass(frozen=True)
class Line:
    """One signal of a panel: its column, name, colour and style."""

    column: str
    name: str
    colour: str
    style: str = "-"
    scale: float = 1.0


COLD_LINES = (
    Line("air_c", "air", SKY),
    Line("contents_c", "contents", BLUE, "--"),
    Line("cold_sink_c", "cold sink", GREEN, "-."),
)
HOT_LINES = (
    Line("hot_sink_c", "hot sink", VERMILION),
    Line("ambient_c", "room", GREY, "--"),
)
ICE_LINES = (Line("frost_g", "ice", SKY), Line("sink_water_g", "water", BLUE, "--"))
HUMIDITY_LINES = (Line("air_rh_pct", "air", PURPLE),)
DUTY_LINES = (Line("duty", "duty", BLACK, scale=100.0),)


def envelope_rows(signal: np.ndarray, most: int = MOST_POINTS) -> np.ndarray:
    """Return the rows to draw: all, or least and most of each stretch, so that no peak is lost.

    Parameters
    ----------
    signal : ndarray, shape (rows,)
    most : int
        Largest number of rows wanted.

    Returns
    -------
    ndarray of int
        Row numbers in order, first and last among them.
    """
    rows = signal.size
    if rows <= most:
        return np.arange(rows)
    stretch = int(np.ceil(2 * rows / most))
    whole = rows // stretch * stretch
    blocks = signal[:whole].reshape(-1, stretch)
    starts = np.arange(0, whole, stretch)
    picked = [starts + blocks.argmin(axis=1), starts + blocks.argmax(axis=1)]
    return np.unique(np.concatenate([*picked, np.arange(whole, rows), [0, rows - 1]]))


def spread(wanted: Sequence[float], gap: float) -> list[float]:
    """Return positions in the order of `wanted`, at least `gap` apart and near what was wanted.

    Labels that crowd are pushed apart evenly about their common middle.
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[list[float]] = []  # [sum of wanted, count]
    for index in order:
        groups.append([wanted[index], 1.0])
        while len(groups) > 1 and _overlap(groups[-2], groups[-1], gap):
            total, count = groups.pop()
            groups[-1] = [groups[-1][0] + total, groups[-1][1] + count]
    places: list[float] = []
    for total, count in groups:
        first = total / count - 0.5 * gap * (count - 1.0)
        places += [first + gap * k for k in range(int(count))]
    found = [0.0] * len(wanted)
    for place, index in zip(places, order, strict=True):
        found[index] = place
    return found


def _overlap(below: list[float], above: list[float], gap: float) -> bool:
    top = below[0] / below[1] + 0.5 * gap * (below[1] - 1.0)
    bottom = above[0] / above[1] - 0.5 * gap * (above[1] - 1.0)
    return bottom - top < gap


def running(signal: np.ndarray, window: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (least, mean, most) of `signal`, shape (rows,), over `window` rows about each row.

    The mean is taken twice over, so that a window of two and a half cycles leaves no ripple.
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

    return (
        minimum_filter1d(signal, window, mode="nearest"),
        uniform_filter1d(uniform_filter1d(signal, window, mode="nearest"), window, mode="nearest"),
        maximum_filter1d(signal, window, mode="nearest"),
    )


def band_rows(record: Record, many: int = MANY_CYCLES) -> int | None:
    """Return the rows to take together where over `many` cycles cannot be seen singly, or None."""
    cycles = switch_ons(record["duty"])
    if cycles <= many:
        return None
    rows = len(record.table)
    return max(2 * rows // cycles, rows // 150, 1)


def _draw_lines(
    axis: Axes, hours: np.ndarray, record: Record, lines: Sequence[Line], window: int | None
) -> None:
    for line in lines:
        signal = record[line.column] * line.scale
        shown = signal
        if window is not None:
            least, shown, most = running(signal, window)
            step = max(window // 4, 1)
            axis.fill_between(hours[::step], least[::step], most[::step], color=line.colour,
                              alpha=0.2, linewidth=0.0)  # fmt: skip
        rows = envelope_rows(shown)
        axis.plot(hours[rows], shown[rows], line.style, color=line.colour, linewidth=1.2)


def _label_lines(
    axis: Axes, record: Record, lines: Sequence[Line], extra: Sequence[tuple[str, float, str]] = ()
) -> None:
    """Write each line's name at its right end, spread so that none covers another."""
    tail = max(1, len(record.table) // 40)
    ends = [(x.name, float(np.mean(record[x.column][-tail:]) * x.scale), x.colour) for x in lines]
    ends += list(extra)
    low, high = axis.get_ylim()
    gap = LABEL_GAP * ROW_HEIGHTS[0] / _height_of(axis)
    at = spread([(value - low) / (high - low) for _, value, _ in ends], gap)
    for (name, _, colour), place in zip(ends, at, strict=True):
        axis.text(1.01, place, name, transform=axis.transAxes, color=colour, va="center",
                  fontsize=FONT_PT)  # fmt: skip


def _height_of(axis: Axes) -> float:
    """Return the panel's height in the units of `ROW_HEIGHTS`."""
    spec = axis.get_subplotspec()
    return float(ROW_HEIGHTS[spec.rowspan.start]) if spec is not None else ROW_HEIGHTS[0]


def stretches(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return (first row, row after the last) of each run of True in `flags`, shape (rows,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _shade(axes: Sequence[Axes], hours: np.ndarray, flags: np.ndarray, colour: str) -> None:
    for first, after in stretches(flags):
        left, right = hours[first], hours[min(after, hours.size - 1)]
        for axis in axes:
            axis.axvspan(left, right, color=colour, alpha=0.25, linewidth=0.0)


def _cold_panel(
    axis: Axes, hours: np.ndarray, record: Record, config: Config, window: int | None
) -> None:
    use = config.use
    low, high = use.target_c - use.target_tolerance_k, use.target_c + use.target_tolerance_k
    axis.axhspan(low, high, color=ORANGE, alpha=0.22, linewidth=0.0)
    _draw_lines(axis, hours, record, COLD_LINES, window)
    axis.set_ylabel("inside, °C")
    _label_lines(axis, record, COLD_LINES, [("wanted", use.target_c, DARK_ORANGE)])


def _hot_panel(
    axis: Axes, hours: np.ndarray, record: Record, config: Config, window: int | None
) -> None:
    _draw_lines(axis, hours, record, HOT_LINES, window)
    axis.set_ylabel("outside, °C")
    _label_lines(axis, record, HOT_LINES)


def door_hours(config: Config, start_s: float, end_s: float) -> list[float]:
    """Return when the door opens between two times from midnight [s], in hours from the first.

    From the config: an opening is shorter than the rows of a record may be apart.
    """
    use = config.use
    found = []
    for day in range(int(start_s // DAY_S), int(end_s // DAY_S) + 1):
        for hour in np.linspace(use.door_first_hour, use.door_last_hour, use.door_openings_per_day):
            at_s = day * DAY_S + hour * 3600.0
            if start_s <= at_s < end_s:
                found.append((at_s - start_s) / 3600.0)
    return found


def _duty_panel(
    axis: Axes, hours: np.ndarray, record: Record, config: Config, window: int | None
) -> None:
    if window is None:
        duty = 100.0 * record["duty"]
        axis.fill_between(hours, duty, step="pre", color=GREY, alpha=0.4, linewidth=0.0)
    _draw_lines(axis, hours, record, DUTY_LINES, window)
    axis.set_ylim(0.0, 120.0)
    axis.set_yticks([0.0, 50.0, 100.0])
    axis.set_ylabel("duty, %")
    start_s = float(record["time_s"][0]) - record.row_s
    doors = door_hours(config, start_s, float(record["time_s"][-1]))
    if 0 < len(doors) <= MOST_DOORS:
        axis.plot(doors, [112.0] * len(doors), "v", color=GREEN, markersize=3.5, clip_on=False)
        axis.text(1.01, 0.93, "door", transform=axis.transAxes, color=GREEN, va="center",
                  fontsize=FONT_PT)  # fmt: skip
    mean = float(np.mean(record["duty"][-max(1, len(hours) // 40) :])) / 1.2
    word = "duty" if window is None else "duty, mean"
    axis.text(1.01, min(mean, 0.75), word, transform=axis.transAxes, color=BLACK, va="center",
              fontsize=FONT_PT)  # fmt: skip


def _ice_panel(
    axis: Axes, hours: np.ndarray, record: Record, config: Config, window: int | None
) -> None:
    _draw_lines(axis, hours, record, ICE_LINES, window)
    most = max(float(np.max(record[line.column])) for line in ICE_LINES)
    axis.set_ylim(0.0, max(1.1 * most, 1.0))
    axis.set_ylabel("cold sink, g")
    _label_lines(axis, record, ICE_LINES)


def _humidity_panel(
    axis: Axes, hours: np.ndarray, record: Record, config: Config, window: int | None
) -> None:
    limit = config.use.humidity_limit_pct
    _draw_lines(axis, hours, record, HUMIDITY_LINES, window)
    axis.set_ylim(0.0, 105.0)
    axis.set_yticks([0.0, 50.0, 100.0])
    axis.set_ylabel("humidity, %")
    if limit is not None:
        axis.axhline(limit, color=GREY, linestyle=":", linewidth=1.1)
    _label_lines(axis, record, HUMIDITY_LINES, [] if limit is None else [("limit", limit, GREY)])


PANELS = (_cold_panel, _hot_panel, _duty_panel, _ice_panel, _humidity_panel)


def draw_column(
    axes: Sequence[Axes], record: Record, config: Config, title: str, many: int = MANY_CYCLES
) -> None:
    """Draw one run into five panels, one over the other; over `many` cycles as a band."""
    window = band_rows(record, many)
    hours = (record["time_s"] - record["time_s"][0]) / 3600.0
    state = record["state"]
    _shade(axes, hours, (state == MELTING) | (state == DRIPPING), SKY)
    _shade(axes, hours, state >= LOW_BATTERY, VERMILION)
    for axis in axes:
        tidy(axis)
        axis.yaxis.label.set_fontsize(FONT_PT)
        axis.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 5, 10]))
    axes[0].set_xlim(0.0, max(float(hours[-1]), 1e-6))
    for draw, axis in zip(PANELS, axes, strict=True):
        draw(axis, hours, record, config, window)
    axes[0].set_title(title, fontsize=FONT_PT + 1.0, loc="left")
    axes[-1].set_xlabel(_time_label(record, window), fontsize=FONT_PT)
    axes[-1].set_xticks(_hour_ticks(float(hours[-1])))


def _time_label(record: Record, window: int | None) -> str:
    text = "hours"
    state = record["state"]
    if np.any((state == MELTING) | (state == DRIPPING)):
        text += "; blue band: defrost"
    if window is not None:
        text += "; pale: range of the cycles"
    if np.any(state >= LOW_BATTERY):
        text += "; red band: off (fault, trip or no power)"
    return text


def _hour_ticks(end_h: float) -> np.ndarray:
    """Return ticks at steps that divide a day."""
    steps = (0.25, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 168.0, 336.0, 720.0)
    step = next((s for s in steps if end_h / s <= 9.0), steps[-1])
    return np.arange(0.0, end_h + 0.5 * step, step)


def _figure(columns: int, title: str) -> tuple[Figure, Any]:
    figure = Figure(figsize=(7.2 * columns, 9.2))
    FigureCanvasAgg(figure)
    axes = figure.subplots(
        len(PANELS), columns, sharex="col", squeeze=False,
        gridspec_kw={"height_ratios": ROW_HEIGHTS, "hspace": 0.18, "wspace": 0.36},
    )  # fmt: skip
    right = 1.0 - 0.95 / (7.2 * columns)
    figure.subplots_adjust(left=0.85 / (7.2 * columns), right=right, top=0.925, bottom=0.06)
    figure.suptitle(title, fontsize=FONT_PT + 3.0, x=0.85 / (7.2 * columns), ha="left", y=0.975)
    for row in range(len(PANELS)):
        for axis in axes[row]:
            axis.get_yaxis().set_label_coords(-0.08, 0.5)
    return figure, axes


def plot_run(record: Record, config: Config, path: Path | None = None, title: str = "") -> Figure:
    """Draw one run: temperatures, duty, ice and humidity over the hours.

    Parameters
    ----------
    record : Record
    config : Config
        For the wanted temperature and the limits drawn.
    path : Path, optional
        Where to save: .png, .svg or .pdf; not saved when left out.
    title : str
        Over the panels; says how long and how when left out.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    figure, axes = _figure(1, f"{config.cabinet.name}: what happens inside")
    days = record.duration_s / DAY_S
    unit = "day" if days == 1.0 else "days"
    draw_column(axes[:, 0], record, config, title or f"{days:.3g} {unit} from a warm start")
    if path is not None:
        save(figure, path)
    return figure


def usual_records(found: Recommendation) -> tuple[Record, Record]:
    """Return (pull-down, settled days) of the recommended settings in the usual room.

    The same runs that were judged: same seed, same numbers.
    """
    config, item = found.config, found.chosen.candidate
    room = config.climate
    run = run_case(config, item.plant, item.settings, room.usual_c, room.relative_humidity_pct,
                   seed=found.seed, run=0)  # fmt: skip
    pulled = pull_down(run.plant, config, firmware_of(config, item.settings), seed=found.seed)
    return pulled, run.settled.record


def plot_recommendation(found: Recommendation, path: Path | None = None) -> Figure:
    """Draw the recommended settings in the usual room: pull-down, then a settled day.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    config = found.config
    pulled, settled = usual_records(found)
    figure, axes = _figure(2, f"{config.cabinet.name}: with the recommended settings")
    room = f"room {config.climate.usual_c:g} °C"
    draw_column(axes[:, 0], pulled, config, f"From switching on, {room}")
    energy = found.chosen.findings.energy_kwh_per_day
    boundary = energy_boundary(config)
    draw_column(axes[:, 1], settled.last(DAY_S), config,
                 f"A settled day, {room}; {energy:.2f} kWh at the {boundary}")  # fmt: skip
    if path is not None:
        save(figure, path)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a figure whole or not at all, in the format of the path's suffix."""
    with replace_file(path, binary=True) as stream:
        figure.savefig(stream, format=path.suffix.lower().lstrip("."), dpi=130)

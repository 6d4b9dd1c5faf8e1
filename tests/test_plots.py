"""Pictures: what is drawn, that nothing overlaps, and files whole or not at all."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from larder import recommended_larder
from matplotlib.figure import Figure

from ctrl import plots
from ctrl.build import plant_of
from ctrl.config import load_config, override
from ctrl.files import CannotWrite
from ctrl.recommend import Recommendation
from ctrl.simulation import Simulation, simulate
from plant import cabinet
from plant.climate import door_is_open


def simulated(name: str, days: float, **changed: object) -> Simulation:
    config = load_config(name)
    return simulate(override(config, **changed) if changed else config, days=days, seed=1)


@pytest.fixture(scope="module")
def larder() -> Recommendation:
    return recommended_larder()


@pytest.fixture(scope="module")
def steady() -> Simulation:
    """One day with doors, a load and PI."""
    return simulated("galley_larder", 1.0)


@pytest.fixture(scope="module")
def cycling() -> Simulation:
    """Two days of a thermostat: more cycles than can be seen singly."""
    return simulated("galley_larder", 2.0, controller="on_off")


# Helpers -------------------------------------------------------------------------------


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6))
def test_spread_keeps_order_gap_and_middle(wanted):
    gap = 0.07
    found = plots.spread(wanted, gap)
    assert np.mean(found) == pytest.approx(np.mean(wanted), abs=1e-9)
    order = np.argsort(wanted, kind="stable")
    assert all(b - a >= gap - 1e-9 for a, b in pairwise(np.array(found)[order]))


def test_spread_leaves_what_has_room():
    assert plots.spread([0.9, 0.1], 0.1) == [0.9, 0.1]


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=400))
def test_thinned_lines_keep_their_extremes(values):
    signal = np.array(values)
    rows = plots.envelope_rows(signal, most=40)
    assert signal[rows].min() == signal.min() and signal[rows].max() == signal.max()
    assert rows[0] == 0 and rows[-1] == signal.size - 1
    assert np.all(np.diff(rows) > 0)
    assert rows.size <= 40 + 22


@pytest.mark.parametrize(
    ("flags", "expected"),
    [([], []), ([0, 0], []), ([1], [(0, 1)]), ([0, 1, 1, 0, 1], [(1, 3), (4, 5)])],
)
def test_stretches(flags, expected):
    assert plots.stretches(np.array(flags, dtype=bool)) == expected


def test_door_marks_stand_where_the_plant_opens_it(steady):
    climate = cabinet.to_record(plant_of(steady.config)).climate
    open_now = [door_is_open.py_func(climate, float(s)) for s in range(86400)]
    starts = [s for s in range(1, 86400) if open_now[s] and not open_now[s - 1]]
    marks = plots.door_hours(steady.config, 0.0, 86400.0)
    assert len(marks) == steady.config.use.door_openings_per_day > 0
    assert [h * 3600.0 for h in marks] == pytest.approx(starts, abs=1.0)


# Figures -------------------------------------------------------------------------------


def texts_of(figure: Figure) -> list:
    """Return every text of a figure that shows, tick labels included."""
    found = list(figure.texts)
    for axis in figure.axes:
        found += [*axis.texts, axis.title, axis._left_title, axis.xaxis.label, axis.yaxis.label]
        for side in (axis.yaxis, axis.xaxis):
            low, high = side.get_view_interval()
            labelled = side is axis.yaxis or side.get_tick_params()["labelbottom"]
            if labelled:  # ticks outside the view exist, but are not drawn
                ticks = zip(side.get_ticklocs(), side.get_ticklabels(), strict=True)
                found += [label for place, label in ticks if low <= place <= high]
    return [text for text in found if text.get_text() and text.get_visible()]


def test_panels_have_units_and_legible_texts(steady, cycling):
    for run in (steady, cycling):
        figure = plots.plot_run(run.record, run.config)
        figure.canvas.draw()
        assert len(figure.axes) == 5
        for axis in figure.axes:
            assert axis.get_ylabel().rpartition(", ")[2] in ("°C", "%", "g")
        assert "hours" in figure.axes[-1].get_xlabel()
        assert min(text.get_fontsize() for text in texts_of(figure)) >= 9.0


def test_no_two_texts_overlap_and_none_is_cut_off(steady, cycling, larder):
    figures = [plots.plot_run(run.record, run.config) for run in (steady, cycling)]
    for figure in [*figures, plots.plot_recommendation(larder)]:
        figure.canvas.draw()
        renderer = figure.canvas.get_renderer()
        page = figure.bbox
        boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in texts_of(figure)]
        for name, box in boxes:
            assert page.x0 <= box.x0 and box.x1 <= page.x1, name
            assert page.y0 <= box.y0 and box.y1 <= page.y1, name
        for (a, one), (b, other) in combinations(boxes, 2):
            width = min(one.x1, other.x1) - max(one.x0, other.x0)
            height = min(one.y1, other.y1) - max(one.y0, other.y0)
            # A line's height holds room above and below its letters.
            assert width <= 1.0 or height <= 0.3 * min(one.height, other.height), (a, b)


def test_lines_are_the_signals(steady):
    figure = plots.plot_run(steady.record, steady.config)
    drawn = figure.axes[0].lines[0]
    hours, air = drawn.get_xdata(), drawn.get_ydata()
    rows = np.round(np.asarray(hours) * 3600.0 / steady.record.row_s).astype(int)
    assert air == pytest.approx(steady.record["air_c"][rows])
    assert {line.get_linestyle() for line in figure.axes[0].lines} == {"-", "--", "-."}


def test_many_cycles_become_a_band_that_holds_them(cycling):
    window = plots.band_rows(cycling.record)
    assert window is not None
    air = cycling.record["air_c"]
    least, mean, most = plots.running(air, window)
    assert np.all(least <= air) and np.all(air <= most)
    assert np.all(least <= mean + 1e-9) and np.all(mean <= most + 1e-9)


def test_few_cycles_are_drawn_singly(steady):
    assert plots.band_rows(steady.record) is None


# Files ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "begins"), [("a.png", b"\x89PNG"), ("a.svg", b"<?xml"), ("a.PDF", b"%PDF")]
)
def test_formats(tmp_path, steady, name, begins):
    plots.plot_run(steady.record, steady.config, path=tmp_path / name)
    assert (tmp_path / name).read_bytes().startswith(begins)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_file_that_cannot_be_written_leaves_nothing(tmp_path, steady):
    with pytest.raises(CannotWrite):
        plots.plot_run(steady.record, steady.config, path=tmp_path / "missing" / "a.png")
    assert list(tmp_path.iterdir()) == []


def test_picture_of_a_recommendation_shows_the_run_that_was_judged(larder, tmp_path):
    pulled, settled = plots.usual_records(larder)
    usual = larder.cases[0].findings
    assert np.mean(settled.last(86400.0)["contents_c"]) == pytest.approx(
        usual.contents_c.mean, abs=1e-9
    )
    figure = plots.plot_recommendation(larder, tmp_path / "a.png")
    assert len(figure.axes) == 10
    assert pulled["contents_c"][0] > larder.config.use.target_c + 5.0

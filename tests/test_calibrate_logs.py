"""Logs as makers have them: days with gaps and resets, and a sink that frosts and is melted.

Made by the other plant (`tests/other_plant.py`), its frost by `tests/other_frost.py`.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import plant_of
from ctrl.calibrate import NINETY, Problem, calibrate
from ctrl.calibrate_model import predicted, set_up
from ctrl.calibrate_replay import DOOR
from ctrl.calibrate_rows import frosting, unseen_switches
from ctrl.config import ConfigError, load_config, parse_config
from ctrl.log_file import read_log
from ctrl.plots_calibrate import plot_calibration
from ctrl.shipped import find_config, find_log
from plant.constants import ZERO_C_K
from tests import other_frost, other_plant
from tests.synthetic_logs import drawn_truth

NAMES = (
    "time_s", "air_c", "cold_sink_c", "hot_sink_c", "ambient_c", "ambient_rh_pct", "supply_v",
    "module_a", "duty", "hot_fan", "cold_fan",
)  # fmt: skip
BOTTLES = """kind = "bottles"
container = "PET bottle 0.5 l"   # size from memory
count = 12                   # invented
liquid = "soft drink"        # 10.5 % sugar
"""
GOODS = """kind = "goods"
mass_kg = 3
specific_heat_j_per_kg_k = 1500
surface_m2 = 0.2
water_share = 0.0
"""
WET_G_PER_H = 6.0  # from goods that the config takes for dry
HUMID_PROFILE = (
    (10, 0.0, 1, 1), (40, 0.6, 1, 1), (280, 1.0, 1, 1), (45, 0.0, 1, 1), (90, 0.5, 1, 1),
    (40, 0.2, 1, 1), (60, 0.6, 1, 1),
)  # fmt: skip


def lumps_of(found):
    return {item.name: item for item in found.lumps}


# Frost ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the larder, its bottles taken out for dry goods that warm quickly."""
    path = tmp_path_factory.mktemp("logs")
    text = find_config("galley_larder").read_text(encoding="utf-8")
    assert text.count(BOTTLES) == 1
    (path / "larder.toml").write_text(text.replace(BOTTLES, GOODS), encoding="utf-8")
    return path


def humid(folder, wet_g_per_h, seed=7):
    """Return (truth, columns) of a larder in a damp room."""
    config = load_config(str(folder / "larder.toml"))
    plant, stream = plant_of(config), np.random.default_rng(seed)
    truth = drawn_truth(config, stream)
    moisture = other_frost.Moisture(
        volume_m3=plant.envelope.volume_m3, room_share=0.65,
        leak_per_s=plant.envelope.leak_per_s, source_kg_per_s=wet_g_per_h * 1e-3 / 3600.0,
        flow_m3_per_s=15.0 / 3600.0, still_share=0.08, contact=0.6,
        area_m2=plant.cold_sink.fin_area_m2, gap_m=plant.cold_sink.fin_gap_m,
    )  # fmt: skip
    columns = other_plant.run(
        truth, HUMID_PROFILE, 30.0, stream, 22.0, start_k=280.15, moisture=moisture,
        follow_s=3600.0, rtol=1e-4,
    )  # fmt: skip
    return truth, columns


@pytest.fixture(scope="module")
def frosted(folder):
    """(truth, columns, calibration) of wet goods that frost the sink; melted once."""
    truth, columns = humid(folder, WET_G_PER_H)
    path = folder / "frosted.csv"
    other_plant.write(path, columns, NAMES)
    config = load_config(str(folder / "larder.toml"))
    return truth, columns, calibrate(config, read_log(path), starts=1)


def test_frost_is_not_taken_for_a_poor_sink(frosted, note):
    truth, columns, found = frosted
    most_g = 1000.0 * columns["ice_kg"].max()
    assert most_g > 10.0  # the log has what this is about
    assert columns["ice_kg"][-1] < 1e-3
    lump = lumps_of(found)["cold_resistance_k_per_w"]
    true = truth.lumps[lump.name]
    note(f"{most_g:.0f} g of frost; {found.frost}; cold {lump.value:.3f} {lump.interval}, "
         f"true {true:.3f}")  # fmt: skip
    assert found.distrust == ()
    assert found.frost.is_seen
    assert found.frost.melts == 1
    assert found.frost.most_times > 1.1
    assert lump.value == pytest.approx(true, rel=0.1)
    ua = lumps_of(found)["ua_w_per_k"]
    assert ua.value == pytest.approx(truth.lumps["ua_w_per_k"], rel=0.1)
    # The wet goods' drying takes 4 W that the config knows nothing of: not 0.3 K (0.24 K on a log
    # made without that draw), but far nearer than the config by itself.
    assert found.tail_rms["air_c"] < 0.5 * found.before_rms["air_c"]
    assert any(text.startswith("frost: the cold sink read below 0") for text in found.doubts)


def test_a_closed_sink_is_not_to_be_trusted(frosted):
    _, _, found = frosted
    closed = replace(found.frost, per_h=1.2 / found.frost.hours, error=0.01)
    assert any("melt it" in text for text in replace(found, frost=closed).distrust)
    unseen = replace(found.frost, per_h=0.001, error=0.01)
    assert replace(found, frost=unseen).distrust == ()
    assert any("no growth" in text for text in replace(found, frost=unseen).doubts)


def test_hours_of_frost_are_counted_and_melting_is_left_out(frosted):
    _, columns, found = frosted
    log, frost = found.log, found.setup.frost
    below = columns["cold_sink_c"] < 0.5
    assert frost.hours.max() == pytest.approx(below.sum() * 30.0 / 3600.0, rel=0.05)
    assert frost.hours[-1] == 0.0
    assert np.all(columns["cold_sink_c"][frost.melting] <= 2.0)
    # What melts is about the time of the most ice's end.
    least = int(np.flatnonzero(frost.melting)[0])
    assert columns["ice_kg"][least] == pytest.approx(columns["ice_kg"].max(), rel=0.1)
    assert np.unique(log.segment).size == 2
    # In dry air nothing frosts.
    dry = frosting(log, np.full(log.time_s.size, 1e-4), 101325.0)
    assert not dry.matters
    assert dry.melts == 0


# Days -----------------------------------------------------------------------------------------


LEVELS = (0.45, 0.6, 0.35, 0.5, 0.0, 0.7, 0.3, 0.55, 0.4, 0.65)


def spoilt(columns, stream):
    """Return a log's columns with uneven steps, gaps, outliers, and a clock that begins again."""
    time_s = columns["time_s"]
    keep = stream.random(time_s.size) < 0.7
    keep[:3] = True
    for begin, end in ((30e3, 33e3), (100e3, 111e3), (200e3, 201e3)):
        keep &= (time_s < begin) | (time_s > end)
    found = {name: values[keep].copy() for name, values in columns.items()}
    for name in ("air_c", "cold_sink_c", "hot_sink_c", "ambient_c"):
        bad = stream.random(found[name].size) < 0.01
        found[name][bad] = stream.choice([-127.0, 85.0, 55.0], bad.sum())
    found["time_s"][found["time_s"] > 150e3] -= 150e3
    return found


def three_days(folder):
    """Return (truth, path) of three spoilt days of the galley larder, a row in five minutes."""
    config, stream = load_config("galley_larder"), np.random.default_rng(11)
    truth = drawn_truth(config, stream)
    profile = [(10, 0.0, 1, 1), (350, 0.9, 1, 1)]
    profile += [(120 if LEVELS[k % 10] else 60, LEVELS[k % 10], 1, 1) for k in range(35)]
    columns = other_plant.run(truth, profile, 240.0, stream, 22.0, follow_s=3600.0, rtol=1e-4)
    path = folder / "days.csv"
    other_plant.write(path, spoilt(columns, stream), NAMES)
    return truth, path


@pytest.mark.coverage
def test_three_spoilt_days_are_fitted(tmp_path, note):
    truth, path = three_days(tmp_path)
    found = calibrate(load_config("galley_larder"), read_log(path), starts=1)
    log = found.log
    note(f"{log.counts}, {log.span_s / 86400.0:.2f} d, {found.tail_rms}")
    assert log.span_s > 2.5 * 86400.0
    assert log.counts["clock_resets"] == 1
    assert log.counts["gaps"] >= 2
    assert log.counts["new_starts"] >= 1
    assert log.counts["outliers"] > 10
    assert found.distrust == ()
    for name, true in truth.lumps.items():
        lump = lumps_of(found)[name]
        low, high = lump.interval
        note(f"{name}: {lump.value:.4g} [{low:.4g}, {high:.4g}], true {true:.4g}")
        assert abs(lump.value / true - 1.0) < 0.1 or low <= true <= high
    assert found.tail_rms["air_c"] <= 0.3
    # A quarter of an hour of each change is lost, as it is not known when duty changed.
    assert any("not known when" in text for text in found.setup.notes)
    assert found.widened == ()


@pytest.mark.parametrize(("duty", "told"), [(0.15, True), (1.0, False), (0.0, False)])
def test_a_relays_duty_that_is_a_mean_is_told(duty, told):
    log = read_log(find_log("galley_larder_log.csv"))
    on = np.where(np.arange(log.time_s.size) % 60 < 30, 1.0, 0.0)
    on[100] = duty
    found = set_up(load_config("seed_store"), replace(log, columns=log.columns | {"duty": on}))
    assert any("though a relay is on or off" in text for text in found.notes) is told


@pytest.mark.parametrize(("fall_k", "told"), [(8.0, True), (2.0, False)])
def test_a_log_that_begins_in_full_swing_says_so_and_knows_its_walls_less(fall_k, told):
    log = read_log(find_log("galley_larder_log.csv"))
    columns = dict(log.columns)
    columns["air_c"] = columns["air_c"] + fall_k * (np.exp(-log.time_s / 120.0) - 1.0)
    found = set_up(load_config("galley_larder"), replace(log, columns=columns))
    assert any("K a minute as the log begins" in text for text in found.notes) is told
    (inner,) = (item for item in found.unknowns if item.what == "inner")
    first_c = found.first[0, 0] - ZERO_C_K
    apart = abs(log.columns["ambient_c"][0] - first_c)
    assert inner.spread == pytest.approx(0.3 + (0.6 if told else 0.25) * apart, rel=0.05)


# A thermostat's relay -----------------------------------------------------------------------


def by_relay(hours, step_s, seed):
    """Return (truth, columns) of a larder on its relay, which no row of the log shows switching."""
    config, stream = load_config("galley_larder"), np.random.default_rng(seed)
    truth = drawn_truth(config, stream)
    profile = [(90.3, 1.0, 1, 1)]
    while sum(piece[0] for piece in profile) < 60.0 * hours:
        profile += [(stream.uniform(4.0, 11.0), 0.0, 1, 1), (stream.uniform(6.0, 12.0), 1.0, 1, 1)]
    return truth, other_plant.run(truth, profile, step_s, stream, 22.0, follow_s=3600.0, rtol=1e-4)


def hot_stated(times):
    """Return the larder with its hot sink's K/W so many times what its file says."""
    text = find_config("galley_larder").read_text(encoding="utf-8")
    assert text.count("\nfan_k_per_w = 0.16 ") == 1
    return parse_config(
        text.replace("\nfan_k_per_w = 0.16 ", f"\nfan_k_per_w = {0.16 * times:.3f} "), "stated.toml"
    )


def check_relay(truth, found, note):
    held = found.setup.unknowns[0]
    share = held.middle + held.spread * found.x[len(found.setup.parts)]
    note(f"switched after {share:.2f} of the way; {found.tail_rms}; {found.widened}")
    assert held.what == "held"
    # Truly anywhere between two rows; but a sink of two nodes is quicker than the model's one, and
    # an earlier switching takes that up.
    assert 0.0 < share < 0.7
    assert any("when is fitted" in text for text in found.setup.notes)
    assert found.distrust == ()
    for name, true in truth.lumps.items():
        lump = lumps_of(found)[name]
        low, high = lump.interval
        note(f"{name}: config {lump.before:.4g}, {lump.value:.4g} [{low:.4g}, {high:.4g}], "
             f"true {true:.4g}")  # fmt: skip
        assert abs(lump.value / true - 1.0) < 0.1 or low <= true <= high
    assert found.tail_rms["air_c"] <= 0.3
    # A row that is late would look like a lighter sink: 0.7 and 0.8 of them, as it did.
    factors = found.setup.values(found.x)
    plant = plant_of(found.config)
    for name, own, true in (
        ("hot_capacity", plant.hot_sink.heat_capacity_j_per_k, truth.hot_capacity),
        ("cold_capacity", plant.cold_sink.heat_capacity_j_per_k, truth.cold_capacity),
    ):
        note(f"{name}: {factors[name]:.2f}, true {true / own:.2f}")
        error = next(item.error for item in found.estimates if item.name == name)
        assert abs(factors[name] - true / own) < NINETY * error


def test_a_day_of_a_relay(tmp_path, note):
    truth, columns = by_relay(20.0, 60.0, 5)
    other_plant.write(tmp_path / "day.csv", columns, NAMES)
    found = calibrate(load_config("galley_larder"), read_log(tmp_path / "day.csv"), starts=1)
    check_relay(truth, found, note)
    assert found.widened == ()
    # Its rows would be one black band: means are drawn, which lie on the log's.
    upper, middle, _ = plot_calibration(found).axes
    assert "means over 6.0 min" in upper.get_title(loc="left")
    air = found.log.columns["air_c"]
    seen = upper.lines[0].get_ydata()
    assert 150 <= seen.size <= 200
    assert np.mean(seen) == pytest.approx(np.nanmean(air), abs=0.1)
    assert np.abs(middle.lines[0].get_ydata()).max() < 0.5


@pytest.mark.coverage
@pytest.mark.parametrize("seed", [6, 7])
def test_two_days_of_a_relay_and_a_hot_sink_stated_wrong(tmp_path, note, seed):
    truth, columns = by_relay(48.0, 60.0, seed)
    other_plant.write(tmp_path / "days.csv", columns, NAMES)
    config = hot_stated(1.5)
    found = calibrate(config, read_log(tmp_path / "days.csv"))
    check_relay(truth, found, note)
    assert "hot_sink" in found.widened
    hot = lumps_of(found)["hot_resistance_k_per_w"]
    assert abs(hot.before / truth.lumps[hot.name] - 1.0) > 0.2  # the config by itself fails


def test_spoilt_days_are_made_ready(tmp_path, note):
    truth, path = three_days(tmp_path)
    log = read_log(path)
    found = set_up(load_config("galley_larder"), log)
    note(f"{log.counts}, {log.span_s / 86400.0:.2f} d; {found.left_out.sum()} rows not compared")
    assert log.span_s > 2.5 * 86400.0
    assert log.counts["clock_resets"] == 1
    assert log.counts["new_starts"] >= 1
    assert log.counts["outliers"] > 10
    assert any("not known when" in text for text in found.notes)
    assert 0.0 < found.left_out.mean() < 0.3
    # The worst of the sink's misfit is the switching that nobody saw: it is not compared.  Under
    # the config as it is the rest fits no worse than the config is off.
    model = predicted(found, np.zeros(found.size))
    channel = [item.name for item in found.channels].index("hot_sink_c")
    off = np.abs(found.log.columns["hot_sink_c"] - model[:, channel])
    assert np.nanmax(off[found.left_out]) > 5.0
    rest = np.where(found.left_out, np.nan, off)
    far = np.flatnonzero(rest > 3.0)
    note(f"still over 3 K: {[(found.log.segment[k], found.log.time_s[k], rest[k]) for k in far]}")
    assert np.nanpercentile(rest, 95.0) < 3.0
    assert truth.lumps["ua_w_per_k"] > 0.0


def test_only_switching_between_far_rows_is_left_out():
    log = read_log(find_log("galley_larder_log.csv"))
    log = replace(log, time_s=np.arange(12) * 60.0, segment=np.zeros(12, dtype=np.int64))
    duty = np.array([0.5] * 2 + [1.0] * 10)
    # From the row after it, for five steps.
    assert list(np.flatnonzero(unseen_switches(log, [duty]))) == [2, 3, 4, 5, 6]
    near = replace(log, time_s=np.arange(12) * 20.0)
    assert not unseen_switches(near, [duty]).any()
    small = np.array([0.5] * 2 + [0.55] * 10)
    assert not unseen_switches(log, [small]).any()
    # A relay that switches in every other row: leaving out would leave nothing.
    assert not unseen_switches(log, [np.array([0.0, 0.0, 1.0, 1.0] * 3)]).any()


# Holes in what drives it ------------------------------------------------------------------------


def with_holes(name, rows):
    """Return the shipped log's setup with a column empty in some rows."""
    log = read_log(find_log("galley_larder_log.csv"))
    columns = {key: values.copy() for key, values in log.columns.items()}
    columns[name][rows] = np.nan
    return set_up(load_config("galley_larder"), replace(log, columns=columns))


def test_a_duty_that_is_not_known_for_long_is_not_made_up():
    rows = slice(100, 300)  # of 20 s
    found = with_holes("duty", rows)
    assert found.left_out[rows].all() and not found.left_out[:100].any()
    assert not found.left_out[300:].any()
    assert np.flatnonzero(np.diff(found.log.segment)).tolist() == [299]
    assert found.first.shape[0] == 2
    assert any("duty: without a value for up to 67 min; not compared" in n for n in found.notes)
    # Short holes are told where longer than a gap, and the former duty goes on.
    found = with_holes("duty", slice(100, 120))
    assert not found.left_out.any() and found.log.segment[-1] == 0
    assert any("duty: without a value for up to 7 min; taken as before it" in n
               for n in found.notes)  # fmt: skip
    assert not any("without a value" in note for note in with_holes("duty", slice(9, 11)).notes)


def test_a_room_that_is_not_known_for_long_is_told():
    found = with_holes("ambient_c", slice(0, 400))
    assert any("ambient_c: without a value for up to 133 min; taken in straight lines" in note
               for note in found.notes)  # fmt: skip
    assert not found.left_out.any()


def test_a_log_with_nothing_to_compare_says_how_little_there_is():
    # It counted the rows that were left out, of a duty given once, too.
    found = with_holes("duty", slice(1, None))
    with pytest.raises(ConfigError, match="rows that can be compared = 1: too few to fit"):
        Problem(found, np.ones(found.log.time_s.size, bool), 1)


@pytest.mark.parametrize("begins_shut", [False, True])
def test_a_door_without_a_mark_is_shut(begins_shut):
    log = read_log(find_log("galley_larder_log.csv"))
    door = np.full(log.time_s.size, np.nan)
    door[[50, 200]] = 1.0
    if begins_shut:  # said once, as the log begins: no sign that a shutting is marked
        door[0] = 0.0
    found = set_up(load_config("galley_larder"), replace(log, columns=log.columns | {"door": door}))
    assert np.flatnonzero(found.drivers[:, DOOR]).tolist() == [50, 200]
    assert "door: shut where it has no value" in found.notes


def test_a_door_marked_as_it_opens_and_shuts_is_open_in_between():
    log = read_log(find_log("galley_larder_log.csv"))
    door = np.full(log.time_s.size, np.nan)
    door[[50, 54]] = 1.0, 0.0
    found = set_up(load_config("galley_larder"), replace(log, columns=log.columns | {"door": door}))
    assert np.flatnonzero(found.drivers[:, DOOR]).tolist() == [50, 51, 52, 53]
    assert "door: as before where it has no value" in found.notes


def test_contents_that_are_read_late_do_not_begin_as_they_were_read():
    # A reading of 5 °C after 100 min was taken for the start, at 22 °C.
    log, config = read_log(find_log("galley_larder_log.csv")), load_config("galley_larder")
    late = np.where(np.arange(log.time_s.size) < 300, np.nan, 5.0)
    early = np.where(np.arange(log.time_s.size) < 3, 21.0, np.nan)
    for contents, begins_c, is_fitted in ((late, 22.4, True), (early, 21.0, False)):
        found = set_up(config, replace(log, columns=log.columns | {"contents_c": contents}))
        channel = [item.name for item in found.channels].index("contents_c")
        model = predicted(found, np.zeros(found.size))[0, channel]
        assert model == pytest.approx(begins_c, abs=0.2)
        assert any(unknown.what == "contents" for unknown in found.unknowns) is is_fitted

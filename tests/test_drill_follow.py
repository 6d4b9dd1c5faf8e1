"""Fault drills: what a run is held to, how long it is watched, at which voltage."""

import re

import numpy as np
import pytest
from drill_bench import CONFIG, SETTINGS, changed, limit_of, one_run, rows, slow_larder

from ctrl import drill_follow, screen_drill
from ctrl.config import load_config
from ctrl.drill_devices import HOT_SIDE
from ctrl.drill_follow import Outlook, may_yet_break, outlook_of, rest_of
from ctrl.drill_limits import limits_found
from ctrl.drill_list import CHECK_BYTES, DRILLS, check_s
from ctrl.drill_results import COLDEST, WARMEST, PassLine
from ctrl.drills import bench_of, plan_of, room_plant, run_drill
from ctrl.export import export_of
from ctrl.firmware import settings_of
from ctrl.record import COLUMNS, INDEX


@pytest.mark.parametrize(("tau_h", "hours"), [(6.0, 4.0), (24.0, 4.0), (60.0, 24.0)])
def test_the_rest_of_an_exponential_is_its_rest(tau_h, hours):
    """Means of spans of A exp(-t/tau): what is left after the last is that mean itself."""
    edges = np.arange(4) * hours
    decay = np.exp(-edges / tau_h)
    means = 10.0 * tau_h / hours * (decay[:-1] - decay[1:])
    rest = rest_of(means[1] - means[0], means[2] - means[1], hours)
    assert rest == pytest.approx(-means[2], rel=1e-6)


def test_what_swings_is_not_what_moves_on():
    assert rest_of(0.4, -0.3, 4.0) == -0.3
    assert rest_of(0.3, 0.4, 4.0) == np.inf and rest_of(-0.3, -0.4, 4.0) == -np.inf
    assert rest_of(0.0, 0.0, 4.0) == 0.0
    a_day = [np.full(4, value) for value in (5.0, 5.0, 5.8, 5.0, 5.0, 5.0) * 3]
    assert outlook_of(a_day, [0.0, 0.0]).settled
    assert not outlook_of(a_day[:4], [0.0, 0.0]).settled
    freezing = outlook_of(a_day, [0.1, 0.2])
    assert not freezing.settled and freezing.rest_k[3] == -np.inf


def test_only_a_rest_towards_the_limit_breaks_it():
    plant = room_plant(CONFIG, "usual")
    table = np.zeros((3, len(COLUMNS)))
    table[:, INDEX["time_s"]] = (100.0, 160.0, 220.0)
    table[:, INDEX["contents_c"]] = 2.4
    limits = limits_found(CONFIG, plant, table, 100.0, PassLine(), table[:1])
    for rest, wanted in ((-0.5, (COLDEST,)), (-0.3, ()), (0.5, ()), (-np.inf, (COLDEST,))):
        assert may_yet_break(limits, table, Outlook((0.0, 0.0, 0.0, rest), (0.0,) * 4)) == wanted


def test_a_slow_fall_is_followed_to_its_limit():
    """A limit below what 36 h show and above the rest: the run goes on, and says it is broken."""
    found = one_run(slow_larder(contents_min_c=-0.5), "switch_stuck_on", "usual")
    after_s, contents_c = rows(found, "contents_c", 0.0, 1e9)
    at_36_c = contents_c[after_s <= 36.0 * 3600.0].min()
    (moving,) = (item for item in found.moving if item.column == "contents_c")
    assert found.watched_h < 41.0 and moving.rate_k_per_h < 0.0 and moving.rest_k < -0.2
    assert "contents still falling 0.0" in screen_drill.moving_words(found.moving)
    limit_c = float(at_36_c + 0.5 * moving.rest_k)
    run = one_run(slow_larder(contents_min_c=limit_c), "switch_stuck_on", "usual")
    assert run.watched_h > 41.0 and not run.passed and COLDEST in run.lacks
    assert limit_of(run, COLDEST).exceeded_min > 36.0 * 60.0


def test_what_has_not_settled_in_time_is_not_passed(monkeypatch):
    monkeypatch.setattr(drill_follow, "FIRST_H", 12.0)
    monkeypatch.setattr(drill_follow, "MOST_H", 12.0)
    run = one_run(slow_larder(contents_min_c=2.3), "switch_stuck_on", "usual")
    assert limit_of(run, COLDEST).kept and not run.passed
    assert run.lacks == (f"{COLDEST} not settled, may yet break",)


def test_the_highest_voltage_turns_a_stuck_switchs_verdict():
    """Between what 12.6 V and 14.4 V chill down to, by a limit put there by hand."""
    highest_v = CONFIG.supply.highest_voltage_v
    warm = {"climate": {"usual_c": 24.0}}
    ends = [
        limit_of(one_run(changed(**warm), "switch_stuck_on", "usual", volts), COLDEST).value
        for volts in (None, highest_v)
    ]
    assert ends[1] < ends[0] - 0.2
    between = changed(**warm, use={"contents_min_c": round(sum(ends) / 2.0, 2)})
    assert one_run(between, "switch_stuck_on", "usual").passed
    assert not one_run(between, "switch_stuck_on", "usual", highest_v).passed


def test_a_cut_out_opens_at_its_point_however_fast_it_warms():
    """A sink that gains 8 K a minute is past 66 °C when looked at twice a minute."""
    hot = changed(hot_sink_sensor=None, protection={"hot_cut_out_c": 65.0})
    run = one_run(hot, "hot_fan_stopped", "worst", CONFIG.supply.highest_voltage_v)
    assert not run.kept_alone and run.passed
    item = next(item for item in run.devices if item.device == HOT_SIDE)
    seen_s, sink_c = rows(run, "hot_sink_c", 0.0, 900.0)
    reached_s = seen_s[np.argmax(sink_c >= 65.0)]
    assert 0.0 <= 60.0 * item.opens_min - reached_s <= 4.0


def test_no_limit_is_named_that_is_not_watched():
    """Dry goods have no coldest limit: they do not freeze."""
    dry = load_config("seed_store")
    bench = bench_of(dry, settings_of(dry))
    for drill in DRILLS.values():
        for scenario in plan_of(bench, drill).scenarios:
            assert COLDEST not in scenario.line.limits
            assert "dry goods do not freeze" in scenario.line.words
            told = "a contents limit that sound running" in scenario.line.words
            asked = scenario.line.back_within_h is not None
            assert told == (asked or WARMEST in scenario.line.limits)


def test_the_safe_state_is_that_of_the_fan_as_it_is_wired():
    for wiring, words in (
        ("own_switch", "off, hot fan on, alarm"),
        ("always", "off, hot fan on, as it is always wired, alarm"),
        ("with_module", "off, hot fan off with it (on the module's wires), alarm"),
    ):
        wired = changed(hot_sink={"fan_wiring": wiring})
        plan = plan_of(bench_of(wired, settings_of(wired)), DRILLS["sensor_open"])
        assert words in plan.scenarios[0].line.words


def test_swapped_wires_are_tried_where_they_freeze():
    """The hot sink's reading asks for full duty for ever; the hottest room hides what it does."""
    usual = changed(cold_sink_sensor=None)
    found = run_drill(bench_of(usual, settings_of(usual)), DRILLS["sensors_swapped"])
    by_room = {run.room: run for run in found.runs}
    assert set(by_room) == {"coldest", "usual", "worst"}
    assert limit_of(by_room["worst"], COLDEST).kept
    assert not limit_of(by_room["coldest"], COLDEST).kept and not found.passed


def test_the_checks_longest_time_is_two_passes_of_the_exports_bytes():
    """By hand from the export's own text: its size, and what settings_check.c reads a tick."""
    export = export_of(CONFIG, SETTINGS, version="0", recommended=False)
    size = int(re.search(r"CL_SETTINGS_BYTES (\d+)U", export.files["coldloop_features.h"])[1])
    a_tick = int(re.search(r"BYTES_PER_TICK (\d+)U", export.files["settings_check.c"])[1])
    assert a_tick == CHECK_BYTES
    assert check_s(CONFIG, SETTINGS) == np.ceil(2 * size / a_tick) * SETTINGS.period_s

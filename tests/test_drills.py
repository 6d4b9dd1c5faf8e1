"""Fault drills: physics of each fault, pass lines that can fail, devices, command and JSON.

Closed forms are from the plant's own parameters by hand; what must happen when a wire breaks
or a fan stops is plain reasoning, named beside each test.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from drill_bench import CONFIG, SETTINGS, changed, limit_of, rows, run_of

from ctrl import cli, drill_follow, drills, screen, screen_drill
from ctrl.drill_devices import CABINET, CONTACTOR, HOT_SIDE, device_specs
from ctrl.drill_follow import Outlook
from ctrl.drill_limits import limits_found
from ctrl.drill_list import DRILLS, check_s, fuse_blows, short_current_a
from ctrl.drill_results import COLDEST, FOAM, HOT_SINK, PARTS, WARMEST, PassLine, Scenario
from ctrl.drills import bench_of, drill_all, plan_of, room_plant, run_drill
from ctrl.firmware import settings_of
from ctrl.flashed import flashed
from ctrl.glossary import GLOSSARY
from ctrl.json_out_drill import of_drills
from ctrl.plot_style import GREY
from ctrl.protection import P_OUTPUT, P_REASON, R_AS_ASKED
from ctrl.protection_settings import R_STOPPED
from ctrl.record import COLUMNS, INDEX
from ctrl.side_by_side import side_by_side
from plant import cabinet, stage
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def bench():
    return bench_of(CONFIG, SETTINGS)


@pytest.fixture(scope="module")
def results(bench):
    """Return every drill of the benchmark, run once, by name."""
    drills = list(DRILLS.values())
    found = side_by_side(lambda drill: run_drill(bench, drill), drills, None)
    return {item.name: item for item in found}


# What is asked: twenty drills, each with its pass line -----------------------------------------


def test_every_drill_states_its_fault_and_pass_line(results):
    assert len(DRILLS) == 20
    for name, drill in DRILLS.items():
        found = results[name]
        assert found.name == drill.name == name
        assert found.fault == drill.fault
        assert set(drill.pass_line.limits) >= set(PARTS)
        assert found.skipped is not None or found.runs
        assert found.passed == all(run.passed or not run.judged for run in found.runs)


def test_every_run_tells_first_minutes_worst_and_firmware(results):
    for found in results.values():
        for run in found.runs:
            assert [round(item.at_min, 2) for item in run.first_minutes] == [1.0, 5.0, 15.0]
            assert run.steps and run.watched_h > 4.0
            assert run.left_model is None
            for item in run.limits:
                assert 0.0 < item.worst_min <= 60.0 * run.watched_h + 1.0


def test_threads_change_no_row(results):
    alone = drill_all(CONFIG, SETTINGS, only="sensor_open", workers=1)[0]
    beside = results["sensor_open"]
    assert len(alone.runs) == len(beside.runs) > 0
    for one, other in zip(alone.runs, beside.runs, strict=True):
        assert np.array_equal(one.table, other.table)
        assert (one.limits, one.devices, one.steps) == (other.limits, other.devices, other.steps)


# Physics of the faults -----------------------------------------------------------------------


def test_a_stopped_fan_heats_the_sink_by_what_the_fan_no_longer_takes(results, bench):
    """C dT/dt = P_in - film (T - room): before the fault both are equal, then the film falls.

    Over the first five seconds, by hand from the sink's own parameters.
    """
    run = run_of(results, "hot_fan_stopped", "worst")
    sink = bench.stands["worst"].plant.hot_sink
    before_s, before_c = rows(run, "hot_sink_c", -600.0, 0.0)
    rise_k = before_c[-1] - run.ambient_c
    wanted = (sink.fan_w_per_k - sink.no_fan_w_per_k) * rise_k / sink.heat_capacity_j_per_k
    after_s, after_c = rows(run, "hot_sink_c", 1.0, 5.0)
    slope = (after_c[-1] - before_c[-1]) / after_s[-1]
    assert slope == pytest.approx(wanted, rel=0.05)
    # Sound running is at rest: the slope before is far below.
    drift = (before_c[-1] - before_c[0]) / (before_s[-1] - before_s[0])
    assert abs(drift) < 0.02 * wanted


def test_the_sink_settles_hotter_with_fault_than_without(results):
    for name in ("hot_fan_stopped", "vents_blocked"):
        run = run_of(results, name, "worst")
        sound = rows(run, "hot_sink_c", -600.0, 0.0)[1].max()
        assert limit_of(run, HOT_SINK).value > sound + 3.0


def test_without_current_the_contents_go_to_the_room(results):
    for drill, part in (("switch_stuck_off", "usual"), ("module_open", "worst")):
        run = run_of(results, drill, part)
        assert np.max(rows(run, "current_a", 1.0, 1e9)[1]) == 0.0
        start_c = rows(run, "contents_c", -60.0, 0.0)[1][-1]
        share = (run.contents_c_end - start_c) / (run.ambient_c - start_c)
        assert share > 0.9


def test_a_stuck_switch_carries_full_current_whatever_the_firmware_says(results, bench):
    """At each moment (V - a dT)/(R + wire + switch + source), from the module's own closed form."""
    run = run_of(results, "switch_stuck_on", "coldest")
    plant = bench.stands["coldest"].plant
    record = cabinet.to_record(plant)
    row = run.table[-1]
    cold_k, hot_k = (row[INDEX[name]] + ZERO_C_K for name in ("cold_face_c", "hot_face_c"))
    seebeck, ohm = stage.at_rest(record.module, cold_k, hot_k)
    part = plant.drive
    loop = ohm + part.wire_ohm + part.switch_ohm + part.source_ohm
    by_hand = (part.supply_v - seebeck * (hot_k - cold_k)) / loop
    # `at_rest` takes properties at the mean of the faces; the current bends them by a per cent.
    assert row[INDEX["current_a"]] == pytest.approx(by_hand, rel=0.03)
    assert rows(run, "duty", 1.0, 1e9)[1].min() == 1.0
    assert "idle" in run.final_state or "melting" in run.final_state


def test_a_shorted_module_blows_the_fuse(results, bench):
    """A battery's 12.6 V over 92 milliohm and the current limit: 30 A through a 10 A fuse."""
    run = run_of(results, "module_shorted", "worst")
    plant = bench.stands["worst"].plant
    assert fuse_blows(CONFIG, plant)
    whole = plant.drive.source_ohm + plant.drive.wire_ohm + plant.drive.switch_ohm + 1e-3
    assert short_current_a(plant) == min(plant.drive.supply_v / whole, 30.0)
    assert rows(run, "current_a", 1.0, 5.0)[1].max() > 2.0 * CONFIG.supply.fuse_a * 0.5
    assert rows(run, "current_a", 6.0, 1e9)[1].max() == 0.0
    strong = replace(plant, drive=replace(plant.drive, current_limit_a=15.0))
    assert not fuse_blows(CONFIG, strong)


def test_an_open_door_brings_the_cabinet_to_the_room_and_back(results):
    run = run_of(results, "door_left_open", "worst")
    _, air_c = rows(run, "air_c", 3600.0, 8 * 3600.0)
    start_c = rows(run, "air_c", -60.0, 0.0)[1][-1]
    assert air_c.min() > 0.5 * (start_c + run.ambient_c)
    _, shut_c = rows(run, "air_c", 9 * 3600.0, 1e9)
    assert shut_c.min() < air_c.min() - 10.0


def test_the_room_at_43_is_the_room_at_43(results):
    run = run_of(results, "ambient_43_c", "43")
    assert run.ambient_c == pytest.approx(43.0)
    assert limit_of(run, HOT_SINK).value > 43.0


def test_ice_that_is_put_on_the_sink_melts_with_its_plan(results):
    run = run_of(results, "sink_iced", "worst")
    assert rows(run, "blockage_pct", 1.0, 10.0)[1].max() > 75.0
    assert rows(run, "blockage_pct", 24 * 3600.0 - 60.0, 24 * 3600.0)[1].max() < 5.0
    bare = bench_of(
        changed(defrost={"kind": "none"}), settings_of(changed(defrost={"kind": "none"}))
    )
    assert not run_drill(bare, DRILLS["sink_iced"]).passed


# What the firmware does ----------------------------------------------------------------------


@pytest.mark.parametrize("drill", ["sensor_open", "sensor_short"])
def test_a_dead_wire_ends_in_the_safe_state_within_three_seconds(drill, results):
    """Off, hot fan on, alarm: a bad code acts after three seconds (`ctrl.readings`)."""
    for part in ("control", "hot-sink"):
        run = run_of(results, drill, part)
        assert run.alarm_after_s == pytest.approx(3.0, abs=1.0)
        assert rows(run, "current_a", 5.0, 1e9)[1].max() == 0.0
        assert rows(run, "hot_fan", 5.0, 1e9)[1].min() == 1.0
    cooling = run_of(results, drill, "cold-sink")
    assert cooling.alarm_after_s is None and rows(cooling, "current_a", 5.0, 600.0)[1].min() > 0.0


def test_settings_that_fail_their_checksum_end_latched_in_the_safe_state(results):
    for run in results["settings_corrupted"].runs:
        seen_s = check_s(CONFIG, SETTINGS)
        assert run.latched and run.alarm_after_s == pytest.approx(seen_s + 1.0, abs=1.0)
        assert rows(run, "duty", 1.0, seen_s - 1.0)[1].min() == 1.0
        assert rows(run, "current_a", seen_s + 2.0, 1e9)[1].max() == 0.0
        assert rows(run, "hot_fan", seen_s + 2.0, 1e9)[1].min() == 1.0


def test_a_late_tick_changes_next_to_nothing_and_no_watchdog_freezes_the_contents(results):
    late = run_of(results, "tick_late", "late")
    assert late.passed and late.kept_alone
    assert rows(late, "duty", 1.0, 10.0)[1].std() == 0.0
    restarted = run_of(results, "tick_late", "watchdog restarts")
    assert restarted.passed
    first = [step.reason for step in restarted.steps]
    assert any("first good reading" in reason or "minimum off" in reason for reason in first) or (
        rows(restarted, "duty", 9.0, 12.0)[1].min() < rows(restarted, "duty", 1.0, 7.0)[1].min()
    )
    dead = run_of(results, "tick_late", "no watchdog")
    assert limit_of(dead, COLDEST).value < CONFIG.use.contents_min_c
    assert not dead.passed and not dead.judged and not dead.failed
    assert dead.verdict == "not judged" and "not judged" in dead.pass_line.words
    assert results["tick_late"].passed
    # What would have saved it is tried all the same: nothing of the firmware moves any more.
    assert CABINET in dead.saved_by


def test_a_brown_out_in_a_melt_restarts_and_comes_back_cold(results):
    run = run_of(results, "brown_out_in_defrost", "worst")
    _, state = rows(run, "state", -30.0, 0.0)
    assert np.all(state == 2)  # melting before it
    assert any(step.state == "no power" for step in run.steps)
    assert run.passed


def test_swapped_wires_give_each_sensor_the_others_temperature(bench, results):
    run = run_of(results, "sensors_swapped", "control sensor and cold-sink")
    _, reading = rows(run, "reading_c", 3600.0, 4 * 3600.0)
    _, sink = rows(run, "cold_sink_c", 3600.0, 4 * 3600.0)
    assert np.abs(reading - sink).max() < 0.6  # noise and lag
    one = changed(hot_sink_sensor=None, cold_sink_sensor=None)
    found = run_drill(bench_of(one, settings_of(one)), DRILLS["sensors_swapped"])
    assert found.skipped is not None and found.passed


# What only an independent device saves ---------------------------------------------------------


def test_stuck_on_in_a_cool_room_freezes_and_no_hot_side_cut_out_sees_it(results):
    run = run_of(results, "switch_stuck_on", "coldest")
    assert not run.passed and run.lacks == (COLDEST,)
    assert limit_of(run, COLDEST).value < 0.0
    by_name = {item.device: item for item in run.devices}
    assert by_name[HOT_SIDE].opens_min is None and not by_name[HOT_SIDE].keeps
    assert by_name[CABINET].keeps and by_name[CONTACTOR].keeps
    # The contactor listens to the firmware, and the exported one does not drive it.
    assert run.saved_by == (CABINET,) and run.would_save == (CONTACTOR,)
    # The device acts before the limit is passed.
    assert by_name[CABINET].opens_min < limit_of(run, COLDEST).exceeded_min


def test_stuck_on_while_idle_does_not_stop_the_hot_fan_of_a_hot_sink(results, bench):
    """The firmware does not see the current, but it sees the sink: above fold-back, fan on."""
    for run in results["switch_stuck_on"].runs:
        hot, fan = (run.table[:, INDEX[name]] for name in ("hot_sink_c", "hot_fan"))
        after = run.table[:, INDEX["time_s"]] > run.fault_s + 60.0
        warm = after & (hot > 0.01 * bench.firmware.protection.fold_start_c100 + 1.0)
        assert np.all(fan[warm] == 1.0)
        assert limit_of(run, FOAM).kept


def test_a_fitted_device_turns_the_drill(results):
    fitted = changed(protection={"low_cut_out_c": 2.0, "hot_cut_out_c": 65.0})
    found = run_drill(bench_of(fitted, settings_of(fitted)), DRILLS["switch_stuck_on"])
    assert not results["switch_stuck_on"].passed
    assert found.passed
    cold = run_of({"it": found}, "it", "coldest")
    assert cold.passed and not cold.kept_alone


def test_a_contactor_that_the_firmware_would_have_to_drive_does_not_count():
    fitted = changed(protection={"series_contactor": True})
    found = run_drill(bench_of(fitted, settings_of(fitted)), DRILLS["switch_stuck_on"])
    cold = run_of({"it": found}, "it", "coldest")
    assert not found.passed and not cold.passed
    item = next(item for item in cold.devices if item.device == CONTACTOR)
    assert item.keeps and item.fitted and not item.counted
    assert cold.would_save == (CONTACTOR,) and CONTACTOR not in cold.saved_by


def test_a_foam_limit_that_sound_running_breaks_does_not_move():
    """Whoever states 40 °C for the foam is told that it is passed, fault or none."""
    low = changed(limits={"foam_max_c": 40.0})
    run, *_ = run_drill(bench_of(low, settings_of(low)), DRILLS["vents_blocked"]).runs
    foam = limit_of(run, FOAM)
    assert (foam.limit, foam.stated) == (40.0, 40.0) and foam.sound_value > 40.0
    assert not foam.kept and not run.passed and FOAM in run.lacks


def test_without_a_hot_sensor_a_stopped_fan_is_saved_by_the_cut_out_only(results):
    """Negative control: the same cabinet passes with the sensor."""
    assert results["hot_fan_stopped"].passed
    blind = changed(hot_sink_sensor=None)
    run, *_ = run_drill(bench_of(blind, settings_of(blind)), DRILLS["hot_fan_stopped"]).runs
    assert not run.passed and FOAM in run.lacks
    assert limit_of(run, FOAM).exceeded_min is not None
    assert run.saved_by == (HOT_SIDE,)
    hot = next(item for item in run.devices if item.device == HOT_SIDE)
    assert hot.opens_min is not None and hot.opens_min < limit_of(run, FOAM).exceeded_min


def test_a_cut_out_that_would_open_in_sound_running_is_told():
    low = changed(protection={"hot_cut_out_c": 35.0})
    found = run_drill(bench_of(low, settings_of(low)), DRILLS["switch_stuck_on"])
    for run in found.runs:
        for item in run.devices:
            if item.device == HOT_SIDE and run.room == "worst":
                assert item.broken == ("it opens in sound running",) and not item.keeps
    specs = {spec.name: spec for spec in device_specs(low, room_plant(low, "worst"))}
    assert specs[HOT_SIDE].opens_c == 35.0 and specs[HOT_SIDE].fitted
    assert not specs[CABINET].fitted


def test_limits_are_read_off_the_rows():
    """Against three rows written by hand: one before the fault, two after it."""
    plant = room_plant(CONFIG, "usual")
    table = np.zeros((3, len(COLUMNS)))
    table[:, INDEX["time_s"]] = (100.0, 160.0, 220.0)
    table[:, INDEX["hot_sink_c"]] = (40.0, 71.0, 60.0)
    table[:, INDEX["contents_c"]] = (6.0, 5.0, 1.0)
    sick = table[:1].copy()
    sick[0, INDEX["hot_sink_c"]] = 72.0
    sick[0, INDEX["contents_c"]] = 19.9
    found = {x.name: x for x in limits_found(CONFIG, plant, table, 100.0, PassLine(), table[:1])}
    sink, coldest = found[HOT_SINK], found[COLDEST]
    assert (sink.value, sink.worst_min, sink.exceeded_min) == (71.0, 1.0, 1.0)
    assert (coldest.value, coldest.worst_min, coldest.exceeded_min) == (1.0, 2.0, 2.0)
    assert found[FOAM].kept and not sink.kept
    # Only contents are held against sound running where that is worse; parts keep their limit.
    table[:, INDEX["contents_c"]] = 20.0
    found = {x.name: x for x in limits_found(CONFIG, plant, table, 100.0, PassLine(), sick)}
    sink, warmest = found[HOT_SINK], found[WARMEST]
    assert (sink.limit, sink.stated, sink.sound_value) == (70.0, 70.0, 72.0) and not sink.kept
    assert warmest.limit == pytest.approx(20.4) and warmest.kept
    assert warmest.stated == pytest.approx(CONFIG.use.target_c + CONFIG.use.target_tolerance_k)
    words = screen_drill._limit_words(warmest)
    assert f"stated {warmest.stated:.1f}, sound running already 19.9" in words
    assert "stated 70.0, sound running already 72.0" in screen_drill._limit_words(sink)
    assert "sound" not in screen_drill._limit_words(found[FOAM])
    near = screen_drill._limit_words(replace(coldest, value=1.97))
    assert "1.97 °C after 2.0 min (limit 2.0, undercut after 2.0 min)" in near
    assert "exceeded after 60 s" in screen_drill._limit_words(sink)


def test_the_pass_line_says_beforehand_how_a_missed_contents_limit_is_judged():
    told = "a contents limit that sound running does not keep is judged by the additional"
    assert all(told in drill.pass_line.words for drill in DRILLS.values())
    assert told not in PassLine(limits=PARTS).words


def test_faults_of_a_sensor_that_freeze_run_where_they_freeze():
    """A module that never rests freezes in a cool room what it hardly cools in a hot one."""
    for name in ("sensor_stuck", "sensor_fallen_off"):
        scenarios = DRILLS[name].scenarios(CONFIG, SETTINGS)
        assert {item.room for item in scenarios} == {"usual", "coldest", "worst"}
    bench = bench_of(changed(climate={"usual_c": 30.0, "coldest_c": 12.0}), SETTINGS)
    runs = [run for run in run_drill(bench, DRILLS["sensor_stuck"]).runs if "warm" in run.name]
    usual, coldest = (limit_of(run, COLDEST) for run in runs)
    assert coldest.value < usual.value - 3.0
    assert usual.kept and not coldest.kept


# What is stated, judged and told -------------------------------------------------------------


def test_every_run_is_judged_by_the_line_that_was_stated_before_it(bench, results):
    """Each run's own line is among those of the plan, under the run's own name."""
    for name, drill in DRILLS.items():
        plan, found = plan_of(bench, drill), results[name]
        assert plan.lines == found.lines
        for scenario, run in zip(plan.scenarios, found.runs, strict=True):
            assert scenario.line == run.pass_line
            (words,) = (words for runs, words in plan.lines if not runs or run.place in runs)
            assert words == run.pass_line.words
    cooling = run_of(results, "sensor_open", "cold-sink")
    assert "within" not in cooling.pass_line.words and "cooling goes on" in cooling.pass_line.words


def test_all_lines_stand_on_the_screen_before_a_drill_runs(bench):
    out = screen.console()
    with out.capture() as caught:
        screen_drill.show_line(out, plan_of(bench, DRILLS["sensor_open"]))
    flat = " ".join(caught.get().split())
    assert "Pass line (control sensor, worst room; hot-sink sensor, worst room): kept" in flat
    assert "Pass line (cold-sink sensor, worst room): kept" in flat
    assert "any defrost by time: no alarm is asked" in flat


def test_a_stuck_switch_is_tried_at_every_stated_voltage(results):
    part = CONFIG.supply
    stated = {part.lowest_voltage_v, part.voltage_v, part.highest_voltage_v}
    assert len(stated) == 3
    runs = results["switch_stuck_on"].runs
    assert {(run.room, run.supply_v) for run in runs} == {
        (room, volts) for room in ("coldest", "usual", "worst") for volts in stated
    }
    for room in ("coldest", "usual", "worst"):
        by_v = {run.supply_v: run for run in runs if run.room == room}
        currents = [rows(by_v[volts], "current_a", 60.0, 300.0)[1].mean() for volts in sorted(by_v)]
        assert currents == sorted(currents) and currents[-1] > 1.1 * currents[0]


def test_the_screen_says_at_which_voltages_nothing_was_tried():
    out = screen.console()
    with out.capture() as caught:
        screen_drill.show_head(out, CONFIG, flashed(CONFIG), (), seed=7)
    flat = " ".join(caught.get().split())
    assert "its usual 12.6 V; runs that name 11.6 or 14.4 V are at that voltage" in flat
    assert "what has no such run is not tried there. Seed of the sensors' noise: 7." in flat


def test_what_is_milder_than_at_the_usual_voltage_is_one_line(results):
    out = screen.console()
    with out.capture() as caught:
        screen_drill.show_result(out, results["switch_stuck_on"])
    flat = " ".join(caught.get().split())
    low = f"worst room, {CONFIG.supply.lowest_voltage_v:g} V, "
    assert f"passed: {low}" in flat
    assert "nothing worse than at 12.6 V (hot sink" in flat.split(f"passed: {low}")[1][:120]


# How long it is watched ------------------------------------------------------------------------


def test_a_defrosts_swing_is_not_told_as_moving(results):
    """A melt takes the hot sink down and lets it come back: it is settled all the same."""
    day = np.zeros((3, len(COLUMNS)))
    day[:, INDEX["hot_sink_c"]] = (45.0, 26.0, 44.0)
    day[:, INDEX["contents_c"]] = (3.0, 2.5, 2.2)
    outlook = Outlook((np.inf, 0.0, 0.0, -0.4), (0.2, 0.0, 0.0, -0.08), (0.8, 0.0, 0.0, -0.3))
    assert [item.column for item in outlook.moving(day)] == ["contents_c"]
    run = run_of(results, "supply_sagging", "worst")
    assert rows(run, "hot_sink_c", 6 * 3600.0, 1e9)[1].std() > 1.0  # its defrosts are there
    assert "hot_sink_c" not in {item.column for item in run.moving}


# Alarm, or how one would notice ------------------------------------------------------------------


def test_a_limit_exceeded_in_silence_is_told(results):
    """A cabinet that warms with a sound sensor tells by its reading; a stuck sensor does not."""
    warm = run_of(results, "module_open", "worst")
    assert warm.alarm_after_s is None and warm.silent.limit == WARMEST
    words = screen_drill.alarm_words(warm)
    assert words.startswith("No alarm and no warning, though contents warmest is exceeded")
    above_k = warm.silent.reading_c - SETTINGS.setpoint_c
    assert above_k > 15.0 and f"{above_k:.1f} K above the setpoint" in words
    stuck = run_of(results, "sensor_stuck", "warm")
    assert "tells nothing either; a thermometer of its own" in screen_drill.alarm_words(stuck)
    dead = run_of(results, "sensor_open", "control")
    assert screen_drill.alarm_words(dead) == "Alarm after 3.0 s."
    assert "the warning came on" in screen_drill.alarm_words(
        run_of(results, "sensor_open", "cold-sink")
    )
    late = run_of(results, "tick_late", "no watchdog")
    assert "the status line stands still" in screen_drill.alarm_words(late)


# The same again, other controllers, command line -------------------------------------------------


def test_a_drill_repeats_to_the_bit_and_its_seed_counts():
    drill = DRILLS["supply_sagging"]
    one, two, other = (
        run_drill(bench_of(CONFIG, SETTINGS, seed=seed), drill).runs[0] for seed in (3, 3, 4)
    )
    assert np.array_equal(one.table, two.table)
    assert not np.array_equal(one.table, other.table)


class AlwaysFull:
    """A maker's controller that knows only full duty."""

    def step(self, reading_c100, tick):
        return 1000


def test_a_makers_own_controller_is_drilled_behind_the_same_protections():
    bench = bench_of(CONFIG, SETTINGS, user_law=AlwaysFull())
    scenario = Scenario("short", "usual", lambda rig: None)
    rig = bench.rig(replace(scenario, start="warm"))
    rig.run(60.0)
    assert rig.table[-1, INDEX["duty"]] == pytest.approx(SETTINGS.duty_limit)


class NeverCools:
    """A whole firmware from outside that does nothing, and may stop after some ticks."""

    def __init__(self, stops_after=None):
        self.stops_after, self.ticks = stops_after, 0

    def tick(self, settings, state, tick, codes):
        self.ticks += 1
        state[P_OUTPUT] = 0
        stopped = self.stops_after is not None and self.ticks > self.stops_after
        state[P_REASON] = R_STOPPED if stopped else R_AS_ASKED

    def power_lost(self):
        pass


def test_a_controller_that_does_nothing_passes_no_drill(monkeypatch, results):
    """It breaks no limit of foam or sink; its own idleness is no yardstick."""
    monkeypatch.setattr(drill_follow, "FIRST_H", 8.0)
    monkeypatch.setattr(drills, "OUTSIDE_H", 8.0)
    bench = bench_of(CONFIG, SETTINGS, outside=NeverCools)
    found = run_drill(bench, DRILLS["hot_fan_stopped"])
    assert results["hot_fan_stopped"].passed and results["hot_fan_stopped"].unsound == ()
    assert not found.passed and not found.runs[0].kept_alone
    assert "sound running in the worst room" in found.runs[0].lacks
    ours, its = bench.sound("worst"), bench.own_sound("worst")
    assert ours[-1, INDEX["contents_c"]] < its[-1, INDEX["contents_c"]] - 5.0
    (words,) = found.unsound
    assert words.startswith("worst room: contents warmest") and "limit" in words
    out = screen.console()
    with out.capture() as caught:
        screen_drill.show_end(out, (found, found))
    flat = " ".join(caught.get().split())
    assert flat.count("Without any fault your controller does not hold") == 1
    assert flat.count(words) == 1


def test_a_controller_that_stops_passes_no_drill(monkeypatch):
    monkeypatch.setattr(drill_follow, "FIRST_H", 4.0)
    monkeypatch.setattr(drills, "OUTSIDE_H", 4.0)
    late = drills.LEAD_S + 600.0  # sound until ten minutes after the fault
    bench = bench_of(CONFIG, SETTINGS, outside=lambda: NeverCools(late / SETTINGS.period_s))
    bench.sound_tables["worst, drilled"] = bench.sound("worst")  # as if it held without a fault
    run, *_ = run_drill(bench, DRILLS["hot_fan_stopped"]).runs
    assert not run.passed and run.lacks[-1] == "the controller stopped 70 min into the run"
    assert run.barred and run.saved_by == ()


def test_unknown_names_are_one_line_and_exit_2(capsys):
    status = cli.main(["drill", "benchmark", "--only", "hot_fan_stoped"])
    captured = capsys.readouterr()
    assert status == 2 and captured.out == ""
    assert captured.err.count("\n") == 1
    assert "hot_fan_stopped" in captured.err and "--only" in captured.err
    with pytest.raises(KeyError):
        drill_all(CONFIG, SETTINGS, only="nothing")


def test_the_answer_is_the_exit_status(capsys):
    assert cli.main(["drill", "benchmark", "--only", "ambient_43_c"]) == 0
    text = capsys.readouterr().out
    assert text.index("Pass line") < text.index("passed: 43 °C")
    assert cli.main(["drill", "benchmark", "--only", "switch_stuck_on"]) == 1
    flat = " ".join(capsys.readouterr().out.split())
    assert "Only saved by: low-temperature cut-out. Would save it, if driven by" in flat
    assert "driven by a circuit of its own: series contactor" in flat


def keys_of(value):
    """Return every key anywhere in a JSON value."""
    if isinstance(value, dict):
        return set(value) | {key for item in value.values() for key in keys_of(item)}
    if isinstance(value, list):
        return {key for item in value for key in keys_of(item)}
    return set()


def test_json_keys_are_in_the_glossary(results):
    plant = room_plant(CONFIG, "usual")
    specs = device_specs(CONFIG, plant)
    found = of_drills(CONFIG, flashed(CONFIG), specs, tuple(results.values()), 1, "0")
    text = json.dumps(found, allow_nan=False)
    keys = {key for key in keys_of(json.loads(text)) if not key.endswith("_reason")}
    heads = {"command", "version", "config", "cabinet", "target_c"}
    assert keys - heads - set(GLOSSARY) == set()
    assert found["passed"] is False and "switch_stuck_on" in found["failed_drills"]


def test_the_picture_is_drawn(tmp_path, results):
    from ctrl.plots_drill import plot_drills

    path = tmp_path / "drills.png"
    figure = plot_drills(CONFIG, tuple(results.values()), path)
    assert path.read_bytes()[:4] == b"\x89PNG"
    shown = [axis for axis in figure.axes if axis.has_data()]
    assert len(shown) == sum(1 for item in results.values() if item.runs)
    assert "limits grey: hot sink solid, foam dashed" in figure.get_suptitle()
    titles = [axis.get_title() for axis in shown]
    assert "switch stuck on: FAILED\ncontents coldest" in titles
    (fan,) = (axis for axis in shown if axis.get_title().startswith("hot fan stopped"))
    levels = {line.get_ydata()[0] for line in fan.lines if line.get_color() == GREY}
    assert {CONFIG.limits.hot_sink_max_c, CONFIG.limits.foam_max_c} <= levels

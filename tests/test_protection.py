"""The protections around any controller: readings, trip, fault, defrost, limits, fans.

One tick is 1 s unless a test says otherwise.  Times are hand counts of ticks.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from protection_bench import DIGITAL, NTC, Bench

from ctrl import defrost, protection, readings
from ctrl.defrost import M_COUNT, M_END, M_PHASE, PHASE_DRIP, PHASE_MELT, PHASE_RUN, DefrostSettings
from ctrl.fixed_point import NO_SENSOR
from ctrl.protection import (
    OUTSIDE_REASONS,
    P_ALARM,
    P_CONTROL_SENSOR,
    P_DEFROST,
    P_FINAL,
    P_HOT_C100,
    P_HOT_SENSOR,
    P_REASON,
    P_WARNING,
    R_AS_ASKED,
    R_DRIP,
    R_DUTY_LIMIT,
    R_FOLD_BACK,
    R_LOW_BATTERY,
    R_MELT,
    R_MIN_OFF,
    R_MIN_ON,
    R_SLEW,
    R_TRIP,
    REASONS,
    ProtectionSettings,
    fold_back_cap,
    guard,
    limit,
)
from ctrl.readings import (
    R_STATUS,
    STATUS_FAULT,
    STATUS_LATCHED,
    SensorSettings,
)

# ---------------------------------------------------------------- trip and fold-back


def test_trip_is_above_the_limit_and_only_a_reset_clears_it():
    bench = Bench()
    bench.ramp_hot(60, 70)
    assert bench[P_REASON] != R_TRIP  # 70.00 is at the limit, not above
    assert bench.tick(1000, hot=70.0625) == 0
    assert bench[P_REASON] == R_TRIP
    assert bench.ramp_hot(70, 20) == 0
    assert bench.tick(1000, hot=20.0, times=1000) == 0
    assert (bench.fans[0], bench[P_ALARM]) == (1, 1)
    protection.guard_reset(bench.words, bench.state)
    assert bench.tick(1000, hot=20.0) == 1000


@pytest.mark.parametrize(
    ("hot", "cap"),
    # Linear from 1000 at 55 to 300 at 65 deg C: 70 a degree; 300 up to the trip.
    [(54, 1000), (55, 1000), (56, 930), (60, 650), (65, 300), (69, 300)],
)
def test_fold_back_is_a_straight_line(hot, cap):
    bench = Bench()
    assert bench.ramp_hot(50, hot) == cap
    assert bench[P_REASON] == (R_FOLD_BACK if cap < 1000 else R_AS_ASKED)


def test_a_switch_only_drive_folds_back_to_off_with_hysteresis():
    # Off above 65, on again below 55 deg C, whatever the minimum on-time says.
    bench = Bench(switch_only=1, min_on_ticks=1000)
    assert bench.ramp_hot(50, 65) == 1000
    assert bench.ramp_hot(66, 66) == 0
    assert bench[P_REASON] == R_FOLD_BACK
    assert bench.ramp_hot(65, 55) == 0
    assert bench.ramp_hot(54, 54) == 1000


def test_a_switch_only_fold_back_passes_over_the_slew_limit():
    bench = Bench(switch_only=1, slew_permille_per_tick=50)
    assert bench.ramp_hot(40, 65) == 1000
    assert bench.ramp_hot(66, 66) == 0


def test_the_lower_of_fold_back_and_duty_limit_gives_the_reason():
    bench = Bench(duty_limit_permille=600)
    assert bench.ramp_hot(50, 56) == 600
    assert bench[P_REASON] == R_DUTY_LIMIT
    assert bench.ramp_hot(57, 61) == 580  # 1000 - 70 x 6
    assert bench[P_REASON] == R_FOLD_BACK


# ---------------------------------------------------------------- slew and minimum times


def test_a_defrost_passes_over_slew_and_minimum_on():
    bench = Bench(defrost=PLAN, min_on_ticks=1000, slew_permille_per_tick=50)
    assert bench.tick(cold=1.0, times=20) == 500
    assert bench.tick(cold=1.0) == 0
    assert bench[P_REASON] == R_MELT


def test_a_fold_back_passes_over_the_slew_limit_on_the_way_down():
    bench = Bench(slew_permille_per_tick=5)
    bench.tick(1000, times=300)
    # 55 to 65 C takes 1000 to 300 permille: at 64 C 1000 - 700 x 0.9 = 370, at once.
    assert bench.ramp_hot(31, 64) == 370
    assert bench[P_REASON] == R_FOLD_BACK


def test_slew_limits_both_ways_but_not_a_trip():
    bench = Bench(slew_permille_per_tick=50)
    assert [bench.tick(180) for _ in range(4)] == [50, 100, 150, 180]
    assert bench[P_REASON] == R_AS_ASKED
    assert bench.tick(0) == 130
    assert bench[P_REASON] == R_SLEW
    bench.tick(code=3000, times=2)
    assert bench.tick(code=3000) == 0


def test_minimum_on_and_off_times_count_whole_ticks():
    bench = Bench(min_on_ticks=5, min_off_ticks=4)
    out = [bench.tick(1000) for _ in range(5)]
    # Starting up counts as just switched off: 4 ticks off first.
    assert out == [0, 0, 0, 0, 1000]
    out = [bench.tick(0) for _ in range(5)]
    assert out == [1000, 1000, 1000, 1000, 0]  # 1 + 4 ticks on in all
    out = [bench.tick(1000) for _ in range(4)]
    assert out == [0, 0, 0, 1000]


def test_minimum_times_say_why():
    bench = Bench(min_on_ticks=5, min_off_ticks=4)
    bench.tick(1000)
    assert bench[P_REASON] == R_MIN_OFF
    bench.tick(1000, times=4)
    bench.tick(0)
    assert bench[P_REASON] == R_MIN_ON


def test_a_sensor_fault_passes_over_minimum_on_but_not_minimum_off():
    bench = Bench(min_on_ticks=1000, min_off_ticks=100)
    bench.tick(1000, times=101)
    assert bench[P_FINAL] == 1000
    bench.tick(1000, code=3000, times=2)
    assert bench.tick(1000, code=3000) == 0  # off tick 1
    # Good again: the fault lasts 60 ticks more, minimum off-time 100 in all.
    assert bench.tick(1000, times=99) == 0
    assert bench.tick(1000) == 1000


def test_held_on_it_never_passes_the_fold_back_cap():
    bench = Bench(min_on_ticks=1000)
    bench.tick(1000, hot=50.0)
    assert bench.ramp_hot(50, 60, demand=0) == 650
    assert bench[P_REASON] == R_MIN_ON


# ---------------------------------------------------------------- battery


def test_low_battery_after_ten_ticks_and_back_above_resume():
    bench = Bench(cut_off_mv=11500, resume_mv=12500)
    bench.tick()
    assert bench.tick(mv=11499, times=9) == 500
    assert bench.tick(mv=11500) == 500  # one good tick starts the count again
    assert bench.tick(mv=11499, times=9) == 500
    assert bench.tick(mv=11499) == 0
    assert (bench[P_REASON], bench[P_WARNING], bench.fans[1]) == (R_LOW_BATTERY, 1, 0)
    assert bench.tick(mv=12500, times=100) == 0
    assert bench.tick(mv=12501) == 500


def test_no_cut_off_or_no_supply_reading_is_no_limit():
    assert Bench().tick(mv=1, times=50) == 500
    assert Bench(cut_off_mv=11500, resume_mv=12500).tick(mv=NO_SENSOR, times=50) == 500


# ---------------------------------------------------------------- defrost

PLAN = DefrostSettings(
    kind=defrost.DEFROST_TIMED,
    interval_ticks=20,
    end_c100=300,
    hold_ticks=3,
    longest_ticks=10,
    drip_ticks=4,
    abort_c100=1200,
)


def phases(bench: Bench, count: int, **reading) -> list[int]:
    out = []
    for _ in range(count):
        bench.tick(**reading)
        out.append(bench[P_DEFROST + M_PHASE])
    return out


def test_a_defrost_that_stays_cold_ends_by_time_and_drips():
    bench = Bench(defrost=PLAN)
    # Start to start is one interval, 20 ticks, however long the defrost takes.
    cycle = [PHASE_MELT] * 10 + [PHASE_DRIP] * 4 + [PHASE_RUN] * 6
    assert phases(bench, 60, cold=1.0) == [PHASE_RUN] * 20 + cycle * 2
    assert (bench[P_DEFROST + M_COUNT], bench[P_DEFROST + M_END]) == (2, defrost.END_TIME)


def test_output_fans_and_reasons_of_each_phase():
    bench = Bench(defrost=PLAN, hot_fan_run_on_ticks=3)
    assert bench.tick(cold=1.0, times=20) == 500
    assert bench.fans == (1, 1)
    assert bench.tick(cold=1.0) == 0
    assert (bench[P_REASON], bench.fans) == (R_MELT, (1, 1))
    bench.tick(cold=1.0, times=2)
    assert bench.fans == (1, 1)  # third tick of the run-on
    bench.tick(cold=1.0)
    assert bench.fans == (0, 1)
    bench.tick(cold=1.0, times=7)
    assert (bench[P_REASON], bench.fans) == (R_DRIP, (0, 0))


def test_a_warm_cold_sink_must_hold_before_melting_ends():
    bench = Bench(defrost=PLAN)
    phases(bench, 21, cold=1.0)
    phases(bench, 2, cold=3.0)
    phases(bench, 1, cold=2.0)  # back below: the hold starts again
    assert phases(bench, 3, cold=3.0) == [PHASE_MELT, PHASE_MELT, PHASE_DRIP]
    assert bench[P_DEFROST + M_END] == defrost.END_WARM


def test_without_a_cold_sensor_time_alone_ends_it():
    bench = Bench(defrost=PLAN, cold=SensorSettings.absent())
    assert phases(bench, 34, cold=9.0).count(PHASE_MELT) == 10


def test_a_warm_cabinet_stops_a_defrost_and_lets_none_start():
    bench = Bench(defrost=PLAN)
    phases(bench, 22, air=11.0)
    assert phases(bench, 1, air=12.0) == [PHASE_RUN]
    assert bench[P_DEFROST + M_END] == defrost.END_ABORT
    assert set(phases(bench, 100, air=12.0)) == {PHASE_RUN}
    assert phases(bench, 1, air=11.0) == [PHASE_MELT]


def test_no_defrost_starts_in_a_fault():
    bench = Bench(defrost=PLAN)
    bench.tick()
    assert set(phases(bench, 100, code=3000)) == {PHASE_RUN}


def test_cold_fan_with_the_module_still_turns_while_melting():
    bench = Bench(defrost=PLAN, cold_fan_with_module=1)
    bench.tick(0)
    assert bench.fans[1] == 0
    bench.tick(500)
    assert bench.fans[1] == 1
    assert phases(bench, 19, cold=1.0)[-1] == PHASE_MELT
    assert bench.fans[1] == 1


def test_hot_fan_runs_on_after_a_reset_too():
    bench = Bench(hot_fan_run_on_ticks=3)
    assert [(bench.tick(0), bench.fans[0])[1] for _ in range(4)] == [1, 1, 1, 0]


def hot_fan_along(bench, *temps_c):
    """Return the hot fan where the hot sink gets to, 1 K a tick, with nothing asked for."""
    fans, now_c = [], 45.0
    for goal_c in temps_c:
        while now_c != goal_c:
            now_c += max(-1.0, min(1.0, goal_c - now_c))
            bench.tick(0, hot=now_c)
        fans.append(bench.fans[0])
    return fans


def test_hot_fan_runs_while_the_hot_sink_is_hot_whoever_heats_it():
    """A switch that is stuck on heats the sink while the firmware thinks that it idles."""
    bench = Bench(hot_fan_run_on_ticks=3)  # fold-back from 55 deg C
    bench.tick(0, hot=45.0, times=5)
    assert hot_fan_along(bench, 50.0, 55.0, 56.0, 51.0, 50.0, 54.0) == [0, 0, 1, 1, 0, 0]
    assert hot_fan_along(bench, 57.0) == [1]
    alone = Bench(hot_fan_run_on_ticks=3, hot=SensorSettings.absent())
    alone.tick(0, times=5)
    assert hot_fan_along(alone, 60.0, 69.0) == [0, 0]  # nothing to see it with


# ---------------------------------------------------------------- settings


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"tick_s": 1.5}, "tick_s"),
        ({"period_s": 0.05}, "period_s"),
        ({"period_s": 1.5}, "multiple"),
        ({"duty_limit": 0.0}, "duty_limit"),
        ({"slew_pct_per_s": 0.05}, "slew_pct_per_s"),
        ({"slew_pct_per_s": float("nan")}, "slew_pct_per_s"),
        ({"min_off_s": -1.0}, "min_off_s"),
        ({"min_on_s": 1e12}, "min_on_s"),
        ({"fold_back_start_c": 66.0}, "fold_full_c100"),
        ({"trip_c": 64.0}, "trip_c100"),
        ({"cut_off_v": 11.5}, "resume_v"),
        ({"cut_off_v": 12.5, "resume_v": 11.5}, "resume_mv"),
        ({"control": SensorSettings.absent()}, "control"),
    ],
)
def test_settings_out_of_range_are_refused_in_one_line(change, named):
    base = {"control": DIGITAL, "tick_s": 1.0, "period_s": 1.0}
    with pytest.raises(ValueError, match=named) as caught:
        ProtectionSettings.from_physical(**{**base, **change})
    assert "\n" not in str(caught.value)


def test_from_physical_by_hand():
    # 0.5 s tick: 10 s are 20 ticks, 5 %/s are 25 permille a tick, 180 s are 360 ticks.
    made = ProtectionSettings.from_physical(
        control=DIGITAL, tick_s=0.5, period_s=10.0, slew_pct_per_s=5.0, min_on_s=180.0,
        cut_off_v=11.5, resume_v=12.5, duty_limit=0.8,
    )  # fmt: skip
    assert (made.tick_ms, made.period_ticks, made.slew_permille_per_tick) == (500, 20, 25)
    assert (made.min_on_ticks, made.cut_off_mv, made.resume_mv) == (360, 11500, 12500)
    assert made.duty_limit_permille == 800


def test_every_word_has_its_place():
    # Each own setting gets a value of its own; it must come out at its own index.
    made = ProtectionSettings(
        control=NTC, defrost=PLAN, tick_ms=901, period_ticks=2, duty_limit_permille=903,
        slew_permille_per_tick=904, min_on_ticks=905, min_off_ticks=906, switch_only=1,
        fold_start_c100=5001, fold_full_c100=6002, trip_c100=7003, hot_fan_run_on_ticks=910,
        cold_fan_with_module=1, cut_off_mv=11000, resume_mv=12000, battery_ticks=914,
    )  # fmt: skip
    words = made.to_words()
    assert len(words) == protection.GUARD_SETTING_WORDS
    for index, value in (
        (protection.G_TICK_MS, 901),
        (protection.G_PERIOD_TICKS, 2),
        (protection.G_DUTY_LIMIT, 903),
        (protection.G_SLEW, 904),
        (protection.G_MIN_ON, 905),
        (protection.G_MIN_OFF, 906),
        (protection.G_SWITCH_ONLY, 1),
        (protection.G_FOLD_START, 5001),
        (protection.G_FOLD_FULL, 6002),
        (protection.G_TRIP, 7003),
        (protection.G_HOT_FAN_RUN_ON, 910),
        (protection.G_COLD_FAN_WITH_MODULE, 1),
        (protection.G_CUT_OFF_MV, 11000),
        (protection.G_RESUME_MV, 12000),
        (protection.G_BATTERY_TICKS, 914),
        (protection.G_DEFROST + defrost.D_INTERVAL, 20),
        (protection.G_CONTROL_SENSOR + readings.S_BITS, 12),
        (protection.G_CONTROL_SENSOR + readings.S_TABLE + 16, 2500),
        (protection.G_COLD_SENSOR + readings.S_KIND, readings.SENSOR_ABSENT),
    ):
        assert words[index] == value, index


def test_every_reason_has_words_of_its_own():
    codes = [getattr(protection, name) for name in protection.__all__ if name.startswith("R_")]
    words = REASONS | OUTSIDE_REASONS
    assert sorted(codes) == sorted(REASONS)
    assert len(set(words.values())) == len(REASONS) + len(OUTSIDE_REASONS) == len(words)


# ---------------------------------------------------------------- invariants

TICKS = st.tuples(
    st.integers(-100, 1100),  # demand
    st.sampled_from([128, 128, 128, 129, 130, 1360, 3000]),  # control code
    st.sampled_from([480, 800, 900, 1000, 1100, 1140, 3000]),  # hot-sink code
    st.sampled_from([11000, 12000, 13000]),  # supply
    st.integers(1, 12),  # ticks in a row
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(TICKS, max_size=25),
    st.integers(1, 1000),
    st.integers(1, 1000),
    st.integers(0, 30),
    st.integers(0, 30),
    st.integers(0, 1),
)
def test_what_always_holds(moves, duty_limit, slew, min_on, min_off, switch_only):
    quick = SensorSettings(kind=readings.SENSOR_DIGITAL, jump_k100=30000, recover_ticks=5)
    bench = Bench(
        control=quick, hot=quick, duty_limit_permille=duty_limit, slew_permille_per_tick=slew,
        min_on_ticks=min_on, min_off_ticks=min_off, switch_only=switch_only,
        cut_off_mv=11500, resume_mv=12500, defrost=PLAN,
    )  # fmt: skip
    off_ticks, tripped = 0, False
    for demand, air, hot, mv, times in moves:
        codes = np.array([air, hot, 32, mv], dtype=np.int64)
        for _ in range(times):
            before = bench[P_FINAL]
            guard(bench.words, bench.state, codes)
            out = int(limit(bench.words, bench.state, demand))
            reason = bench[P_REASON]
            tripped = tripped or bench[P_HOT_C100] > 7000
            assert 0 <= out <= duty_limit
            # Priority: nothing below defrost and fold-back in rank may hold the output up.
            assert out <= fold_back_cap(bench.words, bench.state)
            if bench[P_DEFROST + M_PHASE] != PHASE_RUN:
                assert out == 0
            if out > 0 and before == 0:
                assert off_ticks >= min_off
            if tripped:
                assert (out, reason, bench.fans[0], bench[P_ALARM]) == (0, R_TRIP, 1, 1)
            for sat in (P_CONTROL_SENSOR, P_HOT_SENSOR):
                if bench[sat + R_STATUS] in (STATUS_FAULT, STATUS_LATCHED):
                    assert (out, bench.fans[0], bench[P_ALARM]) == (0, 1, 1)
            if out > before:
                assert out - before <= slew
            assert reason in REASONS
            off_ticks = 0 if out > 0 else off_ticks + 1

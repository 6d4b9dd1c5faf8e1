"""The protections around any controller: readings, trip, fault, defrost, limits, fans.

One tick is 1 s unless a test says otherwise.  Times are hand counts of ticks.
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ctrl import controllers, defrost, protection, readings
from ctrl.controllers import KIND_ON_OFF, KIND_PI, firmware_tick, firmware_tick_python
from ctrl.defrost import M_COUNT, M_END, M_PHASE, PHASE_DRIP, PHASE_MELT, PHASE_RUN, DefrostSettings
from ctrl.fixed_point import NO_SENSOR
from ctrl.on_off import OnOffSettings
from ctrl.pi import PI_INTEGRAL, PISettings
from ctrl.protection import (
    P_AIR_C100,
    P_ALARM,
    P_COLD_C100,
    P_COLD_FAN,
    P_CONTROL_SENSOR,
    P_DEFROST,
    P_FINAL,
    P_HOT_C100,
    P_HOT_FAN,
    P_HOT_SENSOR,
    P_REASON,
    P_WARNING,
    R_AS_ASKED,
    R_DRIP,
    R_DUTY_LIMIT,
    R_FIRST_READING,
    R_FOLD_BACK,
    R_HOT_FAN,
    R_LOW_BATTERY,
    R_MELT,
    R_MIN_OFF,
    R_MIN_ON,
    R_SENSOR_FAULT,
    R_SLEW,
    R_TRIP,
    REASONS,
    ProtectionSettings,
    fold_back_cap,
    guard,
    limit,
    new_guard_state,
)
from ctrl.readings import (
    CAUSE_JUMP,
    CAUSE_OPEN,
    CAUSE_OUT_OF_RANGE,
    CAUSE_POWER_UP,
    CAUSE_SHORT,
    R_CAUSE,
    R_STATUS,
    STATUS_FAULT,
    STATUS_LATCHED,
    STATUS_OK,
    SensorSettings,
    linearise,
    thermistor_table,
    thermistor_temp_c,
)

DIGITAL = SensorSettings.digital(tick_s=1.0)
NTC = SensorSettings.thermistor(
    r25_ohm=10e3, beta_k=3950.0, divider_ohm=10e3, adc_bits=12, tick_s=1.0
)


def sixteenth(temp_c: float) -> int:
    """Return the code of a digital sensor at a temperature."""
    return round(16 * temp_c)


class Bench:
    """Protections on the bench: digital sensors, a demand by hand, a tick at a time."""

    def __init__(self, **change):
        change = {"hot": DIGITAL, "cold": DIGITAL, "control": DIGITAL, **change}
        self.words = ProtectionSettings(**change).to_words()
        self.state = new_guard_state(self.words)

    def tick(self, demand=500, air=8.0, hot=30.0, cold=2.0, mv=12000, times=1, code=None):
        """Run `times` ticks and return the last output [1/1000]."""
        first = sixteenth(air) if code is None else code
        codes = np.array([first, sixteenth(hot), sixteenth(cold), mv], dtype=np.int64)
        for _ in range(times):
            guard(self.words, self.state, codes)
            out = int(limit(self.words, self.state, demand))
        return out

    def ramp_hot(self, start: float, end: float, demand=1000) -> int:
        """Warm or cool the hot sink by 1 K a tick, slower than the jump limit."""
        step = 1 if end > start else -1
        for hot in range(int(start), int(end) + step, step):
            out = self.tick(demand, hot=float(hot))
        return out

    def __getitem__(self, index):
        return int(self.state[index])

    @property
    def fans(self):
        """Hot and cold fan."""
        return self[P_HOT_FAN], self[P_COLD_FAN]


# ---------------------------------------------------------------- readings


@pytest.mark.parametrize(
    ("code", "c100"),
    # 1/16 deg C by hand: 25.0625, 85.0, -10.125, 0, one step 0.0625; halves of 1/100 go
    # away from zero (2506.25 -> 2506, -1012.5 -> -1013, 6.25 -> 6).
    [(401, 2506), (1360, 8500), (-162, -1013), (0, 0), (1, 6), (-1, -6)],
)
def test_digital_codes(code, c100):
    assert linearise(DIGITAL.to_words(), 0, code) == c100


@pytest.mark.parametrize(
    ("code", "temp_c"),
    # Reference: 10 k, beta 3950, 10 k on top, 12 bit: temperature back from the code.
    [
        (3496, -10.0063),
        (3157, -0.0002),
        (2956, 4.9960),
        (2739, 9.9903),
        (2048, 25.0),
        (1082, 49.9872),
        (613, 69.9976),
    ],
)
def test_thermistor_codes_of_the_published_table(code, temp_c):
    assert thermistor_temp_c(code / 4096, 10e3, 3950.0, 10e3) == pytest.approx(temp_c, abs=6e-5)
    # The table of straight pieces: within 0.25 K at the ends, 0.04 K where it matters.
    allowed = 0.04 if -1.0 < temp_c < 30.0 else 0.25
    assert linearise(NTC.to_words(), 0, code) / 100 == pytest.approx(temp_c, abs=allowed)


def worst_piece_k(low_c: float, high_c: float) -> float:
    """Return the largest error of the straight pieces between two temperatures [K]."""
    words, worst = NTC.to_words(), 0.0
    for code in range(NTC.code_low, NTC.code_high + 1):
        exact = thermistor_temp_c(code / 4096, 10e3, 3950.0, 10e3)
        if low_c <= exact <= high_c:
            worst = max(worst, abs(int(linearise(words, 0, code)) / 100 - exact))
    return worst


def test_straight_pieces_stay_close_to_the_curve():
    # Error of a chord: h**2/8 |f''| with h = 1/32 and f'' = T**2/B (1-2x)/(x(1-x))**2
    # gives 0.026 K at 5 deg C, plus half of 0.01 K; and 0.2 K at 72 deg C, where the
    # curve bends so much within one piece that the sum is only a guide (measured 0.23).
    assert worst_piece_k(0.0, 30.0) < 0.05
    assert worst_piece_k(-15.0, 72.0) < 0.25


def test_the_table_falls_with_the_code_and_turns_with_the_divider():
    down = thermistor_table(10e3, 3950.0, 10e3, 12)
    up = thermistor_table(10e3, 3950.0, 10e3, 12, thermistor_on_top=True)
    assert all(a > b for a, b in zip(down, down[1:], strict=False))
    assert up == down[::-1]
    # Half the span is R = 10 k, that is 25 deg C.
    assert down[16] == up[16] == 2500


@pytest.mark.parametrize(
    ("sensor", "code", "cause"),
    [
        # 2 % of 4096 is 81.92, 98 % is 4014.08.
        (NTC, 81, CAUSE_SHORT),
        (NTC, 4015, CAUSE_OPEN),
        (NTC, 70000, CAUSE_OPEN),
        (DIGITAL, -881, CAUSE_OUT_OF_RANGE),
        (DIGITAL, 2001, CAUSE_OUT_OF_RANGE),
        (DIGITAL, 1360, CAUSE_POWER_UP),
        (DIGITAL, sixteenth(12.1), CAUSE_JUMP),
    ],
)
def test_a_bad_code_holds_the_last_reading_and_then_switches_off(sensor, code, cause):
    bench = Bench(control=sensor)
    good = 2739 if sensor is NTC else sixteenth(10.0)
    assert bench.tick(code=good) == 500
    held = bench[P_AIR_C100]
    if cause == CAUSE_JUMP:
        # 2.1 K in one tick: over 2 K.  The next tick allows 4 K, so it is believed then.
        assert bench.tick(code=code) == 500
        assert bench[P_CONTROL_SENSOR + R_CAUSE] == CAUSE_JUMP
        assert bench[P_AIR_C100] == held
        bench.tick(code=code)
        assert bench[P_AIR_C100] == 1213  # 194/16 = 12.125 deg C, half away from zero
        return
    for _ in range(2):
        assert bench.tick(code=code) == 500
        assert bench[P_AIR_C100] == held
    assert bench.tick(code=code) == 0
    assert bench[P_REASON] == R_SENSOR_FAULT
    assert bench[P_CONTROL_SENSOR + R_CAUSE] == cause
    assert bench[P_AIR_C100] == NO_SENSOR
    assert (bench.fans[0], bench[P_ALARM]) == (1, 1)


def test_thermistor_on_top_names_open_and_short_the_other_way_round():
    top = SensorSettings.thermistor(
        r25_ohm=10e3, beta_k=3950.0, divider_ohm=10e3, adc_bits=12, tick_s=1.0,
        thermistor_on_top=True,
    )  # fmt: skip
    for code, cause in ((0, CAUSE_OPEN), (4095, CAUSE_SHORT)):
        bench = Bench(control=top)
        bench.tick(code=code, times=3)
        assert bench[P_CONTROL_SENSOR + R_CAUSE] == cause


def test_85_degrees_is_believed_when_the_sensor_was_near_it():
    bench = Bench(trip_c100=10000)
    bench.ramp_hot(70, 85)
    assert bench[P_HOT_C100] == 8500


def test_a_fault_clears_after_a_minute_of_good_readings():
    bench = Bench()
    bench.tick()
    bench.tick(code=3000, times=3)
    assert bench[P_CONTROL_SENSOR + R_STATUS] == STATUS_FAULT
    assert bench.tick(times=59) == 0
    assert bench.tick() == 500
    assert bench[P_CONTROL_SENSOR + R_STATUS] == STATUS_OK


def test_a_bad_code_in_the_minute_starts_it_again():
    bench = Bench()
    bench.tick()
    bench.tick(code=3000, times=3)
    bench.tick(times=59)
    bench.tick(code=3000)
    assert bench.tick(times=59) == 0
    assert bench.tick() == 500


def test_the_third_fault_within_an_hour_of_the_second_latches():
    bench = Bench()
    bench.tick()
    for _ in range(3):
        bench.tick(code=3000, times=3)
        bench.tick(times=600)
    assert bench[P_CONTROL_SENSOR + R_STATUS] == STATUS_LATCHED
    assert bench.tick(times=8000) == 0
    protection.guard_reset(bench.words, bench.state)
    assert bench.tick() == 500


def test_faults_more_than_an_hour_apart_do_not_latch():
    bench = Bench()
    bench.tick()
    for _ in range(4):
        bench.tick(code=3000, times=3)
        bench.tick(times=3700)
    assert bench[P_CONTROL_SENSOR + R_STATUS] == STATUS_OK


def test_without_a_first_reading_nothing_starts():
    bench = Bench()
    assert bench.tick(code=1360) == 0
    assert bench[P_REASON] == R_FIRST_READING
    assert bench.tick(code=1360, times=2) == 0
    assert bench[P_REASON] == R_SENSOR_FAULT


def test_a_hot_sink_sensor_fault_stops_cooling_a_cold_sink_one_only_warns():
    bench = Bench()
    bench.tick()
    assert bench.tick(hot=200.0, times=3) == 0
    assert bench[P_REASON] == R_SENSOR_FAULT
    bench = Bench()
    bench.tick()
    assert bench.tick(cold=200.0, times=3) == 500
    assert (bench[P_COLD_C100], bench[P_WARNING], bench[P_ALARM]) == (NO_SENSOR, 1, 0)


def test_a_short_tick_keeps_the_jump_limit_of_a_second():
    # A 0.1 s tick: a sensor that converts each second shows 1.5 K at once.  2 K is
    # still the limit for one tick, 0.2 K more for each further one.
    fast = SensorSettings.digital(tick_s=0.1)
    assert (fast.jump_k100, fast.jump_k100_per_tick, fast.fault_ticks) == (200, 20, 30)
    bench = Bench(control=fast)
    bench.tick(air=8.0)
    bench.tick(air=9.5)
    assert bench[P_AIR_C100] == 950


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
    assert sorted(codes) == sorted(REASONS)
    assert len(set(REASONS.values())) == len(REASONS)


# ---------------------------------------------------------------- the whole firmware

PI = PISettings.from_physical(setpoint_c=5.0, kp_pct_per_k=20.0, ti_s=600.0, period_s=5.0)


class Firmware:
    """The firmware with digital sensors."""

    def __init__(self, law, kind, **change):
        change = {"hot": DIGITAL, "cold": DIGITAL, "control": DIGITAL, **change}
        self.guard_words = ProtectionSettings(**change).to_words()
        self.guard_state = new_guard_state(self.guard_words)
        self.kind, self.law = kind, law.to_words()
        self.law_state = controllers.new_law_state(law)

    def tick(self, air=8.0, hot=30.0, cold=2.0, times=1, code=None):
        first = sixteenth(air) if code is None else code
        codes = np.array([first, sixteenth(hot), sixteenth(cold), 12000], dtype=np.int64)
        for tick in range(times):
            firmware_tick(
                self.kind, self.law, self.law_state, self.guard_words, self.guard_state, tick, codes
            )
        return int(self.guard_state[P_FINAL])


def test_the_demand_holds_between_control_periods():
    # kp 20 % per K: 0.5 K is 100 permille, 1 K 200.  Steps at ticks 0, 5, 10.
    firmware = Firmware(PI, KIND_PI, period_ticks=5)
    out = [firmware.tick(air=5.5)] + [firmware.tick(air=6.0) for _ in range(5)]
    assert out[:5] == [100] * 5
    # 200 plus one period of integral: 20 %/K x 5/600 x 0.5 K = 0.083 % = 0.8 permille.
    assert out[5] == 201


def test_the_duty_limit_reaches_the_integral():
    # Automatic reset: with the output held at the limit the integral goes to it,
    # I = 400 (1 - exp(-t/Ti)); after 10 Ti what is missing is 0.02 permille.
    firmware = Firmware(PI, KIND_PI, period_ticks=5, duty_limit_permille=400)
    assert firmware.tick(air=20.0, times=6000) == 400
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(400.0, abs=0.05)


def test_a_defrost_freezes_the_integral_and_control_restarts_at_once():
    plan = DefrostSettings(
        kind=defrost.DEFROST_TIMED, interval_ticks=3002, longest_ticks=600, hold_ticks=1,
        drip_ticks=60, end_c100=300,
    )  # fmt: skip
    firmware = Firmware(PI, KIND_PI, period_ticks=5, defrost=plan)
    firmware.tick(air=5.5, cold=-5.0, times=3002)
    before = int(firmware.law_state[PI_INTEGRAL])
    duty = int(firmware.guard_state[P_FINAL])
    assert before > 0
    assert firmware.tick(air=5.5, cold=-5.0, times=660) == 0
    assert int(firmware.law_state[PI_INTEGRAL]) == before
    # First free tick, same reading: the same duty again, without waiting for a period.
    assert firmware.tick(air=5.5, cold=-5.0) == duty


def test_slew_before_a_step_counts_by_its_mean():
    # Demand 200 from 0 at 50 a tick, 5 ticks a period: 50 100 150 200 200, mean 140.
    # Back-calculation by hand: I = (5/600) 140 = 1.1667 permille.
    firmware = Firmware(PI, KIND_PI, period_ticks=5, slew_permille_per_tick=50)
    out = [firmware.tick(air=6.0) for _ in range(6)]
    assert out[:5] == [50, 100, 150, 200, 200]
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(140 * 5 / 600, abs=1e-3)
    # Second period: demand 201 given in full, so I grows by ki e, 2 x 100 x 5/600.
    for _ in range(5):
        firmware.tick(air=6.0)
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(1.1667 + 1.6667, abs=1e-3)


class ThermostatByHand:
    """A maker's own controller: the same band as the on-off one, written again."""

    def __init__(self):
        self.on = False
        self.ticks = []

    def step(self, reading_c100: int, tick: int) -> int:
        self.ticks.append(tick)
        if reading_c100 >= 550:
            self.on = True
        elif reading_c100 <= 450:
            self.on = False
        return 1000 if self.on else 0


def test_a_makers_own_controller_runs_behind_the_same_protections():
    law = OnOffSettings(setpoint_c100=500, half_band_k100=50)
    ours = Firmware(law, KIND_ON_OFF, period_ticks=3, min_on_ticks=20, min_off_ticks=20)
    state, user = new_guard_state(ours.guard_words), ThermostatByHand()
    for tick in range(2000):
        air, hot = 5.0 + 1.5 * np.sin(tick / 30.0), 45.0 + 20.0 * np.sin(tick / 200.0)
        codes = np.array([sixteenth(air), sixteenth(hot), 32, 12000], dtype=np.int64)
        firmware_tick_python(user, ours.guard_words, state, tick, codes)
        ours.tick(air=air, hot=hot)
        assert state.tolist() == ours.guard_state.tolist(), tick
    assert user.ticks[:3] == [0, 3, 6]


@pytest.mark.parametrize("answer", [0.5, None, True, "on"])
def test_a_makers_controller_that_returns_no_whole_number_is_refused(answer):
    class Odd:
        def step(self, reading_c100, tick):
            return answer

    words = ProtectionSettings(control=DIGITAL).to_words()
    codes = np.array([100, 0, 0, 12000], dtype=np.int64)
    with pytest.raises(ValueError, match="tick 7.*whole number"):
        firmware_tick_python(Odd(), words, new_guard_state(words), 7, codes)


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


# ---------------------------------------------------------------- compiled against plain

REPLAY = """
import hashlib
import numpy as np
from tests.test_protection import replay
print(hashlib.sha256(replay().tobytes()).hexdigest())
"""


def replay(ticks: int = 10_000) -> np.ndarray:
    """Return all states of the firmware after every tick of a random, faulty run."""
    random = np.random.default_rng(20)
    settings_pi = ProtectionSettings(
        control=NTC, hot=NTC, cold=DIGITAL, period_ticks=5, slew_permille_per_tick=37,
        min_on_ticks=2000, min_off_ticks=40, duty_limit_permille=900, cut_off_mv=11500,
        resume_mv=12500, trip_c100=9000,
        defrost=DefrostSettings(
            kind=1, interval_ticks=900, longest_ticks=200, hold_ticks=5, drip_ticks=30,
            end_c100=300, abort_c100=1500,
        ),
    )  # fmt: skip
    words = settings_pi.to_words()
    state, law, law_state = new_guard_state(words), PI.to_words(), controllers.new_law_state(PI)
    rows = []
    control, hot, cold, supply = 2800.0, 1500.0, 20.0, 12500.0
    for tick in range(ticks):
        control = np.clip(control + random.normal(0, 25), 2300, 3500)
        hot = np.clip(hot + random.normal(0, 15), 600, 1900)
        cold = np.clip(cold + random.normal(0, 4), -100, 150)
        supply = np.clip(supply + random.normal(0, 60), 11000, 14400)
        codes = np.array([control, hot, cold, supply]).astype(np.int64)
        if random.random() < 0.002:
            broken = int(random.integers(0, 3))
            trouble = (broken, int(random.choice([0, 4095, 1360])), tick + random.integers(1, 8))
        elif tick == 0:
            trouble = (0, 0, 0)
        if tick < trouble[2]:
            codes[trouble[0]] = trouble[1]
        firmware_tick(KIND_PI, law, law_state, words, state, tick, codes)
        rows.append(np.concatenate([state, law_state]))
    return np.array(rows)


def test_compiled_and_plain_python_agree_word_for_word_over_ten_thousand_ticks():
    root = Path(__file__).resolve().parent.parent
    run = replay()
    if os.environ.get("COLDLOOP_PLAIN") != "1":
        assert firmware_tick.signatures, "this side of the comparison must be compiled"
    # The run must reach what it compares: every reason but the latched trip.
    reached = set(run[:, P_REASON].tolist())
    assert reached >= set(REASONS) - {R_TRIP, R_FIRST_READING, R_HOT_FAN}, reached
    plain = subprocess.run(
        [sys.executable, "-c", REPLAY],
        cwd=root,
        env={**os.environ, "COLDLOOP_PLAIN": "1", "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert plain.stdout.strip() == hashlib.sha256(run.tobytes()).hexdigest()


def test_no_word_ever_leaves_int32():
    words = replay()  # P saturates at the lower end in it: -2**31 is within, 2**31 is not
    assert words.min() >= -(2**31)
    assert words.max() <= 2**31 - 1

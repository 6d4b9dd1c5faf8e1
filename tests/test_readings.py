"""From raw codes to readings: what is believed, what a fault does, when it clears or latches.

One tick is 1 s unless a test says otherwise.  Times are hand counts of ticks.
"""

import pytest
from protection_bench import DIGITAL, NTC, Bench, sixteenth

from ctrl import protection
from ctrl.fixed_point import NO_SENSOR
from ctrl.protection import (
    P_AIR_C100,
    P_ALARM,
    P_COLD_C100,
    P_CONTROL_SENSOR,
    P_HOT_C100,
    P_REASON,
    P_WARNING,
    R_FIRST_READING,
    R_SENSOR_FAULT,
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

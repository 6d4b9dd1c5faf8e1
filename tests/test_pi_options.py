"""Gain schedule, setpoint weight and feed-forward in whole numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ctrl import pi
from ctrl.config import ConfigError, build_config, load_config, plain_data
from ctrl.controllers import firmware_tick, new_law_state
from ctrl.firmware import firmware_of, settings_of
from ctrl.fixed_point import NO_SENSOR
from ctrl.pi import FULL_Q20, PI_INTEGRAL, PISettings
from ctrl.pi_options import (
    ALL_SETTING_WORDS,
    PI_AMBIENT_C100,
    PI_FORWARD,
    PI_KI_NOW,
    PI_KP_NOW,
    PIOptions,
    gains_at,
)
from ctrl.protection import new_guard_state
from ctrl.protection_settings import CODE_AMBIENT, CODE_CONTROL, CODE_WORDS
from ctrl.readings import SensorSettings

BASE = {"setpoint_c": 5.0, "kp_pct_per_k": 20.0, "ti_s": 400.0, "period_s": 1.0}
DIGITAL = SensorSettings.digital(tick_s=1.0)


def made(**options):
    settings = PISettings.from_physical(**{**BASE, **options})
    return settings.to_words(), new_law_state(settings)


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, name)


# What is flashed without them -------------------------------------------------------------


def test_without_options_there_are_the_four_words_of_before():
    assert made()[0].size == 4
    assert made(setpoint_weight=0.5)[0].size == ALL_SETTING_WORDS
    # By itself, a sensor of the room changes no word.
    plain = load_config("galley_larder")
    fitted = changed("galley_larder", ambient_sensor={"kind": "digital"})
    one, two = (firmware_of(c, settings_of(c)) for c in (plain, fitted))
    assert one.law.to_words().tolist() == two.law.to_words().tolist()
    assert one.protection.to_words().tolist() == two.protection.to_words().tolist()


@given(st.lists(st.tuples(st.integers(-32768, 32767), st.integers(0, 1000)), max_size=30))
def test_options_that_ask_for_nothing_new_change_nothing(moves):
    # One gain written as a schedule of two equal ones is the controller without options.
    plain, state = made()
    optional, other = made(gain_schedule=((0.1, 20.0), (0.9, 20.0)))
    for reading, given_duty in moves:
        assert pi.step(plain, state, reading) == pi.step(optional, other, reading)
        pi.track(plain, state, given_duty, 0)
        pi.track(optional, other, given_duty, 0)
        assert state[PI_INTEGRAL] == other[PI_INTEGRAL]


# Schedule ---------------------------------------------------------------------------------


def test_gains_between_the_points_by_hand():
    # Kp 10, 30, 40 %/K at duty 0.2, 0.6, 1.0; in words 2**20 permille per 0.01 K = 0.1 %/K.
    words, state = made(gain_schedule=((0.2, 10.0), (0.6, 30.0), (1.0, 40.0)))
    for duty, kp in ((0, 10), (200, 10), (300, 15), (600, 30), (800, 35), (1000, 40), (1200, 40)):
        gains_at(words, state, duty)
        assert state[PI_KP_NOW] == pytest.approx(kp * 0.1 * 2**20, abs=1.0)
        assert state[PI_KI_NOW] == pytest.approx(kp * 0.1 * 2**20 / 400, abs=2.0)


def test_the_schedule_goes_by_what_the_load_needs_not_by_the_demand():
    # Integral 300 permille: gain 15 %/K, so 1 K too warm asks 300 + 150.
    words, state = made(gain_schedule=((0.2, 10.0), (0.6, 30.0)))
    state[PI_INTEGRAL] = 300 << 20
    assert pi.step(words, state, 600) == 450


def test_a_schedule_is_refused_in_one_line():
    for points, line in (
        (((0.5, 10.0),), "2 or 3 points"),
        (((0.5, 10.0), (0.5, 20.0)), "rising"),
        (((0.5, 10.0), (0.4, 20.0)), "rising"),
        (((0.1, 10.0), (0.4, 1e-6)), "lengthen the period"),
        (((0.1, 10.0), (1.4, 20.0)), "duty"),
    ):
        with pytest.raises(ValueError, match=line) as caught:
            made(gain_schedule=points)
        assert "\n" not in str(caught.value)


# Setpoint weight --------------------------------------------------------------------------


@pytest.mark.parametrize("weight", [0.0, 0.3, 0.7, 1.0])
def test_a_turned_setpoint_acts_as_the_textbooks_weight(weight):
    # Textbook: u = Kc (b r - y) + integral of Kc/Ti (r - y), in changes from the start, with
    # cooling's sign. At the first sample after a step of -2 K the proportional part alone
    # has moved, by Kc b 2 K: 40 % b. Later both agree while nothing saturates.
    words, state = made(setpoint_weight=weight)
    state[PI_INTEGRAL] = 300 << 20
    kc, integral, y = 20.0, 30.0, 0.0  # per cent; y the reading's change [K]
    pi.step(words, state, 500)
    pi.track(words, state, 300, 0)
    words[0] = 300
    for k in range(60):
        y = -0.02 * k
        demand = pi.step(words, state, 500 + round(100 * y))
        exact = kc * (round(y, 2) + 2.0 * weight) + integral
        # The setpoint has steps of 0.01 K, 2 permille each: two roundings of half a step; the
        # prefilter is one sample ahead (40 %/400: 1 permille); half a permille of output.
        assert demand == pytest.approx(10.0 * exact, abs=3.5), k
        pi.track(words, state, demand, 0)
        integral += kc / 400.0 * (round(y, 2) + 2.0)


def test_a_setpoint_that_stands_still_needs_no_weight():
    words, state = made(setpoint_weight=0.2)
    for _ in range(100):
        assert pi.step(words, state, 530) == 60  # 0.3 K times 20 %/K, nothing integrated


# Feed-forward -----------------------------------------------------------------------------


def fed(**options):
    return made(feed_forward_pct_per_k=3.0, ambient=DIGITAL, **options)


def hear(words, state, ambient_c):
    codes = np.full(CODE_WORDS, NO_SENSOR, dtype=np.int64)
    codes[CODE_AMBIENT] = round(16 * ambient_c)
    pi.hear(words, state, codes)


def test_feed_forward_starts_with_the_whole_duty_of_the_room_by_hand():
    # Room 25, setpoint 5: 20 K times 3 %/K is 60 %; at the setpoint P is nothing.
    words, state = fed()
    hear(words, state, 25.0)
    assert pi.step(words, state, 500) == 600


def test_a_warmer_room_moves_the_duty_before_the_reading_does():
    # After 5 K more for 300 s, the smoothing time, 1 - 1/e of 15 % has come.
    words, state = fed()
    hear(words, state, 20.0)
    first = pi.step(words, state, 500)
    pi.track(words, state, first, 0)
    for k in range(300):
        # 2 K/s at most is believed.
        hear(words, state, min(20.0 + 0.5 * (k + 1), 25.0))
        demand = pi.step(words, state, 500)
        pi.track(words, state, demand, 0)
    assert first == 450
    assert demand == pytest.approx(450 + 150 * (1.0 - np.exp(-1.0)), abs=4.0)


def test_taking_over_is_bumpless_with_feed_forward_too():
    words, state = fed(gain_schedule=((0.2, 10.0), (0.6, 30.0)))
    pi.preload(words, state, 550, 450)
    hear(words, state, 30.0)
    # I = 450 - P(22.5 %/K, 0.5 K) = 337.5; there the schedule has 16.9 %/K: 422.
    assert pi.step(words, state, 550) == pytest.approx(337.5 + 0.5 * 168.75, abs=1)


def test_a_faulty_room_sensor_leaves_the_duty_where_it_is():
    words, state = fed()
    hear(words, state, 25.0)
    before = pi.step(words, state, 500)
    for _ in range(10):
        hear(words, state, 90.0)  # jumped: not believed, then a fault
        assert pi.step(words, state, 500) == before
    assert state[PI_AMBIENT_C100] == NO_SENSOR


def test_without_a_room_sensor_feed_forward_is_refused():
    with pytest.raises(ValueError, match="sensor of the room"):
        made(feed_forward_pct_per_k=3.0)


# Widths and the compiled code -------------------------------------------------------------


@given(
    st.integers(-27315, 32767),
    st.integers(0, 32768),
    st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 2**31 - 1), st.integers(0, 2**31 - 1)),
             min_size=2, max_size=3, unique_by=lambda item: item[0]),
    st.integers(0, 2**31 - 1),
    st.integers(0, 2**24),
    st.lists(
        st.tuples(st.integers(-32768, 32767), st.integers(-5, 1005), st.integers(0, 1),
                  st.integers(-40000, 40000), st.integers(-27315, 32767), st.integers(0, 9)),
        max_size=25,
    ),
)  # fmt: skip
def test_nothing_leaves_its_range_and_plain_python_agrees(
    setpoint, weight, points, slope, smoothing, moves
):
    options = PIOptions(weight, tuple(sorted(points)), slope, smoothing, DIGITAL)
    settings = PISettings(setpoint, 2**20, 2**12, 2**15, options)
    words, state = settings.to_words(), new_law_state(settings)
    plain = state.copy()
    codes = np.zeros(CODE_WORDS, dtype=np.int64)
    for reading, final, frozen, code, turned, what in moves:
        codes[CODE_AMBIENT] = code
        pi.hear(words, state, codes)
        pi.hear.py_func(words, plain, codes)
        if what == 0:
            words[0] = turned
        if what == 1:
            pi.preload(words, state, reading, final)
            pi.preload.py_func(words, plain, reading, final)
        demand = pi.step(words, state, reading)
        assert demand == pi.step.py_func(words, plain, reading)
        pi.track(words, state, final, frozen)
        pi.track.py_func(words, plain, final, frozen)
        assert state.tolist() == plain.tolist()
        assert 0 <= demand <= 1000
        assert 0 <= state[PI_INTEGRAL] <= FULL_Q20
        assert 0 <= state[PI_FORWARD] <= FULL_Q20
        assert np.all(np.abs(state) <= 2**31)


def test_the_whole_tick_hears_the_room():
    config = changed(
        "galley_larder", ambient_sensor={"kind": "digital"},
        controller={"kind": "pi", "feed_forward_pct_per_k": 3.0, "setpoint_c": 5.0},
    )  # fmt: skip
    firmware = firmware_of(config, settings_of(config))
    law, guard = firmware.law.to_words(), firmware.protection.to_words()
    state, guarded = new_law_state(firmware.law), new_guard_state(guard)
    codes = np.array([512, 300, 512, 13000, 16 * 25], dtype=np.int64)
    assert CODE_CONTROL == 0 and CODE_AMBIENT == 4
    for tick in range(5):
        firmware_tick(2, law, state, guard, guarded, tick, codes)
    assert state[PI_AMBIENT_C100] == 2500
    assert state[PI_FORWARD] / 2**20 == pytest.approx(600, abs=1)


# Config -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ({"feed_forward_pct_per_k": 2.0}, "ambient_sensor"),
        ({"schedule_1_duty": 0.2}, "schedule_1_kp_pct_per_k"),
        ({"schedule_1_duty": 0.2, "schedule_1_kp_pct_per_k": 9.0}, "schedule_2_duty"),
        ({"schedule_1_duty": 0.5, "schedule_1_kp_pct_per_k": 9.0,
          "schedule_2_duty": 0.5, "schedule_2_kp_pct_per_k": 9.0}, "above the point before"),
        ({"setpoint_weight": 1.5}, "setpoint_weight"),
    ],
)  # fmt: skip
def test_a_config_that_does_not_fit_is_told(keys, line):
    with pytest.raises(ConfigError, match=line):
        changed("galley_larder", controller=keys)


def test_a_config_reaches_the_words():
    keys = {"schedule_1_duty": 0.2, "schedule_1_kp_pct_per_k": 10.0, "schedule_2_duty": 0.6,
            "schedule_2_kp_pct_per_k": 30.0, "setpoint_weight": 0.5, "kind": "pi"}  # fmt: skip
    config = changed("galley_larder", controller=keys)
    law = firmware_of(config, settings_of(config)).law
    assert [point[0] for point in law.options.schedule] == [200, 600]
    assert law.options.weight_q15 == 16384

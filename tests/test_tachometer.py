"""A fan with a tachometer: time to start, standstill, and turning again."""

import numpy as np
import pytest

from ctrl.config import build_config, load_config, plain_data
from ctrl.config_errors import ConfigError
from ctrl.firmware import firmware_of, settings_of
from ctrl.protection import (
    P_ALARM,
    P_HOT_FAN,
    P_WARNING,
    R_HOT_FAN,
    guard,
    limit,
    new_guard_state,
)
from ctrl.protection_settings import CODE_WORDS, P_FINAL, P_REASON, ProtectionSettings
from ctrl.readings import SensorSettings

ROOM = 320  # 20.00 deg C in steps of 1/16


def run(pulses, **settings):
    """Return (reason, duty, hot fan, alarm, warning) of each tick; `pulses` of both fans."""
    words = ProtectionSettings(
        control=SensorSettings.digital(tick_s=1.0), fan_turn_ticks=3, **settings
    ).to_words()
    state = new_guard_state(words)
    codes = np.full(CODE_WORDS, ROOM, dtype=np.int64)
    found = []
    for hot, cold in pulses:
        codes[-2:] = hot, cold
        guard(words, state, codes)
        limit(words, state, 1000)
        found.append(
            tuple(int(state[at]) for at in (P_REASON, P_FINAL, P_HOT_FAN, P_ALARM, P_WARNING))
        )
    return found


def test_a_hot_fan_that_stands_still_stops_the_module():
    # Commanded on in tick 0, so the first of five ticks without a pulse is tick 1.
    found = run([(9, 9)] + [(0, 9)] * 8 + [(7, 9)] * 4, hot_fan_start_ticks=5)
    assert found[4] == (0, 1000, 1, 0, 0)
    assert found[5] == (R_HOT_FAN, 0, 1, 1, 0)  # off, fan told to run, alarm
    assert found[10][0] == R_HOT_FAN  # two ticks of pulses are not three
    assert found[11] == (0, 1000, 1, 0, 0)


def test_one_pulse_within_the_start_up_time_is_enough():
    found = run([(9, 9)] + ([(0, 9)] * 4 + [(1, 9)]) * 5, hot_fan_start_ticks=5)
    assert all(duty == 1000 for _, duty, *_ in found)


def test_a_fan_slower_than_the_ticks_is_believed_again():
    """A pulse in every other tick: before, one tick without a pulse began the count anew."""
    slow = ([(1, 9)] + [(0, 9)]) * 6
    found = run([(9, 9)] + [(0, 9)] * 8 + slow, hot_fan_start_ticks=5)
    assert found[8][0] == R_HOT_FAN
    assert found[-1][:2] == (0, 1000)
    # A pulse now and then, further apart than the start-up time, is no turning.
    rare = ([(1, 9)] + [(0, 9)] * 5) * 6
    assert run([(9, 9)] + [(0, 9)] * 8 + rare, hot_fan_start_ticks=5)[-1][0] == R_HOT_FAN


def test_a_cold_fan_that_stands_still_only_warns():
    found = run([(9, 9)] + [(9, 0)] * 8, cold_fan_start_ticks=5)
    assert found[4][-1] == 0 and found[5] == (0, 1000, 1, 0, 1)


def test_without_the_wire_no_pulses_are_missed():
    assert run([(0, 0)] * 50)[-1] == (0, 1000, 1, 0, 0)


def test_the_config_key():
    data = plain_data(load_config("galley_larder"))
    data["hot_sink"]["fan_tachometer"] = True
    config = build_config(data, "galley")
    settings = firmware_of(config, settings_of(config)).protection
    assert (settings.hot_fan_start_ticks, settings.cold_fan_start_ticks) == (5, 0)
    data["hot_sink"]["fan_wiring"] = "with_module"
    with pytest.raises(ConfigError) as error:
        build_config(data, "galley")
    assert "fan_tachometer" in str(error.value.problems[0])

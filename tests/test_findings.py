"""What a record means: sines and square waves whose figures are known by hand."""

from dataclasses import asdict, replace

import numpy as np
import psychrolib
import pytest

from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.findings import (
    DAY_S,
    days_agree,
    dew_point_c,
    findings_of,
    is_settled,
    pull_down_h,
    switch_ons,
    undisturbed_swing_k,
)
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import COOLING, IDLE, MELTING, Loop
from ctrl.record import COLUMNS, INDEX, Record
from ctrl.trial import warm_state

HOUR_S = 3600.0
ROW_S = 20.0


def record_of(hours, row_s=ROW_S, **signals):
    """Return a record of some hours; each signal a constant or a function of the time [s]."""
    time_s = np.arange(1, round(hours * HOUR_S / row_s) + 1) * row_s
    table = np.zeros((time_s.size, len(COLUMNS)))
    given = {"time_s": time_s, "air_c": 5.0, "contents_c": 5.0, "air_rh_pct": 50.0,
             "state": float(COOLING), "wall_surface_c": 5.0, **signals}  # fmt: skip
    for name, value in given.items():
        table[:, INDEX[name]] = value(time_s) if callable(value) else value
    return Record(table, 1.0, row_s, np.zeros(1), np.zeros(1), 1e-12, -1e-13, 1, 0)


def found_of(record, target_c=5.0, tolerance_k=1.0):
    return findings_of(record, target_c, tolerance_k, "mains plug")


def sine(mean, half_range, period_s):
    return lambda t: mean + half_range * np.sin(2.0 * np.pi * t / period_s)


def square(high, on_s, off_s):
    return lambda t: np.where((t - 1e-6) % (on_s + off_s) < off_s, 0.0, high)


# Spans and swings ------------------------------------------------------------------------


def test_spans_of_a_sine():
    found = found_of(record_of(48, air_c=sine(6.0, 1.5, 6 * HOUR_S)))
    assert found.air_c.mean == pytest.approx(6.0, abs=1e-9)
    assert found.air_c.min == pytest.approx(4.5, abs=1e-4)
    assert found.air_c.max == pytest.approx(7.5, abs=1e-4)


def test_rows_without_a_reading_are_no_temperature():
    """The sensor's word for none, -327.68, is left out; where there is nothing else, no number."""
    late = record_of(4.0, reading_c=lambda t: np.where(t <= HOUR_S, -327.68, 5.0))
    assert found_of(late).reading_c.min == 5.0
    assert np.isnan(found_of(record_of(4.0, reading_c=-327.68)).reading_c.mean)


def test_only_the_last_day_counts():
    record = record_of(48, air_c=lambda t: np.where(t <= DAY_S, 30.0, 6.0))
    found = found_of(record)
    assert (found.air_c.min, found.air_c.mean, found.air_c.max) == (6.0, 6.0, 6.0)
    # A run of less than a day is settled part as a whole.
    short = found_of(record_of(12, air_c=lambda t: np.where(t <= 6 * HOUR_S, 30.0, 6.0)))
    assert short.air_c.mean == pytest.approx(18.0, abs=1e-9)


def test_swing_is_that_of_an_hour():
    # A sine of 20 min and +/- 1.5 K swings 3 K in every hour; its drift over the day does not
    # count: 6 K in a day is 0.39 K in the median hour (pi 6/24 at the zero crossing, at most).
    fast = record_of(24, air_c=sine(5.0, 1.5, 1200.0))
    assert undisturbed_swing_k(fast) == pytest.approx(3.0, abs=0.01)
    slow = record_of(24, air_c=sine(5.0, 3.0, DAY_S))
    assert 0.3 < undisturbed_swing_k(slow) < np.pi * 6.0 / 24.0


def test_swing_leaves_out_doors_defrosts_and_loads():
    def air(t):
        hour = t // HOUR_S
        bump = np.where(hour == 8, 4.0, 0.0) + np.where(hour == 14, 9.0, 0.0)
        return 5.0 + 0.5 * np.sin(2 * np.pi * t / 1200.0) + bump * ((t // 600.0) % 2)

    disturbed = {
        "door": lambda t: np.where(np.abs(t - 8.5 * HOUR_S) < 30.0, 1.0, 0.0),
        "state": lambda t: np.where(np.abs(t - 14.5 * HOUR_S) < 900.0, MELTING, COOLING),
    }
    assert undisturbed_swing_k(record_of(24, air_c=air, **disturbed)) == pytest.approx(
        1.0, abs=0.01
    )
    # The swing is a median, so two hours of 24 alone prove little: disturb all but three.
    busy = record_of(
        24,
        air_c=lambda t: 5.0 + np.where(t > 3 * HOUR_S, 6.0, 0.5) * np.sin(2 * np.pi * t / 1200.0),
        door=lambda t: np.where((t > 3 * HOUR_S) & ((t // 60.0) % 30 == 0), 1.0, 0.0),
    )
    assert undisturbed_swing_k(busy) == pytest.approx(1.0, abs=0.02)
    # With a disturbance in every hour all of them count.
    always = record_of(24, air_c=sine(5.0, 2.0, 1200.0), door=1.0)
    assert undisturbed_swing_k(always) == pytest.approx(4.0, abs=0.02)


def test_cycles_of_a_square_wave():
    # 10 min on, 20 min off: two starts in an hour, a third of the time on.
    starts = lambda t: np.floor(t / 1800.0)  # noqa: E731
    record = record_of(48, duty=square(1.0, 600.0, 1200.0), starts=starts)
    found = found_of(record)
    assert found.cycles_per_hour == pytest.approx(2.0, abs=1.0 / 24.0)  # one start on the border
    assert found.duty_mean == pytest.approx(1.0 / 3.0, abs=1e-9)
    assert switch_ons(np.array([0.0, 1.0, 0.4, 0.0, 0.0, 0.2])) == 2
    assert switch_ons(np.array([1.0, 1.0, 0.5])) == 0


# Pull-down -------------------------------------------------------------------------------


def test_pull_down_of_an_exponential():
    # 20 °C to 4 °C with 3 h: within 1 K of 5 °C when 16 exp(-t/3 h) = 2, so 3 ln 8 = 6.24 h.
    record = record_of(24, contents_c=lambda t: 4.0 + 16.0 * np.exp(-t / (3 * HOUR_S)))
    hours, reason = pull_down_h(record, 5.0, 1.0)
    assert hours == pytest.approx(3.0 * np.log(8.0), abs=ROW_S / HOUR_S)
    assert reason is None


def test_pull_down_that_never_comes_says_so():
    record = record_of(24, contents_c=lambda t: 8.0 + 12.0 * np.exp(-t / (3 * HOUR_S)))
    assert pull_down_h(record, 5.0, 1.0) == (None, "not within 1 K of 5 °C in 24 h")
    found = found_of(record)
    assert found.pull_down_h is None
    assert found.pull_down_reason == "not within 1 K of 5 °C in 24 h"


def test_pull_down_of_cold_contents_is_none_at_all():
    assert pull_down_h(record_of(24, contents_c=5.9), 5.0, 1.0) == (0.0, None)


# Energy, frost, water --------------------------------------------------------------------


@pytest.mark.parametrize("hours", [6, 24, 48])
def test_energy_of_a_constant_power(hours):
    # 40 W for 24 h are 0.96 kWh, however long the run was watched.
    record = record_of(hours, energy_kwh=lambda t: 40.0 * t / 3.6e6, plug_w=40.0)
    assert found_of(record).energy_kwh_per_day == pytest.approx(0.96, rel=1e-9)
    assert found_of(record).energy_boundary == "mains plug"


def test_frost_that_grows_and_water_that_leaves():
    # 3 g a day of frost from 10 g, 7.2 g a day down the drain.
    record = record_of(
        48, frost_g=lambda t: 10.0 + 3.0 * t / DAY_S, water_out_g=lambda t: 7.2 * t / DAY_S,
        blockage_pct=lambda t: 4.0 * t / DAY_S,
    )  # fmt: skip
    found = found_of(record)
    assert found.frost_growth_g_per_day == pytest.approx(3.0, rel=1e-9)
    assert found.frost_g_end == found.frost_g_max == pytest.approx(16.0, rel=1e-9)
    assert found.water_out_g_per_day == pytest.approx(7.2, rel=1e-9)
    assert found.blockage_pct_max == pytest.approx(8.0, rel=1e-9)


# Settled ---------------------------------------------------------------------------------


def repeating(**signals):
    steady = {"air_c": sine(5.0, 1.0, 1200.0), "energy_kwh": lambda t: 30.0 * t / 3.6e6}
    return record_of(48, **{**steady, **signals})


def test_a_run_that_repeats_is_settled():
    assert is_settled(repeating())
    assert found_of(repeating()).settled


@pytest.mark.parametrize(
    ("signals", "settled"),
    [
        ({"contents_c": lambda t: 5.0 - 0.03 * t / DAY_S}, False),  # 0.03 K a day: drifts
        ({"contents_c": lambda t: 5.0 - 0.01 * t / DAY_S}, True),
        ({"air_c": lambda t: 5.0 + 0.03 * t / DAY_S}, False),
        # 0.6 % more energy on the second day, and 0.4 %: half a per cent is the limit.
        ({"energy_kwh": lambda t: t / DAY_S + 0.006 * np.maximum(t / DAY_S - 1, 0)}, False),
        ({"energy_kwh": lambda t: t / DAY_S + 0.004 * np.maximum(t / DAY_S - 1, 0)}, True),
    ],
)
def test_a_run_that_drifts_is_not(signals, settled):
    assert is_settled(repeating(**signals)) is settled


def test_less_than_two_days_are_never_settled():
    assert not is_settled(record_of(47))
    day = record_of(24)
    assert days_agree(day, day.table, day.table)


# Humidity --------------------------------------------------------------------------------


def test_dew_point_against_psychrolib():
    psychrolib.SetUnitSystem(psychrolib.SI)
    temps = np.array([2.0, 5.0, 8.0, 12.0, 20.0, 30.0])
    for humidity in (30.0, 60.0, 95.0):
        record = record_of(6 / 180, row_s=20.0, air_c=temps, air_rh_pct=humidity)
        ours = dew_point_c(record)
        theirs = np.array([psychrolib.GetTDewPointFromRelHum(t, humidity / 100) for t in temps])
        above = theirs > 0.0  # below 0 °C ours is over water, psychrolib's over ice
        assert above.sum() >= 2
        # Magnus against the saturation formulas of the handbook: some hundredths of a kelvin.
        assert np.max(np.abs(ours - theirs)[above]) < 0.05


def test_wall_margin_is_the_least_of_the_day():
    # Air 8 °C at 70 %: dew point 2.85 °C (psychrometric tables); the wall at 4 and 6 °C.
    record = record_of(
        24, air_c=8.0, air_rh_pct=70.0,
        wall_surface_c=lambda t: np.where(t < 12 * HOUR_S, 4.0, 6.0),
    )  # fmt: skip
    assert found_of(record).wall_margin_k == pytest.approx(4.0 - 2.85, abs=0.03)


# The record itself -----------------------------------------------------------------------


def test_the_csv_holds_what_the_record_holds(tmp_path):
    record = record_of(2, air_c=sine(5.0, 1.0, 1200.0), state=float(IDLE))
    record.write_csv(tmp_path / "run.csv", row_s=60.0)
    lines = (tmp_path / "run.csv").read_text(encoding="utf-8").splitlines()
    assert tuple(lines[0].split(",")) == COLUMNS
    assert len(lines) == 1 + 120  # two hours by the minute
    again = np.array([[float(x) for x in line.split(",")] for line in lines[1:]])
    assert again[:, 0] == pytest.approx(np.arange(1, 121) * 60.0)
    assert again == pytest.approx(record.table[2::3], rel=1e-5, abs=1e-6)
    assert [path.name for path in tmp_path.iterdir()] == ["run.csv"]


def test_findings_of_a_real_run_agree_with_its_record():
    config = load_config("seed_store")
    plant = plant_of(config)
    firmware = firmware_of(config, replace(settings_of(config), setpoint_c=6.0, hysteresis_k=2.0,
                                           defrost=None))  # fmt: skip
    record = Loop(plant, firmware, warm_state(plant, config)).run(36 * HOUR_S, 10.0)
    found = found_of(record, 6.0)
    day = record.table[-8640:]
    assert found.air_c.max == day[:, INDEX["air_c"]].max()
    # Energy from the power of every row (the module switches between rows: 1 %).
    mean_w = day[:, INDEX["plug_w"]].mean()
    assert found.energy_kwh_per_day == pytest.approx(mean_w * 0.024, rel=0.01)
    running = day[:, INDEX["duty"]] > 0
    assert found.cycles_per_hour == pytest.approx((np.diff(running.astype(int)) > 0).sum() / 24.0)
    assert found.cycles_per_hour > 1.0
    assert set(found.states_seen) >= {IDLE, COOLING}
    # Every span of the findings lies in order.
    for name, value in asdict(found).items():
        if isinstance(value, dict):
            assert value["min"] <= value["mean"] <= value["max"], name

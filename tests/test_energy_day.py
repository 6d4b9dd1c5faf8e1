"""Energy a day by steady power and defrost increment."""

from dataclasses import replace

import pytest
from larder import recommended_larder

from ctrl.build import plant_of
from ctrl.capability import coldest_holdable, duty_for, limits_of
from ctrl.config import load_config, override
from ctrl.defrost import DefrostSettings
from ctrl.energy_day import (
    BESIDE,
    METHOD,
    OWN,
    PAIR,
    _row,
    summed_kwh_per_day,
    undisturbed,
)
from ctrl.firmware import settings_of
from ctrl.json_energy import row_object
from plant.constants import ZERO_C_K


def test_the_sum_by_hand():
    # 40 W steady, 25 Wh a defrost, one in 10 h: 960 Wh + 60 Wh. E_T = 0.001 x 24 x (P + dE/t),
    # law text of SI 2021/745, schedule 14.
    assert summed_kwh_per_day(40.0, 0.025, 10.0) == pytest.approx(1.020)
    assert summed_kwh_per_day(40.0, 0.0, 24.0) == pytest.approx(0.960)


@pytest.fixture(scope="module")
def found():
    return recommended_larder().energy_day


def test_rooms_and_labels(found):
    assert found.method == METHOD
    assert "estimated by" in found.method
    assert [(row.where, row.ambient_c) for row in found.rows] == [
        (PAIR, 16.0), (PAIR, 32.0), (BESIDE, 25.0), (OWN, 22.0), (OWN, 30.0),
    ]  # fmt: skip


def test_steady_power_meets_the_steady_states(found, note):
    # Simulated with the firmware at a constant room, beside the steady state alone.
    config = load_config("galley_larder")
    base = plant_of(config)
    for row in found.rows[:3]:
        plant = undisturbed(base, row.ambient_c, config.climate.relative_humidity_pct)
        ambient_k = row.ambient_c + ZERO_C_K
        coldest = coldest_holdable(plant, ambient_k, limits_of(config))
        point = duty_for(plant, ambient_k, config.use.target_c + ZERO_C_K, coldest)
        note(f"{row.ambient_c:g} °C: simulated {row.steady_w:.1f} W, steady {point.plug_w:.1f} W")
        assert row.steady_w == pytest.approx(point.plug_w, rel=0.01)
        assert row.energy_kwh_per_day == pytest.approx(0.024 * row.steady_w)


def test_hotter_rooms_cost_more_and_the_pair_is_a_mean(found):
    at = {row.ambient_c: row.energy_kwh_per_day for row in found.rows}
    assert at[16.0] < at[22.0] < at[25.0] < at[30.0] < at[32.0]
    assert found.pair_kwh_per_day == pytest.approx(0.5 * (at[16.0] + at[32.0]))


def test_doors_and_bottles_cost_what_their_heat_takes(found, note):
    note(f"doors {found.doors_kwh_per_day:.4f}, bottles {found.loads_kwh_per_day:.4f} kWh a day")
    # Three half-litre bottles from 20 to 8 °C: 1.6 kg x 3.9 kJ/(kg K) x 12 K = 75 kJ = 21 Wh of
    # heat a day; electricity at a COP of about 0.4 to 0.7 (next watt, fast pulses).
    assert 0.020 < found.loads_kwh_per_day < 0.075
    # Ten openings: 2.9 Wh of heat a day at 25 °C and 60 % in 30 litres (references, worked by
    # hand); walls and a fuller exchange may double it.
    assert 0.002 < found.doors_kwh_per_day < 0.025


def half_hours_rest(drive_kind):
    """Return (energy row, the same without a defrost) at 25 °C, half an hour off every 6 h."""
    config = override(load_config("galley_larder"), drive=drive_kind)
    plan = DefrostSettings.from_physical(
        interval_s=6 * 3600.0, longest_s=1800.0, end_c=20.0, tick_s=1.0
    )
    settings = replace(settings_of(config), setpoint_c=7.9, ti_s=300.0, controller="pi",
                       defrost=plan)  # fmt: skip
    bare = replace(settings, defrost=None)
    return tuple(_row(config, plant_of(config), item, PAIR, 25.0, 1) for item in (settings, bare))


def test_a_rest_on_fast_pulses_costs_next_to_nothing(note):
    # Heat and power both go with on-time: half an hour off is a slow pulse. What is left is
    # the hot fan's rest, 2.4 W for 30 min + 4 min less the run-on: -1.2 Wh at the battery.
    row, bare = half_hours_rest("fast_pwm")
    note(f"fast pulses: dE {1e3 * row.defrost_kwh:.1f} Wh every {row.defrost_interval_h:.3f} h")
    assert row.defrost_interval_h == pytest.approx(6.0, abs=0.02)
    assert bare.defrost_kwh is None
    assert bare.steady_w == pytest.approx(row.steady_w)
    assert -0.0035 < row.defrost_kwh < 0.0
    assert row.energy_kwh_per_day == pytest.approx(
        summed_kwh_per_day(row.steady_w, row.defrost_kwh, row.defrost_interval_h)
    )


def test_a_rest_on_smoothed_current_has_to_be_made_good_at_a_worse_current(note):
    row, _ = half_hours_rest("smoothed")
    note(f"smoothed: dE {1e3 * row.defrost_kwh:.1f} Wh every {row.defrost_interval_h:.3f} h")
    assert row.defrost_kwh > 0.0005


def test_a_room_that_cannot_be_held_says_so():
    config = load_config("summer_fish_box")
    row = _row(config, plant_of(config), settings_of(config), PAIR, 32.0, 1)
    assert row.energy_kwh_per_day is None
    assert row.why.startswith("cannot be held")


def wide_band(ambient_c):
    """Return the seed store's row with a band of 4.4 K, melting every 8 h."""
    config = load_config("seed_store")
    plan = DefrostSettings.from_physical(
        interval_s=8 * 3600.0, longest_s=1800.0, end_c=3.0, drip_s=240.0, tick_s=1.0
    )
    settings = replace(settings_of(config), setpoint_c=4.3, hysteresis_k=4.4, min_on_s=180.0,
                       min_off_s=180.0, defrost=plan)  # fmt: skip
    return _row(config, plant_of(config), settings, OWN, ambient_c, 1)


def test_no_steady_power_is_told_where_ice_grows_day_by_day(note):
    # Without a defrost the 28 °C room blocks the sink further each day.
    row = wide_band(28.0)
    note(f"{row.energy_kwh_per_day:.3f} kWh a day; {row.note}")
    assert row.steady_w is None
    assert row.defrost_kwh is None
    # How its days differ is a number of the row, in the note and in JSON.
    assert row.most_frost_change_g > 0.1
    told = row_object(load_config("seed_store"), row)
    assert f"changes by {told['most_frost_change_g']:+.1f} g from one day" in row.note
    assert f"±{told['spread_w']:.1f} W" in row.note
    # Ten settled days of the same loop mean 87.65 W at 3.9 °C, 4 °C wanted.
    assert row.energy_kwh_per_day == pytest.approx(2.10, abs=0.02)


def test_an_increment_lost_among_relay_cycles_has_its_spread(note):
    row = wide_band(20.0)
    note(f"dE {1e3 * row.defrost_kwh:.1f} ± {1e3 * row.spread_kwh:.1f} Wh")
    assert row.spread_kwh > 0.0
    assert row.energy_kwh_per_day == pytest.approx(
        summed_kwh_per_day(row.steady_w, row.defrost_kwh, row.defrost_interval_h)
    )


def test_a_room_colder_than_the_target_has_no_energy():
    config = override(load_config("galley_larder"), target_c=18.0)
    row = _row(config, plant_of(config), settings_of(config), PAIR, 16.0, 1)
    assert row.energy_kwh_per_day is None
    assert "colder" in row.why

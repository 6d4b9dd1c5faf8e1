"""Gains over duty and room: where they reverse, and what the duty limit keeps off."""

import numpy as np
import pytest

from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.candidates import with_drive
from ctrl.capability import PEAK_MARGIN, at_duty
from ctrl.config import load_config
from ctrl.gain_map import Reversal, gain_map, steady_gain_at
from ctrl.screen_identify import reversal_text
from plant.constants import ZERO_C_K

DUTIES = (0.1, 0.4, 0.7, 1.0)


@pytest.fixture(scope="module")
def maps():
    """Maps of the film box by drive, at 0.03 rad/s."""
    config = load_config("film_box")
    plant = plant_of(config)
    return {kind: gain_map(config, plant, kind, 0.03, DUTIES) for kind in ("fast_pwm", "smoothed")}


def test_pulses_may_rise_to_full_duty(maps):
    found = maps["fast_pwm"]
    assert found.first_reversal is None and found.margin is None
    assert found.limit.duty == 1.0
    assert min(point.steady_gain_k for point in found.points) > 0.0
    assert "does not reverse" in reversal_text(found, 12.0)


def test_a_smoothed_drive_reverses_where_the_cabinet_is_coldest(maps):
    """Another way to the same duty: the steady reading there is least, +/-0.03 about it."""
    config, found = load_config("film_box"), maps["smoothed"]
    plant = with_drive(plant_of(config), "smoothed")
    for item in found.reversals:
        moved = at_ambient(plant, item.ambient_c, humidity_at(config, item.ambient_c))
        near = item.duty + np.array([-0.03, 0.0, 0.03])
        air = [at_duty(moved, duty, item.ambient_c + ZERO_C_K).air_k for duty in near]
        assert air[1] < air[0] and air[1] < air[2]


def test_the_limit_stands_below_the_reversal_of_every_room(maps):
    """0.9 of peak cooling at the highest voltage: so at the usual one at least that far."""
    found, config = maps["smoothed"], load_config("film_box")
    assert found.limit.decided_by == "peak cooling in the coldest room"
    for item in found.reversals:
        assert found.limit.duty <= PEAK_MARGIN * item.duty + 0.002
    assert 0.0 < found.margin < 0.2
    text = reversal_text(found, config.use.target_c)
    assert "below the first reversal" in text and "KEEP" not in text


def test_gains_fall_as_duty_rises(maps):
    for found in maps.values():
        for room in {point.ambient_c for point in found.points}:
            steady = [p.steady_gain_k for p in found.points if p.ambient_c == room]
            assert np.all(np.diff(steady) < 0.0)
    assert maps["smoothed"].highest.duty == 0.1
    assert maps["smoothed"].lowest.duty == 0.7  # 1.0 lies beyond the limit
    assert maps["smoothed"].lowest.steady_gain_k > 0.0


def test_a_reversal_that_could_catch_the_control_is_told():
    warm = Reversal(35.0, 0.8, limit_reading_c=9.0)
    assert not warm.is_kept(0.9, 5.0)  # too warm at the limit: it asks for ever more
    assert warm.is_kept(0.9, 12.0)  # colder than wanted: it never stays there
    assert warm.is_kept(0.72, 5.0)
    assert Reversal(20.0, None).is_kept(1.0, -50.0)


def test_the_onset_of_frost_is_no_gain():
    """A seed store's relay at 28 °C: the sink is at -0.06 °C at 85 % duty.

    The slope in the bend is 17 K a unit of duty; 2 % of duty to either side it is above 21.
    """
    config = load_config("seed_store")
    plant = at_ambient(plant_of(config), 28.0, humidity_at(config, 28.0))
    found = gain_map(config, plant_of(config), "relay", 0.01, (0.55, 0.7, 0.85, 1.0))
    point = next(p for p in found.points if p.duty == 0.85 and p.ambient_c == 28.0)
    sides = [steady_gain_at(plant, duty, 28.0 + ZERO_C_K) for duty in (0.82, 0.88)]
    inside = steady_gain_at(plant, 0.85, 28.0 + ZERO_C_K)
    print(f"in the bend {inside:.1f}, across it {point.steady_gain_k:.1f}, beside it {sides}")
    assert point.across_frost and inside < 0.85 * min(sides)
    assert point.steady_gain_k == pytest.approx(sum(sides) / 2.0, rel=0.08)
    assert not any(p.across_frost for p in found.points if p.duty == 0.55)

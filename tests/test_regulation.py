"""A door opening under control, where the plant answers least."""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import plant_of
from ctrl.candidates import pi_candidate
from ctrl.capability import at_duty
from ctrl.config import load_config
from ctrl.record import COLUMNS, INDEX, Record
from ctrl.regulation import door_recovery, recovery_of
from plant import cabinet


def record_of(air_c):
    table = np.zeros((len(air_c), len(COLUMNS)))
    table[:, INDEX["time_s"]] = 5.0 * np.arange(1, len(air_c) + 1)
    table[:, INDEX["air_c"]] = air_c
    return Record(table, 1.0, 5.0, np.zeros(1), np.zeros(1), 0.0, 0.0, 1, 0)


def test_back_means_back_for_good():
    calm = record_of(np.full(10, 5.0))
    rise = np.array([0.0, 3.0, 1.0, 0.1, 0.3, 0.1, 0.0, 0.0, 0.0, 0.0])
    # Rows end at 5, 10, ... s; the sixth, at 30 s, is the first that stays within 0.2 K.
    assert recovery_of(record_of(5.0 + rise), calm, 10.0) == (pytest.approx(3.0), 20.0)
    assert recovery_of(record_of(5.0 + rise[:2]), record_of(np.full(2, 5.0)), 5.0)[1] is None
    assert recovery_of(calm, calm, 10.0) == (0.0, 0.0)


@pytest.fixture(scope="module")
def tuned():
    """(config, plant, PI candidate) of the film box, its own drive."""
    config = load_config("film_box")
    plant = plant_of(config)
    return config, plant, pi_candidate(config, plant, config.drive.kind, 11.8, True)


def test_stability_at_the_highest_gain_regulation_at_the_lowest_held(tuned):
    _, _, item = tuned
    gains = item.pi.gains_k
    assert len(gains) == len(item.tuned_at)
    assert gains[item.pi.highest] == max(gains)
    assert gains[item.pi.lowest] < gains[item.pi.highest]
    assert item.regulation.duty == pytest.approx(
        float(item.tuned_at[item.pi.lowest].split()[1].rstrip(",")), abs=0.006
    )
    assert 0.0 < item.regulation.recovers_s < 3600.0
    print(f"door: {item.regulation.peak_k:.1f} K, back after {item.regulation.recovers_s:.0f} s")


def test_a_longer_opening_takes_longer_to_get_over(tuned):
    config, plant, item = tuned
    point = at_duty(plant, 0.3, plant.climate.mean_k)
    ratio = float(point.inputs[cabinet.AMBIENT_W])
    found = []
    for open_s in (15.0, 120.0):
        use = config.use.model_copy(update={"door_open_s": open_s, "door_openings_per_day": 4})
        other = config.model_copy(update={"use": use})
        found.append(door_recovery(other, plant, item.settings, point, ratio))
    assert found[1].recovers_s > found[0].recovers_s > 0.0
    assert found[0].peak_k > 1.0
    weak = replace(item.settings, kp_pct_per_k=2.0, ti_s=900.0)
    slow = door_recovery(other, plant, weak, point, ratio)
    assert slow.recovers_s > found[1].recovers_s

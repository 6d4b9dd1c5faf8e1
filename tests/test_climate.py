"""The day outside: extremes, openings and loads counted tick by tick."""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest

from plant import cabinet, climate
from plant.constants import ZERO_C_K


def record_of(day):
    """The record a kernel takes."""
    dtype = cabinet.PLANT_DTYPE["climate"]
    values = tuple(getattr(day, name) for name in dtype.names)
    return np.array([values], dtype=dtype).view(np.recarray)[0]


@pytest.fixture
def day(example_plant):
    """25 C, 6 K of swing, hottest at 15 h, doors 8 to 22 h (invented)."""
    return example_plant.climate


def test_daily_swing(day):
    """The cosine by hand: 28 C at 15 h, 22 C at 3 h, 25 C at 9 and 21 h; mean 25 C."""
    hours = np.arange(0.0, 24.0, 0.25)
    temps = [climate.ambient_temperature(record_of(day), 3600.0 * h) - ZERO_C_K for h in hours]
    at = dict(zip(hours, temps, strict=True))
    assert (at[15.0], at[3.0], at[9.0], at[21.0]) == pytest.approx((28.0, 22.0, 25.0, 25.0))
    assert np.mean(temps) == pytest.approx(25.0, abs=1e-9)
    assert max(temps) == at[15.0]
    tomorrow = climate.ambient_temperature(record_of(day), 86400.0 + 15.0 * 3600.0) - ZERO_C_K
    assert tomorrow == pytest.approx(28.0)


def test_humidity_is_capped_at_saturation(day):
    # Saturated air at 10 C holds 7.63 g/kg (psychrolib), less than 10 g/kg.
    psychrolib.SetUnitSystem(psychrolib.SI)
    cold = climate.ambient_humidity_ratio(record_of(day), ZERO_C_K + 10.0)
    assert cold == pytest.approx(psychrolib.GetSatHumRatio(10.0, 101325.0), rel=3e-3)
    assert climate.ambient_humidity_ratio(record_of(day), ZERO_C_K + 25.0) == 0.010


def openings(day, days=1):
    """Return (start times [s], ticks open) over `days`, at 1 s ticks."""
    record = record_of(day)
    is_open = np.array(
        [climate.door_is_open(record, float(t)) for t in range(days * 86400)], dtype=int
    )
    starts = np.nonzero(np.diff(np.concatenate([[0], is_open])) == 1)[0]
    return starts, int(is_open.sum())


@pytest.mark.parametrize("count", [1, 2, 7, 12, 45])
def test_every_opening_comes_and_lasts(day, count):
    starts, ticks = openings(replace(day, doors_per_day=count))
    assert len(starts) == count
    assert ticks == pytest.approx(count * day.door_open_s, abs=count)  # whole ticks
    assert starts[0] == day.door_first_hour * 3600.0
    if count > 1:  # the last one at its hour, to a tick
        assert starts[-1] == pytest.approx(day.door_last_hour * 3600.0, abs=1)
    if count > 2:
        assert np.ptp(np.diff(starts)) <= 1  # even, to a tick


def test_second_day_is_like_the_first(day):
    starts, _ = openings(day, days=2)
    assert np.array_equal(starts[12:], starts[:12] + 86400)


def test_no_doors(day):
    assert openings(replace(day, doors_per_day=0)) == (pytest.approx([]), 0)


@pytest.mark.parametrize("tick_s", [0.25, 1.0, 7.0])
def test_load_comes_once_a_day_whatever_the_tick(day, tick_s):
    record = record_of(day)
    times = np.arange(0.0, 3 * 86400.0, tick_s)
    due = [t for t in times if climate.load_is_due(record, t, tick_s)]
    assert len(due) == 3
    for n, time_s in enumerate(due):
        assert 0.0 <= time_s - (n * 86400.0 + 18.0 * 3600.0) < tick_s


def test_no_load_when_nothing_is_exchanged(day):
    idle = record_of(replace(day, load_share=0.0))
    assert not any(climate.load_is_due(idle, 64800.0 + t, 1.0) for t in (-1.0, 0.0, 1.0))

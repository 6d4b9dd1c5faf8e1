"""Random valid configurations: whatever a maker may write, the balances close.

Keys of a shipped cabinet are drawn anew within their declared ranges, a few at a time; what
the config's own checks refuse is thrown away.
"""

from math import exp, log

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from ctrl.build import plant_of
from ctrl.config import ConfigError, build_config, config_fields, load_config, plain_data
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop, energy_residual, water_residual
from ctrl.recommend import provisional
from ctrl.shipped import shipped_names
from ctrl.trial import warm_state
from plant import cabinet
from plant.steady import NoSteadyState

HOURS = 5.0
ENERGY_LIMIT, WATER_LIMIT = 1e-6, 1e-9  # of what flowed; the design's limits
FIELDS = {row.key: row for row in config_fields()}
BASES = {name: plain_data(load_config(name)) for name in shipped_names()}
MASSES = ("frost_g", "sink_water_g", "wall_water_g", "water_out_g")


def numeric_keys(data):
    """Return the stated keys with a declared range, as (section, key)."""
    return [
        (section, key)
        for section, table in data.items()
        for key, value in table.items()
        if isinstance(value, int | float) and not isinstance(value, bool)
        and FIELDS.get(f"{section}.{key}") is not None
        and FIELDS[f"{section}.{key}"].low is not None
    ]  # fmt: skip


def drawn_value(draw, row, whole):
    """Draw within a key's range, ends included; by ratios where it spans decades."""
    low, high = row.low, row.high
    if whole:
        return draw(st.integers(int(low), int(high)))
    if low > 0.0 and high / low > 50.0:
        return min(max(exp(draw(st.floats(log(low), log(high)))), low), high)
    return draw(st.floats(low, high))


@st.composite
def valid_configs(draw):
    """Return a shipped config with up to twelve keys drawn anew, if it is sound."""
    name = draw(st.sampled_from(sorted(BASES)))
    data = {section: dict(table) for section, table in BASES[name].items()}
    keys = numeric_keys(data)
    for section, key in draw(st.lists(st.sampled_from(keys), max_size=12, unique=True)):
        row = FIELDS[f"{section}.{key}"]
        data[section][key] = drawn_value(draw, row, row.kind == "a whole number")
    try:
        config = build_config(data, "drawn")
        firmware_of(config, settings_of(config))
    except (ConfigError, ValueError):
        # Refused in so many words: by the file's checks, or as not to be held in words.
        event("refused")
        assume(False)
    event(name)
    return config


def run_of(config, hours=HOURS):
    """Return (plant, loop, record) of a run from a warm start."""
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    return plant, loop, loop.run(hours * 3600.0, 60.0)


@settings(max_examples=150, suppress_health_check=[HealthCheck.filter_too_much,
                                                   HealthCheck.too_slow])  # fmt: skip
@given(config=valid_configs())
def test_balances_close_and_nothing_is_impossible(config):
    plant, loop, record = run_of(config)
    assert abs(record.energy_residual_rel) < ENERGY_LIMIT
    assert abs(record.water_residual_rel) < WATER_LIMIT
    assert np.isfinite(record.table.view(np.float64)).all()
    assert np.isfinite(loop.state).all()
    for name in MASSES:
        assert record[name].min() >= 0.0
    assert loop.state[cabinet.VAPOUR] >= 0.0 and loop.state[cabinet.FROST_VOLUME] >= -1e-15
    assert 0.0 <= record["duty"].min() and record["duty"].max() <= 1.0
    assert 0.0 <= record["frozen_share"].min() and record["frozen_share"].max() <= 1.0
    assert np.all(np.diff(record["energy_kwh"]) >= 0.0)
    assert_driven_hot_sink_is_warm(record)


def assert_driven_hot_sink_is_warm(record):
    """Heat goes out at the hot sink: driven all of the last two hours, it is above the room."""
    last = record.last(2 * 3600.0)
    if last["duty"].min() < 0.5:
        return
    event("driven for two hours")
    # The room swings over the day and the sink lags: above its coldest moment in any case.
    assert last["hot_sink_c"].mean() > record["ambient_c"].min()
    assert last["hot_face_c"].mean() > last["hot_sink_c"].mean()


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much,
                                                  HealthCheck.too_slow])  # fmt: skip
@given(config=valid_configs())
def test_first_look_answers_or_says_that_there_is_no_steady_state(config):
    try:
        found = provisional(config)
    except NoSteadyState as error:
        event("no steady state")
        assert "\n" not in str(error)
        return
    event("in reach" if found.reaches_target else "out of reach")
    assert np.isfinite([found.usual.contents_c, found.worst.contents_c]).all()
    assert found.usual.decided_by and found.worst.decided_by
    # A warmer room never lets it get colder; what holds the target draws power.
    assert found.worst.contents_c > found.usual.contents_c - 0.05 or (
        found.worst_ambient_c <= found.usual_ambient_c
    )
    assert found.usual_plug_w is None or 0.0 <= found.usual_plug_w < 5000.0


# Negative controls: the limits above would show a fault --------------------------------


@pytest.mark.parametrize("name", shipped_names())
def test_a_thousandth_of_the_rejected_heat_unbooked_shows(name):
    """Between pieces of a run the hot sink loses 0.1 % of what it rejected, booked nowhere."""
    config = load_config(name)
    plant, loop, _ = run_of(config, 1.0)
    record = cabinet.to_record(plant)
    first = loop.state.copy()
    for _ in range(12):
        part = loop.run(600.0, 60.0)
        sink = plant.hot_sink
        film = sink.no_fan_w_per_k + part["hot_fan"] * (sink.fan_w_per_k - sink.no_fan_w_per_k)
        rejected_j = np.mean(film * (part["hot_sink_c"] - part["ambient_c"])) * 600.0
        loop.state[cabinet.HOT_SINK] -= 1e-3 * rejected_j / plant.hot_sink.heat_capacity_j_per_k
    shown = abs(energy_residual(record, first, loop.state))
    print(f"{name}: {shown:.1e} against {ENERGY_LIMIT:.0e}")
    assert shown > ENERGY_LIMIT


def test_a_milligram_of_water_unbooked_shows():
    plant, loop, _ = run_of(load_config("benchmark"), 1.0)
    first = loop.state.copy()
    loop.run(3600.0, 60.0)
    sound = abs(water_residual(first, loop.state))
    lost = loop.state.copy()
    lost[cabinet.VAPOUR] -= 1e-6
    assert sound < WATER_LIMIT < abs(water_residual(first, lost))


def test_the_draw_reaches_far():
    """The drawn ranges are wide, and there are many keys to draw."""
    row = FIELDS["cabinet.inside_width_mm"]
    assert row.high / row.low >= 5.0
    assert sum(len(numeric_keys(data)) for data in BASES.values()) > 250
    assert FIELDS["use.target_c"].low < 0.0

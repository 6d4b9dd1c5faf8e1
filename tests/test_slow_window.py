"""Time-proportioning: the mean is the duty, minimum times are kept, the loop holds on it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ctrl.build import plant_of
from ctrl.candidates import on_off_candidate, pi_candidate
from ctrl.config import ConfigError, build_config, load_config, plain_data
from ctrl.findings import findings_of
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop
from ctrl.protection import P_FINAL, P_OUTPUT, P_SUM_PERMILLE
from ctrl.recommend import _with_life
from ctrl.slow_window import (
    WINDOW_OWED,
    WINDOW_STATE_WORDS,
    SlowWindowSettings,
    advance_window,
    on_ticks,
    reset_window,
)
from ctrl.trial import warm_state
from plant import drive

HOUR_S = 3600.0


def windowed(window_s=60.0, least_s=5.0, controller=None):
    """The seed store with a slow window in place of its relay."""
    data = plain_data(load_config("seed_store"))
    data["drive"] = {"kind": "slow_window", "window_s": window_s, "window_min_on_s": least_s,
                     "switch_resistance_ohm": 0.01}  # fmt: skip
    data["controller"] = controller or {"kind": "pi", "kp_pct_per_k": 8.0, "ti_s": 3000.0}
    return build_config(data, "windowed")


def played(duties, window, least, cuts=None):
    """Outputs [1/1000] for a row of duties [1/1000], and the state at the end."""
    words = SlowWindowSettings(window, least).to_words()
    state = np.zeros(WINDOW_STATE_WORDS, dtype=np.int64)
    reset_window(words, 0, state, 0)
    cuts = np.zeros(len(duties), dtype=int) if cuts is None else cuts
    outs = [
        advance_window(words, 0, state, 0, int(d), int(c))
        for d, c in zip(duties, cuts, strict=True)
    ]
    return np.array(outs), state


def runs(outs):
    """Lengths of on and of off stretches that begin and end inside the row."""
    edges = np.flatnonzero(np.diff(outs)) + 1
    lengths = np.diff(edges)
    on = outs[edges[:-1]] > 0
    return lengths[on], lengths[~on]


@pytest.mark.parametrize("permille", [1, 37, 83, 250, 333, 500, 777, 917, 999])
def test_mean_over_many_windows_is_the_duty(permille):
    """Bresenham's count: the sum given and the sum asked differ by less than one minimum."""
    window, least = 60, 5
    outs, state = played(np.full(6000 + least, permille), window, least)
    given = outs[least:].sum()
    assert abs(given - 6000 * permille) <= 1000 * max(least / 2, 0.5)
    assert given + state[WINDOW_OWED] == 6000 * permille
    on, off = runs(outs)
    assert np.all(on >= least) and np.all(off >= least)


def test_ends_of_the_range():
    assert not played(np.zeros(500), 60, 5)[0].any()
    full, _ = played(np.full(500, 1000), 60, 5)
    assert not full[:5].any() and full[5:].all()  # the wait after a reset, then never off


def test_window_without_length_passes_the_duty_through():
    duties = np.arange(0, 1001, 7)
    assert np.array_equal(played(duties, 0, 0)[0], duties)


@pytest.mark.parametrize(
    ("wanted", "ticks"),
    [(-900, 0), (0, 0), (2499, 0), (2500, 5), (4999, 5), (5400, 5), (5500, 6), (30000, 30),
     (54500, 55), (55400, 55), (57499, 55), (57500, 60), (60000, 60), (99000, 60)],
)  # fmt: skip
def test_nearest_allowed_time_on(wanted, ticks):
    # Allowed in 60 ticks with at least 5: 0, 5 to 55, 60; half way goes up (by hand).
    assert on_ticks(60, 5, wanted) == ticks


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 1000), st.integers(1, 90)), min_size=1, max_size=25),
    st.integers(2, 90),
    st.integers(0, 45),
    st.lists(st.integers(0, 1500), max_size=4),
)
def test_any_duty_keeps_minimum_times_and_owes_little(blocks, window, least, cut_at):
    """Whatever is asked: no off-time below the minimum, no on-time either unless cut short."""
    least = min(least, int(window / 2))
    duties = np.repeat([d for d, _ in blocks], [n for _, n in blocks])
    cuts = np.zeros(len(duties), dtype=int)
    for at in cut_at:
        cuts[at : at + 3] = 1
    outs, state = played(duties, window, least, cuts)
    assert set(outs) <= {0, 1000}
    on, off = runs(outs)
    assert np.all(off >= least)
    if not cuts.any():
        assert np.all(on >= least)
        asked, had = duties[least:].sum(), outs[least:].sum()
        assert state[WINDOW_OWED] == asked - had  # nothing is lost
    assert not outs[cuts == 1].any()
    assert abs(state[WINDOW_OWED]) <= 1000 * window


def test_a_cut_is_at_once_and_forgets():
    cuts = np.zeros(200, dtype=int)
    cuts[20:30] = 1
    outs, _ = played(np.full(200, 500), 60, 8, cuts)
    assert outs[19] == 1000 and not outs[20:30].any()
    assert outs[30] == 1000  # ten ticks of cut are longer than the minimum of eight


# Span of a first-order lag of 1200 s and 31 K in a window at half duty: published, computed.
SPAN_K = {2: 0.013, 10: 0.065, 30: 0.19, 60: 0.39}


@pytest.mark.parametrize(("window_s", "published"), SPAN_K.items())
def test_span_of_a_first_order_lag(window_s, published):
    """The lag is stepped exactly, second by second, under the window's own output."""
    outs, _ = played(np.full(9 * 1200, 500), window_s, 0)
    keep = np.exp(-1.0 / 1200.0)
    level = np.empty(len(outs))
    level[0] = 15.5
    for i in range(1, len(outs)):
        level[i] = keep * level[i - 1] + (1.0 - keep) * 31.0 * outs[i] / 1000.0
    digits = 5e-4 if published < 0.1 else 5e-3
    assert np.ptp(level[-4 * window_s :]) == pytest.approx(published, abs=digits)


def test_anti_windup_sees_the_limited_duty_before_the_window():
    config = windowed()
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    seen = []
    for _ in range(300):
        loop.run(1.0, 1.0)
        state = loop.guard_state
        seen.append((state[P_FINAL], state[P_OUTPUT], state[P_SUM_PERMILLE]))
    final, output, counted = np.array(seen).T
    assert set(output) <= {0, 1000}
    assert np.any((final > 0) & (final < 1000))  # the slew limit on the way up
    assert np.array_equal(counted, final)  # period of one tick: the mean is this tick's


@pytest.mark.parametrize("duty", [0.137, 0.4])
def test_fixed_duty_through_the_loop(duty):
    """Record, meter and module all see the window: mean duty and starts of six hours."""
    config = windowed(controller={"kind": "fixed", "fixed_duty": duty})
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    record = loop.run(6 * HOUR_S, 20.0)
    whole = (6 * HOUR_S - 30) / (6 * HOUR_S)  # slewing up and the wait of a reset
    assert record["duty"].mean() == pytest.approx(duty * whole, abs=1.5e-3)
    assert record["starts"][-1] == pytest.approx(360, abs=2)
    assert abs(record.energy_residual_rel) < 1e-9


def test_pi_holds_on_a_slow_window_and_the_relays_life_is_counted():
    config = windowed()
    plant = plant_of(config)
    item = pi_candidate(config, plant, "slow_window", 5.0, True)
    assert (item.controller, item.drive, item.fits) == ("pi", "slow_window", True)
    assert on_off_candidate(config, plant, "relay", 5.0, True).settings.window_s == 0.0
    tuned = replace(item.settings, setpoint_c=6.0)
    loop = Loop(item.plant, firmware_of(config, tuned), warm_state(plant, config))
    loop.run(36 * HOUR_S, 20.0)
    record = loop.run(24 * HOUR_S, 20.0)
    quiet = record["reading_c"][(record["door"] == 0.0) & (record["state"] == 1.0)]
    print(f"windowed PI: {quiet.mean():.3f} C, {item.settings.kp_pct_per_k} %/K")
    assert quiet.mean() == pytest.approx(6.0, abs=0.3)
    found = findings_of(record, 6.0, 1.0, "mains plug")
    assert 30.0 < found.cycles_per_hour <= 60.1
    # 1e5 switchings at 60 an hour: 0.19 years (life table: 20 an hour are 0.57 years).
    life = _with_life(config, item, found).relay_life_years
    assert life == pytest.approx(1e5 / (found.cycles_per_hour * 8766.0), rel=1e-9)
    assert life == pytest.approx(0.57 / 3.0, rel=0.6)


def test_a_longer_window_asks_for_a_slower_loop():
    gains = []
    for window_s in (10.0, 600.0):
        config = windowed(window_s)
        gains.append(pi_candidate(config, plant_of(config), "slow_window", 5.0, True).settings)
    assert [g.period_s for g in gains] == [1.0, 10.0]
    print([(g.kp_pct_per_k, g.ti_s) for g in gains])
    assert gains[1].kp_pct_per_k < gains[0].kp_pct_per_k


def test_a_thermostat_needs_no_window():
    config = windowed(controller={"kind": "on_off"})
    firmware = firmware_of(config, settings_of(config))
    assert firmware.protection.window.window_ticks == 0
    assert firmware.protection.switch_only == 1


def test_window_is_a_relay_to_the_physics():
    assert plant_of(windowed()).drive.kind == drive.RELAY


@pytest.mark.parametrize(
    ("keys", "key"),
    [({"window_s": 20.0, "window_min_on_s": 11.0}, "drive.window_min_on_s"),
     ({"window_s": 1.0}, "drive.window_s")],
)  # fmt: skip
def test_bad_windows_are_refused(keys, key):
    data = plain_data(windowed())
    data["drive"] = {"kind": "slow_window", **keys}
    with pytest.raises(ConfigError) as caught:
        build_config(data, "windowed")
    assert key in {problem.key for problem in caught.value.problems}
    for window, least in ((1, 0), (60, 31), (40000, 5)):
        with pytest.raises(ValueError):
            SlowWindowSettings(window, least)


@pytest.mark.parametrize(
    ("window_s", "near"), [(20.5, "such as 20 or 21 s"), (2.3, "such as 2 or 3 s")]
)
def test_a_window_is_whole_ticks(window_s, near):
    data = plain_data(windowed())
    data["drive"] = {"kind": "slow_window", "window_s": window_s, "window_min_on_s": 1.0}
    with pytest.raises(
        ConfigError, match=rf"window_s = {window_s}: .*ticks of 1 s, {near}"
    ) as told:
        build_config(data, "windowed")
    assert len(told.value.problems) == 1
    data["drive"]["window_s"] = 21.0
    assert build_config(data, "windowed").drive.window_s == 21.0

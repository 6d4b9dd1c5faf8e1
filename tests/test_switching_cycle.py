"""The thermostat's predicted cycle against the nonlinear plant, and the band it leads to."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from ctrl import linearise, on_off, switching_cycle, tuning
from plant import cabinet, drive, heat_sinks, integrate, sensors, steady
from plant.compiled import kernel
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0


@kernel
def run_thermostat(
    plant, state, inputs, settings, memory, late_ticks, with_fans, seconds, switches, work
):
    """Run `ctrl.on_off` on the plant with ticks of 1 s; return (lowest, highest, switchings)."""
    hint, count, wait = 1.0, 0, 0
    lowest, highest = 1e9, -1e9
    duty = 0
    for k in range(seconds):
        reading = int(np.floor(100.0 * (state[cabinet.CONTROL_SENSOR] - ZERO_C_K) + 0.5))
        asked = on_off.step(settings, memory, reading)
        wait = wait + 1 if asked != duty else 0
        if wait > late_ticks:
            duty, wait = asked, 0
            switches[count % switches.size] = k
            count += 1
        inputs[cabinet.DUTY] = duty / 1000.0
        if with_fans:
            inputs[cabinet.HOT_FAN] = 1.0 if duty > 0 else 0.0
            inputs[cabinet.COLD_FAN] = inputs[cabinet.HOT_FAN]
        hint = integrate.advance(plant, state, inputs, 1.0, hint, work)
        if k > seconds - 20000:
            lowest = min(lowest, state[cabinet.CONTROL_SENSOR])
            highest = max(highest, state[cabinet.CONTROL_SENSOR])
    return lowest, highest, count


def relay_cabinet(plant, ratio=0.004, place=sensors.AIR, wiring=heat_sinks.ALWAYS):
    return replace(
        plant,
        drive=replace(plant.drive, kind=drive.RELAY),
        hot_sink=replace(plant.hot_sink, fan_wiring=wiring),
        cold_sink=replace(plant.cold_sink, fan_wiring=wiring),
        climate=replace(plant.climate, humidity_ratio=ratio),
        control_sensor=replace(plant.control_sensor, place=place),
    )


# (band K, humidity ratio, sensor, fan wiring, ticks late, allowed deviation): in damp air
# water settles while on and not while off, which a linear plant cannot follow.
CYCLES = {
    "narrow": (1.0, 0.004, sensors.AIR, heat_sinks.ALWAYS, 1, 0.03),
    "wide": (3.0, 0.004, sensors.AIR, heat_sinks.ALWAYS, 1, 0.03),
    "fans with the module": (1.0, 0.004, sensors.AIR, heat_sinks.WITH_MODULE, 1, 0.03),
    "in the contents": (0.2, 0.004, sensors.CONTENTS, heat_sinks.ALWAYS, 1, 0.03),
    "late": (1.0, 0.004, sensors.AIR, heat_sinks.ALWAYS, 30, 0.03),
    "damp air": (1.0, 0.010, sensors.AIR, heat_sinks.ALWAYS, 1, 0.10),
}


@pytest.mark.parametrize("name", CYCLES)
def test_the_predicted_cycle_is_that_of_the_nonlinear_plant(example_plant, name):
    """Two days of the firmware's thermostat on the whole plant, started at the mean state."""
    band, ratio, place, wiring, late_ticks, allowed = CYCLES[name]
    plant = relay_cabinet(example_plant, ratio, place, wiring)
    setpoint_k = ZERO_C_K + 8.0
    # So many ticks late, and half a tick on average until the reading is looked at.
    switched = switching_cycle.switched_plant(
        plant, setpoint_k, AMBIENT_K, delay_s=late_ticks + 0.5
    )
    # The word of 0.01 K rounds: each end of the band is met half a step early.
    cycle = switched.predict(band - 0.01)
    record = cabinet.to_record(steady.without_freezing(plant))
    op = switching_cycle.holding_point(plant, setpoint_k, AMBIENT_K)
    start = switched.centre.copy()
    start[linearise.CONTENTS] = cycle.contents_mean_k
    state, inputs = linearise.state_of(record, op.state, start), op.inputs.copy()
    settings = on_off.OnOffSettings.from_physical(setpoint_c=8.0, hysteresis_k=band).to_words()
    memory = np.zeros(on_off.STATE_WORDS, dtype=np.int64)
    switches = np.zeros(9)
    low, high, count = run_thermostat(
        record, state, inputs, settings, memory, late_ticks, wiring == heat_sinks.WITH_MODULE,
        172_800, switches, integrate.work_array(),
    )  # fmt: skip
    assert count > 20
    spans = np.diff(np.sort(switches))
    period_s = np.mean(spans[:4] + spans[1:5] + spans[2:6] + spans[3:7]) / 2.0
    assert cycle.period_s == pytest.approx(period_s, rel=allowed)
    assert cycle.reading_swing_k == pytest.approx(high - low, rel=allowed)
    contents_k = cabinet.contents_temperature(record, state)
    assert cycle.contents_mean_k == pytest.approx(contents_k, abs=0.15)


def test_relay_life():
    """6 cycles an hour, 8766 hours a year: 52 596 switchings a year (by hand)."""
    assert tuning.relay_life_years(6.0, 1e5) == pytest.approx(1e5 / 52596.0)
    assert tuning.relay_life_years(0.0, 1e5) == inf


def test_the_relay_decides_the_band(example_plant):
    """The band found just reaches the life wanted; a tenth less band does not."""
    tuned = tuning.tune_on_off(
        relay_cabinet(example_plant), ZERO_C_K + 8.0, AMBIENT_K,
        life_years=3.0, life_cycles=1e5, max_air_swing_k=6.0,
    )  # fmt: skip
    assert tuned.decided_by == "life of the relay"
    assert tuned.life_met and tuned.swing_met
    assert 3.0 <= tuned.relay_life_years < 3.01
    narrower = tuned.predict(0.9 * tuned.hysteresis_k)
    assert tuning.relay_life_years(narrower.cycles_per_hour, 1e5) < 3.0
    assert 60.0 <= tuned.min_on_s <= min(180.0, tuned.cycle.on_s)
    assert 60.0 <= tuned.min_off_s <= min(180.0, tuned.cycle.off_s)


def test_the_swing_comes_before_the_relay(example_plant):
    tuned = tuning.tune_on_off(
        relay_cabinet(example_plant), ZERO_C_K + 8.0, AMBIENT_K,
        life_years=10.0, life_cycles=1e5, max_air_swing_k=3.0,
    )  # fmt: skip
    assert tuned.decided_by == "swing of the air"
    assert not tuned.life_met and tuned.swing_met
    assert 2.99 < tuned.cycle.air_swing_k <= 3.0


def test_without_a_relay_the_reading_decides_the_band(example_plant):
    """Six times 0.05 K of noise."""
    tuned = tuning.tune_on_off(
        relay_cabinet(example_plant), ZERO_C_K + 8.0, AMBIENT_K, noise_k=0.05
    )
    assert tuned.hysteresis_k == pytest.approx(0.3)
    assert tuned.decided_by == "noise and step of the reading"
    assert tuned.relay_life_years == inf


def test_least_times_lengthen_a_short_cycle(example_plant):
    plant = relay_cabinet(example_plant)
    switched = switching_cycle.switched_plant(plant, ZERO_C_K + 8.0, AMBIENT_K)
    free = switched.predict(0.3)
    held = switched.predict(0.3, 90.0, 60.0)
    assert free.on_s < 90.0
    assert held.on_s >= 90.0 - 1e-9 and held.off_s >= 60.0 - 1e-9
    assert held.reading_swing_k > free.reading_swing_k
    assert held.run_share == pytest.approx(free.run_share, abs=0.02)


@pytest.mark.parametrize(("setpoint_c", "reason"), [(-25.0, "not reached"), (30.0, "no cooling")])
def test_no_thermostat_where_it_would_never_switch(example_plant, setpoint_c, reason):
    with pytest.raises(tuning.NoTuning, match=reason):
        tuning.tune_on_off(relay_cabinet(example_plant), ZERO_C_K + setpoint_c, AMBIENT_K)

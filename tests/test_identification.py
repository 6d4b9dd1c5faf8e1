"""The linear plant against the whole firmware loop, by small sines of the duty.

A law of the bench gives a sine through the firmware; duty given and reading, both at the
sine's own frequency, are the loop's true response, whatever else is in the reading.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.bench import at_rest
from ctrl.build import plant_of
from ctrl.candidates import with_drive
from ctrl.capability import at_duty
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import firmware_of, settings_of
from ctrl.linearise import linear_plant, sampled_response, step_response
from ctrl.loop import Loop
from ctrl.trial import steady_state
from plant import cabinet, drive, heat_sinks, integrate, steady
from plant.constants import ZERO_C_K

SETTLED, MEASURED = 3, 5  # periods


class Sine:
    """Duty about a mean, and what was asked."""

    def __init__(self, duty, size, period_s):
        self.duty, self.size, self.omega, self.asked = duty, size, 2.0 * np.pi / period_s, []

    def step(self, reading_c100, tick):
        permille = round(1000.0 * (self.duty + self.size * np.sin(self.omega * tick)))
        self.asked.append(permille / 1000.0)
        return permille


def fine(kind):
    """Return the galley larder in dry air with a quiet, fine sensor, so that small sines show.

    Dry: a wet sink takes water up but gives none back, which bends a sine by some per cent.
    """
    data = plain_data(load_config("galley_larder"))
    fitted = data["sensor"]
    if kind == "digital":
        fitted = {key: fitted[key] for key in ("place", "lag_s", "tolerance_k")}
    else:
        fitted = {**fitted, "adc_bits": 16}
    data["sensor"] = {**fitted, "kind": kind, "noise_k": 0.0}
    data["climate"] = {**data["climate"], "relative_humidity_pct": 5.0}
    return build_config(data, "galley_larder")


def response_of(config, plant, period_s, duty, size, window_s=0.0):
    """Return (response of the loop, of the linear plant at each delay of 0, 1, ... s)."""
    point = at_duty(plant, duty, plant.climate.mean_k)
    linear = linear_plant(plant, point)
    settings = replace(
        settings_of(config), controller="fixed", period_s=1.0, slew_pct_per_s=None,
        defrost=None, window_s=window_s,
    )  # fmt: skip
    state = steady_state(plant, point)
    state[cabinet.CONTROL_SENSOR] = linear.reading_k
    law = Sine(duty, size, period_s)
    loop = Loop(plant, firmware_of(config, settings), state, user_law=law)
    record = loop.run(period_s * (SETTLED + MEASURED), 1.0)
    rows = slice(SETTLED * period_s, None)
    t = np.arange(len(law.asked), dtype=float)[rows]
    # A slow drift of the contents would leak into the sine's own frequency: it goes beside it.
    slow = np.vander((t - t.mean()) / (t[-1] - t[0]), 3)
    both = np.column_stack([np.cos(law.omega * t), np.sin(law.omega * t), slow])

    def at_frequency(signal):
        a, b = np.linalg.lstsq(both, signal[rows], rcond=None)[0][:2]
        return a - 1j * b

    # What is asked, not what a window makes of it: the window is part of the loop.
    found = -at_frequency(record["reading_c"]) / at_frequency(np.array(law.asked))
    return found, linear, np.array([law.omega])


@pytest.mark.parametrize("period_s", [120, 240, 480])
@pytest.mark.parametrize(("kind", "delay_s"), [("thermistor", 0.0), ("digital", 1.0)])
def test_the_sampled_plant_is_what_the_firmware_meets(kind, delay_s, period_s):
    """Sensor lag, conversion, hold: 1 % and 0.1 s; 12 % and 1 s with steps of 1/16 °C in it.

    A digital reading acts a tick after it was taken, a thermistor's in the same tick.
    """
    config = fine(kind)
    found, linear, omega = response_of(config, at_rest(plant_of(config)), period_s, 0.5, 0.2)
    ours = sampled_response(linear, 1.0, delay_s, omega)[0]
    ratio, late_s = abs(found / ours), -np.angle(found / ours) / omega[0]
    print(f"{kind}, {period_s} s: size {ratio:.3f} of the linear plant's, {late_s:+.2f} s later")
    assert ratio == pytest.approx(1.0, abs=0.01 if kind == "thermistor" else 0.12)
    assert abs(late_s) < (0.1 if kind == "thermistor" else 0.9)


@pytest.mark.parametrize("window_s", [60.0, 120.0])
def test_half_a_slow_window_as_dead_time_is_on_the_safe_side(window_s):
    """Sine of 1200 s asked of the window: later than without, and by less than half of it.

    A window is on at its beginning, so its pulse lies before its middle: tuning counts half a
    window and has some to spare.
    """
    data = plain_data(fine("thermistor"))
    data["drive"] = {**data["drive"], "kind": "slow_window", "window_s": window_s}
    data["drive"].pop("frequency_hz", None)
    config = build_config(data, "galley_larder")
    plant = with_drive(at_rest(plant_of(config)), "slow_window")
    found, linear, omega = response_of(config, plant, 1200, 0.5, 0.2, window_s)
    ours = sampled_response(linear, 1.0, 0.0, omega)[0]
    late_s = -np.angle(found / ours) / omega[0]
    print(f"window {window_s:g} s: {late_s:.1f} s later, half of it is {0.5 * window_s:g} s")
    assert -2.0 < late_s < 0.5 * window_s
    assert abs(found / ours) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("ratio", "duty", "regime"), [
    (0.003, 0.4, "dry"), (0.012, 0.4, "wet"), (0.010, 0.9, "frosting"),
])  # fmt: skip
def test_one_per_cent_of_duty_follows_the_nonlinear_plant(example_plant, ratio, duty, regime, sign):
    """Up and down 0.01 about a point of each regime, up to 2 h: within 0.6 % of the step."""
    plant = replace(example_plant, climate=replace(example_plant.climate, humidity_ratio=ratio))
    op = steady.operating_point(plant, duty, ZERO_C_K + 25.0)
    linear = linear_plant(plant, op)
    assert linear.regime == regime
    record = cabinet.to_record(steady.without_freezing(plant))
    state, inputs = op.state.copy(), op.inputs.copy()
    state[cabinet.CONTROL_SENSOR] = linear.reading_k
    inputs[cabinet.DUTY] += 0.01 * sign
    times = np.array([60.0, 300.0, 1800.0, 7200.0])
    work, hint, before, falls = integrate.work_array(), 1.0, 0.0, []
    for time_s in times:
        hint = integrate.advance(record, state, inputs, time_s - before, hint, work)
        before = time_s
        falls.append(linear.reading_k - state[cabinet.CONTROL_SENSOR])
    predicted = 0.01 * sign * step_response(linear, times)
    off = np.max(np.abs(predicted - falls)) / abs(falls[-1])
    print(f"{regime}, {sign:+.0f} %: {100.0 * off:.2f} % of the step off")
    assert off < 0.006


def test_a_fan_on_the_relays_wires_is_part_of_the_gain(example_plant):
    """Difference of two steady states whose fans turn for the relay's share; within 0.5 %.

    Without it the gain of such a cabinet would be that of the module alone.
    """
    part = example_plant
    plant = replace(
        part,
        drive=replace(part.drive, kind=drive.RELAY),
        hot_sink=replace(part.hot_sink, fan_wiring=heat_sinks.WITH_MODULE),
        cold_sink=replace(part.cold_sink, fan_wiring=heat_sinks.WITH_MODULE),
        climate=replace(part.climate, humidity_ratio=0.003),
    )
    ambient_k = ZERO_C_K + 25.0
    points = [at_duty(plant, duty, ambient_k) for duty in (0.595, 0.6, 0.605)]
    slope = (points[0].air_k - points[2].air_k) / 0.01
    linear = linear_plant(plant, points[1])
    found = float((linear.C @ np.linalg.solve(linear.A, linear.B))[0, 0])
    always = replace(
        plant,
        hot_sink=replace(plant.hot_sink, fan_wiring=heat_sinks.ALWAYS),
        cold_sink=replace(plant.cold_sink, fan_wiring=heat_sinks.ALWAYS),
    )
    bare = linear_plant(always, points[1])
    module_alone = float((bare.C @ np.linalg.solve(bare.A, bare.B))[0, 0])
    print(f"gain {found:.2f} K, by difference {slope:.2f} K, module alone {module_alone:.2f} K")
    assert found == pytest.approx(slope, rel=5e-3)
    assert abs(module_alone / slope - 1.0) > 0.02

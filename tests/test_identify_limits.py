"""`identify` where tests and models reach their limits, and the sampled model."""

from dataclasses import replace

import control
import numpy as np
import pytest
from rich.console import Console

from ctrl import screen_identify
from ctrl.bench import at_rest
from ctrl.bench_recipe import recipe_of
from ctrl.build import plant_of
from ctrl.capability import at_duty
from ctrl.cli import main
from ctrl.config import build_config, load_config, plain_data
from ctrl.first_order import FirstOrder, first_order
from ctrl.gain_map import gain_map
from ctrl.identify import allowed_drift_k, identify, settle_hours
from ctrl.linearise import (
    linear_plant,
    steady_gain_k_per_duty,
    step_response,
    time_constants_s,
)
from ctrl.sampled_model import sampled_first_order, sampled_model


@pytest.fixture
def no_maps(monkeypatch):
    monkeypatch.setattr("ctrl.identify.gain_maps", lambda config, linear: ())


def changed(name, **parts):
    data = plain_data(load_config(name))
    for key, values in parts.items():
        data[key] = {**data[key], **values}
    return build_config(data, name)


def linear_of(config, duty):
    plant = at_rest(plant_of(config))
    return linear_plant(plant, at_duty(plant, duty, plant.climate.mean_k))


def test_a_sensor_in_the_contents_integrates_and_its_gain_stays_within_the_plants():
    """117 K was once fitted to a plant whose reading falls 26.4 K in the end."""
    linear = linear_of(changed("galley_larder", sensor={"place": "contents"}), 0.51)
    model = first_order(linear, 1.0)
    print(f"K {model.gain_k:.1f} K, tau {model.tau_s:.0f} s, horizon {model.horizon_s:.0f} s")
    assert model.is_integrating(model.horizon_s)
    assert 0.9 < model.gain_k / steady_gain_k_per_duty(linear) < 1.05
    assert model.response_error_pct < 10.0
    assert not first_order(linear_of(load_config("galley_larder"), 0.51)).is_integrating(400.0)


@pytest.mark.parametrize("place", ["air", "contents"])
def test_after_the_wait_the_slowest_mode_drifts_no_more_than_the_step_allows(place):
    linear = linear_of(changed("galley_larder", sensor={"place": place}), 0.51)
    model = first_order(linear, 1.0)
    fall_k = float(step_response(linear, np.array([model.horizon_s]))[0])
    drift_k = allowed_drift_k(model, 0.4)
    assert drift_k == pytest.approx(0.05 * 0.4 * fall_k, rel=0.15)
    slowest_s = time_constants_s(linear)[-1]
    wait_s = 3600.0 * settle_hours(linear, model, drift_k, 14.0)
    left = [14.0 * np.exp(-t / slowest_s) for t in (wait_s, wait_s + model.horizon_s)]
    print(f"{place}: {wait_s / 3600.0:.1f} h, then {left[0] - left[1]:.3f} K a step")
    assert left[0] - left[1] < 1.001 * drift_k


def test_the_misfit_is_told_against_the_largest_fall():
    """Near peak cooling a step ends near where it began."""
    assert first_order(linear_of(load_config("film_box"), 0.95), 1.0).fit_error_pct < 150.0


def test_noise_alone_is_no_model(no_maps, capsys):
    """Hot room, a tenth of duty: no room for a step that a 1/16 °C sensor would show."""
    config = changed("galley_larder", climate={"usual_c": 45.0, "worst_c": 50.0})
    found = identify(config, duty=0.1)
    assert (found.step, found.relay) == (None, None)
    assert len(found.models) == 1
    assert "is no model" in found.missing[0][1]
    text = recipe_of(found)
    assert len(text) == 1 and text[0].startswith("None at this duty")
    out = Console(width=400, record=True, quiet=False)
    screen_identify.show(out, found)
    assert "nan" not in out.export_text()
    capsys.readouterr()
    assert main(["identify", "galley_larder", "--duty", "3"]) == 1
    printed = " ".join(capsys.readouterr().out.split())
    assert "None at this duty and in this room: no step test: no room for a step" in printed


@pytest.mark.parametrize("dead_time_s", [0.0, 4.0, 14.7, 15.0])
def test_the_sampled_first_order_is_that_of_the_control_library(dead_time_s):
    model, period_s = FirstOrder(3.3, 169.0, dead_time_s), 5.0
    delay, (n0, n1), (d0, d1) = sampled_first_order(model, period_s)
    # Without the dead time's rest the library samples it; with it, its step says the same.
    lag = control.sample_system(control.tf([3.3], [169.0, 1.0]), period_s, "zoh")
    if dead_time_s % period_s == 0.0:
        assert n1 == pytest.approx(0.0, abs=1e-12)
        assert n0 == pytest.approx(lag.num[0][0][-1]) and d1 == pytest.approx(lag.den[0][0][-1])
    ours = control.tf([n0, n1], [d0, d1] + [0.0] * delay, period_s)
    t = period_s * np.arange(60)
    exact = 3.3 * -np.expm1(-np.maximum(t - dead_time_s, 0.0) / 169.0)
    # tf in z: (n0 z + n1)/(z^delay (d0 z + d1)).
    assert control.step_response(ours, t).outputs == pytest.approx(exact, abs=1e-9)


def test_half_a_window_is_in_the_sampled_model():
    config = load_config("galley_larder")
    data = plain_data(config)
    data["drive"] = {**data["drive"], "kind": "slow_window", "window_s": 60.0}
    data["drive"].pop("frequency_hz", None)
    slow = build_config(data, "galley_larder")
    linear = linear_of(config, 0.51)
    model = first_order(linear, 1.0)
    one, two = (sampled_model(item, linear, model, 1.0) for item in (config, slow))
    assert two.delay_s - one.delay_s == pytest.approx(30.0)
    assert (two.delay_samples - one.delay_samples) * one.period_s == pytest.approx(30.0)
    assert one.error_pct < 15.0 and two.error_pct < 15.0
    gain = sum(one.numerator) / sum(one.denominator)
    assert gain == pytest.approx(model.gain_k)
    slowest = np.exp(-one.period_s / time_constants_s(linear)[-1])
    assert one.plant_poles[-1].real == pytest.approx(slowest, rel=1e-6)


def test_gain_maps_show_the_short_term_gain_and_name_the_configs_own_drive():
    config = load_config("galley_larder")
    item = gain_map(config, plant_of(config), "fast_pwm", 0.01, duties=(0.5,))
    assert screen_identify.drive_title(item, "slow_window").endswith("(this config's)")
    regulated = replace(item, drive="current")
    assert screen_identify.drive_title(regulated, "current") == (
        "regulated current (this config's)"
    )
    assert screen_identify.drive_title(item, "smoothed") == "fast PWM, or a relay's mean"
    out = Console(width=100, record=True, quiet=False)
    screen_identify._gains(out, item, config)
    text = out.export_text()
    for point in item.points:
        assert f"{point.short_gain_w:.0f}" in text
    assert "short-term" in text

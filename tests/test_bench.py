"""Step and relay tests from readings alone: exact on a plant they assume, near on a real one."""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.bench import (
    NoBenchTest,
    Relay,
    Timed,
    at_rest,
    fit_readings,
    lagged,
    noise_error,
    ruled_line,
    square_by_hand,
    three_readings,
)
from ctrl.bench_recipe import recipe_of
from ctrl.bench_relay import RelayCycle, hand_model, measured_cycle, model_at, model_of_cycle
from ctrl.build import plant_of
from ctrl.capability import at_duty
from ctrl.config import load_config
from ctrl.first_order import (
    FirstOrder,
    first_order,
    first_order_response,
    first_order_step,
    limit_cycle,
    response_error_pct,
)
from ctrl.identify import LINEAR, RELAY, STEP, identify, off_pct
from ctrl.linearise import frequency_response, linear_plant

MODEL = FirstOrder(3.4, 170.0, 15.0)


def step_readings(noise_k=0.0, seed=1, model=MODEL, size=0.3, length=400):
    """Return (duty, reading, start duty) of a step after 100 ticks of 1 s."""
    duty = np.where(np.arange(100 + length) < 100, 0.5, 0.5 + size)
    noise = noise_k * np.random.default_rng(seed).standard_normal(duty.size)
    return (
        duty,
        8.0 - model.gain_k * lagged(duty, 0.5, model.tau_s, model.dead_time_s, 1.0) + noise,
        0.5,
    )


def simulated_relay(model, low, high, band_k, ticks=6000):
    """Return (duty, reading) of a relay on the model, 0.05 s steps and a delay line; no formula."""
    part, delay = 0.05, round(model.dead_time_s / 0.05)
    fade = np.exp(-part / model.tau_s)
    line, x, on = [0.0] * delay, 0.0, True
    duty, reading = [], []
    for step in range(ticks * 20):
        if step % 20 == 0:
            y = -x
            on = True if y >= band_k else False if y <= -band_k else on
            duty.append(high if on else low)
            reading.append(y)
        line.append(duty[-1])
        x = fade * x + (1.0 - fade) * model.gain_k * line.pop(0)
    return np.array(duty), np.array(reading)


def test_the_lag_is_that_of_the_closed_step():
    t = np.arange(400.0)
    found = MODEL.gain_k * lagged(np.ones(400), 0.0, MODEL.tau_s, MODEL.dead_time_s, 1.0)
    assert found == pytest.approx(first_order_step(MODEL, t), abs=1e-4)


@pytest.mark.parametrize("drifts", [False, True])
def test_a_fit_finds_the_model_it_assumes(drifts):
    guess = FirstOrder(1.0, 60.0, 40.0)
    found = fit_readings([step_readings()], 1.0, guess, 0.05, drifts=drifts)
    assert off_pct(found.model, MODEL) == pytest.approx((0.0, 0.0, 0.0), abs=0.05)
    assert found.left_k < 1e-4


def test_stated_errors_are_the_scatter_of_many_fits():
    """40 draws of noise: scatter of each number is the stated standard error within a third."""
    fits = [fit_readings([step_readings(0.05, seed)], 1.0, MODEL, 0.05) for seed in range(40)]
    numbers = np.array([[f.model.gain_k, f.model.tau_s, f.model.dead_time_s] for f in fits])
    scatter = 100.0 * numbers.std(axis=0) / numbers.mean(axis=0)
    stated = np.mean([f.error_pct for f in fits], axis=0)
    print(f"scatter {scatter.round(2)} %, stated {stated.round(2)} %")
    assert scatter == pytest.approx(stated, rel=0.33)
    # `noise_error` says so before the test: unit step, 1 K of noise, known level.
    foretold = 100.0 * noise_error(MODEL, 400.0) * 0.05 / 0.3
    assert max(stated) == pytest.approx(foretold, rel=0.25)


def test_three_readings_by_hand_are_exact_on_one_lag():
    t = np.arange(600.0)
    found = three_readings(t, 0.3 * first_order_step(MODEL, t), 0.3)
    # The end's three readings are means over 30 s of a bent curve.
    assert off_pct(found, MODEL) == pytest.approx((0.0, 0.0, 0.0), abs=1.0)
    assert three_readings(t, t, 0.3) is None  # no bend


def test_a_ruled_line_beats_the_noise_that_one_reading_has():
    """Noise as on the film box, 0.035 K a reading, of a mean of two: 40 draws of a step of 1 K.

    One mean of three readings at 15 % of the end would leave 0.014 K over the slope there, 1 K x
    0.85/170 s: 3 s by itself, and more by the time constant that goes with it.
    """
    t = np.arange(380.0)
    fall = 0.3 * first_order_step(MODEL, t)
    dead = []
    for seed in range(40):
        noise = 0.035 / 2**0.5 * np.random.default_rng(seed).standard_normal(t.size)
        dead.append(ruled_line(t, fall + noise, 0.3 * MODEL.gain_k)[1])
    print(f"dead time {np.mean(dead):.1f} +/- {np.std(dead):.1f} s of {MODEL.dead_time_s:g} s")
    assert np.mean(dead) == pytest.approx(MODEL.dead_time_s, abs=2.5)
    assert np.std(dead) < 3.0
    assert ruled_line(t, 0.01 * fall, 1.0) is None  # half of the end is never passed


def test_a_square_wave_by_hand_is_near_on_one_lag():
    duty = np.tile(np.where(np.arange(800) < 480, 1.0, 0.0), 10)
    y = -MODEL.gain_k * lagged(duty, 0.6, MODEL.tau_s, MODEL.dead_time_s, 1.0)
    found = square_by_hand(y[-800:], 480)
    assert off_pct(found, MODEL)[:2] == pytest.approx((0.0, 0.0), abs=3.0)
    assert found.dead_time_s == pytest.approx(MODEL.dead_time_s, abs=1.0)


def test_the_exact_cycle_is_turned_round():
    """Worked thermostat: -6 and 25 °C, 1200 s, 60 s, 5 +/- 0.5 °C gives 2.463 K in 414.1 s."""
    cycle = limit_cycle(-6.0, 25.0, 1200.0, 60.0, 4.5, 5.5)
    assert (cycle.swing_k, cycle.period_s) == (pytest.approx(2.463, abs=1e-3),
                                               pytest.approx(414.1, abs=0.1))  # fmt: skip
    seen = RelayCycle(
        cycle.t_max_c, cycle.t_min_c, 25.0 - 31.0 * cycle.run_share, 5.5, 4.5, cycle.on_s,
        cycle.off_s, cycle.run_share, 8, 1.0,
    )  # fmt: skip
    found = model_of_cycle(seen, 31.0, 0.0, 1.0)
    assert (found.tau_s, found.dead_time_s) == (pytest.approx(1200.0), pytest.approx(60.0))
    with pytest.raises(NoBenchTest, match="too small"):
        model_of_cycle(seen, 1.0, 0.0, 1.0)


@pytest.mark.parametrize(("low", "high"), [(-0.3, 0.3), (-0.2, 0.5)])
def test_a_simulated_relay_gives_back_its_lag(low, high):
    """Delay line in steps of 0.05 s: by the wave's own frequency and by its turns, 3 %."""
    duty, reading = simulated_relay(MODEL, low, high, 0.15)
    cycle = measured_cycle(duty, reading, 1.0, 4)
    wave = model_at(cycle.response, 2.0 * np.pi / cycle.period_s, MODEL.gain_k, 1.0)
    turns = model_of_cycle(cycle, MODEL.gain_k, low, high)
    print(f"wave {wave.tau_s:.1f} s, {wave.dead_time_s:.2f} s; turns {turns.tau_s:.1f} s, "
          f"{turns.dead_time_s:.2f} s")  # fmt: skip
    assert off_pct(wave, MODEL) == pytest.approx((0.0, 0.0, 0.0), abs=3.0)
    assert turns.tau_s == pytest.approx(MODEL.tau_s, rel=0.04)
    assert turns.dead_time_s == pytest.approx(MODEL.dead_time_s, abs=2.5)
    hand = hand_model(cycle, 0.5 * (high - low), MODEL.gain_k, 1.0)
    print(f"eight readings {hand.tau_s:.1f} s, {hand.dead_time_s:.2f} s")
    assert off_pct(hand, MODEL) == pytest.approx((0.0, 0.0, 0.0), abs=8.0)


def test_one_point_of_the_response_places_lag_and_dead_time():
    omega = 0.03
    response = complex(first_order_response(MODEL, np.array([omega]))[0])
    held = response * np.exp(-0.5j * omega)
    found = model_at(held, omega, MODEL.gain_k, 1.0)
    assert off_pct(found, MODEL) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_laws_of_the_bench():
    timed = Timed((0.2, 0.7), (3.0,))
    assert [timed.step(0, tick) for tick in range(5)] == [200, 200, 200, 700, 700]
    relay = Relay(0.1, 0.9, 780, 820)
    assert [relay.step(r, 0) for r in (800, 820, 800, 780, 800)] == [100, 900, 900, 100, 100]
    with pytest.raises(NoBenchTest, match="does not cycle"):
        measured_cycle(np.ones(100), np.ones(100), 1.0, 0)


@pytest.mark.parametrize("name", ["galley_larder", "film_box", "seed_store"])
def test_bench_and_linear_plant_agree(name, monkeypatch):
    """Through the firmware, with its noise and steps: K and tau 20 %, dead time 25 %, response
    near crossover 15 %; at the relay's own frequency 10 %."""
    monkeypatch.setattr("ctrl.identify.gain_maps", lambda config, linear: ())
    found = identify(load_config(name))
    assert [item.name for item in found.models] == [LINEAR, STEP, RELAY]
    assert found.step.square == (load_config(name).drive.kind == "relay")
    for item in found.models[1:]:
        k, tau, dead = item.off_pct
        print(f"{name}, {item.name}: K {k:+.0f}, tau {tau:+.0f}, dead time {dead:+.0f} %, ")
        print(f"    response near crossover {item.response_error_pct:.0f} %")
        assert np.all(np.abs(item.off_pct) < (20.0, 20.0, 25.0))
        assert item.response_error_pct < 15.0
    assert found.harmonic_off_pct < 10.0
    # The turns' dead time is short on a cabinet of many lags, the wave's is not.
    assert found.relay.by_turns.dead_time_s < 0.8 * found.relay.model.dead_time_s
    # By hand, noise and all: what a recipe may promise, and does promise on the screen.
    tau, dead = off_pct(found.relay_by_hand, found.models[0].model)[1:]
    print(f"    relay by hand tau {tau:+.0f}, dead time {dead:+.0f} %, {found.hand_off_pct:+.0f} %")
    assert abs(tau) < 15.0 and abs(dead) < 12.0 and abs(found.hand_off_pct) < 12.0
    assert f"dead time {dead:+.0f} %, gain at P {found.hand_off_pct:+.0f} %" in recipe_of(found)[-1]
    hand = off_pct(found.step.by_hand, found.models[0].model)
    print(f"    step by hand K {hand[0]:+.0f}, tau {hand[1]:+.0f}, dead time {hand[2]:+.0f} %")
    assert np.all(np.abs(hand) < (20.0, 20.0, 20.0))


def test_the_error_of_a_model_is_stated():
    """The stated error near crossover is the one found on a finer grid of its own."""
    config = load_config("galley_larder")
    plant = at_rest(plant_of(config))
    linear = linear_plant(plant, at_duty(plant, 0.5, plant.climate.mean_k))
    model = first_order(linear)
    omega = np.geomspace(2.5, 5.0, 400) * model.low_rad_per_s
    apart = first_order_response(model, omega) / frequency_response(linear, omega) - 1.0
    assert model.response_error_pct == pytest.approx(100.0 * np.max(np.abs(apart)), rel=0.02)
    worse = replace(model, gain_k=1.3 * model.gain_k)
    assert response_error_pct(worse, linear, 0.0, omega) > 2.0 * model.response_error_pct

"""The small cycle of a reading in steps, against the textbook and a run of its own."""

from math import exp, pi, sqrt

import numpy as np
import pytest

from ctrl.quantiser import NO_CYCLE, QUANTISER_MOST, measure, predict, quantiser_gain


def test_a_quantiser_gives_at_most_four_over_pi():
    # Textbook: the largest value, 4/pi, stands at A = q/sqrt(2); nothing below A = q/2; 1 for
    # amplitudes of many steps.
    amplitudes = np.linspace(0.3, 8.0, 5000)
    found = [quantiser_gain(a, 1.0) for a in amplitudes]
    assert max(found) == pytest.approx(QUANTISER_MOST, rel=1e-6)
    assert amplitudes[int(np.argmax(found))] == pytest.approx(1.0 / sqrt(2.0), abs=0.002)
    assert quantiser_gain(0.49, 1.0) == 0.0
    assert quantiser_gain(200.0, 1.0) == pytest.approx(1.0, abs=0.01)


def test_the_describing_function_is_the_first_harmonic_of_rounding():
    # Computed apart: round a sine and take its first Fourier coefficient.
    angle = np.linspace(0.0, 2.0 * pi, 200001)[:-1]
    for amplitude in (0.6, 0.9, 1.7, 3.3):
        rounded = np.round(amplitude * np.sin(angle))
        first = 2.0 * np.mean(rounded * np.sin(angle)) / amplitude
        assert quantiser_gain(amplitude, 1.0) == pytest.approx(first, rel=1e-3)


def lag_loop(kp, ti, tau, lag, dead):
    """Return omega and L of kp(1 + 1/(ti s)) e^(-dead s)/((tau s + 1)(lag s + 1))."""
    omega = np.geomspace(1e-5, 3.0, 20000)
    s = 1j * omega
    loop = kp * (1 + 1 / (ti * s)) * np.exp(-dead * s) / ((tau * s + 1) * (lag * s + 1))
    return omega, loop


def cycle_of_a_run(kp, ti, tau, lag, dead, step, seconds=20000, every=0.1):
    """Run that loop in steps of 0.1 s with the reading rounded half way between two steps."""
    place = sensor = integral = 0.0
    late = [0.0] * round(dead / every)
    seen = []
    for _ in range(round(seconds / every)):
        error = -(np.floor(sensor / step) + 0.5) * step
        integral += kp * error * every / ti
        late.append(kp * error + integral)
        duty = late.pop(0)
        place = duty + (place - duty) * exp(-every / tau)
        sensor = place + (sensor - place) * exp(-every / lag)
        seen.append(sensor)
    return np.array(seen[len(seen) // 2 :: 10])


@pytest.mark.parametrize(
    ("kp", "ti", "tau", "lag", "dead"),
    [(2.0, 400.0, 400.0, 15.0, 5.0), (8.0, 200.0, 300.0, 30.0, 10.0), (1.0, 100.0, 300.0, 8.0, 20)],
)
def test_a_cycle_is_predicted_as_a_plain_run_shows_it(kp, ti, tau, lag, dead, note):
    # The prediction keeps the first harmonic only; behind two lags little is left of the
    # others. At the place itself, behind one lag, the swing is a triangle's: pi^2/8 = 1.23
    # times its first harmonic (seen: 1.24 and 1.28).
    step = 0.1
    predicted = predict(*lag_loop(kp, ti, tau, lag, dead), step, 0.0)
    run = measure(cycle_of_a_run(kp, ti, tau, lag, dead, step), 1.0)
    note(f"swing {run.swing_k:.4f} for {predicted.swing_k:.4f} K, "
         f"period {run.period_s:.0f} for {predicted.period_s:.0f} s")  # fmt: skip
    # Behind two lags the swing goes as the period squared: what the period is off shows twice.
    expected = predicted.swing_k * (run.period_s / predicted.period_s) ** 2
    assert run.swing_k == pytest.approx(expected, rel=0.08)
    assert run.period_s == pytest.approx(predicted.period_s, rel=0.08)


def test_a_loop_that_never_turns_round_has_no_cycle():
    omega = np.geomspace(1e-4, 1.0, 500)
    assert predict(omega, 1.0 / (1j * omega), 0.1, 0.0) == NO_CYCLE


def test_a_measured_cycle_is_the_one_put_in():
    rows = np.arange(3600.0)
    signal = 0.02 * np.sin(2.0 * pi * rows / 60.0) + 1e-5 * rows
    found = measure(signal, 1.0)
    assert found.swing_k == pytest.approx(0.04, rel=0.02)
    assert found.period_s == pytest.approx(60.0, rel=0.02)

"""The on-off thermostat and the constant duty."""

import numpy as np
import pytest

from ctrl import fixed, on_off
from ctrl.controllers import CONTROLLERS, controller, controller_of, law_step, new_law_state
from ctrl.fixed import FixedSettings
from ctrl.on_off import OnOffSettings


def run(settings: OnOffSettings, readings: list[int]) -> list[int]:
    words, state = settings.to_words(), new_law_state(settings)
    return [int(on_off.step(words, state, reading)) for reading in readings]


def test_words_from_a_makers_numbers():
    # By hand: 5.00 deg C is 500, a full band of 1.0 K is +/- 50, duty 1 is 1000.
    settings = OnOffSettings.from_physical(setpoint_c=5.0, hysteresis_k=1.0)
    assert settings.to_words().tolist() == [500, 50, 1000]


def test_on_at_the_upper_edge_off_at_the_lower_as_before_between():
    # Definition of the band: on at reading >= 550, off at <= 450.
    settings = OnOffSettings(setpoint_c100=500, half_band_k100=50, on_permille=800)
    readings = [500, 549, 550, 549, 451, 450, 451, 549, 550]
    assert run(settings, readings) == [0, 0, 800, 800, 800, 0, 0, 0, 800]


def test_the_extreme_readings_do_not_overflow():
    # int16's ends against a setpoint at the other end.
    warm = OnOffSettings(setpoint_c100=-27000, half_band_k100=50)
    cold = OnOffSettings(setpoint_c100=32700, half_band_k100=50)
    assert run(warm, [32767]) == [1000]
    assert run(cold, [32767, -27315]) == [1000, 0]


def test_period_and_swing_of_the_closed_form():
    # Reference: asymmetric on-off limit cycle of a first-order lag without dead time,
    # T_on -6, T_off 25, tau 1200 s, band 5 +/- 0.5: period 169.2 s, run share 0.6453,
    # swing 1.000 K (closed form; t_on = tau ln((Tmax-Ton)/(Tmin-Ton)), t_off alike).
    # A step of 0.1 s lets each edge overshoot by up to 0.1 s, about 0.002 K.
    settings = OnOffSettings.from_physical(setpoint_c=5.0, hysteresis_k=1.0)
    words, state = settings.to_words(), new_law_state(settings)
    decay = np.exp(-0.1 / 1200.0)
    temp, duty, edges, on_ticks, low, high = 5.0, 0, [], 0, 99.0, -99.0
    for tick in range(40000):
        before = duty
        duty = int(on_off.step(words, state, round(100.0 * temp)))
        if duty and not before:
            edges.append(tick)
        temp = (target := -6.0 if duty else 25.0) + (temp - target) * decay
        if edges:
            low, high = min(low, temp), max(high, temp)
            on_ticks += duty > 0
    period_s = (edges[-1] - edges[0]) / (len(edges) - 1) * 0.1
    run_share = on_ticks / (40000 - edges[0])
    assert period_s == pytest.approx(169.2, rel=0.015)
    assert run_share == pytest.approx(0.6453, abs=0.01)
    assert high - low == pytest.approx(1.000, abs=0.02)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"hysteresis_k": 0.01}, "hysteresis_k"),
        ({"hysteresis_k": float("nan")}, "hysteresis_k"),
        ({"setpoint_c": 400.0}, "setpoint_c"),
        ({"setpoint_c": True}, "setpoint_c"),
        ({"on_duty": 1.2}, "on_duty"),
        ({"on_duty": 0.0}, "on_permille"),
    ],
)
def test_what_cannot_be_held_is_refused_in_one_line(change, named):
    with pytest.raises(ValueError, match=named) as caught:
        OnOffSettings.from_physical(**{"setpoint_c": 5.0, "hysteresis_k": 1.0, **change})
    assert "\n" not in str(caught.value)


def test_taking_over_from_a_hand_set_duty_keeps_it():
    settings = OnOffSettings(setpoint_c100=500, half_band_k100=50)
    words, state = settings.to_words(), new_law_state(settings)
    on_off.preload(words, state, 500, 700)
    assert on_off.step(words, state, 500) == 1000
    on_off.preload(words, state, 500, 0)
    assert on_off.step(words, state, 500) == 0


def test_constant_duty_ignores_the_reading():
    settings = FixedSettings.from_physical(duty=0.375)
    words, state = settings.to_words(), new_law_state(settings)
    assert [int(fixed.step(words, state, t)) for t in (-27315, 0, 32767)] == [375] * 3
    with pytest.raises(ValueError, match="duty"):
        FixedSettings.from_physical(duty=-0.1)


def test_each_registered_name_reaches_its_own_file():
    # A dispatcher and a table could rotate: compare every name with a direct call.
    pi_settings = CONTROLLERS["pi"].settings(500, 3_495_253, 36_409, 174_763)
    direct = {
        "fixed": (FixedSettings(123), 123),
        "on_off": (OnOffSettings(500, 50, 777), 777),
        # By hand: 3495253 2**-20 permille per 1/100 K times 100 is 333.3 -> 333.
        "pi": (pi_settings, 333),
        # High at 1 K above the middle of a band of 1 K.
        "two_level": (CONTROLLERS["two_level"].settings(500, 50, 654, 321), 654),
        # No cold-sink reading yet: the stand-in thermostat's duty.
        "cascade": (CONTROLLERS["cascade"].settings(500, 50, 1, 1, 1, 1, 1, 1, 456), 456),
        # No reading of the sinks yet: the table at the assumed 0 K.
        "best_cop": (CONTROLLERS["best_cop"].settings(500, 50, 0, 0, 0, 0, (234, *[900] * 8)), 234),
    }
    assert set(direct) == set(CONTROLLERS)
    for name, (settings, expected) in direct.items():
        item = controller(name)
        assert controller_of(settings) is item
        state = new_law_state(settings)
        assert len(state) == item.state_words
        assert law_step(item.kind, settings.to_words(), state, 600) == expected


def test_an_unknown_name_lists_the_valid_ones_and_the_nearest():
    with pytest.raises(
        ValueError, match=r"fixed, on_off, pi, two_level, cascade, best_cop; nearest: on_off"
    ):
        controller("onoff")

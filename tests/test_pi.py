"""The PI controller in whole numbers, against hand calculation and published runs."""

import math
from collections import deque

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ctrl import pi
from ctrl.controllers import new_law_state
from ctrl.pi import FULL_Q20, PI_INTEGRAL, PI_SATURATED, PISettings

# Case A of the tuning table: K 0.30 K per %, tau 1200 s, theta 60 s.  SIMC with
# tau_c = theta gives Kc 33.33 %/K, Ti 480 s; with tau_c = 4 theta Kc 13.33, Ti 1200.
CASE_A = {"setpoint_c": 5.0, "kp_pct_per_k": 100.0 / 3.0, "ti_s": 480.0, "period_s": 5.0}


def made(settings: PISettings):
    return settings.to_words(), new_law_state(settings)


def test_gains_of_case_a_by_hand():
    # 33.33 % per K = 3.333 permille per 1/100 K; 2**20 of it 3495253.3.
    # ki: times 5/480 = 36408.9.  h / Ti: 2**24 5/480 = 174762.7.
    assert PISettings.from_physical(**CASE_A).to_words().tolist() == [
        500,
        3_495_253,
        36_409,
        174_763,
    ]


def test_one_period_moves_the_integral_as_published():
    # Published: 33.3 x 5/480 x 0.1 K = 0.035 % duty per step = 0.347 permille.
    words, state = made(PISettings.from_physical(**CASE_A))
    demand = pi.step(words, state, 510)
    pi.track(words, state, demand, 0)
    assert state[PI_INTEGRAL] / 2**20 == pytest.approx(33.333 * 5 / 480 * 0.1 * 10, rel=1e-4)


def test_output_follows_the_float_controller_to_half_a_step():
    # Reference: the same law in floating point.  Allowed: half a permille of output
    # rounding, and the two gains' rounding over 400 periods (measured 0.501).
    words, state = made(PISettings.from_physical(**CASE_A))
    kp, ki, integral = 10.0 / 3.0, 10.0 / 3.0 * 5 / 480, 0.0
    worst = 0.0
    for k in range(400):
        reading = 530 + round(40 * math.sin(k / 30.0))
        exact = kp * (reading - 500) + integral
        demand = int(pi.step(words, state, reading))
        assert 0 < exact < 1000, "the run must stay clear of the limits"
        worst = max(worst, abs(demand - exact))
        pi.track(words, state, demand, 0)
        integral += ki * (reading - 500)
    assert worst < 0.52


def pull_down(settings: PISettings, tracking: bool) -> tuple[float, float]:
    """Return overshoot [K] and the time to stay within 0.2 K [min] of a 20 K pull-down."""
    words, state = made(settings)
    decay = math.exp(-5.0 / 1200.0)
    drop, late = 0.0, deque([0.0] * 12)  # 60 s of dead time in steps of 5 s
    trace = []
    for _ in range(2000):
        demand = int(pi.step(words, state, round(100.0 * (25.0 - drop))))
        if not tracking:
            state[PI_SATURATED] = 0  # the controller is told nothing of its limit
        pi.track(words, state, demand, 0)
        late.append(demand / 10.0)
        drop = drop * decay + 0.30 * late.popleft() * (1.0 - decay)
        trace.append(drop)
    trace_k = np.array(trace)
    outside = np.nonzero(np.abs(trace_k - 20.0) > 0.2)[0]
    return float(trace_k.max() - 20.0), (outside[-1] + 1) * 5.0 / 60.0


@pytest.mark.parametrize(
    ("kp", "ti", "overshoot_k", "minutes"),
    # Published pull-down check, case A, 20 K, h = 5 s, tracking with Tt = Ti.
    [(100.0 / 3.0, 480.0, 0.79, 34.5), (40.0 / 3.0, 1200.0, 0.00, 28.1)],
)
def test_pull_down_overshoots_as_published(kp, ti, overshoot_k, minutes):
    settings = PISettings.from_physical(setpoint_c=5.0, kp_pct_per_k=kp, ti_s=ti, period_s=5.0)
    got_k, got_minutes = pull_down(settings, tracking=True)
    # Allowed: the published figures' rounding and one or two sampling periods.
    assert got_k == pytest.approx(overshoot_k, abs=0.03)
    assert got_minutes == pytest.approx(minutes, abs=0.4)


def test_without_tracking_it_winds_up():
    # Negative control, tau_c = 4 theta: published without anti-windup 3.32 K and
    # 93.8 min against 0.00 K and 28.1 min with it.  The integral's own limit of full
    # duty holds some of it here, but far from all.
    settings = PISettings.from_physical(
        setpoint_c=5.0, kp_pct_per_k=40.0 / 3.0, ti_s=1200.0, period_s=5.0
    )
    got_k, got_minutes = pull_down(settings, tracking=False)
    assert got_k > 1.0
    assert got_minutes > 60.0


def test_tracking_follows_a_limit_set_by_others():
    # The textbook form: v = P + I, I += ki e + (h/Ti)(u - v).  By hand with P = 333.3,
    # I = 0, u = 200: 3.4722 + (5/480)(200 - 333.33) = 2.0833 permille.
    words, state = made(PISettings.from_physical(**CASE_A))
    pi.step(words, state, 600)
    pi.track(words, state, 200, 0)
    assert state[PI_INTEGRAL] / 2**20 == pytest.approx(2.0833, abs=1e-3)


def test_held_off_for_long_the_integral_goes_to_the_given_duty():
    # Fixed point of I += (h/Ti)(u - I) is I = u: after 20 Ti what is left is e**-20.
    words, state = made(PISettings.from_physical(**CASE_A))
    for _ in range(20 * 96):
        pi.step(words, state, 900)
        pi.track(words, state, 250, 0)
    assert state[PI_INTEGRAL] / 2**20 == pytest.approx(250.0, abs=0.01)


def test_the_integral_stops_at_full_duty_and_at_nothing():
    # kp 0, so P = 0 and nothing saturates the output: only the integral's own ends can
    # stop it.  ki of 2**30 moves it by more than full duty at once.
    words, state = made(PISettings(500, 0, 2**30, 0))
    for error, end in ((1, 1000 * 2**20), (-1, 0), (1, 1000 * 2**20)):
        demand = pi.step(words, state, 500 + error)
        pi.track(words, state, demand, 0)
        assert state[PI_INTEGRAL] == end


def test_frozen_the_integral_stands_still_and_control_restarts_from_it():
    words, state = made(PISettings.from_physical(**CASE_A))
    pi.preload(words, state, 500, 600)  # at the setpoint P = 0, so I = 600
    pi.step(words, state, 500)
    held = int(state[PI_INTEGRAL])
    for _ in range(1000):
        pi.track(words, state, 0, 1)
    assert int(state[PI_INTEGRAL]) == held == 600 << 20
    # 0.3 K warmer after it: 600 + 3.333 x 30 = 700.
    assert pi.step(words, state, 530) == 700


def test_taking_over_from_a_hand_set_duty_is_bumpless():
    # By hand: P at +0.5 K is 166.7, so I = 450 - 166.7 and the first output is 450.
    words, state = made(PISettings.from_physical(**CASE_A))
    pi.preload(words, state, 550, 450)
    assert pi.step(words, state, 550) == 450


@pytest.mark.parametrize(
    ("change", "line"),
    [
        # ki 2**20 = 0.3 * 0.1/7200 * 2**20 = 4.4 < 8: the integral would stand still.
        ({"kp_pct_per_k": 3.0, "period_s": 0.1, "ti_s": 7200.0}, "lengthen the period"),
        # 0.01 % per K, 60 s, 3600 s: 0.001/60 2**20 = 17.48 -> 17 is 2.7 % off.
        ({"kp_pct_per_k": 0.01, "period_s": 60.0, "ti_s": 3600.0}, "lengthen the period"),
        ({"kp_pct_per_k": 0.0}, "kp_pct_per_k"),
        ({"kp_pct_per_k": 1e6}, "kp"),
        ({"ti_s": 4.0}, "ti_s"),
        ({"ti_s": float("inf")}, "ti_s"),
        ({"period_s": 61.0}, "period_s"),
        ({"setpoint_c": -300.0}, "setpoint_c"),
        ({"reading_lsb_k": 0.001}, "reading_lsb_k"),
    ],
)
def test_what_whole_numbers_cannot_hold_is_refused_in_one_line(change, line):
    with pytest.raises(ValueError, match=line) as caught:
        PISettings.from_physical(**{**CASE_A, **change})
    assert "\n" not in str(caught.value)


def test_a_longer_period_is_what_the_refusal_promises():
    PISettings.from_physical(setpoint_c=5.0, kp_pct_per_k=3.0, period_s=2.0, ti_s=7200.0)


@given(
    st.integers(-27315, 32767),
    st.integers(0, 2**31 - 1),
    st.integers(0, 2**31 - 1),
    st.integers(0, 2**24),
    st.lists(
        st.tuples(st.integers(-32768, 32767), st.integers(-5, 1005), st.integers(0, 1)),
        max_size=30,
    ),
)
def test_nothing_leaves_its_range_and_plain_python_agrees(setpoint, kp, ki, reset, moves):
    settings = PISettings(setpoint, kp, ki, reset)
    words, state = made(settings)
    plain = state.copy()
    for reading, final, frozen in moves:
        demand = pi.step(words, state, reading)
        assert demand == pi.step.py_func(words, plain, reading)
        pi.track(words, state, final, frozen)
        pi.track.py_func(words, plain, final, frozen)
        assert state.tolist() == plain.tolist()
        assert 0 <= demand <= 1000
        assert 0 <= state[PI_INTEGRAL] <= FULL_Q20
        assert np.all(np.abs(state) <= 2**31)

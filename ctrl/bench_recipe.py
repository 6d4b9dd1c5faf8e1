"""The bench tests in plain words, with one cabinet's own numbers."""

from math import ceil

from ctrl.bench import EARLY_SHARE
from ctrl.identify import Identification


def minutes(seconds: float) -> str:
    """Return a waiting time as a person would set it."""
    if seconds < 120.0:
        return f"{5 * ceil(seconds / 5.0)} s"
    return f"{ceil(seconds / 30.0) / 2.0:g} min"


def hours(value: float) -> str:
    """Return a long wait in words."""
    return f"{max(ceil(value * 2.0) / 2.0, 0.5):g} h"


def recipe_of(found: Identification) -> tuple[str, ...]:
    """Return the steps, one text each: what to set, how long to wait, what to write down."""
    duty_pct = 100.0 * found.linear.duty
    head = (
        f"Load it as usual, shut the door and keep it shut. Keep the room within 1 K of "
        f"{found.ambient_c:g} °C. Switch off defrost and slew limit in the firmware; leave the "
        "hot sink's cut-out in."
    )
    if found.bench.only_switches:
        return (head, *_square(found), *_relay(found))
    if found.step is None:
        return (head,)
    step = found.step
    size, wait = 100.0 * step.step_duty, minutes(step.horizon_s)
    return (
        head,
        f"Set {duty_pct:.0f} % duty by hand and wait {hours(found.settle_h)} from warm, until "
        "the reading moves less in ten minutes than one of its own steps.",
        f"Write down the mean reading of two minutes: R0 (here about "
        f"{found.bench.reading_c:.1f} °C). If it drifts, write down by how much a minute and "
        "take that off later.",
        f"Set {duty_pct + size:.0f} % and start a clock. Write down the reading every 5 s for "
        f"{wait}. Then back to {duty_pct:.0f} %, wait until it stands at R0 again.",
        f"The same down, to {duty_pct - size:.0f} %, and turn its sign round. Do both "
        f"{'once' if step.pairs == 1 else f'{step.pairs} times'} and take the mean: fall y(t) "
        "below R0.",
        _enough(found),
        f"From the mean curve take y1, y2, y3 at {minutes_of(step.horizon_s)}: each the mean of "
        f"the readings within {0.025 * step.horizon_s:.0f} s. With D = "
        f"{0.375 * step.horizon_s:.0f} s between them and step S = {step.step_duty:.2f}: "
        "f = (y3 - y2)/(y2 - y1); end E = y1 + (y2 - y1)/(1 - f); gain K = E/S; time constant "
        f"tau = D/ln(1/f). With y0 at t0 = {EARLY_SHARE * step.horizon_s:.0f} s: dead time = "
        "t0 + tau ln(1 - y0/E).",
        _by_hand(found),
        *_relay(found),
    )


def minutes_of(horizon_s: float) -> str:
    """Return the three times of `ctrl.bench.three_readings` in words."""
    return ", ".join(f"{share * horizon_s:.0f} s" for share in (0.2, 0.575, 0.95))


def _enough(found: Identification) -> str:
    step = found.step
    assert step is not None
    wanted = 100.0 * step.wanted_step_duty
    text = (
        f"Steps of {wanted:.0f} % up and down, once each, would leave a tenth to noise and steps "
        f"of the reading ({found.bench.noise_k:.3f} K together)"
    )
    if step.step_duty >= step.wanted_step_duty:
        return f"{text}: these, of {100.0 * step.step_duty:.0f} %, are large enough."
    return (
        f"{text}; there is room for {100.0 * step.step_duty:.0f} %, so repeat them: the error "
        "falls with the root of the repeats."
    )


def _by_hand(found: Identification) -> str:
    hand = None if found.step is None else found.step.by_hand
    if hand is None:
        return "By hand noise hides it here: repeat more often, or fit the whole curve."
    return (
        f"In the simulated test this gives by hand: gain {hand.gain_k:.2f} K, time constant "
        f"{hand.tau_s:.0f} s, dead time {hand.dead_time_s:.0f} s."
    )


def _square(found: Identification) -> tuple[str, ...]:
    step = found.step
    if step is None:
        return ()
    on_s = round(step.duty * step.horizon_s)
    return (
        f"This drive only switches. By the clock: {on_s:.0f} s on, {step.horizon_s - on_s:.0f} s "
        f"off, for {hours(found.settle_h)} from warm, until one period looks like the last.",
        f"Then write down the reading every 5 s for {step.pairs} more periods and take the mean "
        "period.",
        "In the on half take y1, y2, y3 at 0.3, 0.6 and 0.9 of it: f = (y3 - y2)/(y2 - y1), goal "
        "G = y1 + (y2 - y1)/(1 - f), tau = 0.3 times the half over ln(1/f). The same in the off "
        "half. Gain K = G off - G on; tau is the mean of both. With y0 at an eighth of the half, "
        "t0 after switching, and the reading Y at its turn: dead time = t0 - tau ln((Y - G)/(y0 - "
        "G)), mean of both.",
        _by_hand(found),
    )


def _relay(found: Identification) -> tuple[str, ...]:
    test = found.relay
    if test is None:
        return ()
    middle_c = found.bench.reading_c
    low, high = 100.0 * test.low_duty, 100.0 * test.high_duty
    cycle = test.cycle
    half_duty = 0.5 * (test.high_duty - test.low_duty)
    return (
        f"Relay, as a check: from the settled state give {high:.0f} % while the reading is above "
        f"{middle_c + test.half_band_k:.2f} °C until it is below "
        f"{middle_c - test.half_band_k:.2f} °C, then {low:.0f} %, and so on. Leave out "
        f"4 cycles, then write down 12: about {minutes(test.length_s)} in all, "
        f"{cycle.period_s:.0f} s a cycle.",
        f"Period P and half of highest less lowest, a, give with half the step d = "
        f"{half_duty:.2f}: gain at P is pi a/(4 d), lag in seconds is P (1/2 - asin(h/a)/(2 pi)) "
        f"with half band h (describing function; here the gain comes out "
        f"{found.describing_off_pct:+.0f} % off). With K of the step: tau = "
        "P/(2 pi) sqrt((K/gain)^2 - 1), dead time = lag - P/(2 pi) atan(2 pi tau/P).",
    )

"""The bench tests in plain words, with one cabinet's own numbers."""

from math import ceil

from ctrl.bench import HAND_SHARES
from ctrl.bench_relay import EIGHTHS
from ctrl.first_order import FirstOrder
from ctrl.identify import Identification, off_pct
from ctrl.screen import digits


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
    if found.step is not None and found.bench.only_switches:
        return (head, *_square(found), *_relay(found))
    if found.step is None:
        return (_why_none(found),)
    step = found.step
    size, wait = 100.0 * step.step_duty, minutes(step.horizon_s)
    return (
        head,
        f"Set {duty_pct:.0f} % duty by hand and wait {hours(found.settle_h)} from warm, until "
        f"the mean of two minutes moves less than {_drift(found)}.",
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
        "f = (y3 - y2)/(y2 - y1); end E = y1 + (y2 - y1)/(1 - f); gain K = E/S. " + _ruler(),
        _by_hand(found),
        *_relay(found),
    )


def _ruler() -> str:
    low, high = (f"{100.0 * share:.0f}" for share in HAND_SHARES)
    return (
        f"For the readings y from {low} to {high} % of E draw ln(1/(1 - y/E)) over the time since "
        "the change, and a straight line through them with a ruler: it crosses zero at the dead "
        "time and rises by one in a time constant tau."
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


def _why_none(found: Identification) -> str:
    """Return why there is no test to describe."""
    reasons = "; ".join(f"no {name}: {why}" for name, why in found.missing[:1])
    return f"None at this duty and in this room: {reasons}."


def _drift(found: Identification) -> str:
    """Return the drift that ends the wait, over a time in which a reading's step shows it."""
    horizon_s = found.models[0].model.horizon_s
    times = max(ceil(found.bench.step_k / found.drift_k), 1)
    return f"{digits(times * found.drift_k, 2)} K in {minutes(times * horizon_s)}"


def _against(found: Identification, model: FirstOrder, first: int = 0) -> str:
    """Return how far a hand model's numbers are from the linear plant's, from `first` on."""
    names = ("gain", "time constant", "dead time")
    parts = off_pct(model, found.models[0].model)
    return ", ".join(
        f"{name} {part:+.0f} %" for name, part in list(zip(names, parts, strict=True))[first:]
    )


def _by_hand(found: Identification) -> str:
    hand = None if found.step is None else found.step.by_hand
    if hand is None:
        return "By hand noise hides it here: repeat more often, or fit the whole curve."
    text = (
        f"In the simulated test this gives by hand: gain {hand.gain_k:.2f} K, time constant "
        f"{hand.tau_s:.0f} s, dead time {hand.dead_time_s:.0f} s; against the linear plant "
        f"{_against(found, hand)}."
    )
    if found.models[0].model.is_integrating(found.models[0].model.horizon_s):
        text += " The cabinet is slower than the test: only gain over time constant counts."
    return text


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
        "G = y1 + (y2 - y1)/(1 - f), tau' = 0.3 times the half over ln(1/f). The same in the off "
        "half. Gain K = G off - G on.",
        "Had a half gone on as the one before, of goal G' and tau', the reading t after the "
        "change would be G' + (Y - G') e^(-(t + 5 s)/tau'), Y the mean of the last three before: "
        "y is how far the reading is from that, and E is K. " + _ruler() + " Both as the mean of "
        "the two halves.",
        _by_hand(found),
    )


def _relay(found: Identification) -> tuple[str, ...]:
    test = found.relay
    if test is None:
        return ()
    middle_c = found.bench.reading_c
    low, high = 100.0 * test.low_duty, 100.0 * test.high_duty
    cycle = test.cycle
    eighth_s = cycle.period_s / EIGHTHS
    return (
        f"Relay, as a check: from the settled state give {high:.0f} % while the reading is above "
        f"{middle_c + test.half_band_k:.2f} °C until it is below "
        f"{middle_c - test.half_band_k:.2f} °C, then {low:.0f} %, and so on. Leave out "
        f"4 cycles, timing them: period P, here {cycle.period_s:.0f} s, and the time on. For "
        f"{cycle.cycles} more, start a clock at each change to {high:.0f} % and write down the "
        f"reading at 0 s and each eighth of P ({eighth_s:.1f} s): about "
        f"{minutes(test.length_s)} in all.",
        "Means over the cycles: r0 to r7. A = (r0 - r4 + 0.707 (r1 - r3 - r5 + r7))/4, B = (r2 - "
        "r6 + 0.707 (r1 + r3 - r5 - r7))/4. With half the step d = "
        f"{test.half_step_duty:.2f}: gain at P is pi sqrt(A^2 + B^2)/(4 d sin(180° on/P)); lag is "
        "P/360° times the angle of the point (-A, -B), less half the time on (add P below 0). "
        "With K of the step, which the relay does not show: tau = P/(2 pi) "
        "sqrt((K/gain)^2 - 1), dead time = lag - P/(2 pi) atan(2 pi tau/P) in radians, less half "
        f"a firmware tick.{_relay_by_hand(found)}",
    )


def _relay_by_hand(found: Identification) -> str:
    hand = found.relay_by_hand
    if hand is None or found.step is None:
        return " By hand the step's K is too small for it here: repeat the step."
    text = (
        f" In the simulated test: time constant {hand.tau_s:.0f} s, dead time "
        f"{hand.dead_time_s:.0f} s; against the linear plant {_against(found, hand, 1)}, gain at "
        f"P {found.hand_off_pct:+.0f} %."
    )
    expected, step = found.models[0].model, found.step.by_hand
    if step is None or abs(off_pct(hand, expected)[2]) < abs(off_pct(step, expected)[2]):
        text += " Take the dead time from here."
    return text

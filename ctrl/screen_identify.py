"""The screen of `coldloop identify`."""

from rich.console import Console

from ctrl.bench_recipe import recipe_of
from ctrl.capability import DUTY_RESOLUTION, PEAK_MARGIN
from ctrl.config import Config
from ctrl.gain_map import ACROSS, GainMap, GainPoint
from ctrl.identify import Identification, Model
from ctrl.screen import bullet, digits, fixed, grid_of, heading, paragraph, show_table, words_of

NAMES = {"fast_pwm": "fast PWM, or a relay's mean", "smoothed": "smoothed current"}
PULSED = ("fast_pwm", "relay", "slow_window")


def show(out: Console, found: Identification) -> None:
    """Print models, recipe and gains."""
    config, linear = found.config, found.linear
    out.print(
        f"{config.cabinet.name} ({config.source}): {100.0 * linear.duty:.0f} % duty on "
        f"{words_of(config.drive.kind)}, room {found.ambient_c:g} °C, {linear.regime}; the "
        f"reading stands at {fixed(found.bench.reading_c)} °C"
    )
    if found.note:
        paragraph(out, f"{found.note[0].upper()}{found.note[1:]}.", indent=0)
    heading(out, "Model, three ways: K e^(-theta s)/(tau s + 1)")
    _models(out, found)
    _sampled(out, found)
    heading(out, "Bench recipe")
    for text in recipe_of(found):
        bullet(out, text)
    for item in found.maps:
        _gains(out, item, config)


def _models(out: Console, found: Identification) -> None:
    items = found.models
    table = grid_of(["", *(item.name for item in items), ""], "l" + "r" * len(items) + "l")
    table.add_row("gain K", *(fixed(item.model.gain_k, 2) for item in items), "K")
    table.add_row("time constant", *(fixed(item.model.tau_s, 0) for item in items), "s")
    table.add_row("dead time", *(fixed(item.model.dead_time_s) for item in items), "s")
    table.add_row("K/tau", *(digits(60.0 * x.model.slope_k_per_s, 2) for x in items), "K/min")
    for index, name in enumerate(("K", "tau", "theta")):
        table.add_row(f"  {name} off", *(_off(item, index) for item in items), "%")
    table.add_row(
        "response off", *(fixed(item.response_error_pct, 0) for item in items), "%"
    )  # fmt: skip
    show_table(out, table)
    first = items[0].model
    paragraph(
        out,
        f"K: fall of the reading for a whole unit of duty, as far as {first.horizon_s:.0f} s "
        f"show; in the end {fixed(found.steady_gain_k)} K, as contents and walls follow. "
        f"Response off: largest, over the octave below {digits(5.0 * first.low_rad_per_s)} "
        f"rad/s, where a tight loop crosses. The one lag misses the full step by "
        f"{fixed(first.fit_error_pct, 0)} % of its largest value up to then. A loop adds half "
        "its period.",
    )
    if first.is_integrating(first.horizon_s):
        paragraph(
            out,
            f"Integrating: in {first.horizon_s:.0f} s only K/tau shows, K and tau by themselves "
            "mean nothing there (K is held to the largest fall that the plant ever shows). "
            "Compare K/tau and dead time.",
        )
    if found.step is not None:
        a, b, c = found.step.fitted.error_pct
        paragraph(
            out,
            f"Noise alone leaves the step test {fixed(a)}, {fixed(b)} and {fixed(c)} % of K, tau "
            "and theta (standard error); the rest of its deviation is that one lag is not ten. "
            + ("The relay's K is the step test's." if found.relay is not None else ""),
        )
    if found.relay is not None and found.harmonic_off_pct is not None:
        text = (
            f"Relay at its own frequency (period {found.relay.cycle.period_s:.0f} s): response "
            f"{fixed(found.harmonic_off_pct, 0)} % off by its wave, gain "
            f"{fixed(found.hand_off_pct, 0)} % by eight readings a cycle and "
            f"{fixed(found.describing_off_pct, 0)} % by the describing function."
        )
        turns = found.relay.by_turns
        if turns is not None:
            text += (
                f" By the exact cycle of one lag (its turns): tau {fixed(turns.tau_s, 0)} s, "
                f"theta {fixed(turns.dead_time_s)} s."
            )
        paragraph(out, text)
    for name, why in found.missing:
        paragraph(out, f"No {name}: {why}.")


def _off(item: Model, index: int) -> str:
    value = fixed(item.off_pct[index], 0)
    return value if value.startswith("-") or value == "0" else f"+{value}"


def _sampled(out: Console, found: Identification) -> None:
    part = found.sampled
    n0, n1 = part.numerator
    slow = abs(part.plant_poles[-1])
    paragraph(
        out,
        f"Sampled, period {digits(part.period_s, 2)} s, duty held, sensor lag and "
        f"{digits(part.delay_s, 2)} s of conversion and window in it: z^-{part.delay_samples} "
        f"({n0:.4g} {n1:+.4g} z^-1)/(1 {part.denominator[1]:+.6f} z^-1) K; "
        f"{fixed(part.error_pct, 0)} % off the full plant over that octave, whose slowest pole is "
        f"{slow:.6f}. Slopes are exact; differences of the compiled "
        f"model are {found.jacobian_error:.0e} of the largest in each row away.",
    )


def drive_title(item: GainMap, own: str) -> str:
    """Return the name of a gain map's drive; `own` is the config's."""
    is_own = item.drive == own or (item.drive == "fast_pwm" and own in PULSED)
    name = NAMES.get(item.drive, words_of(item.drive))
    return f"{name} (this config's)" if is_own else name


def _gains(out: Console, item: GainMap, config: Config) -> None:
    heading(out, f"Gain over duty and room: {drive_title(item, config.drive.kind)}")
    rooms = sorted({point.ambient_c for point in item.points})
    heads = ["duty %"]
    for room in rooms:
        heads += [f"{room:g} °C", "steady", "W"]
    table = grid_of(heads, "r" * len(heads))
    for duty in sorted({point.duty for point in item.points}):
        cells = []
        for room in rooms:
            here = [p for p in item.points if p.duty == duty and p.ambient_c == room]
            cells += (
                [digits(here[0].crossover_gain_k, 2), _steady(here[0]),
                 fixed(here[0].short_gain_w, 0)]
                if here else ["-", "-", "-"]
            )  # fmt: skip
        table.add_row(fixed(100.0 * duty, 0), *cells)
    show_table(out, table)
    paragraph(
        out,
        f"K a unit of duty: where the loop crosses ({digits(item.crossover_rad_per_s, 2)} rad/s), "
        "then in the end; W: short-term, heat drawn from the cold sink a unit of duty, both "
        'sinks held. "-": the hot side runs away.',
    )
    if any(point.across_frost for point in item.points):
        paragraph(
            out,
            "~: the sink stands at the onset of frost, where the model bends; taken across it, "
            f"{100.0 * ACROSS:.0f} % of duty to each side.",
        )
    paragraph(out, reversal_text(item, config.use.target_c))


def _steady(point: GainPoint) -> str:
    return ("~" if point.across_frost else "") + fixed(point.steady_gain_k)


def reversal_text(item: GainMap, wanted_c: float) -> str:
    """Return where the steady gain reverses and how the duty limit keeps off it."""
    limit = item.limit.duty
    own = f"Duty limit {100.0 * limit:.1f} %: {item.limit.decided_by} decides"
    turning = [r for r in item.reversals if r.duty is not None]
    if not turning:
        return f"The steady gain does not reverse up to full duty. {own}."
    rooms = ", ".join(f"{100.0 * (r.duty or 0.0):.0f} % at {r.ambient_c:g} °C" for r in turning)
    text = (
        f"The steady gain reverses at {rooms}: beyond, more duty only warms in the end. {own}, "
        f"{item.limit.when}"
    )
    margin = item.margin or 0.0
    side = "below" if margin >= 0.0 else "ABOVE"
    text += f", {100.0 * abs(margin):.0f} % {side} the first reversal."
    if item.limit.risk:
        text += f" {item.limit.risk[0].upper()}{item.limit.risk[1:]}."
    for r in turning:
        if limit <= PEAK_MARGIN * (r.duty or 0.0) + DUTY_RESOLUTION:
            continue
        if r.is_kept(limit, wanted_c):
            text += (
                f" At {r.ambient_c:g} °C that is nearer than {100.0 * (1.0 - PEAK_MARGIN):.0f} %, "
                f"but there the limit itself holds {fixed(r.limit_reading_c)} °C, colder than "
                "wanted: control does not stay there."
            )
        else:
            text += (
                f" AT {r.ambient_c:g} °C KEEP BELOW {100.0 * PEAK_MARGIN * (r.duty or 0.0):.0f} %: "
                "too warm at the limit, control could be caught beyond the reversal."
            )
    return text

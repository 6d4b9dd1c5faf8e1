"""The screen of the fault drills: the pass line first, then what happened."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from ctrl.config import Config
from ctrl.drill_devices import DeviceSpec
from ctrl.drill_results import (
    COLDEST,
    CONTENTS,
    HEALTHY_K,
    HOT_SINK,
    DrillResult,
    LimitFound,
    Moving,
    Plan,
    RunFound,
)
from ctrl.flashed import Flashed
from ctrl.screen import bullet, digits, duration, fixed, heading, paragraph, words_of

MOST_STEPS = 8
SHOWN_K = 2.0  # a reading as far above the setpoint is a sign to whoever looks at it
MILDER_K = 0.05
LEAST_K_PER_H = 0.005
MOVING_WORDS = {"hot_sink_c": "hot sink", "contents_c": "contents"}
NO_ALARM = (
    "A pass line asks for what harms, not for cold contents: a cabinet that only warms may pass. "
    "The firmware has no alarm for a reading that stays far from the setpoint; where none came, "
    "each run says how you would notice."
)
CIRCUIT = "Would save it, if driven by a circuit of its own"


def show_head(
    out: Console,
    config: Config,
    flashed: Flashed,
    devices: Sequence[DeviceSpec],
    controller_file: str | None = None,
    seed: int | None = None,
) -> None:
    """Print what is drilled, and with which devices; `seed` is that of the sensors' noise."""
    out.print(f"{config.cabinet.name} ({config.source})")
    heading(out, "Fault drills")
    settings = flashed.settings
    firmware = (
        f"{words_of(settings.controller)}, setpoint {fixed(settings.setpoint_c)} °C, settings "
        f"{flashed.origin}; {flashed.defrost_origin}"
    )
    if controller_file is not None:
        firmware = (
            f"{controller_file}, your own, without any of our protections. It must hold the "
            "target without a fault too, and never stop: else no drill is passed. Sound running "
            "is that of our own firmware"
        )
    paragraph(
        out,
        f"Firmware: {firmware}. Door shut, nothing loaded; the worst room stays as at "
        "its hottest hour.",
    )
    paragraph(out, f"{_volts_words(config)}.")  # fmt: skip
    if seed is not None:
        paragraph(out, f"Seed of the sensors' noise: {seed}.")
    if not flashed.holds and controller_file is None:
        paragraph(out, "With these parts the target cannot be held; see `coldloop recommend`.")
    show_devices(out, devices)
    paragraph(out, "Drills and their pass lines, stated before the first one runs:")


def show_devices(out: Console, devices: Sequence[DeviceSpec]) -> None:
    """Print the devices that are tried."""
    paragraph(out, "Devices, each tried where the firmware alone does not keep a limit; only an "
                   "independent one that is fitted counts:")  # fmt: skip
    for item in devices:
        fitted = "fitted" if item.fitted else "not fitted"
        if not item.independent:
            fitted += ", not independent"
        bullet(out, f"{item.name} ({fitted}): {item.words}.")


def _volts_words(config: Config) -> str:
    """Return at which voltages the drills run, and that the others do not."""
    part = config.supply
    others = dict.fromkeys((part.lowest_voltage_v, part.highest_voltage_v))
    stated = [f"{volts:g}" for volts in others if volts != part.voltage_v]
    if not stated:
        return f"The supply gives {part.voltage_v:g} V"
    return (
        f"The supply gives its usual {part.voltage_v:g} V; runs that name {' or '.join(stated)} V "
        "are at that voltage, and what has no such run is not tried there"
    )


def show_line(out: Console, plan: Plan) -> None:
    """Print a drill and the pass lines of its runs, before any drill runs."""
    bullet(out, f"{plan.name}: {plan.fault}. {_lines_words(plan.lines, plan.skipped)}")


def _lines_words(lines: Sequence[tuple[str, str]], skipped: str | None) -> str:
    if skipped is not None:
        return f"Not run: {skipped}."
    return " ".join(f"Pass line{f' ({runs})' if runs else ''}: {words}." for runs, words in lines)


def show_result(out: Console, found: DrillResult) -> None:
    """Print what a drill found."""
    out.print()
    out.print(Text(f"{found.name}: {found.fault}", style="bold"))
    paragraph(out, _lines_words(found.lines, found.skipped))
    for run in found.runs:
        _show_run(out, run, found.runs)


def _usual_beside(run: RunFound, runs: Sequence[RunFound]) -> RunFound | None:
    """Return the same run at the usual voltage, where this one is milder than it throughout."""
    usual = next((item for item in runs if (item.name, item.room) == (run.name, run.room)), run)
    if usual is run or run.verdict != usual.verdict or run.kept_alone != usual.kept_alone:
        return None
    for one, other in zip(run.limits, usual.limits, strict=True):
        beyond = one.value - other.value if one.is_upper else other.value - one.value
        if (one.in_pass_line or not one.kept) and beyond > MILDER_K:
            return None
    return usual


def _show_run(out: Console, run: RunFound, runs: Sequence[RunFound]) -> None:
    by = "" if run.kept_alone or not run.passed else " by the fitted independent devices"
    title = f"{run.verdict}{by}: {run.place}, {fixed(run.ambient_c)} °C"
    usual = _usual_beside(run, runs)
    if usual is not None:
        parts = [HOT_SINK, *(item.name for item in run.limits if item.name == COLDEST)]
        same = ", ".join(f"{name} {fixed(run.limit_of(name).value)} °C" for name in parts)
        paragraph(out, f"{title}: nothing worse than at {usual.supply_v:g} V ({same}).")
        return
    paragraph(out, title)
    if run.lacks:
        by_whom = "Missed by the firmware alone" if run.judged else "Not kept, and not judged"
        paragraph(out, f"{by_whom}: {'; '.join(run.lacks)}.", indent=4)
    first = "; ".join(
        f"{fixed(item.at_min, 0)} min: hot sink {fixed(item.hot_sink_c)}, contents "
        f"{fixed(item.contents_c)} °C"
        for item in run.first_minutes
    )
    paragraph(out, f"First: {first}.", indent=4)
    worst = "; ".join(_limit_words(item) for item in run.limits)
    end = f"Contents at the end {fixed(run.contents_c_end)} °C.{moving_words(run.moving)}"
    paragraph(out, f"Worst in {fixed(run.watched_h, 0)} h: {worst}. {end}", indent=4)
    steps = [f"{duration(60.0 * item.at_min)} {item.state} ({item.reason})" for item in run.steps]
    more = f"; {len(steps) - MOST_STEPS} more" if len(steps) > MOST_STEPS else ""
    latched = ", latched until reset" if run.latched else ""
    paragraph(out, f"Firmware: {'; '.join(steps[:MOST_STEPS])}{more}. At the end: "
                   f"{run.final_state}{latched}. {alarm_words(run)}", indent=4)  # fmt: skip
    if run.food_warm_h is not None:
        paragraph(out, f"Food above 5 °C for {fixed(run.food_warm_h)} h.", indent=4)
    if run.left_model is not None:
        paragraph(out, f"The model ends there: {run.left_model}.", indent=4)
    _show_devices(out, run)


def moving_words(moving: Sequence[Moving]) -> str:
    """Return what had not settled at the end, or nothing; foam and face follow their sink."""
    texts = []
    for item in moving:
        if item.column not in MOVING_WORDS:
            continue
        name, rate = MOVING_WORDS[item.column], abs(item.rate_k_per_h)
        way = "rising" if item.rate_k_per_h > 0.0 else "falling"
        known = abs(item.rest_k) < float("inf")
        # A sink follows the controller, which may leave full duty: no series tells its rest.
        told = known and item.column == "contents_c"
        left = f", about {fixed(abs(item.rest_k))} K to come" if told else ""
        still = f"still {way} {digits(rate, 1)} K/h"
        if rate < LEAST_K_PER_H:
            freezes = item.column == "contents_c" and not known
            still = "still freezing" if freezes else f"still {way} slowly"
        texts.append(f"{name} {still}{left}")
    return f" Not settled: {'; '.join(texts)}." if texts else ""


def alarm_words(run: RunFound) -> str:
    """Return when the alarm came; or that none did, and how one would notice."""
    if run.alarm_after_s is not None:
        return f"Alarm after {duration(run.alarm_after_s)}."
    if run.warning_shown:
        return "No alarm; the warning came on."
    if run.silent is None:
        warm = any(not item.kept for item in run.limits)
        what = "nothing is exceeded but by what was loaded warm" if warm else "no limit is exceeded"
        return f"No alarm: {what}."
    above_k = run.silent.reading_c - run.setpoint_c
    reading = f"the control reading, {fixed(run.silent.reading_c)} °C at the worst"
    side = "above" if above_k > 0.0 else "below"
    if run.halted:
        how = "the status line stands still"
    elif abs(above_k) > SHOWN_K:
        how = f"{reading}, {fixed(abs(above_k))} K {side} the setpoint, on the status line alone"
    else:
        how = f"{reading}, tells nothing either; a thermometer of its own by the contents would"
    word = "undercut" if run.silent.limit == COLDEST else "exceeded"
    return f"No alarm and no warning, though {run.silent.limit} is {word}: {how}."


def _limit_words(item: LimitFound) -> str:
    exceeded = ""
    if item.exceeded_min is not None:
        word = "exceeded" if item.is_upper else "undercut"
        exceeded = f", {word} after {duration(60.0 * item.exceeded_min)}"
    # A limit that is missed by hundredths is not told as if it were met.
    near = not item.kept and fixed(item.value) == fixed(item.limit)
    value = fixed(item.value, 2 if near else 1)
    return (
        f"{item.name} {value} {item.unit} after {duration(60.0 * item.worst_min)} "
        f"({_limit_itself(item)}{exceeded})"
    )


def _limit_itself(item: LimitFound) -> str:
    """Return the limit; where sound running exceeds the stated one, both."""
    if item.kept_sound:
        return f"limit {fixed(item.limit)}"
    stated = f"stated {fixed(item.stated)}, sound running already {fixed(item.sound_value)}"
    if item.name not in CONTENTS:
        return stated
    return f"{stated}; judged by {HEALTHY_K:g} K beyond that, {fixed(item.limit)}"


def _show_devices(out: Console, run: RunFound) -> None:
    if not run.devices:
        return
    texts = []
    for item in run.devices:
        when = "" if item.opens_min is None else f" opens after {duration(60.0 * item.opens_min)}"
        if item.keeps:
            texts.append(f"{item.device}{when} and keeps the limits")
        elif item.opens_min is None:
            texts.append(f"{item.device}: {', '.join(item.broken)}")
        else:
            texts.append(f"{item.device}{when}, and yet: {', '.join(item.broken)}")
    saved = f"Only saved by: {' or '.join(run.saved_by)}" if run.saved_by else "None saves it"
    if run.barred:
        saved = "No device makes up for such a controller"
    if run.would_save:
        saved += f". {CIRCUIT}: {' or '.join(run.would_save)}"
    paragraph(out, f"{saved}. {'; '.join(texts)}.", indent=4)


def show_end(out: Console, results: Sequence[DrillResult]) -> None:
    """Print how many drills passed, which did not, and what would have helped."""
    ran = [item for item in results if item.skipped is None]
    failed = [item for item in ran if not item.passed]
    heading(out, f"{len(ran) - len(failed)} of {len(ran)} drills passed")
    unsound = dict.fromkeys(words for item in ran for words in item.unsound)
    if unsound:
        paragraph(out, "Without any fault your controller does not hold the target; no drill there "
                       f"is passed: {'; '.join(unsound)}.")  # fmt: skip
    for item in failed:
        runs = [run for run in item.runs if run.failed]
        saved = sorted({device for run in runs for device in run.saved_by})
        helped = f"saved by: {' or '.join(saved)}" if saved else "no independent device saves it"
        if len(runs) > 1 and saved:
            helped += ", by run as above"
        bullet(out, f"{item.name}: {helped}.")
    unjudged = [f"{item.name}, {run.place}" for item in ran for run in item.runs if not run.judged]
    if unjudged:
        paragraph(out, f"Not judged: {'; '.join(unjudged)}.")
    paragraph(out, NO_ALARM)
    paragraph(out, "Firmware is no safety device. Sizes of faults are invented; a real fault may "
                   "be larger. Food kept above 5 °C is not shown safe by any drill.")  # fmt: skip

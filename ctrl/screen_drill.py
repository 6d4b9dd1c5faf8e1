"""The screen of the fault drills: the pass line first, then what happened."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from ctrl.config import Config
from ctrl.drill_devices import DeviceSpec
from ctrl.drill_results import (
    CONTENTS,
    HEALTHY_K,
    Drill,
    DrillResult,
    LimitFound,
    RunFound,
)
from ctrl.flashed import Flashed
from ctrl.screen import bullet, duration, fixed, heading, paragraph, words_of

MOST_STEPS = 8
CIRCUIT = "Would save it, if driven by a circuit of its own"


def show_head(
    out: Console,
    config: Config,
    flashed: Flashed,
    devices: Sequence[DeviceSpec],
    controller_file: str | None = None,
) -> None:
    """Print what is drilled, and with which devices."""
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
    paragraph(out, f"Firmware: {firmware}. Door shut, nothing loaded; the worst room stays as at "
                   "its hottest hour.")  # fmt: skip
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


def show_line(out: Console, drill: Drill) -> None:
    """Print a drill and its pass line, before any drill runs."""
    bullet(out, f"{drill.name}: {drill.fault}. Pass line: {drill.pass_line.words}.")


def show_result(out: Console, found: DrillResult) -> None:
    """Print what a drill found."""
    out.print()
    out.print(Text(f"{found.name}: {found.fault}", style="bold"))
    paragraph(out, f"Pass line: {found.pass_line}.")
    if found.skipped is not None:
        paragraph(out, f"Not run: {found.skipped}.")
        return
    for run in found.runs:
        _show_run(out, run)


def _show_run(out: Console, run: RunFound) -> None:
    verdict = "passed" if run.passed else "FAILED"
    by = "" if run.kept_alone or not run.passed else " by the fitted independent devices"
    room = "" if run.room in run.name else f", {run.room} room"
    paragraph(out, f"{verdict}{by}: {run.name}{room}, {fixed(run.ambient_c)} °C")
    if run.pass_line.limits == ():
        paragraph(out, "Nothing is asked of this run.", indent=4)
    if run.lacks:
        paragraph(out, f"Missed by the firmware alone: {'; '.join(run.lacks)}.", indent=4)
    first = "; ".join(
        f"{fixed(item.at_min, 0)} min: hot sink {fixed(item.hot_sink_c)}, contents "
        f"{fixed(item.contents_c)} °C"
        for item in run.first_minutes
    )
    paragraph(out, f"First: {first}.", indent=4)
    worst = "; ".join(_limit_words(item) for item in run.limits)
    paragraph(out, f"Worst in {fixed(run.watched_h, 0)} h: {worst}. Contents at the end "
                   f"{fixed(run.contents_c_end)} °C.", indent=4)  # fmt: skip
    steps = [f"{duration(60.0 * item.at_min)} {item.state} ({item.reason})" for item in run.steps]
    more = f"; {len(steps) - MOST_STEPS} more" if len(steps) > MOST_STEPS else ""
    latched = ", latched until reset" if run.latched else ""
    paragraph(out, f"Firmware: {'; '.join(steps[:MOST_STEPS])}{more}. At the end: "
                   f"{run.final_state}{latched}.", indent=4)  # fmt: skip
    if run.food_warm_h is not None:
        paragraph(out, f"Food above 5 °C for {fixed(run.food_warm_h)} h.", indent=4)
    if run.left_model is not None:
        paragraph(out, f"The model ends there: {run.left_model}.", indent=4)
    _show_devices(out, run)


def _limit_words(item: LimitFound) -> str:
    passed = ""
    if not item.kept:
        passed = f", passed after {duration(60.0 * (item.passed_min or 0.0))}"
    return (
        f"{item.name} {fixed(item.value)} {item.unit} after {duration(60.0 * item.worst_min)} "
        f"({_limit_itself(item)}{passed})"
    )


def _limit_itself(item: LimitFound) -> str:
    """Return the limit; where sound running passes the stated one, both."""
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
        runs = [run for run in item.runs if not run.passed]
        saved = sorted({device for run in runs for device in run.saved_by})
        helped = f"saved by: {' or '.join(saved)}" if saved else "no independent device saves it"
        if len(runs) > 1 and saved:
            helped += ", by run as above"
        bullet(out, f"{item.name}: {helped}.")
    paragraph(out, "Firmware is no safety device. Sizes of faults are invented; a real fault may "
                   "be larger. Food kept above 5 °C is not shown safe by any drill.")  # fmt: skip

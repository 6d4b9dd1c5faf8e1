"""The report: one page with everything a maker needs, in the words of the screens.

The page stands alone: its style and its pictures are in it, it runs no script and asks nobody
for anything.  Same config, same bytes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import resources
from pathlib import Path

import numpy as np
from rich.console import Console

from ctrl import screen_drill, screen_map, screen_recommend
from ctrl.build import plant_of
from ctrl.cases import CANNOT
from ctrl.config import Config, override
from ctrl.drill_devices import DeviceSpec, device_specs
from ctrl.drill_results import DrillResult, Plan
from ctrl.drills import drill_all
from ctrl.files import replace_file
from ctrl.findings import DAY_S
from ctrl.loop import LOW_BATTERY
from ctrl.notes import Block, Grid, Heading, Paragraph, noted
from ctrl.plots import band_rows, usual_records
from ctrl.recommend import Recommendation
from ctrl.record import Record
from ctrl.report_config import (
    ASKED,
    ASSUMED,
    DEFAULT,
    FITTED,
    MEASURED,
    OF_THE_LOG,
    REPLACED,
    STATED,
    UsedKey,
    told_rows,
    used_keys,
)
from ctrl.report_html import (
    figure_of,
    markup_of,
    section_of,
    table_of,
    text_of,
    with_drives,
    with_rooms,
)
from ctrl.report_plots import NARROW_CYCLES, day_figure, gains_figure, map_figure, pictures
from ctrl.screen import fixed, percent, words_of
from ctrl.screen_recommend import LEAST_GAIN_K, VERDICT_WORDS
from ctrl.setpoint_map import RESOLUTION_K, SetpointMap, setpoint_map
from ctrl.shipped import find_config
from ctrl.simulation import cost_per_day, money_words

MOST_GAINS = 8
KIND_WORDS = {
    MEASURED: "measured on this cabinet",
    FITTED: "fitted to the twin's log as the model's one node needs it",
    STATED: "stated in the file, or with a source",
    ASSUMED: "assumed: invented, from memory or common practice",
    DEFAULT: "default: the file leaves it out",
    ASKED: "given on the command line",
    REPLACED: "replaced by the twin: the log told better",
    OF_THE_LOG: "of the twin's log: its name, standard errors, parts that it does not tell",
}


@dataclass(frozen=True)
class Report:
    """What the page tells: the recommendation, a day, the map, the drills, the config's text."""

    found: Recommendation
    day: Record
    map: SetpointMap
    devices: tuple[DeviceSpec, ...]
    drills: tuple[DrillResult, ...]
    keys: tuple[UsedKey, ...]


def report_of(
    found: Recommendation, *, progress: Callable[[str], None] = lambda stage: None
) -> Report:
    """Return what the page of a recommendation tells: more runs with the same settings and seed."""
    config, item = found.config, found.chosen.candidate
    progress("running a usual day")
    _, settled = usual_records(found)
    progress("following the map of room and contents")
    plan = setpoint_map(config, seed=found.seed, progress=progress)
    drilled = config if item.drive == config.drive.kind else override(config, drive=item.drive)

    def before(plan: Plan) -> None:
        progress(f"drill: {plan.fault}")

    drills = drill_all(drilled, item.settings, seed=found.seed, before=before)
    return Report(
        found, settled.last(DAY_S), plan, device_specs(drilled, plant_of(drilled)), drills,
        tuple(used_keys(config, text_of_config(config))),
    )  # fmt: skip


def text_of_config(config: Config) -> str:
    """Return the text of the file that a config came from; empty where there is none."""
    return find_config(config.source).read_text(encoding="utf-8") if config.source else ""


def write_report(report: Report, version: str, path: Path) -> None:
    """Write the page whole or not at all.

    Raises
    ------
    CannotWrite
        When the file cannot be written.
    """
    page = page_of(report, version)
    with replace_file(path) as stream:
        stream.write(page)


def page_of(report: Report, version: str) -> str:
    """Return the page."""
    found = report.found
    name = found.config.cabinet.name
    sections = [
        ("verdict", "Verdict", "Verdict", _verdict(report)),
        ("settings", "Settings", _title(found, "settings"), _part(found, "settings")),
        ("day", "Day", "A usual day", _day(report)),
        ("map", "Map", "What can be held, what ices, what it costs", _map(report)),
        ("limits", "Limits", "Limits and margins",
         _joined(found, "limits", "controllers", "gains")),
        ("ice", "Ice", "Ice, pull-down, a failed fan",
         _joined(found, "ice", "times", "fan_failure")),
        ("back", "Changes", _title(found, "bottlenecks"), _gains(report)),
        ("energy", "Energy", "Energy and cost", _joined(found, "energy")),
        ("tolerance", "Tolerances", "Parts out of tolerance", _tolerance(found)),
        ("drills", "Drills", "Fault drills", _drills(report)),
        ("cautions", "Cautions", "Cautions", _joined(found, "cautions", "absent")),
        ("known", "Assumed", "What is assumed, what was measured", _known(report)),
        ("config", "Config", "The config as used", _config(report)),
    ]  # fmt: skip
    links = "".join(
        f'<li><a href="#{key}">{text_of(short)}</a></li>' for key, short, *_ in sections
    )
    body = "\n".join(section_of(key, title, text) for key, _, title, text in sections)
    css = resources.files("ctrl").joinpath("report.css").read_text(encoding="utf-8")
    source = f"{found.config.source}; " if found.config.source else ""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{text_of(name)}: {text_of(VERDICT_WORDS[found.verdict].lower())} - coldloop report</title>
<link rel="icon" href="data:,">
<style>
{css}</style>
</head>
<body>
<a class="skip" href="#main">Skip to the report</a>
<header>
<h1>{text_of(name)}</h1>
<p class="lead">{_lead(found)} {text_of(_wish(found.config))}</p>
</header>
<nav aria-label="Sections"><ul>{links}</ul></nav>
<main id="main" tabindex="-1">
{body}
</main>
<footer>
<p>{text_of(source)}coldloop {text_of(version)}; seed of the sensor noise {found.seed}. Energy is
counted at the {text_of(found.energy_boundary)}.</p>
</footer>
</body>
</html>
"""


def _lead(found: Recommendation) -> str:
    if found.is_safe_to_build:
        return "Thermostat settings to flash, and why."
    return "Not safe to build as described: nothing to flash yet, and why."


def _wish(config: Config) -> str:
    use, room = config.use, config.climate
    return (
        f"Wanted: {use.target_c:g} °C, +/-{use.target_tolerance_k:g} K, in rooms of "
        f"{room.coldest_c:g} to {room.worst_c:g} °C, usually {room.usual_c:g} °C."
    )


# From the screens --------------------------------------------------------------------------


def _blocks(found: Recommendation, *names: str) -> list[Block]:
    parts = screen_recommend.parts(found)
    blocks = noted(*(parts[name] for name in names))
    return [with_drives(item) if isinstance(item, Grid) else item for item in blocks]


def _title(found: Recommendation, name: str) -> str:
    """Return the heading that the screen gives a part."""
    return next(item.text for item in _blocks(found, name) if isinstance(item, Heading))


def _part(found: Recommendation, name: str) -> str:
    """Return a part whose heading is the section's."""
    title, *rest = _blocks(found, name)
    return markup_of(rest, 3, title.text if isinstance(title, Heading) else name)


def _joined(found: Recommendation, *names: str) -> str:
    return markup_of(_blocks(found, *names), 3, "")


# Sections ----------------------------------------------------------------------------------


def _verdict(report: Report) -> str:
    found = report.found
    kind, sign = ("bad", "✗") if found.verdict == CANNOT else ("good", "✓")
    words = _title(found, "verdict").removeprefix("Verdict: ")
    badge = f'<p class="badge {kind}"><span aria-hidden="true">{sign} </span>{text_of(words)}</p>'
    tiles = "".join(
        f"<div><dt>{text_of(name)}</dt><dd>{text_of(value)}</dd></div>"
        for name, value in _tiles(found)
    )
    failed = "".join(f"<p><strong>{text_of(x)}</strong></p>" for x in _failed(report.drills))
    near = "".join(f"<p>{text_of(x)}</p>" for x in _near_ice(report))
    return f'{badge}\n{failed}<dl class="tiles">{tiles}</dl>\n{near}{_part(found, "verdict")}'


def _failed(drills: Sequence[DrillResult]) -> list[str]:
    """Return a line that names the drills which fail, if any does."""
    run = [item for item in drills if item.skipped is None]
    names = [f"{item.fault} ({item.name})" for item in run if not item.passed]
    if not names:
        return []
    fail = "fail" if len(names) > 1 else "fails"
    return [f"{len(names)} of {len(run)} drills {fail}: {'; '.join(names)}."]


def _near_ice(report: Report) -> list[str]:
    """Return a line where what is said to hold lies nearer to ice than ice is known."""
    advice, found = report.map.advice, report.found
    is_wanted = advice.contents_c == found.config.use.target_c
    if found.verdict == CANNOT or not is_wanted or not advice.is_within_resolution:
        return []
    return [f"It holds next to the ice border: in the {advice.ambient_c:g} °C room it is nearer to "
            f"it than the {RESOLUTION_K:g} K to which the border is known."]  # fmt: skip


def _tiles(found: Recommendation) -> list[tuple[str, str]]:
    item, usual = found.chosen.candidate, found.chosen.findings
    worst = next(case for case in found.cases if case.name == "worst")
    energy = usual.energy_kwh_per_day
    cost = cost_per_day(found.config, energy)
    price = "" if cost is None else f", {fixed(cost, 2)} {money_words(found.config)}"
    name, value, unit = screen_recommend.settings_rows(item.settings)[0]
    limit = screen_recommend.settings_rows(item.settings)[-1]
    return [
        (name, f"{value} {unit}"),
        ("controller", words_of(item.controller)),
        (limit[0], f"{limit[1]} {limit[2]}"),
        ("contents, mean", f"{fixed(usual.contents_c.mean)} °C"),
        ("hot sink, hottest", f"{fixed(worst.findings.hot_sink_c.max)} °C"),
        ("energy a day", f"{fixed(energy, 2)} kWh{price}"),
    ]


def _day(report: Report) -> str:
    day, config = report.day, report.found.config
    finding = day_finding(day, config)
    lines = "Curves over 24 hours: air, contents and cold sink inside; hot sink and room; duty; "
    lines += "ice and water on the cold sink; humidity inside."
    picture = figure_of(
        "day-picture", pictures("day", partial(day_figure, day, config)), f"{lines} {finding}",
        f"A settled day in the usual room, {config.climate.usual_c:g} °C. {finding}"
        f"{_day_signs(day)}",
    )  # fmt: skip
    return f"{picture}\n{_joined(report.found, 'rooms')}"


def _day_signs(day: Record) -> str:
    """Return what else is drawn, where it is: ranges of cycles, stretches without power."""
    crowded = band_rows(day, NARROW_CYCLES) is not None
    text = " Where cycles crowd, their mean is drawn, and their range pale." if crowded else ""
    if np.any(day["state"] >= LOW_BATTERY):
        text += " Red bands: off (fault, trip or no power)."
    return text


def day_finding(day: Record, config: Config) -> str:
    """Return what a day's picture shows, in words."""
    low, high = (fixed(float(f(day["contents_c"]))) for f in (np.min, np.max))
    where = f"at {low}" if low == high else f"between {low} and {high}"
    use = config.use
    inside = np.all(np.abs(day["contents_c"] - use.target_c) <= use.target_tolerance_k)
    kept = "inside" if inside else "not always inside"
    ice_g = float(np.max(day["frost_g"]))
    ice = f"ice comes to {fixed(ice_g)} g" if ice_g >= 0.05 else "no ice forms"
    return (
        f"The contents stay {where} °C, {kept} the band wanted; the hot sink "
        f"comes to {fixed(float(np.max(day['hot_sink_c'])))} °C, the duty is "
        f"{percent(float(np.mean(day['duty'])))} in the mean, and {ice}."
    )


def _map(report: Report) -> str:
    found = report.map
    blocks = noted(lambda out: screen_map.show(out, found))[1:]  # the name stands above
    advice = [item.text for item in _after_last_heading(blocks)]
    words = "Map of room against contents with lines of equal energy in kWh a day; grey where it "
    words += "cannot be held; dashed where the cold sink begins to ice."
    picture = figure_of(
        "map-picture", pictures("map", partial(map_figure, found)), f"{words} {' '.join(advice)}",
        "Energy in kWh a day by room and contents. Grey: cannot be held. Below the dashed line "
        "the cold sink ices. Thick bar: the recommended point, from the coldest to the worst room.",
    )  # fmt: skip
    named = [with_rooms(item) if isinstance(item, Grid) else item for item in blocks]
    return f"{picture}\n{markup_of(named, 3, 'Map')}"


def _after_last_heading(blocks: Sequence[Block]) -> list[Paragraph]:
    last = max(n for n, item in enumerate(blocks) if isinstance(item, Heading))
    return [item for item in blocks[last:] if isinstance(item, Paragraph)]


def _gains(report: Report) -> str:
    found = report.found
    items = [item for item in found.bottlenecks if abs(item.gain_k) >= LEAST_GAIN_K][:MOST_GAINS]
    text = _part(found, "bottlenecks")
    if not items or found.is_only_too_cold:
        return text
    best = items[0]
    finding = f"Most is gained by {best.part}, {best.change}: {fixed(best.gain_k)} K colder" + (
        f"; next is {items[1].part}, {fixed(items[1].gain_k)} K." if len(items) > 1 else "."
    )
    picture = figure_of("back-picture", pictures("back", partial(gains_figure, items)),
                        f"Bars of kelvin gained by each change. {finding}", finding)  # fmt: skip
    return f"{picture}\n{text}"


def _tolerance(found: Recommendation) -> str:
    if found.tolerance is None:
        return (
            "<p>Not looked at in this quick run. Run it without --quick to see how many cabinets "
            "with parts out of tolerance would hold.</p>"
        )
    return _joined(found, "tolerance")


def _drills(report: Report) -> str:
    results = report.drills
    lead = noted(
        lambda out: screen_drill.show_devices(out, report.devices),
        lambda out: screen_drill.show_end(out, results),
    )
    each = "\n".join(_one_drill(item) for item in results)
    return f"{markup_of(lead, 3, 'Drills')}\n<h3>Each drill, its pass line first</h3>{each}"


def _drill_word(item: DrillResult) -> str:
    if item.skipped is not None:
        return "not run"
    return "passed" if item.passed else "FAILED"


def _one_drill(item: DrillResult) -> str:
    def said(out: Console) -> None:
        screen_drill.show_result(out, item)

    title, *rest = (_case_in_bold(block) for block in noted(said))
    summary = title.text if isinstance(title, Heading) else item.name
    word = _drill_word(item)
    kind = {"passed": "good", "FAILED": "bad"}.get(word, "none")
    # On paper only what went wrong is told in full.
    brief = ' class="brief"' if item.passed else ""
    return (
        f'<details{brief}><summary><strong class="{kind}">{text_of(word)}</strong> '
        f"{text_of(summary)}"
        f"</summary>{markup_of(rest, 4, item.name)}</details>"
    )


def _case_in_bold(block: Block) -> Block:
    """Return a line that opens a case of a drill set in bold, so that the cases can be told."""
    if isinstance(block, Paragraph) and block.text.startswith(("passed", "FAILED", "not run")):
        return Paragraph(block.text, strong=True)
    return block


def _known(report: Report) -> str:
    keys = report.keys
    counts = tuple(
        (words, str(sum(item.kind == kind for item in keys))) for kind, words in KIND_WORDS.items()
    )
    table = table_of(Grid(("where a number comes from", "keys"), counts, (False, True)),
                     "How many keys are measured, stated, assumed or defaults")  # fmt: skip
    measured = tuple(
        (item.key, _with_unit(item), item.remark)
        for item in keys
        if item.kind == MEASURED and not item.key.startswith("twin.")
    )
    twin = _of_the_twin(report.found.config)
    parts = [table, "<h3>Measured on this cabinet</h3>"]
    if measured:
        heads = ("key", "value", "remark")
        parts.append(table_of(Grid(heads, measured, (False,) * 3), "Measured on this cabinet"))
    elif not twin:
        parts.append("<p>Nothing: every figure on this page rests on the file alone.</p>")
    parts += twin
    assumed: dict[str, list[str]] = {}
    for item in keys:
        if item.kind == ASSUMED:
            section, name = item.key.split(".")
            assumed.setdefault(section, []).append(name)
    if assumed:
        title = "Assumed: invented, from memory or common practice"
        rows = tuple((f"[{name}]", ", ".join(names)) for name, names in assumed.items())
        parts.append(f"<h3>{title}</h3>")
        parts.append(table_of(Grid(("table", "keys"), rows, (False, False)), title))
    return "\n".join(parts)


def _of_the_twin(config: Config) -> list[str]:
    """Return what the twin's log told, with its standard errors; [] where it told nothing."""
    heads = ("part", "value ± standard error")
    told = (
        ("By the log of the real cabinet", told_rows(config, lumps=False)),
        ("Fitted as the model's one node needs it", told_rows(config, lumps=True)),
    )
    return [
        table_of(Grid(heads, rows, (False, False)), title, hide_caption=False)
        for title, rows in told
        if rows
    ]


def _with_unit(item: UsedKey) -> str:
    unit = "°C" if item.unit == "C" else item.unit
    return f"{item.value} {unit}".strip()


def _config(report: Report) -> str:
    tables: dict[str, list[tuple[str, ...]]] = {}
    for item in report.keys:
        table, name = item.key.split(".")
        origin = item.kind if not item.remark else f"{item.kind}: {item.remark}"
        tables.setdefault(table, []).append((name, _with_unit(item), origin))
    heads = ("key", "value", "where from")
    return "\n".join(
        f"<details><summary><strong>[{text_of(name)}]</strong> {len(rows)} keys</summary>"
        f"{table_of(Grid(heads, tuple(rows), (False,) * 3), name)}</details>"
        for name, rows in tables.items()
    )

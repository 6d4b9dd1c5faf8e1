"""The text of a new configuration: tables, values, and a comment on every line."""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ctrl.answers import NICHE_RECIRCULATION, PLACES, Answers, foam_mm
from ctrl.config import SECTION_MODELS, config_fields
from ctrl.config_fields import FieldRow
from ctrl.config_settings import Climate
from ctrl.marking import sheet_of
from plant import presets

CAUTIONS = """\
# Before you build:
#   - Ten amperes in thin wire start fires. Fuse at the supply end, for the wire.
#   - The hot sink burns skin when its fan stops. Guard it, and the fan.
#   - EPS foam softens: keep it below 66 C. Let no hot metal or switch touch it.
#   - Firmware limits are not a safety device. Fit a thermal cut-out of its own
#     on the hot sink, in the module's supply wire.
#   - Food that spoils is kept at 5 C or colder. Never medicines.
#
# Temperatures in C, lengths in mm; the key's last word is its unit.
# "assumed" marks what you did not say: put your own number there.
"""

# Sizes of fuse you can buy [A], and the copper that carries each [mm2].
# Wire by fuse: common practice, no source, with room over the usual 8 A for
# 0.82 mm2 and 15 A for 2.08 mm2 of a wiring supplier's table.
FUSES = ((3.0, 0.75), (5.0, 1.0), (7.5, 1.5), (10.0, 2.5), (15.0, 2.5), (20.0, 4.0), (30.0, 6.0))


@dataclass(frozen=True)
class Line:
    """One key: its value, and why it was assumed (None if the maker said so)."""

    key: str
    value: Any
    why: str | None = None


Section = tuple[str, list[Line]]


def toml_value(value: Any) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for DEL, which no name here holds.
        return json.dumps(value, ensure_ascii=False)
    return str(value) if isinstance(value, int) else f"{value:.10g}"


def _comment(row: FieldRow, why: str | None) -> str:
    unit = f" [{row.unit}]" if row.unit else ""
    return f"# {row.doc}{unit}" if why is None else f"# assumed: {row.doc}{unit} ({why})"


def render(name: str, answers: Answers, assumed: frozenset[str]) -> str:
    """Return the text of a configuration.

    Parameters
    ----------
    name : str
        The cabinet's name.
    answers : Answers
        One for every question that was due.
    assumed : frozenset of str
        The questions whose default was taken.
    """
    described = {row.key: row for row in config_fields()}
    parts = [f"# {name}: written by coldloop new\n#\n{CAUTIONS}"]
    for section, lines in _sections(name, answers, assumed):
        heading = (SECTION_MODELS[section][0].__doc__ or "").splitlines()[0]
        parts.append(f"\n[{section}]  # {heading}\n")
        for line in lines:
            text = f"{line.key} = {toml_value(line.value)}"
            comment = _comment(described[f"{section}.{line.key}"], line.why)
            parts.append(f"{text:<36}  {comment}\n")
    return "".join(parts)


def assumed_keys(answers: Answers, assumed: frozenset[str]) -> list[str]:
    """Return the keys that are not as the maker said, as ``table.key``, in the file's order."""
    return [
        f"{section}.{line.key}"
        for section, lines in _sections("", answers, assumed)
        for line in lines
        if line.why is not None
    ]


def _sections(name: str, answers: Answers, assumed: frozenset[str]) -> list[Section]:
    def said(question: str, key: str, value: Any = None) -> Line:
        why = "not answered" if question in assumed else None
        return Line(key, answers[question] if value is None else value, why)

    sections: list[Section] = [
        ("cabinet", _cabinet(name, answers, said)),
        ("module", _module(answers["module"], said)),
        ("hot_sink", _hot_sink(answers)),
        ("cold_sink", _cold_sink(answers)),
        ("supply", _supply(answers, said)),
        ("drive", [said("drive", "kind")]),
        ("sensor", [said("sensor", "kind"), Line("place", "air", "usual place")]),
    ]
    for fitted in ("hot_sink_sensor", "cold_sink_sensor"):
        if answers[fitted]:
            kind = Line("kind", answers["sensor"], "as the control sensor")
            sections.append((fitted, [kind, Line("lag_s", 8.0, "screwed to metal")]))
    return sections + [
        ("climate", _climate(answers, said)),
        ("contents", _contents(answers, said)),
        ("use", _use(answers, said)),
        ("controller", [Line("kind", "recommend", "coldloop works it out")]),
        ("protection", _protection()),
        ("defrost", _defrost(answers)),
    ]


Said = Callable[..., Line]


def _cabinet(name: str, answers: Answers, said: Said) -> list[Line]:
    width, depth, height = answers["inside"]
    practice = "common practice, no source"
    side, front, top = foam_mm(answers)
    foam = "outside" if "outside" in answers else "foam_thickness"
    faces = [("front", front), ("back", front), ("top", top), ("bottom", top)]
    return [
        Line("name", name),
        said("inside", "inside_width_mm", width),
        said("inside", "inside_depth_mm", depth),
        said("inside", "inside_height_mm", height),
        said("foam", "foam"),
        said(foam, "foam_thickness_mm", side),
        *(said(foam, f"foam_{face}_mm", mm) for face, mm in faces if mm != side),
        Line("door_width_mm", width, "the whole front opens"),
        Line("door_height_mm", height, "the whole front opens"),
        Line("door_seal_w_per_m_k", 0.02, practice),
        Line("air_changes_per_h", 0.3, practice),
        Line("metal_through_wall_w_per_k", 0.03, practice),
        Line("module_opening_width_mm", 40.0, "one module"),
        Line("module_opening_height_mm", 40.0, "one module"),
    ]


def _module(marking: str, said: Said) -> list[Line]:
    sheet, is_preset = sheet_of(marking)
    scaled = "scaled from another of the same make-up"
    by_name = [said("module", "preset")]
    by_sheet = [
        said("module", "couples", sheet.couples),
        said("module", "imax_a", sheet.imax_a),
        Line("vmax_v", sheet.vmax_v, scaled),
        Line("dtmax_k", sheet.dtmax_k, scaled),
        Line("qmax_w", sheet.qmax_w, scaled),
        Line("sheet_hot_side_c", sheet.sheet_hot_side_c, scaled),
    ]
    return [
        *(by_name if is_preset else by_sheet),
        Line("derating", 0.9, "parts bought singly often give 10 % less"),
        Line("cold_contact_k_per_w", 0.03, "thin paste, well clamped"),
        Line("hot_contact_k_per_w", 0.03, "thin paste, well clamped"),
    ]


NO_FAN = "no fan"


def _hot_sink(answers: Answers) -> list[Line]:
    sink, why = presets.hot_sink(answers["hot_sink"]), f"a {answers['hot_sink']} sink"
    fan, free = answers["hot_fan"], answers["free_air"]
    with_fan, without = sink.fan_k_per_w, sink.no_fan_k_per_w
    share = 0.0 if free else NICHE_RECIRCULATION
    where = "it stands free" if free else "in a niche"
    if not fan:
        # Without a fan nothing is blown round: what a niche costs goes onto the sink itself.
        without = round(without / (1.0 - share), 3)
        with_fan, share = without, 0.0
        where, why = f"{NO_FAN}; {where}", f"{why}, {NO_FAN}, {where}"
    return [
        Line("fan_k_per_w", with_fan, why),
        Line("no_fan_k_per_w", without, why),
        Line("heat_capacity_j_per_k", sink.heat_capacity_j_per_k, why),
        Line("fan_w", sink.fan_w if fan else 0.0, why),
        Line("fan_flow_m3_per_h", sink.fan_flow_m3_per_h, why if fan else f"{NO_FAN}: not used"),
        Line("exhaust_recirculation", share, where),
        Line("fan_wiring", "own_switch", "the firmware switches it" if fan else NO_FAN),
    ]


def _cold_sink(answers: Answers) -> list[Line]:
    sink, why = presets.cold_sink(answers["cold_sink"]), f"a {answers['cold_sink']} sink"
    fan = answers["cold_fan"]
    return [
        Line("fan_k_per_w", sink.fan_k_per_w if fan else sink.no_fan_k_per_w,
             why if fan else f"{why}, {NO_FAN}"),
        Line("no_fan_k_per_w", sink.no_fan_k_per_w, why),
        Line("heat_capacity_j_per_k", sink.heat_capacity_j_per_k, why),
        Line("fin_area_m2", sink.fin_area_m2, why),
        Line("fin_gap_mm", sink.fin_gap_mm, why),
        Line("fan_w", sink.fan_w if fan else 0.0, why if fan else NO_FAN),
        Line("fan_wiring", "own_switch", "the firmware switches it" if fan else NO_FAN),
        Line("drain", "inside", "no drain tube"),
    ]  # fmt: skip


def fuse_and_wire(current_a: float) -> tuple[float, float]:
    """Return fuse [A] and copper [mm2]: 1.25 times the running current, next size up.

    The factor is a wiring supplier's rule for loads that run on and on.
    """
    for fuse_a, copper_mm2 in FUSES:
        if fuse_a >= 1.25 * current_a:
            return fuse_a, copper_mm2
    return float(math.ceil(1.25 * current_a)), 10.0


def _supply(answers: Answers, said: Said) -> list[Line]:
    volts, battery = answers["voltage"], answers["supply"] == "battery"
    # A 12 V lead battery: 14.4 V on charge, 11.6 V nearly empty (from memory);
    # a mains supply: 5 % either way (desktop supply design guide).
    high, low = (volts * 1.2, volts * 11.6 / 12.0) if battery else (volts * 1.05, volts * 0.95)
    sheet, _ = sheet_of(answers["module"])
    # Largest current: no temperature difference, highest voltage.
    current_a = high / (sheet.vmax_v * (1.0 - sheet.dtmax_k / (sheet.sheet_hot_side_c + 273.15)))
    fuse_a, copper_mm2 = fuse_and_wire(current_a * sheet.imax_a)
    kind = "a lead battery" if battery else "a closed supply, 5 % either way"
    lines = [
        said("supply", "kind"),
        said("voltage", "voltage_v"),
        Line("highest_voltage_v", round(high, 2), kind),
        Line("lowest_voltage_v", round(low, 2), kind),
    ]
    if battery:
        lines += [
            Line("low_battery_cut_off_v", round(low, 2), kind),
            Line("low_battery_resume_v", round(volts * 12.4 / 12.0, 2), kind),
        ]
    else:
        lines += [
            Line("current_limit_a", fuse_a, "as the fuse"),
            Line("efficiency", 0.85, "common practice, no source"),
            Line("standby_w", 1.0, "supply idle and controller"),
        ]
    return [
        *lines,
        Line("wire_length_m", 1.0, "not asked"),
        Line("wire_mm2", copper_mm2, "to suit the fuse"),
        Line("fuse_a", fuse_a, "largest current and a quarter"),
    ]


DAMPEST_PCT = Climate.model_fields["worst_humidity_pct"].default


def _climate(answers: Answers, said: Said) -> list[Line]:
    swing_k = PLACES[answers["place"]][4]
    humidity = answers["humidity"]
    wettest = [Line("worst_humidity_pct", humidity, "as on a usual day")]
    return [
        said("ambient", "usual_c"),
        said("worst", "worst_c"),
        said("coldest", "coldest_c"),
        Line("daily_swing_k", swing_k, f"usual for a place like {answers['place']}"),
        said("humidity", "relative_humidity_pct"),
        *(wettest if humidity > DAMPEST_PCT else []),
    ]


# purpose -> specific heat [J/(kg K)], share that freezes, freezing point [C]; from memory
GOODS = {
    "food": (3500.0, 0.75, -1.0),
    "seeds": (1600.0, 0.0, 0.0),
    "film": (1400.0, 0.0, 0.0),
    "drinks": (4000.0, 0.9, -0.5),
    "other": (2500.0, 0.5, 0.0),
}


def _contents(answers: Answers, said: Said) -> list[Line]:
    start = Line("start_c", answers["ambient"], "loaded at room temperature")
    if "bottles" in answers:
        return [
            Line("kind", "bottles"),
            said("container", "container"),
            said("bottles", "count"),
            said("liquid", "liquid"),
            start,
        ]
    heat, water, freezing_c = GOODS[answers["purpose"]]
    # Surface grows as weight^(2/3); 0.1 m2 at 1 kg is a loose heap, invented.
    surface_m2 = max(0.001, round(0.1 * answers["goods"] ** (2.0 / 3.0), 3))
    why = f"usual for {answers['purpose']}"
    return [
        Line("kind", "goods"),
        said("goods", "mass_kg"),
        Line("specific_heat_j_per_kg_k", heat, why),
        Line("surface_m2", surface_m2, "a loose heap"),
        Line("water_share", water, why),
        Line("freezing_c", freezing_c, why),
        start,
    ]


def _use(answers: Answers, said: Said) -> list[Line]:
    lines = [said("purpose", "purpose"), said("target", "target_c")]
    if answers["purpose"] == "food" and answers["target"] <= 5.0:
        lines.append(Line("contents_max_c", 5.0, "food that spoils"))
    openings = 8 if answers["purpose"] in ("drinks", "food") else 2
    return [
        *lines,
        Line("door_openings_per_day", openings, "not asked"),
        Line("door_open_s", 10.0, "not asked"),
        Line("load_share", 0.0, "nothing is swapped"),
    ]


def _protection() -> list[Line]:
    practice = "common practice, no source"
    return [
        Line("fold_back_start_c", 55.0, practice),
        Line("fold_back_full_c", 65.0, practice),
        Line("trip_c", 70.0, practice),
        Line("hot_fan_run_on_s", 180.0, practice),
    ]


def _defrost(answers: Answers) -> list[Line]:
    # Off-cycle melting needs cabinet air above about 2 C, so below that none is planned.
    if answers["target"] < 2.0:
        return [Line("kind", "none", "air too cold to melt ice without a heater")]
    practice = "common practice, no source"
    return [
        Line("kind", "timed", "the cold sink is likely to ice"),
        Line("interval_h", 12.0, practice),
        Line("end_c", 3.0, practice),
        Line("longest_min", 40.0, practice),
        Line("drip_min", 4.0, practice),
    ]

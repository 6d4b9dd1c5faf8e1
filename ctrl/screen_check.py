"""The screen of `coldloop check`."""

from rich.console import Console

from ctrl.build import plant_of
from ctrl.cautions import collapse_cautions, sheet_cautions
from ctrl.check import Capability, Check
from ctrl.screen import (
    bullet,
    digits,
    duration,
    fixed,
    grid_of,
    heading,
    paragraph,
    percent,
    show_table,
    words_of,
)
from ctrl.screen_cold_side import show_cold_side, show_outside
from ctrl.screen_hot_side import show_hot_side
from ctrl.thermistor_fit import thermistor_cautions
from ctrl.twin_spreads import measured_words


def show(out: Console, found: Check, *, all_keys: bool = False) -> None:
    """Print a checked config with its derived values."""
    config = found.config
    out.print(f"{config.cabinet.name} ({config.source}): the configuration is sound")
    for text in measured_words(config):
        paragraph(out, text)
    _capabilities(out, found)
    _heat_leak(out, found)
    _module(out, found)
    show_hot_side(out, config, found.hot_side)
    show_cold_side(out, config, found.cold_side)
    _time_constants(out, found)
    _currents(out, found)
    _sensors(out, found)
    _contents(out, found)
    show_outside(out, found.outside)
    _keys(out, found, all_keys)


def _capabilities(out: Console, found: Check) -> None:
    heading(out, "What it can hold (steady states, contents)")
    table = grid_of(("", *(item.case for item in found.capabilities), ""), "l" + "r" * 3 + "l")
    rows = (
        ("room", "°C", lambda item: fixed(item.ambient_c)),
        ("coldest", "°C", lambda item: fixed(item.coldest_holdable_c)),
        ("decided by", "", lambda item: item.coldest_decided_by),
        ("at duty", "%", lambda item: fixed(100 * item.coldest_duty, 0)),
    )
    for name, unit, cell in rows:
        table.add_row(name, *(cell(item) for item in found.capabilities), unit)
    target = f"for {found.config.use.target_c:g} °C:"
    table.add_row(target, *(_reach(item) for item in found.capabilities), "")
    table.add_row("  duty", *(_duty(item) for item in found.capabilities), "%")
    table.add_row("  power", *(fixed(item.plug_w) for item in found.capabilities), "W")
    table.add_row("  hot sink", *(fixed(item.hot_sink_c_mean) for item in found.capabilities), "°C")
    show_table(out, table)
    paragraph(out, f"Power at the {found.energy_boundary}, fans and standby included.")
    limit = found.duty_limit
    duty = percent(limit.duty, 1)
    paragraph(out, f"Duty limit: {duty}; {limit.decided_by} decides, {limit.when}.")


def _reach(item: Capability) -> str:
    if not item.in_reach:
        return "no"
    return "idles" if item.duty == 0.0 else "yes"


def _duty(item: Capability) -> str:
    return fixed(None if item.duty is None else 100.0 * item.duty, 0)


def _heat_leak(out: Console, found: Check) -> None:
    heading(out, f"Heat leak: {digits(found.heat_leak_w_per_k)} W/K")
    table = grid_of(("part", "W/K", "share"), "lrr")
    parts = sorted(found.heat_leak_parts_w_per_k.items(), key=lambda item: -item[1])
    for name, value in parts:
        table.add_row(name, fixed(value, 3), percent(value / found.heat_leak_w_per_k))
    show_table(out, table)


def _module(out: Console, found: Check) -> None:
    part = found.module
    count = f"{part.modules} modules" if part.modules > 1 else "1 module"
    stack = ""
    if part.stages == 2:
        upper = found.config.module.upper_stage_couples or 0
        stack = f", in two stages ({upper} in the upper)"
        if found.config.module.sheet_covers == "lower_stage":
            stack = f" under a stage of {upper}; the sheet is the lower's"
    heading(out, f"Module: {count} of {part.couples} couples{stack}")
    table = grid_of(("", "", ""), "lrl")
    for name, value, unit, off in (
        ("Seebeck coefficient", fixed(part.seebeck_v_per_k, 4), "V/K", part.seebeck_tolerance_pct),
        ("resistance", digits(part.resistance_ohm), "ohm", part.resistance_tolerance_pct),
        ("conductance", digits(part.conductance_w_per_k), "W/K", part.conductance_tolerance_pct),
    ):
        table.add_row(name, value, f"{unit} +/-{off:.0f} %")
    table.add_row("figure of merit", fixed(1e3 * part.figure_of_merit_per_k, 2), "1/1000 K")
    show_table(out, table)
    at = "At 25 °C; they change with temperature. " if part.temperature_dependence else ""
    trusted = f"Qmax {part.trusted_qmax_w:.0f} W, largest difference {part.trusted_dtmax_k:.0f} K"
    trust = (
        f"Seebeck coefficient derated to {part.derating:g} of the sheet's, as chosen: {trusted}."
        if part.derating < 1.0
        else "Not derated; commodity parts often fall short (module.derating = 0.9)."
    )
    paragraph(out, at + trust)
    sheet = grid_of(("sheet", "printed", "fitted", "", "off", "may be off"), "lrrlrr")
    for item in part.sheet_numbers:
        sheet.add_row(
            item.key, digits(item.value), digits(item.fitted), item.unit,
            f"{round(item.residual_pct, 1) + 0.0:+.1f} %", f"{item.tolerance_pct:g} %",
        )  # fmt: skip
    show_table(out, sheet)
    verdict = "agrees with itself" if part.misfit <= 1.0 else "CONTRADICTS ITSELF"
    paragraph(
        out,
        f"The sheet {verdict}: its numbers miss a common module by {part.misfit:.1f} of their "
        "tolerances. Sheets hold for vacuum or dry gas; room air costs a little.",
        style="" if part.misfit <= 1.0 else "bold",
    )
    for text in sheet_cautions(found.config):
        bullet(out, text)


def _time_constants(out: Console, found: Check) -> None:
    heading(out, "Time constants")
    table = grid_of(("", ""), "lr")
    for part, seconds in found.time_constants_s.items():
        table.add_row(part, duration(seconds))
    show_table(out, table)
    paragraph(
        out,
        f"Usual room, duty {percent(found.time_constants_duty)}. Of a part: its own, with its "
        "neighbours held. Whole cabinet: the slowest of all together.",
    )


def _currents(out: Console, found: Check) -> None:
    supply, part = found.config.supply, found.currents
    heading(out, f"Currents at start-up and {supply.highest_voltage_v:g} V")
    table = grid_of(("", "", ""), "lrl")
    table.add_row("module", fixed(part.module_a), "A")
    table.add_row("with the fans", fixed(part.whole_a), "A")
    if part.hold_current_a > 0.0:
        table.add_row("held while off", fixed(part.hold_current_a, 2), "A")
    table.add_row("wire carries", fixed(part.wire_ampacity_a), f"A ({supply.wire_mm2:g} mm2)")
    table.add_row("lost in the wire", fixed(part.wire_drop_v, 2), "V")
    table.add_row("fuse fitted", f"{part.fuse_a:g}", "A")
    wanted = "A" if part.fuse_wanted_a is not None else "none that large"
    fuse = "-" if part.fuse_wanted_a is None else f"{part.fuse_wanted_a:g}"
    table.add_row("fuse wanted", fuse, wanted)
    show_table(out, table)
    for item in part.limits:
        if not item.kept:
            text = f"TOO MUCH: {item.name}: {item.value:.1f} A, limit {item.limit:.1f} A"
            paragraph(out, text, style="bold")
    for text in collapse_cautions(found.config, plant_of(found.config)):
        bullet(out, text)


def _sensors(out: Console, found: Check) -> None:
    heading(out, "Sensors")
    table = grid_of(("sensor", "kind", "step K", "lag s", "error K"), "llrrr")
    for item in found.sensors:
        name = item.sensor
        if item.sensor == "control":
            name = f"control ({words_of(item.place)})"
        table.add_row(
            name, item.kind, fixed(item.reading_step_k, 3), f"{item.lag_s:g}",
            f"+/-{item.tolerance_k:g}",
        )  # fmt: skip
    show_table(out, table)
    for text in thermistor_cautions(found.config):
        bullet(out, text)


def _contents(out: Console, found: Check) -> None:
    part = found.contents
    heading(out, "Contents as one lump")
    table = grid_of(("", "", ""), "lrl")
    table.add_row("film, inside fan running", fixed(part.film_w_per_m2_k), "W/(m2 K)")
    table.add_row("film, inside fan stopped", fixed(part.film_fan_stopped_w_per_m2_k), "W/(m2 K)")
    table.add_row("surface to core", fixed(part.core_film_w_per_m2_k), "W/(m2 K)")
    table.add_row("Biot number", fixed(part.biot, 2), "")
    show_table(out, table)
    paragraph(out, f"Biot {part.biot:.2f}: {part.lump}.")
    if part.near_densest:
        paragraph(
            out,
            "The liquid is near its most dense (water at 4 °C) and stands almost still in the "
            "bottle: the film inside is little more than conduction, and warm and cold spots last "
            "for hours.",
        )
    if part.supercooling_k > 0.0:
        paragraph(
            out,
            f"May stay liquid to {part.freezing_c - part.supercooling_k:.1f} °C, then freezes at "
            f"once in part; the limit counts the freezing point, {part.freezing_c:.1f} °C.",
        )


def _keys(out: Console, found: Check, all_keys: bool) -> None:
    assumed = [item for item in found.keys if not item.given]
    if not all_keys:
        out.print()
        out.print(
            f"{len(found.keys) - len(assumed)} keys given, {len(assumed)} by default; "
            "--all lists them."
        )
        return
    heading(out, "Every key")
    table = grid_of(("key", "value", "unit", "where from"), "lrll", no_wrap=())
    for item in found.keys:
        table.add_row(item.key, _value(item.value), item.unit, item.origin)
    show_table(out, table)


def _value(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)

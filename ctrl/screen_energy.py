"""What `recommend` prints of the energy a day, and of the defrosts that were tried."""

from rich.console import Console

from ctrl.config import Config
from ctrl.defrost_kinds import NONE, TriedDefrost
from ctrl.energy_day import BESIDE, METHOD, PAIR, EnergyDay, EnergyRow
from ctrl.ice import DefrostPlan
from ctrl.screen import NONE as NO_VALUE
from ctrl.screen import fixed, grid_of, heading, paragraph, show_table, words_of
from ctrl.simulation import battery_lasts_h, cost_per_day, money_per_day


def show_energy(out: Console, config: Config, found: EnergyDay | None) -> None:
    """Print the energy a day: by room, then what doors and bottles add."""
    if found is None:
        return
    heading(out, "Energy a day, door shut, contents at the target")
    table = grid_of(
        ("room", "steady", "defrost", "every", "energy", ""), "rrrrrl", no_wrap=range(5)
    )
    table.add_row("°C", "W", "Wh", "h", "kWh/day", "")
    for row in found.rows:
        table.add_row(
            f"{row.ambient_c:g}", fixed(row.steady_w), _watt_hours(row),
            _hours(row.defrost_interval_h), fixed(row.energy_kwh_per_day, 2), _label(row),
        )  # fmt: skip
    show_table(out, table)
    paragraph(out, f"{METHOD[0].upper()}{METHOD[1:]}: 24 h x (P + dE / t). Not a test to it.")
    for row in found.rows:
        if row.why:
            paragraph(out, f"{row.ambient_c:g} °C {row.why}.")
    if found.pair_kwh_per_day is not None:
        paragraph(out, f"Mean of 16 and 32 °C: {fixed(found.pair_kwh_per_day, 2)} kWh a day.")
    for row in found.rows:
        if row.note:
            paragraph(out, f"{row.ambient_c:g} °C: {row.note}.")
    told = [row for row in found.rows if row.defrost_kwh is not None]
    if any(not row.is_resolved for row in told):
        paragraph(out, "A defrost smaller than its ± is not resolved: it is lost in how days "
                       "differ.")  # fmt: skip
    if any(row.is_resolved and (row.defrost_kwh or 0.0) < 0.0 for row in told):
        paragraph(out, "A defrost below 0: on pulses or a relay a rest costs next to nothing, the "
                       "hot fan rests too, and a sink without frost takes less.")  # fmt: skip
    _use(out, config, found)


def _hours(hours: float | None) -> str:
    return NO_VALUE if hours is None else f"{hours:.3g}"


def _watt_hours(row: EnergyRow) -> str:
    if row.defrost_kwh is None or row.spread_kwh is None:
        return fixed(None)
    return f"{fixed(1e3 * row.defrost_kwh)} ±{fixed(1e3 * row.spread_kwh)}"


def _label(row: EnergyRow) -> str:
    return {PAIR: "", BESIDE: "outside the pair"}.get(row.where, row.where)


def _use(out: Console, config: Config, found: EnergyDay) -> None:
    rows = [("usual room, as used", found.usual_kwh_per_day)]
    if found.doors_kwh_per_day is not None:
        rows.append(("  of it door openings", found.doors_kwh_per_day))
    if found.loads_kwh_per_day is not None:
        rows.append(("  of it warm bottles and goods", found.loads_kwh_per_day))
    in_use = len(rows)
    rows += [
        (f"{row.ambient_c:g} °C, door shut", row.energy_kwh_per_day)
        for row in found.rows
        if row.energy_kwh_per_day is not None
    ]
    priced, battery = config.tariff.per_kwh is not None, config.supply.battery_ah is not None
    heads = ["", "kWh/day"]
    heads += [money_per_day(config)] if priced else []
    heads += ["battery, h"] if battery else []
    table = grid_of(heads, "l" + "r" * (len(heads) - 1), no_wrap=range(1, len(heads)))
    for name, kwh in rows if priced or battery else rows[:in_use]:
        cells = [name, fixed(kwh, 2 if abs(kwh) >= 0.1 else 3)]
        part = name.startswith(" ")
        if priced:
            cells.append(fixed(cost_per_day(config, kwh), 2))
        if battery:
            cells.append("" if part else fixed(battery_lasts_h(config, kwh), 0))
        table.add_row(*cells)
    show_table(out, table)


def show_kinds(out: Console, plan: DefrostPlan) -> None:
    """Print every kind of defrost that was tried, with both figures, and what decided."""
    if plan.kinds_tried:
        _kinds(out, plan)
    elif plan.why:
        paragraph(out, f"Decided by: {plan.why}.")
    ends = f"{plan.end_c:g} °C on the cold sink, " if plan.ends_by != "time only" else ""
    most = "at the longest" if ends else "by time only, without a sensor on the cold sink"
    text = f"A melt ends at {ends}{plan.longest_min:g} min {most}; then "
    paragraph(out, text + f"{plan.drip_min:g} min to drip.")


def _kinds(out: Console, plan: DefrostPlan) -> None:
    heads = ("defrost", "works", "energy", "at target", "contents", "mean", "gaps", "most", "melts")
    table = grid_of(heads, "llrrrrrrr")
    table.add_row("", "", "kWh/day", "kWh/day", "up to °C", "°C", "%", "%", "a day")
    for item in plan.kinds_tried:
        mark = " *" if item.kind == plan.kind and item.kind != NONE else ""
        table.add_row(
            f"{words_of(item.kind)}{mark}", _works(item),
            fixed(item.ice.energy_kwh_per_day, 2), fixed(item.at_target_kwh_per_day, 2),
            fixed(item.ice.contents_c_max),
            fixed(item.ice.contents_c_mean),
            fixed(item.ice.blockage_pct), fixed(_most(item)), fixed(item.ice.melts_per_day, 0),
        )  # fmt: skip
    show_table(out, table)
    paragraph(out, f"*: chosen, {plan.why}.")
    others = plan.passed_over
    if others:
        paragraph(out, f"Passed over: {'; '.join(f'{words_of(x)} {why}' for x, why in others)}.")
    paragraph(out, "Gaps: closed by ice; most: with frost 50 % denser or 50 % lighter, where that "
                   "was run.")  # fmt: skip


def _works(item: TriedDefrost) -> str:
    if item.works and not item.is_sure:
        return "barely"
    return "yes" if item.works else "no"


def _most(item: TriedDefrost) -> float | None:
    return None if item.ice.blockage_range_pct is None else item.ice.blockage_most_pct


def when_words(plan: DefrostPlan) -> str:
    """Return when a melt starts."""
    settings = plan.settings
    ticks_per_h = settings.interval_ticks / plan.interval_h
    latest_h = settings.latest_ticks / ticks_per_h
    if plan.kind == "off_cycle":
        return (
            f"at the module's first rest after {plan.interval_h:g} h, at the latest {latest_h:g} h"
        )
    if plan.kind == "demand":
        grown = settings.share_permille / 10.0
        return (
            f"when the air-to-sink difference has grown {grown:g} %, at the latest {latest_h:g} h"
        )
    if plan.kind == "reversed":
        return (
            f"every {plan.interval_h:g} h, current reversed at {settings.reverse_permille / 10:g} %"
        )
    return f"every {plan.interval_h:g} h"

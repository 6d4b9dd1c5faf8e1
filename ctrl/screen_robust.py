"""The screen of what may be off: tolerances, choices told apart, designs, one number's chain."""

from collections.abc import Sequence

from rich.console import Console

from ctrl.design_sweep import LEAST_IN_REACH, Design, Sweep
from ctrl.explain_chain import Chain
from ctrl.honesty import Pair
from ctrl.screen import (
    NONE,
    bullet,
    digits,
    fixed,
    grid_of,
    heading,
    paragraph,
    percent,
    show_table,
    words_of,
)
from ctrl.tolerance_remedies import words_of as remedy_words
from ctrl.tolerances import AS_TUNED, LEAST_SHARE, Tolerance

MOST_PARTS, MOST_DESIGNS = 6, 12


def show_tolerance(out: Console, found: Tolerance, *, every: bool = False) -> None:
    """Print how likely the settings hold with parts out of tolerance."""
    heading(out, "With parts out of tolerance")
    which = "fresh draws" if found.confirmed else "comparing draws"
    drawn = found.cold is not None and found.cold.drawn
    rooms = "usual, the worst and the coldest" if drawn else "usual and the worst"
    paragraph(
        out,
        f"{found.holds} of {found.draws} {which} kept every limit in the {rooms} "
        f"room; {_bound_words(found)} (wanted: {percent(found.wanted_share)}). "
        f"{_cold_words(found)}",
    )
    paragraph(out, f"{'Kept' if found.kept else 'NOT KEPT'}: {found.reason}.")
    for remedy in found.remedies:
        bullet(out, f"What would change it: {remedy_words(remedy, found.wanted_share)}.")
    if found.change != AS_TUNED:
        paragraph(out, f"Settings changed for it: {found.change}.")
    if len(found.variants) > 1:
        table = grid_of(("tried on common draws", "broke a limit"), "lr", no_wrap=())
        for item in found.variants:
            stopped = ", given up" if item.stopped else ""
            table.add_row(item.what, f"{item.failed} of {item.draws}{stopped}")
        show_table(out, table)
    if found.failures:
        text = ", ".join(f"{name}: {count}" for name, count in found.failures[:4])
        paragraph(out, f"Broken, in draws: {text}.")
    _parts(out, found, every)
    low, high = found.energy_range_kwh_per_day
    paragraph(
        out,
        f"Nine in ten such cabinets need {fixed(low, 2)} to {fixed(high, 2)} kWh a day in the "
        "usual room.",
    )
    paragraph(
        out,
        f"At {fixed(found.least_voltage_v)} V, the lowest it runs at, the coldest it can hold "
        f"in the worst room is {fixed(found.coldest_at_least_voltage_c)} °C.",
    )


def _bound_words(found: Tolerance) -> str:
    """Return what that shows of all such cabinets: nothing, where settings were chosen on them."""
    if not found.confirmed:
        return "no confidence is claimed, as the settings were chosen on these draws"
    return f"with 95 % confidence at least {percent(found.share_at_least, 1)} of such cabinets do"


def _cold_words(found: Tolerance) -> str:
    """Return what the coldest room adds, and why it is or is not drawn."""
    look = found.cold
    if look is None:
        return "The coldest room is run as described only."
    seen = f"{look.draws} draws there broke {'none' if look.broke == 0 else look.broke}"
    near = f"the nearest limit, {look.nearest}, is {fixed(look.deviations)} standard deviations off"
    if look.drawn:
        return f"The coldest room counts ({seen}; {near}): it is in every draw."
    return f"The coldest room adds nothing ({seen}; {near}): it is left out of the others."


def _parts(out: Console, found: Tolerance, every: bool) -> None:
    shown = [item for item in found.parts if every or item.share >= LEAST_SHARE]
    if not shown:
        return
    paragraph(out, f"Measure first: {found.measure_first}. Share of what decides the limit "
                   f"most at risk ({found.at_risk}):")  # fmt: skip
    table = grid_of(("share", "tolerance", "drawn", "key"), "rlll", no_wrap=(0, 2))
    for item in shown if every else shown[:MOST_PARTS]:
        drawn = f"{digits(item.low, 3)} to {digits(item.high, 3)} {item.unit}"
        table.add_row(percent(item.share), item.name, drawn, item.key)
    show_table(out, table)


def show_pairs(out: Console, pairs: Sequence[Pair]) -> None:
    """Print which controllers the model cannot tell apart."""
    if not pairs:
        return
    heading(out, "What the model can tell apart")
    for item in pairs:
        mine = f"{words_of(item.controller)} on {words_of(item.drive)}"
        other = f"{words_of(item.other_controller)} on {words_of(item.other_drive)}"
        saves, spread = item.saves_kwh_per_day, item.spread_kwh_per_day
        text = (
            f"{other} for {mine}: saves {fixed(saves, 2)} +/- {fixed(spread, 2)} kWh a day on "
            f"{item.draws} common draws; limits of the usual room kept in {item.other_held} "
            f"and {item.held} of them"
        )
        if item.only_held or item.only_other_held:
            text += (
                f" (only the first in {item.only_other_held}, only the second in "
                f"{item.only_held}; by chance {percent(item.sign_test_p)})"
            )
        if item.draws_without_energy:
            text += f"; {item.draws_without_energy} without a steady state left out of the energy"
        if item.same:
            simple = f"{words_of(item.simpler_controller)} on {words_of(item.simpler_drive)}"
            text += f". No difference in these that the model can tell; the simpler is {simple}"
        bullet(out, text + ".")


# Sweep -------------------------------------------------------------------------------------


def show_sweep(out: Console, found: Sweep, *, every: bool = False) -> None:
    """Print the designs, the thriftiest in reach first."""
    config = found.config
    out.print(f"{config.cabinet.name} ({config.source})")
    heading(out, "Designs, from steady states")
    target = f"{config.use.target_c:g} °C"
    paragraph(out, f"kWh a day at {target} in the usual room, {config.climate.usual_c:g} °C; "
                   f"coldest it can hold in the worst, {config.climate.worst_c:g} °C.")  # fmt: skip
    table = grid_of(("kWh/d", "coldest", "draws", "", "design"), "rrrll", no_wrap=(0, 1, 2, 3))
    shown = list(found.designs) if every else _few(found)
    for item in shown:
        table.add_row(fixed(item.energy_kwh_per_day, 2), f"{fixed(item.coldest_c)} °C",
                      percent(item.share_in_reach), _marks(item), _named(item))  # fmt: skip
    show_table(out, table)
    paragraph(out, "F: none beats it in both figures. =: the model cannot tell it from the "
                   "thriftiest advised. x: does not hold the target in both rooms.")  # fmt: skip
    paragraph(out, reach_words(found))
    folded = fold_back_words(found, shown)
    if folded:
        paragraph(out, f"{folded}.")
    left = len(found.designs) - len(shown)
    if left > 0:
        paragraph(out, f"{left} more with --all.")
    paragraph(out, f"Advice: {found.advice}.")
    best = found.thriftiest
    if best is not None and not best.own and best.energy_gain_kwh_per_day is not None:
        gain, spread = best.energy_gain_kwh_per_day, best.energy_gain_spread_kwh_per_day
        saves = f"{fixed(gain, 2)} {spread_words(spread or 0.0)} kWh a day"
        paragraph(out, f"The thriftiest of these saves {saves} {drawn_words(best, found.draws)}.")
    paragraph(out, "Steady states only: no growing ice, doors and loads as their means, no "
                   "switching: drives that chop the full current are told apart to 5 % of the "
                   "energy at best. A slow window is tried only where it is the config's own "
                   "drive: in steady states it is fast PWM.")  # fmt: skip
    paragraph(out, "A slower fan's K/W is by the law flow^-0.6 unless fins are stated; tune the "
                   "design you choose with recommend.")  # fmt: skip
    if config.supply.kind == "battery":
        paragraph(out, "A battery's voltage is its own: no other is tried. Any lower one is what a "
                       "step-down converter gives, and that is the smoothed drive.")  # fmt: skip
    out.print()
    out.print(f"Seed of the draws: {found.seed}. Energy is counted at the "
              f"{found.energy_boundary}.")  # fmt: skip


def reach_words(found: Sweep) -> str:
    """Return what the share of draws is, and how much of it advice asks for."""
    text = (
        f"Draws: in what share of {found.draws} common draws of the tolerances (steady states "
        "only) it holds the target in both rooms; -: not drawn. Advised is what does so in "
        f"{percent(LEAST_IN_REACH)} of them"
    )
    if found.asked_share < LEAST_IN_REACH:
        text += f"; none drawn does, so what does so most often, {percent(found.asked_share)}"
    return text + "."


def spread_words(kwh: float) -> str:
    """Return a spread [kWh], never as nought: the rounding is not the model's."""
    return f"+/- {fixed(kwh, 2)}" if kwh >= 0.005 else "+/- less than 0.01"


def fold_back_words(found: Sweep, shown: list[Design]) -> str:
    """Return which relays of those shown are switched by their fold-back, and what helps."""
    folded = [f"{item.name}, {item.folded_at}" for item in shown if item.folded_at]
    if not folded:
        return ""
    part, foam_c = found.config.protection, found.config.limits.foam_max_c
    return (
        "A relay has no duty limit: at full drive, hottest hour and highest voltage, its hot sink "
        f"would come to: {'; '.join(folded)}. There the fold-back decides, off above "
        f"{part.fold_back_full_c:g} °C and on below {part.fold_back_start_c:g} °C, and its coldest "
        "is worked out midway. The other drives are held below where fold-back starts: that "
        "difference is of the two settings, not of the drives. The cheapest change is a higher "
        f"protection.fold_back_start_c, as far as the foam ({foam_c:g} °C) allows"
    )


def drawn_words(item: Design, draws: int) -> str:
    """Return on how many common draws a design was compared, and why not on the others."""
    used = item.draws_compared or 0
    text = f"on {used} of {draws} common draws of the tolerances"
    if used < draws:
        text += f"; in the other {draws - used} it or the cabinet as it is cannot hold the target"
    return text


def _few(found: Sweep) -> list[Design]:
    shown = list(found.designs[:MOST_DESIGNS])
    more = [item for item in found.designs if (item.own or item.on_front) and item not in shown]
    return shown + more[:MOST_DESIGNS]


def _marks(item: Design) -> str:
    return "".join(
        sign if on else ""
        for sign, on in (("F", item.on_front), ("=", item.same_as_best), ("x", not item.in_reach))
    )


def _named(item: Design) -> str:
    needs = f" (needs more: {', '.join(item.needs)})" if item.needs else ""
    return item.name + needs


# One number's chain ------------------------------------------------------------------------


def show_chain(out: Console, source: str, found: Chain) -> None:
    """Print where one number comes from."""
    value = NONE if found.value is None else f"{digits(found.value, 4)} {found.unit}".rstrip()
    out.print(source)
    heading(out, f"{found.name}: {value}")
    paragraph(out, f"How: {found.method}.")
    paragraph(out, f"Decided by: {found.decided_by}.")
    paragraph(out, f"What would change it: {found.changes}.")
    if found.steps:
        heading(out, "On the way")
        table = grid_of(("", "", ""), "lrl", no_wrap=(1,))
        for step in found.steps:
            table.add_row(step.name, digits(step.value, 4), step.unit)
        show_table(out, table)
    if found.inputs:
        heading(out, "What went in")
        table = grid_of(("key", "value", "unit", "origin"), "lrll", no_wrap=())
        for item in found.inputs:
            shown = NONE if item.value is None else str(item.value)
            table.add_row(item.key, shown, item.unit, item.origin)
        show_table(out, table)

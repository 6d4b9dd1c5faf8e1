"""The screens of `coldloop compare` and `coldloop thermostat`."""

from collections.abc import Callable, Sequence
from math import isfinite

from rich.console import Console

from ctrl.bands import MOST_DEVIATION, BandPoint, Seen
from ctrl.comparison import (
    LAW_WORDS,
    YOURS,
    Compared,
    Comparison,
    lacks,
    name_of,
    remaining_misses,
)
from ctrl.config import Config
from ctrl.drive_cycling import cycling_words
from ctrl.screen import (
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
from ctrl.screen_law_settings import show_settings
from ctrl.screen_maker import CAUTION
from ctrl.trade_off import TradeOff

# Narrow columns of a narrow terminal: one word a line.
SHORT_LAWS = {
    "on_off": "on-off", "pi": "PI", "two_level": "two levels", "cascade": "cascade",
    "best_cop": "best COP", YOURS: "yours",
}  # fmt: skip
SHORT_DRIVES = {"fast_pwm": "PWM", "smoothed": "smooth", "current": "current", "relay": "relay",
                "slow_window": "window"}  # fmt: skip
YOURS_NOTE = (
    "Yours is the whole firmware: none of our protections stands behind it, its setpoint is not "
    "moved, and its ice is with whatever it does against ice."
)
Cell = Callable[[Compared], str]
WIDE, NARROW_LAWS = 74, 3  # columns for all laws at once, and laws at a time below that
MOST_LAWS, A_LAW = 6, 9  # laws in that width, and columns for each more


def columns_at_once(width: int, count: int) -> int:
    """Return how many of `count` columns of figures one table holds in a terminal's width."""
    if width < WIDE:
        return NARROW_LAWS
    most = MOST_LAWS + max(width - WIDE, 0) // A_LAW
    return count if count <= most else (count + 1) // 2


def show(out: Console, found: Comparison) -> None:
    """Print the comparison."""
    config = found.config
    out.print(
        f"{config.cabinet.name} ({config.source}): laws compared, usual room "
        f"{config.climate.usual_c:g} °C, target {config.use.target_c:g} °C"
    )
    heading(out, f"The last of {found.days:g} days, same weather and contents")
    step = columns_at_once(out.width, len(found.rows))
    for first in range(0, len(found.rows), step):
        _table(out, found.rows[first : first + step])
    for item in found.rows:
        candidate = item.candidate
        often = cycling_words(candidate.controller, candidate.drive, item.findings.cycles_per_hour)
        words = [x for x in (candidate.note, _lack(found, item), candidate.hot_side, often) if x]
        if words:
            paragraph(out, f"{name_of(item, found.items)}: {'; '.join(words)}.")
    for left in found.left_out:
        paragraph(out, f"{LAW_WORDS[left.controller]}: {left.note}.")
    if found.items:
        heading(out, "Settings of each")
        show_settings(out, found)
    out.print()
    paragraph(out, found.verdict, indent=0)
    if found.yours is not None:
        paragraph(out, found.yours_words, indent=0)
        paragraph(out, f"{YOURS_NOTE} {CAUTION}", indent=0)
    paragraph(
        out,
        f"The setpoint of each is moved until the contents mean the target{_missed(found)}. "
        "Ice: without a "
        f"defrost, air at {config.climate.worst_humidity_pct:g} %. Span and peak are those of the "
        f"module's hot face. Seed of the sensor noise: {found.seed}.",
        indent=0,
    )


def _missed(found: Comparison) -> str:
    misses = remaining_misses(found.config, found.items)
    if not misses:
        return ", to within 0.1 K where it is in reach"
    return f", to within 0.1 K but for {misses} °C (noise and step of the reading)"


def _lack(found: Comparison, item: Compared) -> str:
    lack = lacks(found.config, item)
    return f"FAILS: {lack}" if lack else ""


def _table(out: Console, items: Sequence[Compared]) -> None:
    heads = ["", *(SHORT_LAWS[item.candidate.controller] for item in items), ""]
    table = grid_of(heads, "l" + "r" * len(items) + "l", no_wrap=(0, len(items) + 1))
    rows: tuple[tuple[str, Cell, str], ...] = (
        ("drive", lambda x: SHORT_DRIVES[x.candidate.drive], ""),
        ("fits this drive", lambda x: "yes" if x.candidate.fits else "no", ""),
        ("setpoint", lambda x: fixed(x.candidate.settings.setpoint_c), "°C"),
        ("contents, mean", lambda x: fixed(x.findings.contents_c.mean), "°C"),
        ("energy", lambda x: fixed(x.findings.energy_kwh_per_day, 2), "kWh/d"),
        ("swing, air", lambda x: fixed(x.findings.swing_k, 2), "K"),
        ("range, contents", lambda x: fixed(x.findings.contents_swing_k, 2), "K"),
        ("cold sink, least", lambda x: fixed(x.findings.cold_sink_c.min), "°C"),
        ("ice in fin gaps", lambda x: fixed(x.ice.blockage_pct), "%"),
        ("  range", lambda x: _range(x.ice.blockage_range_pct), "%"),
        ("ices up", lambda x: "yes" if x.ice.ices else "no", ""),
        ("hot sink, most", lambda x: fixed(x.findings.hot_sink_c.max), "°C"),
        ("switching", lambda x: digits(x.cycles_per_hour, 2), "per h"),
        ("relay life", lambda x: _life(x.relay_life_years), "years"),
        ("module cycles", lambda x: fixed(x.cycles_per_day, 0), "per d"),
        ("  span", lambda x: fixed(x.module_span_k), "K"),
        ("  peak", lambda x: fixed(x.module_peak_c), "°C"),
        ("time to cool", lambda x: fixed(x.findings.pull_down_h), "h"),
        ("settled", lambda x: "yes" if x.findings.settled else "no", ""),
    )
    for name, cell, unit in rows:
        table.add_row(name, *(_cell(item, name, cell) for item in items), unit)
    show_table(out, table)


def _cell(item: Compared, name: str, cell: Cell) -> str:
    """Return a figure; none of a controller that stopped, nor what only ours are told."""
    if item.stop is not None and name not in ("drive", "fits this drive"):
        return "stopped" if name == "contents, mean" else fixed(None)
    return fixed(None) if item.source is not None and name == "setpoint" else cell(item)


def _range(low_high: tuple[float, float] | None) -> str:
    return "-" if low_high is None else f"{fixed(low_high[0])}-{fixed(low_high[1])}"


def _life(years: float | None) -> str:
    if years is None:
        return "-"
    return fixed(years) if isfinite(years) and years < 100.0 else "over 100"


def _thermostat_head(out: Console, config: Config) -> None:
    out.print(
        f"{config.cabinet.name} ({config.source}): a thermostat and its band, usual room "
        f"{config.climate.usual_c:g} °C, target {config.use.target_c:g} °C"
    )


def show_no_thermostat(out: Console, config: Config, why: str) -> None:
    """Print why no thermostat is tuned."""
    _thermostat_head(out, config)
    paragraph(out, f"No thermostat: {why}.", indent=0)


def show_trade_off(out: Console, found: TradeOff) -> None:
    """Print the thermostat's trade-off."""
    config, aim = found.config, found.aim
    _thermostat_head(out, config)
    if found.lack:
        paragraph(out, f"FAILS: {found.lack}.", indent=0)
    if aim.is_out_of_reach:
        paragraph(out, f"{aim.words[0].upper()}{aim.words[1:]}.", indent=0)
    nearest = ", the nearest it comes" if found.lack else ""
    heading(out, f"The band taken: on-off on a relay{nearest}")
    table = grid_of(("", "", ""), "lrl")
    chosen, seen = found.chosen, found.chosen.usual
    table.add_row("setpoint (reading)", fixed(found.setpoint_c), "°C")
    table.add_row("hysteresis, off to on", fixed(chosen.hysteresis_k), "K")
    table.add_row("least time on", fixed(found.min_on_s, 0), "s")
    table.add_row("least time off", fixed(found.min_off_s, 0), "s")
    table.add_row("swing of the air", fixed(seen.air_swing_k, 2), "K in a cycle")
    table.add_row("swing of the contents", fixed(seen.contents_swing_k, 2), "K in a cycle")
    table.add_row("switching", digits(seen.cycles_per_hour, 2), "per h")
    table.add_row("relay life", _life(chosen.relay_life_years), "years")
    table.add_row("hot sink, most", fixed(seen.hot_sink_c_max), "°C")
    table.add_row("folded back", percent(seen.folded_share), "of the day")
    show_table(out, table)
    if found.hot_side:
        paragraph(out, f"Hot side: {found.hot_side}.")
    paragraph(out, f"Hysteresis: decided by {found.decided_by}.")
    if found.least_times:
        paragraph(out, f"{found.least_times}.")
    _plan(out, found)
    if not found.has_relay:
        paragraph(
            out, f"The drive is {words_of(config.drive.kind)}: this is what a relay would do."
        )
    heading(out, "What the band buys, simulated in the usual room")
    if aim.is_out_of_reach:
        paragraph(out, f"At a setpoint of {fixed(aim.control_c)} °C, where it still switches.")
    _bands(out, found)
    heading(out, "The closed-form cycle beside the simulated one, calm room")
    _deviations(out, found)
    heading(out, "Where the sensor sits, band by the same rule")
    _places(out, found)


def _plan(out: Console, found: TradeOff) -> None:
    """Print what the defrost plan changes, both ways run, or that there is none."""
    if found.plan is None or found.bare is None:
        text = f"No defrost: {found.no_defrost}. As recommend flashes it before parts are drawn "
        paragraph(out, text + "out of tolerance.")
        return
    bare = found.bare
    paragraph(
        out,
        f"With the defrost plan that the dampest air needs ({words_of(found.plan.kind)}, every "
        f"{found.plan.interval_h:g} h), as recommend flashes it before parts are drawn out of "
        f"tolerance: {_swings(found.chosen.usual)}, relay {_life(found.chosen.relay_life_years)} "
        f"years. Without it: {_swings(bare.usual)}, relay {_life(bare.relay_life_years)} years, "
        f"at setpoint {fixed(bare.setpoint_c)} °C and hysteresis {fixed(bare.hysteresis_k)} K.",
    )


def _swings(seen: Seen) -> str:
    return (
        f"the air swings {fixed(seen.air_swing_k, 2)} K in a cycle and "
        f"{fixed(seen.air_day_range_k)} K over the day, melts and doors included"
    )


def _bands(out: Console, found: TradeOff) -> None:
    heads = ("band", "air", "contents", "cycles", "relay", "module", "span", "peak")
    table = grid_of(heads, "rrrrrrrr")
    table.add_row("K", "K", "K", "per h", "years", "per d", "K", "°C")
    for point in found.points:
        seen = point.usual
        table.add_row(
            fixed(point.hysteresis_k), fixed(seen.air_swing_k, 2), fixed(seen.contents_swing_k, 2),
            digits(seen.cycles_per_hour, 2), _life(point.relay_life_years),
            fixed(24.0 * seen.cycles_per_hour, 0), fixed(seen.module_span_k),
            fixed(seen.module_peak_c),
        )  # fmt: skip
    show_table(out, table)
    paragraph(
        out,
        f"Relay: {found.config.limits.relay_cycles:g} switchings at its rated load. Module: "
        "cycles a day with span and peak of its hot face; no source gives its years.",
    )


def _deviations(out: Console, found: TradeOff) -> None:
    heads = ("band", "cycle", "cycle", "off by", "swing", "swing", "off by")
    table = grid_of(heads, "rrrrrrr")
    table.add_row("K", "guess", "run", "%", "guess, K", "run, K", "%")
    for point in sorted({*found.points, found.chosen}, key=lambda x: x.hysteresis_k):
        guess = point.guess
        table.add_row(
            fixed(point.hysteresis_k),
            "-" if guess is None else duration(guess.period_s),
            "-" if not isfinite(point.calm.period_s) else duration(point.calm.period_s),
            _percent(point.period_deviation),
            "-" if guess is None else fixed(guess.air_swing_k, 2),
            fixed(point.calm.air_swing_k, 2),
            _percent(point.swing_deviation),
        )
    show_table(out, table)
    wrong = [x for x in found.points if not _good(x)]
    most = 100.0 * MOST_DEVIATION
    if wrong:
        bands = ", ".join(f"{x.hysteresis_k:g}" for x in wrong)
        paragraph(out, f"More than {most:.0f} % off at {bands} K: there the simulation decides.")
    else:
        paragraph(out, f"Within {most:.0f} % at every band.")


def _good(point: BandPoint) -> bool:
    return point.guess_is_good


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:+.0f}"


def _places(out: Console, found: TradeOff) -> None:
    heads = ("sensor", "band", "set", "air", "contents", "cycles", "energy")
    table = grid_of(heads, "lrrrrrr")
    table.add_row("", "K", "°C", "K", "K", "per h", "kWh/d")
    for item in found.places:
        seen = item.usual
        mark = " *" if item.place == found.config.sensor.place else ""
        table.add_row(
            words_of(item.place) + mark, fixed(item.hysteresis_k), fixed(item.setpoint_c),
            fixed(seen.air_swing_k, 2), fixed(seen.contents_swing_k, 2),
            digits(seen.cycles_per_hour, 2), fixed(seen.energy_kwh_per_day, 2),
        )  # fmt: skip
    show_table(out, table)
    for item in found.places:
        if item.place != found.config.sensor.place:
            paragraph(out, f"Band on the {words_of(item.place)}: {item.decided_by}.")
    paragraph(out, "* where it sits now. The lag of the sensor is taken alike at every place.")

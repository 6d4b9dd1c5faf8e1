"""The screen of `coldloop recommend`: first look, verdict, settings, reasons."""

from collections.abc import Callable, Sequence
from math import isfinite

from rich.console import Console
from rich.table import Table

from ctrl.candidates import Candidate
from ctrl.cases import (
    CANNOT,
    IDLE_DUTY,
    WITH_DEFROST,
    Case,
    Limit,
    advisory_limits,
    is_cold_room,
    ranging_beyond,
)
from ctrl.config import Config
from ctrl.defrost_kinds import AT_MEAN
from ctrl.drive_cycling import cycling_words
from ctrl.firmware import Settings
from ctrl.ice import DefrostPlan
from ctrl.recommend import Controlled, Provisional, Recommendation
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
from ctrl.screen_energy import show_energy, show_kinds, when_words
from ctrl.screen_hot_side import show_fan_failure
from ctrl.screen_pi import pi_option_rows, show_pi
from ctrl.screen_robust import show_pairs, show_tolerance
from ctrl.simulation import battery_lasts_h, cost_per_day, money_per_day
from ctrl.twin_spreads import measured_words

VERDICT_WORDS = {
    "holds": "HOLDS",
    WITH_DEFROST: "HOLDS, WITH DEFROST",
    CANNOT: "CANNOT HOLD",
}
LEAST_GAIN_K = 0.05  # smaller gains are left to --json


def show_first(out: Console, config: Config, first: Provisional) -> None:
    """Print what the steady states alone say."""
    out.print(f"{config.cabinet.name} ({config.source})")
    heading(out, "First look, from steady states")
    table = grid_of(("", "coldest", "decided by"), "lrl")
    for name, ambient_c, coldest in (
        ("usual room", first.usual_ambient_c, first.usual),
        ("worst room", first.worst_ambient_c, first.worst),
    ):
        table.add_row(
            f"{name}, {ambient_c:g} °C", f"{fixed(coldest.contents_c)} °C", coldest.decided_by
        )
    show_table(out, table)
    reach = "in reach" if first.reaches_target else "OUT OF REACH in the worst room"
    if first.usual.contents_c > first.target_c:
        reach = "OUT OF REACH even in the usual room"
    if first.aim.is_too_cold:
        text = f"Wanted: {first.target_c:g} °C; {first.aim.words}."
        paragraph(out, f"{text} Idle it draws about {digits(first.aim.idle_w, 2)} W.")
        return
    text = f"Wanted: {first.target_c:g} °C, {reach}."
    if first.usual_plug_w is not None:
        text += f" Holding it in the usual room draws about {digits(first.usual_plug_w, 2)} W."
    paragraph(out, text)


def show(out: Console, found: Recommendation, *, all_limits: bool = False) -> None:
    """Print the whole recommendation."""
    for part in parts(found, all_limits=all_limits).values():
        part(out)
    out.print()
    out.print(f"Seed of the sensor noise: {found.seed}. Energy is counted at the "
              f"{found.energy_boundary}.")  # fmt: skip


def parts(
    found: Recommendation, *, all_limits: bool = False
) -> dict[str, Callable[[Console], None]]:
    """Return what prints each part of a recommendation, by name, in the screen's order."""
    pi = found.chosen.candidate.pi
    return {
        "verdict": lambda out: _verdict(out, found),
        "settings": lambda out: _settings(out, found),
        "controllers": lambda out: _controllers(out, found),
        "gains": lambda out: show_pi(out, found.config, pi, all_limits),
        "rooms": lambda out: _cases(out, found),
        "limits": lambda out: _limits(out, found, all_limits),
        "ice": lambda out: _ice(out, found),
        "times": lambda out: _times(out, found),
        "fan_failure": lambda out: show_fan_failure(out, found.fan_failure, found.heat_soak),
        "energy": lambda out: show_energy(out, found.config, found.energy_day),
        "bottlenecks": lambda out: _bottlenecks(out, found),
        "tolerance": lambda out: _tolerance(out, found),
        "absent": lambda out: _list(out, "Protections that are missing", found.absent_protections),
        "cautions": lambda out: _list(out, "Take care", found.cautions),
    }


def _tolerance(out: Console, found: Recommendation) -> None:
    if found.tolerance is not None:
        show_tolerance(out, found.tolerance)
        show_pairs(out, found.pairs)


def _list(out: Console, title: str, texts: Sequence[str]) -> None:
    if texts:
        heading(out, title)
        for text in texts:
            bullet(out, text)


def _verdict(out: Console, found: Recommendation) -> None:
    use = found.config.use
    only = " AS DESCRIBED" if found.tolerance_verdict == "not_kept" else ""
    only = "" if found.verdict == CANNOT else only
    only += ", BARELY" if found.barely else ""
    heading(out, f"Verdict: {VERDICT_WORDS[found.verdict]}{only} ({use.target_c:g} °C, "
                 f"+/-{use.target_tolerance_k:g} K)")  # fmt: skip
    paragraph(out, found.reason[0].upper() + found.reason[1:] + ".")
    _spare(out, found)
    if found.aim.words and found.aim.words not in found.reason:
        paragraph(out, f"{found.aim.words[0].upper()}{found.aim.words[1:]}.")
    if found.tolerance is not None:
        text = found.tolerance_reason
        paragraph(out, text[0].upper() + text[1:] + ".")
    paragraph(
        out,
        f"Coldest it can hold in the worst room: {fixed(found.coldest_holdable_c)} °C, give or "
        f"take {fixed(found.coldest_spread_k)} K: {found.coldest_spread_words} "
        f"({found.coldest_decided_by} decides).",
    )
    for text in measured_words(found.config):
        paragraph(out, text)
    helps = [item for item in found.bottlenecks if item.gain_k >= LEAST_GAIN_K]
    if found.is_only_too_cold:
        paragraph(out, "Nothing that makes it colder would change that: see Too cold below.")
    elif helps:
        first = helps[0]
        paragraph(
            out,
            f"What would change it first: {first.part}, {first.change}: "
            f"{fixed(first.gain_k)} K colder ({first.effort}).",
        )


def _spare(out: Console, found: Recommendation) -> None:
    """Print what is kept barely, and how far the contents go beyond the tolerance in a day."""
    if found.barely:
        told = [item for item in found.barely if item.spare_words not in found.reason]
        more = "".join(f"; {item.case} room: {item.spare_words}" for item in told)
        paragraph(out, f"Barely: that is less to spare than the model can tell{more}.")
    far = ranging_beyond(found.config, found.cases)
    if far is not None:
        span = far.findings.contents_c
        paragraph(
            out,
            f"+/-{found.config.use.target_tolerance_k:g} K is of the contents' mean: in a day "
            f"they range from {fixed(span.min)} to {fixed(span.max)} °C ({far.name} room).",
        )


# Settings ------------------------------------------------------------------------------


def settings_rows(settings: Settings) -> list[tuple[str, str, str]]:
    """Return (name, value, unit) of what a controller is flashed with."""
    rows = [("setpoint (reading)", f"{settings.setpoint_c:.1f}", "°C")]
    if settings.controller == "on_off":
        rows += [
            ("hysteresis", f"{settings.hysteresis_k:g}", "K, off to on"),
            ("least time on", f"{settings.min_on_s:g}", "s"),
            ("least time off", f"{settings.min_off_s:g}", "s"),
        ]
    if settings.controller == "pi":
        rows += [
            ("gain Kp", f"{settings.kp_pct_per_k:g}", "% duty per K"),
            ("integral time Ti", f"{settings.ti_s:g}", "s"),
            ("control period", f"{settings.period_s:g}", "s"),
        ]
        if settings.slew_pct_per_s is not None:
            rows.append(("slew limit", f"{settings.slew_pct_per_s:g}", "% duty per s"))
        rows += pi_option_rows(settings)
    rows.append(("duty limit", f"{100.0 * settings.duty_limit:.1f}", "%"))
    return rows


def _other_kind(table: Table, plan: DefrostPlan) -> None:
    """Add what a defrost of another kind than the clock's is flashed with."""
    settings = plan.settings
    if plan.kind == "timed":
        return
    table.add_row("  kind", words_of(plan.kind), "")
    if plan.kind == "reversed":
        table.add_row("  current the other way", f"{settings.reverse_permille / 10:g}", "% duty")
        return
    table.add_row(
        "  that is the least, latest",
        f"{settings.latest_ticks / settings.interval_ticks * plan.interval_h:g}",
        "h",
    )
    if plan.kind == "demand":
        table.add_row("  when the difference grew", f"{settings.share_permille / 10:g}", "%")


def _settings(out: Console, found: Recommendation) -> None:
    config, item = found.config, found.chosen.candidate
    when = "Settings to flash" if found.is_safe_to_build else "Settings, once it is safe to build"
    heading(out, f"{when}: {words_of(item.controller)} on {words_of(item.drive)}")
    if not found.is_safe_to_build:
        paragraph(out, "DO NOT FLASH THEM YET: mend what the verdict names, then ask again.")
    elif found.verdict == CANNOT:
        paragraph(out, "The target is not held in every room: see the verdict.")
    table = grid_of(("", "", ""), "lrl")
    for row in settings_rows(item.settings):
        table.add_row(*row)
    if item.settings.window_s > 0.0:
        table.add_row("slow window", f"{item.settings.window_s:g}", "s")
        table.add_row("  least time on and off", f"{item.settings.window_min_on_s:g}", "s")
    if item.drive in ("fast_pwm", "smoothed"):
        table.add_row("drive frequency", f"{config.drive.frequency_hz / 1e3:g}", "kHz")
    if item.plant.drive.hold_current_a > 0.0:
        table.add_row("held while off", f"{item.plant.drive.hold_current_a:.2f}", "A")
    protection = config.protection
    if config.hot_sink_sensor is not None:
        if item.drive != "relay":
            table.add_row(
                "fold-back",
                f"{protection.fold_back_start_c:g} to {protection.fold_back_full_c:g}",
                "°C, hot sink",
            )
        table.add_row("trip", f"{protection.trip_c:g}", "°C, hot sink")
    table.add_row("hot fan runs on", f"{protection.hot_fan_run_on_s:g}", "s")
    supply = config.supply
    if supply.low_battery_cut_off_v is not None:
        table.add_row("low battery: off below", f"{supply.low_battery_cut_off_v:g}", "V")
        table.add_row("low battery: on above", f"{supply.low_battery_resume_v:g}", "V")
    if found.defrost is not None and found.defrost.works:
        table.add_row("defrost every", f"{found.defrost.interval_h:g}", "h")
        _other_kind(table, found.defrost)
        if config.cold_sink_sensor is not None:
            table.add_row("  until the cold sink is", f"{found.defrost.end_c:g}", "°C")
        table.add_row("  at most", f"{found.defrost.longest_min:g}", "min")
        table.add_row("  then drip", f"{found.defrost.drip_min:g}", "min")
    show_table(out, table)
    if item.decided_by:
        what = "Gains" if item.controller == "pi" else "Hysteresis"
        paragraph(out, f"{what}: decided by {item.decided_by}.")
    if item.on_off is not None:
        paragraph(out, f"{item.on_off.least_times_words}.")
    if item.pi is not None and item.regulation is not None:
        paragraph(out, regulation_text(item))
    paragraph(out, reading_text(found))
    paragraph(
        out,
        f"Static duty limit: {percent(found.duty_limit.duty, 1)}; "
        f"{found.duty_limit.decided_by} decides, {found.duty_limit.when}.",
    )
    if found.duty_limit.risk and item.drive != "relay":
        risk = found.duty_limit.risk
        paragraph(out, f"{risk[0].upper()}{risk[1:]}.")
    if item.drive == "relay" and found.duty_limit.duty < 1.0:
        paragraph(out, "A relay is on or off: it cannot keep this limit for you.")
    if item.hot_side:
        paragraph(out, f"Hot side: {item.hot_side}.")
    if item.note:
        paragraph(out, f"Note: {item.note}.")


def reading_text(found: Recommendation) -> str:
    """Return what the sensor reads beside the contents in the usual room, held or not."""
    place, usual = words_of(found.config.sensor.place), found.cases[0].findings
    contents_c = fixed(usual.contents_c.mean)
    idles = usual.duty_mean < IDLE_DUTY and is_cold_room(found.config, usual)
    if not idles and not found.aim.is_out_of_reach:
        if found.chosen.candidate.controller != "pi":
            return (
                f"The setpoint is a reading of {fixed(found.setpoint_c)} °C; the sensor ({place}) "
                f"then reads {fixed(usual.reading_c.mean)} °C and the contents are at "
                f"{contents_c} °C, both in the mean."
            )
        return (
            f"The sensor ({place}) reads {fixed(found.setpoint_c)} °C when the contents are at "
            f"{contents_c} °C in the mean."
        )
    why = "the module idles" if idles else "that is out of reach"
    return (
        f"The setpoint is a reading of {fixed(found.setpoint_c)} °C; in the usual room {why}: the "
        f"sensor ({place}) reads {fixed(usual.reading_c.mean)} °C and the contents are at "
        f"{contents_c} °C, both in the mean."
    )


def regulation_text(item: Candidate) -> str:
    """Return where stability and where regulation was judged, and how a door is got over."""
    tuning, door = item.pi, item.regulation
    if tuning is None or door is None:
        return ""
    gains = tuning.gains_k
    back = (
        "is not back within 3 h" if door.recovers_s is None
        else f"is back within 0.2 K after {duration(door.recovers_s)}"
    )  # fmt: skip
    return (
        f"Stability judged at the highest gain at crossover ({item.tuned_at[tuning.highest]}: "
        f"{digits(gains[tuning.highest], 2)} K a unit of duty; margins tightest at "
        f"{item.tightest_at}), regulation at the lowest held "
        f"({item.tuned_at[tuning.lowest]}: {digits(gains[tuning.lowest], 2)} K): there a door "
        f"open for {door.open_s:g} s warms the air by {fixed(door.peak_k)} K and it {back}."
    )


# Controllers ---------------------------------------------------------------------------

Cell = Callable[[Controlled], str]


def _margins(cell: Callable[[float], str], name: str) -> Cell:
    def shown(item: Controlled) -> str:
        margins = item.candidate.margins
        return "-" if margins is None else cell(getattr(margins, name))

    return shown


def _controllers(out: Console, found: Recommendation) -> None:
    items = found.controllers
    heading(out, "Controllers compared, usual room")
    heads = ["", *(words_of(item.candidate.controller) for item in items), ""]
    table = grid_of(heads, "l" + "r" * len(items) + "l", no_wrap=(0, len(items) + 1))
    rows: list[tuple[str, Cell, str]] = [
        ("drive", lambda item: words_of(item.candidate.drive), ""),
        ("fits this drive", lambda item: "yes" if item.candidate.fits else "no", ""),
        ("setpoint", lambda item: fixed(item.candidate.settings.setpoint_c), "°C"),
        ("contents, mean", lambda item: fixed(item.findings.contents_c.mean), "°C"),
        ("energy", lambda item: fixed(item.findings.energy_kwh_per_day, 2), "kWh/day"),
    ]
    if found.config.tariff.per_kwh is not None:
        rows.append(("costs", lambda item: fixed(
            cost_per_day(found.config, item.findings.energy_kwh_per_day), 2
        ), money_per_day(found.config)))  # fmt: skip
    rows += [
        ("swing, air", lambda item: fixed(item.findings.swing_k, 2), "K"),
        ("range, contents", lambda item: fixed(item.findings.contents_swing_k, 2), "K/day"),
        ("switching", lambda item: digits(item.findings.cycles_per_hour, 2), "per h"),
        ("relay life", lambda item: _life(item.relay_life_years), "years"),
        ("gain margin", _margins(lambda value: digits(value, 2), "gain_margin"), "times"),
        ("phase margin", _margins(lambda value: fixed(value, 0), "phase_margin_deg"), "deg"),
        ("peak sensitivity", _margins(lambda value: fixed(value, 2), "ms"), ""),
        ("chosen", lambda item: "CHOSEN" if item is found.chosen else "", ""),
    ]
    for name, cell, unit in rows:
        table.add_row(name, *(cell(item) for item in items), unit)
    show_table(out, table)
    for item in items:
        candidate = item.candidate
        note = "" if item is found.chosen else candidate.note
        cycles_per_h = item.findings.cycles_per_hour
        often = cycling_words(candidate.controller, candidate.drive, cycles_per_h)
        for text in filter(None, (note, often)):
            who = f"{words_of(candidate.controller)} on {words_of(candidate.drive)}"
            paragraph(out, f"{who}: {text}.")
    paragraph(out, other_drive(found))


def _life(years: float | None) -> str:
    if years is None or isfinite(years) and years < 100.0:
        return fixed(years)
    return "over 100"


def other_drive(found: Recommendation) -> str:
    """Return one sentence: what the thriftiest other drive would save or not."""
    if found.aim.is_too_cold:
        return "Nothing is held in the usual room: these are the energies of idling."
    chosen = found.chosen
    others = [item for item in found.controllers if item is not chosen]
    if not others:
        return "No other drive was compared."
    best = min(others, key=lambda item: item.findings.energy_kwh_per_day)
    mine, theirs = (x.findings.energy_kwh_per_day for x in (chosen, best))
    name = f"{words_of(best.candidate.controller)} on {words_of(best.candidate.drive)}"
    apart_k = best.findings.contents_c.mean - chosen.findings.contents_c.mean
    if abs(apart_k) > 0.5:
        side = "warmer" if apart_k > 0.0 else "colder"
        apart = f"{abs(apart_k):.1f} K {side}"
        return f"The energies do not compare: {name} leaves the contents {apart}."
    use = found.config.use
    warm = [x for x in (best, chosen)
            if x.findings.contents_c.mean > use.target_c + use.target_tolerance_k]  # fmt: skip
    if warm:
        means = " and ".join(f"{x.findings.contents_c.mean:.1f} °C" for x in (best, chosen))
        return (
            f"The energies do not compare: {use.target_c:g} °C is not held ({means} with {name} "
            "and with the chosen); how cold each drive can hold it is told by sweep."
        )
    saved = mine - theirs
    if saved <= 0.005 * mine:
        return "No other drive compared would save energy."
    return f"{name} would save {saved:.2f} kWh a day ({100.0 * saved / mine:.0f} %)."


# Cases and limits ----------------------------------------------------------------------


def _cases(out: Console, found: Recommendation) -> None:
    items = found.cases
    heading(out, "Rooms")
    heads = ["", *(item.name for item in items), ""]
    table = grid_of(heads, "l" + "r" * len(items) + "l", no_wrap=(0, len(items) + 1))
    rows: tuple[tuple[str, Callable[[Case], str], str], ...] = (
        ("room", lambda item: fixed(item.ambient_c), "°C"),
        ("verdict", lambda item: item.verdict.replace("_", " "), ""),
        ("coldest holdable", lambda item: fixed(item.coldest_holdable_c), "°C"),
        ("contents, mean", lambda item: fixed(item.findings.contents_c.mean), "°C"),
        ("contents, warmest", lambda item: fixed(item.findings.contents_c.max), "°C"),
        ("contents, coldest", lambda item: fixed(item.findings.contents_c.min), "°C"),
        ("cold sink, coldest", lambda item: fixed(item.findings.cold_sink_c.min), "°C"),
        ("hot sink, hottest", lambda item: fixed(item.findings.hot_sink_c.max), "°C"),
        ("duty, mean", lambda item: fixed(100.0 * item.findings.duty_mean, 0), "%"),
        ("energy", lambda item: fixed(item.findings.energy_kwh_per_day, 2), "kWh/day"),
        ("humidity inside", lambda item: fixed(item.findings.air_rh_pct.mean, 0), "%"),
        ("water drained", lambda item: fixed(item.findings.water_out_g_per_day, 0), "g/day"),
        ("settled", lambda item: "yes" if item.findings.settled else "no", ""),
    )
    for name, cell, unit in rows:
        table.add_row(name, *(cell(item) for item in items), unit)
    if found.config.supply.battery_ah is not None:
        lasts = (battery_lasts_h(found.config, item.findings.energy_kwh_per_day) for item in items)
        table.add_row("battery lasts", *(fixed(hours, 0) for hours in lasts), "h")
    show_table(out, table)
    for item in items:
        paragraph(out, f"{item.name}: {item.reason}.")


def tightest_of(limits: Sequence[Limit]) -> list[Limit]:
    """Return one limit of each name: the failed or deciding one, else the tightest."""
    kept: dict[str, Limit] = {}
    for item in limits:
        before = kept.get(item.name)
        if before is None or item.margin < before.margin:
            kept[item.name] = item
    return list(kept.values())


def _limits(out: Console, found: Recommendation, all_limits: bool) -> None:
    config = found.config
    heading(out, "Limits" if all_limits else "Limits, each in its worst case")
    table = grid_of(("", "value", "limit", "margin", "unit", "case"), "lrrrll", no_wrap=(2, 3))
    shown = list(found.limits) if all_limits else tightest_of(found.limits)
    cold_rooms = {case.name for case in found.cases if is_cold_room(config, case.findings)}
    for item in shown:
        name = f"{_lack(item, cold_rooms)}{item.name}{' (decides)' if item.decided else ''}"
        table.add_row(
            name, _short(item.value), _short(item.limit), _short(item.margin), item.unit, item.case
        )
    show_table(out, table)
    if any(_lack(item, cold_rooms) == NOT_KEPT for item in shown):
        paragraph(out, "Not kept: a nuisance to know of; by itself it fails no case.")


NOT_KEPT, FAILED = "not kept: ", "FAILED: "


def _lack(item: Limit, cold_rooms: set[str]) -> str:
    """Return the word before a limit that is not kept, as `cases.judge` counts it."""
    if item.kept:
        return ""
    return NOT_KEPT if item.name in advisory_limits(item.case in cold_rooms) else FAILED


def _short(value: float) -> str:
    return fixed(value, 2 if 0.0 < abs(value) < 1.0 else 1)


# Ice, times, bottlenecks ---------------------------------------------------------------


def _ice(out: Console, found: Recommendation) -> None:
    humidity = found.config.climate.worst_humidity_pct
    heading(out, f"Ice on the cold sink, without defrost, air at {humidity:g} %")
    heads = ("", *(case.name for case in found.cases), "")
    table = grid_of(heads, "l" + "r" * len(found.cases) + "l")
    ices = [case.ice for case in found.cases]
    table.add_row("ices up", *("YES" if ice.ices else "no" for ice in ices), "")
    table.add_row("least grows", *(fixed(ice.growth_g_per_day) for ice in ices), "g/day")
    table.add_row("most", *(fixed(ice.frost_g_max) for ice in ices), "g")
    table.add_row("gaps closed", *(fixed(ice.blockage_pct) for ice in ices), "%")
    table.add_row("  range", *(_range(ice.blockage_range_pct) for ice in ices), "%")
    show_table(out, table)
    paragraph(out, "Least grows: of each day's least frost, so that what melts in a day "
                   "does not count; a sink ices up by that or by gaps closed at once. "
                   "Range: frost 50 % denser to 50 % lighter than reckoned.")  # fmt: skip
    _defrost(out, found)
    paragraph(out, f"{found.ice_border.words('usual')}.")


def _range(low_high: tuple[float, float] | None) -> str:
    if low_high is None:
        return "-"
    return f"{fixed(low_high[0], 0)} to {fixed(low_high[1], 0)}"


def _defrost(out: Console, found: Recommendation) -> None:
    plan = found.defrost
    if plan is None:
        paragraph(out, "No defrost is needed.")
        return
    ice = plan.ice
    ends = ice.blockage_range_pct
    between = ""
    if ends is not None:
        between = f" ({fixed(ends[0])} to {fixed(ends[1])} %, frost 50 % denser to 50 % lighter)"
    left = (
        f"ice up to {fixed(ice.frost_g_max)} g, {fixed(ice.blockage_pct)} % of the gaps{between}, "
        f"contents up to {fixed(ice.contents_c_max)} °C"
    )
    if plan.works and not plan.is_sure:
        text = (
            f"Defrost {when_words(plan)} keeps it clear {AT_MEAN}: {left}. At the worse end it "
            f"closes {fixed(ice.blockage_most_pct)} % where {ice.limit_pct:g} % is the limit."
        )
    elif plan.works:
        text = f"Defrost {when_words(plan)} keeps it clear: {left}."
    else:
        text = f"NO DEFROST TRIED KEEPS IT CLEAR. The best, {when_words(plan)}: {left}."
    paragraph(out, text)
    show_kinds(out, plan)


def _times(out: Console, found: Recommendation) -> None:
    heading(out, "Pull-down and hold-over")
    table = grid_of(("", *(case.name for case in found.cases), ""), "l" + "r" * 3 + "l")
    pulled = ("never" if c.pull_down_h is None else fixed(c.pull_down_h) for c in found.cases)
    held = ("over 72" if c.hold_over_h is None else fixed(c.hold_over_h) for c in found.cases)
    table.add_row("warm to cold", *pulled, "h")
    table.add_row(f"no power, to {found.hold_over_limit_c:g} °C", *held, "h")
    show_table(out, table)
    paragraph(out, "Power is lost at midnight; doors and loads go on as on any day.")


def _bottlenecks(out: Console, found: Recommendation) -> None:
    _list(out, "Too cold: what would keep the contents warmer", [x.words for x in found.too_cold])
    if found.is_only_too_cold:
        return
    heading(out, "What holds it back: kelvin colder in the worst room")
    table = grid_of(("gain K", "change", "effort"), "rll")
    for item in found.bottlenecks:
        if abs(item.gain_k) >= LEAST_GAIN_K:
            table.add_row(f"{item.gain_k:+.1f}", f"{item.part}: {item.change}", item.effort)
    show_table(out, table)
    small = [item for item in found.bottlenecks if abs(item.gain_k) < LEAST_GAIN_K]
    if small:
        names = "; ".join(f"{item.part} ({item.change})" for item in small)
        paragraph(out, f"Next to nothing: {names}.")
    parts = [item for item in found.sensitivities if abs(item.gain_k) >= 0.005]
    if parts:
        text = ", ".join(f"{item.part} {item.gain_k:+.2f} K" for item in parts)
        paragraph(out, f"For each made 10 % better: {text}.")

"""The screen of `coldloop simulate`."""

from rich.console import Console

from ctrl.findings import Findings, Span
from ctrl.screen import (
    digits,
    fixed,
    grid_of,
    heading,
    paragraph,
    percent,
    show_table,
    words_of,
)
from ctrl.simulation import Simulation, battery_lasts_h, cost_per_day

CLOSED_PCT = 95.0  # of the gaps: hardly a hundredth of the fan's film is left


def show(out: Console, run: Simulation) -> None:
    """Print what one run shows."""
    config, found = run.config, run.findings
    kind = words_of(run.settings.controller)
    out.print(
        f"{config.cabinet.name} ({config.source}): {run.days:.3g} days, {kind} on "
        f"{words_of(config.drive.kind)}, {_aim(run)}"
    )
    heading(out, "Temperatures and humidity, " + _part(run))
    _spans(out, found)
    heading(out, "What else it shows")
    _values(out, run)
    heading(out, "What the firmware did, share of the whole run")
    table = grid_of(("", ""), "lr")
    for words, share in (*run.state_shares, *_limiters(run)):
        table.add_row(words, percent(share, 1))
    show_table(out, table)
    if run.settings.controller != config.controller.kind:
        out.print()
        paragraph(
            out,
            "The config leaves the controller to `coldloop recommend`; this run used the "
            "untuned defaults.",
            indent=0,
        )


def _aim(run: Simulation) -> str:
    if run.settings.controller == "fixed":
        return f"duty {percent(run.settings.fixed_duty, 1)}"
    return f"setpoint {run.settings.setpoint_c:g} °C"


def _part(run: Simulation) -> str:
    return "the last day" if run.days > 1.0 else "the whole run"


def _spans(out: Console, found: Findings) -> None:
    table = grid_of(("", "least", "mean", "most", ""), "lrrrl")
    rows: tuple[tuple[str, Span, str], ...] = (
        ("room", found.ambient_c, "°C"),
        ("cabinet air", found.air_c, "°C"),
        ("contents", found.contents_c, "°C"),
        ("cold sink", found.cold_sink_c, "°C"),
        ("hot sink", found.hot_sink_c, "°C"),
        ("foam at hot sink", found.foam_c, "°C"),
        ("sensor reading", found.reading_c, "°C"),
        ("humidity inside", found.air_rh_pct, "%"),
    )
    for name, span, unit in rows:
        decimals = 0 if unit == "%" else 1
        table.add_row(name, *(fixed(x, decimals) for x in (span.min, span.mean, span.max)), unit)
    show_table(out, table)


def _values(out: Console, run: Simulation) -> None:
    config, found = run.config, run.findings
    table = grid_of(("", "", ""), "lrl")
    pulled = fixed(found.pull_down_h)
    table.add_row("pull-down", pulled, "h" if found.pull_down_h is not None else "")
    table.add_row("duty, mean", fixed(100.0 * found.duty_mean), "%")
    table.add_row("energy", fixed(found.energy_kwh_per_day, 3), f"kWh/day, {found.energy_boundary}")
    cost = cost_per_day(config, found.energy_kwh_per_day)
    if cost is not None:
        table.add_row("costs", fixed(cost, 3), f"{config.tariff.currency} a day")
    lasts = battery_lasts_h(config, found.energy_kwh_per_day)
    if lasts is not None:
        table.add_row("battery lasts", fixed(lasts, 0), "h, used to its end")
    table.add_row("swing of the air", fixed(found.swing_k, 2), "K, by control alone")
    table.add_row("range of the contents", fixed(found.contents_swing_k, 2), "K a day")
    table.add_row("switching", digits(found.cycles_per_hour, 2), "times an hour")
    table.add_row("ice, most", fixed(found.frost_g_max), "g")
    table.add_row("ice at the end", fixed(found.frost_g_end), "g")
    table.add_row("fin gaps closed", fixed(found.blockage_pct_max), "%")
    table.add_row("contents frozen", fixed(100.0 * found.frozen_share_max), "%")
    table.add_row("water drained", fixed(found.water_out_g_per_day), "g a day")
    table.add_row("walls above dew point", fixed(found.wall_margin_k), "K at least")
    table.add_row("outside above dew point", fixed(found.outside_margin_k), "K at least")
    stays = percent(found.ice_share)
    table.add_row(
        "settles on cold sink", fixed(found.deposit_g_per_day), f"g a day, {stays} stays ice"
    )
    if config.contents.wet_area_m2 > 0.0:
        given = "g of water a day from their weight"
        table.add_row("contents give off", fixed(found.given_off_g_per_day), given)
    table.add_row("settled", "yes" if found.settled else "no", _settled_words(run))
    table.add_row("energy left over", f"{found.energy_residual_rel:.0e}", "of what flowed")
    table.add_row("water left over", f"{found.water_residual_rel:.0e}", "of what flowed")
    show_table(out, table)
    if found.pull_down_reason is not None:
        paragraph(out, f"Pull-down: {found.pull_down_reason}.")
    if found.blockage_pct_max >= CLOSED_PCT:
        paragraph(
            out,
            "ICE CLOSES THE FIN GAPS: the model goes on with the film of still air alone, and a "
            "block of ice cools less than that. Trust nothing after it; defrost earlier.",
            style="bold",
        )


def _settled_words(run: Simulation) -> str:
    if run.findings.settled:
        return "two days alike"
    return "two days differ" if run.days >= 2.0 else "takes two days to tell"


def _limiters(run: Simulation) -> list[tuple[str, float]]:
    """Return what held the duty back while cooling went on, as indented rows."""
    cooling = ("as the controller asks", "off: ", "defrost: ")
    return [
        (f"  {words}", share) for words, share in run.reason_shares if not words.startswith(cooling)
    ]

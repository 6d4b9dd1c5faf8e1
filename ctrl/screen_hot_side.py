"""The hot side on the screen: in `check` its steady states, in `recommend` a failed fan."""

from collections.abc import Sequence

from rich.console import Console

from ctrl.branches import FanFailure
from ctrl.capability import limits_of
from ctrl.config import Config
from ctrl.heat_soak import HeatSoak
from ctrl.hot_side import HotSide
from ctrl.screen import digits, fixed, grid_of, heading, paragraph, percent, show_table
from plant.constants import ZERO_C_K


def show_hot_side(out: Console, config: Config, part: HotSide) -> None:
    """Print the hot side of a checked config."""
    heading(out, f"Hot side, worst room ({part.ambient_c:g} °C)")
    text = (
        f"Sink to room {digits(part.fan_k_per_w)} K/W with its fan, "
        f"{digits(part.no_fan_k_per_w)} K/W without at a rise of 30 K."
    )
    if part.fins is not None:
        text += (
            f" Fins and fan meet at {3600.0 * part.fins.flow_m3_per_s:.0f} m3/h and "
            f"{part.fins.pressure_drop_pa:.0f} Pa (Re {part.fins.reynolds:.0f}): "
            f"{digits(part.fins.k_per_w)} K/W when clean."
        )
    paragraph(out, text)
    _scans(out, config, part)
    held = [
        f"{percent(item.point.duty, 1)} ({item.branch} branch, "
        f"{'stable' if item.stable else 'NOT stable'} under a thermostat)"
        for item in part.holding
    ]
    target = f"{config.use.target_c:g} °C"
    if held:
        paragraph(out, f"Duties that hold {target} here: {', '.join(held)}.")
        if len(held) > 1:
            paragraph(out, "On the runaway branch more duty warms: keep below the duty limit.")
    else:
        paragraph(out, f"No duty holds {target} here.")
    paragraph(out, soak_text(part.heat_soak))


def _scans(out: Console, config: Config, part: HotSide) -> None:
    limits = limits_of(config)
    names: set[str] = set()
    table = grid_of(
        ("hot fan", "duty %", "hot sink °C", "contents °C", "branch", "lasts"), "lrrrll"
    )
    for scan in part.scans:
        duty = fixed(100.0 * scan.duty, 0)
        if scan.runs_away:
            table.add_row(scan.fan, duty, "runs away", "-", "none", "-", style="bold")
        for item in scan.branches:
            past = limits.exceeded(item.point)
            if past is not None:
                names.add(past)
            table.add_row(
                scan.fan, duty, fixed(item.point.hot_sink_k - ZERO_C_K) + ("!" if past else ""),
                fixed(item.point.contents_k - ZERO_C_K), item.branch,
                "yes" if item.stable else "NO",
            )  # fmt: skip
    show_table(out, table)
    runs_away = any(item.branch == "runaway" for scan in part.scans for item in scan.branches)
    low_k, high_k = max(s.from_k for s in part.scans), min(s.to_k for s in part.scans)
    paragraph(
        out,
        f"Every steady state with the hot sink from {low_k - ZERO_C_K:.0f} to "
        f"{high_k - ZERO_C_K:.0f} °C."
        + (f" !: past the limit of the {' and the '.join(sorted(names))}." if names else "")
        + (" Runaway branch: there more duty warms the contents." if runs_away else ""),
    )


def soak_text(soak: HeatSoak) -> str:
    """Return what the hot fan's run-on is worth, in words."""
    text = (
        "In the hour after switch-off the module lets back "
        f"{_back(soak.back_without_j)} with the fan stopped at once"
    )
    always = _back(soak.back_always_j)
    if soak.best_run_on_s is None or soak.back_with_best_j is None:
        wired = "stops with the module: there is no run-on"
        if soak.fan_wiring == "always":
            wired = "is wired to turn always"
        return f"{text}, {always} if it goes on. The fan {wired}."
    stated = ""
    if soak.back_with_stated_j is not None:
        stated = f", {_back(soak.back_with_stated_j)} with {soak.stated_run_on_s:g} s of run-on"
    text += (
        f"{stated}, {_back(soak.back_with_best_j)} with {soak.best_run_on_s:g} s, the least, and "
        f"{always} if it never stops."
    )
    if soak.near_room_s is None:
        return f"{text} The sink is not within 4 K of the room in an hour."
    return f"{text} The sink is within 4 K of the room after {soak.near_room_s:g} s."


def _back(heat_j: float) -> str:
    """Return heat that came back through the module in words; some may have left instead."""
    return f"{heat_j / 1e3:.1f} kJ" if heat_j >= 0.0 else f"none ({-heat_j / 1e3:.1f} kJ left)"


def show_fan_failure(out: Console, failures: Sequence[FanFailure], soak: HeatSoak) -> None:
    """Print the minutes from a failure of the hot fan to each limit."""
    if not failures:
        return
    heading(out, f"If the hot fan fails, hottest day ({failures[0].ambient_c:g} °C)")
    words = ["with firmware" if item.protected else "without sensor" for item in failures]
    table = grid_of(["minutes until", *words], "l" + "r" * len(failures))
    for name in failures[0].minutes:
        table.add_row(name, *(_minutes(item.minutes[name]) for item in failures))
    table.add_row("hottest sink, °C", *(fixed(item.hot_sink_c_max) for item in failures))
    show_table(out, table)
    paragraph(out, f'"-": not within {failures[0].watched_h:g} h.')
    paragraph(out, soak_text(soak))


def _minutes(value: float | None) -> str:
    return "-" if value is None else fixed(value)

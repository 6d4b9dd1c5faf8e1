"""The screen's part on PI gains: rule, lambda and search beside each other, and why."""

from collections.abc import Callable

from rich.console import Console

from ctrl.config import Config
from ctrl.firmware import Settings, reading_step_k
from ctrl.pi_search import LARGEST_CYCLE_K, SIMC, FeedForward, PISearch, PITrial
from ctrl.screen import digits, fixed, grid_of, heading, paragraph, show_table
from ctrl.tuning import PITuning

HEADS = {"searched": "search", "scheduled": "sched."}  # narrow enough for 60 columns
Cell = Callable[[PITrial], str]


def _rows(search: PISearch) -> list[tuple[str, Cell, str]]:
    rows: list[tuple[str, Cell, str]] = [
        ("gain Kp", _gains, "%/K"),
        ("Ti", lambda t: f"{t.ti_s:g}", "s"),
    ]
    for index, room in enumerate(search.rooms):
        rows += _room_rows(index, room)
    return [
        *rows,
        ("cost to SIMC", lambda t: fixed(t.cost, 2), "times"),
        ("overshoot", lambda t: fixed(t.overshoot_k, 2), "K"),
        ("duty turns", lambda t: fixed(t.reversals_per_hour, 0), "per h"),
        ("last step swings", lambda t: fixed(t.simulated.swing_k, 3), "K"),
        ("  predicted", lambda t: fixed(t.predicted.swing_k, 3), "K"),
        ("  every", lambda t: fixed(t.simulated.period_s, 0), "s"),
        ("  predicted", lambda t: fixed(t.predicted.period_s, 0), "s"),
        ("Ms", lambda t: fixed(t.margins.ms, 2), ""),
        ("gain margin", lambda t: digits(t.margins.gain_margin, 2), "times"),
        ("phase margin", lambda t: fixed(t.margins.phase_margin_deg, 0), "deg"),
        ("flashed", lambda t: "FLASHED" if t is search.best else "", ""),
    ]


def _room_rows(index: int, room: str) -> list[tuple[str, Cell, str]]:
    def cell(name: str, scale: float = 1.0, decimals: int = 0) -> Cell:
        return lambda trial: fixed(getattr(trial.responses[index], name) * scale, decimals)

    return [
        (f"door, {room}", cell("door_error_k_s"), "K s"),
        (f"step, {room}", cell("step_error_k_s"), "K s"),
        ("  recovers in", cell("recovery_s", 1.0 / 60.0, 1), "min"),
        ("  duty travels", cell("movement_pct"), "%"),
    ]


def _gains(item: PITrial) -> str:
    if not item.gain_schedule:
        return f"{item.kp_pct_per_k:g}"
    gains = [kp for _, kp in item.gain_schedule]
    return f"{min(gains):g}-{max(gains):g}"


def show_pi(out: Console, config: Config, tuning: PITuning | None, whole: bool = False) -> None:
    """Print why these PI gains; with `whole` all that was tried; nothing without a search."""
    if tuning is None or tuning.search is None:
        return
    search = tuning.search
    heading(out, "PI gains: rules and search, on the whole loop")
    if whole:
        _table(out, search)
    paragraph(out, f"{search.reason[:1].upper()}{search.reason[1:]} ({search.runs} tried).")
    paragraph(out, f"{search.schedule_reason[:1].upper()}{search.schedule_reason[1:]}.")
    weight, overshoot = search.setpoint_weight, search.weight_overshoots_k[0][1]
    paragraph(
        out,
        f"Setpoint weight {weight:g}: turned down by 1 K with weight 1 it overshoots by "
        f"{fixed(overshoot, 2)} K.",
    )
    if search.feed_forward is not None:
        paragraph(out, forward_text(search.feed_forward))
    swing = search.best.simulated
    if swing.swing_k > 0.0:
        paragraph(
            out,
            f"The reading's last step keeps it swinging by {fixed(swing.swing_k, 3)} K every "
            f"{fixed(swing.period_s, 0)} s at worst ({fixed(search.best.predicted.swing_k, 3)} K "
            f"by the describing function); {LARGEST_CYCLE_K:g} K is allowed.",
        )
    for item in search.trials:
        if item.lack:
            paragraph(out, f"{item.name} misses: {item.lack}.")
    paragraph(out, what_would_change(config, tuning))


def _table(out: Console, search: PISearch) -> None:
    heads = ["", *(HEADS.get(item.name, item.name) for item in search.trials), ""]
    table = grid_of(heads, "l" + "r" * len(search.trials) + "l", no_wrap=(0,))
    for name, cell, unit in _rows(search):
        table.add_row(name, *(cell(item) for item in search.trials), unit)
    show_table(out, table)
    paragraph(
        out,
        "Door: integral of the error after one opening; step: after the setpoint is turned down "
        "by 1 K. Last step: the cycle of the reading's last step, setpoint half way between two.",
    )


def forward_text(found: FeedForward) -> str:
    """Return one sentence on what the room's sensor brings."""
    before, after = found.without, found.with_it
    verdict = "used" if found.chosen else "not worth a setting: left out"
    return (
        f"Feed-forward from the room, {found.slope_pct_per_k:g} % per K: the room's day moves the "
        f"sensor's place by {fixed(after.air_range_k, 3)} K with it, {fixed(before.air_range_k, 3)}"
        f" K without; {verdict}."
    )


def what_would_change(config: Config, tuning: PITuning) -> str:
    """Return which limit decided the gains and what would move it."""
    decided = tuning.decided_by
    step_k = reading_step_k(config.sensor)
    if tuning.search is not None and tuning.search.chosen != SIMC:
        return "Another sensor, drive or sink calls for another search: run this again."
    if "step of the reading" in decided:
        return f"A reading with steps finer than {step_k:.2g} K would allow a higher gain."
    if "noise" in decided:
        return "A quieter reading would allow a higher gain."
    return "Less dead time (a sensor nearer the sink, with less lag) would allow a higher gain."


def pi_option_rows(settings: Settings) -> list[tuple[str, str, str]]:
    """Return (name, value, unit) of schedule, weight and feed-forward; only those in use."""
    rows = [
        (f"gain Kp at duty {100.0 * duty:.0f} %", f"{kp:g}", "% duty per K")
        for duty, kp in settings.gain_schedule
    ]
    if settings.setpoint_weight != 1.0:
        rows.append(("setpoint weight", f"{settings.setpoint_weight:g}", ""))
    if settings.feed_forward_pct_per_k > 0.0:
        rows.append(
            ("feed-forward", f"{settings.feed_forward_pct_per_k:g}", "% duty per K of room")
        )
    return rows

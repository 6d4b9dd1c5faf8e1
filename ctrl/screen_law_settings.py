"""The settings of each law compared, as lines; what to flash is told by `recommend`."""

from rich.console import Console

from ctrl.comparison import Comparison, name_of
from ctrl.defrost import KIND_NAMES, DefrostSettings
from ctrl.firmware import Settings
from ctrl.screen import paragraph

TABLE_STEP_K = 10


def show_settings(out: Console, found: Comparison) -> None:
    """Print the settings of each law and what decided them."""
    for item in found.items:
        candidate = item.candidate
        lines = f"{name_of(item, found.items)}: {'; '.join(setting_words(candidate.settings))}."
        if candidate.decided_by:
            lines += f" Decided by: {candidate.decided_by}."
        if candidate.on_off is not None:
            lines += f" {candidate.on_off.least_times_words}."
        paragraph(out, lines)


def setting_words(settings: Settings) -> list[str]:
    """Return each setting that a law uses, with its value and unit."""
    law = settings.controller
    words = [f"setpoint {settings.setpoint_c:.1f} °C"]
    if law in ("on_off", "two_level", "best_cop"):
        words.append(f"hysteresis {settings.hysteresis_k:g} K")
    if law == "on_off":
        words.append(f"least time on {settings.min_on_s:g} s, off {settings.min_off_s:g} s")
    if law == "two_level":
        words.append(f"high {_percent(settings.duty_limit)}, idle {_percent(settings.idle_duty)}")
    if law in ("pi", "cascade", "best_cop"):
        inner = "inner " if law == "cascade" else ""
        words.append(
            f"{inner}gain {settings.kp_pct_per_k:g} % per K, {inner}Ti {settings.ti_s:g} s"
        )
    words += _cascade(settings) if law == "cascade" else []
    words += _pi_options(settings) if law == "pi" else []
    if law == "best_cop":
        duties = ", ".join(f"{100.0 * duty:.0f}" for duty in settings.cop_duties)
        words.append(f"duties {duties} % at 0, {TABLE_STEP_K} K and so on of difference")
        words.append(f"assumed difference {settings.assumed_lift_k:.0f} K")
    if law in ("pi", "cascade", "best_cop"):
        words.append(f"period {settings.period_s:g} s")
    if law != "two_level":
        words.append(f"duty limit {_percent(settings.duty_limit)}")
    if law != "on_off" and settings.slew_pct_per_s is not None:
        words.append(f"slew {settings.slew_pct_per_s:g} % per s")
    if settings.window_s > 0.0:
        words.append(
            f"window {settings.window_s:g} s, least time in it {settings.window_min_on_s:g} s"
        )
    if settings.defrost is not None:
        words.append(defrost_words(settings.defrost, min(settings.period_s, 1.0)))
    return words


def defrost_words(plan: DefrostSettings, tick_s: float) -> str:
    """Return a defrost's kind and interval, from start to start."""
    kind = KIND_NAMES[plan.kind].replace("_", " ")
    return f"defrost {kind}, every {plan.interval_ticks * tick_s / 3600.0:g} h"


def _cascade(settings: Settings) -> list[str]:
    return [
        f"outer gain {settings.sink_gain:g} K per K, outer Ti {settings.sink_ti_s:g} s",
        f"sink no colder than {settings.sink_floor_c:g} °C",
        f"duty without a sink reading {_percent(settings.blind_duty)}",
    ]


def _pi_options(settings: Settings) -> list[str]:
    words = []
    if settings.setpoint_weight != 1.0:
        words.append(f"setpoint weight {settings.setpoint_weight:g}")
    if settings.gain_schedule:
        pairs = ", ".join(f"{gain:g} at {_percent(duty)}" for duty, gain in settings.gain_schedule)
        words.append(f"gain over duty: {pairs}")
    if settings.feed_forward_pct_per_k != 0.0:
        words.append(f"feed-forward {settings.feed_forward_pct_per_k:g} % per K of room")
    return words


def _percent(duty: float) -> str:
    return f"{100.0 * duty:.1f}".removesuffix(".0") + " %"

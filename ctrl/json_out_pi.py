"""What `--json` prints of the PI controller's options and of the search for its gains."""

from typing import Any

from ctrl.candidates import Candidate
from ctrl.firmware import Settings
from ctrl.pi_bench import Daily
from ctrl.pi_search import FeedForward, PITrial
from ctrl.quantiser import QuantiserCycle

Object = dict[str, Any]


def pi_options_object(settings: Settings) -> Object:
    """Return schedule, setpoint weight and feed-forward; only those in use."""
    found: Object = {}
    if settings.setpoint_weight != 1.0:
        found["setpoint_weight"] = settings.setpoint_weight
    if settings.gain_schedule:
        found["gain_schedule"] = [
            {"duty": duty, "kp_pct_per_k": kp} for duty, kp in settings.gain_schedule
        ]
    if settings.feed_forward_pct_per_k > 0.0:
        found["feed_forward_pct_per_k"] = settings.feed_forward_pct_per_k
    return found


def _cycle(found: QuantiserCycle) -> Object:
    return {"cycle_swing_k": found.swing_k, "cycle_period_s": found.period_s}


def _trial(item: PITrial, rooms: tuple[str, ...], chosen: bool) -> Object:
    responses = [
        {
            "case": room,
            "door_error_k_s": found.door_error_k_s,
            "step_error_k_s": found.step_error_k_s,
            "movement_pct": found.movement_pct,
            "recovery_s": found.recovery_s,
            "step_overshoot_k": found.step_overshoot_k,
        }
        for room, found in zip(rooms, item.responses, strict=True)
    ]
    return {
        "name": item.name,
        "chosen": chosen,
        "kp_pct_per_k": item.kp_pct_per_k,
        "ti_s": item.ti_s,
        "gain_schedule": [
            {"duty": duty, "kp_pct_per_k": kp} for duty, kp in item.gain_schedule
        ],
        "margins": {
            "gain_margin": item.margins.gain_margin,
            "phase_margin_deg": item.margins.phase_margin_deg,
            "ms": item.margins.ms,
            "delay_margin_s": item.margins.delay_margin_s,
        },
        "relative_cost": item.cost,
        "responses": responses,
        "overshoot_k": item.overshoot_k,
        "reversals_per_hour": item.reversals_per_hour,
        "predicted_cycle": _cycle(item.predicted),
        "simulated_cycle": _cycle(item.simulated),
        "lack": item.lack,
    }  # fmt: skip


def _daily(found: Daily) -> Object:
    return {
        "air_range_k": found.air_range_k,
        "air_error_k": found.error_k,
        "contents_range_k": found.contents_range_k,
    }


def forward_object(found: FeedForward | None) -> Object:
    """Return what the room's sensor brings, or null with the reason."""
    if found is None:
        return {"feed_forward": None, "feed_forward_reason": "no [ambient_sensor]"}
    return {
        "feed_forward": {
            "feed_forward_pct_per_k": found.slope_pct_per_k,
            "chosen": found.chosen,
            "without": _daily(found.without),
            "with_it": _daily(found.with_it),
        }
    }


def pi_search_object(item: Candidate) -> Object:
    """Return the search for the PI gains under its own key, or null with the reason."""
    search = item.pi.search if item.pi is not None else None
    if search is None:
        why = "the module has nothing to do in the rooms looked at"
        if item.controller != "pi":
            why = "the chosen controller is no PI"
        return {"pi_search": None, "pi_search_reason": item.note or why}
    return {
        "pi_search": {
            "chosen_trial": search.chosen,
            "reason": search.reason,
            "unsure_pct": search.unsure_pct,
            "runs": search.runs,
            "trials": [_trial(t, search.rooms, t is search.best) for t in search.trials],
            "schedule_reason": search.schedule_reason,
            "setpoint_weight": search.setpoint_weight,
            "weights": [
                {"setpoint_weight": weight, "step_overshoot_k": overshoot}
                for weight, overshoot in search.weight_overshoots_k
            ],
        }
        | forward_object(search.feed_forward)
    }

"""What `coldloop identify --json` prints."""

from ctrl.bench_recipe import recipe_of
from ctrl.first_order import FirstOrder
from ctrl.gain_map import GainMap
from ctrl.identify import Identification
from ctrl.json_out_base import Object, opening, or_why

NO_TEST = "the test gave nothing; see missing"


def model_object(model: FirstOrder) -> Object:
    """Return gain, time constant and dead time."""
    return {
        "fall_k": model.gain_k,
        "tau_s": model.tau_s,
        "dead_time_s": model.dead_time_s,
        "slope_k_per_s": model.slope_k_per_s,
    }


def gain_map_object(item: GainMap) -> Object:
    """Return one drive's gains."""
    reversals = [
        {"ambient_c": r.ambient_c}
        | or_why("limit_reading_c", r.limit_reading_c, "the hot side runs away")
        | or_why("duty", r.duty, "no reversal up to full duty")
        for r in item.reversals
    ]
    return {
        "drive": item.drive,
        "crossover_rad_per_s": item.crossover_rad_per_s,
        "points": [
            {
                "ambient_c": p.ambient_c, "duty": p.duty, "crossover_gain_k": p.crossover_gain_k,
                "steady_gain_k": p.steady_gain_k, "short_gain_w": p.short_gain_w,
                "regime": p.regime, "across_frost": p.across_frost,
            }
            for p in item.points
        ],
        "reversals": reversals,
        "duty_limit": item.limit.duty,
        "duty_limit_decided_by": item.limit.decided_by,
    } | or_why(
        "reversal_margin", item.margin, "no reversal up to full duty"
    )  # fmt: skip


def _step_object(found: Identification) -> Object | None:
    step = found.step
    if step is None:
        return None
    hand = None if step.by_hand is None else model_object(step.by_hand)
    return {
        "square_wave": step.square,
        "duty": step.duty,
        "step_duty": step.step_duty,
        "wanted_step_duty": step.wanted_step_duty,
        "horizon_s": step.horizon_s,
        "pairs": step.pairs,
        "noise_error_pct": list(step.fitted.error_pct),
    } | or_why("by_hand", hand, "noise hides the curve's bend")


def _relay_object(found: Identification) -> Object | None:
    test = found.relay
    if test is None:
        return None
    hand = None if found.relay_by_hand is None else model_object(found.relay_by_hand)
    turns = None if test.by_turns is None else model_object(test.by_turns)
    return (
        {
            "low_duty": test.low_duty,
            "high_duty": test.high_duty,
            "half_band_k": test.half_band_k,
            "amplitude_k": test.cycle.amplitude_k,
            "cycle_s": test.cycle.period_s,
            "cycles": test.cycle.cycles,
            "length_s": test.length_s,
            "harmonic_off_pct": found.harmonic_off_pct,
            "describing_off_pct": found.describing_off_pct,
            "hand_off_pct": found.hand_off_pct,
            "fall_from": "step test",
        }
        | or_why("by_hand", hand, "the gain is too small for this cycle")
        | or_why("by_turns", turns, "the gain is too small for this cycle")
    )


def _sampled_object(found: Identification) -> Object:
    part = found.sampled
    return {
        "period_s": part.period_s,
        "delay_s": part.delay_s,
        "delay_samples": part.delay_samples,
        "numerator_k": list(part.numerator),
        "denominator": list(part.denominator),
        "response_error_pct": part.error_pct,
        "plant_poles": [{"real": x.real, "imaginary": x.imag} for x in part.plant_poles],
    }


def of_identification(found: Identification, version: str) -> Object:
    """Return what `identify --json` prints."""
    linear, first = found.linear, found.models[0].model
    head = opening("identify", found.config, version) | {
        "drive": found.config.drive.kind,
        "ambient_c": found.ambient_c,
        "duty": linear.duty,
        "regime": linear.regime,
        "reading_c": found.bench.reading_c,
        "jacobian_error": found.jacobian_error,
        "note": found.note,
        "steady_gain_k": found.steady_gain_k,
        "seed": found.seed,
        "models": [
            {"name": item.name}
            | model_object(item.model)
            | {
                "response_error_pct": item.response_error_pct,
                "fall_off_pct": item.off_pct[0],
                "tau_off_pct": item.off_pct[1],
                "dead_time_off_pct": item.off_pct[2],
            }
            for item in found.models
        ],
        "fit_error_pct": found.models[0].model.fit_error_pct,
        "missing": [{"name": name, "reason": why} for name, why in found.missing],
        "settle_h": found.settle_h,
        "drift_k": found.drift_k,
        "integrating": first.is_integrating(first.horizon_s),
        "sampled": _sampled_object(found),
    }
    return (
        head
        | or_why("step_test", _step_object(found), NO_TEST)
        | or_why("relay_test", _relay_object(found), NO_TEST)
        | {
            "recipe": list(recipe_of(found)),
            "gain_maps": [gain_map_object(item) for item in found.maps],
        }
    )

"""What `--json` prints of tolerances, of the sweep of designs, and of one number's chain."""

from dataclasses import asdict

from ctrl.design_sweep import Design, Sweep
from ctrl.explain import Chain
from ctrl.json_out import tolerance_object
from ctrl.json_out_base import Object, opening, or_why
from ctrl.recommend import Recommendation
from ctrl.tolerances import Tolerance


def of_tolerance(whole: Recommendation, found: Tolerance, version: str) -> Object:
    """Return what `tolerance --json` prints."""
    head = opening("tolerance", whole.config, version)
    chosen = whole.chosen.candidate
    head |= {"verdict": whole.verdict, "chosen_controller": chosen.controller,
             "chosen_drive": chosen.drive}  # fmt: skip
    return head | tolerance_object(found) | {"pairs": [asdict(item) for item in whole.pairs]}


def design_object(item: Design) -> Object:
    """Return one design of a sweep."""
    out = "the target is not held in the usual room"
    not_compared = "not near the thriftiest: not compared on common draws"
    return (
        {"name": item.name, "own": item.own, "in_reach": item.in_reach,
         "on_front": item.on_front, "same_as_best": item.same_as_best}
        | asdict(item.choice)
        | or_why("energy_kwh_per_day", item.energy_kwh_per_day, out)
        | or_why("duty", item.duty, out)
        | {"coldest_holdable_c": item.coldest_c, "needs": list(item.needs)}
        | or_why("saves_kwh_per_day", item.energy_gain_kwh_per_day, not_compared)
        | or_why("spread_kwh_per_day", item.energy_gain_spread_kwh_per_day, not_compared)
        | or_why("draws_compared", item.draws_compared, not_compared)
        | or_why("share_in_reach", item.share_in_reach, not_compared)
    )  # fmt: skip


def of_sweep(found: Sweep, version: str) -> Object:
    """Return what `sweep --json` prints."""
    none = "no design tried holds the target in both rooms, and on enough of the draws"
    return (
        opening("sweep", found.config, version)
        | {"advice": found.advice, "own": found.own.name}
        | or_why("thriftiest", found.thriftiest and found.thriftiest.name, none)
        | {
            "coldest": found.coldest.name,
            "designs": [design_object(item) for item in found.designs],
            "energy_boundary": found.energy_boundary,
            "draws": found.draws,
            "seed": found.seed,
        }
    )


def of_chain(whole: Recommendation, found: Chain, version: str) -> Object:
    """Return what `recommend --explain NAME --json` prints."""
    return (
        opening("recommend", whole.config, version)
        | {"name": found.name}
        | or_why("value", found.value, found.decided_by)
        | {
            "unit": found.unit,
            "method": found.method,
            "decided_by": found.decided_by,
            "changes": found.changes,
            "inputs": [
                {"key": item.key} | or_why("value", item.value, item.origin)
                | {"unit": item.unit, "origin": item.origin}
                for item in found.inputs
            ],
            "steps": [
                {"name": item.name} | or_why("value", item.value, "there is none")
                | {"unit": item.unit}
                for item in found.steps
            ],
            "seed": whole.seed,
        }
    )  # fmt: skip

"""What `--json` prints: one object, SI-derived units, never a bare NaN.

Every key stands in `ctrl.glossary` once, with its unit and meaning.  A value that does not
exist is null, and a key of the same name with `_reason` at its end says why.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from math import isfinite, isnan
from typing import Any

from ctrl.branches import FanFailure, Scan
from ctrl.candidates import Candidate
from ctrl.cases import Case, Limit
from ctrl.cautions import advised_fuse_a
from ctrl.cold_side import ColdSide
from ctrl.config import Config
from ctrl.findings import Findings
from ctrl.firmware import Settings, reading_step_k
from ctrl.heat_soak import HeatSoak
from ctrl.hot_side import HotSide
from ctrl.ice import DefrostPlan, Ice
from ctrl.ice_border import STEP_K, IceBorder
from ctrl.json_energy import RANGE_RUN, energy_day_object, tried_object
from ctrl.json_out_aim import aim_object, too_cold_object
from ctrl.json_out_base import REASON, Object, opening, or_why
from ctrl.json_out_pi import pi_options_object, pi_search_object
from ctrl.loop import STATE_WORDS
from ctrl.recommend import Controlled, Provisional, Recommendation
from ctrl.simulation import Simulation, battery_lasts_h, cost_per_day
from ctrl.tolerances import Tolerance
from plant.constants import ZERO_C_K
from plant.fins import Through


def text_of(value: Object) -> str:
    """Return one JSON object as text, its numbers with six digits, ending in a newline."""
    return json.dumps(plain(value), ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """Return a value as JSON has it: rounded, and no number that is none."""
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return _plain_object(value)
    if isinstance(value, str | bool | int) or value is None:
        return value
    if isinstance(value, Sequence):
        return [plain(item) for item in value]
    number = float(value)
    return float(f"{number:.6g}") if isfinite(number) else None


def _plain_object(value: Mapping[str, Any]) -> Object:
    found: Object = {}
    for key, item in value.items():
        found[key] = plain(item)
        if isinstance(item, float) and not isfinite(item):
            what = "not a number" if isnan(item) else "no limit was found"
            found[key + REASON] = what
    return found


def findings_object(config: Config, found: Findings) -> Object:
    """Return the findings of a run, without its pull-down: a settled run has none."""
    values = asdict(found)
    for key in ("pull_down_reason", "pull_down_h"):
        values.pop(key)
    values["states_seen"] = [STATE_WORDS[code] for code in found.states_seen]
    values.update(_running_costs(config, found.energy_kwh_per_day))
    return values


def _running_costs(config: Config, kwh_per_day: float) -> Object:
    cost = cost_per_day(config, kwh_per_day)
    lasts = battery_lasts_h(config, kwh_per_day)
    return or_why("cost_per_day", cost, "tariff.per_kwh is not given") | or_why(
        "battery_lasts_h", lasts, "supply.battery_ah is not given"
    )


def settings_object(settings: Settings) -> Object:
    """Return the settings that a controller uses; those of other controllers are left out."""
    found: Object = {"setpoint_c": settings.setpoint_c, "duty_limit": settings.duty_limit}
    if settings.controller == "on_off":
        found |= {
            "hysteresis_k": settings.hysteresis_k,
            "min_on_s": settings.min_on_s,
            "min_off_s": settings.min_off_s,
        }
    if settings.controller == "pi":
        found |= {
            "kp_pct_per_k": settings.kp_pct_per_k,
            "ti_s": settings.ti_s,
            "period_s": settings.period_s,
        } | or_why("slew_pct_per_s", settings.slew_pct_per_s, "no slew limit")
        found |= pi_options_object(settings)
    if settings.controller == "fixed":
        found["fixed_duty"] = settings.fixed_duty
    if settings.controller in ("two_level", "best_cop"):
        found["hysteresis_k"] = settings.hysteresis_k
    if settings.controller == "two_level":
        found["idle_duty"] = settings.idle_duty
    if settings.controller in ("cascade", "best_cop"):
        found |= {
            "kp_pct_per_k": settings.kp_pct_per_k,
            "ti_s": settings.ti_s,
            "period_s": settings.period_s,
        }
    if settings.controller == "cascade":
        found |= {
            "sink_floor_c": settings.sink_floor_c,
            "sink_gain": settings.sink_gain,
            "sink_ti_s": settings.sink_ti_s,
            "blind_duty": settings.blind_duty,
        }
    if settings.controller == "best_cop":
        found |= {
            "cop_duties": list(settings.cop_duties),
            "assumed_lift_k": settings.assumed_lift_k,
        }
    if settings.window_s > 0.0:
        found |= {"window_s": settings.window_s, "window_min_on_s": settings.window_min_on_s}
    return found


def of_simulation(run: Simulation, version: str) -> Object:
    """Return what `simulate --json` prints."""
    head = opening("simulate", run.config, version) | {
        "controller": run.settings.controller,
        "drive": run.config.drive.kind,
        "settings": settings_object(run.settings),
        "days": run.days,
        "seed": run.seed,
    }
    found = run.findings
    values = findings_object(run.config, found)
    values |= or_why("pull_down_h", found.pull_down_h, found.pull_down_reason or "not reached")
    values["states_seen"] = [words for words, _ in run.state_shares]
    values["state_shares"] = [{"name": n, "share": share} for n, share in run.state_shares]
    values["reason_shares"] = [{"name": n, "share": share} for n, share in run.reason_shares]
    return head | values


# Recommend -----------------------------------------------------------------------------


def limit_object(item: Limit) -> Object:
    """Return one limit against the value found."""
    return {
        "name": item.name,
        "value": item.value,
        "limit": item.limit,
        "margin": item.margin,
        "known_to": item.known_to,
        "barely_kept": item.is_barely_kept,
        "unit": item.unit,
        "decided": item.decided,
        "case": item.case,
    }


def ice_object(ice: Ice) -> Object:
    """Return frost on the cold sink at the dampest air."""
    return {
        "ices": ice.ices,
        "growth_g_per_day": ice.growth_g_per_day,
        "frost_g_max": ice.frost_g_max,
        "blockage_pct": ice.blockage_pct,
        **or_why(
            "blockage_range_pct",
            None if ice.blockage_range_pct is None else list(ice.blockage_range_pct),
            RANGE_RUN,
        ),
        "clear_over_range": ice.clear_over_range,
        "blockage_limit_pct": ice.limit_pct,
        "contents_c_max": ice.contents_c_max,
        "contents_c_mean": ice.contents_c_mean,
        "energy_kwh_per_day": ice.energy_kwh_per_day,
        "days": ice.days,
        "melts_per_day": ice.melts_per_day,
    }


def ice_border_object(border: IceBorder) -> Object:
    """Return where ice begins in a room, with every run that tells it."""
    icy = border.icy
    return or_why("warmest_icy_c", None if icy is None else icy.contents_c, "none tried ices") | {
        "scatter_pct": border.scatter_pct,
        "step_k": STEP_K,
        "looks": [
            {"setpoint_c": look.setpoint_c, "contents_c_mean": look.contents_c,
             "ices": look.ice.ices, "blockage_pct": look.ice.blockage_pct}
            for look in border.looks
        ],
    }  # fmt: skip


def case_object(config: Config, case: Case) -> Object:
    """Return the cabinet in one room."""
    return (
        {
            "name": case.name,
            "ambient_c": case.ambient_c,
            "relative_humidity_pct": case.relative_humidity_pct,
            "verdict": case.verdict,
            "reason": case.reason,
            "coldest_holdable_c": case.coldest_holdable_c,
            "coldest_decided_by": case.coldest_decided_by,
            "findings": findings_object(config, case.findings),
            "ice": ice_object(case.ice),
            "limits": [limit_object(item) for item in case.limits],
        }
        | or_why("pull_down_h", case.pull_down_h, case.pull_down_reason or "")
        | or_why("hold_over_h", case.hold_over_h, "still cold after 72 h")
    )


def saving_object(chosen: Controlled, item: Controlled) -> Object:
    """Return what a controller would save beside the chosen one [kWh/d, %]."""
    mine = chosen.findings.energy_kwh_per_day
    saved = mine - item.findings.energy_kwh_per_day
    return {"saves_kwh_per_day": saved} | or_why(
        "saves_pct", 100.0 * saved / mine if mine > 0.0 else None, "the chosen one needs none"
    )


def controller_object(item: Controlled, chosen: bool) -> Object:
    """Return one controller on one drive, with what it does on a usual day."""
    candidate, found = item.candidate, item.findings
    shown = candidate.margins
    margins = None if shown is None else {
        "gain_margin": shown.gain_margin,
        "phase_margin_deg": shown.phase_margin_deg,
        "ms": shown.ms,
        "delay_margin_s": shown.delay_margin_s,
    }  # fmt: skip
    why = candidate.note or "an on-off controller cycles; it has no such margins"
    return (
        {
            "controller": candidate.controller,
            "drive": candidate.drive,
            "fits": candidate.fits,
            "chosen": chosen,
        }
        | settings_object(candidate.settings)
        | {
            "energy_kwh_per_day": found.energy_kwh_per_day,
            "swing_k": found.swing_k,
            "contents_swing_k": found.contents_swing_k,
            "contents_c_mean": found.contents_c.mean,
            "cycles_per_hour": found.cycles_per_hour,
        }
        | or_why("relay_life_years", item.relay_life_years, "no relay in this drive")
        | or_why("margins", margins, why)
        | {"note": candidate.note, "settings_decided_by": candidate.decided_by}
        | _regulation_object(candidate)
    )


def _regulation_object(candidate: Candidate) -> Object:
    """Return where the gains are highest and lowest, and a door opening at the lowest."""
    tuning, door = candidate.pi, candidate.regulation
    if tuning is None or door is None:
        return {"regulation": None, "regulation_reason": "only of a tuned PI controller"}
    return {
        "regulation": {
            "stability_at": candidate.tuned_at[tuning.highest],
            "highest_gain_k": tuning.gains_k[tuning.highest],
            "regulation_at": candidate.tuned_at[tuning.lowest],
            "lowest_gain_k": tuning.gains_k[tuning.lowest],
            "door_peak_k": door.peak_k,
        }
        | or_why("door_recovers_s", door.recovers_s, "not within three hours")
    }


def defrost_object(plan: DefrostPlan | None) -> Object:
    """Return the defrost plan under its own key, or null with the reason."""
    if plan is None:
        return {"defrost": None, "defrost_reason": "the cold sink does not ice up in any room"}
    values = {
        "interval_h": plan.interval_h,
        "end_c": plan.end_c,
        "longest_min": plan.longest_min,
        "drip_min": plan.drip_min,
        "ends_by": plan.ends_by,
        "works": plan.works,
        "ice": ice_object(plan.ice),
        "tried": [
            {"interval_h": hours, "ices": ice.ices, "blockage_pct": ice.blockage_pct,
             "frost_g_max": ice.frost_g_max}
            for hours, ice in plan.others
        ],
        "kind": plan.kind,
        "why": plan.why,
        "kinds_tried": [tried_object(item) for item in plan.kinds_tried],
        "passed_over": [{"kind": kind, "why": why} for kind, why in plan.passed_over],
    }  # fmt: skip
    return {"defrost": values}


def provisional_object(first: Provisional) -> Object:
    """Return what steady states alone said."""
    rooms = [
        {"case": name, "ambient_c": ambient_c, "coldest_holdable_c": coldest.contents_c,
         "coldest_decided_by": coldest.decided_by, "coldest_duty": coldest.point.duty}
        for name, ambient_c, coldest in (
            ("usual", first.usual_ambient_c, first.usual),
            ("worst", first.worst_ambient_c, first.worst),
        )
    ]  # fmt: skip
    why = "the target is out of reach in the usual room"
    if first.aim.is_too_cold:
        why = "the usual room is colder than the target: nothing is held"
    return {"in_reach": first.reaches_target, "rooms": rooms} | or_why(
        "plug_w", first.usual_plug_w, why
    )


def of_recommendation(found: Recommendation, version: str) -> Object:
    """Return what `recommend --json` prints."""
    config = found.config
    chosen = found.chosen.candidate
    head = opening("recommend", config, version) | {
        "verdict": found.verdict,
        "reason": found.reason,
        "tolerance_verdict": found.tolerance_verdict,
        "tolerance_words": found.tolerance_reason or "parts out of tolerance: left out",
        "setpoint_c": found.setpoint_c,
        "setpoint_offset_k": found.setpoint_offset_k,
        "coldest_holdable_c": found.coldest_holdable_c,
        "coldest_spread_k": found.coldest_spread_k,
        "coldest_decided_by": found.coldest_decided_by,
        "duty_limit": found.duty_limit.duty,
        "duty_limit_decided_by": found.duty_limit.decided_by,
        "duty_limit_risk": found.duty_limit.risk,
        "duty_limits": [
            {"name": name, "duty": duty} for name, duty in found.duty_limit.candidates.items()
        ],
        "chosen_controller": chosen.controller,
        "chosen_drive": chosen.drive,
        "controllers": [
            controller_object(item, item is found.chosen) | saving_object(found.chosen, item)
            for item in found.controllers
        ],
        "reading_step_k": reading_step_k(config.sensor),
    }
    pulled_why = found.pull_down_reason or "the contents start cold"
    return (
        head
        | defrost_object(found.defrost)
        | or_why("coldest_ice_free_c", found.coldest_ice_free_c, "ices at every one tried")
        | {"ice_border": ice_border_object(found.ice_border)}
        | or_why("ice_free_setpoint_c", found.ice_free_setpoint_c, "ices at every one tried")
        | or_why("fuse_advised_a", advised_fuse_a(found.config), "beyond the standard ratings")
        | {
            "cases": [case_object(config, case) for case in found.cases],
            "limits": [limit_object(item) for item in found.limits],
        }
        | or_why("pull_down_h", found.pull_down_h, pulled_why)
        | or_why("hold_over_h", found.hold_over_h, "still cold after 72 h")
        | {
            "hold_over_limit_c": found.hold_over_limit_c,
            "bottlenecks": [
                {"part": b.part, "change": b.change, "gain_k": b.gain_k, "effort": b.effort}
                for b in found.bottlenecks
            ],
            "sensitivities": [
                {"part": s.part, "key": s.key, "gain_k": s.gain_k} for s in found.sensitivities
            ],
            "absent_protections": list(found.absent_protections),
            "cautions": list(found.cautions),
            "energy_boundary": found.energy_boundary,
            "provisional": provisional_object(found.provisional),
            "seed": found.seed,
            "fan_failure": [fan_failure_object(item) for item in found.fan_failure],
            "heat_soak": heat_soak_object(found.heat_soak),
        }
        | or_why(
            "tolerance",
            None if found.tolerance is None else tolerance_object(found.tolerance),
            "left out",
        )
        | {"pairs": [asdict(item) for item in found.pairs]}
        | {"energy_day": energy_day_object(config, found.energy_day)}
        | {
            "aim": aim_object(found.aim),
            "too_cold": [too_cold_object(item) for item in found.too_cold],
        }
        | pi_search_object(chosen)
    )


def tolerance_object(found: Tolerance) -> Object:
    """Return how likely the settings hold with parts out of tolerance."""
    low, high = found.energy_range_kwh_per_day
    return {
        "reason": found.reason,
        "wanted_kept": found.kept,
        "confirmed": found.confirmed,
        "draws": found.draws,
        "holds": found.holds,
        "share_holds": found.share_holds,
        "wanted_share": found.wanted_share,
        "chosen_change": found.change,
        "settings": settings_object(found.settings),
        "variants": [
            {"change": item.what, "draws": item.draws, "failed": item.failed,
             "stopped": item.stopped}
            for item in found.variants
        ],
        "failures": [{"name": name, "failed": count} for name, count in found.failures],
        "at_risk": found.at_risk,
        "measure_first": found.measure_first,
        "parts": [asdict(item) for item in found.parts],
        "energy_kwh_per_day_range": [low, high],
        "least_voltage_v": found.least_voltage_v,
        "coldest_at_least_voltage_c": found.coldest_at_least_voltage_c,
        "coldest_room": None if found.cold is None else asdict(found.cold),
        "remedies": [
            asdict(x) | or_why("share_at_least", x.share_at_least if x.fresh else None, CHOSEN)
            for x in found.remedies
        ],
        "seed": found.seed,
    } | or_why("share_at_least", found.share_claimed, CHOSEN)  # fmt: skip


CHOSEN = "the settings were chosen on these draws: no confidence is claimed"


def fan_failure_object(item: FanFailure) -> Object:
    """Return what follows a failed hot fan."""
    why = f"not within {item.watched_h:g} h"
    return {
        "protected": item.protected,
        "ambient_c": item.ambient_c,
        "hot_sink_c_max": item.hot_sink_c_max,
        "foam_c_max": item.foam_c_max,
        "watched_h": item.watched_h,
        "reached": [
            {"name": name} | or_why("after_min", minutes, why)
            for name, minutes in item.minutes.items()
        ],
    }


# Check ---------------------------------------------------------------------------------


def fins_object(point: Through) -> Object:
    """Return where fins and fan meet."""
    return {
        "fan_flow_m3_per_h": 3600.0 * point.flow_m3_per_s,
        "pressure_drop_pa": point.pressure_drop_pa,
        "reynolds": point.reynolds,
        "film_w_per_m2_k": point.film_w_per_m2_k,
        "fin_efficiency": point.fin_efficiency,
        "fan_k_per_w": point.k_per_w,
    }


def hot_side_object(part: HotSide) -> Object:
    """Return the hot side of a check."""
    fins = None if part.fins is None else fins_object(part.fins)
    return (
        {
            "fan_k_per_w": part.fan_k_per_w,
            "no_fan_k_per_w": part.no_fan_k_per_w,
            "fan_flow_m3_per_h": part.fan_flow_m3_per_h,
        }
        | or_why("fins", fins, "hot_sink.fins is not stated")
        | {
            "ambient_c": part.ambient_c,
            "scans": [scan_object(scan) for scan in part.scans],
            "holding": [
                {"duty": item.point.duty, "branch": item.branch, "stable": item.stable,
                 "fall_k": item.gain_k,
                 "hot_sink_c_mean": item.point.hot_sink_k - ZERO_C_K,
                 "plug_w": item.point.plug_w}
                for item in part.holding
            ],
            "heat_soak": heat_soak_object(part.heat_soak),
        }
    )  # fmt: skip


def scan_object(scan: Scan) -> Object:
    """Return the steady states of the hot side at one duty and state of its fan."""
    return {
        "fan": scan.fan,
        "duty": scan.duty,
        "runs_away": scan.runs_away,
        "from_c": scan.from_k - ZERO_C_K,
        "to_c": scan.to_k - ZERO_C_K,
        "branches": [
            {"branch": item.branch, "stable": item.stable,
             "hot_sink_c_mean": item.point.hot_sink_k - ZERO_C_K,
             "contents_c_mean": item.point.contents_k - ZERO_C_K,
             "slowest_s": item.slowest_s}
            for item in scan.branches
        ],
    }  # fmt: skip


def heat_soak_object(soak: HeatSoak) -> Object:
    """Return the heat soaked back after switch-off."""
    values: Object = {}
    for key, value in asdict(soak).items():
        why = f"the fan is wired {soak.fan_wiring}: it knows no run-on"
        values |= or_why(key, value, "not in an hour" if key == "near_room_s" else why)
    return values


def cold_side_object(row: ColdSide) -> Object:
    """Return the cold side with the inside fan on or stopped."""
    values: Object = {}
    for key, value in asdict(row).items():
        values |= or_why(key, value, "no steady state: the hot side runs away")
    return values

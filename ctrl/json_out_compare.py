"""What `compare --json` and `thermostat --json` print."""

from dataclasses import asdict
from math import isfinite
from typing import Any

from ctrl.bands import BandPoint, Seen
from ctrl.comparison import CannotTell, Compared, Comparison, lacks
from ctrl.config import Config
from ctrl.json_out import Object, findings_object, ice_object, settings_object
from ctrl.json_out_aim import aim_object
from ctrl.switching_cycle import Cycle
from ctrl.trade_off import PlacePoint, TradeOff

NO_CONTACTS = "no contacts that wear"


def _or_why(key: str, value: Any, reason: str) -> Object:
    return {key: value} if value is not None else {key: None, f"{key}_reason": reason}


def _head(command: str, config: Config, version: str) -> Object:
    return {
        "command": command,
        "version": version,
        "config": config.source,
        "cabinet": config.cabinet.name,
        "target_c": config.use.target_c,
    }


def compared_object(config: Config, item: Compared) -> Object:
    """Return one law with what it does."""
    candidate, found = item.candidate, item.findings
    return (
        {
            "controller": candidate.controller,
            "drive": candidate.drive,
            "fits": candidate.fits,
            "settings": settings_object(candidate.settings),
            "settings_decided_by": candidate.decided_by,
            "note": candidate.note,
            "lacks": lacks(config, item),
            "findings": findings_object(config, found),
            "ice": ice_object(item.ice),
        }
        | _or_why("pull_down_h", found.pull_down_h, found.pull_down_reason or "not reached")
        | _or_why("relay_life_years", item.relay_life_years, NO_CONTACTS)
        | {
            "cycles_per_hour": item.cycles_per_hour,
            "cycles_per_day": item.cycles_per_day,
            "module_span_k": item.module_span_k,
            "module_peak_c": item.module_peak_c,
        }
    )


def of_comparison(found: Comparison, version: str) -> Object:
    """Return what `compare --json` prints."""
    config = found.config
    return _head("compare", config, version) | {
        "days": found.days,
        "seed": found.seed,
        "ambient_c": config.climate.usual_c,
        "verdict": found.verdict,
        "cannot_tell": [_cannot_tell(x) for x in found.cannot_tell],
        "controllers": [compared_object(config, item) for item in found.items],
        "left_out": [{"controller": x.controller, "reason": x.note} for x in found.left_out],
    }


def _cannot_tell(found: CannotTell) -> Object:
    laws = [{"controller": x.candidate.controller, "drive": x.candidate.drive} for x in found.items]
    return {"quantity": found.quantity, "controllers": laws, "reason": found.reason}


def _cycle(found: Cycle | None) -> Object | None:
    if found is None:
        return None
    return {
        "cycle_s": found.period_s,
        "run_share": found.run_share,
        "swing_k": found.air_swing_k,
        "contents_cycle_k": found.contents_swing_k,
        "cycles_per_hour": found.cycles_per_hour,
    }


def _seen(found: Seen) -> Object:
    values = asdict(found)
    period_s = values.pop("period_s")
    values |= _or_why("cycle_s", period_s if isfinite(period_s) else None, "it never switches")
    values["swing_k"] = values.pop("air_swing_k")
    values["contents_cycle_k"] = values.pop("contents_swing_k")
    values["contents_swing_k"] = values.pop("contents_range_k")
    values["cycles_per_day"] = 24.0 * found.cycles_per_hour
    return values


def _band(point: BandPoint) -> Object:
    none = "no repeating cycle is predicted"
    return (
        {"hysteresis_k": point.hysteresis_k}
        | _or_why("predicted", _cycle(point.guess), none)
        | {"simulated_calm": _seen(point.calm), "simulated": _seen(point.usual)}
        | _or_why("cycle_deviation_pct", _percent(point.period_deviation), none)
        | _or_why("swing_deviation_pct", _percent(point.swing_deviation), none)
        | _or_why("relay_life_years", point.relay_life_years, NO_CONTACTS)
    )


def _percent(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


def _place(item: PlacePoint) -> Object:
    return {
        "place": item.place,
        "hysteresis_k": item.hysteresis_k,
        "setpoint_c": item.setpoint_c,
        "settings_decided_by": item.decided_by,
        "simulated": _seen(item.usual),
    } | _or_why("relay_life_years", item.relay_life_years, NO_CONTACTS)


def of_trade_off(found: TradeOff, version: str) -> Object:
    """Return what `thermostat --json` prints."""
    return (
        _head("thermostat", found.config, version)
        | {
            "setpoint_c": found.setpoint_c,
            "ambient_c": found.config.climate.usual_c,
            "seed": found.seed,
            "lacks": found.lack,
            "aim": aim_object(found.aim),
            "recommended": _band(found.chosen)
            | {"min_on_s": found.min_on_s, "min_off_s": found.min_off_s},
            "settings_decided_by": found.decided_by,
            "bands": [_band(point) for point in found.points],
            "places": [_place(item) for item in found.places],
        }
        | _plan(found)
    )


def of_no_thermostat(config: Config, why: str, version: str) -> Object:
    """Return what `thermostat --json` prints where there is nothing to cool."""
    return _head("thermostat", config, version) | {
        "ambient_c": config.climate.usual_c,
        "lacks": why,
        "recommended": None,
        "recommended_reason": why,
    }


def _plan(found: TradeOff) -> Object:
    if found.plan is None or found.bare is None:
        why = found.no_defrost
        return {
            "defrost": None, "defrost_reason": why,
            "without_defrost": None, "without_defrost_reason": why,
        }  # fmt: skip
    return {
        "defrost": {"kind": found.plan.kind, "interval_h": found.plan.interval_h},
        "without_defrost": _place(found.bare),
    }

"""What `compare --json` and `thermostat --json` print."""

from dataclasses import asdict
from math import isfinite

from ctrl.bands import BandPoint, Seen
from ctrl.comparison import CannotTell, Compared, Comparison, lacks
from ctrl.config import Config
from ctrl.json_out import findings_object, ice_object, settings_object
from ctrl.json_out_aim import aim_object
from ctrl.json_out_base import Object, opening, or_why
from ctrl.linked import Stop
from ctrl.switching_cycle import Cycle
from ctrl.trade_off import PlacePoint, TradeOff

NO_CONTACTS = "no contacts that wear"
RAN = "it ran to the end"


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
        | or_why("pull_down_h", found.pull_down_h, found.pull_down_reason or "not reached")
        | or_why("relay_life_years", item.relay_life_years, NO_CONTACTS)
        | {
            "cycles_per_hour": item.cycles_per_hour,
            "cycles_per_day": item.cycles_per_day,
            "module_span_k": item.module_span_k,
            "module_peak_c": item.module_peak_c,
        }
    )


def stop_object(stop: Stop | None) -> Object:
    """Return when and why a maker's controller was no longer asked."""
    if stop is None:
        return {
            "stopped_at_h": None,
            "stopped_at_h_reason": RAN,
            "stopped_by": None,
            "stopped_by_reason": RAN,
        }
    return {"stopped_at_h": stop.at_s / 3600.0, "stopped_by": stop.words}


OWN_SETTINGS = "they are in the maker's own file"
FIGURES = ("findings", "ice", "cycles_per_day", "module_span_k", "module_peak_c")


def yours_object(config: Config, item: Compared) -> Object:
    """Return the maker's row: as a law's, without settings; no figures of one that stopped."""
    found = compared_object(config, item)
    found |= {"settings": None, "settings_reason": OWN_SETTINGS}
    if item.stop is not None:
        for key in (*FIGURES, "pull_down_h", "relay_life_years"):
            found |= {key: None, f"{key}_reason": item.stop.told}
    return found | {"controller_file": item.source} | stop_object(item.stop)


def of_comparison(found: Comparison, version: str) -> Object:
    """Return what `compare --json` prints."""
    config = found.config
    yours = found.yours
    rows = [compared_object(config, item) for item in found.items]
    if yours is not None:
        rows.append(yours_object(config, yours))
    whole = _comparison_object(found, rows, version)
    return whole if yours is None else whole | {"verdict_of_yours": found.yours_words}


def _comparison_object(found: Comparison, rows: list[Object], version: str) -> Object:
    config = found.config
    return opening("compare", config, version) | {
        "days": found.days,
        "seed": found.seed,
        "ambient_c": config.climate.usual_c,
        "verdict": found.verdict,
        "cannot_tell": [_cannot_tell(x) for x in found.cannot_tell],
        "controllers": rows,
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
    values |= or_why("cycle_s", period_s if isfinite(period_s) else None, "it never switches")
    values["swing_k"] = values.pop("air_swing_k")
    values["contents_cycle_k"] = values.pop("contents_swing_k")
    values["contents_swing_k"] = values.pop("contents_range_k")
    values["cycles_per_day"] = 24.0 * found.cycles_per_hour
    return values


def _band(point: BandPoint) -> Object:
    none = "no repeating cycle is predicted"
    return (
        {"hysteresis_k": point.hysteresis_k}
        | or_why("predicted", _cycle(point.guess), none)
        | {"simulated_calm": _seen(point.calm), "simulated": _seen(point.usual)}
        | or_why("cycle_deviation_pct", _percent(point.period_deviation), none)
        | or_why("swing_deviation_pct", _percent(point.swing_deviation), none)
        | or_why("relay_life_years", point.relay_life_years, NO_CONTACTS)
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
    } | or_why("relay_life_years", item.relay_life_years, NO_CONTACTS)


def of_trade_off(found: TradeOff, version: str) -> Object:
    """Return what `thermostat --json` prints."""
    return (
        opening("thermostat", found.config, version)
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
    return opening("thermostat", config, version) | {
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

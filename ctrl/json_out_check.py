"""What `check --json` prints, and `check --evidence --json`."""

from dataclasses import asdict

from ctrl.check import Check, SensorValues
from ctrl.evidence import Evidence
from ctrl.json_out import cold_side_object, hot_side_object, limit_object
from ctrl.json_out_base import Object, opening, or_why


def _sensor(item: SensorValues) -> Object:
    values = asdict(item)
    for key in ("table_error_k", "table_error_at_c"):
        values |= or_why(key, values[key], "no table is looked at: digital, or the room's")
    return values


def of_check(found: Check, version: str) -> Object:
    """Return what `check --json` prints."""
    out_of_reach = "the target is out of reach in this room"
    capabilities = []
    for item in found.capabilities:
        values = asdict(item)
        for key in ("duty", "plug_w", "hot_sink_c_mean"):
            values |= or_why(key, values.pop(key), out_of_reach)
        capabilities.append(values)
    currents = asdict(found.currents)
    currents["limits"] = [limit_object(item) for item in found.currents.limits]
    currents |= or_why("fuse_wanted_a", currents.pop("fuse_wanted_a"), "above 40 A")
    keys = []
    for row in found.keys:
        values = asdict(row)
        keys.append(values | or_why("value", values.pop("value"), row.origin))
    return opening("check", found.config, version) | {
        "heat_leak_w_per_k": found.heat_leak_w_per_k,
        "heat_leak_parts": [
            {"part": part, "ua_w_per_k": ua} for part, ua in found.heat_leak_parts_w_per_k.items()
        ],
        "module": asdict(found.module),
        "capabilities": capabilities,
        "duty_limit": found.duty_limit.duty,
        "duty_limit_decided_by": found.duty_limit.decided_by,
        "duty_limit_risk": found.duty_limit.risk,
        "duty_limits": [
            {"name": name, "duty": duty} for name, duty in found.duty_limit.candidates.items()
        ],
        "time_constants": [
            {"part": part, "time_constant_s": tau} for part, tau in found.time_constants_s.items()
        ],
        "time_constants_duty": found.time_constants_duty,
        "currents": currents,
        "sensors": [_sensor(item) for item in found.sensors],
        "energy_boundary": found.energy_boundary,
        "keys": keys,
        "hot_side": hot_side_object(found.hot_side),
        "contents": asdict(found.contents),
        "outside": [asdict(item) for item in found.outside],
        "cold_side": [cold_side_object(item) for item in found.cold_side],
    }


# Outside checks ------------------------------------------------------------------------


def of_evidence(found: Evidence, version: str) -> Object:
    """Return what `check --evidence --json` prints; numbers of checks unrounded."""
    return {
        "command": "check",
        "version": version,
        "kept": found.kept,
        "checks": [
            asdict(row) | {"deviation": row.deviation, "kept": row.kept} for row in found.rows
        ],
        "absent_libraries": list(found.absent),
    }

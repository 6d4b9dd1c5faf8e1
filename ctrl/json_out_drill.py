"""What `drill --json` prints."""

from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite

from ctrl.config import Config
from ctrl.drill_devices import DeviceSpec
from ctrl.drill_results import DeviceFound, DrillResult, LimitFound, Moving, PassLine, RunFound
from ctrl.flashed import Flashed
from ctrl.json_out_base import Object, opening, or_why

NOT_SILENT = "no limit was exceeded without an alarm, but by what was loaded warm"


def of_drills(
    config: Config,
    flashed: Flashed,
    devices: Sequence[DeviceSpec],
    results: Sequence[DrillResult],
    seed: int,
    version: str,
    controller_file: str | None = None,
) -> Object:
    """Return what `drill --json` prints."""
    settings = flashed.settings
    own = {
        "controller": settings.controller,
        "setpoint_c": settings.setpoint_c,
        "settings_origin": flashed.origin,
        "defrost_origin": flashed.defrost_origin,
    }
    unsound = dict.fromkeys(words for item in results for words in item.unsound)
    failed = [item.name for item in results if not item.passed]
    return (
        opening("drill", config, version)
        | (own if controller_file is None else {"controller_file": controller_file})
        | {
            "passed": not failed,
            "failed_drills": failed,
            "unsound": list(unsound),
            "devices": [
                {"device": item.name, "fitted_device": item.fitted,
                 "counted_device": item.counted}
                | or_why("opens_c", item.opens_c, "it opens by the firmware's alarm and reading")
                | {"words": item.words}
                for item in devices
            ],
            "drills": [_drill(item) for item in results],
            "seed": seed,
        }
    )  # fmt: skip


def _drill(found: DrillResult) -> Object:
    return {
        "name": found.name,
        "fault": found.fault,
        **or_why("pass_line", found.pass_line or None, found.skipped or ""),
        "passed": found.passed,
        **or_why("skipped", found.skipped, "it was run"),
        "drill_runs": [_run(item) for item in found.runs],
    }


def _run(run: RunFound) -> Object:
    return {
        "name": run.name,
        "room": run.room,
        "ambient_c": run.ambient_c,
        "run_pass_line": _pass_line(run.pass_line),
        "supply_v": run.supply_v,
        "judged": run.judged,
        **or_why("passed", run.passed if run.judged else None, "not judged"),
        "kept_alone": run.kept_alone,
        "missed": list(run.lacks),
        "first_minutes": [asdict(item) for item in run.first_minutes],
        "limits": [_limit(item) for item in run.limits],
        "firmware_steps": [asdict(item) for item in run.steps],
        "final_state": run.final_state,
        **or_why("alarm_after_s", run.alarm_after_s, "no alarm came"),
        "warning_shown": run.warning_shown,
        **or_why("silent_limit", run.silent and run.silent.limit, NOT_SILENT),
        **or_why("silent_reading_c", run.silent and run.silent.reading_c, NOT_SILENT),
        "latched": run.latched,
        "tried_devices": [_device(item) for item in run.devices],
        "saved_by": list(run.saved_by),
        "would_save": list(run.would_save),
        **or_why("food_warm_h", run.food_warm_h, "the contents are not food"),
        "contents_c_end": run.contents_c_end,
        "watched_h": run.watched_h,
        "not_settled": [_moving(item) for item in run.moving],
        **or_why("left_model", run.left_model, "it stayed within the model"),
    }


def _moving(item: Moving) -> Object:
    known = item.rest_k if isfinite(item.rest_k) else None
    return {
        "column": item.column,
        "rate_k_per_h": item.rate_k_per_h,
        **or_why("rest_k", known, "not yet slowing down"),
    }


def _pass_line(line: PassLine) -> str:
    return line.words


def _limit(item: LimitFound) -> Object:
    return {
        "name": item.name,
        "value": item.value,
        "limit": item.limit,
        "stated_limit": item.stated,
        "sound_value": item.sound_value,
        "unit": item.unit,
        "worst_min": item.worst_min,
        **or_why("exceeded_min", item.exceeded_min, "it was kept"),
        "in_pass_line": item.in_pass_line,
    }


def _device(item: DeviceFound) -> Object:
    return {
        "device": item.device,
        "fitted_device": item.fitted,
        "counted_device": item.counted,
        **or_why("opens_min", item.opens_min, "; ".join(item.broken)),
        "keeps_limits": item.keeps,
        "broken": list(item.broken),
    }

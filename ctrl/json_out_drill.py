"""What `drill --json` prints."""

from collections.abc import Sequence
from dataclasses import asdict

from ctrl.config import Config
from ctrl.drill_devices import DeviceSpec
from ctrl.drill_results import DeviceFound, DrillResult, LimitFound, PassLine, RunFound
from ctrl.flashed import Flashed
from ctrl.json_out import Object, _head, _or_why


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
        _head("drill", config, version)
        | (own if controller_file is None else {"controller_file": controller_file})
        | {
            "passed": not failed,
            "failed_drills": failed,
            "unsound": list(unsound),
            "devices": [
                {"device": item.name, "fitted_device": item.fitted,
                 "counted_device": item.counted}
                | _or_why("opens_c", item.opens_c, "it opens by the firmware's alarm and reading")
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
        "pass_line": found.pass_line,
        "passed": found.passed,
        **_or_why("skipped", found.skipped, "it was run"),
        "drill_runs": [_run(item) for item in found.runs],
    }


def _run(run: RunFound) -> Object:
    return {
        "name": run.name,
        "room": run.room,
        "ambient_c": run.ambient_c,
        "run_pass_line": _pass_line(run.pass_line),
        "passed": run.passed,
        "kept_alone": run.kept_alone,
        "missed": list(run.lacks),
        "first_minutes": [asdict(item) for item in run.first_minutes],
        "limits": [_limit(item) for item in run.limits],
        "firmware_steps": [asdict(item) for item in run.steps],
        "final_state": run.final_state,
        **_or_why("alarm_after_s", run.alarm_after_s, "no alarm came"),
        "latched": run.latched,
        "tried_devices": [_device(item) for item in run.devices],
        "saved_by": list(run.saved_by),
        "would_save": list(run.would_save),
        **_or_why("food_warm_h", run.food_warm_h, "the contents are not food"),
        "contents_c_end": run.contents_c_end,
        "watched_h": run.watched_h,
        **_or_why("left_model", run.left_model, "it stayed within the model"),
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
        **_or_why("passed_min", item.passed_min, "it was kept"),
        "in_pass_line": item.in_pass_line,
    }


def _device(item: DeviceFound) -> Object:
    return {
        "device": item.device,
        "fitted_device": item.fitted,
        "counted_device": item.counted,
        **_or_why("opens_min", item.opens_min, "; ".join(item.broken)),
        "keeps_limits": item.keeps,
        "broken": list(item.broken),
    }

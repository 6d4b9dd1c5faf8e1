"""What `simulate --controller-c --json` prints, and `recommend` of the maker's code."""

from collections.abc import Sequence

from ctrl.cases import Limit
from ctrl.json_out import case_object, findings_object, limit_object, settings_object
from ctrl.json_out_base import Object, or_why
from ctrl.json_out_compare import stop_object
from ctrl.maker_rooms import MakerRoom, MakerRooms, ours_words
from ctrl.maker_trial import MakerTrial
from ctrl.simulation import Simulation


def of_maker_trial(found: MakerTrial, version: str) -> Object:
    """Return the maker's run and ours, with what stopped the maker's."""
    config = found.config
    head: Object = {
        "command": "simulate",
        "version": version,
        "config": config.source,
        "cabinet": config.cabinet.name,
        "target_c": config.use.target_c,
        "drive": config.drive.kind,
        "days": found.ours.days,
        "seed": found.ours.seed,
        "controller_file": found.source,
        "behind_protections": found.protected,
    }
    return (head | stop_object(found.stop)) | {
        "run_maker": _run(found.maker, found.maker_limits),
        "run_ours": {
            "controller": found.ours.settings.controller,
            "settings_from": found.ours_from,
            "settings": settings_object(found.ours.settings),
        }
        | _run(found.ours, found.our_limits),
    }


def _run(run: Simulation, limits: Sequence[Limit]) -> Object:
    found = run.findings
    values = findings_object(run.config, found) | {"pull_down_h": found.pull_down_h}
    if found.pull_down_h is None:
        values["pull_down_h_reason"] = found.pull_down_reason or "not reached"
    values["state_shares"] = [{"name": n, "share": share} for n, share in run.state_shares]
    values["reason_shares"] = [{"name": n, "share": share} for n, share in run.reason_shares]
    return values | {"limits": [limit_object(item) for item in limits]}


def maker_rooms_object(found: MakerRooms) -> Object:
    """Return the maker's code in the rooms of a recommendation, and what ours changes there."""
    return {
        "yours": {
            "controller_file": found.source,
            "cases": [_room(found, room) for room in found.rooms],
            "flashing_ours": ours_words(found),
        }
    }


def _room(found: MakerRooms, room: MakerRoom) -> Object:
    whole = case_object(found.config, room.theirs)
    if room.stop is not None:  # what was seen before and after the stop says nothing
        named = ("name", "ambient_c", "relative_humidity_pct")
        whole = {key: whole[key] for key in named} | {"reason": room.stop.told}
    none = "it stopped" if room.stop is not None else "not reached by both"
    changes = [
        {"quantity": item.name, "unit": item.unit, "with_ours": item.ours}
        | or_why("change_with_ours", item.by, none)
        for item in room.changes
    ]
    return whole | stop_object(room.stop) | {"beside_ours": changes}

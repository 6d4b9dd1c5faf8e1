"""What `simulate --controller-c --json` prints."""

from collections.abc import Sequence

from ctrl.cases import Limit
from ctrl.json_out import Object, findings_object, limit_object, settings_object
from ctrl.maker_trial import MakerTrial
from ctrl.simulation import Simulation


def of_maker_trial(found: MakerTrial, version: str) -> Object:
    """Return the maker's run and ours, with what stopped the maker's."""
    config, stop = found.config, found.stop
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
        "stopped_at_h": None if stop is None else stop.at_s / 3600.0,
        "stopped_by": None if stop is None else stop.words,
    }
    if stop is None:
        head["stopped_at_h_reason"] = "it ran to the end"
    return head | {
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

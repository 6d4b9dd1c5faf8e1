"""Small things that several tests of the drills share: cabinets, one run, its rows."""

from ctrl.config import build_config, load_config, plain_data
from ctrl.drill_list import DRILLS
from ctrl.drill_results import Plan
from ctrl.drills import bench_of, plan_of, run_plan
from ctrl.firmware import settings_of
from ctrl.record import INDEX

CONFIG = load_config("benchmark")  # PI with stated settings: nothing to tune
SETTINGS = settings_of(CONFIG)


def changed(**tables):
    """Return the benchmark with some keys changed; None takes a table away."""
    data = plain_data(CONFIG)
    for table, keys in tables.items():
        if keys is None:
            data.pop(table, None)
        else:
            data[table] = {**data.get(table, {}), **keys}
    return build_config(data, "changed")


def run_of(results, drill, part):
    """Return the run of a drill whose name has `part` in it: of several rooms the first."""
    return next(run for run in results[drill].runs if part in run.name)


def limit_of(run, name):
    (found,) = (item for item in run.limits if item.name == name)
    return found


def rows(run, column, low_s, high_s):
    """Return (seconds from the fault, values) of a column between two times after it."""
    after = run.table[:, INDEX["time_s"]] - run.fault_s
    chosen = (after >= low_s) & (after <= high_s)
    return after[chosen], run.table[chosen, INDEX[column]]


def slow_larder(**use):
    """Two dozen bottles, whose rest after 36 h is worth tenths of a kelvin."""
    data = plain_data(load_config("galley_larder"))
    data["controller"] = {
        "kind": "pi", "kp_pct_per_k": 42.0, "ti_s": 155.0, "setpoint_c": 7.8, "period_s": 1.0,
    }  # fmt: skip
    data["defrost"] = {"kind": "none"}
    data["contents"]["count"] = 24
    data["climate"]["usual_c"] = 18.5
    data["use"].update(use)
    return build_config(data, "slow")


def one_run(config, name, room, volts=None):
    """Return one run of a drill alone."""
    bench = bench_of(config, settings_of(config))
    (scenario,) = (
        item
        for item in plan_of(bench, DRILLS[name]).scenarios
        if (item.room, item.volts) == (room, volts)
    )
    return run_plan(bench, Plan(name, "", (scenario,))).runs[0]

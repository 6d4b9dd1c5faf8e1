"""Runs with a purpose: settled days, pull-down, hold-over."""

from dataclasses import dataclass

import numpy as np

from ctrl.capability import Coldest, duty_for, sensed_k
from ctrl.config import Config
from ctrl.controllers import Outside, controller_of, law_preload
from ctrl.findings import DAY_S, days_agree
from ctrl.firmware import Firmware
from ctrl.loop import Loop
from ctrl.outside_loop import loop_around
from ctrl.record import Record
from plant import cabinet
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

ROW_S = 20.0  # spacing of the rows that findings read
MOST_DAYS = 8


def warm_state(plant: Plant, config: Config) -> np.ndarray:
    """Return the state, shape (STATES,), of a cabinet at room temperature just loaded."""
    climate = plant.climate
    state = cabinet.uniform_state(plant, climate.mean_k, climate.humidity_ratio)
    record = cabinet.to_record(plant)
    cabinet.set_contents(record, state, config.contents.start_c + ZERO_C_K)
    return state


def steady_state(plant: Plant, point: Operating) -> np.ndarray:
    """Return the plant's state at a steady point, its contents with their freezing plateau."""
    state = point.state.copy()
    record = cabinet.to_record(plant)
    cabinet.set_contents(record, state, point.contents_k)
    state[cabinet.CONTROL_SENSOR] = point.air_k
    state[cabinet.HOT_SENSOR] = point.hot_sink_k
    state[cabinet.COLD_SENSOR] = point.cold_sink_k
    state[cabinet.HEAT_IN :] = 0.0
    return state


def nearest_point(plant: Plant, contents_k: float, coldest: Coldest) -> Operating:
    """Return the steady point that holds `contents_k` [K], or the coldest where none does."""
    ambient_k = plant.climate.mean_k
    return duty_for(plant, ambient_k, contents_k, coldest) or coldest.point


@dataclass(frozen=True)
class Settled:
    """The last two days of a run that was followed until it repeats, and the loop to go on with."""

    record: Record
    loop: Loop
    days: int


def loop_at(
    plant: Plant,
    firmware: Firmware,
    start: Operating,
    *,
    seed: int = 1,
    run: int = 0,
    start_s: float = 0.0,
    outside: Outside | None = None,
) -> Loop:
    """Return a loop that starts from a steady point, its controller at that point's duty.

    `start_s` is its first tick's time from midnight [s].  A firmware from `outside` starts
    from its power-up: nothing of it can be set.
    """
    state = steady_state(plant, start)
    loop = loop_around(plant, firmware, state, outside, seed=seed, run=run, start_s=start_s)
    law_preload(
        controller_of(firmware.law).kind, firmware.law.to_words(), loop.law_state,
        _reading_c100(plant, start), round(start.duty * 1000),
    )  # fmt: skip
    return loop


def run_settled(
    plant: Plant,
    firmware: Firmware,
    start: Operating,
    *,
    seed: int = 1,
    run: int = 0,
    most_days: int = MOST_DAYS,
    outside: Outside | None = None,
) -> Settled:
    """Run from an estimated periodic state until two days agree, at most `most_days` days.

    The controller starts from the duty of the estimate, so that no wind-up has to settle.
    """
    loop = loop_at(plant, firmware, start, seed=seed, run=run, outside=outside)
    before = loop.run(DAY_S, ROW_S)
    for day in range(2, most_days + 1):
        last = loop.run(DAY_S, ROW_S)
        if days_agree(last, before.table, last.table):
            break
        if day < most_days:
            before = last
    both = Record(
        table=np.concatenate([before.table, last.table]),
        tick_s=last.tick_s,
        row_s=last.row_s,
        start_state=before.start_state,
        end_state=last.end_state,
        energy_residual_rel=max(before.energy_residual_rel, last.energy_residual_rel, key=abs),
        water_residual_rel=max(before.water_residual_rel, last.water_residual_rel, key=abs),
        seed=seed,
        run=run,
    )
    return Settled(both, loop, day)


def _reading_c100(plant: Plant, point: Operating) -> int:
    return round(100.0 * (sensed_k(plant, point) - ZERO_C_K))


def pull_down(
    plant: Plant,
    config: Config,
    firmware: Firmware,
    *,
    seed: int = 1,
    most_days: int = 4,
    outside: Outside | None = None,
) -> Record:
    """Return the record from loading a warm cabinet until the contents are cold, or some days."""
    use = config.use
    loop = loop_around(plant, firmware, warm_state(plant, config), outside, seed=seed)
    parts = []
    for _ in range(most_days):
        part = loop.run(DAY_S, ROW_S)
        parts.append(part.table)
        if np.min(part["contents_c"]) <= use.target_c + use.target_tolerance_k:
            break
    return Record(
        np.concatenate(parts), part.tick_s, part.row_s, part.start_state, part.end_state,
        part.energy_residual_rel, part.water_residual_rel, part.seed, part.run,
    )  # fmt: skip


def hold_over_h(loop: Loop, limit_c: float, most_h: float = 72.0) -> float | None:
    """Return the hours after a power loss until the contents pass `limit_c` [°C], or None.

    Everything stops: module, both fans, firmware.  The loop is used up by this.
    """
    contents_k = cabinet.contents_temperature(cabinet.to_record(loop.plant), loop.state)
    if contents_k - ZERO_C_K > limit_c:
        return 0.0
    record = loop.run(most_h * 3600.0, 60.0, powered=False)
    passed = np.flatnonzero(record["contents_c"] > limit_c)
    if passed.size == 0:
        return None
    return float((passed[0] + 1) * record.row_s / 3600.0)

"""Heat that comes back through the module after switch-off, and how long the fan should run on.

The fan carries off what the hot sink has stored.  Once the sink is as cold as the room a
longer run-on costs: a still sink falls below the room and insulates, a blown one does not.
"""

from dataclasses import dataclass
from math import ceil

import numpy as np

from ctrl.capability import fans_at
from ctrl.loop import NotFinite
from plant import cabinet, heat_sinks, integrate, steady
from plant.cabinet import Plant
from plant.steady import Operating

# Common practice: run on until the hot sink is within 3 to 5 K of the room (from memory).
NEAR_ROOM_K = 4.0
WATCHED_S = 3600.0
LONGEST_RUN_ON_S = 3600.0


@dataclass(frozen=True)
class HeatSoak:
    """Heat through the switched-off module into the cabinet within an hour [J].

    With the fan stopped at once, with the stated and with the best run-on, and with a fan
    that never stops.  `near_room_s` is the time from switch-off until the blown hot sink
    stands within 4 K of the room (None: not in an hour), `best_run_on_s` the run-on that lets
    least heat back, both in whole 10 s [s]; `fan_j` is what the fan draws in the latter.  All
    that speaks of a run-on is None where the fan's wiring knows none.  A heat below 0 left.
    """

    back_without_j: float
    back_with_stated_j: float | None
    back_with_best_j: float | None
    back_always_j: float
    stated_run_on_s: float | None
    near_room_s: float | None
    best_run_on_s: float | None
    fan_j: float | None
    fan_wiring: str


def heat_soak_of(plant: Plant, point: Operating, stated_run_on_s: float) -> HeatSoak:
    """Return the heat soaked back after switching off at a steady point.

    Parameters
    ----------
    plant : Plant
    point : Operating
        Where the module runs until then.
    stated_run_on_s : float
        The config's fan run-on [s].
    """
    switched = plant.hot_sink.fan_wiring == heat_sinks.OWN_SWITCH
    best_s = best_run_on_s(plant, point) if switched else None
    return HeatSoak(
        back_without_j=heat_back_j(plant, point, 0.0),
        back_with_stated_j=heat_back_j(plant, point, stated_run_on_s) if switched else None,
        back_with_best_j=None if best_s is None else heat_back_j(plant, point, best_s),
        back_always_j=heat_back_j(plant, point, WATCHED_S),
        stated_run_on_s=stated_run_on_s if switched else None,
        near_room_s=near_room_s(plant, point),
        best_run_on_s=best_s,
        fan_j=None if best_s is None else plant.hot_sink.fan_w * best_s,
        fan_wiring=WIRING_WORDS.get(plant.hot_sink.fan_wiring, "stopped"),
    )


WIRING_WORDS = {code: word for word, code in heat_sinks.FAN_WIRINGS.items()}


def _off(plant: Plant, point: Operating) -> tuple[np.record, np.ndarray, np.ndarray]:
    record = cabinet.to_record(steady.without_freezing(plant))
    inputs = point.inputs.copy()
    inputs[cabinet.DUTY] = 0.0
    inputs[cabinet.COLD_FAN] = fans_at(plant, 0.0)[1]
    return record, point.state.copy(), inputs


def heat_back_j(plant: Plant, point: Operating, run_on_s: float) -> float:
    """Return the heat [J] that passes the idle module inwards in the hour after switch-off."""
    record, state, inputs = _off(plant, point)
    work, hint = integrate.work_array(), integrate.LONGEST_STEP_S
    before = state[cabinet.MODULE_COOLING]
    for duration_s, fan in ((min(run_on_s, WATCHED_S), 1.0), (WATCHED_S - run_on_s, 0.0)):
        inputs[cabinet.HOT_FAN] = fan
        if duration_s > 0.0:
            hint = integrate.advance(record, state, inputs, duration_s, hint, work)
    if hint < 0.0:
        raise NotFinite("the hour after switch-off: the hot side changes too fast to follow")
    return float(before - state[cabinet.MODULE_COOLING])


def best_run_on_s(plant: Plant, point: Operating) -> float:
    """Return the run-on that lets least heat back in the hour [s], to 10 s.

    The heat falls with run-on, then rises: the search halves its step about the lowest.
    """
    best_s, step_s = 160.0, 160.0
    heat = {best_s: heat_back_j(plant, point, best_s)}
    while step_s >= 10.0:
        for tried_s in (best_s - step_s, best_s + step_s):
            if 0.0 <= tried_s <= LONGEST_RUN_ON_S and tried_s not in heat:
                heat[tried_s] = heat_back_j(plant, point, tried_s)
        lowest_s = min(heat, key=lambda s: heat[s])
        if lowest_s == best_s:
            step_s *= 0.5
        best_s = lowest_s
    return best_s


def near_room_s(plant: Plant, point: Operating) -> float | None:
    """Return how long after switch-off the fan brings the hot sink within 4 K of the room [s].

    None where it takes more than an hour.
    """
    record, state, inputs = _off(plant, point)
    inputs[cabinet.HOT_FAN] = 1.0
    work, hint = integrate.work_array(), integrate.LONGEST_STEP_S
    time_s = 0.0
    while state[cabinet.HOT_SINK] - point.ambient_k > NEAR_ROOM_K:
        if time_s >= LONGEST_RUN_ON_S:
            return None
        hint = integrate.advance(record, state, inputs, 1.0, hint, work)
        time_s += 1.0
    return 10.0 * ceil(time_s / 10.0 - 1e-9)

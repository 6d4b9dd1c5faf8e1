"""Steady states of the hot side, which of them last, and what a failed hot fan does.

Two questions with two answers.  At one duty: where can the hot sink come to rest?  Under a
thermostat: which duties hold the target?  A cold side that more duty no longer cools is on
the runaway branch: a thermostat that asks for more there only heats.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.capability import LEAST_DUTY, at_duty, fans_at, flashed_coldest
from ctrl.config import Config
from ctrl.firmware import Settings, firmware_of
from ctrl.linearise import LinearPlant, linear_plant, steady_gain_k_per_duty, time_constants_s
from ctrl.record import Record
from ctrl.trial import loop_at, nearest_point
from plant import cabinet, heat_sinks, steady
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState, Operating

HELD_J_PER_K = 1e30  # a hot sink of this capacity stays at its temperature while all else settles
BELOW_ROOM_K = 20.0
SCAN_STEP_K = 8.0
END_K = 0.05  # how near to the end of what settles the scan goes
ROOT_K = 1e-6
DUTIES = 26
COOLING, RUNAWAY, IDLE = "cooling", "runaway", "idle"


@dataclass(frozen=True)
class Branch:
    """A steady state at one duty, found by the hot sink's heat balance.

    `slowest_s` is the time constant of the slowest mode [s]; below 0 it grows, and the state
    does not last.  `branch` tells whether a little more duty still cools the contents, or
    that the module idles.
    """

    point: Operating
    fan: str
    stable: bool
    slowest_s: float
    branch: str


@dataclass(frozen=True)
class Scan:
    """Every steady state at a duty and one state of the hot fan, and how far it was looked.

    From `from_k` to `to_k` [K] of the hot sink; `gains_at_end_w` is what the sink gains at the
    upper end [W]: above 0 it goes on warming from there.
    """

    duty: float
    fan: str
    branches: tuple[Branch, ...]
    from_k: float
    to_k: float
    gains_at_end_w: float

    @property
    def runs_away(self) -> bool:
        """Whether the hot sink has nowhere to come to rest."""
        return not self.branches


def heat_gained_w(
    plant: Plant, hot_sink_k: float, inputs: np.ndarray, start: np.ndarray
) -> tuple[float, np.ndarray]:
    """Return (heat the hot sink gains [W] at a temperature, state of all the rest settled).

    Raises
    ------
    NoSteadyState
        When the rest does not settle.
    """
    held = replace(plant, hot_sink=replace(plant.hot_sink, heat_capacity_j_per_k=HELD_J_PER_K))
    record = cabinet.to_record(held)
    state = start.copy()
    state[cabinet.HOT_SINK] = hot_sink_k
    try:
        found = steady.settle(record, state, inputs)
    except np.linalg.LinAlgError:
        found = False
    if not found:
        raise NoSteadyState(f"nothing settles with the hot sink at {hot_sink_k - ZERO_C_K:.1f} °C")
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    return float(slope[cabinet.HOT_SINK] * HELD_J_PER_K), state


Settled = tuple[float, float, np.ndarray]  # hot sink [K], heat gained [W], state


def steady_branches(
    plant: Plant,
    ambient_k: float,
    duty: float,
    *,
    hot_fan: float = 1.0,
    cold_fan: float = 1.0,
    hottest_k: float = steady.RUNAWAY_K,
) -> Scan:
    """Return every steady state at a duty between 20 K below ambient and `hottest_k`.

    A scan over the hot sink's temperature brackets the roots of its heat balance, a
    bisection finds each, and the eigenvalues of the whole linear plant tell whether it lasts.
    None at all means that the hot side runs away.  Where the rest of the cabinet stops
    settling, the scan closes in on that temperature and ends there.

    Raises
    ------
    NoSteadyState
        When the rest settles at no temperature of the hot sink tried.
    """
    liquid = steady.without_freezing(plant)
    inputs = steady.steady_inputs(plant, duty, ambient_k, hot_fan, cold_fan)
    fresh = cabinet.uniform_state(liquid, ambient_k, plant.climate.humidity_ratio)

    def settled(hot_sink_k: float, start: np.ndarray) -> Settled | None:
        for state in (start, fresh):
            try:
                return (hot_sink_k, *heat_gained_w(liquid, hot_sink_k, inputs, state))
            except NoSteadyState:
                continue
        return None

    before = _first_settled(settled, ambient_k, hottest_k, fresh)
    from_k, found = before[0], []
    while before[0] < hottest_k:
        after = _next_settled(settled, before, min(before[0] + SCAN_STEP_K, hottest_k))
        if after is None:
            break
        if before[1] * after[1] <= 0.0 and before[1] != after[1]:
            bracket = (before[0], after[0])
            found.append(_branch_between(plant, inputs, before[2], bracket, before[1]))
        before = after
    fan = "on" if hot_fan > 0.0 else "stopped"
    return Scan(duty, fan, tuple(found), from_k, before[0], before[1])


def _first_settled(
    settled: Callable[[float, np.ndarray], Settled | None],
    ambient_k: float,
    hottest_k: float,
    fresh: np.ndarray,
) -> Settled:
    """Return the coldest hot sink from 20 K below ambient up at which the rest settles."""
    for hot_sink_k in np.arange(ambient_k - BELOW_ROOM_K, hottest_k, SCAN_STEP_K):
        first = settled(float(hot_sink_k), fresh)
        if first is not None:
            return first
    low_c, high_c = ambient_k - BELOW_ROOM_K - ZERO_C_K, hottest_k - ZERO_C_K
    raise NoSteadyState(
        f"nothing settles with the hot sink anywhere from {low_c:.0f} to {high_c:.0f} °C"
    )


def _next_settled(
    settled: Callable[[float, np.ndarray], Settled | None], before: Settled, wanted_k: float
) -> Settled | None:
    """Return the rest settled at `wanted_k` [K], or as near to it as it settles, or None."""
    after = settled(wanted_k, before[2])
    if after is not None:
        return after
    best, low_k, high_k = None, before[0], wanted_k
    while high_k - low_k > END_K:
        middle_k = 0.5 * (low_k + high_k)
        tried = settled(middle_k, before[2] if best is None else best[2])
        if tried is None:
            high_k = middle_k
        else:
            best, low_k = tried, middle_k
    return best


def _branch_between(
    plant: Plant, inputs: np.ndarray, start: np.ndarray, bracket: tuple[float, float], low_w: float
) -> Branch:
    liquid = steady.without_freezing(plant)
    low_k, high_k = bracket
    state = start
    while high_k - low_k > ROOT_K:
        middle_k = 0.5 * (low_k + high_k)
        gained_w, state = heat_gained_w(liquid, middle_k, inputs, state)
        if gained_w * low_w > 0.0:
            low_k = middle_k
        else:
            high_k = middle_k
    point = steady.describe(liquid, cabinet.to_record(liquid), state, inputs)
    linear = linear_plant(plant, point)
    slowest_s = slowest_mode_s(time_constants_s(linear))
    fan = "on" if inputs[cabinet.HOT_FAN] > 0.0 else "stopped"
    return Branch(point, fan, slowest_s > 0.0, slowest_s, _branch_name(point, linear))


def _branch_name(point: Operating, linear: LinearPlant) -> str:
    if point.duty == 0.0:
        return IDLE
    return COOLING if steady_gain_k_per_duty(linear) > 0.0 else RUNAWAY


def slowest_mode_s(constants_s: np.ndarray) -> float:
    """Return the longest time constant [s]; a growing mode's (below 0) goes before all others."""
    growing = constants_s[constants_s <= 0.0]
    return float(np.max(growing) if growing.size else np.max(constants_s))


@dataclass(frozen=True)
class Holding:
    """A duty that holds the contents at the target, and the side of peak cooling it is on.

    `gain_k` is the fall of the reading for a whole unit of duty [K]: below 0 more duty
    warms, and no thermostat holds the target there.
    """

    point: Operating
    branch: str
    gain_k: float

    @property
    def stable(self) -> bool:
        """Whether a slow thermostat comes to rest there: only where more duty cools."""
        return self.gain_k > 0.0


def duties_that_hold(plant: Plant, ambient_k: float, contents_k: float) -> list[Holding]:
    """Return every duty above idle whose steady state holds the contents at `contents_k`."""
    found: list[Holding] = []
    before: Operating | None = None
    for duty in np.linspace(LEAST_DUTY, 1.0, DUTIES):
        try:
            after = at_duty(plant, float(duty), ambient_k)
        except NoSteadyState:
            break
        if before is not None:
            one, two = before.contents_k - contents_k, after.contents_k - contents_k
            if one * two <= 0.0 and one != two:
                found.append(_holding_between(plant, before, after, contents_k))
        before = after
    return found


def _holding_between(
    plant: Plant, before: Operating, after: Operating, contents_k: float
) -> Holding:
    low, high = before.duty, after.duty
    warm_below = before.contents_k > contents_k
    while high - low > 1e-5:
        middle = 0.5 * (low + high)
        if (at_duty(plant, middle, before.ambient_k).contents_k > contents_k) == warm_below:
            low = middle
        else:
            high = middle
    point = at_duty(plant, 0.5 * (low + high), before.ambient_k)
    gain_k = steady_gain_k_per_duty(linear_plant(plant, point))
    return Holding(point, COOLING if warm_below else RUNAWAY, gain_k)


def branches_of(plant: Plant, ambient_k: float, duty: float) -> list[Scan]:
    """Return the steady states at a duty with the hot fan as wired, then with it stopped."""
    hot_fan, cold_fan = fans_at(plant, duty)
    fans = (hot_fan, 0.0) if hot_fan > 0.0 else (0.0,)
    return [steady_branches(plant, ambient_k, duty, hot_fan=fan, cold_fan=cold_fan) for fan in fans]


# The hot fan fails -----------------------------------------------------------------------

WATCHED_H = 12.0
ROW_S = 5.0


@dataclass(frozen=True)
class FanFailure:
    """What follows when the hot fan stops while the target is held on the hottest day.

    `minutes` has the time to each limit [min], 0 where it was passed before, None where it is
    not reached in `watched_h`; `hot_sink_c_max` and `foam_c_max` are the hottest after it [°C].
    """

    protected: bool
    ambient_c: float
    minutes: dict[str, float | None]
    hot_sink_c_max: float
    foam_c_max: float
    watched_h: float = WATCHED_H


def with_failed_hot_fan(plant: Plant) -> Plant:
    """Return the plant with its hot fan stopped for good, drawing nothing."""
    return replace(plant, hot_sink=replace(plant.hot_sink, fan_wiring=heat_sinks.STOPPED))


def after_fan_failure(
    config: Config, settings: Settings, *, protected: bool = True, seed: int = 1
) -> FanFailure:
    """Return the minutes from a failure of the hot fan to each limit.

    The cabinet has held its target at the worst room's hottest hour, as nearly as it can;
    that is when the fan stops, and sun, doors and loads go on from that hour.  The room stays
    as hot as then.

    Parameters
    ----------
    config : Config
    settings : Settings
        What is flashed.
    protected : bool
        False takes the hot sink's sensor away: no fold-back, no trip.
    seed : int
        Of the sensor noise.
    """
    room = config.climate
    ambient_c = room.worst_c + 0.5 * room.daily_swing_k
    fitted = config if protected else config.model_copy(update={"hot_sink_sensor": None})
    # The day's air, at its hottest hour: as much vapour as in the mean.
    plant = at_ambient(plant_of(fitted), room.worst_c, humidity_at(config, room.worst_c))
    hottest = replace(plant.climate, mean_k=ambient_c + ZERO_C_K, swing_k=0.0)
    plant = replace(plant, climate=hottest)
    coldest = flashed_coldest(config, plant, ambient_c + ZERO_C_K)
    start = nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)
    firmware = firmware_of(fitted, settings)
    loop = loop_at(
        with_failed_hot_fan(plant), firmware, start, seed=seed, start_s=3600.0 * room.hottest_hour
    )
    record = loop.run(WATCHED_H * 3600.0, ROW_S)
    return FanFailure(
        protected=protected,
        ambient_c=ambient_c,
        minutes=minutes_to_limits(config, record),
        hot_sink_c_max=float(np.max(record["hot_sink_c"])),
        foam_c_max=float(np.max(record["foam_c"])),
    )


def minutes_to_limits(config: Config, record: Record) -> dict[str, float | None]:
    """Return the minutes of a record until each limit is first reached, None where it is not."""
    part, limits, use = config.protection, config.limits, config.use
    warmest_c = use.target_c + use.target_tolerance_k
    watched = {
        "fold-back": ("hot_sink_c", part.fold_back_start_c),
        "trip": ("hot_sink_c", part.trip_c),
        "hot sink limit": ("hot_sink_c", limits.hot_sink_max_c),
        "foam limit": ("foam_c", limits.foam_max_c),
        "module limit": ("hot_face_c", limits.module_max_c),
        "contents too warm": (
            "contents_c", warmest_c if use.contents_max_c is None else use.contents_max_c
        ),
    }  # fmt: skip
    return {
        name: _minutes_until(record, column, limit) for name, (column, limit) in watched.items()
    }


def _minutes_until(record: Record, column: str, limit: float) -> float | None:
    passed = np.flatnonzero(record[column] >= limit)
    if passed.size == 0:
        return None
    return 0.0 if passed[0] == 0 else float((passed[0] + 1) * record.row_s / 60.0)

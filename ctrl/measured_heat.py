"""Sinks' resistances and the cabinet's heat leak from temperatures over time.

Steady: K/W is difference over heat, W/K heat over difference; what still goes into warming
up is taken off.  Warm-up: C dT/dt = UA (room - T) + P solved from reading to reading, with a
known heat capacity C (textbook, one lump).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt

import numpy as np
from scipy.optimize import least_squares

from ctrl.build import heat_leak_parts_w_per_k
from ctrl.config import Config
from ctrl.measured_file import Array, HeatLeakTest, Meters, SinkTest, WarmUpTest
from ctrl.measured_module import EVEN, Estimate, NotUsable, Part
from plant.cabinet import Plant
from plant.moist_air import CP_DRY_AIR

WATER_J_PER_KG_K = 4190.0
AIR_KG_PER_M3 = 1.2
# Of the heat capacity in a drift's correction, and of the idle module's path (K 10 %, joints
# half, the still hot sink 30 % unsure): largest errors.
CAPACITY_UNSURE, PATH_UNSURE = 0.3, 0.2
STEADY_SHARE = 0.03  # of the heat that may still go into warming up


@dataclass(frozen=True)
class HeatResult:
    """A thermal resistance or conductance, and whether the test was steady.

    Attributes
    ----------
    value : Estimate
        [K/W] of a sink, [W/K] of a heat leak.
    steady : bool or None
        None for a warm-up, which is not meant to be.
    drift_k_per_h : float or None
    storing_pct : float or None
        Share of the heat that still warmed things up [%].
    how : str
    notes : tuple of str
    """

    value: Estimate
    steady: bool | None
    drift_k_per_h: float | None
    storing_pct: float | None
    how: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Steady:
    difference_k: float
    noise_k: float
    drift_k_per_s: float
    drift_error_k_per_s: float


def _steady_end(time_min: Sequence[float], warm: Sequence[float], cool: Sequence[float]) -> _Steady:
    """Return difference and drift of the last half of the readings, three at least."""
    kept = max(3, (len(time_min) + 1) // 2)
    t = 60.0 * np.array(time_min[-kept:])
    hot, room = np.array(warm[-kept:]), np.array(cool[-kept:])
    middle = t - t.mean()
    spread = float(middle @ middle)
    slope = float(middle @ hot) / spread
    rest = hot - hot.mean() - slope * middle
    scatter = sqrt(float(rest @ rest) / (kept - 2)) if kept > 2 else 0.0
    # Read to a tenth: a third of the step is the least that scatter can be.
    scatter = max(scatter, 0.03)
    differences = hot - room
    noise = max(float(np.std(differences - slope * middle, ddof=1)), 0.03) / sqrt(kept)
    return _Steady(float(differences.mean()), noise, slope, scatter / sqrt(spread))


def sink_of(test: SinkTest, heat_capacity_j_per_k: float, meters: Meters) -> HeatResult:
    """Return a sink's resistance to its air [K/W]; `NotUsable` where nothing warms."""
    end = _steady_end(test.time_min, test.sink_c, test.air_c)
    electric_w = test.voltage_v * test.current_a
    heat_w = electric_w + test.extra_heat_w
    stored_w = heat_capacity_j_per_k * end.drift_k_per_s
    given_w = heat_w - stored_w
    if given_w <= 0.0 or end.difference_k <= 0.0:
        raise NotUsable("a sink warmer than its air, by more than it still warms up")
    k_per_w = end.difference_k / given_w
    parts = (
        Part("noise", end.noise_k / given_w),
        Part("thermometers", EVEN * meters.thermometer_tolerance_k / given_w),
        Part("electrical power", k_per_w * _power_share(meters) * electric_w / given_w),
        Part("other heat", k_per_w * EVEN * test.extra_heat_tolerance_w / given_w),
        Part("still warming", k_per_w * _stored_error_w(heat_capacity_j_per_k, end) / given_w),
    )
    how = f"{end.difference_k:.1f} K at {given_w:.1f} W, fan {'running' if test.fan else 'stopped'}"
    return _steady_result(Estimate(k_per_w, parts), end, stored_w / heat_w, how)


def leak_of(test: HeatLeakTest, config: Config, plant: Plant, meters: Meters) -> HeatResult:
    """Return the heat leak [W/K] with the module's opening but not the idle module's path.

    `NotUsable` as above.
    """
    end = _steady_end(test.time_min, test.inside_c, test.ambient_c)
    electric_w = test.voltage_v * test.current_a
    heat_w = electric_w + test.fan_w
    capacity = own_capacity_j_per_k(config, plant)
    stored_w = capacity * end.drift_k_per_s
    given_w = heat_w - stored_w
    if given_w <= 0.0 or end.difference_k <= 0.0:
        raise NotUsable("inside warmer than the room, by more than it still warms up")
    whole = given_w / end.difference_k
    other = _not_of_the_leak(test, config, plant)
    parts = (
        Part("noise", whole * end.noise_k / end.difference_k),
        Part("thermometers", whole * EVEN * meters.thermometer_tolerance_k / end.difference_k),
        Part("electrical power", _power_share(meters) * electric_w / end.difference_k),
        Part("still warming", _stored_error_w(capacity, end) / end.difference_k),
        other.error,
    )
    how = f"{given_w:.1f} W at {end.difference_k:.1f} K{other.words}"
    found = _steady_result(Estimate(whole - other.w_per_k, parts), end, stored_w / heat_w, how)
    return _checked_leak(found)


@dataclass(frozen=True)
class _Other:
    """What a test lets through besides the cabinet's own leak: to be taken off [W/K]."""

    w_per_k: float
    error: Part
    words: str


def _not_of_the_leak(test: HeatLeakTest | WarmUpTest, config: Config, plant: Plant) -> _Other:
    """Return the idle module's path, or what a hole filled with foam lets through less."""
    if test.module_in_place:
        path = idle_path_w_per_k(plant, test.fan_w > 0.0)
        return _Other(path, Part("idle module", EVEN * PATH_UNSURE * path),
                      f", less {path:.3f} W/K through the idle module and its sinks")  # fmt: skip
    opening = sum(heat_leak_parts_w_per_k(config).values())
    opening -= sum(heat_leak_parts_w_per_k(config, hole_filled=True).values())
    error = EVEN * 0.01 * config.tolerances.leaks_pct * abs(opening)
    words = f", {'plus' if opening > 0.0 else 'less'} {abs(opening):.3f} W/K: the module's opening"
    return _Other(-opening, Part("module opening", error), f"{words} in place of the foam there")


def _checked_leak(found: HeatResult) -> HeatResult:
    if found.value.value <= 0.0:
        raise NotUsable("more heat than passes the idle module: is the cabinet shut and empty?")
    return found


def _power_share(meters: Meters) -> float:
    return EVEN * 0.01 * hypot(meters.voltage_tolerance_pct, meters.current_tolerance_pct)


def _stored_error_w(capacity: float, end: _Steady) -> float:
    return capacity * hypot(EVEN * CAPACITY_UNSURE * end.drift_k_per_s, end.drift_error_k_per_s)


def _steady_result(value: Estimate, end: _Steady, storing: float, how: str) -> HeatResult:
    noise_limit = 2.0 * end.drift_error_k_per_s
    steady = abs(storing) <= STEADY_SHARE or abs(end.drift_k_per_s) <= noise_limit
    notes = () if steady else (
        f"not steady: it still moves by {3600.0 * end.drift_k_per_s:+.1f} K an hour, which takes "
        f"{100.0 * storing:.0f} % of the heat. That is taken off by the config's heat capacity; "
        "wait longer and read again",
    )  # fmt: skip
    return HeatResult(value, steady, 3600.0 * end.drift_k_per_s, 100.0 * storing, how, notes)


def idle_path_w_per_k(plant: Plant, cold_fan: bool) -> float:
    """Return what passes sinks, joints and idle module [W/K], hot fan stopped."""
    mod = plant.module
    inside = plant.cold_sink.fan_w_per_k if cold_fan else plant.cold_sink.no_fan_w_per_k
    steps = (
        mod.conductance_w_per_k, mod.cold_contact_w_per_k, mod.hot_contact_w_per_k, inside,
        plant.hot_sink.no_fan_w_per_k,
    )  # fmt: skip
    return 1.0 / sum(1.0 / step for step in steps)


def own_capacity_j_per_k(config: Config, plant: Plant) -> float:
    """Return the empty cabinet's own heat capacity [J/K]: air, lining, cold sink, and a third
    of the foam.

    A slab whose far side stays as it is takes from the near side a third of its heat
    capacity times the change there (integral of (1 - x)^2 over its thickness; textbook).
    """
    air = config.cabinet.inside_volume_l * 1e-3 * AIR_KG_PER_M3 * CP_DRY_AIR
    lining = config.cabinet.lining_heat_capacity_j_per_k
    foam = 2.0 * (plant.envelope.inner_heat_capacity_j_per_k - lining)
    return air + lining + foam / 3.0 + plant.cold_sink.heat_capacity_j_per_k


# Warm-up ----------------------------------------------------------------------------------


def leak_by_warm_up(test: WarmUpTest, config: Config, plant: Plant, meters: Meters) -> HeatResult:
    """Return the heat leak [W/K] from a warm-up, module and opening as in `leak_of`.

    Raises
    ------
    NotUsable
        Where it does not warm up towards the room.
    """
    kept = [n for n, minutes in enumerate(test.time_min) if minutes >= test.skip_min]
    t = 60.0 * np.array([test.time_min[n] for n in kept])
    inside = np.array([test.inside_c[n] for n in kept])
    room = np.array([test.ambient_c[n] for n in kept])
    if inside[-1] - inside[0] < 1.0 or room[0] - inside[0] < 1.0:
        raise NotUsable("a cabinet that warms by 1 K or more, from 1 K or more below the room")
    own = own_capacity_j_per_k(config, plant)
    capacity = own + test.water_kg * WATER_J_PER_KG_K

    def fitted(offset_k: float, total: float) -> tuple[float, float]:
        return _fit_warm_up(t, inside, room + offset_k, test.fan_w, total)

    whole, noise = fitted(0.0, capacity)
    offset = meters.thermometer_tolerance_k
    by_thermometer = 0.5 * abs(fitted(offset, capacity)[0] - fitted(-offset, capacity)[0])
    own_share = own / capacity
    unsure = 0.01 * test.own_capacity_tolerance_pct * own_share
    other = _not_of_the_leak(test, config, plant)
    parts = (
        Part("noise and fit", noise),
        Part("thermometers", EVEN * by_thermometer),
        Part("heat capacity", EVEN * unsure * whole),
        other.error,
    )
    hours = capacity / whole / 3600.0
    how = (
        f"time constant {hours:.1f} h with {1e-3 * capacity:.1f} kJ/K, of which "
        f"{100.0 * own_share:.0f} % are the cabinet's own{other.words}"
    )
    notes = []
    if own_share > 0.3:
        notes.append(
            f"{100.0 * own_share:.0f} % of the heat capacity are the cabinet's own, which is a "
            "guess: with a few kilograms of water in it, or by [heat_leak], it is told better"
        )
    if t[-1] - t[0] < 0.5 * capacity / whole:
        notes.append("shorter than half the time constant: the room's thermometer decides much")
    result = HeatResult(Estimate(whole - other.w_per_k, parts), None, None, None, how, tuple(notes))
    return _checked_leak(result)


def _fit_warm_up(
    t: Array, inside: Array, room: Array, fan_w: float, capacity: float
) -> tuple[float, float]:
    """Return (UA [W/K], its standard error) of the best curve through the readings."""

    def curve(start: float, ua: float) -> Array:
        rate = ua / capacity
        found = [start]
        for n in range(1, t.size):
            step = t[n] - t[n - 1]
            goal_0, goal_1 = room[n - 1] + fan_w / ua, room[n] + fan_w / ua
            # Exact for a goal that moves in a straight line between two readings.
            decay = np.exp(-rate * step)
            slope = (goal_1 - goal_0) / step
            lag = slope / rate
            found.append(goal_1 - lag + (found[-1] - goal_0 + lag) * decay)
        return np.array(found)

    # By the time that most (1 - 1/e) of the rise takes: good also for a log that ends at rest,
    # or warmer than the room for the fan.
    risen = (inside - inside[0]) / (inside[-1] - inside[0])
    guess = capacity / (t[np.argmax(risen >= 1.0 - np.exp(-1.0))] - t[0])

    def rest(x: Array) -> Array:
        return curve(float(x[0]), float(np.exp(x[1]))) - inside

    best = least_squares(rest, [inside[0], np.log(guess)])
    degrees = max(t.size - 2, 1)
    scatter = max(sqrt(float(best.fun @ best.fun) / degrees), 0.03)
    information = best.jac.T @ best.jac
    if np.linalg.matrix_rank(information) < 2:  # no heat leak fits better than any other
        raise NotUsable("a cabinet that warms towards the room's temperature, by and by")
    covariance = scatter**2 * np.linalg.inv(information)
    ua = float(np.exp(best.x[1]))
    return ua, ua * sqrt(covariance[1, 1] * _repeats(best.fun))


def _repeats(rest: Array) -> float:
    """Return how many readings tell as much as one independent one (lag-one correlation)."""
    size = float(rest @ rest)
    if rest.size < 5 or size == 0.0:
        return 1.0
    r = min(max(float(rest[1:] @ rest[:-1]) / size, 0.0), 0.95)
    return (1.0 + r) / (1.0 - r)


def combined(results: Sequence[HeatResult]) -> HeatResult:
    """Return the weighted mean of several results of one quantity (inverse variance)."""
    if len(results) == 1:
        return results[0]
    weights = np.array([1.0 / r.value.standard_error**2 for r in results])
    mean = float(sum(w * r.value.value for w, r in zip(weights, results, strict=True)))
    mean /= float(weights.sum())
    error = Part("both tests", 1.0 / sqrt(float(weights.sum())))
    return replace(results[0], value=Estimate(mean, (error,)), how="weighted mean of both tests",
                   notes=())  # fmt: skip

"""The cycle of a thermostat on the whole cabinet, predicted without simulating days.

While on and while off the cabinet is taken as linear about the mean state at the
setpoint.  The cycle that repeats exactly, slow contents and walls included, is then the
solution of two equations (the reading meets one end of the band after the on time, the
other after the off time), not the end of a long run.  A simulation decides in the end.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ctrl.linearise import (
    AIR,
    CONTENTS,
    HOT_SINK,
    READING,
    Array,
    exact_jacobian,
    rates,
    sensed_temperature_k,
    temperatures_of,
)
from plant import cabinet, heat_sinks, steady
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

SCAN_POINTS = 21
COARSE_S, FINE_S = 8.0, 1.0
LONGEST_PHASE_S = 86400.0
WARM_UP_CYCLES = 4
MOST_NEWTON_STEPS = 60
PATH_POINTS = 121


class NoCycle(ArithmeticError):
    """The thermostat would not cycle here: always on, always off, or no steady state."""


@dataclass(frozen=True)
class Cycle:
    """One cycle of the thermostat, repeating.

    Attributes
    ----------
    reading_max_k, reading_min_k : float
        Highest and lowest temperature of the control sensor [K].
    air_swing_k, contents_swing_k, hot_sink_swing_k : float
        Highest less lowest over a cycle [K].
    air_mean_k, contents_mean_k, hot_sink_max_k : float
        [K].
    on_s, off_s, period_s : float
        [s].
    run_share : float
        Share of the time on [-].
    """

    reading_max_k: float
    reading_min_k: float
    air_swing_k: float
    contents_swing_k: float
    hot_sink_swing_k: float
    air_mean_k: float
    contents_mean_k: float
    hot_sink_max_k: float
    on_s: float
    off_s: float
    period_s: float
    run_share: float

    @property
    def reading_swing_k(self) -> float:
        """Highest less lowest reading [K]."""
        return self.reading_max_k - self.reading_min_k

    @property
    def cycles_per_hour(self) -> float:
        """[1/h]."""
        return 3600.0 / self.period_s


@dataclass(frozen=True, eq=False)
class Phase:
    """d(x - x0)/dt = A (x - x0) + rate, as one matrix over [x - x0, 1]."""

    joined: Array

    def over(self, time_s: float) -> Array:
        """Return the (11, 11) matrix that carries [x - x0, 1] over `time_s` [s]."""
        from scipy.linalg import expm

        return expm(self.joined * time_s)

    def path(self, start: Array, time_s: float, points: int) -> Array:
        """Return [x - x0, 1] at `points` even times from 0 to `time_s` [s], shape (points, 11)."""
        across = self.over(time_s / (points - 1))
        path = [start]
        for _ in range(points - 1):
            path.append(across @ path[-1])
        return np.array(path)


@dataclass(frozen=True, eq=False)
class SwitchedPlant:
    """A cabinet that is either on or off, about its mean state at one setpoint.

    Attributes
    ----------
    on, off : Phase
    centre : ndarray, shape (10,)
        x0, states of `ctrl.linearise.STATE_NAMES`.
    mean_duty : float
        Constant duty that would hold the setpoint [-].
    delay_s : float
        From the crossing of a band end to the change of the module's current [s].
    """

    on: Phase
    off: Phase
    centre: Array
    mean_duty: float
    delay_s: float

    def predict(self, hysteresis_k: float, min_on_s: float = 0.0, min_off_s: float = 0.0) -> Cycle:
        """Return the cycle for a full band of `hysteresis_k` [K] about the setpoint.

        Raises
        ------
        NoCycle
            When no cycle is found.
        """
        if not hysteresis_k > 0.0:
            raise ValueError(f"hysteresis_k = {hysteresis_k}: expected above 0 K")
        half = 0.5 * hysteresis_k
        guess = self._first_cycles(half, max(min_on_s, 1.0), max(min_off_s, 1.0))
        on_s, off_s = self._solve(half, guess, (None, None))
        if on_s < min_on_s:
            on_s, off_s = self._solve(half, (min_on_s, off_s), (min_on_s, None))
        if off_s < min_off_s:
            on_s, off_s = self._solve(half, (on_s, min_off_s), (None, min_off_s))
            on_s = max(on_s, min_on_s)
        return self._describe(on_s, off_s)

    def _first_cycles(self, half: float, min_on_s: float, min_off_s: float) -> tuple[float, float]:
        """Return (on, off) time [s] of a short run from the mean state."""
        state = np.zeros(self.centre.size + 1)
        state[-1] = 1.0
        on_s = off_s = 0.0
        for _ in range(WARM_UP_CYCLES):
            state, on_s = self._run(self.on, state, -1.0, half, min_on_s)
            state, off_s = self._run(self.off, state, 1.0, half, min_off_s)
        return on_s, off_s

    def _run(
        self, phase: Phase, state: Array, sign: float, half: float, least_s: float
    ) -> tuple[Array, float]:
        """Return (state, time [s]) at the end of a phase, dead time included."""
        time_s = 0.0
        for step_s in (COARSE_S, FINE_S):
            across = phase.over(step_s)
            while True:
                moved = across @ state
                if time_s + step_s >= least_s and sign * moved[READING] >= half:
                    break
                state, time_s = moved, time_s + step_s
                if time_s > LONGEST_PHASE_S:
                    word = "on" if sign < 0.0 else "off"
                    raise NoCycle(f"the reading does not cross its band within a day of {word}")
        rest_s = FINE_S + self.delay_s
        return phase.over(rest_s) @ state, time_s + rest_s

    def _periodic(self, on_s: float, off_s: float) -> Array:
        """Return [x - x0, 1] at the switch to on, of the cycle with these two times."""
        whole = self.off.over(off_s) @ self.on.over(on_s)
        count = self.centre.size
        start = np.linalg.solve(np.eye(count) - whole[:count, :count], whole[:count, count])
        return np.append(start, 1.0)

    def _misses(self, half: float, on_s: float, off_s: float) -> Array:
        """Return the reading's distance from the band ends when it should meet them [K]."""
        start = self._periodic(on_s, off_s)
        end = self.on.over(on_s) @ start
        low = self.on.over(max(on_s - self.delay_s, 0.0)) @ start
        high = self.off.over(max(off_s - self.delay_s, 0.0)) @ end
        return np.array([low[READING] + half, high[READING] - half])

    def _solve(
        self, half: float, guess: tuple[float, float], fixed: tuple[float | None, float | None]
    ) -> tuple[float, float]:
        """Return (on, off) time [s] by Newton steps in the logarithm of the free times."""
        held = [guess[i] if fixed[i] is None else fixed[i] for i in range(2)]
        times = np.log(np.array(held, dtype=float))
        free = [i for i in range(2) if fixed[i] is None]
        miss = self._misses(half, *np.exp(times))[free]
        for _ in range(MOST_NEWTON_STEPS):
            if np.max(np.abs(miss)) < 1e-6 * half:
                return float(np.exp(times[0])), float(np.exp(times[1]))
            slopes = np.empty((len(free), len(free)))
            for k, i in enumerate(free):
                moved = times.copy()
                moved[i] += 1e-5
                slopes[:, k] = (self._misses(half, *np.exp(moved))[free] - miss) / 1e-5
            change = np.zeros(2)
            change[free] = -np.linalg.solve(slopes, miss)
            change *= min(1.0, 0.5 / float(np.max(np.abs(change))))
            for _ in range(8):  # shorten a step that makes it worse
                trial = self._misses(half, *np.exp(times + change))[free]
                if np.max(np.abs(trial)) < np.max(np.abs(miss)):
                    break
                change *= 0.5
            times, miss = times + change, trial
        raise NoCycle("no repeating cycle found for this band")

    def _describe(self, on_s: float, off_s: float) -> Cycle:
        start = self._periodic(on_s, off_s)
        cold = self.on.path(start, on_s, PATH_POINTS)
        warm = self.off.path(cold[-1], off_s, PATH_POINTS)
        path = np.vstack([cold, warm])[:, :-1] + self.centre
        low, high = path.min(axis=0), path.max(axis=0)
        swing = high - low
        period_s = on_s + off_s
        steps = (cold[:, :-1], on_s), (warm[:, :-1], off_s)
        areas = [np.trapezoid(p, dx=t / (PATH_POINTS - 1), axis=0) for p, t in steps]
        mean = self.centre + sum(areas) / period_s
        return Cycle(
            reading_max_k=float(high[READING]),
            reading_min_k=float(low[READING]),
            air_swing_k=float(swing[AIR]),
            contents_swing_k=float(swing[CONTENTS]),
            hot_sink_swing_k=float(swing[HOT_SINK]),
            air_mean_k=float(mean[AIR]),
            contents_mean_k=float(mean[CONTENTS]),
            hot_sink_max_k=float(high[HOT_SINK]),
            on_s=on_s,
            off_s=off_s,
            period_s=period_s,
            run_share=on_s / period_s,
        )


def holding_point(
    plant: Plant, reading_k: float, ambient_k: float, on_duty: float = 1.0
) -> Operating:
    """Return the steady state at the lowest constant duty that holds a reading.

    Raises
    ------
    NoCycle
        When the reading stays below without cooling, or above at every duty.
    """
    from scipy.optimize import brentq

    def at(duty: float) -> Operating:
        return steady.operating_point(plant, duty, ambient_k)

    def excess(duty: float) -> float:
        return sensed_temperature_k(plant, at(duty)) - reading_k

    where = f"at {ambient_k - ZERO_C_K:.1f} °C ambient"
    if excess(0.0) <= 0.0:
        raise NoCycle(f"no cooling is needed to hold {reading_k - ZERO_C_K:.2f} °C {where}")
    before = 0.0
    for duty in np.linspace(0.0, on_duty, SCAN_POINTS)[1:]:
        try:
            found = excess(float(duty))
        except steady.NoSteadyState:
            break
        if found <= 0.0:
            return at(float(brentq(excess, before, float(duty), xtol=1e-9)))
        before = float(duty)
    raise NoCycle(f"{reading_k - ZERO_C_K:.2f} °C is not reached {where} at any duty")


def phase_of(plant: Plant, op: Operating, duty: float, hot_fan: float, cold_fan: float) -> Phase:
    """Return the cabinet with these commands, linear about the state of `op`."""
    record: Any = cabinet.to_record(steady.without_freezing(plant))
    state = op.state.copy()
    state[cabinet.CONTROL_SENSOR] = sensed_temperature_k(plant, op)
    inputs = op.inputs.copy()
    inputs[cabinet.FROST_FROZEN] = 1.0
    inputs[cabinet.DUTY] = duty
    inputs[cabinet.HOT_FAN], inputs[cabinet.COLD_FAN] = hot_fan, cold_fan
    centre = temperatures_of(record, state)
    count = centre.size
    joined = np.zeros((count + 1, count + 1))
    joined[:count, :count] = exact_jacobian(record, state, inputs)[:, :count]
    if not np.all(np.isfinite(joined)):
        raise NoCycle("the plant's slopes are not finite at this setpoint")
    joined[:count, count] = rates(record, inputs, state, centre)
    return Phase(joined)


def switched_plant(
    plant: Plant,
    setpoint_reading_k: float,
    ambient_k: float,
    *,
    delay_s: float = 1.5,
    on_duty: float = 1.0,
    fans_off: tuple[float, float] | None = None,
) -> SwitchedPlant:
    """Return the cabinet as a thermostat at `setpoint_reading_k` drives it.

    Parameters
    ----------
    plant : Plant
    setpoint_reading_k, ambient_k : float
        Middle of the band at the control sensor, and ambient [K].
    delay_s : float
        From crossing a band end to the change of current [s]: age of the reading, half
        the control period, computing tick.
    on_duty : float
        Duty when on [-].
    fans_off : tuple of float, optional
        Hot and cold fan [0 to 1] while the module is off.  Left out: a fan wired with the
        module stops, any other runs (a hot fan's run-on outlasts most off times).

    Raises
    ------
    NoCycle
        When the thermostat would be always on or always off.
    """
    op = holding_point(plant, setpoint_reading_k, ambient_k, on_duty)
    if fans_off is None:
        fans_off = (
            float(heat_sinks.fan_turns(plant.hot_sink.fan_wiring, 1, 0.0)),
            float(heat_sinks.fan_turns(plant.cold_sink.fan_wiring, 1, 0.0)),
        )
    record: Any = cabinet.to_record(steady.without_freezing(plant))
    state = op.state.copy()
    state[cabinet.CONTROL_SENSOR] = setpoint_reading_k
    return SwitchedPlant(
        on=phase_of(plant, op, on_duty, 1.0, 1.0),
        off=phase_of(plant, op, 0.0, *fans_off),
        centre=temperatures_of(record, state),
        mean_duty=op.duty,
        delay_s=delay_s,
    )

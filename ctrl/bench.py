"""Tests a maker can run on the bench: a step, a square wave, a relay; readings alone.

Each runs on the simulated cabinet through its own firmware, with quantised and noisy
readings, and is worked out from the readings and the duty that was given.  The room is
constant and the door stays shut, as it would be on a bench.
"""

from dataclasses import dataclass, replace
from math import ceil, log, sqrt

import numpy as np

from ctrl.capability import duty_limit
from ctrl.config import Config
from ctrl.firmware import Firmware, firmware_of, reading_step_k, settings_of
from ctrl.first_order import FirstOrder, first_order_step
from ctrl.linearise import Array, sensed_temperature_k
from ctrl.loop import Loop
from ctrl.record import Record
from ctrl.trial import steady_state
from plant import cabinet
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

BEFORE_S = 120.0  # readings kept before a step, for its level
LEAST_DUTY = 0.03  # not switched off quite: an idle module is another plant
MOST_PAIRS = 6
WANTED_SHARE = 0.1  # largest standard error of gain, time constant and dead time [-]
SQUARE_PERIODS, SQUARE_DISCARDED = 8, 2
HAND_SHARES = (0.05, 0.5)  # of the end: between them a curve is read by hand
HAND_EVERY_S = 5.0
SMOOTHED_S = 5.0


class NoBenchTest(ArithmeticError):
    """A test gives nothing to read; the message says why."""


# The bench --------------------------------------------------------------------------------


def at_rest(plant: Plant) -> Plant:
    """Return the plant on a bench: constant room, door shut, nothing loaded."""
    climate = replace(plant.climate, swing_k=0.0, doors_per_day=0, load_share=0.0)
    return replace(plant, climate=climate)


def reading_noise_k(config: Config) -> float:
    """Return noise and rounding of one reading together, root mean square [K]."""
    return sqrt(config.sensor.noise_k**2 + reading_step_k(config.sensor) ** 2 / 12.0)


def bench_firmware(config: Config, plant: Plant) -> Firmware:
    """Return the config's firmware for a test by hand: no slew, no window, no defrost."""
    most = 1.0 if config.drive.kind == "relay" else max(duty_limit(plant, config).duty, 0.01)
    settings = replace(
        settings_of(config), controller="fixed", period_s=1.0, slew_pct_per_s=None,
        defrost=None, window_s=0.0, window_min_on_s=0.0, duty_limit=most,
    )  # fmt: skip
    return firmware_of(config, settings)


@dataclass(frozen=True)
class Bench:
    """A cabinet on the bench, settled at a duty.

    `only_switches` tells that the drive gives nothing between off and full; `most_duty` is
    the duty limit [-], `noise_k` noise and rounding of one reading [K], `step_k` a reading's
    step [K].
    """

    plant: Plant
    firmware: Firmware
    point: Operating
    noise_k: float
    step_k: float
    most_duty: float
    only_switches: bool
    seed: int

    @property
    def reading_c(self) -> float:
        """True temperature at the control sensor before the test [°C]."""
        return sensed_temperature_k(self.plant, self.point) - ZERO_C_K

    @property
    def delay_s(self) -> float:
        """Age of a reading when it acts, by the firmware's own ticks [s]."""
        return self.firmware.conversion_ticks[0] * self.firmware.tick_s

    def loop(self, law: object, run: int) -> Loop:
        """Return a loop that starts settled, with a law of the bench in the firmware."""
        state = steady_state(self.plant, self.point)
        state[cabinet.CONTROL_SENSOR] = sensed_temperature_k(self.plant, self.point)
        return Loop(self.plant, self.firmware, state, seed=self.seed, run=run,
                    user_law=law)  # type: ignore[arg-type]  # fmt: skip


def bench_of(config: Config, plant: Plant, point: Operating, seed: int = 1) -> Bench:
    """Return the bench for a plant `at_rest` and its steady point."""
    switches = config.drive.kind in ("relay", "slow_window")
    most = 1.0 if config.drive.kind == "relay" else duty_limit(plant, config).duty
    return Bench(
        plant, bench_firmware(config, plant), point, reading_noise_k(config),
        reading_step_k(config.sensor), most, switches, seed,
    )  # fmt: skip


@dataclass
class Timed:
    """Duty by the clock: `duties[i]` until `until_s[i]`, the last for good."""

    duties: tuple[float, ...]
    until_s: tuple[float, ...]

    def step(self, reading_c100: int, tick: int) -> int:
        """Return the duty [1/1000] at a tick of 1 s."""
        index = int(np.searchsorted(self.until_s, tick, side="right"))
        return round(1000.0 * self.duties[min(index, len(self.duties) - 1)])


@dataclass
class Relay:
    """Two duties: the larger from the reading `high_c100` up, the other from `low_c100` down."""

    low_duty: float
    high_duty: float
    low_c100: int
    high_c100: int
    on: bool = False

    def step(self, reading_c100: int, tick: int) -> int:
        """Return the duty [1/1000] at a reading [1/100 °C]."""
        if reading_c100 >= self.high_c100:
            self.on = True
        elif reading_c100 <= self.low_c100:
            self.on = False
        return round(1000.0 * (self.high_duty if self.on else self.low_duty))


# From readings to a model -----------------------------------------------------------------


def lagged(
    duty: Array, start_duty: float, tau_s: float, dead_time_s: float, tick_s: float
) -> Array:
    """Return a unit-gain first order with dead time on duties held a tick each, shape (n,).

    Value at the beginning of each tick, where the reading is taken; between ticks the lag is
    taken as straight, which a time constant of a hundred ticks allows.
    """
    from scipy.signal import lfilter

    fade = np.exp(-tick_s / tau_s)
    after = lfilter([1.0 - fade], [1.0, -fade], duty - start_duty)
    before = np.concatenate([[0.0], after[:-1]])
    ticks = np.arange(duty.size, dtype=float)
    return np.interp(ticks - dead_time_s / tick_s, ticks, before, left=0.0)


@dataclass(frozen=True)
class Fitted:
    """A model from readings.

    Attributes
    ----------
    model : FirstOrder
    error_pct : tuple of float
        Standard error of gain, time constant and dead time from the readings' noise [%].
    left_k : float
        Root mean square of what the model does not explain [K].
    """

    model: FirstOrder
    error_pct: tuple[float, float, float]
    left_k: float


def fit_readings(
    runs: list[tuple[Array, Array, float]],
    tick_s: float,
    guess: FirstOrder,
    noise_k: float,
    *,
    discard: int = 0,
    drifts: bool = False,
) -> Fitted:
    """Return the first order with dead time that explains the readings best.

    Parameters
    ----------
    runs : list of (duty, reading, start_duty)
        Given duties [-] and readings [°C] of every tick, shapes (n,); the duty it had settled at.
    tick_s, noise_k : float
        [s, K].
    guess : FirstOrder
        Where the search begins; within a factor of 30 is good enough.
    discard : int
        Ticks at the start of each run that are not compared.
    drifts : bool
        Let each run's level drift evenly with time as well.

    Notes
    -----
    Level, drift and gain enter linearly and are solved for at each trial of time constant
    and dead time (variable projection, textbook).
    """
    from scipy.optimize import least_squares

    kept = [reading[discard:] for _, reading, _ in runs]
    wanted = np.concatenate(kept)
    levels = _levels(kept, drifts)

    def columns(p: Array) -> Array:
        tau, dead = np.exp(p)
        shape = [lagged(u, start, tau, dead, tick_s)[discard:] for u, _, start in runs]
        return np.column_stack([-np.concatenate(shape), levels])

    def left(p: Array) -> Array:
        matrix = columns(p)
        return wanted - matrix @ np.linalg.lstsq(matrix, wanted, rcond=None)[0]

    start = np.log([guess.tau_s, guess.dead_time_s])
    reach = np.log(30.0)
    found = least_squares(left, start, bounds=(start - reach, start + reach), diff_step=1e-3)
    matrix = columns(found.x)
    gain = float(np.linalg.lstsq(matrix, wanted, rcond=None)[0][0])
    tau, dead = (float(x) for x in np.exp(found.x))
    if gain <= 0.0:
        raise NoBenchTest("the reading does not fall with duty")
    slopes = [
        gain * (columns(found.x + h)[:, 0] - columns(found.x - h)[:, 0]) / 2e-2
        for h in 1e-2 * np.eye(2)
    ]
    whole = np.column_stack([matrix[:, 0] * gain, *slopes, matrix[:, 1:]])
    spread = noise_k * np.sqrt(np.diag(np.linalg.pinv(whole.T @ whole))[:3])
    rms = float(np.sqrt(np.mean(found.fun**2)))
    a, b, c = (float(100.0 * x) for x in spread)
    return Fitted(FirstOrder(gain, tau, dead), (a, b, c), rms)


def _levels(kept: list[Array], drifts: bool) -> Array:
    """Return a column of ones for each run, and one of its time from -1 to 1 where it drifts."""
    blocks = []
    for i, part in enumerate(kept):
        block = np.zeros((part.size, len(kept) * (2 if drifts else 1)))
        block[:, i] = 1.0
        if drifts:
            block[:, len(kept) + i] = np.linspace(-1.0, 1.0, part.size)
        blocks.append(block)
    return np.vstack(blocks)


def noise_error(model: FirstOrder, horizon_s: float, tick_s: float = 1.0) -> float:
    """Return the largest relative standard error for a unit step and 1 K of noise a reading [-].

    Of gain, time constant and dead time, all fitted to every reading up to `horizon_s` [s];
    it falls as step and square root of the repeats grow (least squares, textbook).
    """
    t = np.arange(0.0, horizon_s, tick_s)

    def changed(gain: float, tau: float, dead: float) -> Array:
        part = FirstOrder(model.gain_k * gain, model.tau_s * tau, model.dead_time_s * dead)
        return first_order_step(part, t)

    h = 1e-2
    ups = [changed(*(1.0 + h * row)) for row in np.eye(3)]
    downs = [changed(*(1.0 - h * row)) for row in np.eye(3)]
    slopes = np.column_stack([(a - b) / (2.0 * h) for a, b in zip(ups, downs, strict=True)])
    return float(np.max(np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes)))))


# Step and square wave ---------------------------------------------------------------------


@dataclass(frozen=True)
class StepTest:
    """A step test, or a square wave where the drive only switches.

    Attributes
    ----------
    fitted : Fitted
    by_hand : FirstOrder or None
        The same by three readings of the mean step, or of each half of the mean square wave;
        None where noise hides it.
    duty, step_duty : float
        Settled duty and the step up and down from it [-]; of a square wave half of the way
        from off to on.
    horizon_s : float
        How long a step lasts [s]; of a square wave one period.
    pairs : int
        Steps up and down that were averaged; periods of a square wave.
    wanted_step_duty : float
        Step at which noise moves no number by more than a tenth in one pair [-].
    square : bool
    """

    fitted: Fitted
    by_hand: FirstOrder | None
    duty: float
    step_duty: float
    horizon_s: float
    pairs: int
    wanted_step_duty: float
    square: bool
    time_s: Array
    fall_k: Array


def wanted_step(bench: Bench, expected: FirstOrder, horizon_s: float) -> float:
    """Return the step with which a pair of steps leaves `WANTED_SHARE` to the noise [-]."""
    return noise_error(expected, horizon_s) * bench.noise_k / WANTED_SHARE / sqrt(2.0)


def step_size(bench: Bench, wanted: float) -> float:
    """Return the step to take [-]: twice what noise asks for, a tenth at least, if it fits.

    No larger: a smoothed drive's gain changes along the way.

    Raises
    ------
    NoBenchTest
        When there is no room about the settled duty.
    """
    room = room_for_step(bench)
    if room < 0.02:
        raise NoBenchTest(f"no room for a step about {100.0 * bench.point.duty:.0f} % duty")
    return min(room, max(ceil(200.0 * wanted - 1e-9) / 100.0, 0.1))


def room_for_step(bench: Bench) -> float:
    """Return the largest step that fits above and below the settled duty [-]."""
    room = min(bench.most_duty - bench.point.duty, bench.point.duty - LEAST_DUTY)
    return round(max(floor_to(room, 0.01), 0.0), 3)


def floor_to(value: float, step: float) -> float:
    """Return the largest multiple of `step` up to `value`."""
    return float(np.floor(value / step + 1e-9) * step)


def step_test(bench: Bench, expected: FirstOrder) -> StepTest:
    """Return what steps up and down from a settled duty show.

    Up and down the same distance, each from rest: what bends the plant one way cancels.
    `expected` says how long to wait and how often; the numbers come from readings alone.
    """
    if bench.only_switches:
        return square_test(bench, expected)
    duty = bench.point.duty
    horizon_s = float(ceil(expected.horizon_s / 10.0) * 10)
    wanted = wanted_step(bench, expected, horizon_s)
    size = step_size(bench, wanted)
    pairs = int(min(max(ceil((wanted / size) ** 2), 1), MOST_PAIRS))
    runs = []
    for k in range(2 * pairs):
        after = duty + (size if k % 2 == 0 else -size)
        law = Timed((duty, after), (BEFORE_S,))
        runs.append(_run(bench, law, BEFORE_S + horizon_s, k))
    given = [(r["duty"], r["reading_c"], duty) for r in runs]
    guess = FirstOrder(expected.gain_k, 0.3 * horizon_s, 0.05 * horizon_s)
    fitted = fit_readings(given, bench.firmware.tick_s, guess, bench.noise_k)
    before = int(BEFORE_S)
    falls = [
        (np.mean(y[:before]) - y[before:]) * (1.0 if k % 2 == 0 else -1.0)
        for k, (_, y, _) in enumerate(given)
    ]
    fall_k = np.mean(falls, axis=0)
    time_s = np.arange(fall_k.size) * bench.firmware.tick_s
    return StepTest(
        fitted, three_readings(time_s, fall_k, size), duty, size, horizon_s, pairs, wanted, False,
        time_s, fall_k,
    )  # fmt: skip


def _run(bench: Bench, law: object, seconds: float, run: int) -> Record:
    # The firmware waits for its first readings: let it settle, then start the test's clock.
    return bench.loop(law, run).run(seconds, bench.firmware.tick_s)


def three_readings(time_s: Array, fall_k: Array, step_duty: float) -> FirstOrder | None:
    """Return the model by hand: the end of the step by three readings, the rest by a ruler.

    Falls at a fifth, three fifths and the end of the step, equally apart by D: f = (y3 - y2)/(y2
    - y1), end E = y1 + (y2 - y1)/(1 - f) (from first order, exact).  Each is the mean over a
    twentieth of the step about its time; then `ruled_line`; None where noise hides it.
    """
    horizon = float(time_s[-1])
    wide = 0.025 * horizon
    times = [0.2 * horizon, 0.575 * horizon, 0.95 * horizon]
    y1, y2, y3 = (float(np.mean(fall_k[np.abs(time_s - t) <= wide])) for t in times)
    if not 0.0 < y3 - y2 < y2 - y1 or y1 <= 0.0:
        return None
    end = y1 + (y2 - y1) / (1.0 - (y3 - y2) / (y2 - y1))
    found = ruled_line(time_s, fall_k, end)
    return None if found is None else FirstOrder(end / step_duty, *found)


def ruled_line(time_s: Array, fall_k: Array, end_k: float) -> tuple[float, float] | None:
    """Return (time constant, dead time) [s] from a fall on half-logarithmic paper.

    ln(1/(1 - y/E)) over time is a straight line of slope 1/tau that crosses zero at the dead
    time (first order with dead time, exact; textbook).  The line through the readings from 5 to
    50 % of the end: what is later belongs to the slow lags of walls and contents, which this
    model has not, and many readings beat their noise down.  Read every 5 s; where the mean of
    three passes a share is where it counts as passed.  None where noise hides it.
    """
    every = max(round(HAND_EVERY_S / (time_s[1] - time_s[0])), 1)
    t, y = time_s[::every], fall_k[::every] / end_k
    calm = np.convolve(y, np.full(3, 1.0 / 3.0), "same")
    passed = [np.flatnonzero(calm[1:-1] >= share) + 1 for share in HAND_SHARES]
    if any(item.size == 0 for item in passed):
        return None
    rows = slice(int(passed[0][0]), max(int(passed[1][0]), int(passed[0][0]) + 2) + 1)
    if np.any(y[rows] >= 1.0):
        return None
    slope, at_zero = (float(x) for x in np.polyfit(t[rows], -np.log(1.0 - y[rows]), 1))
    return (1.0 / slope, max(-at_zero / slope, 0.0)) if slope > 0.0 else None


def square_test(bench: Bench, expected: FirstOrder) -> StepTest:
    """Return what switching on and off by the clock shows, where nothing lies between."""
    duty = bench.point.duty
    period_s = float(ceil(2.0 * expected.horizon_s / 10.0) * 10)
    on_s = round(duty * period_s)
    ends: list[float] = []
    for k in range(SQUARE_PERIODS):
        ends += [k * period_s + on_s, (k + 1) * period_s]
    law = Timed(tuple([1.0, 0.0] * SQUARE_PERIODS), tuple(ends))
    record = _run(bench, law, SQUARE_PERIODS * period_s, 0)
    given = [(record["duty"], record["reading_c"], duty)]
    guess = FirstOrder(expected.gain_k, 0.15 * period_s, 0.025 * period_s)
    fitted = fit_readings(
        given, bench.firmware.tick_s, guess, bench.noise_k,
        discard=int(SQUARE_DISCARDED * period_s), drifts=True,
    )  # fmt: skip
    wanted = wanted_step(bench, expected, 0.5 * period_s)
    rows = slice(int(SQUARE_DISCARDED * period_s), None)
    wave = np.mean(record["reading_c"][rows].reshape(-1, int(period_s)), axis=0)
    return StepTest(
        fitted, square_by_hand(wave, on_s), duty, 0.5, period_s,
        SQUARE_PERIODS - SQUARE_DISCARDED, wanted, True,
        np.arange(wave.size) * 1.0, wave[0] - wave,
    )  # fmt: skip


def square_by_hand(wave_c: Array, on_s: int) -> FirstOrder | None:
    """Return the model by hand from a mean period of 1 s ticks, on for its first `on_s`.

    Each half bends towards its goal by the rule of `three_readings`; the goals lie one gain
    apart.  Where it had gone on as before, the reading of a half would have been the former
    goal G' plus (Y - G') e^(-t/tau'), Y its reading at the switching: what it differs from that
    is a whole step's response, and `ruled_line` reads it (superposition, exact for a linear
    plant once the former half is one lag).
    """
    halves = (wave_c[:on_s], wave_c[on_s:])
    on, off = (_goal_of(half) for half in halves)
    if on is None or off is None or on[0] >= off[0]:
        return None
    gain = off[0] - on[0]
    each = []
    for half, former, known, sign in (
        (halves[0], halves[1], off, 1.0), (halves[1], halves[0], on, -1.0),
    ):  # fmt: skip
        goal, tau = known
        last_s = int(HAND_EVERY_S)
        turn = float(np.mean(former[-2 * last_s :]))  # three readings, 5 s before the switching
        t = np.arange(half.size, dtype=float)
        gone_on = goal + (turn - goal) * np.exp(-(t + last_s) / tau)
        read = ruled_line(t, sign * (gone_on - half), gain)
        if read is None:
            return None
        each.append(read)
    tau_s, dead_s = (0.5 * (first + second) for first, second in zip(*each, strict=True))
    return FirstOrder(gain, tau_s, dead_s)


def _goal_of(half_c: Array) -> tuple[float, float] | None:
    """Return (goal [°C], time constant [s]) of half a square wave by three readings, or None."""
    wide = max(half_c.size // 40, 1)
    middles = [int(share * half_c.size) for share in (0.3, 0.6, 0.9)]
    y1, y2, y3 = (float(np.mean(half_c[m - wide : m + wide + 1])) for m in middles)
    if y2 == y1 or not 0.0 < (y3 - y2) / (y2 - y1) < 1.0:
        return None
    fade = (y3 - y2) / (y2 - y1)
    return y1 + (y2 - y1) / (1.0 - fade), 0.3 * half_c.size / -log(fade)


def smoothed(wave: Array, width: int) -> Array:
    """Return a periodic wave averaged over `width` points about each (made odd)."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(wave, width + 1 - width % 2, mode="wrap"))

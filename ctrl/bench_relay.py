"""The relay test on the bench: its cycle as read, and the model that it gives."""

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ctrl.bench import (
    SMOOTHED_S,
    Bench,
    NoBenchTest,
    Relay,
    smoothed,
    step_size,
    wanted_step,
)
from ctrl.first_order import FirstOrder, describing_function_gain
from ctrl.first_order import relay_test as exact_cycle
from ctrl.linearise import Array
from ctrl.record import INDEX

CYCLES, CYCLES_DISCARDED = 12, 4
SIGMAS_IN_BAND = 4.0  # half the relay's band over the reading's noise; common practice
STEPS_IN_BAND = 1.5  # ... and over one step of the reading
PHASES = 400
EIGHTHS = 8  # readings a cycle that the recipe asks for
LONGEST_RELAY_S = 6 * 3600.0


@dataclass(frozen=True)
class RelayCycle:
    """A relay's cycle as read, averaged over whole cycles.

    Attributes
    ----------
    max_c, min_c, mean_c : float
        Reading [°C].
    high_c, low_c : float
        Reading at the moment of switching up and down [°C].
    on_s, off_s : float
        Time at the larger and the smaller duty [s].
    mean_duty : float
        [-].
    cycles : int
        Averaged.
    response : complex
        Fall of the reading over duty, both at the cycle's frequency, exact whatever the
        wave's form [K].
    eighths_c : tuple of float
        Mean reading at each eighth of the cycle from switching up [°C], as the recipe asks.
    """

    max_c: float
    min_c: float
    mean_c: float
    high_c: float
    low_c: float
    on_s: float
    off_s: float
    mean_duty: float
    cycles: int
    response: complex
    eighths_c: tuple[float, ...] = ()

    @property
    def period_s(self) -> float:
        """[s]."""
        return self.on_s + self.off_s

    @property
    def amplitude_k(self) -> float:
        """Half of highest less lowest [K]."""
        return 0.5 * (self.max_c - self.min_c)


@dataclass(frozen=True)
class RelayTest:
    """A relay test.

    Attributes
    ----------
    model : FirstOrder
        By the wave's part at the cycle's own frequency; its gain from the step test.
    cycle : RelayCycle
    low_duty, high_duty : float
        [-].
    by_turns : FirstOrder
        The same from the exact cycle of first order with dead time: its highest and lowest
        reading.  A cabinet has more lags, which round the turns: dead time comes out short.
    half_band_k : float
        Half of the band as it was switched [K].
    describing_gain_k : float
        Fall over duty at the cycle's frequency, by the describing function [K].
    length_s : float
        Whole test [s].
    """

    model: FirstOrder
    cycle: RelayCycle
    low_duty: float
    high_duty: float
    half_band_k: float
    describing_gain_k: float
    length_s: float
    by_turns: FirstOrder | None

    @property
    def half_step_duty(self) -> float:
        """Half of the way between the two duties [-]."""
        return 0.5 * (self.high_duty - self.low_duty)


def measured_cycle(duty: Array, reading_c: Array, tick_s: float, discard: int) -> RelayCycle:
    """Return the mean cycle in ticks of duty [-] and reading [°C], the first `discard` left out.

    Raises
    ------
    NoBenchTest
        When fewer than two whole cycles are left.
    """
    middle = 0.5 * (float(np.min(duty)) + float(np.max(duty)))
    high = duty > middle
    ups = np.flatnonzero(high[1:] & ~high[:-1]) + 1
    ups = ups[discard:]
    if ups.size < 3:
        raise NoBenchTest("the relay does not cycle within the time of the test")
    phase = np.arange(PHASES) / PHASES
    waves, on_ticks = [], []
    for first, after in zip(ups[:-1], ups[1:], strict=True):
        on_ticks.append(int(np.sum(high[first:after])))
        at = first + phase * (after - first)
        waves.append(np.interp(at, np.arange(first, after + 1), reading_c[first : after + 1]))
    whole = slice(int(ups[0]), int(ups[-1]))
    period_s = float(ups[-1] - ups[0]) / (ups.size - 1) * tick_s
    on_s = float(np.mean(on_ticks)) * tick_s
    wave = np.mean(waves, axis=0)
    width = max(int(SMOOTHED_S / period_s * PHASES), 1)
    wave = smoothed(wave, width)
    turn = np.exp(-2j * pi * _phase(ups))
    eighth = float(ups[-1] - ups[0]) / (ups.size - 1) / EIGHTHS
    rows = ups[:-1, None] + np.rint(np.arange(EIGHTHS) * eighth).astype(int)[None, :]
    response = -np.sum(reading_c[whole] * turn) / np.sum(duty[whole] * turn)
    return RelayCycle(
        max_c=float(np.max(wave)), min_c=float(np.min(wave)),
        mean_c=float(np.mean(reading_c[whole])),
        high_c=float(wave[0]), low_c=float(wave[round(on_s / period_s * PHASES) % PHASES]),
        on_s=on_s, off_s=period_s - on_s, mean_duty=float(np.mean(duty[whole])),
        cycles=ups.size - 1, response=complex(response),
        eighths_c=tuple(float(x) for x in np.mean(reading_c[rows], axis=0)),
    )  # fmt: skip


def _phase(ups: NDArray[np.integer]) -> Array:
    """Return the turns since the first switching of each tick, one a cycle, shape (ticks,)."""
    ticks = np.arange(ups[0], ups[-1])
    return np.interp(ticks, ups, np.arange(ups.size, dtype=float))


def model_of_cycle(cycle: RelayCycle, gain_k: float, low: float, high: float) -> FirstOrder:
    """Return the model whose exact cycle under a relay is the one measured (own derivation).

    The mean reading and duty place where each duty would lead; time constants from both
    halves t = tau ln((far end)/(near end)), dead times from both turns
    theta = tau ln((goal - switching)/(goal - turn)); means of the two.

    Raises
    ------
    NoBenchTest
        When the gain is too small for this cycle.
    """
    on_goal = cycle.mean_c - gain_k * (high - cycle.mean_duty)
    off_goal = cycle.mean_c + gain_k * (cycle.mean_duty - low)
    if not on_goal < cycle.min_c < cycle.max_c < off_goal:
        raise NoBenchTest(
            f"a gain of {gain_k:.2f} K is too small for a cycle of "
            f"{cycle.max_c - cycle.min_c:.2f} K: repeat the step test"
        )
    on_tau = cycle.on_s / log((cycle.max_c - on_goal) / (cycle.min_c - on_goal))
    off_tau = cycle.off_s / log((off_goal - cycle.min_c) / (off_goal - cycle.max_c))
    tau = 0.5 * (on_tau + off_tau)
    up = tau * log((off_goal - cycle.high_c) / (off_goal - cycle.max_c))
    down = tau * log((cycle.low_c - on_goal) / (cycle.min_c - on_goal))
    return FirstOrder(gain_k, tau, 0.5 * (up + down))


def model_at(response: complex, omega: float, gain_k: float, hold_s: float) -> FirstOrder:
    """Return the model of gain `gain_k` [K] with this response at `omega` [rad/s].

    |G| = K/sqrt(1 + (w tau)^2), -arg G = w theta + atan(w tau) + w hold/2 (textbook).
    """
    if abs(response) >= gain_k:
        raise NoBenchTest(f"a gain of {gain_k:.2f} K is too small: repeat the step test")
    turn = sqrt((gain_k / abs(response)) ** 2 - 1.0)
    lag = (-np.angle(response)) % (2.0 * pi)
    dead = (lag - np.arctan(turn)) / omega - 0.5 * hold_s
    return FirstOrder(gain_k, turn / omega, float(dead))


def hand_response(cycle: RelayCycle, half_duty: float) -> tuple[float, float]:
    """Return (gain [K], lag [s]) at the cycle's frequency from its eight readings.

    The first harmonic of reading and duty (textbook); eight readings a cycle let only the
    seventh in, which a cabinet hardly passes.  `half_duty` is half the relay's step [-].
    """
    r0, r1, r2, r3, r4, r5, r6, r7 = cycle.eighths_c
    root = sqrt(0.5)
    even = 0.25 * (r0 - r4 + root * (r1 - r3 - r5 + r7))
    odd = 0.25 * (r2 - r6 + root * (r1 + r3 - r5 - r7))
    period_s = cycle.period_s
    swing = 4.0 * half_duty / pi * float(np.sin(pi * cycle.on_s / period_s))
    angle = float(np.arctan2(-odd, -even))
    lag_s = (angle / (2.0 * pi) * period_s - 0.5 * cycle.on_s) % period_s
    return sqrt(even**2 + odd**2) / swing, lag_s


def hand_model(
    cycle: RelayCycle, half_duty: float, gain_k: float, hold_s: float
) -> FirstOrder | None:
    """Return the model by the recipe's own steps, its gain [K] the step's; None if too small."""
    here_k, lag_s = hand_response(cycle, half_duty)
    omega = 2.0 * pi / cycle.period_s
    try:
        return model_at(here_k * np.exp(-1j * omega * lag_s), omega, gain_k, hold_s)
    except NoBenchTest:
        return None


def band_for(bench: Bench, expected: FirstOrder, half_duty: float) -> float:
    """Return half the relay's band [K]: above the noise, and wide enough to cycle slowly.

    Slowly means half of the step's horizon, near where the loop will cross; a narrow band
    cycles faster, where the cabinet's many small lags are in the way.
    """
    least = max(SIGMAS_IN_BAND * bench.noise_k, STEPS_IN_BAND * bench.step_k, 0.05)
    reach = expected.gain_k * half_duty
    low, high = 0.0, 0.95 * reach
    for _ in range(30):
        half = 0.5 * (low + high)
        period_s = exact_cycle(reach, expected.tau_s, expected.dead_time_s, half)[1]
        low, high = (half, high) if period_s < 0.5 * expected.horizon_s else (low, half)
    return min(max(least, low), 0.6 * reach)


def relay_test(bench: Bench, gain_k: float, expected: FirstOrder) -> RelayTest:
    """Return what a relay about the settled reading shows; `gain_k` [K] from the step test."""
    low, high = 0.0, 1.0
    if not bench.only_switches:
        size = step_size(bench, wanted_step(bench, expected, expected.horizon_s))
        low, high = bench.point.duty - size, bench.point.duty + size
    half_k = band_for(bench, expected, 0.5 * (high - low))
    middle_c = bench.reading_c
    law = Relay(
        low, high, round(100.0 * (middle_c - half_k)), round(100.0 * (middle_c + half_k)), True
    )
    loop, parts, ups = bench.loop(law, 0), [], 0
    while ups < CYCLES + CYCLES_DISCARDED + 1 and loop.time_s < LONGEST_RELAY_S:
        parts.append(loop.run(600.0, bench.firmware.tick_s).table)
        duty = np.concatenate(parts)[:, INDEX["duty"]]
        high_now = duty > 0.5 * (low + high)
        ups = int(np.sum(high_now[1:] & ~high_now[:-1]))
    table, tick_s = np.concatenate(parts), bench.firmware.tick_s
    duty, reading = table[:, INDEX["duty"]], table[:, INDEX["reading_c"]]
    cycle = measured_cycle(duty, reading, tick_s, CYCLES_DISCARDED)
    # First harmonic of a wave that is on for part of the cycle (textbook).
    swing = 0.5 * (high - low) * float(np.sin(pi * cycle.on_s / cycle.period_s))
    try:
        by_turns = model_of_cycle(cycle, gain_k, low, high)
    except NoBenchTest:
        by_turns = None
    return RelayTest(
        model=model_at(cycle.response, 2.0 * pi / cycle.period_s, gain_k, tick_s),
        cycle=cycle,
        low_duty=low,
        high_duty=high,
        half_band_k=0.5 * (cycle.high_c - cycle.low_c),
        describing_gain_k=1.0 / describing_function_gain(swing, cycle.amplitude_k),
        length_s=loop.time_s,
        by_turns=by_turns,
    )

"""The small cycle that a reading in steps makes: predicted, and measured on a run.

A setpoint between two steps of the reading is never met: the reading jumps between its two
neighbours, and the loop sees a relay of height q.  By the describing function of a relay,
2 q/(pi A) (textbook), it cycles where the loop's phase is -180 deg, and with amplitude
A = (2 q/pi) |L| there: the finer the reading and the larger the gain margin, the smaller.
On a level itself the quantiser gives at most 4/pi (at A = q/sqrt(2)): no cycle while the gain
margin is above 1.27.

Only the first harmonic is kept.  Where one single lag stands between duty and place, the
swing there is a triangle's, pi^2/8 times that; a cold sink and the air are two.
"""

from dataclasses import dataclass
from math import hypot, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ctrl.margins import crossings

QUANTISER_MOST = 4.0 / pi  # largest describing function of a mid-tread quantiser


@dataclass(frozen=True)
class QuantiserCycle:
    """Amplitude and period of a limit cycle.

    `swing_k` is peak to peak at the sensor's place, before the sensor's lag [K]; `period_s`
    is 0 where there is none [s].
    """

    swing_k: float
    period_s: float


NO_CYCLE = QuantiserCycle(0.0, 0.0)


def quantiser_gain(amplitude: float, step: float) -> float:
    """Return the describing function of rounding to multiples of `step` [-].

    (4 q/(pi A)) sum over i of sqrt(1 - ((2 i - 1) q/(2 A))^2) for every threshold that the
    amplitude passes (Gelb and Vander Velde, multiple-input describing functions).
    """
    total, i = 0.0, 1
    while (edge := (2 * i - 1) * step / (2.0 * amplitude)) < 1.0:
        total += sqrt(1.0 - edge * edge)
        i += 1
    return 4.0 * step / (pi * amplitude) * total


def predict(
    omega: NDArray[np.floating], loop: NDArray[np.complexfloating], step_k: float, lag_s: float
) -> QuantiserCycle:
    """Return the cycle of a setpoint half way between two steps of the reading.

    Parameters
    ----------
    omega : ndarray, shape (n,)
        [rad/s].
    loop : complex ndarray, shape (n,)
        Open loop from the sensor's own temperature round to it, its reading unquantised.
    step_k : float
        Step of the reading [K].
    lag_s : float
        Time constant of the sensor: its place swings more than it does [s].
    """
    phase = np.unwrap(np.angle(loop))
    passed = crossings(np.log(omega), phase, -pi)
    if not passed:
        return NO_CYCLE
    _, where = passed[0]
    at = float(np.exp(where))
    size = float(np.exp(np.interp(where, np.log(omega), np.log(np.abs(loop)))))
    amplitude = 2.0 * step_k / pi * size
    return QuantiserCycle(2.0 * amplitude * hypot(1.0, at * lag_s), 2.0 * pi / at)


def measure(values_k: NDArray[np.floating], row_s: float) -> QuantiserCycle:
    """Return swing and period of a recorded signal [K, s], its slow drift taken off.

    The period is that of the strongest line of its spectrum.
    """
    rows = np.arange(values_k.size)
    flat = values_k - np.polyval(np.polyfit(rows, values_k, 1), rows)
    power = np.abs(np.fft.rfft(flat * np.hanning(flat.size))) ** 2
    best = int(np.argmax(power[2:])) + 2
    swing = float(np.percentile(flat, 99.5) - np.percentile(flat, 0.5))
    return QuantiserCycle(swing, values_k.size * row_s / best)


__all__ = ["NO_CYCLE", "QuantiserCycle", "measure", "predict", "quantiser_gain"]

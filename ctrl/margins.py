"""How far the sampled PI loop is from instability: gain, phase, delay, peak sensitivity.

The controller is the one of `ctrl.pi` (integral by forward Euler), the plant the sampled
one of `ctrl.linearise`; both are taken exactly, on a grid of frequencies up to half the
sampling rate.  The tests compare with python-control on the same loop.
"""

from dataclasses import dataclass
from math import inf, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrl.linearise import Array, LinearPlant, sampled, sampled_response

POINTS_PER_DECADE = 250
MOST_POINTS = 40000


@dataclass(frozen=True)
class Margins:
    """Stability margins of one loop; all 0 where it is unstable.

    Attributes
    ----------
    gain_margin : float
        Smallest factor on the gain that makes it unstable [-].
    phase_margin_deg : float
        Smallest phase margin over all crossings [deg].
    ms : float
        Largest sensitivity, max 1/|1 + L| [-]; infinite when unstable.
    delay_margin_s : float
        Additional delay it bears [s].
    crossover_rad_per_s : float
        Highest frequency at which |L| = 1 [rad/s].
    gain_reduction_margin : float
        Smallest factor by which the gain may fall [-]; infinite unless the loop is only
        conditionally stable.
    stable : bool
    """

    gain_margin: float
    phase_margin_deg: float
    ms: float
    delay_margin_s: float
    crossover_rad_per_s: float
    gain_reduction_margin: float = inf
    stable: bool = True


UNSTABLE = Margins(0.0, 0.0, inf, 0.0, 0.0, 0.0, False)


def pi_response(kp_pct_per_k: float, ti_s: float, period_s: float, omega: Array) -> NDArray[Any]:
    """Return the controller's response [duty per K] at `omega` [rad/s].

    u = Kc e + I, I[k+1] = I[k] + Kc (h/Ti) e[k], so C(z) = Kc (1 + (h/Ti)/(z - 1)).
    """
    z = np.exp(1j * omega * period_s)
    return 0.01 * kp_pct_per_k * (1.0 + period_s / ti_s / (z - 1.0))


def frequency_grid(linear: LinearPlant, period_s: float, delay_s: float, slowest_s: float) -> Array:
    """Return frequencies [rad/s] from far below the slowest pole to half the sampling rate.

    Logarithmic, and nowhere coarser than a tenth of a radian of the delay's own turn.
    """
    top = pi / period_s
    slow = float(np.max(1.0 / np.maximum(np.abs(np.linalg.eigvals(linear.A)), 1e-12)))
    low = min(1e-3 / max(slow, slowest_s), 1e-3 * top)
    count = int(POINTS_PER_DECADE * np.log10(top / low)) + 2
    grid = np.geomspace(low, top, count)
    turns = min(int(top * (delay_s + period_s) / 0.1) + 2, MOST_POINTS)
    return np.unique(np.concatenate([grid, np.linspace(top / turns, top, turns)]))


def crossings(x: Array, y: Array, level: float) -> list[tuple[int, float]]:
    """Return (index before, x) of each crossing of `level` by y(x), linear between points."""
    above = y > level
    at = np.nonzero(above[1:] != above[:-1])[0]
    share = (level - y[at]) / (y[at + 1] - y[at])
    return [(int(i), float(x[i] + s * (x[i + 1] - x[i]))) for i, s in zip(at, share, strict=True)]


def is_stable(loop: NDArray[Any]) -> bool:
    """Tell whether a loop with one integrator and no unstable part closes to a stable one.

    Nyquist: from frequency 0+ to half the sampling rate the angle of 1 + L grows by a
    quarter turn; every unstable pole takes one half turn from it.
    """
    angle = np.unwrap(np.angle(1.0 + loop))
    return bool(abs(angle[-1] - angle[0] - 0.5 * pi) < 0.25 * pi)


def margins_of(omega: Array, loop: NDArray[Any]) -> Margins:
    """Return the margins of a loop response on a grid.

    Parameters
    ----------
    omega : ndarray, shape (n,)
        Rising, from far below the slowest pole to half the sampling rate [rad/s].
    loop : complex ndarray, shape (n,)
        L, negative feedback understood; one integrator, no unstable pole.
    """
    if not is_stable(loop):
        return UNSTABLE
    log_size, log_omega = np.log(np.abs(loop)), np.log(omega)
    phase = np.unwrap(np.angle(loop))
    up, down = inf, inf
    lowest, highest = float(np.min(phase)), float(np.max(phase))
    for turn in range(int(np.floor(lowest / (2.0 * pi))) - 1, int(highest / (2.0 * pi)) + 2):
        for i, where in crossings(log_omega, phase, (2 * turn + 1) * pi):
            size = float(np.exp(np.interp(where, log_omega[i : i + 2], log_size[i : i + 2])))
            if size < 1.0:
                up = min(up, 1.0 / size)
            else:
                down = min(down, size)
    # At half the sampling rate a real negative L is a crossing too, if only touched.
    if loop[-1].real < 0.0:
        up = min(up, 1.0 / abs(loop[-1].real))
    margin, delay, crossover = inf, inf, 0.0
    for i, where in crossings(log_omega, log_size, 0.0):
        angle = float(np.interp(where, log_omega[i : i + 2], phase[i : i + 2]))
        past = (angle + pi) % (2.0 * pi)
        margin = min(margin, past, 2.0 * pi - past)
        crossover = float(np.exp(where))
        delay = min(delay, past / crossover)
    peak = float(np.max(1.0 / np.abs(1.0 + loop)))
    return Margins(up, float(np.degrees(margin)), peak, delay, crossover, down)


def margins(
    linear: LinearPlant, kp_pct_per_k: float, ti_s: float, period_s: float, delay_s: float
) -> Margins:
    """Return the margins of the sampled PI loop on one linear plant.

    Parameters
    ----------
    linear : LinearPlant
        Open-loop stable, as every settled cabinet is.
    kp_pct_per_k, ti_s : float
        Gain [% duty per K] and integral time [s].
    period_s : float
        Control period [s].
    delay_s : float
        From the reading to the change of duty [s], as in `ctrl.linearise.sampled`.
    """
    omega = frequency_grid(linear, period_s, delay_s, ti_s)
    plant = sampled_response(linear, period_s, delay_s, omega)
    return margins_of(omega, plant * pi_response(kp_pct_per_k, ti_s, period_s, omega))


def control_margins(
    linear: LinearPlant, kp_pct_per_k: float, ti_s: float, period_s: float, delay_s: float
) -> Margins:
    """Return the margins of the sampled PI loop as python-control finds them.

    The same loop as `margins`, with dead time and sample-and-hold as states of a discrete
    system, and nothing of `margins` in it but the grid. Slower by far, so the search uses
    `margins` and this confirms what it found.
    Parameters as in `margins`.
    """
    import control

    gain = 0.01 * kp_pct_per_k  # duty per K
    law = control.tf([gain, gain * (period_s / ti_s - 1.0)], [1.0, -1.0], period_s)
    # More duty lowers the reading: the loop turns the plant's sign round.
    loop = -(sampled(linear, period_s, delay_s) * control.ss(law))
    omega = frequency_grid(linear, period_s, delay_s, ti_s)
    response = control.frd(loop(np.exp(1j * omega * period_s)), omega, smooth=True)
    gains, phases, distances, _, crossovers, _ = control.stability_margins(response, returnall=True)
    first = int(np.argmin(np.abs(phases)))
    # Two things a table of responses does not show: whether the loop is stable at all, and a
    # crossing that lies at half the sampling rate itself, where z = -1 and L is real.
    if np.max(np.abs(control.poles(control.feedback(loop, 1)))) >= 1.0:
        return UNSTABLE
    crossed = [float(g) for g in gains if g > 1.0]
    touched = float(np.real(loop(-1.0 + 0.0j)))
    if -1.0 < touched < 0.0:
        crossed.append(-1.0 / touched)
    return Margins(
        gain_margin=min(crossed, default=inf),
        phase_margin_deg=float(abs(phases[first])),
        ms=1.0 / float(np.min(distances)),
        delay_margin_s=float(np.radians(abs(phases[first])) / crossovers[first]),
        crossover_rad_per_s=float(crossovers[first]),
    )


def worst(several: list[Margins]) -> Margins:
    """Return the smallest of every margin over several plants (crossover: the highest)."""
    return Margins(
        gain_margin=min(m.gain_margin for m in several),
        phase_margin_deg=min(m.phase_margin_deg for m in several),
        ms=max(m.ms for m in several),
        delay_margin_s=min(m.delay_margin_s for m in several),
        crossover_rad_per_s=max(m.crossover_rad_per_s for m in several),
        gain_reduction_margin=min(m.gain_reduction_margin for m in several),
        stable=all(m.stable for m in several),
    )

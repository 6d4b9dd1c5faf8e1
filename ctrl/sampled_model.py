"""The sampled transfer function that a controller of the config's period meets."""

from dataclasses import dataclass
from math import exp, floor

import numpy as np

from ctrl.candidates import control_period_s, reading_delay_s
from ctrl.config import Config
from ctrl.first_order import FirstOrder, near_crossover
from ctrl.linearise import LinearPlant, sampled_matrices, sampled_response


@dataclass(frozen=True)
class SampledModel:
    """Fall of the reading over duty, z^-delay_samples (n0 + n1 z^-1)/(d0 + d1 z^-1).

    Attributes
    ----------
    period_s : float
        Control period, the duty held between [s].
    delay_s : float
        Counted besides the plant: the reading's age and half of a slow window [s].
    delay_samples : int
        Whole periods, the one of the hold included.
    numerator : tuple of float
        n0, n1 [K per unit duty].
    denominator : tuple of float
        d0 = 1, d1 [-].
    error_pct : float
        Largest deviation from the full sampled plant's response over the octave below the
        expected crossover, up to half the sampling frequency [%].
    plant_poles : tuple of complex
        Of the full sampled plant [-], the slowest last.
    """

    period_s: float
    delay_s: float
    delay_samples: int
    numerator: tuple[float, float]
    denominator: tuple[float, float]
    error_pct: float
    plant_poles: tuple[complex, ...]


def sampled_first_order(
    model: FirstOrder, period_s: float
) -> tuple[int, tuple[float, float], tuple[float, float]]:
    """Return (delay in samples, numerator, denominator) of a model under a held duty.

    With dead time of n periods and a rest f: a = e^(-h/tau), n0 = K (1 - e^(-(h-f)/tau)),
    n1 = K (e^(-(h-f)/tau) - a), delay n + 1 (Astrom and Wittenmark, Computer-Controlled
    Systems, sampling of systems with delay).
    """
    whole = floor(model.dead_time_s / period_s + 1e-9)
    rest_s = max(model.dead_time_s - whole * period_s, 0.0)
    fade, part = exp(-period_s / model.tau_s), exp(-(period_s - rest_s) / model.tau_s)
    return whole + 1, (model.gain_k * (1.0 - part), model.gain_k * (part - fade)), (1.0, -fade)


def sampled_model(
    config: Config, linear: LinearPlant, model: FirstOrder, counted_s: float
) -> SampledModel:
    """Return the sampled model of a config's cabinet.

    Parameters
    ----------
    config : Config
    linear : LinearPlant
    model : FirstOrder
        Of `linear`; its dead time counts `counted_s` of delay outside the plant [s].
    counted_s : float
    """
    period_s = control_period_s(config, config.drive.kind)
    window_s = config.drive.window_s if config.drive.kind == "slow_window" else 0.0
    delay_s = reading_delay_s(config, period_s) + 0.5 * window_s
    moved = FirstOrder(model.gain_k, model.tau_s, max(model.dead_time_s - counted_s, 0.0) + delay_s)
    delay, numerator, denominator = sampled_first_order(moved, period_s)
    omega = near_crossover(model.low_rad_per_s)
    omega = omega[omega < np.pi / period_s]
    error_pct = 0.0
    if omega.size:
        back = np.exp(-1j * omega * period_s)
        ours = back**delay * (numerator[0] + numerator[1] * back) / (1.0 + denominator[1] * back)
        full = sampled_response(linear, period_s, delay_s, omega)
        error_pct = float(100.0 * np.max(np.abs(ours / full - 1.0)))
    poles = np.linalg.eigvals(sampled_matrices(linear, period_s, 0.0)[0])
    return SampledModel(
        period_s, delay_s, delay, numerator, denominator, error_pct,
        tuple(complex(x) for x in poles[np.argsort(np.abs(poles))]),
    )  # fmt: skip

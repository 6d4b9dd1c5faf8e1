"""The cabinet as one lag and one dead time: K e^(-theta s)/(tau s + 1).

Enough for tuning rules and for a thermostat's cycle; not enough for a day.  The reading
is counted as a fall: duty up, reading down, K positive.
"""

from dataclasses import dataclass
from math import exp, inf, log, pi, sqrt

import numpy as np

from ctrl.linearise import (
    Array,
    LinearPlant,
    frequency_response,
    largest_fall_k_per_duty,
    step_response,
)

# A tight loop crosses where the plant with its delay lags by about 90 degrees and half a
# radian (tuning with tau_c = theta); the fit is centred there.
CROSSOVER_PHASE_RAD = pi / 2.0 + 0.5
# The fit covers one decade of frequency, more of it below: that is where the loop works,
# and above it the many small lags of the plant turn away from any single dead time.
BELOW, ABOVE = 5.0, 2.0
# Room above the largest fall: a lag that slow leaves the fit no better hold of the gain.
GAIN_ROOM = 1.02
# A lag of more than so many horizons is as good as an integrator there.
INTEGRATING_HORIZONS = 3.0


@dataclass(frozen=True)
class FirstOrder:
    """First order with dead time, right about crossover.

    Attributes
    ----------
    gain_k : float
        Fall of the reading per unit duty that the fit would end at [K]; the real cabinet
        creeps on from there as contents and walls follow.
    tau_s, dead_time_s : float
        Time constant and dead time [s].
    low_rad_per_s, high_rad_per_s : float
        Range of frequency of the fit [rad/s].
    fit_error_pct : float
        Largest deviation from the full plant's step response up to `horizon_s`, relative
        to its largest value there [%].
    horizon_s : float
        [s].
    response_error_pct : float
        Largest relative error of the complex response over the octave below the expected
        crossover, where a tuned loop crosses [%].
    """

    gain_k: float
    tau_s: float
    dead_time_s: float
    low_rad_per_s: float = 0.0
    high_rad_per_s: float = 0.0
    fit_error_pct: float = 0.0
    horizon_s: float = 0.0
    response_error_pct: float = 0.0

    @property
    def slope_k_per_s(self) -> float:
        """Speed at which a unit of duty moves the reading at first, K/tau [K/s]."""
        return self.gain_k / self.tau_s

    def is_integrating(self, horizon_s: float) -> bool:
        """Tell whether only K/tau has a meaning within a time [s]."""
        return self.tau_s > INTEGRATING_HORIZONS * horizon_s


def crossover_guess(linear: LinearPlant, delay_s: float) -> float:
    """Return the frequency [rad/s] about which a tight loop would cross."""
    omega = np.logspace(-7.0, 2.0, 4001)
    phase = np.unwrap(np.angle(frequency_response(linear, omega))) - omega * delay_s
    # From the top down: slow modes may bring a first, harmless passage.
    above = np.nonzero(phase > -CROSSOVER_PHASE_RAD)[0]
    if above.size == 0:
        raise ArithmeticError("the cabinet's reading does not fall with duty at any frequency")
    return float(omega[min(int(above[-1]) + 1, omega.size - 1)])


def fit_range(linear: LinearPlant, delay_s: float) -> tuple[float, float]:
    """Return the decade about the expected crossover [rad/s]."""
    middle = crossover_guess(linear, delay_s)
    return middle / BELOW, middle * ABOVE


def first_order_response(model: FirstOrder, omega: Array) -> Array:
    """Return the model's complex response at `omega` [rad/s]."""
    s = 1j * omega
    return model.gain_k * np.exp(-s * model.dead_time_s) / (model.tau_s * s + 1.0)


def first_order_step(model: FirstOrder, t: Array) -> Array:
    """Return the model's fall of the reading [K] at `t` [s] after a unit step of duty."""
    since = np.maximum(np.asarray(t, dtype=float) - model.dead_time_s, 0.0)
    return -model.gain_k * np.expm1(-since / model.tau_s)


def near_crossover(low: float) -> Array:
    """Return the octave below the expected crossover [rad/s]; `low` as of `fit_range`."""
    return np.geomspace(0.5 * BELOW * low, BELOW * low, 20)


def response_error_pct(
    model: FirstOrder, linear: LinearPlant, delay_s: float, omega: Array
) -> float:
    """Return the largest relative error of a model's complex response at `omega` [%]."""
    exact = frequency_response(linear, omega, delay_s)
    return float(100.0 * np.max(np.abs(first_order_response(model, omega) / exact - 1.0)))


def first_order(linear: LinearPlant, delay_s: float = 0.0) -> FirstOrder:
    """Return the first order with dead time that is right about crossover.

    Least squares of the logarithm of the complex response over one decade about the
    expected crossover.  A cabinet has lags from seconds to a day; a loop of minutes meets
    only those near its own pace, and the fit says over what span it holds.  Where the lag
    is far slower than that span, only the ratio of gain to time constant has a meaning; the
    gain is then held to the largest fall that the plant ever shows.

    Parameters
    ----------
    linear : LinearPlant
    delay_s : float
        Dead time outside the plant [s]; it counts to `dead_time_s`.

    Raises
    ------
    ArithmeticError
        When the reading does not fall with duty in the range of the fit.
    """
    from scipy.optimize import least_squares

    low, high = fit_range(linear, delay_s)
    omega = np.geomspace(low, high, 60)
    exact = frequency_response(linear, omega, delay_s)
    if np.angle(exact[0]) > 0.0:
        raise ArithmeticError("the cabinet's reading does not fall with duty near crossover")

    def model_of(p: Array) -> FirstOrder:
        gain, pole, dead = np.exp(p)
        return FirstOrder(gain, 1.0 / pole, dead)

    def misfit(p: Array) -> Array:
        ratio = np.log(first_order_response(model_of(p), omega) / exact)
        return np.concatenate([ratio.real, ratio.imag])

    middle = sqrt(low * high)
    rate = middle * float(np.abs(exact[omega.size // 2]))
    start = np.log([rate / (0.3 * middle), 0.3 * middle, max(delay_s, 0.3 / middle)])
    # The pole may not leave the range by much: beyond it nothing tells it from zero.
    least, most = rate / high * 1e-2, rate / low * 1e4
    bounds = np.log([[least, low * 1e-2, 1e-4 / middle], [most, high, 10.0 / middle]])
    found = least_squares(misfit, np.clip(start, *bounds), bounds=tuple(bounds)).x
    horizon_s = pi / low
    if model_of(found).is_integrating(horizon_s):
        most = min(GAIN_ROOM * largest_fall_k_per_duty(linear), most)
        if least < most < model_of(found).gain_k:
            bounds[1, 0] = np.log(most)
            # Same ratio of gain to time constant: only that has been seen.
            start = found + [bounds[1, 0] - found[0], found[0] - bounds[1, 0], 0.0]
            found = least_squares(misfit, np.clip(start, *bounds), bounds=tuple(bounds)).x
    model = model_of(found)
    t = np.linspace(horizon_s / 200.0, horizon_s, 200)
    full = np.zeros(t.size)
    full[t > delay_s] = step_response(linear, t[t > delay_s] - delay_s)
    step_error = np.max(np.abs(first_order_step(model, t) - full)) / np.max(np.abs(full))
    return FirstOrder(
        gain_k=float(model.gain_k),
        tau_s=float(model.tau_s),
        dead_time_s=float(model.dead_time_s),
        low_rad_per_s=low,
        high_rad_per_s=high,
        fit_error_pct=float(100.0 * step_error),
        horizon_s=horizon_s,
        response_error_pct=response_error_pct(model, linear, delay_s, near_crossover(low)),
    )


# Tuning rules --------------------------------------------------------------------------


def simc(model: FirstOrder, tau_c_s: float) -> tuple[float, float]:
    """Return (kp [% duty per K], Ti [s]) by the SIMC rule.

    Kc = tau/(K (tau_c + theta)), Ti = min(tau, 4 (tau_c + theta)); tau_c = theta is the
    tight choice (Skogestad 2003, Journal of Process Control 13, 291-309, from memory).
    """
    pace = tau_c_s + model.dead_time_s
    kp = 100.0 * model.tau_s / (model.gain_k * pace)
    return kp, min(model.tau_s, 4.0 * pace)


def lambda_tuning(model: FirstOrder, lambda_s: float) -> tuple[float, float]:
    """Return (kp [% duty per K], Ti [s]) by the lambda rule: Ti = tau, lambda the closed
    loop's time constant (textbook).  Slow against load upsets where tau is far above theta.
    """
    pace = lambda_s + model.dead_time_s
    return 100.0 * model.tau_s / (model.gain_k * pace), model.tau_s


# Relay test ----------------------------------------------------------------------------


def relay_test(
    reach_k: float, tau_s: float, dead_time_s: float, half_band_k: float = 0.0
) -> tuple[float, float]:
    """Return (amplitude [K], period [s]) of the cycle under a symmetric relay.

    Exact for first order with dead time (own derivation):
    a = H - (H - h) e^(-theta/tau), P = 2 tau ln((H + a)/(H - a)).

    Parameters
    ----------
    reach_k : float
        H: how far the reading would go from the middle if the relay stayed, K d [K].
    tau_s, dead_time_s : float
        [s].
    half_band_k : float
        Half the relay's hysteresis, below `reach_k` [K].
    """
    if not 0.0 <= half_band_k < reach_k:
        raise ValueError(f"half_band_k = {half_band_k}: expected 0 to below {reach_k} K")
    amplitude = reach_k - (reach_k - half_band_k) * exp(-dead_time_s / tau_s)
    return amplitude, 2.0 * tau_s * log((reach_k + amplitude) / (reach_k - amplitude))


def from_relay_test(
    reach_k: float, amplitude_k: float, period_s: float, half_band_k: float = 0.0
) -> tuple[float, float]:
    """Return (tau [s], dead time [s]) from a measured cycle: `relay_test` turned round."""
    if not half_band_k <= amplitude_k < reach_k or amplitude_k <= 0.0:
        raise ValueError(
            f"amplitude_k = {amplitude_k}: expected {half_band_k} to below {reach_k} K"
        )
    tau = 0.5 * period_s / log((reach_k + amplitude_k) / (reach_k - amplitude_k))
    return tau, tau * log((reach_k - half_band_k) / (reach_k - amplitude_k))


def describing_function_gain(
    half_swing_duty: float, amplitude_k: float, half_band_k: float = 0.0
) -> float:
    """Return the ultimate gain [duty per K] that the describing function gives.

    4 d/(pi sqrt(a^2 - eps^2)) (Astrom and Hagglund 1984).  A fifth low for a cabinet with a
    lag far above its dead time: prefer `from_relay_test`.
    """
    return 4.0 * half_swing_duty / (pi * sqrt(amplitude_k**2 - half_band_k**2))


# Thermostat ----------------------------------------------------------------------------


@dataclass(frozen=True)
class LimitCycle:
    """One cycle of a thermostat.

    Attributes
    ----------
    t_max_c, t_min_c : float
        Highest and lowest reading [deg C].
    on_s, off_s, period_s : float
        [s].
    run_share : float
        Share of the time on [-].
    """

    t_max_c: float
    t_min_c: float
    on_s: float
    off_s: float
    period_s: float
    run_share: float

    @property
    def swing_k(self) -> float:
        """Highest less lowest reading [K]."""
        return self.t_max_c - self.t_min_c

    @property
    def cycles_per_hour(self) -> float:
        """[1/h]; 0 for an endless cycle."""
        return 0.0 if self.period_s == inf else 3600.0 / self.period_s


def limit_cycle(
    t_on_c: float, t_off_c: float, tau_s: float, theta_s: float, low_c: float, high_c: float
) -> LimitCycle:
    """Return the cycle of a thermostat on first order with dead time (own derivation, exact).

    T_max = T_off - (T_off - hi) e^(-theta/tau), T_min = T_on + (lo - T_on) e^(-theta/tau),
    t_on = tau ln((T_max - T_on)/(T_min - T_on)), t_off = tau ln((T_off - T_min)/(T_off - T_max)).

    Parameters
    ----------
    t_on_c, t_off_c : float
        Where the reading would end if cooling stayed on, and off [deg C].
    tau_s, theta_s : float
        Time constant and dead time, the same both ways [s].
    low_c, high_c : float
        Ends of the band [deg C].

    Raises
    ------
    ValueError
        When the band is not within the reach of on and off: there is no cycle.
    """
    if not t_on_c < low_c < high_c < t_off_c:
        raise ValueError(
            f"band {low_c:g} to {high_c:g} C: expected within {t_on_c:g} to {t_off_c:g} C, "
            "what the cabinet reaches on and off"
        )
    fade = exp(-theta_s / tau_s)
    t_max = t_off_c - (t_off_c - high_c) * fade
    t_min = t_on_c + (low_c - t_on_c) * fade
    on_s = tau_s * log((t_max - t_on_c) / (t_min - t_on_c))
    off_s = tau_s * log((t_off_c - t_min) / (t_off_c - t_max))
    period_s = on_s + off_s
    return LimitCycle(t_max, t_min, on_s, off_s, period_s, on_s / period_s)

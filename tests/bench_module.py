"""A module on a bench, made apart from the model: legs in slices, faces, sinks, scipy's BDF.

Properties change in straight lines: Seebeck +0.158 %/K, resistivity +0.49 %/K about 25 C
(slopes at 300 K of the usual polynomials, computed by hand; conductivity constant).
"""

import numpy as np
from scipy.integrate import solve_ivp

from ctrl.measured_file import Meters

SLICES = 16
REFERENCE_K = 298.15
# Whose readings of it, and of sinks and cabinets, are drawn within these (invented).
METERS = Meters(
    current_tolerance_pct=1.5, voltage_tolerance_pct=1.0, thermometer_tolerance_k=0.3
)  # fmt: skip


class BenchModule:
    """One module between two sinks in moving air, current cut at t = 0."""

    def __init__(self, a=0.0526, r=2.1, k=0.5, current_a=3.0, contact=0.03, varies=True):
        self.a, self.r, self.k, self.current_a = a, r, k, current_a
        self.contact = 1.0 / contact
        self.alpha_slope, self.rho_slope = (0.00158, 0.0049) if varies else (0.0, 0.0)
        self.legs_j_per_k, self.face_j_per_k = 1.2, 6.0
        self.hot_air_k = self.cold_air_k = REFERENCE_K - 3.0
        self.cold_w_per_k, self.hot_w_per_k = 1.0, 6.0
        start = self._steady()
        self.hot_k, self.cold_k = start[-1], start[-2]
        self.cold_face_k, self.hot_face_k = start[0], start[1]
        self.run = solve_ivp(
            lambda t, y: self.slopes(y, 0.0), (0.0, 40.0), start, method="BDF", rtol=1e-8,
            atol=1e-8, dense_output=True,
        )  # fmt: skip
        self.start = start

    def _steady(self):
        start = np.full(SLICES + 4, REFERENCE_K)
        run = solve_ivp(
            lambda t, y: self.slopes(y, self.current_a), (0.0, 20000.0), start, method="BDF",
            rtol=1e-8, atol=1e-8,
        )  # fmt: skip
        return run.y[:, -1]

    def slopes(self, y, amps):
        cold_face, hot_face, legs, cold, hot = y[0], y[1], y[2:-2], y[-2], y[-1]
        alpha = 1.0 + self.alpha_slope * (legs - REFERENCE_K)
        rho = 1.0 + self.rho_slope * (legs - REFERENCE_K)
        ends = np.concatenate([[cold_face], legs, [hot_face]])
        step = np.full(SLICES + 1, self.k * SLICES)
        step[[0, -1]] *= 2.0
        flow = step * np.diff(ends)  # towards the cold side
        warm = flow[1:] - flow[:-1] + amps**2 * self.r / SLICES * rho
        # Thomson: T dalpha/dT I dT/dx
        gradient = np.diff(np.concatenate([[cold_face], 0.5 * (legs[1:] + legs[:-1]), [hot_face]]))
        warm -= amps * legs * self.a * self.alpha_slope * gradient
        at_cold, at_hot = (
            self.a * (1.0 + self.alpha_slope * (t - REFERENCE_K)) for t in (cold_face, hot_face)
        )
        del alpha
        into_cold = self.contact * (cold - cold_face)
        out_hot = self.contact * (hot_face - hot)
        return np.concatenate([
            [(into_cold - at_cold * amps * cold_face + flow[0]) / self.face_j_per_k,
             (at_hot * amps * hot_face - flow[-1] - out_hot) / self.face_j_per_k],
            warm / (self.legs_j_per_k / SLICES),
            [(self.cold_w_per_k * (self.cold_air_k - cold) - into_cold) / 250.0,
             (out_hot - self.hot_w_per_k * (hot - self.hot_air_k)) / 500.0],
        ])  # fmt: skip

    def open_v(self, y):
        cold, hot = y[0], y[1]
        mean = 0.5 * (cold + hot)
        return self.a * (1.0 + self.alpha_slope * (mean - REFERENCE_K)) * (hot - cold)

    def on_v(self):
        rho = 1.0 + self.rho_slope * (np.mean(self.start[2:-2]) - REFERENCE_K)
        return self.open_v(self.start) + self.current_a * self.r * rho

    def record(
        self,
        rng,
        rows_per_s=100.0,
        noise_v=0.003,
        noise_a=0.003,
        jitter_s=0.001,
        step_v=0.001,
        gain_v=1.0,
        gain_a=1.0,
        before_s=3.0,
        after_s=4.0,
        lead_ohm=0.0,
    ):
        """Return (time_s, current_a, voltage_v): noisy, unevenly spaced, in steps."""
        dt = 1.0 / rows_per_s
        t = np.arange(-before_s, after_s, dt) + rng.uniform(0.0, dt)
        t = t + rng.uniform(-jitter_s, jitter_s, t.size)
        on = t < 0.0
        late = self.run.sol(np.maximum(t, 0.0))
        volts = np.where(on, self.on_v() + self.current_a * lead_ohm,
                         [self.open_v(y) for y in late.T])  # fmt: skip
        amps = np.where(on, self.current_a, 0.0)
        volts = gain_v * volts + rng.normal(0.0, noise_v, t.size)
        amps = gain_a * amps + rng.normal(0.0, noise_a, t.size)
        return t + 10.0, np.round(amps, 3), np.round(volts / step_v) * step_v


def small_bench_check():
    """Return what a hand meter and one sink tell of the benchmark's cabinet; invented numbers."""
    from ctrl.config import load_config
    from ctrl.measured import bench_check
    from ctrl.measured_file import BenchFile, HandMeter, Readings, SinkTest

    meter = HandMeter(current_a=3.0, on_v=7.6, off_v=1.25, after_s=3.0, hot_c=38.0, cold_c=12.0)
    sink = SinkTest(time_min=[0.0, 5.0, 10.0], sink_c=[33.0] * 3, air_c=[22.0] * 3, voltage_v=12.0,
                    current_a=6.0)  # fmt: skip
    tables = BenchFile(hand_meter=meter, hot_sink=sink)
    return bench_check(load_config("benchmark"), Readings("bench.toml", tables, None))

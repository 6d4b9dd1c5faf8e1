"""Operating points of one loop, linear: margins and quantisation cycles of any PI gains on them."""

from collections.abc import Sequence

import numpy as np

from ctrl.linearise import LinearPlant, sampled_response
from ctrl.margins import Margins, frequency_grid, margins_of, pi_response
from ctrl.quantiser import QuantiserCycle, predict

Schedule = tuple[tuple[float, float], ...]  # duty [-], gain [% per K]


class LinearPoints:
    """The linear operating points, their responses computed once for all trials."""

    def __init__(self, plants: Sequence[LinearPlant], period_s: float, delay_s: float) -> None:
        self.plants, self.period_s, self.delay_s = plants, period_s, delay_s
        self.omegas = [frequency_grid(item, period_s, delay_s, 0.0) for item in plants]
        self.responses = [
            sampled_response(item, period_s, delay_s, omega)
            for item, omega in zip(plants, self.omegas, strict=True)
        ]

    def size_at(self, omega: float) -> list[float]:
        """Return |P| of each plant at a frequency [K per unit duty]."""
        return [
            float(np.interp(omega, grid, np.abs(found)))
            for grid, found in zip(self.omegas, self.responses, strict=True)
        ]

    def margins(self, gains: Sequence[float], ti_s: float) -> list[Margins]:
        """Return each plant's margins with its own gain [% per K]."""
        return [
            margins_of(grid, found * pi_response(kp, ti_s, self.period_s, grid))
            for kp, grid, found in zip(gains, self.omegas, self.responses, strict=True)
        ]

    def cycle(
        self, gains: Sequence[float], ti_s: float, step_k: float, lag_s: float
    ) -> QuantiserCycle:
        """Return the largest quantisation cycle of all plants."""
        found = [
            predict(grid, resp * pi_response(kp, ti_s, self.period_s, grid), step_k, lag_s)
            for kp, grid, resp in zip(gains, self.omegas, self.responses, strict=True)
        ]
        return max(found, key=lambda item: item.swing_k)


def gain_at(duty: float, kp_pct_per_k: float, schedule: Schedule) -> float:
    """Return the gain at a duty [% per K]: the schedule's straight lines, or the one gain."""
    if not schedule:
        return kp_pct_per_k
    duties, gains = zip(*schedule, strict=True)
    return float(np.interp(duty, duties, gains))

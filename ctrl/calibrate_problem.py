"""The fit as a problem in blocks: residuals and slopes of a log, whitened, and their least squares.

Bounded nonlinear least squares on residuals whitened by their own correlation
(`ctrl.calibrate_misfit`), with a robust loss and priors from the parts' tolerances.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, lsq_linear

from ctrl import calibrate_misfit as misfit_of
from ctrl.calibrate_misfit import Blocks, Misfit
from ctrl.calibrate_model import Setup, predicted
from ctrl.calibrate_trust import WIDEST, widened
from ctrl.config_errors import ConfigError
from ctrl.config_errors import Problem as InputProblem

Array = NDArray[np.float64]

MOST_BLOCKS = 150  # of a channel; finer than that adds nothing to what hangs together anyway
LEAST_BLOCK_S = 20.0
SKIPPED_S = 120.0  # after a start, until light nodes have forgotten where they began
# Of the slopes, in prior standard deviations.  At 0.1 a step of the integrator that falls elsewhere
# leaves up to 3 % of a slope at the cold joint, which was taken for telling it.
STEP = 0.5
LEAST_BLOCKS = 10
# Of a temperature's block, times the size of misfit that its search begins with: what one node
# for a sink, a wall or the contents cannot follow within minutes.  Chosen on development logs.
LEAST_NOISE = 0.3
# Times the standard errors of independent channels: their misfits are of one cabinet.  On 40
# development logs the lumps were 1.01 to 1.16 errors off (rms).
TOO_SURE = 1.1


def blocks_of(setup: Setup, keep: NDArray[np.bool_]) -> list[Blocks]:
    """Return the blocks of every channel, of the rows to keep."""
    log = setup.log
    width = max(LEAST_BLOCK_S, log.step_s, log.span_s / MOST_BLOCKS)
    found = []
    for channel in setup.channels:
        good = keep & np.isfinite(log.columns[channel.name]) & (log.time_s >= SKIPPED_S)
        good &= ~setup.left_out
        rows = np.flatnonzero(good)
        label = np.floor(log.time_s[rows] / width).astype(np.int64) + 10**9 * log.segment[rows]
        starts = (
            np.flatnonzero(np.concatenate([[True], np.diff(label) != 0])) if rows.size else rows
        )
        count = np.diff(np.append(starts, rows.size)).astype(float)
        middle = np.add.reduceat(log.time_s[rows], starts) / count if rows.size else count
        found.append(Blocks(rows, starts, middle, log.segment[rows[starts]], count))
    return found


class Problem:
    """Residuals and slopes of a setup, in blocks, with the model's last answers kept."""

    def __init__(self, setup: Setup, keep: NDArray[np.bool_], workers: int) -> None:
        self.setup, self.workers = setup, workers
        # A channel with next to nothing in what is fitted can only be predicted.
        found = blocks_of(setup, keep)
        self.used = [k for k, b in enumerate(found) if b.count.size >= LEAST_BLOCKS]
        self.blocks = [found[k] for k in self.used]
        if not self.used:
            raise ConfigError(
                [InputProblem(setup.log.name, "too few to fit", "rows that can be compared",
                              str(int((keep & ~setup.left_out).sum())),
                              "a longer log, rows closer together, or duty and fans in each")]
            )  # fmt: skip
        names = [setup.channels[k].name for k in self.used]
        self.seen = [
            b.mean(np.nan_to_num(setup.log.columns[name]))
            for b, name in zip(self.blocks, names, strict=True)
        ]
        self._last: tuple[bytes, list[Array]] = (b"", [])

    def model(self, x: Array) -> list[Array]:
        """Return the model's block means of each channel."""
        key = x.tobytes()
        if self._last[0] != key:
            self._last = (key, self._fresh(x))
        return self._last[1]

    def _fresh(self, x: Array) -> list[Array]:
        table = predicted(self.setup, x)
        table = np.where(np.isfinite(table), table, 1e3)  # a cabinet that breaks down
        return [b.mean(table[:, k]) for b, k in zip(self.blocks, self.used, strict=True)]

    def slopes(self, x: Array, free: NDArray[np.int64], central: bool = False) -> list[Array]:
        """Return d(model)/d(x) of each channel for the free unknowns, (blocks, free)."""

        def moved(k: int) -> list[Array]:
            step = np.zeros(x.size)
            step[k] = STEP if x[k] <= 0.0 else -STEP  # towards the middle: within the bounds
            if central:
                up, down = self._fresh(x + step), self._fresh(x - step)
                return [(u - d) / (2.0 * step[k]) for u, d in zip(up, down, strict=True)]
            there = self._fresh(x + step)
            return [(t - h) / step[k] for t, h in zip(there, here, strict=True)]

        here = self.model(x)
        with ThreadPoolExecutor(self.workers) as pool:
            columns = list(pool.map(moved, free))
        return [np.column_stack([c[k] for c in columns]) for k in range(len(self.blocks))]

    def residuals(self, x: Array) -> list[Array]:
        """Return log less model, in blocks."""
        return [s - m for s, m in zip(self.seen, self.model(x), strict=True)]

    def _roots(self, misfits: Sequence[Misfit]) -> list[Array]:
        return [misfit_of.root_of(b, m) for b, m in zip(self.blocks, misfits, strict=True)]

    def _whitened(self, x: Array, roots: Sequence[Array]) -> list[Array]:
        """Return the whitened residuals under the robust loss, of each channel."""
        both = zip(roots, self.residuals(x), strict=True)
        return [misfit_of.robust(misfit_of.whitened(root, r))[0] for root, r in both]

    def _whitened_slopes(
        self, x: Array, roots: Sequence[Array], free: NDArray[np.int64]
    ) -> list[Array]:
        """Return the slopes of `_whitened`, of each channel (blocks, free)."""
        found = []
        for root, r, j in zip(roots, self.residuals(x), self.slopes(x, free), strict=True):
            both = misfit_of.whitened(root, np.column_stack([r, j]))
            found.append(-misfit_of.robust(both[:, 0])[1][:, None] * both[:, 1:])
        return found

    def fit(
        self,
        start: Array,
        misfits: Sequence[Misfit],
        most: int,
        free: NDArray[np.int64] | None = None,
    ) -> tuple[Array, float]:
        """Return (unknowns of least cost, that cost); those not free stay."""
        free = np.arange(start.size) if free is None else free
        roots = self._roots(misfits)

        def whole(part: Array) -> Array:
            x = start.copy()
            x[free] = part
            return x

        def cost(part: Array) -> Array:
            return np.concatenate([*self._whitened(whole(part), roots), part])

        def jacobian(part: Array) -> Array:
            return np.vstack([*self._whitened_slopes(whole(part), roots, free), np.eye(part.size)])

        found = least_squares(
            cost, np.clip(start[free], -0.99 * WIDEST, 0.99 * WIDEST), jac=jacobian,
            bounds=(-WIDEST, WIDEST), max_nfev=most, ftol=1e-4, xtol=1e-4, gtol=1e-4,
        )  # fmt: skip
        return whole(found.x), float(found.cost)

    def costs_if_wider(
        self, x: Array, misfits: Sequence[Misfit], names: Sequence[str]
    ) -> list[float]:
        """Return the cost that each part's wider prior would come to, by slopes at `x` alone."""
        roots, eye = self._roots(misfits), np.eye(x.size)
        r = np.concatenate(self._whitened(x, roots))
        j = np.vstack(self._whitened_slopes(x, roots, np.arange(x.size)))
        found = []
        for name in names:
            new, there = widened(self.setup, x, (name,))
            scale = eye.copy()
            count = len(new.parts)
            scale[:count, :count] = np.linalg.solve(self.setup.prior_root, new.prior_root)
            least = lsq_linear(
                np.vstack([j @ scale, eye]), -np.concatenate([r, there]),
                (-WIDEST - there, WIDEST - there),
            )  # fmt: skip
            found.append(float(least.cost))
        return found

    def sized(self, x: Array, first: Sequence[Misfit]) -> tuple[Misfit, ...]:
        """Return the misfits' sizes at `x`, sought about `first`."""
        slopes = self.slopes(x, np.arange(x.size))
        channels = [self.setup.channels[k] for k in self.used]
        least = [LEAST_NOISE * c.misfit if c.unit == "K" else 0.0 for c in channels]
        return misfit_of.likeliest(self.blocks, first, self.residuals(x), slopes, x, least)

    def posterior(self, x: Array, misfits: Sequence[Misfit]) -> Array:
        """Return the covariance of the unknowns, in prior spreads, (unknowns, unknowns)."""
        information = np.eye(x.size)
        slopes = self.slopes(x, np.arange(x.size), central=True)
        for b, m, j in zip(self.blocks, misfits, slopes, strict=True):
            white = misfit_of.whitened(misfit_of.root_of(b, m), j) / TOO_SURE
            information += white.T @ white
        return np.asarray(np.linalg.inv(information), dtype=float)


__all__ = ["Problem"]

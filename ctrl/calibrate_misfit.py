"""How the model's residuals hang together in time, and what that leaves of a log's evidence.

Each channel's residuals are white noise of the reading plus a misfit of the model that fades
with time, variance s^2 exp(-|dt|/tau) (a model-discrepancy term: Kennedy and O'Hagan 2001,
J. R. Statist. Soc. B 63, 425-464; from memory).  Sizes and fading time are those of greatest
marginal likelihood with the parameters integrated out, so that what a parameter can take up is
not taken for noise.  Fitting and standard errors then use residuals whitened by that covariance:
a thousand rows that are all off together count for few.  Channels are taken as independent.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import minimize
from scipy.stats import chi2

Array = NDArray[np.float64]

FADES_S = 1800.0  # where the search for the fading time begins
SPREAD = 1.0  # of the logarithms of sizes and fading time about where the search begins
MOST_TRIALS = 70
CUT = 5.0  # residuals beyond so many median deviations do not set the sizes
LAGS = 20
ROBUST = 3.0  # a whitened residual from here on counts less than its square


@dataclass(frozen=True)
class Blocks:
    """One channel's residuals, averaged over short blocks.

    Parameters
    ----------
    rows, starts : ndarray of int
        Rows of the log in order, and where each block begins among them.
    time_s, segment : ndarray, shape (blocks,)
        Middle of each block in its segment, and the segment.
    count : ndarray, shape (blocks,)
        Rows in each block.
    """

    rows: NDArray[np.int64]
    starts: NDArray[np.int64]
    time_s: Array
    segment: NDArray[np.int64]
    count: Array

    def mean(self, values: Array) -> Array:
        """Return block means of a column of the log, shape (blocks, ...)."""
        sums = np.add.reduceat(values[self.rows], self.starts, axis=0)
        return sums / self.count.reshape(-1, *([1] * (values.ndim - 1)))


@dataclass(frozen=True)
class Misfit:
    """Noise of one block's mean, size and fading time of the model's misfit (unit, unit, s)."""

    noise: float
    size: float
    fades_s: float


def covariance(blocks: Blocks, misfit: Misfit) -> Array:
    """Return the covariance of a channel's blocks, shape (blocks, blocks)."""
    apart = np.abs(blocks.time_s[:, None] - blocks.time_s[None, :])
    same = blocks.segment[:, None] == blocks.segment[None, :]
    found = np.where(same, misfit.size**2 * np.exp(-apart / misfit.fades_s), 0.0)
    noise = misfit.noise**2 * np.median(blocks.count) / blocks.count
    found[np.diag_indices_from(found)] += noise + 1e-12
    return found


def root_of(blocks: Blocks, misfit: Misfit) -> Array:
    """Return the lower Cholesky factor of a channel's covariance."""
    return cholesky(covariance(blocks, misfit), lower=True, check_finite=False)


def whitened(root: Array, values: Array) -> Array:
    """Return block values with the covariance taken out."""
    return solve_triangular(root, values, lower=True, check_finite=False)


def robust(z: Array) -> tuple[Array, Array]:
    """Return (residual whose square is the soft-l1 loss of `z`, its slope).

    rho = 2 c^2 (sqrt(1 + (z/c)^2) - 1), c = `ROBUST` (textbook).
    """
    root = np.sqrt(1.0 + (z / ROBUST) ** 2)
    size = ROBUST * np.sqrt(2.0 * (root - 1.0))
    small = np.abs(z) < 1e-3
    slope = np.where(small, 1.0, np.abs(z) / np.where(small, 1.0, size * root))
    return np.where(small, z, np.sign(z) * size), slope


def first_guess(blocks: Blocks, values: Array, size: float) -> Misfit:
    """Return where the search begins: noise from neighbouring blocks' differences."""
    steps = np.diff(values)
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / 2.0**0.5
    return Misfit(max(noise, 0.02 * size), size, FADES_S)


def _trimmed(values: Array) -> Array:
    middle = np.median(values)
    limit = CUT * 1.4826 * float(np.median(np.abs(values - middle))) + 1e-9
    return np.clip(values, middle - limit, middle + limit)


def _terms(
    blocks: Blocks, misfit: Misfit, values: Array, slopes: Array
) -> tuple[float, float, Array, Array]:
    """Return (log determinant, r'r, J'J, J'r) of one channel, whitened."""
    root = root_of(blocks, misfit)
    both = whitened(root, np.column_stack([values, slopes]))
    r, j = both[:, 0], both[:, 1:]
    return 2.0 * float(np.log(np.diag(root)).sum()), float(r @ r), j.T @ j, j.T @ r


def _floored(logarithms: Array, least: float) -> Misfit:
    noise, size, fades_s = np.exp(np.clip(logarithms, -12.0, 14.0))
    return Misfit(max(noise, least), size, fades_s)


def likeliest(
    blocks: Sequence[Blocks],
    first: Sequence[Misfit],
    residuals: Sequence[Array],
    slopes: Sequence[Array],
    at: Array,
    least: Sequence[float],
) -> tuple[Misfit, ...]:
    """Return each channel's misfit of greatest marginal likelihood.

    Parameters
    ----------
    residuals, slopes : sequence of ndarray, shape (blocks,) and (blocks, unknowns)
        Log less model at `at`, and d(model)/d(unknown); unknowns are standard normal a priori.
    at : ndarray, shape (unknowns,)
        Where the model was linearised.
    least : sequence of float
        Below which a block's noise is not taken: a misfit that fades slowly beside hardly any
        noise would weigh each minute's change and no mean, and so fit only the quick nodes.
    """
    values = [_trimmed(r) + j @ at for r, j in zip(residuals, slopes, strict=True)]
    found = list(first)
    eye = np.eye(at.size)
    terms = [_terms(b, m, v, j) for b, m, v, j in zip(blocks, found, values, slopes, strict=True)]
    for _ in range(2):
        for k in range(len(found)):
            others = [terms[n] for n in range(len(found)) if n != k]
            jj = sum((t[2] for t in others), np.zeros_like(eye))
            jr = sum((t[3] for t in others), np.zeros(at.size))
            start = np.log([found[k].noise, found[k].size, found[k].fades_s])
            middle = np.log([first[k].noise, first[k].size, first[k].fades_s])

            def cost(p: Array, k: int = k, jj: Array = jj, jr: Array = jr,
                     middle: Array = middle) -> float:  # fmt: skip
                trial = _floored(p, least[k])
                t = _terms(blocks[k], trial, values[k], slopes[k])
                whole, b = eye + jj + t[2], jr + t[3]
                root = cholesky(whole, lower=True)
                half = solve_triangular(root, b, lower=True)
                prior = float((((p - middle) / SPREAD) ** 2).sum())
                return t[0] + t[1] + 2.0 * float(np.log(np.diag(root)).sum()) - half @ half + prior

            options = {"maxfev": MOST_TRIALS, "xatol": 0.05, "fatol": 0.05}
            best = minimize(cost, start, method="Nelder-Mead", options=options)
            found[k] = _floored(best.x, least[k])
            terms[k] = _terms(blocks[k], found[k], values[k], slopes[k])
    return tuple(found)


@dataclass(frozen=True)
class Whiteness:
    """Whether what is left looks like chance.

    `lag_one` is the correlation of neighbouring blocks before whitening, `lag_one_whitened`
    after it; `ljung_box_p` is the probability of so much correlation over `lags` by chance (Ljung
    and Box 1978, Biometrika 65, 297-303; from memory).  `effective` of `blocks` are worth
    as much as independent ones for a mean: n^2 / sum of correlations of the fitted covariance.
    """

    rms: float
    lag_one: float
    lag_one_whitened: float
    ljung_box_p: float
    lags: int
    blocks: int
    effective: float


def correlations(values: Array, lags: int) -> Array:
    """Return the autocorrelation at 0, 1, ... `lags` blocks, shape (lags + 1,)."""
    x = values - values.mean()
    whole = float(x @ x) or 1.0
    return np.array([float(x[: x.size - lag] @ x[lag:]) / whole for lag in range(lags + 1)])


def ljung_box(values: Array, lags: int) -> float:
    """Return the probability that white noise is as correlated as `values` over `lags`."""
    n, rho = values.size, correlations(values, lags)[1:]
    q = n * (n + 2.0) * float((rho**2 / (n - np.arange(1, lags + 1))).sum())
    return float(chi2.sf(q, lags))


def whiteness(blocks: Blocks, misfit: Misfit, residuals: Array) -> Whiteness:
    """Return how white a channel's residuals are, as they are and whitened."""
    root = root_of(blocks, misfit)
    z, _ = robust(whitened(root, residuals))
    lags = max(min(LAGS, residuals.size // 5), 1)
    whole = covariance(blocks, misfit)
    one = np.ones(residuals.size)
    information = whitened(root, one)
    effective = float(information @ information) * float(np.mean(np.diag(whole)))
    return Whiteness(
        rms=float(np.sqrt(np.mean(residuals**2))),
        lag_one=float(correlations(residuals, 1)[1]),
        lag_one_whitened=float(correlations(z, 1)[1]),
        ljung_box_p=ljung_box(z, lags),
        lags=lags,
        blocks=residuals.size,
        effective=min(effective, float(residuals.size)),
    )


__all__ = ["Blocks", "Misfit", "Whiteness", "likeliest", "whiteness"]

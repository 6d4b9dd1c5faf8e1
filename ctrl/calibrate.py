"""From a log of the real cabinet to its twin: what the log tells of its parts, and how well.

The least squares of `ctrl.calibrate_problem` from several starts, parts whose tolerances do not
reach to the log freed in turn.  The last fifth of the log is held back and predicted.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from ctrl import calibrate_misfit as misfit_of
from ctrl.calibrate_misfit import Misfit, Whiteness
from ctrl.calibrate_model import STRUCTURE, Setup, predicted, set_up
from ctrl.calibrate_problem import Problem
from ctrl.calibrate_trust import (
    TOO_FAR,
    Frost,
    at_bound,
    candidates_to_widen,
    frost_told,
    names_at_bound,
    once_more,
    pull_words,
    reasons,
    remarks,
    widened,
)
from ctrl.config import Config
from ctrl.log_file import Log
from ctrl.tolerances import cores
from ctrl.twin import BY_NAME, LUMPED
from plant import envelope
from plant.cabinet import Plant

Array = NDArray[np.float64]
Progress = Callable[[str], None]

SEED, STARTS = 1, 3
HELD_BACK = 0.2  # share of the log that is predicted, not fitted
TOLD_BELOW = 0.8  # posterior over prior standard deviation: over a third of the variance is gone
NINETY = 1.6449  # standard errors to each side of a 90 % interval of a normal value
ROUNDS = 2  # of sizing the misfit and fitting again
# Usual counts, for telling how long it will take; the last for each part that must be freed.
SLOPES_A_START, SLOPES_AFTER, SLOPES_FREED = 8, 35, 45
MOST_WIDENED = 3  # parts, one after the other
MOST_TRIALS = 2  # of the candidates for one of them


@dataclass(frozen=True)
class Estimate:
    """One part as the log tells it.

    `value` and `error` (its standard error) are as the file states them: a factor, or K; `told`
    is false where the config's own value stands, and where the part is `at_bound`, the end of what
    it may be: then its error means nothing.  `ratio` is `error` over the prior's [-].  What
    `is_lump` is told as the model needs it, not as the part by itself would show.
    """

    name: str
    words: str
    key: str
    unit: str
    value: float
    error: float
    ratio: float
    told: bool
    at_bound: bool
    is_lump: bool = False


@dataclass(frozen=True)
class Lump:
    """What several parts come to together: value, standard error, and the config's own value.

    Not `told` where the tolerances by themselves give an interval hardly wider.  `is_lump` as of
    an `Estimate`.
    """

    name: str
    words: str
    unit: str
    value: float
    error: float
    before: float
    told: bool
    is_lump: bool

    @property
    def interval(self) -> tuple[float, float]:
        """90 % interval."""
        return self.value - NINETY * self.error, self.value + NINETY * self.error


@dataclass(frozen=True)
class Start:
    """One start of the search: cost reached, and how far from the best in prior spreads."""

    cost: float
    apart: float


@dataclass(frozen=True)
class Calibration:
    """The twin, how well it is known, and how it predicts what it has not seen."""

    config: Config
    setup: Setup
    x: Array
    covariance: Array
    estimates: tuple[Estimate, ...]
    lumps: tuple[Lump, ...]
    misfits: tuple[Misfit, ...]
    whiteness: dict[str, Whiteness]
    tail_rms: dict[str, float]
    before_rms: dict[str, float]
    tail_from_s: float
    starts: tuple[Start, ...]
    seed: int
    model: Array
    fitted_rows: NDArray[np.bool_]
    widened: tuple[str, ...]
    frost: Frost | None
    pulled: dict[str, float]

    @property
    def log(self) -> Log:
        """The log it is of."""
        return self.setup.log

    @property
    def correlation(self) -> Array:
        """Correlations of the estimates, shape (parts, parts)."""
        sd = np.sqrt(np.diag(self.covariance))
        return self.covariance / np.outer(sd, sd)

    @property
    def untold(self) -> tuple[Estimate, ...]:
        """The parts that this log does not tell."""
        return tuple(item for item in self.estimates if not item.told and not item.at_bound)

    @property
    def distrust(self) -> tuple[str, ...]:
        """Why this twin is not to be trusted, nor any interval of it; () where it is."""
        return reasons(self.setup, self.x, self.whiteness, self.tail_rms, self.before_rms,
                       self.widened, self.frost)  # fmt: skip

    @property
    def doubts(self) -> tuple[str, ...]:
        """What else speaks against this twin: wider priors, channels that it cannot follow."""
        if self.distrust:
            return once_more(self.widened)
        found = remarks(self.setup, self.widened, self.x, self.tail_rms, self.before_rms,
                        self.frost)  # fmt: skip
        return (*found, *pull_words(self.pulled))


def elapsed_s(log: Log) -> Array:
    """Return the time since the first row, the segments one after the other [s]."""
    found, before = log.time_s.copy(), 0.0
    for part in np.unique(log.segment):
        rows = log.segment == part
        found[rows] += before
        before = float(found[rows][-1])
    return found


# What comes of it ---------------------------------------------------------------------------


LUMPS: tuple[tuple[str, str, str, Callable[[Plant], float]], ...] = (
    ("ua_w_per_k", "heat leak UA", "W/K", lambda plant: heat_leak_w_per_k(plant)),
    ("hot_resistance_k_per_w", "hot joint and sink", "K/W",
     lambda p: 1.0 / p.module.hot_contact_w_per_k + 1.0 / p.hot_sink.fan_w_per_k),
    ("cold_resistance_k_per_w", "cold joint and sink", "K/W",
     lambda p: 1.0 / p.module.cold_contact_w_per_k + 1.0 / p.cold_sink.fan_w_per_k),
    ("seebeck_v_per_k", "Seebeck coefficient", "V/K", lambda p: p.module.seebeck_v_per_k),
    ("resistance_ohm", "resistance at 25 °C", "ohm", lambda p: p.module.resistance_ohm),
    ("conductance_w_per_k", "conductance at 25 °C", "W/K",
     lambda p: p.module.conductance_w_per_k),
    ("contents_j_per_k", "heat capacity of the contents", "J/K",
     lambda p: p.contents.heat_capacity_j_per_k),
)  # fmt: skip


def heat_leak_w_per_k(plant: Plant) -> float:
    """Return what leaks into the cabinet [W/K], inside fan running, dry leaking air."""
    box = plant.envelope
    walls = envelope.series(box.inside_film_w_per_k, box.foam_w_per_k, box.outside_film_w_per_k)
    return walls + box.direct_w_per_k + box.leak_per_s * box.volume_m3 * 1.2 * 1006.0


def lumps_of(setup: Setup, x: Array, covariance: Array) -> tuple[Lump, ...]:
    """Return the lumps with their standard errors, to first order in the parts' (delta method)."""
    count = len(setup.parts)
    own, before = setup.plant(x), setup.base
    own_structure = structure_of(setup) / prior_spread(setup)
    steps = 0.05 * np.eye(count, x.size)
    beside = [(setup.plant(x + step), setup.plant(x - step)) for step in steps]
    found = []
    for name, words, unit, value_of in LUMPS:
        value = value_of(own)
        slope = np.array([(value_of(up) - value_of(down)) / 0.1 for up, down in beside])
        variance = float(slope @ covariance[:count, :count] @ slope)
        # What one node lacks stays in the error, however well the log tells the node.
        lacks = float(np.sum((slope * own_structure) ** 2))
        told = variance - lacks < TOLD_BELOW**2 * float(slope @ slope)  # priors: standard normal
        found.append(Lump(name, words, unit, value, variance**0.5, value_of(before), told,
                          lacks > 0.0))  # fmt: skip
    return tuple(found)


def _estimates(
    setup: Setup, x: Array, covariance: Array, told: NDArray[np.bool_]
) -> tuple[Estimate, ...]:
    found, ends = [], at_bound(setup, x)
    spread = np.hypot(prior_spread(setup), structure_of(setup))
    for k, (part, inner) in enumerate(zip(setup.parts, setup.inner(x), strict=True)):
        value = part.stated(float(inner))
        sd = float(np.sqrt(covariance[k, k]))
        error = value * sd if part.is_factor else sd
        found.append(
            Estimate(part.name, part.words, part.key, "" if part.is_factor else "K", value,
                     error, sd / float(spread[k]), bool(told[k] and not ends[k]), bool(ends[k]),
                     part.name in LUMPED)
        )  # fmt: skip
    return tuple(found)


def prior_spread(setup: Setup) -> Array:
    """Return the priors' standard deviations (logarithms of factors, K), shape (parts,)."""
    return np.asarray(np.sqrt(np.diag(setup.prior_root @ setup.prior_root.T)))


def structure_of(setup: Setup) -> Array:
    """Return by how much the parts may differ from what one node needs, shape (parts,)."""
    return np.array([STRUCTURE.get(part.name, 0.0) for part in setup.parts])


def _inner_covariance(setup: Setup, scaled: Array) -> Array:
    count = len(setup.parts)
    return setup.prior_root @ scaled[:count, :count] @ setup.prior_root.T


def told_of(setup: Setup, scaled: Array) -> NDArray[np.bool_]:
    """Return which parts the log tells, shape (parts,)."""
    posterior = np.sqrt(np.diag(_inner_covariance(setup, scaled)))
    return np.asarray(posterior < TOLD_BELOW * prior_spread(setup))


def _kept_at_config(
    setup: Setup, x: Array, told: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.int64]]:
    """Return (x with the untold parts at the config's values, the unknowns still free).

    Of a, R and K one that is not told follows those that are, as the sheet ties them.
    """
    fixed = np.flatnonzero(~told)
    kept = x.copy()
    kept[fixed] = 0.0
    return kept, np.setdiff1d(np.arange(x.size), fixed)


def _rms(setup: Setup, model: Array, rows: NDArray[np.bool_]) -> dict[str, float]:
    found = {}
    for k, channel in enumerate(setup.channels):
        off = (setup.log.columns[channel.name] - model[:, k])[rows & ~setup.left_out]
        off = off[np.isfinite(off)]
        if off.size:
            found[channel.name] = float(np.sqrt(np.mean(off**2)))
    return found


@dataclass(frozen=True)
class _Fit:
    """A fit with its misfit sized: `x` with all free, `final` with the untold at the config's."""

    x: Array
    final: Array
    misfits: tuple[Misfit, ...]
    scaled: Array
    told: NDArray[np.bool_]


def pulled_of(setup: Setup, fit: _Fit) -> dict[str, float]:
    """Return {part: value with all free} where the log pulls further than the prior lets it go.

    With a prior that is right the estimate lies about the config's value with the variance that
    the log takes from the prior's (textbook, normal prior and noise); further off than three such
    spreads, config or log is wrong.  Not of parts that the log does not tell: there a misfit of the
    model pulls as hard.
    """
    spread, inner = prior_spread(setup), setup.inner(fit.x)
    left = np.sqrt(np.diag(_inner_covariance(setup, fit.scaled))) / spread
    far = np.abs(inner) / spread > TOO_FAR * np.sqrt(np.maximum(1.0 - left**2, 0.01))
    return {
        part.name: part.stated(float(value))
        for part, value, is_far, told in zip(setup.parts, inner, far, fit.told, strict=True)
        if is_far and told and part.name not in LUMPED
    }


def _settled(problem: Problem, x: Array, first: Sequence[Misfit], progress: Progress) -> _Fit:
    """Return the fit from `x` on, its misfit sized and its errors known."""
    misfits: tuple[Misfit, ...] = tuple(first)
    for number in range(ROUNDS):
        progress(f"sizing the misfit: round {number + 1} of {ROUNDS}")
        misfits = problem.sized(x, first)
        x, _ = problem.fit(x, misfits, 12)
    progress("errors")
    scaled = problem.posterior(x, misfits)
    told = told_of(problem.setup, scaled)
    kept, free = _kept_at_config(problem.setup, x, told)
    final, _ = problem.fit(kept, misfits, 15, free)
    return _Fit(x, final, misfits, scaled, told)


def _how_long(problem: Problem, starts: int) -> str:
    """Return about how long a fit takes on this machine, by one run of the model; "" if short."""
    setup = problem.setup
    predicted(setup, np.zeros(setup.size))  # compiled, if it was not
    begun = perf_counter()
    predicted(setup, np.zeros(setup.size))
    slopes_min = (perf_counter() - begun) * setup.size / problem.workers / 60.0
    usual_min = slopes_min * (SLOPES_A_START * starts + SLOPES_AFTER)
    if usual_min < 1.0:
        return ""
    freed_min = slopes_min * SLOPES_FREED
    return f", about {usual_min:.0f} min, {freed_min:.1f} more for each part that must be freed"


def _widened_in_turn(
    problem: Problem, fit: _Fit, keep: NDArray[np.bool_], first: Sequence[Misfit],
    progress: Progress,
) -> tuple[Problem, _Fit, tuple[str, ...]]:  # fmt: skip
    """Return (problem, fit, names) with wide priors for the parts that the log asks most for.

    One part that is stated wrong pushes many to their bounds.  The candidates that promise most are
    each freed by itself, and the one that leaves the least cost stays free; again while any part is
    at a bound.
    """
    names: list[str] = []
    while len(names) < MOST_WIDENED and names_at_bound(problem.setup, fit.final):
        candidates = candidates_to_widen(problem.setup, fit.final, names)
        promised = problem.costs_if_wider(fit.x, first, candidates)
        trials: list[tuple[float, str, Problem, Array]] = []
        for promise, name in sorted(zip(promised, candidates, strict=True))[:MOST_TRIALS]:
            if trials and promise > trials[0][0]:
                break  # it promises less than another has reached
            progress(f"fitting once more: is it the {BY_NAME[name].words}?")
            setup, _ = widened(problem.setup, fit.x, (name,))
            trial = Problem(setup, keep, problem.workers)
            x, cost = trial.fit(np.zeros(setup.size), first, 8)
            trials.append((cost, name, trial, x))
        if not trials:
            break
        _, name, problem, x = min(trials, key=lambda item: item[0])
        names.append(name)
        fit = _settled(problem, x, first, progress)
    return problem, fit, tuple(names)


def calibrate(
    config: Config,
    log: Log,
    *,
    ambient_c: float | None = None,
    hot_fan: str | None = None,
    cold_fan: str | None = None,
    starts: int = STARTS,
    seed: int = SEED,
    workers: int | None = None,
    progress: Progress = lambda text: None,
) -> Calibration:
    """Fit a config to a log and tell how well each part is known.

    Parameters
    ----------
    config, log : Config, Log
        What is believed before, and what was seen.
    ambient_c : float, optional
        Steady room temperature [°C], where the log has none.
    hot_fan, cold_fan : str, optional
        "always" or "with_module", where the log has no column for a fan on its own switch.
    starts, seed : int
        Starts of the search: the config's values, then draws of the priors by this seed.
    workers : int, optional
        Threads; changes no number.
    """
    setup = set_up(config, log, ambient_c=ambient_c, hot_fan=hot_fan, cold_fan=cold_fan)
    along = elapsed_s(setup.log)
    tail_from_s = (1.0 - HELD_BACK) * float(along[-1])
    fitted = along <= tail_from_s
    problem = Problem(setup, fitted, workers or cores())
    first = [
        misfit_of.first_guess(b, s, setup.channels[k].misfit)
        for b, s, k in zip(problem.blocks, problem.seen, problem.used, strict=True)
    ]
    stream = np.random.default_rng(np.random.SeedSequence([seed, starts]))
    tried = []
    about = _how_long(problem, starts)
    for number in range(starts):
        progress(f"fitting: start {number + 1} of {starts}{about}")
        begin = np.zeros(setup.size) if number == 0 else 0.7 * stream.standard_normal(setup.size)
        tried.append(problem.fit(begin, first, 8))
    x = min(tried, key=lambda item: item[1])[0]
    fit = _settled(problem, x, first, progress)
    found = tuple(Start(cost, float(np.abs(at - fit.x).max())) for at, cost in tried)
    problem, fit, wide = _widened_in_turn(problem, fit, fitted, first, progress)
    setup = problem.setup
    final, misfits, scaled = fit.final, fit.misfits, fit.scaled
    # The values kept are not those of greatest probability: what they are off counts as error.
    off = setup.inner(final) - setup.inner(fit.x)
    covariance = _inner_covariance(setup, scaled) + np.outer(off, off)
    covariance += np.diag(structure_of(setup) ** 2)
    in_scaled = np.linalg.solve(setup.prior_root, np.linalg.solve(setup.prior_root, covariance).T)
    model = predicted(setup, final)
    names = [setup.channels[k].name for k in problem.used]
    return Calibration(
        config=setup.config,
        setup=setup,
        x=final,
        covariance=covariance,
        estimates=_estimates(setup, final, covariance, fit.told),
        lumps=lumps_of(setup, final, in_scaled),
        misfits=misfits,
        whiteness={
            name: misfit_of.whiteness(b, m, r)
            for name, b, m, r in zip(names, problem.blocks, misfits, problem.residuals(final),
                                     strict=True)
        },
        tail_rms=_rms(setup, model, ~fitted),
        before_rms=_rms(setup, predicted(setup, np.zeros(setup.size)), ~fitted),
        tail_from_s=tail_from_s,
        starts=found,
        seed=seed,
        model=model,
        fitted_rows=fitted,
        widened=wide,
        frost=frost_told(setup, final, scaled),
        pulled=pulled_of(setup, fit),
    )  # fmt: skip


__all__ = ["Calibration", "Estimate", "Lump", "calibrate"]

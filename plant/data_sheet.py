"""All numbers of a module's data sheet at once: a weighted fit, its residuals, its spread.

A sheet prints Imax, Vmax, dTmax and Qmax at one hot side, and often the resistance at
25 °C: one or two more than the three values a, R, K need.  All are used, each weighted by
the tolerance stated for it.  Sheets hold for vacuum or dry gas; in room air a module does a
little worse.

What each number refers to, where properties change with temperature: at the largest
difference the faces' mean is Th - dTmax/2 (and the current warms the legs above it), at no
difference it is Th, and the resistance is that of 25 °C throughout.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from plant import stage
from plant.module import DataSheet, lumped_parameters

Array = NDArray[np.float64]
Values = tuple[float, float, float]

NUMBERS = ("imax_a", "vmax_v", "dtmax_k", "qmax_w", "ac_resistance_ohm")
VALUES = ("seebeck", "resistance", "conductance")
MOST_ROUNDS = 40


@dataclass(frozen=True)
class Tolerances:
    """How far a printed number may be off [% of it]. Common practice, no source.

    Imax is the loosest: the difference is flat about its top, 10 % of current is 1 % of it.
    """

    imax_pct: float = 10.0
    vmax_pct: float = 5.0
    dtmax_pct: float = 3.0
    qmax_pct: float = 10.0
    ac_resistance_pct: float = 5.0

    def as_shares(self) -> Array:
        """Return the five as shares [-], shape (5,), in the order of `NUMBERS`."""
        percents = (
            self.imax_pct, self.vmax_pct, self.dtmax_pct, self.qmax_pct, self.ac_resistance_pct,
        )  # fmt: skip
        return 0.01 * np.array(percents)


@dataclass(frozen=True)
class Build:
    """How the module is built, and what is assumed of its material.

    `varies` 1: properties change with temperature.  `stages` 1 or 2, `upper_share` of the
    couples in the upper one [-], `middle_contact_w_per_k` of the joint between them.
    """

    varies: int = 1
    stages: int = 1
    upper_share: float = 0.5
    middle_contact_w_per_k: float = 1e3


@dataclass(frozen=True)
class Extraction:
    """What a sheet says, all its numbers taken together.

    Attributes
    ----------
    seebeck, resistance, conductance : float
        At 25 °C where properties vary [V/K, ohm, W/K]; a stack's as seen from outside.
    predicted : dict of str to float
        The sheet's numbers as the model then has them [A, V, K, W, ohm].
    residuals_pct : dict of str to float
        Printed less predicted, of predicted [%]; only of numbers that are printed.
    tolerance_pct : dict of str to float
        Of seebeck, resistance, conductance [%]: what the stated tolerances leave open, widened
        by `misfit` where that is above 1.
    misfit : float
        Root of the weighted squares per redundant number [-]; above 1 the sheet contradicts
        itself by more than its tolerances.
    """

    seebeck: float
    resistance: float
    conductance: float
    predicted: dict[str, float]
    residuals_pct: dict[str, float]
    tolerance_pct: dict[str, float]
    misfit: float

    @property
    def values(self) -> Values:
        """The three values (a, R, K)."""
        return self.seebeck, self.resistance, self.conductance


class SheetContradiction(ValueError):
    """No module of this build comes near the printed numbers."""


def at_current(
    values: Values, build: Build, current_a: float, cold_k: float, hot_k: float
) -> tuple[float, float]:
    """Return (heat taken up [W], electrical power [W]) of the module at a steady current."""
    heat_w, power_w = stage.at_current(
        *values, build.varies, build.stages, build.upper_share, build.middle_contact_w_per_k,
        current_a, cold_k, hot_k,
    )  # fmt: skip
    return heat_w, power_w


def largest_difference(values: Values, build: Build, hot_k: float) -> tuple[float, float]:
    """Return (current [A], cold face [K]) of the largest difference with no load.

    There the heat taken up and its slope over the current are both 0: Newton's method on
    the two, from the closed form of constant properties.

    Raises
    ------
    SheetContradiction
        When it does not converge.
    """
    seebeck, resistance, conductance = values
    if build.stages == 2:
        both = build.upper_share * (1.0 - build.upper_share)
        seebeck, conductance = seebeck / (2.0 * both), conductance / both
    merit = seebeck**2 / (resistance * conductance)
    cold_k = (sqrt(1.0 + 2.0 * merit * hot_k) - 1.0) / merit
    current_a = seebeck * cold_k / resistance
    step_a = 1e-3 * current_a

    def heat_and_slope(x: Array) -> Array:
        amps, cold = float(x[0]), float(x[1])
        below, here, above = (
            at_current(values, build, amps + step, cold, hot_k)[0]
            for step in (-step_a, 0.0, step_a)
        )
        return np.array([here, (above - below) / (2.0 * step_a)])

    x = np.array([current_a, cold_k])
    nudges = np.diag([1e-3 * current_a, 1e-2])
    largest_move = np.array([0.3 * current_a, 20.0])
    for _ in range(MOST_ROUNDS):
        columns = [
            (heat_and_slope(x + nudge) - heat_and_slope(x - nudge)) / (2.0 * nudge.sum())
            for nudge in nudges
        ]
        change = np.linalg.solve(np.column_stack(columns), -heat_and_slope(x))
        x = x + np.clip(change, -largest_move, largest_move)
        if np.all(np.abs(change) < np.array([1e-7 * current_a, 1e-5])):
            if x[0] > 0.0 and 50.0 < x[1] < hot_k:
                return float(x[0]), float(x[1])
            break
    raise SheetContradiction("no largest temperature difference for these values")


def predicted_numbers(values: Values, build: Build, hot_k: float) -> Array:
    """Return the numbers of `NUMBERS`, shape (5,), that such a module's sheet would print.

    Imax, Vmax and dTmax at the largest difference with no load, Qmax at no difference and
    Imax, the resistance at 25 °C throughout.
    """
    current_a, cold_k = largest_difference(values, build, hot_k)
    _, power_w = at_current(values, build, current_a, cold_k, hot_k)
    qmax_w, _ = at_current(values, build, current_a, hot_k, hot_k)
    return np.array([current_a, power_w / current_a, hot_k - cold_k, qmax_w, values[1]])


def _start_values(sheet: DataSheet, build: Build) -> Values:
    """Return (a, R, K) to start from: the textbook's, two stages with a fifth more reach."""
    if build.stages == 1:
        return lumped_parameters(sheet)
    one = DataSheet(
        sheet.couples, sheet.imax_a, sheet.vmax_v, 0.8 * sheet.dtmax_k, sheet.qmax_w,
        sheet.hot_side_k,
    )  # fmt: skip
    return stage.whole(*lumped_parameters(one), build.upper_share)


DEFAULT_TOLERANCES = Tolerances()
DEFAULT_BUILD = Build()


@lru_cache(maxsize=256)
def extract(
    sheet: DataSheet, tolerances: Tolerances = DEFAULT_TOLERANCES, build: Build = DEFAULT_BUILD
) -> Extraction:
    """Return the values that fit all printed numbers best, with what they leave open.

    Weighted least squares of ln(predicted/printed) over ln a, ln R, ln K (Gauss-Newton;
    textbook).  The values' tolerances are the roots of the covariance's diagonal, widened
    by the misfit where the numbers disagree by more than their tolerances (the usual scale
    factor of inconsistent measurements).

    Raises
    ------
    SheetContradiction
        When no module of this build comes near the numbers.
    """
    printed = np.array([getattr(sheet, name) for name in NUMBERS])
    used = printed > 0.0
    weights = 1.0 / tolerances.as_shares()[used]

    def numbers(logs: Array) -> Array:
        a, r, k = (float(value) for value in np.exp(logs))
        return predicted_numbers((a, r, k), build, sheet.hot_side_k)

    def misses(logs: Array) -> Array:
        return weights * np.log(numbers(logs)[used] / printed[used])

    logs = np.log(np.array(_start_values(sheet, build)))
    for _ in range(MOST_ROUNDS):
        slopes = np.column_stack(
            [(misses(logs + nudge) - misses(logs - nudge)) / 2e-4 for nudge in 1e-4 * np.eye(3)]
        )
        change = np.linalg.lstsq(slopes, -misses(logs), rcond=None)[0]
        logs = logs + np.clip(change, -0.2, 0.2)
        if np.all(np.abs(change) < 1e-5):
            break
    else:
        raise SheetContradiction("no module comes near the sheet's numbers")
    predicted = numbers(logs)
    redundant = int(used.sum()) - logs.size
    misfit = float(np.sqrt(np.sum(misses(logs) ** 2) / redundant))
    left_open = np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes))) * max(1.0, misfit)
    a, r, k = (float(value) for value in np.exp(logs))
    return Extraction(
        seebeck=a,
        resistance=r,
        conductance=k,
        predicted=dict(zip(NUMBERS, map(float, predicted), strict=True)),
        residuals_pct={
            name: float(100.0 * (p / q - 1.0))
            for name, p, q in zip(NUMBERS, printed, predicted, strict=True)
            if p > 0.0
        },
        tolerance_pct=dict(zip(VALUES, map(float, 100.0 * left_open), strict=True)),
        misfit=misfit,
    )

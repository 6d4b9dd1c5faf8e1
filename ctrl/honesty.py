"""What the model cannot tell apart: two choices within its own uncertainty, and the simpler one.

Each controller is run on the same drawn cabinets (common draws of the tolerances), a day in
the usual room.  Where the 90 % range of the paired difference in energy holds none, and neither
keeps the limits clearly more often, the choice is no matter of the model: the simpler one does.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

from ctrl.candidates import Candidate
from ctrl.config import Config
from ctrl.tolerance_draws import (
    COMPARING,
    Array,
    Draw,
    Spread,
    Start,
    comparing_draws,
    judged,
    noise_seed,
    spreads_of,
    start_of,
)

DRAWS = 16
SAME_SPREADS = 1.645  # 90 % of a normal spread lies within as many standard deviations
NOT_BY_CHANCE = 0.1  # two-sided sign test of the draws on which only one of the two holds
# The simplest to build, flash and mend first. Common practice, no source.
SIMPLICITY = (
    ("on_off", "relay"), ("on_off", "slow_window"), ("on_off", "fast_pwm"),
    ("fixed", "relay"), ("fixed", "fast_pwm"), ("fixed", "smoothed"),
    ("pi", "slow_window"), ("pi", "fast_pwm"), ("pi", "smoothed"), ("pi", "current"),
)  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """The chosen controller against another on common draws.

    `saves_kwh_per_day` is what the other saves, `spread_kwh_per_day` half the 90 % range of it;
    `held`, `other_held` are the draws in which each kept all limits of the usual room,
    `only_held`, `only_other_held` those in which the other of the two did not; `sign_test_p` is
    how likely chance alone makes these two as unequal.  Draws in which one of them finds no
    steady state have no energy: `draws_without_energy` counts them, and only `saves` and
    `spread` leave them out (NaN where none is left).
    """

    controller: str
    drive: str
    other_controller: str
    other_drive: str
    draws: int
    saves_kwh_per_day: float
    spread_kwh_per_day: float
    held: int
    other_held: int
    only_held: int
    only_other_held: int
    sign_test_p: float
    draws_without_energy: int
    same: bool
    simpler_controller: str
    simpler_drive: str


def simplicity(controller: str, drive: str) -> int:
    """Return the place in the order of simplicity; what is not listed is the least simple."""
    pair = (controller, drive)
    return SIMPLICITY.index(pair) if pair in SIMPLICITY else len(SIMPLICITY)


def pairs_of(
    config: Config,
    candidates: Sequence[Candidate],
    *,
    seed: int,
    draws: int = DRAWS,
    workers: int = 1,
    progress: Callable[[str], None] = lambda stage: None,
) -> tuple[Pair, ...]:
    """Return the first candidate against each other one, on common draws in the usual room."""
    from concurrent.futures import ThreadPoolExecutor

    room_c = config.climate.usual_c
    found = []
    for item in candidates:
        progress(f"telling apart: {item.controller.replace('_', '-')} on {item.drive}")
        # The same spreads for all: numbers of the drive are none of them.
        spreads = spreads_of(config, item.plant)
        points = comparing_draws(draws, len(spreads), seed)
        start = start_of(config, item.plant, item.settings, "usual", room_c, seed)

        def one(
            place: int,
            item: Candidate = item,
            start: Start = start,
            spreads: tuple[Spread, ...] = spreads,
            points: Array = points,
        ) -> Draw:
            return judged(config, item.plant, item.settings, (start,), spreads, points[place],
                          place, noise_seed(seed, COMPARING, place))  # fmt: skip

        with ThreadPoolExecutor(workers) as pool:
            found.append(list(pool.map(one, range(draws))))
    mine, first = found[0], candidates[0]
    return tuple(
        _pair(first, other, mine, theirs)
        for other, theirs in zip(candidates[1:], found[1:], strict=True)
    )


def sign_test(only_mine: int, only_theirs: int) -> float:
    """Return the two-sided sign test's p [-]; draws on which both do the same say nothing."""
    told = only_mine + only_theirs
    return 1.0 if told == 0 else float(binomtest(only_mine, told, 0.5).pvalue)


def _pair(first: Candidate, other: Candidate, mine: list[Draw], theirs: list[Draw]) -> Pair:
    both = list(zip(mine, theirs, strict=True))
    all_saved = np.array([a.energy_kwh_per_day - b.energy_kwh_per_day for a, b in both])
    saved = all_saved[np.isfinite(all_saved)]
    mean = float(np.mean(saved)) if saved.size else float("nan")
    spread = SAME_SPREADS * float(np.std(saved)) if saved.size else float("nan")
    held, other_held = (sum(item.holds for item in part) for part in (mine, theirs))
    only_mine = sum(a.holds and not b.holds for a, b in both)
    only_theirs = sum(b.holds and not a.holds for a, b in both)
    p = sign_test(only_mine, only_theirs)
    # As often, but on other cabinets: two that part on half of the draws are not one choice.
    alike = p > NOT_BY_CHANCE and 2 * (only_mine + only_theirs) <= len(both)
    same = alike and saved.size > 0 and abs(mean) <= spread
    simpler = min((first, other), key=lambda item: simplicity(item.controller, item.drive))
    return Pair(
        first.controller, first.drive, other.controller, other.drive, len(mine),
        mean, spread, held, other_held, only_mine, only_theirs, p,
        len(both) - int(saved.size), same, simpler.controller, simpler.drive,
    )  # fmt: skip

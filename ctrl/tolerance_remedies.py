"""What would bring the share that holds to the wanted one, read off the draws that were run.

Nothing is simulated anew: parts known more closely are the draws that lie near their middle;
more room at a limit is a limit moved by what the draws lack.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from ctrl.tolerance_draws import Draw, Spread

MOST_MEASURED = 2  # parts halved at once; each leaves half of the draws
ROOM_STEP = 0.1  # of a limit's unit, to which its move is rounded up
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Remedy:
    """One change, and how many of the draws that tell of it would hold.

    `share_at_least` is the one-sided 95 % lower bound [-]; `reaches` whether that is what is
    wanted.  `fresh` tells that the settings were not chosen on these draws: else the figure is a
    guide, and no confidence is claimed.
    """

    change: str
    draws: int
    holds: int
    share_at_least: float
    reaches: bool
    fresh: bool = True


def lower_bound(holds: int, draws: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided lower bound of a share [-], exact (Clopper and Pearson 1934)."""
    if holds == 0:
        return 0.0
    return float(beta.ppf(1.0 - confidence, holds, draws - holds + 1))


def limit_name(with_room: str) -> str:
    """Return a limit's name without its room."""
    return with_room.rpartition(", ")[0]


def fitted_bound(holds: int, draws: int, fitted: int) -> float:
    """Return the one-sided lower bound of a share [-] inside limits read off the same draws.

    Each limit that is moved to a draw uses one of them up (order statistics, Wilks 1942; blocks
    of several variables, Tukey 1947, both from memory): one limit is `lower_bound`, two need 93
    draws without a failure for 95 % of 95 %, three 124.
    """
    return lower_bound(max(holds - max(fitted - 1, 0), 0), draws)


def _remedy(change: str, held: Sequence[bool], wanted: float, fitted: int = 1) -> Remedy:
    holds, draws = sum(held), len(held)
    bound = fitted_bound(holds, draws, fitted)
    return Remedy(change, draws, holds, bound, bound >= wanted)


def measured(
    names: Sequence[str], spreads: Sequence[Spread], points: NDArray[np.float64],
    draws: Sequence[Draw], wanted: float,
) -> list[Remedy]:  # fmt: skip
    """Return what comes of knowing tolerances to half of what they are, one by one.

    Parameters
    ----------
    names : sequence of str
        Tolerances, the one that decides most first.
    points : ndarray, shape (draws, spreads)
        Where each draw lies in each tolerance, 0 to 1.
    """
    column = {item.name: k for k, item in enumerate(spreads)}
    near = np.ones(len(draws), dtype=bool)
    found = []
    for count, name in enumerate(names[:MOST_MEASURED], start=1):
        near &= np.abs(points[: len(draws), column[name]] - 0.5) <= 0.25
        held = [item.holds for item, inside in zip(draws, near, strict=True) if inside]
        if held:
            what = " and ".join(names[:count])
            found.append(_remedy(f"{what} measured to half the tolerance", held, wanted))
    return found


def _of_room(unit: str) -> str:
    """Return the unit of a difference: of temperatures the kelvin."""
    return "K" if unit == "°C" else unit


def more_room(
    at_risk: str, scales: Mapping[str, tuple[float, str]], draws: Sequence[Draw], wanted: float
) -> Remedy | None:
    """Return the least move of the limit at risk that is enough, or the most that helps.

    `scales` holds (ample margin, unit) of each limit with its room.  None where no draw breaks
    that limit alone.
    """
    name = limit_name(at_risk)
    mine = {key: scale for key, scale in scales.items() if limit_name(key) == name}
    if at_risk not in mine:
        return None

    def lack(item: Draw) -> float | None:
        if any(key not in mine for key in item.failed):
            return None
        return max((-item.margins[key] * mine[key][0] for key in item.failed), default=0.0)

    lacks = [lack(item) for item in draws]
    lowest: Remedy | None = None
    for least in sorted({x for x in lacks if x is not None and x > 0.0}):
        move = ceil(round(least / ROOM_STEP, 6)) * ROOM_STEP
        held = [x is not None and x <= move for x in lacks]
        unit = _of_room(mine[at_risk][1])
        lowest = _remedy(f"{move:.1f} {unit} more room at {name}", held, wanted)
        if lowest.reaches:
            break
    return lowest


def room_everywhere(
    scales: Mapping[str, tuple[float, str]], draws: Sequence[Draw], wanted: float
) -> Remedy | None:
    """Return the least moves of all broken limits together that are enough, or the most.

    The draws that lack least are mended first, each limit by what they lack.  `scales` as in
    `more_room`; a draw that breaks a limit without one stays broken.
    """

    def lacks(item: Draw) -> dict[str, float] | None:
        found: dict[str, float] = {}
        for key in item.failed:
            if key not in scales:
                return None
            name = limit_name(key)
            found[name] = max(found.get(name, 0.0), -item.margins[key] * scales[key][0])
        return found

    units = {limit_name(key): unit for key, (_, unit) in scales.items()}
    moves: dict[str, float] = {}
    every = [lacks(item) for item in draws]
    lowest: Remedy | None = None
    # By scaled margin, so that kelvin and per cent stand side by side.
    for which in sorted(range(len(draws)), key=lambda n: -draws[n].tightest):
        mended = every[which]
        if not mended:
            continue
        for name, lack in mended.items():
            move = ceil(round(lack / ROOM_STEP, 6)) * ROOM_STEP
            moves[name] = max(moves.get(name, 0.0), move)
        held = [
            one is not None and all(x <= moves.get(name, 0.0) for name, x in one.items())
            for one in every
        ]
        told = [
            f"{move:.1f} {_of_room(units[name])} at {name}" for name, move in sorted(moves.items())
        ]
        change = f"more room, all together: {', '.join(told)}"
        lowest = _remedy(change, held, wanted, fitted=len(moves))
        if lowest.reaches:
            break
    return lowest


def words_of(item: Remedy, wanted: float) -> str:
    """Return a remedy in words, and whether it falls short or is only told by too few draws."""
    ending = ""
    if not item.reaches:
        all_hold = item.holds == item.draws
        many_enough = not all_hold and lower_bound(item.draws, item.draws) >= wanted
        short = item.holds < wanted * item.draws
        ending = ", not enough" if short or many_enough else ", too few draws to show it"
    share = f"at least {100.0 * item.share_at_least:.1f} %"
    if not item.fresh:
        share = "a guide and no bound, as the settings were chosen on these draws"
    return f"{item.change}: {item.holds} of {item.draws} of these draws hold, {share}{ending}"

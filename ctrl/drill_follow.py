"""How long a drill is watched: until it has settled, or until what is to come turns no verdict.

A warming or cooling part comes to rest like exp(-t/tau): each piece of the run changes it by the
same share of the piece before, and the changes still to come are the sum of a geometric series.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import copysign, exp, inf, isinf

import numpy as np

from ctrl.drill_results import LimitFound, Moving, Scenario
from ctrl.drill_rig import ROW_S, Rig
from ctrl.record import INDEX

FINE_S = 900.0  # after a fault every second is noted for so long
PIECE_S = 4 * 3600.0
FIRST_H = 36.0  # watched so long, if it has not settled before
MOST_H = 20 * 24.0  # and so long, where a limit of the pass line may yet be broken
LATER_ROW_S = 60.0
OUTSIDE_H = 5 * 24.0  # the same for a firmware from outside, a hundred times slower than ours
REST_K = 0.05  # no more than this still to come: settled
# A change below that is noise in its share of the one before; no part takes longer than tau.
SLOW_K, MOST_TAU_H = 0.05, 100.0
A_DAY = round(24.0 * 3600.0 / PIECE_S)  # pieces; a day's mean sees no defrost swing
FREEZES = 1e-3  # share of the contents; more than that a piece, and their heat is not sensible

FOLLOWED = ("hot_sink_c", "foam_c", "hot_face_c", "contents_c")


@dataclass(frozen=True)
class Outlook:
    """What is still to come at the end of a run, of the columns in `FOLLOWED`.

    Attributes
    ----------
    rest_k : tuple of float
        From the mean of what was last compared on [K]; infinite where nothing tells.
    rate_k_per_h : tuple of float
        Over what was last compared [K/h].
    change_k : tuple of float
        The same as a whole [K].
    """

    rest_k: tuple[float, ...]
    rate_k_per_h: tuple[float, ...]
    change_k: tuple[float, ...] = (0.0,) * len(FOLLOWED)

    @property
    def settled(self) -> bool:
        """Whether next to nothing is still to come."""
        return all(abs(rest) < REST_K for rest in self.rest_k)

    def moving(self, day: np.ndarray) -> tuple[Moving, ...]:
        """Return what has not settled; what swings within the last day's range has.

        `day` are the rows of the last day, shape (rows, columns): a defrost moves a piece's mean
        to and fro, and a part that moves on leaves the range that it was in.
        """
        found = []
        for at, column in enumerate(FOLLOWED):
            rest, change = self.rest_k[at], self.change_k[at]
            end = float(day[-1, INDEX[column]]) + change
            values = day[:, INDEX[column]]
            swings = rest == change or values.min() <= end <= values.max()
            freezes = isinf(rest) and abs(change) < REST_K
            if abs(rest) >= REST_K and (freezes or not swings):
                found.append(Moving(column, self.rate_k_per_h[at], rest))
        return tuple(found)


def rest_of(before: float, last: float, hours: float) -> float:
    """Return the sum of all changes after `last` [K], from those of two spans of `hours` [h]."""
    if last == 0.0 or before * last <= 0.0:
        return last  # it swings, or has just turned: as much again at most
    share = last / before
    if abs(last) < SLOW_K:
        share = min(share, exp(-hours / MOST_TAU_H))
    return last * share / (1.0 - share) if share < 1.0 else copysign(inf, last)


def outlook_of(means: list[np.ndarray], frozen: list[float]) -> Outlook:
    """Return what is still to come, from the pieces so far.

    Parameters
    ----------
    means : list of ndarray, shape (len(FOLLOWED),)
        Means of each piece.
    frozen : list of float
        Share of the contents that is frozen at each piece's end.
    """
    if len(means) < 3:
        return Outlook((inf,) * len(FOLLOWED), (0.0,) * len(FOLLOWED))
    count = span_of(means)
    one, two, three = (np.mean(part, axis=0) for part in (
        means[-3 * count : -2 * count], means[-2 * count : -count], means[-count:]
    ))  # fmt: skip
    before, last, hours = two - one, three - two, count * PIECE_S / 3600.0
    rest = [rest_of(float(a), float(b), hours) for a, b in zip(before, last, strict=True)]
    if abs(frozen[-1] - frozen[-2]) > FREEZES:
        rest[FOLLOWED.index("contents_c")] = copysign(inf, frozen[-2] - frozen[-1])
    changes = tuple(float(change) for change in last)
    return Outlook(tuple(rest), tuple(change / hours for change in changes), changes)


def span_of(means: list[np.ndarray]) -> int:
    """Return how many pieces are compared with as many before: one, or a day where three are."""
    return A_DAY if len(means) >= 3 * A_DAY else 1


def may_yet_break(
    limits: tuple[LimitFound, ...], last: np.ndarray, outlook: Outlook
) -> tuple[str, ...]:
    """Return the pass line's limits that are kept so far and that the rest could break.

    `last` are the rows of what was last compared, shape (rows, columns): its worst value, and the
    whole rest upon it, are held against each limit.
    """
    found = []
    for item in limits:
        if not item.in_pass_line or not item.kept or item.column not in FOLLOWED:
            continue
        rest = outlook.rest_k[FOLLOWED.index(item.column)]
        values = last[:, INDEX[item.column]]
        if item.is_upper:
            breaks = rest >= REST_K and float(values.max()) + rest > item.limit
        else:
            breaks = rest <= -REST_K and float(values.min()) + rest < item.limit
        if breaks:
            found.append(item.name)
    return tuple(found)


def run_until(rig: Rig, fault_s: float, end_s: float) -> None:
    """Run to a time, every tick noted in the first minutes after the fault."""
    tick_s = rig.loop.firmware.tick_s
    rig.run(min(fault_s + FINE_S, end_s) - rig.loop.time_s, row_s=max(tick_s, 1.0))
    rig.run(end_s - rig.loop.time_s)


def follow(
    rig: Rig,
    scenario: Scenario,
    limits: Callable[[np.ndarray], tuple[LimitFound, ...]] = lambda table: (),
    most_h: float | None = None,
) -> tuple[Outlook, tuple[str, ...]]:
    """Let the fault in, then the later events, and run until it has settled.

    Parameters
    ----------
    rig : Rig
    scenario : Scenario
    limits : callable
        Returns the limits against the rows so far.  While the rest could break one of the pass
        line's, the run goes on.
    most_h : float, optional
        For so long at most [h]; `MOST_H` by default.

    Returns
    -------
    Outlook
        What is still to come.
    tuple of str
        Limits that the rest may yet break.
    """
    fault_s = rig.loop.time_s
    scenario.inject(rig)
    for after_s, act in scenario.then:
        run_until(rig, fault_s, fault_s + after_s)
        rig.look_closely()
        act(rig)
    run_until(rig, fault_s, fault_s + FINE_S)
    means: list[np.ndarray] = []
    frozen: list[float] = []
    threatened: tuple[str, ...] = ()
    columns = [INDEX[name] for name in FOLLOWED]
    while rig.ended is None:
        late = rig.loop.time_s - fault_s >= FIRST_H * 3600.0
        rig.run(PIECE_S, row_s=LATER_ROW_S if late else ROW_S)
        last = rig.tail(PIECE_S)
        time_s = last[:, INDEX["time_s"]]
        spans_s = np.diff(time_s, prepend=rig.loop.time_s - PIECE_S)
        means.append(np.average(last[:, columns], axis=0, weights=spans_s))
        frozen.append(float(last[-1, INDEX["frozen_share"]]))
        outlook, hours = outlook_of(means, frozen), (rig.loop.time_s - fault_s) / 3600.0
        if outlook.settled:
            break
        if hours >= FIRST_H:
            threatened = may_yet_break(
                limits(rig.table), rig.tail(span_of(means) * PIECE_S), outlook
            )
            if not threatened or hours >= (MOST_H if most_h is None else most_h):
                break
    if rig.ended is not None:
        return Outlook((0.0,) * len(FOLLOWED), (0.0,) * len(FOLLOWED)), ()
    return outlook, () if outlook.settled else threatened

"""Readings that cannot be: lone ones and short bursts, in a column of a log.

Where duty or a fan was just switched a reading may be as far off as the fastest sink goes.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SPIKE_K, SPIKE_SPREADS = 2.0, 6.0  # a lone reading so far from its neighbours' median
BURST_K, BURST_WIDTH = 15.0, 9  # up to four rows in a row so far from it: no cabinet goes so fast
SWITCHED = 0.15  # a change of duty or of a fan that moves temperatures at once
# A sink may go so fast after a switching: 60 W into 240 J/K (invented).  The larder of the tests'
# other plant did 0.15 K/s over a minute, as its hot fan was started again.
FASTEST_K_PER_S = 0.25
# And between rows minutes apart no further than a small sink without its fan: 60 W in 0.5 K/W
# (invented).
FURTHEST_K = 30.0
JOLT = 0.3  # of a voltage's or current's usual size, with duty and fans standing still


def _real_k(time_s: Array, switched: list[Array], rows: NDArray[np.int64], width: int) -> Array:
    """Return how far a reading may really be from those about it [K], shape (rows,).

    Where duty or a fan changed within the `width` rows, as far as the fastest sink goes in half
    of them, at most `FURTHEST_K`: the peak of a hot sink whose fan was stopped is no spike.
    Elsewhere 0.
    """
    half = width // 2

    def windows(column: Array) -> Array:
        padded = np.pad(np.nan_to_num(column[rows]), half, mode="edge")
        return np.lib.stride_tricks.sliding_window_view(padded, width)

    moved = np.zeros(rows.size, bool)
    for column in switched:
        moved |= np.ptp(windows(column), axis=1) > SWITCHED
    # At the ends of a stretch the window is cut, and the other half goes for both.
    steps_s = np.pad(np.diff(time_s[rows]), half, mode="reflect")
    view = np.lib.stride_tricks.sliding_window_view(steps_s, 2 * half)
    most_s = np.maximum(view[:, :half].sum(axis=1), view[:, half:].sum(axis=1))
    return np.where(moved, np.minimum(FASTEST_K_PER_S * most_s, FURTHEST_K), 0.0)


def without_spikes(
    values: Array, time_s: Array, segment: NDArray[np.int64], switched: list[Array]
) -> int:
    """Take lone readings out of a temperature in place; return how many.

    A reading further from the median of five than `SPIKE_K` and `SPIKE_SPREADS` times the usual
    distance (median absolute deviation, as a standard deviation: times 1.4826, textbook).
    """
    count = 0
    for part in np.unique(segment):
        rows = np.flatnonzero((segment == part) & np.isfinite(values))
        if rows.size < 7:
            continue
        off = _lone(values, rows, 5)
        limit = max(SPIKE_K, SPIKE_SPREADS * 1.4826 * float(np.median(off)))
        bad = rows[off > np.maximum(limit, _real_k(time_s, switched, rows, 5))]
        values[bad] = np.nan
        count += bad.size
    return count


def _lone(
    values: Array, rows: NDArray[np.int64], width: int, ends: Literal["edge", "reflect"] = "edge"
) -> Array:
    """Return how far each reading is from the median of the `width` about it, shape (rows,).

    By `ends` "edge" those at the ends are never lone, as a start may be steep; by "reflect" they
    are.
    """
    seen = values[rows]
    padded = np.pad(seen, width // 2, mode=ends)
    return np.abs(seen - np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def without_bursts(
    values: Array, time_s: Array, segment: NDArray[np.int64], switched: list[Array]
) -> int:
    """Take up to four rows in a row, `BURST_K` off their neighbours, out of a temperature."""
    count = 0
    for part in np.unique(segment):
        rows = np.flatnonzero((segment == part) & np.isfinite(values))
        if rows.size >= BURST_WIDTH:
            limit = np.maximum(BURST_K, _real_k(time_s, switched, rows, BURST_WIDTH))
            bad = rows[_lone(values, rows, BURST_WIDTH, "reflect") > limit]
            values[bad] = np.nan
            count += bad.size
    return count


def without_jolts(values: Array, segment: NDArray[np.int64], switched: list[Array]) -> int:
    """Take lone readings out of a voltage or current, where duty and fans stood still about them.

    Off by more than `JOLT` of the column's usual size from the median of five.
    """
    finite = np.isfinite(values)
    if not finite.any():
        return 0
    usual = float(np.percentile(np.abs(values[finite]), 90.0))
    count = 0
    for part in np.unique(segment):
        rows = np.flatnonzero((segment == part) & finite)
        if rows.size < 7:
            continue
        still = np.ones(rows.size, bool)
        for column in switched:
            still &= np.nan_to_num(_lone(column, rows, 5)) <= 0.02
        bad = rows[(_lone(values, rows, 5) > JOLT * usual) & still]
        values[bad] = np.nan
        count += bad.size
    return count


def left_out(
    columns: dict[str, Array], time_s: Array, segment: NDArray[np.int64], readings: Sequence[str]
) -> tuple[int, list[str]]:
    """Take the outliers out of a log's columns in place; return (how many, notes).

    Parameters
    ----------
    columns : dict of ndarray, shape (rows,)
        By the names of `ctrl.log_file.QUANTITIES`.
    time_s, segment : ndarray, shape (rows,)
        As of a `ctrl.log_file.Log`.
    readings : sequence of str
        The cabinet's own temperatures.
    """
    notes: list[str] = []
    spikes = 0
    switched = [columns[name] for name in ("duty", "hot_fan", "cold_fan") if name in columns]
    for name in ("supply_v", "module_v", "module_a"):
        # Without a duty the current itself is what drives; it may come in pulses.
        if name in columns and "duty" in columns:
            lone = without_jolts(columns[name], segment, switched)
            spikes += lone
            if lone:
                notes.append(f"{name}: {counted(lone, 'lone reading')} {100.0 * JOLT:.0f} % or "
                             "more off those about, left out")  # fmt: skip
    for name in (*readings, "ambient_c"):
        if name in columns:
            # The room's temperature is none that the cabinet moves.
            moved_by = [] if name == "ambient_c" else switched
            lone = without_bursts(columns[name], time_s, segment, moved_by)
            lone += without_spikes(columns[name], time_s, segment, moved_by)
            spikes += lone
            if lone:
                notes.append(f"{name}: {counted(lone, 'reading')} far off those about (alone by "
                             f"{SPIKE_K:g} K or more, or up to four in a row by {BURST_K:g} K), "
                             "left out")  # fmt: skip
    return spikes, notes


def counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


__all__ = ["SWITCHED", "counted", "left_out"]

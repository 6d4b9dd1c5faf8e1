"""Rows of a log that say less than they seem: frost on the cold sink, switching between two rows.

Frost closes a sink bit by bit and is no poor sink.  How much grows depends on wet goods and on
seals that no config knows, so the log tells it: the hours that the cold sink has been below 0 °C
in air that can frost it, since it was last clear.  Melting takes heat that depends on that frost;
it is left out, and what comes after has start values of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrl.log_file import GAP_LEAST_S, GAP_STEPS, NEW_START_S, Log
from ctrl.log_outliers import SWITCHED
from plant import moist_air
from plant.constants import ZERO_C_K

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]

FROSTS_C = 0.5  # reading from which it may be frosting: 0 °C, and what sensors are usually off
CLEAR_C = 2.0  # a cold sink that reads more has no frost left (common practice, no source)
LEAST_FROST_H = 0.5  # less of it needs no unknown
MOST_HOLES = 6  # start values anew after each; of more only the rows are left out
MOST_MELTS = 6  # start values anew after each; of more only the melting is left out
EXACT_S = 30.0  # rows so close tell when it was
MOST_UNSEEN = 0.5  # share of the rows
FORGOTTEN_STEPS, FORGOTTEN_S = 5.0, 900.0  # then the sinks have forgotten it
MANY = 20  # changes between rows, as of a thermostat's relay: one row that is late adds up
# A log that begins so (common practice, no source) has walls and contents far from rest.
SWING_S, IN_SWING_K_PER_MIN = 300.0, 1.0


@dataclass(frozen=True)
class Frosting:
    """What the cold sink's reading says of frost.

    Parameters
    ----------
    hours : ndarray, shape (rows,)
        At 0 °C or below as far as its sensor tells, in air that can frost it, since it was last
        clear [h].
    melting, starts : ndarray of bool, shape (rows,)
        Rows while it melts; rows at which a stretch begins anew.
    """

    hours: Array
    melting: Rows
    starts: Rows

    @property
    def melts(self) -> int:
        """How many times it melted."""
        return int(self.starts.sum())

    @property
    def matters(self) -> bool:
        """Tell whether there was enough of it to need an unknown."""
        return float(self.hours.max(initial=0.0)) >= LEAST_FROST_H


def frosting(log: Log, room_ratio: Array, pressure_pa: float) -> Frosting:
    """Return where a log's cold sink frosts and melts; nowhere without its reading.

    Parameters
    ----------
    room_ratio : ndarray, shape (rows,)
        Humidity ratio of the room's air [-]: drier than saturated at the sink, it frosts nothing.
    """
    count = log.time_s.size
    hours, melting, starts = np.zeros(count), np.zeros(count, bool), np.zeros(count, bool)
    seen = log.columns.get("cold_sink_c")
    if seen is None:
        return Frosting(hours, melting, starts)
    so_far, warm_from, last = 0.0, -1, -1
    for row in range(count):
        if row and log.segment[row] != log.segment[row - 1]:
            so_far, warm_from, last = 0.0, -1, -1
        cold_c = seen[row]
        if np.isfinite(cold_c):
            frosts = cold_c < FROSTS_C and room_ratio[row] > moist_air.saturation_humidity_ratio(
                min(cold_c, 0.0) + ZERO_C_K, pressure_pa
            )
            if frosts and last >= 0:
                so_far += (log.time_s[row] - log.time_s[last]) / 3600.0
            if cold_c < FROSTS_C:
                warm_from = row + 1
            elif cold_c > CLEAR_C:
                if so_far >= LEAST_FROST_H:
                    melting[warm_from:row] = True
                    starts[row] = True
                so_far = 0.0
            last = row
        hours[row] = so_far
    if starts.sum() > MOST_MELTS:
        starts[:] = False
    return Frosting(hours, melting, starts)


@dataclass(frozen=True)
class Holes:
    """Where the log does not say what drove the cabinet.

    Parameters
    ----------
    unknown, starts : ndarray of bool, shape (rows,)
        Rows in holes of duty or a fan that are so long that nobody knows the state; rows at which
        a stretch begins anew after one.
    notes : tuple of str
    """

    unknown: Rows
    starts: Rows
    notes: tuple[str, ...]


def _runs_without(log: Log, values: Array) -> list[tuple[int, int, float]]:
    """Return (first row, row after it, seconds) of each stretch without a value."""
    found = []
    for part in np.unique(log.segment):
        rows = np.flatnonzero(log.segment == part)
        good = rows[np.isfinite(values[rows])]
        edges = np.concatenate([[rows[0] - 1], good, [rows[-1] + 1]])
        for k in np.flatnonzero(np.diff(edges) > 1):
            before, after = int(edges[k]), int(edges[k + 1])
            begin, end = max(before, int(rows[0])), min(after, int(rows[-1]))
            found.append((before + 1, after, float(log.time_s[end] - log.time_s[begin])))
    return found


def holes(log: Log, switched: tuple[str, ...], straight: tuple[str, ...]) -> Holes:
    """Return where columns that drive the cabinet have holes longer than a gap.

    Parameters
    ----------
    switched, straight : tuple of str
        Columns that hold until the next value, and those taken in straight lines, where logged.
    """
    count = log.time_s.size
    unknown, starts, notes = np.zeros(count, bool), np.zeros(count, bool), []
    gap_s = max(GAP_STEPS * log.step_s, GAP_LEAST_S)
    for name in (*switched, *straight):
        if name not in log.columns:
            continue
        runs = _runs_without(log, log.columns[name])
        longest_s = max((seconds for *_, seconds in runs), default=0.0)
        if longest_s <= gap_s:
            continue
        text = f"{name}: without a value for up to {longest_s / 60.0:.0f} min"
        if name in straight:
            notes.append(f"{text}; taken in straight lines there")
            continue
        notes.append(
            f"{text}; taken as before it"
            if longest_s <= NEW_START_S
            else f"{text}; not compared where it is longer than 20 min, start values anew after it"
        )
        for first, after, seconds in runs:
            if seconds > NEW_START_S:
                unknown[first:after] = True
                if after < count and log.segment[after] == log.segment[after - 1]:
                    starts[after] = True
    if starts.sum() > MOST_HOLES:
        starts[:] = False
    return Holes(unknown, starts, tuple(notes))


def with_starts(log: Log, starts: Rows) -> tuple[Array, NDArray[np.int64]]:
    """Return (times from each stretch's start [s], stretch) with stretches begun at more rows."""
    segment = log.segment + np.cumsum(starts)
    time_s = log.time_s.copy()
    for part in np.unique(segment):
        time_s[segment == part] -= time_s[segment == part][0]
    return time_s, segment


def changes(log: Log, switched: list[Array]) -> Rows:
    """Return the rows after which a column changes by enough to move temperatures at once."""
    found = np.zeros(log.time_s.size, bool)
    for column in switched:
        size = SWITCHED * max(float(np.max(np.abs(column))), 1e-9)
        found[:-1] |= (np.abs(np.diff(column)) > size) & (np.diff(log.segment) == 0)
    return found


def unseen_switches(log: Log, switched: list[Array]) -> Rows:
    """Return the rows after a switching that fell somewhere between two rows far apart.

    `switched` are columns of duty and fans without holes: when they changed is not known by up to
    the step between the rows, and the sinks change within minutes.  Where that would be most of
    the log, as of a relay that cycles within a few rows, none.
    """
    found = np.zeros(log.time_s.size, bool)
    steps = np.append(np.diff(log.time_s), 0.0)
    for row in np.flatnonzero(changes(log, switched) & (steps > EXACT_S)):
        until = log.time_s[row + 1] + min(FORGOTTEN_STEPS * steps[row], FORGOTTEN_S)
        found |= (
            (log.segment == log.segment[row])
            & (log.time_s > log.time_s[row]) & (log.time_s < until)
        )  # fmt: skip
    return found if found.mean() <= MOST_UNSEEN else np.zeros_like(found)


def swing_k_per_min(log: Log, segment: int) -> float:
    """Return how fast the air changes as a stretch begins [K/min], 0 where nothing tells."""
    rows = (log.segment == segment) & (log.time_s <= SWING_S)
    air = log.columns.get("air_c", np.full(log.time_s.size, np.nan))[rows]
    seen = np.flatnonzero(np.isfinite(air))
    if seen.size < 2:
        return 0.0
    time_s = log.time_s[rows][seen]
    return 60.0 * float((air[seen[-1]] - air[seen[0]]) / (time_s[-1] - time_s[0]))


def in_swing(log: Log, segment: int) -> bool:
    """Tell whether a stretch begins far from rest."""
    return abs(swing_k_per_min(log, segment)) > IN_SWING_K_PER_MIN


__all__ = [
    "Frosting",
    "changes",
    "frosting",
    "holes",
    "in_swing",
    "swing_k_per_min",
    "unseen_switches",
    "with_starts",
]

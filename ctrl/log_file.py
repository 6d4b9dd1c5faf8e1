"""A log of a real cabinet: read from a CSV file, units stated and never guessed, and cleaned.

A column is one of `QUANTITIES`, its unit at the end of its header (air_c, hot_sink_degf, duty_pct,
time_min; also "Hot sink [°F]") or stated beside it.  What cannot be is dropped and counted; what is
not readable as a number at all is a fault.
"""

import csv
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from io import StringIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ctrl.config_errors import ConfigError, Problem, shown
from ctrl.log_outliers import counted, left_out
from plant.constants import ZERO_C_K

Array = NDArray[np.float64]

LARGEST_BYTES = 200_000_000
LEAST_S, MOST_S = 1200.0, 31.0 * 86400.0
LEAST_ROWS = 20
MOST_OUTSIDE = 0.2  # a column with more than this share outside the gate has another unit
GAP_STEPS, GAP_LEAST_S = 6.0, 60.0  # a gap: six usual steps, and a minute at least
NEW_START_S = 1200.0  # after a longer gap nobody knows the state: fitted anew


@dataclass(frozen=True)
class Quantity:
    """One thing that a log may hold: its base name and kind of unit, and what can be."""

    name: str
    base: str
    kind: str
    low: float
    high: float
    unit: str


QUANTITIES = {
    item.base: item
    for item in (
        Quantity("air_c", "air", "temperature", -50.0, 90.0, "°C"),
        Quantity("cold_sink_c", "cold_sink", "temperature", -60.0, 110.0, "°C"),
        Quantity("hot_sink_c", "hot_sink", "temperature", -50.0, 150.0, "°C"),
        Quantity("contents_c", "contents", "temperature", -50.0, 90.0, "°C"),
        Quantity("ambient_c", "ambient", "temperature", -45.0, 75.0, "°C"),
        Quantity("ambient_rh_pct", "ambient_rh", "share", 0.0, 100.0, "%"),
        Quantity("supply_v", "supply", "voltage", 0.0, 80.0, "V"),
        Quantity("module_v", "module_voltage", "voltage", -80.0, 80.0, "V"),
        Quantity("module_a", "module_current", "current", -60.0, 60.0, "A"),
        Quantity("duty", "duty", "part", -1.0, 1.0, ""),
        Quantity("hot_fan", "hot_fan", "part", 0.0, 1.0, ""),
        Quantity("cold_fan", "cold_fan", "part", 0.0, 1.0, ""),
        Quantity("door", "door", "part", 0.0, 1.0, ""),
    )
}
READINGS = ("air_c", "cold_sink_c", "hot_sink_c", "contents_c")

# kind -> unit -> (factor, offset): value in our unit = factor * (value + offset)
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "temperature": {
        "c": (1.0, 0.0), "degc": (1.0, 0.0), "f": (1.0 / 1.8, -32.0), "degf": (1.0 / 1.8, -32.0),
        "k": (1.0, -ZERO_C_K),
    },
    "share": {"pct": (1.0, 0.0), "share": (100.0, 0.0)},
    "part": {"share": (1.0, 0.0), "pct": (0.01, 0.0)},
    "voltage": {"v": (1.0, 0.0), "mv": (1e-3, 0.0)},
    "current": {"a": (1.0, 0.0), "ma": (1e-3, 0.0)},
    "time": {"ms": (1e-3, 0.0), "s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0),
             "iso": (1.0, 0.0)},
}  # fmt: skip
# Names in which the base alone would not be read: module_v, module_a, supply_v.
SPELT = {"module_v": ("module_voltage", "v"), "module_mv": ("module_voltage", "mv"),
         "module_a": ("module_current", "a"), "module_ma": ("module_current", "ma")}  # fmt: skip
BRACKETS = re.compile(r"(.*?)\s*[\[(](.*)[\])]")
SIGNS = {"%": "pct", "-": "share"}
COMMA, THOUSANDS = re.compile(r"[+-]?\d*,\d+"), re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
MOST_NAMED = 8  # columns in a message
ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
MISSING = {"", "nan", "na", "n/a", "null", "none", "-", "--"}


@dataclass(frozen=True)
class Log:
    """A cleaned log.

    Parameters
    ----------
    time_s : ndarray, shape (rows,)
        From each segment's own start [s], rising within a segment.
    segment : ndarray of int, shape (rows,)
        Number of the stretch without a reset of the clock or a long gap.
    columns : dict of ndarray, shape (rows,)
        By the names of `QUANTITIES`; NaN where there was none, or none that can be.
    notes : tuple of str
        What was found and what was done about it.
    counts : dict of int
        Rows read, duplicates, resets, gaps, outliers.
    """

    name: str
    sha256: str
    time_s: Array
    segment: NDArray[np.int64]
    columns: dict[str, Array]
    notes: tuple[str, ...]
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def step_s(self) -> float:
        """Usual time between two rows [s]."""
        steps = np.diff(self.time_s)[np.diff(self.segment) == 0]
        return float(np.median(steps))

    @property
    def span_s(self) -> float:
        """Time covered, gaps included [s]."""
        return float(
            sum(np.ptp(self.time_s[self.segment == part]) for part in np.unique(self.segment))
        )


def _fault(
    path: Path, what: str, key: str = "", value: str | None = None, expected: str = "",
    line: int | None = None, column: int | None = None,
) -> ConfigError:  # fmt: skip
    return ConfigError([Problem(str(path), what, key, value, expected, line=line, column=column)])


# Headers and their units --------------------------------------------------------------------


def _of_header(header: str) -> tuple[str, str] | None:
    """Return (base name, unit) of a header that states both, or None.

    The unit is "" where the name is there and what stands in brackets is none of its units.
    """
    bare = _plain(header)
    bracketed = BRACKETS.fullmatch(bare)
    if bracketed and (bracketed[1] in QUANTITIES or bracketed[1] == "time"):
        return bracketed[1], _bracketed_unit(header, bracketed[1])
    if bare in SPELT:
        return SPELT[bare]
    if bare in QUANTITIES and QUANTITIES[bare].kind == "part":
        return bare, "share"  # the glossary's own names: duty, fans and door are 0 to 1
    base, _, unit = bare.rpartition("_")
    kind = "time" if base == "time" else QUANTITIES[base].kind if base in QUANTITIES else ""
    return (base, unit) if unit in UNITS.get(kind, {}) else None


def _plain(header: str) -> str:
    """Return a header in small letters, with "deg" for ° and one _ between words."""
    bare = header.strip().lower().replace("°", "deg")
    return re.sub(r"\s+", "_", re.sub(r"\s*([\[\]()])\s*", r"\1", bare))


def _bracketed_unit(header: str, base: str) -> str:
    """Return the unit in brackets at a header's end, "" where that is none of the quantity's."""
    found = BRACKETS.fullmatch(_plain(header))
    unit = SIGNS.get(found[2], found[2].replace("_", "")) if found else ""
    return unit if unit in UNITS[_kind_of(base)] else ""


def _some(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _kind_of(base: str) -> str:
    return "time" if base == "time" else QUANTITIES[base].kind


def _unit_of(
    path: Path, header: str, column: int, base: str, said: str, units: Mapping[str, str]
) -> str:
    """Return a column's unit: as its header has it, or else as stated beside it."""
    stated, known = units.get(base), UNITS[_kind_of(base)]
    if stated is None or not said or stated.lower() not in known:
        return said if stated is None else stated
    is_open = _plain(header) == base  # duty, fans and door, which are shares unless told otherwise
    if not is_open and known[stated.lower()] != known[said.lower()]:
        expected = f"--unit {base}={stated} or the header's own {said}, not both"
        raise _fault(path, "two units", header, None, expected, 1, column + 1)
    return stated


def _chosen(
    path: Path, headers: list[str], given: Mapping[str, str], units: Mapping[str, str]
) -> dict[str, tuple[int, str]]:
    """Return (column, unit) of each quantity; `given` maps its base name to a maker's header."""
    names = ("time", *QUANTITIES)
    for option, words in (("--column", given), ("--unit", units)):
        for base in words:
            if base not in names:
                raise ConfigError([Problem("command line", "no such quantity", option, base,
                                           "one of " + ", ".join(names))])  # fmt: skip
    found: dict[str, tuple[int, str]] = {}
    for base, header in given.items():
        if header not in headers:
            raise _fault(path, "no such column", f"--column {base}", repr(header),
                         "one of " + ", ".join(headers[:20]), 1)  # fmt: skip
        own = _of_header(header)
        # Its unit counts also where its name is that of another quantity: air=contents_c.
        said = own[1] if own is not None else ""
        said = said if said in UNITS[_kind_of(base)] else _bracketed_unit(header, base)
        at = headers.index(header)
        found[base] = (at, _unit_of(path, header, at, base, said, units))
    taken = {column for column, _ in found.values()}
    for column, header in enumerate(headers):
        own, bare = _of_header(header), _plain(header)
        base = own[0] if own is not None else bare if bare in names else ""
        if base in found and base not in given:
            expected = f"one column of {base}; it is in column {found[base][0] + 1} already"
            raise _fault(path, "a second time", header, None, expected, 1, column + 1)
        if base and base not in found and column not in taken:
            said = own[1] if own is not None else ""
            found[base] = (column, _unit_of(path, header, column, base, said, units))
    for base, (column, unit) in found.items():
        known = UNITS[_kind_of(base)]
        listed = ", ".join(known)
        if unit and unit.lower() not in known:
            raise ConfigError([Problem("command line", "no such unit", f"--unit {base}",
                                       unit, f"one of {listed}")])  # fmt: skip
        if not unit and base != "time":
            expected = f"a header that ends in its unit, or --unit {base}=UNIT with one of {listed}"
            raise _fault(path, "no unit", headers[column], None, expected, 1, column + 1)
        found[base] = (column, unit.lower())
    return found


# Cells --------------------------------------------------------------------------------------


def _cells(path: Path, lines: list[list[str]], column: int) -> list[str]:
    return [row[column].strip() if column < len(row) else "" for row in lines]


def _numbers(
    path: Path, base: str, unit: str, header: str, texts: list[str], numbers: list[int], column: int
) -> Array:
    """Return a column in our unit, NaN for empty cells."""
    factor, offset = UNITS[_kind_of(base)][unit]
    found = np.empty(len(texts))
    for row, text in enumerate(texts):
        if text.lower() in MISSING:
            found[row] = np.nan
            continue
        try:
            # Python reads 1_0 as 10; no logger writes that.
            found[row] = float(text if "_" not in text else "")
        except ValueError:
            expected = f"a number with a decimal point [{unit}], or nothing"
            what = "the headers once more" if text == header else "not a number"
            raise _fault(path, what, header, shown(text), expected, numbers[row],
                         column + 1) from None  # fmt: skip
    return factor * (found + offset)


def _times(
    path: Path, unit: str, header: str, texts: list[str], numbers: list[int], column: int
) -> Array:
    """Return the times [s] from the first row."""
    if not unit:
        if texts and ISO.match(texts[0]):
            unit = "iso"
        else:
            expected = (
                "a header such as time_s, time_min or time_h, ISO 8601 times, or "
                "--unit time=UNIT with one of " + ", ".join(UNITS["time"])
            )
            raise _fault(path, "no unit", header, None, expected, 1, column + 1)
    if unit != "iso":
        found = _numbers(path, "time", unit, header, texts, numbers, column)
        if not np.all(np.isfinite(found)):
            row = int(np.flatnonzero(~np.isfinite(found))[0])
            raise _fault(path, "missing", header, shown(texts[row]), f"a time [{unit}]",
                         numbers[row], column + 1)  # fmt: skip
        return found - found[0]
    stamps = []
    for row, text in enumerate(texts):
        try:
            stamps.append(datetime.fromisoformat(text))
        except ValueError:
            expected = "an ISO 8601 time such as 2026-05-31T18:04:00"
            raise _fault(path, "not a time", header, shown(text), expected, numbers[row],
                         column + 1) from None  # fmt: skip
    try:
        return np.array([(stamp - stamps[0]).total_seconds() for stamp in stamps])
    except TypeError:
        raise _fault(path, "some with a time zone, some without", header, None,
                     "all of one kind", None, column + 1) from None  # fmt: skip


def _read(path: Path) -> tuple[list[str], list[list[str]], list[int], str, str]:
    """Return (headers, rows, their line numbers, digest of the file, mark between columns)."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _fault(path, "is too large", expected=f"at most {LARGEST_BYTES // 10**6} MB")
        raw = path.read_bytes()
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no UTF-8 text"
        expected = "a CSV file, as UTF-8 text"
        raise _fault(path, f"cannot be read ({reason})", expected=expected) from None
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    try:
        lines = list(csv.reader(StringIO(text, newline=""), delimiter=mark))
    except csv.Error as error:
        raise _fault(path, f"no CSV table ({error})", expected="a CSV file") from None
    if not lines:
        raise _fault(path, "is empty", expected="a CSV file with one line of headers")
    headers = [name.strip() for name in lines[0]]
    rows = [
        (row, number) for number, row in enumerate(lines[1:], start=2) if any(map(str.strip, row))
    ]
    for row, number in rows:
        if any(map(str.strip, row[len(headers) :])):
            expected = f"{len(headers)} as in the headers (decimal points, not commas)"
            raise _fault(path, "too many", "cells", str(len(row)), expected, number)
    digest = hashlib.sha256(raw).hexdigest()
    return headers, [row for row, _ in rows], [n for _, n in rows], digest, mark


def _with_points(texts: list[str], mark: str) -> list[str]:
    """Return a column with points for its decimal commas, if that is what its commas are.

    Not where they part the columns, where there are points too, nor where each of them may well
    mark thousands.
    """
    with_comma = [text for text in texts if "," in text]
    if mark == "," or any("." in text for text in texts):
        return texts
    if all(THOUSANDS.fullmatch(text) for text in with_comma):
        return texts
    return [text.replace(",", ".") if COMMA.fullmatch(text) else text for text in texts]


# Cleaning -----------------------------------------------------------------------------------


def _segments(time_s: Array) -> tuple[NDArray[np.int64], Array, NDArray[np.bool_], dict[str, int]]:
    """Return (segment of each row, time from its start, rows to keep, counts)."""
    steps = np.diff(time_s)
    forward = steps[steps > 0.0]
    usual = float(np.median(forward)) if forward.size else 1.0
    gap_s = max(GAP_STEPS * usual, GAP_LEAST_S)
    resets, duplicates = steps < 0.0, steps == 0.0
    long_gaps = steps > max(NEW_START_S, gap_s)
    keep = np.concatenate([[True], ~duplicates])
    segment = np.concatenate([[0], np.cumsum(resets | long_gaps)]).astype(np.int64)
    own = time_s.copy()
    for part in np.unique(segment):
        own[segment == part] -= time_s[segment == part][0]
    counts = {
        "duplicates": int(duplicates.sum()), "clock_resets": int(resets.sum()),
        "gaps": int((steps > gap_s).sum()), "new_starts": int(long_gaps.sum()),
    }  # fmt: skip
    return segment, own, keep, counts


def _joined(values: Array, keep: NDArray[np.bool_], last: bool) -> Array:
    """Return a column with one row for each time: the first or last value of its rows, if any."""
    row = np.cumsum(keep) - 1
    found = np.full(int(keep.sum()), np.nan)
    good = np.flatnonzero(np.isfinite(values))[:: 1 if last else -1]  # what is set last stays
    found[row[good]] = values[good]
    return found


def read_log(
    path: Path, given: Mapping[str, str] | None = None, units: Mapping[str, str] | None = None
) -> Log:
    """Read and clean a log.

    Parameters
    ----------
    path : Path
        CSV with one line of headers; commas, semicolons or tabs between the columns.
    given : mapping, optional
        Base name of a quantity (air, hot_sink, ..., time) to the header that it has in the file.
    units : mapping, optional
        Base name to its unit, for headers that do not state it.

    Raises
    ------
    ConfigError
        One line that names file, line and column, for whatever cannot be read; also for a log
        without a reading, or shorter than 20 minutes.
    """
    headers, lines, numbers, digest, mark = _read(path)
    chosen = _chosen(path, headers, given or {}, units or {})
    if "time" not in chosen:
        raise _fault(path, "missing column", "time", None,
                     "time_s, time_min, time_h or ISO 8601 times under time, or --column time="
                     f"HEADER with one of {_some(headers)}", 1)  # fmt: skip
    if len(lines) < LEAST_ROWS:
        raise _fault(path, "too short", "rows", str(len(lines)), f"at least {LEAST_ROWS}")
    read = {column for column, _ in chosen.values()}
    unread = [name for column, name in enumerate(headers) if name and column not in read]
    notes = [f"columns not read: {_some(unread)}"] if unread else []

    commas: list[str] = []

    def cells(column: int) -> list[str]:
        texts = _cells(path, lines, column)
        found = _with_points(texts, mark)
        if found != texts:
            commas.append(headers[column])
        return found

    column, unit = chosen.pop("time")
    time_s = _times(path, unit, headers[column], cells(column), numbers, column)
    columns: dict[str, Array] = {}
    outside = 0
    for base, (column, unit) in chosen.items():
        item = QUANTITIES[base]
        texts = cells(column)
        values = _numbers(path, base, unit, headers[column], texts, numbers, column)
        bad = (values < item.low - 1e-9) | (values > item.high + 1e-9)
        most = MOST_OUTSIDE * max(np.isfinite(values).sum(), 1)
        unit_open = _plain(headers[column]) == base and base not in (units or {})
        if item.kind == "part" and unit_open:
            most = 0.0  # its header leaves the unit open: a 100 in it may well be per cent
        if bad.sum() > most:
            row = int(np.flatnonzero(bad)[0])
            expected = f"{item.low:g} to {item.high:g} {item.unit}".rstrip()
            other = f"--unit {base}=pct if it is in %" if unit == "share" else ""
            expected += "; " + (other or f"is the unit {unit}?")
            raise _fault(path, "out of range", headers[column], shown(texts[row]), expected,
                         numbers[row], column + 1)  # fmt: skip
        if bad.any():
            notes.append(f"{item.name}: {bad.sum()} outside {item.low:g} to {item.high:g} "
                         f"{item.unit}, left out")  # fmt: skip
            outside += int(bad.sum())
            values[bad] = np.nan
        if np.isfinite(values).any():
            columns[item.name] = values
        else:
            notes.append(f"{headers[column]}: no number in it, left out")
    if commas:
        notes.append(f"decimal commas read as such: {_some(commas)}")
    if not any(name in columns for name in READINGS):
        bare = [headers[chosen[base][0]] for base, item in QUANTITIES.items()
                if item.name in READINGS and base in chosen]  # fmt: skip
        if bare:
            raise _fault(path, "no number in it", bare[0], None, "readings of a sensor", None)
        raise _fault(path, "no reading", "columns", None, "one of " + ", ".join(READINGS)
                     + f", or --column air=HEADER with one of {_some(headers)}", 1)  # fmt: skip
    if np.sum(np.diff(time_s) < 0.0) > 0.5 * time_s.size:
        raise _fault(path, "runs backwards", "time", None, "the oldest row first")
    segment, own, keep, counts = _segments(time_s)
    # Duty, fans and door hold on: a door opened and shut within one time is shut after it.
    holding = {item.name for item in QUANTITIES.values() if item.kind == "part"}
    columns = {name: _joined(values, keep, name in holding) for name, values in columns.items()}
    segment, own = segment[keep], own[keep]
    spikes, told = left_out(columns, own, segment, READINGS)
    log = Log(
        name=path.name,
        sha256=digest,
        time_s=own,
        segment=segment,
        columns=columns,
        notes=tuple(notes + told + _told(counts)),
        counts={"rows": len(lines), "outliers": outside + spikes} | counts,
    )
    if log.span_s < LEAST_S or log.span_s > MOST_S:
        raise _fault(path, "too short" if log.span_s < LEAST_S else "too long", "length",
                     f"{log.span_s / 60.0:.1f} min", "20 min to 31 days")  # fmt: skip
    return log


def _told(counts: Mapping[str, int]) -> list[str]:
    back = counts["clock_resets"]
    words = {
        "duplicates": f"{counted(counts['duplicates'], 'row')} with the time of the row before, "
        "joined with it: the first value counts, of duty, fans and door the last",
        "clock_resets": "the clock went back once: a new stretch with its own start"
        if back == 1
        else f"the clock went back {back} times: a new stretch with its own start each time",
        "gaps": f"{counted(counts['gaps'], 'gap')}: the model runs on, nothing is compared there",
        "new_starts": f"{counts['new_starts']} of the gaps longer than 20 min: start values fitted "
        "anew",
    }
    return [text for name, text in words.items() if counts[name]]

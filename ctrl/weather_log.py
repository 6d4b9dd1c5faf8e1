"""A weather log: the CSV file that `climate.log_file` names, read and spaced evenly.

Columns by name, separated by commas: time_h (from midnight, rising), ambient_c;
relative_humidity_pct, sun_w_per_m2 and radiant_w_per_m2 where they are known.  After its last
day the log starts over; a last day cut short is bridged in a straight line to the first row.
"""

import csv
from math import ceil
from pathlib import Path

import numpy as np

from ctrl.build import HEAT_ABSORPTANCE, humidity_ratio_of
from ctrl.config import Config
from ctrl.config_errors import ConfigError, Problem
from plant.cabinet import Plant
from plant.climate import WEATHER_COLUMNS
from plant.constants import ZERO_C_K

SPACING_S = 300.0
MOST_ROWS = 200_000
RANGES = {
    "time_h": (0.0, 10_000.0, "h"),
    "ambient_c": (-40.0, 70.0, "C"),
    "relative_humidity_pct": (0.0, 100.0, "%"),
    "sun_w_per_m2": (0.0, 1400.0, "W/m2"),
    "radiant_w_per_m2": (0.0, 2000.0, "W/m2"),
}
NEEDED = ("time_h", "ambient_c")


def weather_rows_of(config: Config, plant: Plant) -> np.ndarray | None:
    """Return the log as rows for `plant.climate.weather_at`, or None without a log.

    Raises
    ------
    ConfigError
        When the file cannot be read as such a log; one line.
    """
    if config.climate.log_file is None:
        return None
    path = Path(config.climate.log_file)
    if not path.is_absolute():
        path = Path(config.source or ".").parent / path
    return evenly_spaced(read_log(path), config, plant)


def _fault(
    path: Path, what: str, key: str = "", value: str | None = None, expected: str = "",
    line: int | None = None,
) -> ConfigError:  # fmt: skip
    return ConfigError(
        [Problem(str(path), what, key=key, value=value, expected=expected, line=line)]
    )


def read_log(path: Path) -> dict[str, np.ndarray]:
    """Return the columns of a weather log by name, each of shape (rows,).

    Raises
    ------
    ConfigError
        When it is missing, no such table, or holds a number out of range.
    """
    try:
        # utf-8-sig: spreadsheets put a byte order mark in front.
        with path.open(newline="", encoding="utf-8-sig") as stream:
            lines = list(csv.reader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise _fault(
            path, "cannot be read", "climate.log_file", str(path),
            "a CSV file with columns time_h and ambient_c",
        ) from error  # fmt: skip
    header = [name.strip() for name in lines[0]] if lines else []
    if len(header) == 1 and any(mark in header[0] for mark in (";", "\t")):
        expected = "commas between the columns and a point in the numbers"
        raise _fault(path, "separated by something else", "columns", None, expected, 1)
    for name in NEEDED:
        if name not in header:
            raise _fault(path, "missing column", name, None, "columns " + ", ".join(RANGES), 1)
    if len(lines) - 1 > MOST_ROWS:
        raise _fault(path, "too long", "rows", str(len(lines) - 1), f"at most {MOST_ROWS} rows")
    used = [name for name in RANGES if name in header]
    table = [
        [_number(path, name, cells, header.index(name), number) for name in used]
        for number, cells in enumerate(lines[1:], start=2)
        if cells
    ]
    columns = dict(zip(used, np.array(table, dtype=float).reshape(-1, len(used)).T, strict=True))
    time_h = columns["time_h"]
    if time_h.size < 2 or time_h[0] != 0.0 or np.any(np.diff(time_h) <= 0.0):
        raise _fault(path, "out of order", "time_h", None, "from 0 h, rising, at least two rows")
    return columns


def _number(path: Path, name: str, cells: list[str], column: int, line: int) -> float:
    low, high, unit = RANGES[name]
    expected = f"a number, {low:g} to {high:g} {unit}"
    text = cells[column].strip() if column < len(cells) else ""
    try:
        value = float(text)
    except ValueError:
        raise _fault(path, "not a number", name, text, expected, line) from None
    if not low <= value <= high:
        raise _fault(path, "out of range", name, text, expected, line)
    return value


def evenly_spaced(columns: dict[str, np.ndarray], config: Config, plant: Plant) -> np.ndarray:
    """Return the log as rows of time [s], ambient [K], humidity ratio [-], absorbed [W].

    Columns that the log lacks are the config's: its usual humidity and heat radiation, no sun.
    """
    time_h = columns["time_h"]
    days = max(ceil(time_h[-1] / 24.0), 1)
    kept = time_h < days * 24.0  # the last midnight is the first one again
    at_s = np.arange(0.0, days * 86400.0, SPACING_S)

    def along(name: str, default: float) -> np.ndarray:
        values = columns.get(name, np.full(time_h.size, default))
        return np.interp(at_s / 3600.0, time_h[kept], values[kept], period=days * 24.0)

    room, area_m2 = config.climate, config.cabinet.sunlit_area_m2
    rows = np.empty((at_s.size, WEATHER_COLUMNS))
    rows[:, 0] = at_s
    rows[:, 1] = along("ambient_c", 0.0) + ZERO_C_K
    humidity = along("relative_humidity_pct", room.relative_humidity_pct)
    rows[:, 2] = [
        humidity_ratio_of(ambient_k, pct, plant.climate.pressure_pa)
        for ambient_k, pct in zip(rows[:, 1], humidity, strict=True)
    ]
    rows[:, 3] = area_m2 * (
        config.cabinet.sun_absorptance * along("sun_w_per_m2", 0.0)
        + HEAT_ABSORPTANCE * along("radiant_w_per_m2", room.radiant_w_per_m2)
    )
    return rows

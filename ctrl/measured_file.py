"""The bench file: a maker's readings, checked like a configuration.

One table for each test that was done, and `[meters]` for what the meters are good for.
Tolerances are largest errors, as meters' sheets state them.
"""

import csv
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, ValidationError

from ctrl.config_errors import ConfigError, Problem
from ctrl.config_faults import line_of, problems_of
from ctrl.config_fields import PRACTICE, REQUIRED, Fault, Section, choice, quantity, words

Array = NDArray[np.float64]

LARGEST_FILE_BYTES = 50_000_000
LEAST_ROWS_PER_S = 50.0
LEAST_READINGS = 3
LOG_RANGES = {
    "time_s": (-1e6, 1e9, "s"),
    "current_a": (-100.0, 100.0, "A"),
    "voltage_v": (-200.0, 200.0, "V"),
}


def _series(low: float, high: float, unit: str, doc: str) -> Any:
    extra: dict[str, Any] = {"unit": unit, "origin": "", "low": low, "high": high}
    return Field(REQUIRED, description=doc, json_schema_extra=extra)


def _series_faults(table: Section, keys: tuple[str, ...]) -> list[Fault]:
    """Check that lists are as long as the times, in range, and the times rise."""
    times: list[float] = getattr(table, "time_min")  # noqa: B009 - every such table has it
    found: list[Fault] = []
    if len(times) < LEAST_READINGS:
        found.append(("time_min", f"at least {LEAST_READINGS} readings"))
    if any(later <= before for before, later in zip(times, times[1:], strict=False)):
        found.append(("time_min", "minutes that rise"))
    for key in ("time_min", *keys):
        values = getattr(table, key)
        extra = type(table).model_fields[key].json_schema_extra
        assert isinstance(extra, dict)
        low, high, unit = float(extra["low"]), float(extra["high"]), extra["unit"]  # type: ignore[arg-type]
        if len(values) != len(times):
            found.append((key, f"{len(times)} numbers, as many as time_min"))
        if any(not low <= value <= high for value in values):
            found.append((key, f"numbers from {low:g} to {high:g} {unit}"))
    return found


class Meters(Section):
    """What the meters are good for: largest errors."""

    current_tolerance_pct: float = quantity(
        1.5, 0, 20, "%", "of the current, meter or shunt", PRACTICE
    )
    voltage_tolerance_pct: float = quantity(1.0, 0, 20, "%", "of the voltage", PRACTICE)
    thermometer_tolerance_k: float = quantity(
        0.5, 0, 5, "K", "between the two thermometers, side by side in the same water", PRACTICE
    )


PLACES = "where the two thermometers sit: in the sinks' bases, or on the module's ceramics"


class SwitchOff(Section):
    """Module: current and voltage logged across a switch-off into an open circuit."""

    file: str = words(REQUIRED, "CSV file with columns time_s, current_a, voltage_v", 200)
    hot_c: float = quantity(REQUIRED, -40, 150, "C", "hot side just before")
    cold_c: float = quantity(REQUIRED, -60, 150, "C", "cold side just before")
    thermometers: Literal["sinks", "faces"] = choice("sinks", PLACES, PRACTICE)
    window_s: float = quantity(2.0, 0.3, 30, "s", "after the switch-off: fitted", PRACTICE)
    lead_ohm: float = quantity(
        0.0, 0, 5, "ohm", "wire between the voltage's taps and the module, there and back", "none"
    )
    lead_tolerance_ohm: float = quantity(0.0, 0, 1, "ohm", "how far that may be off", "exact")

    def faults(self) -> list[Fault]:
        """Check that the hot side is the warmer."""
        return _warmer(self.hot_c, self.cold_c)


class HandMeter(Section):
    """Module: read by hand, current and voltage before, voltage a few seconds after."""

    current_a: float = quantity(REQUIRED, 0.05, 100, "A", "just before")
    on_v: float = quantity(REQUIRED, 0.05, 200, "V", "just before")
    off_v: float = quantity(REQUIRED, 0, 100, "V", "after it was unplugged")
    after_s: float = quantity(REQUIRED, 0, 60, "s", "from unplugging to that reading")
    after_tolerance_s: float = quantity(0.5, 0, 30, "s", "how far that may be off", PRACTICE)
    hot_c: float = quantity(REQUIRED, -40, 150, "C", "hot side just before")
    cold_c: float = quantity(REQUIRED, -60, 150, "C", "cold side just before")
    thermometers: Literal["sinks", "faces"] = choice("sinks", PLACES, PRACTICE)
    lead_ohm: float = quantity(
        0.0, 0, 5, "ohm", "wire between the voltage's taps and the module, there and back", "none"
    )
    lead_tolerance_ohm: float = quantity(0.0, 0, 1, "ohm", "how far that may be off", "exact")

    def faults(self) -> list[Fault]:
        """Check the order of the temperatures and of the voltages."""
        found = _warmer(self.hot_c, self.cold_c)
        if self.off_v >= self.on_v:
            found.append(("off_v", f"less than on_v ({self.on_v:g} V)"))
        return found


def _warmer(hot_c: float, cold_c: float) -> list[Fault]:
    if hot_c > cold_c:
        return []
    return [("hot_c", f"warmer than cold_c ({cold_c:g} C): is the module the right way round?")]


class SinkTest(Section):
    """A sink's resistance: known heat, temperatures until they stand still."""

    time_min: list[float] = _series(0, 1e5, "min", "when it was read")
    sink_c: list[float] = _series(-60, 150, "C", "sink's base")
    air_c: list[float] = _series(-40, 90, "C", "air that goes into it")
    voltage_v: float = quantity(REQUIRED, 0, 400, "V", "at the heater, or at the module")
    current_a: float = quantity(REQUIRED, 0, 100, "A", "of the heater, or of the module")
    extra_heat_w: float = quantity(
        0.0, -500, 500, "W", "more heat into the sink: what the module takes up inside", "heater"
    )
    extra_heat_tolerance_w: float = quantity(0.0, 0, 200, "W", "how far that may be off", "exact")
    fan: bool = choice(True, "whether its fan runs", PRACTICE)

    def faults(self) -> list[Fault]:
        """Check the lists, and that there is heat."""
        heat_w = self.voltage_v * self.current_a + self.extra_heat_w
        return _series_faults(self, ("sink_c", "air_c")) + _heated(heat_w)


def _heated(heat_w: float) -> list[Fault]:
    if heat_w > 0.0:
        return []
    return [("current_a", "heat above 0 W: voltage_v times current_a and what is added")]


IN_PLACE = "false: module and sinks out, bolts and wires left, the hole filled with foam"


class HeatLeakTest(Section):
    """Heat leak, steady: a heater inside the empty shut cabinet, module unplugged."""

    time_min: list[float] = _series(0, 1e5, "min", "when it was read")
    inside_c: list[float] = _series(-40, 90, "C", "air inside")
    ambient_c: list[float] = _series(-40, 70, "C", "room")
    voltage_v: float = quantity(REQUIRED, 0, 400, "V", "at the heater")
    current_a: float = quantity(REQUIRED, 0, 100, "A", "of the heater")
    fan_w: float = quantity(0.0, 0, 60, "W", "inside fan, running", "stopped")
    module_in_place: bool = choice(True, IN_PLACE, PRACTICE)

    def faults(self) -> list[Fault]:
        """Check the lists, and that there is heat."""
        heat_w = self.voltage_v * self.current_a + self.fan_w
        return _series_faults(self, ("inside_c", "ambient_c")) + _heated(heat_w)


class WarmUpTest(Section):
    """Heat leak from a warm-up: cold cabinet, module unplugged, temperatures over time."""

    time_min: list[float] = _series(0, 1e5, "min", "when it was read")
    inside_c: list[float] = _series(-40, 90, "C", "inside; in the water where there is some")
    ambient_c: list[float] = _series(-40, 70, "C", "room")
    water_kg: float = quantity(
        0.0, 0, 500, "kg", "water put in, in open or thin bottles: a known heat capacity", "empty"
    )
    own_capacity_tolerance_pct: float = quantity(
        30.0, 0, 100, "%", "how far the cabinet's own heat capacity may be off", PRACTICE
    )
    fan_w: float = quantity(0.0, 0, 60, "W", "inside fan, running", "stopped")
    module_in_place: bool = choice(True, IN_PLACE, PRACTICE)
    skip_min: float = quantity(
        30.0, 0, 1e4, "min", "left out at first, while the walls find their slope", PRACTICE
    )

    def faults(self) -> list[Fault]:
        """Check the lists, and that enough is left of them."""
        found = _series_faults(self, ("inside_c", "ambient_c"))
        left = [minutes for minutes in self.time_min if minutes >= self.skip_min]
        if len(left) < 4:
            found.append(("skip_min", "at least 4 readings after it"))
        return found


class BenchFile(Section):
    """The readings of one evening at the bench."""

    meters: Meters = Field(default_factory=Meters)
    switch_off: SwitchOff | None = None
    hand_meter: HandMeter | None = None
    hot_sink: SinkTest | None = None
    cold_sink: SinkTest | None = None
    heat_leak: HeatLeakTest | None = None
    warm_up: WarmUpTest | None = None


MODELS: dict[str, tuple[type[Section], ...]] = {
    "meters": (Meters,),
    "switch_off": (SwitchOff,),
    "hand_meter": (HandMeter,),
    "hot_sink": (SinkTest,),
    "cold_sink": (SinkTest,),
    "heat_leak": (HeatLeakTest,),
    "warm_up": (WarmUpTest,),
}


@dataclass(frozen=True)
class SwitchOffLog:
    """A record across a switch-off: time [s], current [A], voltage [V], each shape (rows,)."""

    time_s: Array
    current_a: Array
    voltage_v: Array


@dataclass(frozen=True)
class Readings:
    """A bench file, read and checked, with the log it names."""

    file: str
    tables: BenchFile
    log: SwitchOffLog | None


def read_bench(path_name: str) -> Readings:
    """Read a bench file and the log it names.

    Raises
    ------
    ConfigError
        With every fault of the file, a line each; then those of the log.
    """
    path = Path(path_name)
    text = _text_of(path, path_name, "a TOML file with the readings (--bench-recipe shows one)")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_not_toml(path_name, str(error))]) from None
    except (RecursionError, ValueError):
        raise ConfigError([Problem(path_name, "not TOML of readings")]) from None
    tables = _checked(data, path_name, text)
    if tables.switch_off is None:
        return Readings(path_name, tables, None)
    log_path = Path(tables.switch_off.file)
    log_path = log_path if log_path.is_absolute() else path.parent / log_path
    place = Problem(path_name, "", "switch_off.file", repr(tables.switch_off.file),
                    line=line_of(text, "switch_off.file"))  # fmt: skip
    return Readings(path_name, tables, read_log(log_path, place))


def _not_toml(file: str, message: str) -> Problem:
    what, _, place = message.rpartition(" (at ")
    numbers = [int(word) for word in place.replace(",", " ").rstrip(")").split() if word.isdigit()]
    line, column = numbers if len(numbers) == 2 else (None, None)
    return Problem(file, f"not TOML: {what or message}", line=line, column=column)


def _checked(data: Mapping[str, Any], file: str, text: str) -> BenchFile:
    try:
        tables = BenchFile.model_validate(dict(data))
    except ValidationError as error:
        raise ConfigError(problems_of(error, data, file, text, MODELS)) from None
    if not set(data) - {"meters"}:
        tests = ", ".join(f"[{name}]" for name in MODELS if name != "meters")
        raise ConfigError([Problem(file, "holds no test", expected=f"one of {tests}")])
    if tables.switch_off is not None and tables.hand_meter is not None:
        line = line_of(text, "hand_meter")
        what = "does not fit beside [switch_off]"
        raise ConfigError([Problem(file, what, "[hand_meter]", expected="one of them", line=line)])
    return tables


def _text_of(path: Path, file: str, expected: str) -> str:
    try:
        if not path.is_file():
            what = "is a folder" if path.is_dir() else "no such file"
            raise ConfigError([Problem(file, what, expected=expected)])
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ConfigError([Problem(file, "is too large", expected="below 50 MB")])
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ConfigError([Problem(file, "is not UTF-8 text", expected=expected)]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError([Problem(file, f"cannot be read ({reason})")]) from None


def read_log(path: Path, named: Problem) -> SwitchOffLog:
    """Read the CSV of a switch-off; `named` says where the bench file names it.

    Raises
    ------
    ConfigError
        When it is missing, no such table, out of order, or too slow.
    """
    if not path.is_file():
        expected = "a CSV file beside the bench file"
        what = "no such file"
        raise ConfigError(
            [Problem(named.file, what, named.key, named.value, expected, line=named.line)]
        )
    text = _text_of(path, str(path), "a CSV file")
    try:
        lines = list(csv.reader(text.splitlines()))
    except csv.Error as error:
        raise ConfigError([Problem(str(path), f"cannot be read ({error})")]) from None
    header = [name.strip() for name in lines[0]] if lines else []
    if len(header) == 1 and any(mark in header[0] for mark in (";", "\t")):
        expected = "commas between the columns and a point in the numbers"
        raise ConfigError([Problem(str(path), "separated by something else", "columns", None,
                                   expected, line=1)])  # fmt: skip
    missing = [name for name in LOG_RANGES if name not in header]
    if missing:
        expected = "columns " + ", ".join(LOG_RANGES)
        raise ConfigError(
            [Problem(str(path), "missing column", name, None, expected, line=1) for name in missing]
        )
    table = np.array(
        [
            [_log_number(path, name, cells, header.index(name), number) for name in LOG_RANGES]
            for number, cells in enumerate(lines[1:], start=2)
            if any(cell.strip() for cell in cells)
        ],
        dtype=float,
    ).reshape(-1, len(LOG_RANGES))
    time_s, current_a, voltage_v = table.T
    if time_s.size < 20:
        raise ConfigError([Problem(str(path), "too short", "rows", str(time_s.size), "20 or more")])
    if np.any(np.diff(time_s) <= 0.0):
        line = int(np.argmax(np.diff(time_s) <= 0.0)) + 3
        raise ConfigError([Problem(str(path), "out of order", "time_s", None, "times that rise",
                                   line=line)])  # fmt: skip
    rows_per_s = 1.0 / float(np.median(np.diff(time_s)))
    if rows_per_s < 0.95 * LEAST_ROWS_PER_S:
        expected = f"{LEAST_ROWS_PER_S:g} rows a second or more; by hand use [hand_meter]"
        raise ConfigError(
            [Problem(str(path), "too slow", "rows a second", f"{rows_per_s:.3g}", expected)]
        )
    return SwitchOffLog(time_s, current_a, voltage_v)


def _log_number(path: Path, name: str, cells: list[str], column: int, line: int) -> float:
    low, high, unit = LOG_RANGES[name]
    text = cells[column].strip() if column < len(cells) else ""
    expected = f"a number, {low:g} to {high:g} {unit}"
    try:
        value = float(text)
    except ValueError:
        problem = Problem(str(path), "not a number", name, repr(text), expected, line=line)
        raise ConfigError([problem]) from None
    if not low <= value <= high:
        raise ConfigError([Problem(str(path), "out of range", name, text, expected, line=line)])
    return value

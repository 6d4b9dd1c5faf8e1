"""What a log says drove the cabinet: room, door, duty or current, fans, supply, row by row."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctrl import calibrate_replay
from ctrl.build import humidity_ratio_of, plant_of
from ctrl.config import Config
from ctrl.config_errors import ConfigError, Problem
from ctrl.log_file import Log
from plant import drive, heat_sinks
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

Array = NDArray[np.float64]


def _fault(log: Log, what: str, key: str, expected: str) -> ConfigError:
    return ConfigError([Problem(log.name, what, key, None, expected, line=1)])


def _twice(option: str, value: str, column: str) -> ConfigError:
    expected = f"no such option: the log has a column {column}; or a log without it"
    return ConfigError([Problem("command line", "stated twice", option, value, expected)])


def _filled(values: Array, time_s: Array, segment: NDArray[np.int64], straight: bool) -> Array:
    """Return a column without holes: in straight lines, or each value held until the next."""
    found = np.empty_like(values)
    for part in np.unique(segment):
        rows = np.flatnonzero(segment == part)
        good = rows[np.isfinite(values[rows])]
        if good.size == 0:
            good = np.flatnonzero(np.isfinite(values))[:1]
            found[rows] = values[good[0]]
        elif straight:
            found[rows] = np.interp(time_s[rows], time_s[good], values[good])
        else:
            before = np.clip(np.searchsorted(good, rows, side="right") - 1, 0, None)
            found[rows] = values[good[before]]
    return found


def _door(log: Log, notes: list[str]) -> Array:
    """Return the door's column: 0 where the log has none.

    Where it is marked as it shuts too, a mark holds until the next; where only openings are
    marked, it is shut wherever it has no mark.
    """
    if "door" not in log.columns:
        return np.zeros(log.time_s.size)
    marks = log.columns["door"].copy()
    has_holes = bool(np.isnan(marks).any())
    opens = np.flatnonzero(marks > 0.0)
    shuts = bool(opens.size) and bool((marks[opens[0] :] == 0.0).any())
    if has_holes:
        notes.append(f"door: {'as before' if shuts else 'shut'} where it has no value")
    if not shuts:
        return np.nan_to_num(marks)
    starts = np.flatnonzero(np.diff(log.segment, prepend=-1))
    marks[starts] = np.nan_to_num(marks[starts])
    return _filled(marks, log.time_s, log.segment, False)


def _fan(
    log: Log, name: str, wiring: int, stated: str | None, driven: Array, notes: list[str]
) -> Array:
    """Return a fan's column, from the log or from how it is wired."""
    if name in log.columns:
        if stated is not None:
            raise _twice("--" + name.replace("_", "-"), stated, name)
        return _filled(log.columns[name], log.time_s, log.segment, False)
    if stated is None and wiring not in (heat_sinks.ALWAYS, heat_sinks.WITH_MODULE,
                                         heat_sinks.STOPPED):  # fmt: skip
        option = "--" + name.replace("_", "-")
        expected = f"a column {name} (0 to 1), or {option} always or with_module: it is on a switch"
        raise _fault(log, "not stated", name, expected)
    wired = {"always": heat_sinks.ALWAYS, "with_module": heat_sinks.WITH_MODULE}
    wiring = wiring if stated is None else wired[stated]
    notes.append(f"{name}: not in the log, taken as {'stated' if stated else 'wired'}")
    if wiring == heat_sinks.WITH_MODULE:
        return (driven != 0.0).astype(float)
    return np.full(log.time_s.size, 0.0 if wiring == heat_sinks.STOPPED else 1.0)


def _driven(
    config: Config, log: Log, plant: Plant, notes: list[str]
) -> tuple[Plant, int, Array, Array]:
    """Return (plant on the drive that the log tells of, how it is driven, drive, rise [V])."""
    by_duty, rise = calibrate_replay.BY_DUTY, np.zeros(log.time_s.size)
    part, columns = plant.drive, log.columns

    def column(name: str) -> Array:
        return _filled(columns[name], log.time_s, log.segment, False)

    if "supply_v" in columns:
        rise = column("supply_v") - part.supply_v
        part = replace(part, source_ohm=0.0)
        plant = replace(plant, drive=part)
    if "duty" in columns:
        if "supply_v" not in columns:
            notes.append("supply_v: not in the log; the config's, fitted within its limits")
        return plant, by_duty, column("duty"), rise
    if "module_a" in columns:
        if config.drive.kind == "fast_pwm":
            notes.append("duty: not in the log; from the mean current of the pulses")
            return plant, calibrate_replay.BY_PULSED_CURRENT, column("module_a"), rise
        notes.append("duty: not in the log; driven by the module's current")
        given = replace(
            part, kind=drive.CURRENT, supply_v=1e4, set_current_a=1.0, source_ohm=0.0,
            current_limit_a=1e6, converter_efficiency=1.0, converter_fixed_w=0.0,
            converter_loss_per_w=0.0, off_mode=drive.OFF_OPEN,
        )  # fmt: skip
        return replace(plant, drive=given), by_duty, column("module_a"), 0.0 * rise
    if "module_v" in columns and config.drive.kind != "fast_pwm":
        notes.append("duty: not in the log; driven by the module's voltage")
        volts = column("module_v")
        given = replace(
            part, kind=drive.RELAY, supply_v=0.0, source_ohm=0.0, wire_ohm=0.0, switch_ohm=0.0,
            current_limit_a=1e6, off_mode=drive.OFF_OPEN,
        )  # fmt: skip
        live = np.where(np.abs(volts) > 0.05, np.sign(volts), 0.0)
        return replace(plant, drive=given), by_duty, live, np.abs(volts)
    raise _fault(log, "missing column", "duty", "duty, module_a, or module_v of a steady voltage")


def drivers_of(
    config: Config, log: Log, ambient_c: float | None, fans: tuple[str | None, str | None],
    notes: list[str],
) -> tuple[Plant, int, Array]:  # fmt: skip
    base = plant_of(config)
    plant, by, driven, rise = _driven(config, log, base, notes)
    table = np.empty((log.time_s.size, calibrate_replay.DRIVERS))
    if "ambient_c" in log.columns:
        if ambient_c is not None:
            raise _twice("--ambient", f"{ambient_c:g}", "ambient_c")
        room_c = _filled(log.columns["ambient_c"], log.time_s, log.segment, True)
    elif ambient_c is not None:
        room_c = np.full(log.time_s.size, ambient_c)
    else:
        raise _fault(
            log,
            "missing column, or no number in it",
            "ambient_c",
            "ambient_c, or --ambient C if it is steady",
        )
    humidity = np.full(log.time_s.size, config.climate.relative_humidity_pct)
    if "ambient_rh_pct" in log.columns:
        humidity = _filled(log.columns["ambient_rh_pct"], log.time_s, log.segment, True)
    else:
        notes.append(f"ambient_rh_pct: not in the log, {humidity[0]:g} % as in the config")
    if config.climate.sun_w_per_m2 > 0.0:
        notes.append("sun: not in the log; calibrate on a log from the shade")
    table[:, calibrate_replay.AMBIENT_K] = room_c + ZERO_C_K
    table[:, calibrate_replay.AMBIENT_RATIO] = [
        humidity_ratio_of(temp_c + ZERO_C_K, pct, plant.climate.pressure_pa)
        for temp_c, pct in zip(room_c, humidity, strict=True)
    ]
    table[:, calibrate_replay.DOOR] = _door(log, notes)
    table[:, calibrate_replay.DRIVE] = driven
    table[:, calibrate_replay.HOT_FAN] = _fan(
        log, "hot_fan", base.hot_sink.fan_wiring, fans[0], driven, notes
    )
    table[:, calibrate_replay.COLD_FAN] = _fan(
        log, "cold_fan", base.cold_sink.fan_wiring, fans[1], driven, notes
    )
    table[:, calibrate_replay.RISE_V] = rise
    table[:, calibrate_replay.FROST_TIMES] = 1.0
    table[:, calibrate_replay.HOLDS] = 1.0
    return plant, by, table


__all__ = ["drivers_of"]

"""What a calibration works on: the log as it drives the plant, what is compared, what is unknown.

The unknowns are scaled to their priors: each is a standard normal before the log is seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from ctrl import calibrate_replay, twin
from ctrl.calibrate_drivers import drivers_of
from ctrl.calibrate_rows import (
    EXACT_S,
    MANY,
    Frosting,
    changes,
    frosting,
    holes,
    in_swing,
    swing_k_per_min,
    unseen_switches,
    with_starts,
)
from ctrl.config import Config
from ctrl.log_file import Log
from ctrl.tolerance_draws import SHEET_WORDS, sheet_slopes, thickness_factors
from ctrl.twin import TwinPart
from plant import cabinet, integrate, moist_air, sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

Array = NDArray[np.float64]

# Prior standard deviations that no key of a config states: common practice, no source.
FREE_PRIORS = {
    "contents_film": 0.25, "contents_capacity": 0.10, "hot_capacity": 0.10,
    "cold_capacity": 0.10, "wall_capacity": 0.20, "air_lag": 0.3, "cold_lag": 0.3, "hot_lag": 0.3,
}  # fmt: skip
MODULE_PRIOR = 0.03  # of a, R and K each, besides what the sheet's numbers leave open
NO_TOLERANCE_K = 0.5  # of a reading whose sensor the config does not describe
RECTANGULAR = sqrt(3.0)  # half width over standard deviation (JCGM 100:2008, 4.3.7; from memory)
LEAST_SD = 1e-3
# Of a heat capacity or film as one lump, besides: what lies nearer to the surface counts first, so
# that the lump that serves a log best is not the part's own.  Sized on development logs.
STRUCTURE = {
    "contents_film": 0.10, "contents_capacity": 0.20, "hot_capacity": 0.20, "cold_capacity": 0.15,
    "wall_capacity": 0.15,
    # What the nodes cannot follow: over 40 logs air and hot sink came 0.5 and 0.7 off (rms, in
    # logarithms), and the cold sink 1.3 where it was told at all.
    "air_lag": 0.85, "cold_lag": 0.85, "hot_lag": 0.85,
}  # fmt: skip
FROST_SPREAD_PER_H = 0.05  # growth of a frosting sink's K/W, before the log is seen: invented
LEAST_FROST_TIMES = 0.3  # of its K/W, whatever the search tries
FIRST_S = 120.0  # of a segment: a later reading is not that of its start
FAN_OFF_S = 120.0  # a fan stopped for less tells nothing of the still film


@dataclass(frozen=True)
class Channel:
    """One column of the log that is compared with the model.

    `offset` is the name of its reading's offset among the parts, or "".
    """

    name: str
    output: int
    offset: str
    unit: str
    misfit: float


CHANNELS = {
    "air_c": Channel("air_c", calibrate_replay.AIR, "air_offset", "K", 0.15),
    "cold_sink_c": Channel("cold_sink_c", calibrate_replay.COLD, "cold_offset", "K", 0.25),
    "hot_sink_c": Channel("hot_sink_c", calibrate_replay.HOT, "hot_offset", "K", 0.25),
    "contents_c": Channel("contents_c", calibrate_replay.CONTENTS, "contents_offset", "K", 0.15),
}
OFFSET_OF = {name: channel.offset for name, channel in CHANNELS.items()}


@dataclass(frozen=True)
class Unknown:
    """What is fitted but is no part of the cabinet: a start value, a supply's voltage, frost."""

    what: str
    segment: int
    middle: float
    spread: float


@dataclass(frozen=True)
class Setup:
    """A log made ready for one config.

    `by` and `drivers` are those of `calibrate_replay.replay`, HOLDS 0 in rows for which it is an
    unknown; `prior_root` turns standard normal values into the parts' own (logarithms of factors,
    K); `first` has the first readings of each
    segment [K], shape (segments, 3): air, cold sink, hot sink; NaN where none.  Rows `left_out`
    are run through and not compared.
    """

    config: Config
    log: Log
    base: Plant
    by: int
    drivers: Array
    channels: tuple[Channel, ...]
    parts: tuple[TwinPart, ...]
    prior_root: Array
    unknowns: tuple[Unknown, ...]
    first: Array
    notes: tuple[str, ...]
    frost: Frosting
    left_out: NDArray[np.bool_]

    @property
    def size(self) -> int:
        """Number of unknowns, parts first."""
        return len(self.parts) + len(self.unknowns)

    def inner(self, x: Array) -> Array:
        """Return the parts' own values (logarithms of factors, K)."""
        return self.prior_root @ x[: len(self.parts)]

    def values(self, x: Array) -> dict[str, float]:
        """Return the parts' values as a file states them: factors, K."""
        return {
            part.name: part.stated(float(value))
            for part, value in zip(self.parts, self.inner(x), strict=True)
        }

    def plant(self, x: Array) -> Plant:
        """Return the plant at `x`, as the log drives it."""
        return twin.applied(self.base, self.values(x))


# What is unknown ----------------------------------------------------------------------------


def _stops(log: Log, fan: Array) -> bool:
    """Tell whether a fan stands still for long enough to see its sink without it."""
    steps = np.diff(log.time_s)
    off = (fan[:-1] < 0.5) & (np.diff(log.segment) == 0)
    return float(steps[off].sum()) >= FAN_OFF_S


def _sensor_tolerance_k(config: Config, channel: str) -> float:
    if channel == "cold_sink_c":
        part = config.cold_sink_sensor
    elif channel == "hot_sink_c":
        part = config.hot_sink_sensor
    else:
        place = "air" if channel == "air_c" else "contents"
        part = config.sensor if config.sensor.place == place else None
    return NO_TOLERANCE_K if part is None else part.tolerance_k


def prior_spreads(config: Config) -> dict[str, float]:
    """Return the prior standard deviation of every part but a, R and K, by name."""
    part = config.tolerances
    thin, thick = (log(x) for x in thickness_factors(config, max(part.foam_thickness_mm, 0.1)))
    foam = sqrt((0.01 * part.foam_conductivity_pct) ** 2 + (0.5 * (thin - thick)) ** 2)
    room = config.ambient_sensor
    found = {
        "hot_sink": 0.01 * part.sinks_pct, "hot_still": 0.01 * part.sinks_pct,
        "cold_sink": 0.01 * part.sinks_pct, "cold_still": 0.01 * part.sinks_pct,
        "hot_joint": 0.01 * part.contacts_pct, "cold_joint": 0.01 * part.contacts_pct,
        "foam": foam, "leaks": 0.01 * part.leaks_pct,
        "ambient_offset": NO_TOLERANCE_K if room is None else room.tolerance_k,
    } | {OFFSET_OF[name]: _sensor_tolerance_k(config, name) for name in CHANNELS}  # fmt: skip
    rectangular = {name: half / RECTANGULAR for name, half in found.items()}
    return {name: max(sd, LEAST_SD) for name, sd in (rectangular | FREE_PRIORS).items()}


def module_prior(config: Config) -> Array:
    """Return the prior covariance of the logarithms of a, R and K, shape (3, 3).

    Each printed number is off by its tolerance, and a, R, K follow by the sheet's own fit.
    """
    found = MODULE_PRIOR**2 * np.eye(3)
    sheet = config.module.sheet()
    for name in SHEET_WORDS:
        if (getattr(sheet, name) or 0.0) <= 0.0:
            continue
        pct = getattr(config.module, name.rpartition("_")[0] + "_tolerance_pct")
        slopes = sheet_slopes(config, name) * 0.01 * pct / RECTANGULAR
        found += np.outer(slopes, slopes)
    return found


def _prior_root(config: Config, parts: Sequence[TwinPart]) -> Array:
    spreads = prior_spreads(config)
    names = [part.name for part in parts]
    root = np.diag([spreads.get(name, 1.0) for name in names])
    at = [names.index(name) for name in ("seebeck", "resistance", "conductance")]
    root[np.ix_(at, at)] = np.linalg.cholesky(module_prior(config))
    return root


def _parts(log: Log, drivers: Array) -> tuple[TwinPart, ...]:
    """Return the parts that this log could say anything about."""
    left_out = set()
    for name, channel in CHANNELS.items():
        if name not in log.columns:
            left_out |= {channel.offset, channel.offset.replace("offset", "lag")}
    for name, column in (("hot_still", calibrate_replay.HOT_FAN),
                         ("cold_still", calibrate_replay.COLD_FAN)):  # fmt: skip
        if not _stops(log, drivers[:, column]):
            left_out.add(name)
    if "ambient_c" not in log.columns:
        left_out.discard("ambient_offset")
    return tuple(part for part in twin.PARTS if part.name not in left_out)


def _first_readings(log: Log) -> Array:
    """Return the first readings of air, cold and hot sink in each segment [K], NaN where none."""
    parts = np.unique(log.segment)
    found = np.full((parts.size, 3), np.nan)
    for column, name in enumerate(("air_c", "cold_sink_c", "hot_sink_c")):
        for part in parts:
            rows = (log.segment == part) & (log.time_s <= FIRST_S)
            seen = log.columns.get(name, np.full(log.time_s.size, np.nan))[rows]
            seen = seen[np.isfinite(seen)][:3]
            if seen.size:
                found[part, column] = np.median(seen) + ZERO_C_K
    return found


def _first_contents_k(log: Log, segment: int) -> float:
    """Return a segment's first reading of the contents [K], NaN where it does not begin with it."""
    if "contents_c" not in log.columns:
        return float("nan")
    seen = log.columns["contents_c"][(log.segment == segment) & (log.time_s <= FIRST_S)]
    seen = seen[np.isfinite(seen)][:3]
    return float(np.median(seen)) + ZERO_C_K if seen.size else float("nan")


def _unknowns(
    config: Config, log: Log, drivers: Array, first: Array, supply_is_told: bool, frosts: bool
) -> tuple[Unknown, ...]:
    """Return the start values that no reading tells, with what they may be."""
    found: list[Unknown] = []
    if (drivers[:, calibrate_replay.HOLDS] < 1.0).any():
        found.append(Unknown("held", -1, 0.5, 0.5 / RECTANGULAR))  # of the way to the next row
    if frosts:
        found.append(Unknown("frost", -1, 0.0, FROST_SPREAD_PER_H))
    if not supply_is_told:
        part = config.supply
        spread = (part.highest_voltage_v - part.lowest_voltage_v) / (2.0 * RECTANGULAR)
        if spread > 0.0:
            middle = 0.5 * (part.highest_voltage_v + part.lowest_voltage_v) - part.voltage_v
            found.append(Unknown("supply", -1, middle, spread))
    for segment in range(first.shape[0]):
        row = int(np.flatnonzero(log.segment == segment)[0])
        room_k = drivers[row, calibrate_replay.AMBIENT_K]
        air, cold, hot = first[segment]
        inside = air if np.isfinite(air) else cold if np.isfinite(cold) else room_k - 5.0
        apart = abs(room_k - inside)
        if not np.isfinite(air):
            found.append(Unknown("air", segment, inside, 4.0))
        if not np.isfinite(cold):
            found.append(Unknown("cold", segment, inside - 1.0, 4.0))
        if not np.isfinite(hot):
            found.append(Unknown("hot", segment, room_k + 2.0, 5.0))
        # At rest the wall lies on a line between the two; in full swing it may be anywhere.
        share = 0.6 if in_swing(log, segment) else 0.25
        wall = 0.3 + share * apart
        found.append(Unknown("inner", segment, 0.25 * (room_k - inside), wall))
        found.append(Unknown("outer", segment, 0.75 * (room_k - inside), wall))
        if not np.isfinite(_first_contents_k(log, segment)):
            found.append(Unknown("contents", segment, 0.0, 0.3 + 0.5 * apart))
    return tuple(found)


def set_up(
    config: Config,
    log: Log,
    *,
    ambient_c: float | None = None,
    hot_fan: str | None = None,
    cold_fan: str | None = None,
) -> Setup:
    """Return the log made ready for a config; a former [twin] of it is not looked at.

    Raises
    ------
    ConfigError
        When the log lacks what drives the plant, and no option states it.
    """
    if config.twin is not None:
        source = config.source
        config = config.model_copy(update={"twin": None})
        config._source = source
    notes = list(log.notes)
    plant, by, drivers = drivers_of(config, log, ambient_c, (hot_fan, cold_fan), notes)
    frost = frosting(log, drivers[:, calibrate_replay.AMBIENT_RATIO], plant.climate.pressure_pa)
    driven = [drivers[:, calibrate_replay.DRIVE], drivers[:, calibrate_replay.HOT_FAN],
              drivers[:, calibrate_replay.COLD_FAN]]  # fmt: skip
    changed, unseen = changes(log, driven), unseen_switches(log, driven)
    if changed.sum() >= MANY:
        drivers[changed, calibrate_replay.HOLDS] = 0.0
        notes.append(
            f"duty or a fan changed between rows {changed.sum()} times: when is fitted, as one "
            "share of the way from row to row"
        )
    if unseen.any():
        notes.append(
            f"{unseen.sum()} rows not compared: just before them duty or a fan changed between "
            f"rows over {EXACT_S:.0f} s apart, so it is not known when"
        )
    drive_name = next(name for name in ("duty", "module_a", "module_v") if name in log.columns)
    hole = holes(log, (drive_name, "hot_fan", "cold_fan"), ("ambient_c", "ambient_rh_pct"))
    notes += hole.notes
    if (frost.starts | hole.starts).any():
        time_s, segment = with_starts(log, frost.starts | hole.starts)
        log = replace(log, time_s=time_s, segment=segment)
    left_out = unseen | frost.melting | hole.unknown
    between = (np.abs(drivers[:, calibrate_replay.DRIVE]) % 1.0 > 0.02).sum()
    if config.drive.kind in ("relay", "slow_window") and "duty" in log.columns and between:
        notes.append(
            f"duty: between 0 and 1 in {between} rows, though a relay is on or off: taken as a "
            "mean over the row; log the relay itself, 0 or 1, or the parts come out several per "
            "cent off"
        )
    if in_swing(log, 0):
        notes.append(
            f"air_c: {swing_k_per_min(log, 0):+.1f} K a minute as the log begins: what walls and "
            "contents began with is hardly known, and the heat leak may take that up; begin a log "
            "at rest"
        )
    spare = replace(sensors.ABSENT, fitted=1)
    lags = {
        "control_sensor": config.sensor if config.sensor.place == "air" else None,
        "cold_sensor": config.cold_sink_sensor,
        "hot_sensor": config.hot_sink_sensor,
    }
    fitted = {
        name: replace(spare, lag_s=max(part.lag_s, 0.5) if part is not None else 15.0)
        for name, part in lags.items()
    }
    plant = replace(plant, **fitted)  # type: ignore[arg-type]
    channels = [channel for name, channel in CHANNELS.items() if name in log.columns]
    own_current = "duty" in log.columns
    steady = own_current is False and by == calibrate_replay.BY_DUTY
    if "module_a" in log.columns and own_current:
        most = float(np.nanmax(np.abs(log.columns["module_a"])))
        channels.append(
            Channel("module_a", calibrate_replay.CURRENT, "", "A", 0.015 * max(most, 0.1))
        )
    if "module_v" in log.columns and "module_a" in log.columns and steady:
        most = float(np.nanmax(np.abs(log.columns["module_v"])))
        channels.append(
            Channel("module_v", calibrate_replay.VOLTAGE, "", "V", 0.015 * max(most, 0.1))
        )
    if "module_v" in log.columns and drive_name != "module_v" and channels[-1].name != "module_v":
        notes.append("module_v: not used; it is compared only where module_a is there, duty is not "
                     "and the current comes in no pulses")  # fmt: skip
    parts, first = _parts(log, drivers), _first_readings(log)
    told = "supply_v" in log.columns or not own_current
    return Setup(
        config, log, plant, by, drivers, tuple(channels), parts, _prior_root(config, parts),
        _unknowns(config, log, drivers, first, told, frost.matters), first, tuple(notes), frost,
        left_out,
    )  # fmt: skip


# The model's answer -------------------------------------------------------------------------


def start_state(setup: Setup, plant: Plant, x: Array, segment: int) -> Array:
    """Return the state at a segment's first row."""
    values = setup.values(x)
    row = int(np.flatnonzero(setup.log.segment == segment)[0])
    room_k = setup.drivers[row, calibrate_replay.AMBIENT_K] - values.get("ambient_offset", 0.0)
    offsets = np.array([values.get(f"{name}_offset", 0.0) for name in ("air", "cold", "hot")])
    air, cold, hot = setup.first[segment] - offsets
    extra = {
        unknown.what: unknown.middle + unknown.spread * float(value)
        for unknown, value in zip(setup.unknowns, x[len(setup.parts) :], strict=True)
        if unknown.segment == segment
    }
    air, cold, hot = (
        extra.get(name, seen) for name, seen in (("air", air), ("cold", cold), ("hot", hot))
    )
    record = cabinet.to_record(plant)
    pressure_pa = plant.climate.pressure_pa
    full = moist_air.saturation_humidity_ratio(min(cold, air), pressure_pa)
    ratio = min(setup.drivers[row, calibrate_replay.AMBIENT_RATIO], full)
    state = cabinet.uniform_state(plant, room_k, ratio)
    cabinet.set_air(record, state, air, ratio)
    cabinet.set_cold_sink(record, state, cold)
    cabinet.set_wall_inner(record, state, air + extra["inner"])
    state[cabinet.WALL_OUTER] = state[cabinet.WALL_SHADED] = air + extra["outer"]
    state[cabinet.HOT_SINK] = state[cabinet.HOT_FACE] = hot
    state[cabinet.COLD_FACE] = cold
    inside = air + extra.get("contents", 0.0)
    if "contents" not in extra:
        inside = _first_contents_k(setup.log, segment) - values.get("contents_offset", 0.0)
    cabinet.set_contents(record, state, inside)
    state[cabinet.CONTROL_SENSOR], state[cabinet.COLD_SENSOR] = air, cold
    state[cabinet.HOT_SENSOR] = hot
    return state


def _common(setup: Setup, x: Array, what: str) -> float:
    """Return an unknown that all stretches share, 0 where it is none."""
    return sum(
        unknown.middle + unknown.spread * float(value)
        for unknown, value in zip(setup.unknowns, x[len(setup.parts) :], strict=True)
        if unknown.what == what
    )


def predicted(setup: Setup, x: Array) -> Array:
    """Return what the log would read at `x`, shape (rows, channels) [°C, A, V]; NaN if it fails."""
    plant, values = setup.plant(x), setup.values(x)
    record = cabinet.to_record(plant)
    drivers = setup.drivers
    rise_v, per_h, held = (_common(setup, x, what) for what in ("supply", "frost", "held"))
    if rise_v or per_h or held or values.get("ambient_offset", 0.0):
        drivers = drivers.copy()
        drivers[drivers[:, calibrate_replay.HOLDS] == 0.0, calibrate_replay.HOLDS] = held
        times = 1.0 + per_h * setup.frost.hours
        drivers[:, calibrate_replay.FROST_TIMES] = np.maximum(times, LEAST_FROST_TIMES)
        drivers[:, calibrate_replay.RISE_V] += rise_v
        drivers[:, calibrate_replay.AMBIENT_K] -= values.get("ambient_offset", 0.0)
    out = np.full((setup.log.time_s.size, calibrate_replay.OUTPUTS), np.nan)
    for segment in range(setup.first.shape[0]):
        rows = np.flatnonzero(setup.log.segment == segment)
        span = slice(int(rows[0]), int(rows[-1]) + 1)
        calibrate_replay.replay(
            record, start_state(setup, plant, x, segment), setup.log.time_s[span], drivers[span],
            setup.by, work_array(), out[span],
        )  # fmt: skip
    found = np.empty((out.shape[0], len(setup.channels)))
    for column, channel in enumerate(setup.channels):
        shift = 0.0
        if channel.unit == "K":
            shift = values.get(channel.offset, 0.0) - ZERO_C_K
        found[:, column] = out[:, channel.output] + shift
    return found


def work_array() -> Array:
    """Return scratch space for a replay: the integrator's, and a row of inputs of its own."""
    own = integrate.work_array()
    return np.zeros((own.shape[0] + 1, own.shape[1]))


__all__ = ["Channel", "Setup", "Unknown", "predicted", "set_up", "start_state"]

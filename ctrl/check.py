"""What follows from a config before anything is simulated: `coldloop check`."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ctrl.build import (
    at_ambient,
    contents_films,
    data_sheet_of,
    extraction_of,
    heat_leak_parts_w_per_k,
    humidity_at,
    plant_of,
    sheet_build_of,
)
from ctrl.capability import Coldest, DutyLimit, duty_for, duty_limit, flashed_coldest
from ctrl.cases import Limit, current_limits, energy_boundary
from ctrl.cold_side import ColdSide, OutsideValues, cold_side_of, outside_of
from ctrl.config import Config, config_fields
from ctrl.config_drive import FittedSensor
from ctrl.config_settings import Bottles
from ctrl.firmware import reading_step_k
from ctrl.hot_side import HotSide, hot_side_of
from ctrl.linearise import LinearPlant, linear_plant, time_constants_s
from ctrl.thermistor_fit import duties_of
from ctrl.weather_log import weather_rows_of
from plant import data_sheet, drive, module
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

# Parts whose own time constant says something to a maker -> state of the linear plant.
PARTS = {
    "cabinet air": "air_k",
    "cold sink": "cold_sink_k",
    "hot sink": "hot_sink_k",
    "contents": "contents_k",
}
WHOLE = "whole cabinet"


@dataclass(frozen=True)
class SheetNumber:
    """One printed number of a module's sheet beside what the fitted module would print.

    `tolerance_pct` is the stated one, `residual_pct` printed less fitted.
    """

    key: str
    value: float
    fitted: float
    unit: str
    tolerance_pct: float
    residual_pct: float


@dataclass(frozen=True)
class ModuleValues:
    """The module bank's values, at 25 °C where they vary, and what its sheet says of them.

    `sheet_numbers` is what the fit of all numbers leaves of each; `misfit` above 1: they differ
    by more than their tolerances.  `trusted_qmax_w` and `trusted_dtmax_k` are one module's,
    derated as chosen, at the sheet's hot side.
    """

    modules: int
    couples: int
    seebeck_v_per_k: float
    resistance_ohm: float
    conductance_w_per_k: float
    figure_of_merit_per_k: float
    trusted_qmax_w: float
    trusted_dtmax_k: float
    stages: int
    derating: float
    temperature_dependence: bool
    sheet_numbers: tuple[SheetNumber, ...]
    misfit: float
    seebeck_tolerance_pct: float
    resistance_tolerance_pct: float
    conductance_tolerance_pct: float


@dataclass(frozen=True)
class Capability:
    """What the cabinet can hold in one room, from steady states.

    `duty`, `plug_w` and `hot_sink_c_mean` are those that hold the target, None out of reach.
    """

    case: str
    ambient_c: float
    coldest_holdable_c: float
    coldest_decided_by: str
    coldest_duty: float
    in_reach: bool
    duty: float | None
    plug_w: float | None
    hot_sink_c_mean: float | None


@dataclass(frozen=True)
class Currents:
    """Currents at start-up and the highest voltage, and what has to bear them."""

    module_a: float
    whole_a: float
    wire_ampacity_a: float
    wire_resistance_ohm: float
    wire_drop_v: float
    fuse_a: float
    fuse_wanted_a: float | None
    limits: tuple[Limit, ...]
    hold_current_a: float = 0.0


@dataclass(frozen=True)
class SensorValues:
    """One fitted sensor as the microcontroller reads it.

    The table's error is the largest where a thermistor shall read, by its beta equation; None
    of a digital sensor and of the room's.
    """

    sensor: str
    kind: str
    place: str
    reading_step_k: float
    lag_s: float
    tolerance_k: float
    table_error_k: float | None = None
    table_error_at_c: float | None = None


@dataclass(frozen=True)
class ContentsValues:
    """Films of the contents, and whether one lump stands for them.

    `core_film_w_per_m2_k` is from core to surface; `biot` below 0.1 is one lump to 5 %
    (textbook); `near_densest` tells that the liquid is kept where water hardly stirs itself.
    """

    film_w_per_m2_k: float
    film_fan_stopped_w_per_m2_k: float
    core_film_w_per_m2_k: float
    biot: float
    lump: str
    near_densest: bool
    freezing_c: float
    supercooling_k: float


@dataclass(frozen=True)
class KeyValue:
    """One key of the config as it stands."""

    key: str
    value: Any
    unit: str
    given: bool
    origin: str
    doc: str


@dataclass(frozen=True)
class Check:
    """A config read back, with what follows from it."""

    config: Config
    heat_leak_parts_w_per_k: dict[str, float]
    module: ModuleValues
    capabilities: tuple[Capability, ...]
    duty_limit: DutyLimit
    time_constants_s: dict[str, float]
    time_constants_duty: float
    currents: Currents
    sensors: tuple[SensorValues, ...]
    energy_boundary: str
    keys: tuple[KeyValue, ...]
    hot_side: HotSide
    contents: ContentsValues
    outside: tuple[OutsideValues, ...]
    cold_side: tuple[ColdSide, ...]

    @property
    def heat_leak_w_per_k(self) -> float:
        """The whole heat leak with the inside fan running [W/K]."""
        return sum(self.heat_leak_parts_w_per_k.values())


def check(config: Config) -> Check:
    """Return a config with its derived values.

    Raises
    ------
    NoSteadyState
        When no drive at all has a steady state.
    ConfigError
        When the weather log cannot be read.
    """
    plant = plant_of(config)
    weather_rows_of(config, plant)
    usual = flashed_coldest(config, plant, plant.climate.mean_k)
    duty, constants = _time_constants(config, plant, usual)
    return Check(
        config=config,
        heat_leak_parts_w_per_k=heat_leak_parts_w_per_k(config),
        module=_module_values(config, plant),
        capabilities=tuple(_capabilities(config, plant)),
        duty_limit=duty_limit(plant, config),
        time_constants_s=constants,
        time_constants_duty=duty,
        currents=_currents(config, plant),
        sensors=tuple(_sensors(config)),
        energy_boundary=energy_boundary(config),
        keys=tuple(keys_of(config)),
        hot_side=hot_side_of(config),
        contents=_contents(config, plant),
        outside=outside_of(config),
        cold_side=cold_side_of(config),
    )


NEAR_DENSEST_K = 2.0  # about there water's expansivity is below a third of that at 10 °C
LUMP_BIOT, LAGGING_BIOT = 0.1, 0.5  # textbook; engineering choice


def _near_densest(config: Config) -> bool:
    """Tell whether the liquid is kept where it hardly stirs itself, above its freezing point."""
    if not isinstance(config.contents, Bottles):
        return False
    liquid = config.contents.liquid_data()
    near = abs(config.use.target_c - liquid.densest_c) <= NEAR_DENSEST_K
    return near and config.use.target_c > liquid.freezing_c


def _contents(config: Config, plant: Plant) -> ContentsValues:
    part, film = config.contents, contents_films(config)
    bottles = isinstance(part, Bottles)
    lump = "one lump is good to 5 %"
    if film.biot >= LUMP_BIOT:
        counted = bottles and part.film_w_per_m2_k is None
        lump = "the core's lag is counted in the film" if counted else "the core lags a little"
    if film.biot >= LAGGING_BIOT:
        lump = "the core lags well behind the surface: pull-down takes longer than shown"
    return ContentsValues(
        film_w_per_m2_k=film.film,
        film_fan_stopped_w_per_m2_k=film.film_still,
        core_film_w_per_m2_k=film.core,
        biot=film.biot,
        lump=lump,
        near_densest=_near_densest(config),
        freezing_c=plant.contents.freezing_k - ZERO_C_K,
        supercooling_k=plant.contents.supercooling_k,
    )


def _module_values(config: Config, plant: Plant) -> ModuleValues:
    part, sheet, bank = config.module, config.module.sheet(), plant.module
    found = extraction_of(config)
    seebeck, resistance, conductance = found.values
    _, _, dtmax_k, qmax_w, _ = data_sheet.predicted_numbers(
        (part.derating * seebeck, resistance, conductance),
        sheet_build_of(config),
        sheet.sheet_hot_side_c + ZERO_C_K,
    )
    return ModuleValues(
        modules=part.in_series * part.in_parallel,
        couples=sheet.couples,
        seebeck_v_per_k=bank.seebeck_v_per_k,
        resistance_ohm=bank.resistance_ohm,
        conductance_w_per_k=bank.conductance_w_per_k,
        figure_of_merit_per_k=module.figure_of_merit(
            bank.seebeck_v_per_k, bank.resistance_ohm, bank.conductance_w_per_k
        ),
        trusted_qmax_w=float(qmax_w),
        trusted_dtmax_k=float(dtmax_k),
        stages=part.stages,
        derating=part.derating,
        temperature_dependence=part.temperature_dependence,
        sheet_numbers=tuple(_sheet_numbers(config)),
        misfit=found.misfit,
        seebeck_tolerance_pct=found.tolerance_pct["seebeck"],
        resistance_tolerance_pct=found.tolerance_pct["resistance"],
        conductance_tolerance_pct=found.tolerance_pct["conductance"],
    )


SHEET_UNITS = {"imax_a": "A", "vmax_v": "V", "dtmax_k": "K", "qmax_w": "W",
               "ac_resistance_ohm": "ohm"}  # fmt: skip


def _sheet_numbers(config: Config) -> list[SheetNumber]:
    sheet, found, part = data_sheet_of(config), extraction_of(config), config.module
    tolerances = (
        part.imax_tolerance_pct, part.vmax_tolerance_pct, part.dtmax_tolerance_pct,
        part.qmax_tolerance_pct, part.ac_resistance_tolerance_pct,
    )  # fmt: skip
    return [
        SheetNumber(key, getattr(sheet, key), found.predicted[key], unit, tolerance,
                    found.residuals_pct[key])
        for (key, unit), tolerance in zip(SHEET_UNITS.items(), tolerances, strict=True)
        if key in found.residuals_pct
    ]  # fmt: skip


def _capabilities(config: Config, plant: Plant) -> list[Capability]:
    room = config.climate
    return [
        _capability(config, plant, name, ambient_c)
        for name, ambient_c in (
            ("usual", room.usual_c), ("worst", room.worst_c), ("coldest", room.coldest_c),
        )
    ]  # fmt: skip


def _capability(config: Config, base: Plant, name: str, ambient_c: float) -> Capability:
    plant = at_ambient(base, ambient_c, humidity_at(config, ambient_c))
    ambient_k = ambient_c + ZERO_C_K
    coldest = flashed_coldest(config, plant, ambient_k)
    point = duty_for(plant, ambient_k, config.use.target_c + ZERO_C_K, coldest)
    return Capability(
        case=name,
        ambient_c=ambient_c,
        coldest_holdable_c=coldest.contents_c,
        coldest_decided_by=coldest.decided_by,
        coldest_duty=coldest.point.duty,
        in_reach=point is not None,
        duty=None if point is None else point.duty,
        plug_w=None if point is None else point.plug_w,
        hot_sink_c_mean=None if point is None else point.hot_sink_k - ZERO_C_K,
    )


def _time_constants(
    config: Config, plant: Plant, coldest: Coldest
) -> tuple[float, dict[str, float]]:
    """Return (duty, time constants [s]) in the usual room at the target, or as cold as it gets.

    A part's own is that of its temperature while its neighbours' are held; the whole
    cabinet's is the slowest of the linear plant.
    """
    wanted_k = config.use.target_c + ZERO_C_K
    point = duty_for(plant, plant.climate.mean_k, wanted_k, coldest) or coldest.point
    linear = linear_plant(plant, point)
    constants = {part: own_time_constant_s(linear, state) for part, state in PARTS.items()}
    constants[WHOLE] = float(time_constants_s(linear)[-1])
    return point.duty, constants


def own_time_constant_s(linear: LinearPlant, state: str) -> float:
    """Return the time constant [s] of one part while its neighbours are held.

    The module's faces settle within a second or two and follow it: they are taken as
    settled, a' = A_pp - A_pf A_ff^-1 A_fp, and the time constant is -1/a'.
    """
    part = linear.state_names.index(state)
    faces = [linear.state_names.index(name) for name in ("cold_face_k", "hot_face_k")]
    own = linear.A[part, part]
    through = linear.A[part, faces] @ np.linalg.solve(
        linear.A[np.ix_(faces, faces)], linear.A[faces, part]
    )
    return float(-1.0 / (own - through))


def _currents(config: Config, plant: Plant) -> Currents:
    supply = config.supply
    limits = current_limits(config, plant)
    whole_a = limits[0].value
    fans_a = (config.hot_sink.fan_w + config.cold_sink.fan_w) / supply.highest_voltage_v
    wire_ohm = plant.drive.wire_ohm
    return Currents(
        module_a=whole_a - fans_a,
        whole_a=whole_a,
        wire_ampacity_a=drive.wire_ampacity_a(supply.wire_mm2),
        wire_resistance_ohm=wire_ohm,
        wire_drop_v=whole_a * wire_ohm,
        fuse_a=supply.fuse_a,
        fuse_wanted_a=drive.fuse_for_a(whole_a),
        limits=tuple(limits),
        hold_current_a=plant.drive.hold_current_a,
    )


def _sensors(config: Config) -> list[SensorValues]:
    fitted: list[tuple[str, FittedSensor | None, str]] = [
        ("control", config.sensor, config.sensor.place),
        ("hot sink", config.hot_sink_sensor, "hot_sink"),
        ("cold sink", config.cold_sink_sensor, "cold_sink"),
        ("room", config.ambient_sensor, "room"),
    ]
    fits = {duty.name.replace("-", " "): duty.fit for duty in duties_of(config)}
    found = []
    for name, part, place in fitted:
        if part is not None:
            fit = fits.get(name)
            error = (None, None) if fit is None else (fit.error_k, fit.at_c)
            step_k = reading_step_k(part)
            found.append(
                SensorValues(name, part.kind, place, step_k, part.lag_s, part.tolerance_k, *error)
            )
    return found


def keys_of(config: Config) -> list[KeyValue]:
    """Return every key that has a meaning in this config, whether given or a default."""
    found = []
    for row in config_fields():
        section, name = row.key.split(".")
        table = getattr(config, section)
        if table is None or name not in type(table).model_fields or _foreign(table, name):
            continue
        given = name in table.model_fields_set
        origin = "given" if given else f"default: {row.origin or 'none stated'}"
        found.append(KeyValue(row.key, getattr(table, name), row.unit, given, origin, row.doc))
    return found


def _foreign(table: Any, name: str) -> bool:
    owners = [kind for kind, keys in table.only_for.items() if name in keys]
    return bool(owners) and table.kind not in owners


__all__ = ["Capability", "Check", "check", "keys_of"]

"""What follows from a config before anything is simulated: `coldloop check`."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ctrl.build import (
    at_ambient,
    box_of,
    contents_films,
    data_sheet_of,
    extraction_of,
    heat_leak_parts_w_per_k,
    humidity_at,
    humidity_ratio_of,
    plant_of,
    pressure_of,
    start_resistance_ohm,
)
from ctrl.capability import Coldest, DutyLimit, coldest_holdable, duty_for, duty_limit, limits_of
from ctrl.cases import Limit, current_limits, energy_boundary
from ctrl.config import Config, config_fields
from ctrl.config_cabinet import FittedSensor
from ctrl.config_settings import Bottles
from ctrl.firmware import reading_step_k
from ctrl.hot_side import HotSide, hot_side_of
from ctrl.linearise import LinearPlant, linear_plant, time_constants_s
from ctrl.weather_log import weather_rows_of
from plant import drive, module, moist_air
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

    `qmax_difference_pct` is the printed Qmax against the one that Imax, Vmax and dTmax imply
    with constant properties, for one module.  `sheet_numbers` is what the fit of all numbers
    leaves of each; `misfit` above 1: they differ by more than their tolerances.
    """

    modules: int
    couples: int
    seebeck_v_per_k: float
    resistance_ohm: float
    conductance_w_per_k: float
    figure_of_merit_per_k: float
    sheet_qmax_w: float
    implied_qmax_w: float
    qmax_difference_pct: float
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


@dataclass(frozen=True)
class SensorValues:
    """One fitted sensor as the microcontroller reads it."""

    sensor: str
    kind: str
    place: str
    reading_step_k: float
    lag_s: float
    tolerance_k: float


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
class OutsideValues:
    """The coldest outside face in one room with the target held, against the dew point there."""

    case: str
    ambient_c: float
    relative_humidity_pct: float
    outer_surface_c: float
    ambient_dew_c: float
    outside_margin_k: float


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
    usual = coldest_holdable(plant, plant.climate.mean_k, limits_of(config))
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
        outside=tuple(_outside(config)),
    )


NEAR_4_C = (2.0, 6.0)  # where water's expansivity is below a third of that at 10 °C
LUMP_BIOT, LAGGING_BIOT = 0.1, 0.5  # textbook; engineering choice


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
        near_densest=bottles and NEAR_4_C[0] <= config.use.target_c <= NEAR_4_C[1],
        freezing_c=plant.contents.freezing_k - ZERO_C_K,
        supercooling_k=plant.contents.supercooling_k,
    )


def _outside(config: Config) -> list[OutsideValues]:
    """Return the thinnest face's outside in the usual and the hottest, dampest room."""
    part, room, target_c = config.cabinet, config.climate, config.use.target_c
    wall = 1.0 / part.inside_film_w_per_m2_k + min(box_of(config).face_m2_k_per_w)
    share = 1.0 / (part.outside_film_w_per_m2_k * wall + 1.0)  # of the whole difference
    found = []
    for case, ambient_c, humidity_pct in (
        ("usual", room.usual_c, room.relative_humidity_pct),
        ("worst", room.worst_c, room.worst_humidity_pct),
    ):
        pressure_pa = pressure_of(config)
        ratio = humidity_ratio_of(ambient_c + ZERO_C_K, humidity_pct, pressure_pa)
        dew_c = moist_air.dew_point(ratio, pressure_pa) - ZERO_C_K
        surface_c = ambient_c - share * (ambient_c - target_c)
        found.append(
            OutsideValues(case, ambient_c, humidity_pct, surface_c, dew_c, surface_c - dew_c)
        )
    return found


def _module_values(config: Config, plant: Plant) -> ModuleValues:
    part, sheet, bank = config.module, config.module.sheet(), plant.module
    implied = module.implied_qmax_w(data_sheet_of(config))
    found = extraction_of(config)
    return ModuleValues(
        modules=part.in_series * part.in_parallel,
        couples=sheet.couples,
        seebeck_v_per_k=bank.seebeck_v_per_k,
        resistance_ohm=bank.resistance_ohm,
        conductance_w_per_k=bank.conductance_w_per_k,
        figure_of_merit_per_k=module.figure_of_merit(
            bank.seebeck_v_per_k, bank.resistance_ohm, bank.conductance_w_per_k
        ),
        sheet_qmax_w=sheet.qmax_w,
        implied_qmax_w=implied,
        qmax_difference_pct=100.0 * (sheet.qmax_w / implied - 1.0),
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
    coldest = coldest_holdable(plant, ambient_k, limits_of(config))
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
    module_a = drive.highest_current_a(
        plant.drive, start_resistance_ohm(config, plant), supply.highest_voltage_v
    )
    limits = current_limits(config, plant)
    whole_a = limits[0].value
    wire_ohm = plant.drive.wire_ohm
    return Currents(
        module_a=module_a,
        whole_a=whole_a,
        wire_ampacity_a=drive.wire_ampacity_a(supply.wire_mm2),
        wire_resistance_ohm=wire_ohm,
        wire_drop_v=whole_a * wire_ohm,
        fuse_a=supply.fuse_a,
        fuse_wanted_a=drive.fuse_for_a(whole_a),
        limits=tuple(limits),
    )


def _sensors(config: Config) -> list[SensorValues]:
    fitted: list[tuple[str, FittedSensor | None, str]] = [
        ("control", config.sensor, config.sensor.place),
        ("hot sink", config.hot_sink_sensor, "hot_sink"),
        ("cold sink", config.cold_sink_sensor, "cold_sink"),
        ("room", config.ambient_sensor, "room"),
    ]
    return [
        SensorValues(name, part.kind, place, reading_step_k(part), part.lag_s, part.tolerance_k)
        for name, part, place in fitted
        if part is not None
    ]


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

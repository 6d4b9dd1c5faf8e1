"""One cabinet out of many: each part anywhere within its tolerance, a day in usual and worst room.

The firmware does not know what was drawn: its settings and its table of the sensor stay those
of the cabinet as described.  Every tolerance is a largest error, drawn evenly between its ends
(a bound without a known shape: rectangular, JCGM 100:2008, 4.3.7; clause from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtri
from scipy.stats import qmc

from ctrl import ice
from ctrl.bottlenecks import edited
from ctrl.build import (
    at_ambient,
    data_sheet_of,
    extraction_of,
    humidity_at,
    plant_of,
)
from ctrl.capability import (
    StartCurrents,
    at_duty,
    coldest_holdable,
    largest_duty,
    limits_of,
    sensed_k,
)
from ctrl.cases import (
    ADVISORY,
    COLD_SIDE,
    Limit,
    at_most,
    current_limits,
    energy_boundary,
    limits_found,
)
from ctrl.config import Config
from ctrl.config_drive import FittedSensor
from ctrl.defrost import DEFROST_STATE_WORDS
from ctrl.findings import DAY_S, Findings, findings_of
from ctrl.firmware import Firmware, Settings, firmware_of
from ctrl.loop import FAULT, STATE_WORDS, SUPPLY_CUT_OUT, TRIPPED, Loop
from ctrl.protection import P_DEFROST
from ctrl.record import Record
from ctrl.trial import loop_at, nearest_point, run_settled, steady_state
from ctrl.twin_spreads import replaced_parts, twin_spreads
from plant import cabinet, data_sheet, moist_air, sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState, Operating

Array = NDArray[np.float64]
Change = Callable[[Plant, float], Plant]
COMPARING, CONFIRMING = 1, 2  # streams of random numbers that share nothing
ROW_S = 60.0
SHEET_WORDS = {
    "imax_a": "Imax", "vmax_v": "Vmax", "dtmax_k": "dTmax", "qmax_w": "Qmax",
    "ac_resistance_ohm": "AC resistance",
}  # fmt: skip
DUTY_STEP = 1e-3
NINETY = 1.6449  # standard errors to each side of 90 % of a normal value
MOST_MORE_DAYS = 3


@dataclass(frozen=True)
class Spread:
    """One tolerance: what it is of, its ends, where it is stated, and what it does to a plant.

    `low` and `high` are drawn between evenly; `middle` is the value as described, and where it
    does not lie halfway, half the draws are below it and half above.
    """

    name: str
    part: str
    key: str
    unit: str
    low: float
    middle: float
    high: float
    change: Change
    is_normal: bool = False  # a twin's error: in standard errors, low to high is 90 % of it

    def value(self, share: float) -> float:
        """Return the value at a share between 0 and 1 [-] of the draws."""
        if self.is_normal:
            return float(ndtri(min(max(share, 1e-3), 1.0 - 1e-3)))
        if share < 0.5:
            return self.low + 2.0 * share * (self.middle - self.low)
        return self.middle + (2.0 * share - 1.0) * (self.high - self.middle)


def either_way(
    name: str, part: str, key: str, unit: str, most: float, change: Change
) -> list[Spread]:
    """Return a tolerance of the same size up and down; nothing where it is 0."""
    return [Spread(name, part, key, unit, -most, 0.0, most, change)] if most > 0.0 else []


# What each does to a plant -----------------------------------------------------------------


def _hot_sink(plant: Plant, pct: float) -> Plant:
    sink, factor = plant.hot_sink, 1.0 + 0.01 * pct
    better = replace(
        sink, fan_w_per_k=sink.fan_w_per_k / factor, no_fan_w_per_k=sink.no_fan_w_per_k / factor
    )
    return replace(plant, hot_sink=better)


def _cold_sink(plant: Plant, pct: float) -> Plant:
    sink, factor = plant.cold_sink, 1.0 + 0.01 * pct
    better = replace(
        sink, fan_w_per_k=sink.fan_w_per_k / factor, no_fan_w_per_k=sink.no_fan_w_per_k / factor
    )
    return replace(plant, cold_sink=better)


def _hot_joint(plant: Plant, pct: float) -> Plant:
    new = plant.module.hot_contact_w_per_k / (1.0 + 0.01 * pct)
    return replace(plant, module=replace(plant.module, hot_contact_w_per_k=new))


def _cold_joint(plant: Plant, pct: float) -> Plant:
    new = plant.module.cold_contact_w_per_k / (1.0 + 0.01 * pct)
    return replace(plant, module=replace(plant.module, cold_contact_w_per_k=new))


def _foam(plant: Plant, factor: float) -> Plant:
    box = plant.envelope
    return replace(plant, envelope=replace(box, foam_w_per_k=box.foam_w_per_k * factor))


def _leaks(plant: Plant, pct: float) -> Plant:
    box, factor = plant.envelope, 1.0 + 0.01 * pct
    leaky = replace(
        box, direct_w_per_k=box.direct_w_per_k * factor, leak_per_s=box.leak_per_s * factor
    )
    return replace(plant, envelope=leaky)


def _supply(config: Config) -> Change:
    highest_v = config.supply.highest_voltage_v

    def change(plant: Plant, supply_v: float) -> Plant:
        part = plant.drive
        rise_v = min(part.charging_rise_v, max(highest_v - supply_v, 0.0))
        return replace(plant, drive=replace(part, supply_v=supply_v, charging_rise_v=rise_v))

    return change


def _offset(name: str) -> Change:
    def change(plant: Plant, offset_k: float) -> Plant:
        sensor: sensors.Sensor = getattr(plant, name)
        return replace(plant, **{name: replace(sensor, offset_k=offset_k)})  # type: ignore[arg-type]

    return change


def _same(plant: Plant, value: float) -> Plant:
    return plant  # the room is drawn with the plant moved there


def _sheet_number(slopes: Array) -> Change:
    """Return the change that a printed number off by some per cent makes in a, R and K."""

    def change(plant: Plant, pct: float) -> Plant:
        off = log(1.0 + 0.01 * pct)
        a, r, k = (exp(float(slope) * off) for slope in slopes)
        mod = plant.module
        return replace(
            plant,
            module=replace(
                mod,
                seebeck_v_per_k=mod.seebeck_v_per_k * a,
                resistance_ohm=mod.resistance_ohm * r,
                conductance_w_per_k=mod.conductance_w_per_k * k,
            ),
        )

    return change


# The tolerances of a config ----------------------------------------------------------------


def sheet_slopes(config: Config, name: str) -> Array:
    """Return d ln(a, R, K) / d ln(a printed number), shape (3,), by fitting the sheet anew.

    So a, R and K move together as the sheet ties them: each drawn alone by its own tolerance
    would make modules that no such sheet describes.
    """
    sheet, part = data_sheet_of(config), config.module
    build = data_sheet.Build(
        varies=int(part.temperature_dependence),
        stages=2 if part.stages == 2 and part.sheet_covers == "whole_module" else 1,
        upper_share=part.upper_share,
        middle_contact_w_per_k=1.0 / max(part.middle_contact_k_per_w, 1e-3),
    )
    tolerances = data_sheet.Tolerances(
        part.imax_tolerance_pct, part.vmax_tolerance_pct, part.dtmax_tolerance_pct,
        part.qmax_tolerance_pct, part.ac_resistance_tolerance_pct,
    )  # fmt: skip
    step, printed = 5e-3, getattr(sheet, name)
    low, high = (
        np.log(
            data_sheet.extract(
                replace(sheet, **{name: printed * exp(sign * step)}), tolerances, build
            ).values
        )
        for sign in (-1.0, 1.0)
    )
    return (high - low) / (2.0 * step)


def _sheet_spreads(config: Config) -> list[Spread]:
    sheet, widened = data_sheet_of(config), max(1.0, extraction_of(config).misfit)
    found = []
    for name in data_sheet.NUMBERS:
        if getattr(sheet, name) <= 0.0:
            continue  # not printed
        key = name.rpartition("_")[0] + "_tolerance_pct"
        # A sheet that contradicts itself by more than its tolerances is that much less to trust.
        most = min(getattr(config.module, key) * widened, 40.0)
        words = SHEET_WORDS[name]
        change = _sheet_number(sheet_slopes(config, name))
        found += either_way(f"sheet's {words}", "module", f"module.{key}", "%", most, change)
    return found


def thickness_factors(config: Config, most_mm: float) -> tuple[float, float]:
    """Return the foam's conductance, of that described, with all faces thinner and thicker [-]."""
    nominal = plant_of(config).envelope.foam_w_per_k
    found = []
    for add in (-most_mm, most_mm):
        other = edited(config, [{"key": "cabinet.foam_thickness_mm", "add": add}])
        # Beyond what the config allows: as a flat wall of that thickness.
        mean_mm = sum(config.cabinet.face_foam_mm.values()) / 6.0
        flat = mean_mm / max(mean_mm + add, 1.0)
        found.append(flat if other is None else plant_of(other).envelope.foam_w_per_k / nominal)
    return found[0], found[1]


def least_voltage_v(config: Config, plant: Plant) -> float:
    """Return the lowest supply voltage at which the firmware lets the module run [V].

    `supply.lowest_voltage_v`; for a battery with a cut-off, what still stands above it under
    full current.  Below that the battery is empty, which is no tolerance.
    """
    supply = config.supply
    if supply.low_battery_cut_off_v is None:
        return supply.lowest_voltage_v
    whole_a = StartCurrents.of(config, plant, supply.voltage_v).supply_a(1.0)
    sag_v = whole_a * plant.drive.source_ohm
    least = max(supply.lowest_voltage_v, supply.low_battery_cut_off_v + sag_v + 0.05)
    return min(least, supply.voltage_v)


def spreads_of(config: Config, plant: Plant) -> tuple[Spread, ...]:
    """Return every tolerance of a config that is not 0, in a fixed order."""
    part, supply = config.tolerances, config.supply
    table = "tolerances."
    found = _sheet_spreads(config)
    found += either_way("hot joint", "contacts", table + "contacts_pct", "%", part.contacts_pct,
                        _hot_joint)  # fmt: skip
    found += either_way("cold joint", "contacts", table + "contacts_pct", "%", part.contacts_pct,
                        _cold_joint)  # fmt: skip
    found += either_way(
        "foam's conductivity", "foam", table + "foam_conductivity_pct", "%",
        part.foam_conductivity_pct, lambda plant, pct: _foam(plant, 1.0 + 0.01 * pct),
    )  # fmt: skip
    if part.foam_thickness_mm > 0.0:
        most_mm = part.foam_thickness_mm
        thin, thick = (log(factor) for factor in thickness_factors(config, most_mm))
        # A parabola through three thicknesses: good to 0.1 % within 20 % of the thickness.
        slope, bend = (thick - thin) / (2.0 * most_mm), (thick + thin) / (2.0 * most_mm**2)
        found += either_way(
            "foam's thickness", "foam", table + "foam_thickness_mm", "mm", most_mm,
            lambda plant, mm: _foam(plant, exp(slope * mm + bend * mm * mm)),
        )  # fmt: skip
    found += either_way("leaks", "leaks", table + "leaks_pct", "%", part.leaks_pct, _leaks)
    found += either_way("hot sink", "hot sink", table + "sinks_pct", "%", part.sinks_pct,
                        _hot_sink)  # fmt: skip
    found += either_way("cold sink", "cold sink", table + "sinks_pct", "%", part.sinks_pct,
                        _cold_sink)  # fmt: skip
    fitted: tuple[tuple[str, str, str, FittedSensor | None], ...] = (
        ("control sensor", "sensor", "control_sensor", config.sensor),
        ("hot-sink sensor", "hot_sink_sensor", "hot_sensor", config.hot_sink_sensor),
        ("cold-sink sensor", "cold_sink_sensor", "cold_sensor", config.cold_sink_sensor),
    )
    for words, section, name, sensor in fitted:
        if sensor is not None:
            found += either_way(words, words, f"{section}.tolerance_k", "K", sensor.tolerance_k,
                                _offset(name))  # fmt: skip
    if config.twin is not None:
        replaced = replaced_parts(config)
        found = [item for item in found if item.part not in replaced] + [
            Spread(x.name, x.part, x.key, "standard errors", -NINETY, 0.0, NINETY, x.change, True)
            for x in twin_spreads(config)
        ]
    low_v = least_voltage_v(config, plant)
    if supply.highest_voltage_v > low_v:
        found.append(
            Spread("supply voltage", "supply", "supply.lowest_voltage_v to highest_voltage_v", "V",
                   low_v, supply.voltage_v, supply.highest_voltage_v, _supply(config))
        )  # fmt: skip
    found += either_way("room", "weather", table + "room_k", "K", part.room_k, _same)
    found += either_way("humidity", "weather", table + "humidity_pct", "%", part.humidity_pct,
                        _same)  # fmt: skip
    return tuple(found)


def comparing_draws(count: int, dimensions: int, seed: int) -> Array:
    """Return scrambled Sobol points, shape (count, dimensions), to compare candidates on."""
    stream = np.random.default_rng(np.random.SeedSequence([seed, COMPARING]))
    points = qmc.Sobol(dimensions, scramble=True, seed=stream)
    power = max(int(np.ceil(np.log2(max(count, 1)))), 0)
    return np.asarray(points.random_base2(power)[:count])


def confirming_draw(index: int, dimensions: int, seed: int) -> Array:
    """Return one independent draw, shape (dimensions,), that depends on (seed, index) alone."""
    stream = np.random.SeedSequence([seed, CONFIRMING, index])
    return np.asarray(np.random.default_rng(stream).random(dimensions))


def noise_seed(seed: int, stream: int, index: int) -> int:
    """Return the seed of one draw's sensor noise."""
    return int(np.random.SeedSequence([seed, stream, index, 1]).generate_state(1)[0] >> 1)


def drawn_plant(plant: Plant, spreads: tuple[Spread, ...], shares: Array) -> Plant:
    """Return the plant with every part at its drawn value; the room is not touched."""
    for spread, share in zip(spreads, shares, strict=True):
        plant = spread.change(plant, spread.value(float(share)))
    return plant


def drawn_room(
    spreads: tuple[Spread, ...], shares: Array, ambient_c: float, humidity_pct: float
) -> tuple[float, float]:
    """Return (temperature [°C], relative humidity [%]) of a room as drawn."""
    values = {
        spread.name: spread.value(float(share))
        for spread, share in zip(spreads, shares, strict=True)
    }
    ambient_c += values.get("room", 0.0)
    return ambient_c, min(max(humidity_pct + values.get("humidity", 0.0), 5.0), 100.0)


# One draw, judged --------------------------------------------------------------------------


@dataclass(frozen=True)
class Start:
    """One room of the cabinet as described, at midnight of a settled day.

    `shift_k` is what its nodes stand off its own steady state there [K], shape (6,); a drawn
    cabinet begins as far off its own steady state.
    """

    name: str
    ambient_c: float
    humidity_pct: float
    plant: Plant
    firmware: Firmware
    state: Array
    defrost_words: NDArray[np.int64]
    sensed_k: float
    shift_k: Array
    findings: Findings


@dataclass(frozen=True)
class Draw:
    """One drawn cabinet: which limits it broke, its tightest scaled margin, what it spends.

    `margins` holds margin over ample margin [-] by limit and room; `tightest` is the least of
    them; `energy_kwh_per_day` is in the usual room.
    """

    index: int
    failed: tuple[str, ...]
    margins: dict[str, float]
    tightest: float
    energy_kwh_per_day: float

    @property
    def holds(self) -> bool:
        """Whether every limit held, in every room it was run in."""
        return not self.failed


def node_temperatures(plant: Plant, state: Array) -> Array:
    """Return hot sink, cold sink, air, inner and outer wall, contents [K], shape (6,)."""
    record = cabinet.to_record(plant)
    return np.array(
        [
            state[cabinet.HOT_SINK],
            cabinet.cold_sink_temperature(record, state),
            cabinet.air_temperature(record, state),
            cabinet.wall_inner_temperature(record, state),
            state[cabinet.WALL_OUTER],
            cabinet.contents_temperature(record, state),
        ]
    )


def shifted_state(plant: Plant, point: Operating, start: Start) -> Array:
    """Return a plant's state at its steady point plus the start's shift, with its water."""
    state = steady_state(plant, point)
    record = cabinet.to_record(plant)
    hot, cold, air, inner, outer, contents = node_temperatures(plant, state) + start.shift_k
    for index in (cabinet.FROST, cabinet.FROST_VOLUME, cabinet.SINK_WATER, cabinet.WALL_WATER):
        state[index] = start.state[index]
    state[cabinet.HOT_FACE] += hot - state[cabinet.HOT_SINK]
    state[cabinet.HOT_SINK] = hot
    state[cabinet.COLD_FACE] += start.shift_k[1]
    state[cabinet.WALL_OUTER] = outer
    cabinet.set_cold_sink(record, state, cold)
    cabinet.set_air(record, state, air, _as_damp(start, air))
    cabinet.set_wall_inner(record, state, inner)
    cabinet.set_contents(record, state, contents)
    state[cabinet.CONTROL_SENSOR] = {sensors.AIR: air, sensors.COLD_SINK: cold}.get(
        plant.control_sensor.place, contents
    )
    state[cabinet.HOT_SENSOR], state[cabinet.COLD_SENSOR] = hot, cold
    return state


def _as_damp(start: Start, air_k: float) -> float:
    """Return the humidity ratio of air as damp, in relative terms, as the start's [-]."""
    record, pressure_pa = cabinet.to_record(start.plant), start.plant.climate.pressure_pa
    ratio = start.state[cabinet.VAPOUR] / cabinet.dry_air_kg(record)
    there_k = cabinet.air_temperature(record, start.state)
    full, full_there = (
        moist_air.saturation_humidity_ratio(temp_k, pressure_pa) for temp_k in (air_k, there_k)
    )
    return float(min(ratio * full / full_there, full))


def steady_near(
    config: Config, plant: Plant, ambient_k: float, wanted_k: float, most: float
) -> Operating:
    """Return the steady point whose sensor's place is at `wanted_k`, or the coldest allowed.

    Raises
    ------
    NoSteadyState
        When the hot side runs away at every duty tried.
    """
    most = min(most, largest_duty(plant, ambient_k, limits_of(config))[0])

    def at(duty: float) -> Operating:
        return at_duty(plant, duty, ambient_k)

    def too_warm_k(duty: float) -> float:
        return sensed_k(plant, at(duty)) - wanted_k

    coldest, low, high = at(0.0), 0.0, most
    if sensed_k(plant, coldest) <= wanted_k or most <= DUTY_STEP:
        return coldest
    if too_warm_k(most) > 0.0:
        # Beyond peak cooling the sensed temperature rises again with duty: look before it.
        points = [at(float(duty)) for duty in np.linspace(0.0, most, 9)]
        coldest = min(points, key=lambda point: sensed_k(plant, point))
        if sensed_k(plant, coldest) > wanted_k:
            return coldest
        high = coldest.duty
    return at(float(brentq(too_warm_k, low, high, xtol=DUTY_STEP)))


def _sensed_mean_k(plant: Plant, record: Record) -> float:
    names = {sensors.AIR: "air_c", sensors.COLD_SINK: "cold_sink_c"}
    column = names.get(plant.control_sensor.place, "contents_c")
    return float(np.mean(record.last(DAY_S)[column])) + ZERO_C_K


def most_duty_of(config: Config, settings: Settings) -> float:
    """Return the largest mean duty that the firmware can give [-]."""
    return 1.0 if config.drive.kind == "relay" else settings.duty_limit


def start_of(
    config: Config, base: Plant, settings: Settings, name: str, ambient_c: float, seed: int
) -> Start:
    """Return one room's start: the cabinet as described, followed until its days repeat."""
    humidity_pct = humidity_at(config, ambient_c)
    plant = at_ambient(base, ambient_c, humidity_pct)
    firmware = firmware_of(config, settings)
    most, ambient_k = most_duty_of(config, settings), ambient_c + ZERO_C_K
    coldest = coldest_holdable(plant, ambient_k, limits_of(config), most)
    first = nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)
    settled = run_settled(plant, firmware, first, seed=seed)
    sensed = _sensed_mean_k(plant, settled.record)
    point = steady_near(config, plant, ambient_k, sensed, most)
    state = settled.loop.state.copy()
    shift = node_temperatures(plant, state) - node_temperatures(plant, steady_state(plant, point))
    words = settled.loop.guard_state[P_DEFROST : P_DEFROST + DEFROST_STATE_WORDS].copy()
    found = findings_of(
        settled.record, config.use.target_c, config.use.target_tolerance_k, energy_boundary(config)
    )
    return Start(
        name, ambient_c, humidity_pct, plant, firmware, state, words, sensed, shift, found
    )  # fmt: skip


def binding_limits(
    config: Config, plant: Plant, found: Findings, case: str, has_defrost: bool
) -> list[Limit]:
    """Return the limits that fail a cabinet, with those of the firmware's stops and of ice."""
    cold_room = found.ambient_c.mean < config.use.target_c
    advisory = ADVISORY | {COLD_SIDE} if cold_room else ADVISORY
    limits = [x for x in limits_found(config, plant, found, case) if x.name not in advisory]
    most_pct = config.limits.sink_ice_blockage_pct
    limits.append(
        at_most("ice in the fin gaps", found.blockage_pct_max, most_pct, "%", case, 0.2 * most_pct)
    )
    if not has_defrost:
        most_g = ice.GROWTH_G_PER_DAY
        limits.append(
            at_most("growth of ice", found.frost_growth_g_per_day, most_g, "g/day", case, most_g)
        )
    for code in (FAULT, TRIPPED, SUPPLY_CUT_OUT):
        if code in found.states_seen:
            limits.append(at_most(STATE_WORDS[code], 1.0, 0.0, "times", case, 1.0))
    return limits


def drawn_day(
    config: Config, settings: Settings, start: Start, plant: Plant, ambient_k: float, seed: int
) -> Findings:
    """Return the findings of one day of a drawn cabinet, begun from its own settled midnight."""
    offset_k = plant.control_sensor.offset_k
    point = steady_near(
        config, plant, ambient_k, start.sensed_k - offset_k, most_duty_of(config, settings)
    )
    loop: Loop = loop_at(plant, start.firmware, point, seed=seed)
    loop.state[:] = shifted_state(plant, point, start)
    words = slice(P_DEFROST, P_DEFROST + DEFROST_STATE_WORDS)
    loop.guard_state[words] = start.defrost_words
    record = loop.run(DAY_S, ROW_S)
    if settings.defrost is None:
        # What the first day gains may only be the way to its own few grams: it ices if the
        # least of each day goes on growing, as in `ice`.
        for _ in range(MOST_MORE_DAYS):
            if _gain_g(record) <= ice.GROWTH_G_PER_DAY:
                break
            record = loop.run(DAY_S, ROW_S)
    use = config.use
    return findings_of(record, use.target_c, use.target_tolerance_k, energy_boundary(config))


def _gain_g(record: Record) -> float:
    return float(record["frost_g"][-1] - record["frost_g"][0])


def judged(
    config: Config,
    base: Plant,
    settings: Settings,
    starts: tuple[Start, ...],
    spreads: tuple[Spread, ...],
    shares: Array,
    index: int,
    seed: int,
) -> Draw:
    """Return one drawn cabinet's day in each room, judged."""
    built = drawn_plant(base, spreads, shares)
    margins: dict[str, float] = {}
    failed: list[str] = []
    energy = float("nan")
    limits = current_limits(config, built)
    for room, start in enumerate(starts):
        ambient_c, humidity_pct = drawn_room(spreads, shares, start.ambient_c, start.humidity_pct)
        plant = at_ambient(built, ambient_c, humidity_pct)
        try:
            found = drawn_day(config, settings, start, plant, ambient_c + ZERO_C_K, seed + room)
        except NoSteadyState:
            limits.append(at_most("hot side runs away", 1.0, 0.0, "times", start.name, 1.0))
            continue
        if start.name == "usual":
            energy = found.energy_kwh_per_day
        limits += binding_limits(config, plant, found, start.name, settings.defrost is not None)
    for item in limits:
        name = f"{item.name}, {item.case}"
        margins[name] = item.margin / item.ample
        if not item.kept:
            failed.append(name)
    return Draw(index, tuple(failed), margins, min(margins.values()), energy)

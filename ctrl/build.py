"""From the config to the plant: the one construction path.

Everything that varies a cabinet (bottlenecks, tolerances, another ambient) changes the
plant built here with `dataclasses.replace`; nothing builds a second one by hand.
"""

from dataclasses import dataclass, replace
from math import pi

from ctrl import twin
from ctrl.config import Config
from ctrl.config_drive import FittedSensor, Sensor
from ctrl.config_layers import FaceLayers, Layer
from ctrl.config_settings import Bottles, Goods
from plant import (
    data_sheet,
    drive,
    envelope,
    films,
    fins,
    frost,
    heat_sinks,
    module,
    moist_air,
    sensors,
    stage,
)
from plant.cabinet import Plant
from plant.climate import Climate
from plant.constants import ZERO_C_K
from plant.contents import Contents
from plant.moist_air import CP_DRY_AIR, CP_ICE, CP_VAPOUR, LATENT_FUSION

HEAT_ABSORPTANCE = 0.9  # of paint, plastic and wood for heat radiation (textbook, from memory)
SHORTEST_LAG_S = 0.5  # below this a sensor follows within one tick, and costs only small steps


def plant_of(config: Config) -> Plant:
    """Return the plant of a config, at its usual ambient."""
    built = Plant(
        module=(lumped := _module(config)),
        drive=_drive(config, lumped),
        hot_sink=_hot_sink(config),
        cold_sink=_cold_sink(config),
        envelope=_envelope(config),
        contents=_contents(config),
        climate=_climate(config),
        control_sensor=_sensor(config.sensor),
        hot_sensor=_sensor(config.hot_sink_sensor),
        cold_sensor=_sensor(config.cold_sink_sensor),
        ambient_sensor=_sensor(config.ambient_sensor),
    )
    return built if config.twin is None else twin.applied(built, config.twin.values)


def at_ambient(plant: Plant, ambient_c: float, relative_humidity_pct: float) -> Plant:
    """Return the plant moved to another mean ambient [°C] and relative humidity there [%]."""
    temp_k = ambient_c + ZERO_C_K
    ratio = humidity_ratio_of(temp_k, relative_humidity_pct, plant.climate.pressure_pa)
    return replace(plant, climate=replace(plant.climate, mean_k=temp_k, humidity_ratio=ratio))


def humidity_at(config: Config, ambient_c: float) -> float:
    """Return the room's relative humidity [%]: the dampest on the hottest day, else the usual."""
    room = config.climate
    if ambient_c >= room.worst_c > room.usual_c:
        return room.worst_humidity_pct
    return room.relative_humidity_pct


def with_supply_v(plant: Plant, supply_v: float) -> Plant:
    """Return the plant on another supply voltage [V]."""
    return replace(plant, drive=replace(plant.drive, supply_v=supply_v))


def humidity_ratio_of(temp_k: float, relative_humidity_pct: float, pressure_pa: float) -> float:
    """Return the humidity ratio [-] of air at a temperature [K] and relative humidity [%]."""
    vapour_pa = 0.01 * relative_humidity_pct * moist_air.saturation_pressure(temp_k)
    return float(moist_air.humidity_ratio(vapour_pa, pressure_pa))


def data_sheet_of(config: Config) -> module.DataSheet:
    """Return the sheet of one of the config's modules."""
    sheet = config.module.sheet()
    return module.DataSheet(
        couples=sheet.couples,
        imax_a=sheet.imax_a,
        vmax_v=sheet.vmax_v,
        dtmax_k=sheet.dtmax_k,
        qmax_w=sheet.qmax_w,
        hot_side_k=sheet.sheet_hot_side_c + ZERO_C_K,
        ac_resistance_ohm=sheet.ac_resistance_ohm or 0.0,
    )


def extraction_of(config: Config) -> data_sheet.Extraction:
    """Return what the sheet of the config's module says, all its numbers taken together."""
    return data_sheet.extract(
        data_sheet_of(config),
        sheet_tolerances_of(config),
        sheet_build_of(config),
    )  # fmt: skip


def sheet_tolerances_of(config: Config) -> data_sheet.Tolerances:
    """Return how far each printed number may be off."""
    part = config.module
    return data_sheet.Tolerances(
        part.imax_tolerance_pct, part.vmax_tolerance_pct, part.dtmax_tolerance_pct,
        part.qmax_tolerance_pct, part.ac_resistance_tolerance_pct,
    )  # fmt: skip


def sheet_build_of(config: Config) -> data_sheet.Build:
    """Return how the part is built that the config's sheet speaks of."""
    part = config.module
    stacked = part.stages == 2 and part.sheet_covers == "whole_module"
    return data_sheet.Build(
        varies=int(part.temperature_dependence),
        stages=2 if stacked else 1,
        upper_share=part.upper_share,
        middle_contact_w_per_k=1.0 / max(part.middle_contact_k_per_w, 1e-3),
    )


def one_module_of(config: Config) -> tuple[float, float, float]:
    """Return (a, R, K) of one module, or of one stack as seen from outside."""
    part, values = config.module, extraction_of(config).values
    if part.stages == 1 or part.sheet_covers == "whole_module":
        return values
    lower_share = 1.0 - part.upper_share
    seebeck, resistance, conductance = (value / lower_share for value in values)
    return stage.whole(seebeck, resistance, conductance, part.upper_share)


def start_resistance_ohm(config: Config, plant: Plant) -> float:
    """Return the module's resistance [ohm] at start-up in the coldest room: the least there is."""
    return module.resistance_at_ohm(plant.module, config.climate.coldest_c + ZERO_C_K)


def _module(config: Config) -> module.Module:
    part = config.module
    seebeck, resistance, conductance = module.bank(
        one_module_of(config), part.in_series, part.in_parallel, part.derating
    )
    count = part.in_series * part.in_parallel
    # A joint of 1 mK/W is better than any paste: it stands for "none" and keeps 1/R finite.
    return module.Module(
        seebeck_v_per_k=seebeck,
        resistance_ohm=resistance,
        conductance_w_per_k=conductance,
        face_heat_capacity_j_per_k=part.face_heat_capacity_j_per_k * count,
        cold_contact_w_per_k=1.0 / max(part.cold_contact_k_per_w, 1e-3),
        hot_contact_w_per_k=1.0 / max(part.hot_contact_k_per_w, 1e-3),
        temperature_dependence=int(part.temperature_dependence),
        stages=part.stages,
        upper_share=part.upper_share,
        middle_contact_w_per_k=count / max(part.middle_contact_k_per_w, 1e-3),
    )


def _hold_current_a(config: Config, lumped: module.Module) -> float:
    """Return the hold current stated, or the one that cancels the usual day's conduction."""
    if config.drive.off_mode not in ("hold", "reversed"):
        return 0.0
    if config.drive.hold_current_a is not None:
        return config.drive.hold_current_a
    return stage.hold_current_a(
        lumped, config.use.target_c + ZERO_C_K, config.climate.usual_c + ZERO_C_K
    )


def _drive(config: Config, lumped: module.Module) -> drive.Drive:
    supply, part = config.supply, config.drive
    converts = part.kind in ("smoothed", "current")
    converter, converter_curve = drive.loss_curve(
        part.converter_efficiency, part.converter_full_load_w, part.converter_fixed_loss_w
    )
    efficiency, supply_curve = drive.loss_curve(
        supply.efficiency, supply.full_load_w, supply.fixed_loss_w
    )
    rise_v = (supply.charging_voltage_v or supply.voltage_v) - supply.voltage_v
    return drive.Drive(
        kind=drive.DRIVE_KINDS[part.kind],
        supply_v=supply.voltage_v,
        current_limit_a=supply.current_limit_a,
        source_ohm=supply.source_resistance_ohm,
        wire_ohm=drive.wire_resistance_ohm(supply.wire_length_m, supply.wire_mm2)
        + supply.contact_resistance_ohm,
        switch_ohm=part.switch_resistance_ohm,
        converter_efficiency=converter if converts else 1.0,
        ripple=part.ripple if converts else 0.0,
        set_current_a=part.set_current_a or 0.0,
        supply_efficiency=efficiency,
        standby_w=supply.standby_w + supply.fixed_loss_w,
        off_mode=drive.OFF_MODES[part.off_mode],
        hold_current_a=_hold_current_a(config, lumped),
        converter_fixed_w=part.converter_fixed_loss_w if converts else 0.0,
        converter_loss_per_w=converter_curve if converts else 0.0,
        supply_loss_per_w=supply_curve,
        protection=drive.SUPPLY_PROTECTIONS[supply.protection],
        hiccup_s=supply.hiccup_s,
        charging_rise_v=rise_v,
        charging_from_h=supply.charging_from_hour or 0.0,
        charging_to_h=supply.charging_to_hour or 0.0,
    )


def pressure_of(config: Config) -> float:
    """Return the air's pressure where the cabinet stands [Pa]."""
    return fins.pressure_at_altitude_pa(config.climate.altitude_m)


def fin_operating_point(config: Config) -> fins.Through | None:
    """Return where the clean hot sink's fins meet their fan's curve, None without fins."""
    return config.hot_sink.fin_point(pressure_of(config))


def driven_hot_sink(config: Config) -> tuple[float, float]:
    """Return (resistance to the intake [K/W], flow [m3/h]) of the clean hot sink with its fan."""
    return config.hot_sink.driven(pressure_of(config))


def _hot_sink(config: Config) -> heat_sinks.HotSink:
    part, pressure_pa = config.hot_sink, pressure_of(config)
    return heat_sinks.HotSink(
        fan_w_per_k=1.0 / part.with_fan_k_per_w(pressure_pa),
        no_fan_w_per_k=1.0 / part.without_fan_k_per_w(pressure_pa),
        heat_capacity_j_per_k=part.heat_capacity_j_per_k,
        fan_w=part.fan_w,
        foam_share=part.foam_shares_temperature,
        fan_wiring=heat_sinks.FAN_WIRINGS[part.fan_wiring],
        radiation_share=part.radiation_share,
    )


def _cold_sink(config: Config) -> heat_sinks.ColdSink:
    part, thin = config.cold_sink, heat_sinks.thin_air_factor(pressure_of(config))
    return heat_sinks.ColdSink(
        fan_w_per_k=thin / part.fan_k_per_w,
        no_fan_w_per_k=thin / part.no_fan_k_per_w,
        heat_capacity_j_per_k=part.heat_capacity_j_per_k,
        fin_area_m2=part.fin_area_m2,
        fin_gap_m=part.fin_gap_mm * 1e-3,
        fan_w=part.fan_w,
        holds_water_kg=part.holds_water_g * 1e-3,
        drains_outside=part.drained_share,
        fan_wiring=heat_sinks.FAN_WIRINGS[part.fan_wiring],
        frost_density=frost.DENSITIES[part.frost_density],
        frost_conductivity=frost.CONDUCTIVITIES[part.frost_conductivity],
        frost_density_factor=part.frost_density_factor,
        fan_free_flow_share=part.fan_free_flow_share,
        water_film_share=part.water_film_share,
    )


def box_of(config: Config) -> envelope.Box:
    """Return the cabinet's box, its foam at the mean of usual room and target."""
    part = config.cabinet
    foam = part.foam_data()
    conductivity = part.foam_conductivity_w_per_m_k or foam.conductivity_w_per_m_k
    above_c = _wall_mean_c(config) - 10.0
    conductivity += foam.slope_w_per_m_k_per_k * above_c
    thickness = {f"{face}_m": mm * 1e-3 for face, mm in part.face_foam_mm.items()}
    return envelope.Box(
        width_m=part.inside_width_mm * 1e-3,
        depth_m=part.inside_depth_mm * 1e-3,
        height_m=part.inside_height_mm * 1e-3,
        conductivity_w_per_m_k=conductivity,
        inner_layer_m=part.inner_layer_mm * 1e-3,
        inner_layer_w_per_m_k=part.inner_layer_w_per_m_k,
        outer_layer_m=tuple(mm * 1e-3 for mm in part.face_outer_layer_mm.values()),
        outer_layer_w_per_m_k=part.outer_layer_w_per_m_k,
        own_layers=tuple(
            None if own is None else _beside(own, above_c) for own in part.face_layers.values()
        ),
        **thickness,
    )


def _resistance(layer: Layer, above_c: float) -> float:
    """Return a layer's resistance [m2 K/W] that many kelvin above 10 °C."""
    conductivity = layer.conductivity_w_per_m_k + layer.slope_w_per_m_k_per_k * above_c
    return layer.thickness_m / conductivity


def _beside(own: FaceLayers, above_c: float) -> envelope.Beside:
    """Return the layers of one face, added up."""
    inner, outer = (
        (sum(one.thickness_m for one in part), sum(_resistance(one, above_c) for one in part))
        for part in (own.inner, own.outer)
    )
    return envelope.Beside(*inner, *outer)


def _foam_slope_per_k(config: Config, box: envelope.Box) -> float:
    """Return the relative rise of the wall's conductance with its mean temperature [1/K].

    Of every foam by its share in the resistance, over the faces.
    """
    foam, above_c = config.cabinet.foam_data(), _wall_mean_c(config) - 10.0
    rise = foam.slope_w_per_m_k_per_k / box.conductivity_w_per_m_k * box.foam_share
    whole = sum(box.face_m2_k_per_w)
    for own in config.cabinet.face_layers.values():
        for one in () if own is None else own.inner + own.outer:
            resistance = _resistance(one, above_c)
            now = one.thickness_m / resistance
            rise += one.slope_w_per_m_k_per_k / now * resistance / whole
    return rise


def _layers_store_j_per_k(config: Config, box: envelope.Box) -> tuple[float, float]:
    """Return the heat that faces' own layers store, inside and outside the foam [J/K].

    By the inside area of each face; corners are left out.
    """
    inner, outer = 0.0, 0.0
    for own, area in zip(config.cabinet.face_layers.values(), box.face_area_m2, strict=True):
        if own is not None:
            inner += area * sum(one.stored_j_per_m2_k for one in own.inner)
            outer += area * sum(one.stored_j_per_m2_k for one in own.outer)
    return inner, outer


def _wall_mean_c(config: Config) -> float:
    """Return the wall's mean temperature that the foam's conductivity is stated at [°C]."""
    return 0.5 * (config.climate.usual_c + config.use.target_c)


# Share of a wall's film that is convection, the rest radiation. Common practice, no source.
WALL_CONVECTION = 0.5


def _wall_films_w_per_m2_k(config: Config) -> tuple[float, float, float]:
    """Return the walls' films at the cabinet's altitude: inside, inside still, outside."""
    part, thin = config.cabinet, heat_sinks.thin_air_factor(pressure_of(config))
    factor = 1.0 - WALL_CONVECTION + WALL_CONVECTION * thin
    stated = (
        part.inside_film_w_per_m2_k, part.inside_film_fan_stopped_w_per_m2_k,
        part.outside_film_w_per_m2_k,
    )  # fmt: skip
    inside, still, outside = (factor * film for film in stated)
    return inside, still, outside


def heat_leak_parts_w_per_k(config: Config, *, hole_filled: bool = False) -> dict[str, float]:
    """Return the heat leak by part [W/K]; their sum is the whole, with the fan running.

    Foam parts are shares of the foam in series with its two films.  With `hole_filled` the
    module is taken out, and foam stands where it was.
    """
    box, part = box_of(config), config.cabinet
    conduction = envelope.wall_parts_w_per_k(box)
    whole = sum(conduction.values())
    inside, _, outside = _wall_films_w_per_m2_k(config)
    through = envelope.series(
        inside * box.inside_area_m2,
        whole if hole_filled else whole - _opening_foam_w_per_k(config, box),
        outside * box.outside_area_m2,
    )
    parts = {f"foam {name}": through * value / whole for name, value in conduction.items()}
    parts["door seal"] = _seal_w_per_k(config)
    parts["metal through the wall"] = part.metal_w_per_k
    parts["module opening"] = 0.0 if hole_filled else part.module_opening_w_per_k
    room = _climate(config)
    leak = envelope.leak_kg_per_s(
        part.air_changes_per_h / 3600.0, box.volume_m3, room.mean_k, room.humidity_ratio,
        room.pressure_pa,
    )  # fmt: skip
    parts["air leakage"] = leak * (CP_DRY_AIR + room.humidity_ratio * CP_VAPOUR)
    if config.twin is not None:
        foam, leaks = (config.twin.values.get(name, 1.0) for name in ("foam", "leaks"))
        for name in parts:
            parts[name] *= foam if name.startswith("foam ") else leaks
    return parts


def _opening_foam_w_per_k(config: Config, box: envelope.Box) -> float:
    part = config.cabinet
    area = part.module_opening_width_mm * part.module_opening_height_mm * 1e-6
    return area / box.face_m2_k_per_w[1]  # in the back


def _seal_w_per_k(config: Config) -> float:
    part = config.cabinet
    length_m = 2e-3 * (part.door_width_mm + part.door_height_mm)
    return part.seal_w_per_m_k * length_m


def _envelope(config: Config) -> envelope.Envelope:
    box, part = box_of(config), config.cabinet
    foam = part.foam_data()
    whole = sum(envelope.wall_parts_w_per_k(box).values())
    inside, still, outside = _wall_films_w_per_m2_k(config)
    own_inner, own_outer = _layers_store_j_per_k(config, box)
    stored = box.foam_volume_m3 * foam.density_kg_per_m3 * foam.specific_heat_j_per_kg_k
    return envelope.Envelope(
        foam_w_per_k=whole - _opening_foam_w_per_k(config, box),
        inside_film_w_per_k=inside * box.inside_area_m2,
        inside_film_still_w_per_k=still * box.inside_area_m2,
        outside_film_w_per_k=outside * box.outside_area_m2,
        inner_heat_capacity_j_per_k=0.5 * stored + part.lining_heat_capacity_j_per_k + own_inner,
        outer_heat_capacity_j_per_k=0.5 * stored
        + part.outer_layer_heat_capacity_j_per_k
        + own_outer,
        direct_w_per_k=_seal_w_per_k(config) + part.metal_w_per_k + part.module_opening_w_per_k,
        volume_m3=box.volume_m3,
        leak_per_s=part.air_changes_per_h / 3600.0,
        door_width_m=part.door_width_mm * 1e-3,
        door_height_m=part.door_height_mm * 1e-3,
        foam_slope_per_k=_foam_slope_per_k(config, box),
        foam_reference_k=_wall_mean_c(config) + ZERO_C_K,
        coldest_face_factor=envelope.coldest_face_factor(box, inside, outside),
    )


@dataclass(frozen=True)
class ContentsFilms:
    """Films between air and contents [W/(m2 K)], and how well one lump stands for them.

    `outer` ones end at the surface; `core` is from there to the core; `film` and
    `film_still` are what the lump gets (outer and core in a row for bottles, as given where
    the config gives them); `biot` is with the fan running, a given film taken as the outer
    one [-].
    """

    outer: float
    outer_still: float
    core: float
    film: float
    film_still: float
    biot: float


def contents_films(config: Config) -> ContentsFilms:
    """Return the films of a config's contents, taken at their target temperature.

    Goods keep their outer film: how one packet's core lags is told by the Biot number, not
    hidden in a film of a size that was not stated.
    """
    part, target_k = config.contents, config.use.target_c + ZERO_C_K
    height_m, diameter_m = _contents_size_m(part)
    moving, still = (
        convection
        + part.radiating_share * films.radiation_w_per_m2_k(target_k, target_k - films.FILM_RISE_K)
        for convection in _contents_convection(config, height_m, diameter_m)
    )
    given, given_still = part.film_w_per_m2_k, part.film_fan_stopped_w_per_m2_k
    # A film that the config gives is what heat has to pass; the other follows it, so that
    # stopping the fan never improves one.
    moving = max(moving, given_still or 0.0) if given is None else given
    still = min(still, moving) if given_still is None else given_still
    if isinstance(part, Bottles):
        liquid = part.liquid_data()
        core = films.liquid_film_w_per_m2_k(
            target_k, height_m, diameter_m, moving * films.FILM_RISE_K,
            liquid.densest_c, liquid.freezing_c,
        )  # fmt: skip
        found, found_still = (films.series_w_per_m2_k(outer, core) for outer in (moving, still))
        biot = films.bottle_biot(moving, core)
    else:
        conductivity = films.goods_conductivity_w_per_m_k(part.water_share)
        core = films.piece_film_w_per_m2_k(diameter_m, conductivity)
        found, found_still = moving, still
        biot = films.piece_biot(moving, diameter_m, conductivity)
    film = max(found, given_still or 0.0) if given is None else given
    return ContentsFilms(
        outer=moving,
        outer_still=still,
        core=core,
        film=film,
        film_still=min(found_still, film) if given_still is None else given_still,
        biot=biot,
    )


def _contents_size_m(part: Bottles | Goods) -> tuple[float, float]:
    """Return (height, diameter) of one piece [m]."""
    if isinstance(part, Bottles):
        container = part.container_data()
        return container.height_mm * 1e-3, container.diameter_mm * 1e-3
    return part.piece_mm * 1e-3, part.piece_mm * 1e-3


def _contents_convection(config: Config, height_m: float, diameter_m: float) -> tuple[float, float]:
    """Return the films of moved and of still air at the contents, no radiation [W/(m2 K)]."""
    target_k = config.use.target_c + ZERO_C_K
    thin = heat_sinks.thin_air_factor(pressure_of(config))
    moving, still = (
        thin * films.outer_film_w_per_m2_k(target_k, height_m, diameter_m, speed, 0.0)
        for speed in (config.contents.air_speed_m_per_s, 0.0)
    )
    return moving, still


def _contents(config: Config) -> Contents:
    part, film = config.contents, contents_films(config)
    wet, wet_still = (
        float(moist_air.mass_conductance(convection * part.wet_area_m2))
        for convection in _contents_convection(config, *_contents_size_m(part))
    )
    whole = _bottles(part) if isinstance(part, Bottles) else _goods(part)
    free = 1.0 - part.touching_share
    return replace(
        whole,
        film_w_per_k=film.film * free * whole.film_w_per_k,
        film_still_w_per_k=film.film_still * free * whole.film_still_w_per_k,
        supercooling_k=part.supercooling_k if whole.latent_j > 0.0 else 0.0,
        wet_kg_per_s=wet,
        wet_still_kg_per_s=wet_still,
    )


def _bottles(part: Bottles) -> Contents:
    """Return the bottles with films of 1 W/(m2 K)."""
    container, liquid = part.container_data(), part.liquid_data()
    count = max(part.count, 1e-3)  # an empty cabinet keeps a trace, so that 1/C stays finite
    liquid_kg = count * container.volume_l * 1e-3 * liquid.density_kg_per_m3
    shell = count * container.empty_mass_kg * container.wall_specific_heat_j_per_kg_k
    water_kg = liquid_kg * liquid.water_share
    whole = liquid_kg * liquid.specific_heat_j_per_kg_k + shell
    area = (
        count
        * pi
        * 1e-6
        * container.diameter_mm
        * (container.height_mm + 0.25 * container.diameter_mm)
    )  # side and base, as the bottle stands
    return Contents(
        heat_capacity_j_per_k=whole,
        frozen_heat_capacity_j_per_k=whole - water_kg * (4195.0 - CP_ICE),
        latent_j=water_kg * LATENT_FUSION,
        freezing_k=liquid.freezing_c + ZERO_C_K,
        film_w_per_k=area,
        film_still_w_per_k=area,
    )


def _goods(part: Goods) -> Contents:
    """Return the goods with films of 1 W/(m2 K)."""
    mass = max(part.mass_kg, 1e-3)
    water_kg = mass * part.water_share
    whole = mass * part.specific_heat_j_per_kg_k
    frozen = max(whole - water_kg * (4195.0 - CP_ICE), 0.3 * whole)
    return Contents(
        heat_capacity_j_per_k=whole,
        frozen_heat_capacity_j_per_k=frozen,
        latent_j=water_kg * LATENT_FUSION,
        freezing_k=part.freezing_c + ZERO_C_K,
        film_w_per_k=part.surface_m2,
        film_still_w_per_k=part.surface_m2,
    )


def _climate(config: Config) -> Climate:
    room, use, pressure_pa = config.climate, config.use, pressure_of(config)
    temp_k = room.usual_c + ZERO_C_K
    area_m2 = config.cabinet.sunlit_area_m2
    return Climate(
        mean_k=temp_k,
        swing_k=room.daily_swing_k,
        hottest_hour=room.hottest_hour,
        humidity_ratio=humidity_ratio_of(temp_k, room.relative_humidity_pct, pressure_pa),
        doors_per_day=use.door_openings_per_day,
        door_open_s=use.door_open_s,
        door_first_hour=use.door_first_hour,
        door_last_hour=use.door_last_hour,
        load_share=use.load_share,
        load_hour=use.load_hour,
        load_k=use.load_c + ZERO_C_K,
        pressure_pa=pressure_pa,
        sun_w=room.sun_w_per_m2 * area_m2 * config.cabinet.sun_absorptance,
        radiant_w=room.radiant_w_per_m2 * area_m2 * HEAT_ABSORPTANCE,
        sun_from_hour=room.sun_from_hour,
        sun_to_hour=room.sun_to_hour,
    )


def _sensor(part: FittedSensor | None) -> sensors.Sensor:
    if part is None:
        return sensors.Sensor(0, sensors.DIGITAL, sensors.AIR, 15.0, 1e4, 3950.0, 1e4, 1024.0, 0, 0)
    place = part.place if isinstance(part, Sensor) else "air"
    return sensors.Sensor(
        fitted=1,
        kind=sensors.SENSOR_KINDS[part.kind],
        place=sensors.PLACES[place],
        lag_s=max(part.lag_s, SHORTEST_LAG_S),
        r25_ohm=part.r25_ohm,
        beta_k=part.beta_k,
        divider_ohm=part.divider_ohm,
        adc_span=2.0**part.adc_bits,
        noise_k=part.noise_k,
        offset_k=0.0,
    )

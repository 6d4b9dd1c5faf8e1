"""The assembled plant: one state vector, one right-hand side.

States are chosen so that energy and water balance to rounding: wherever water comes
and goes, the state is an enthalpy, and every flow that leaves one state enters another
or the ledger of boundary flows at the end of the vector.
"""

from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any

import numpy as np

from plant import climate as climate_part
from plant import contents as contents_part
from plant import drive as drive_part
from plant import envelope, frost, heat_sinks, module, moist_air, sensors, stage
from plant.compiled import kernel
from plant.constants import ZERO_C_K
from plant.moist_air import (
    CP_DRY_AIR,
    CP_ICE,
    LATENT_FUSION,
)
from plant.state_vector import (
    AIR_H,
    AMBIENT,
    AMBIENT_W,
    BOILING,
    COLD_FACE,
    COLD_FAN,
    COLD_SENSOR,
    COLD_SINK_H,
    COLDEST_K,
    CONTENTS_H,
    CONTROL_SENSOR,
    DEPOSIT,
    DISCONNECTED,
    DOOR,
    DUTY,
    FROST,
    FROST_FROZEN,
    FROST_VOLUME,
    GIVEN_OFF,
    HEAT_IN,
    HOT_FACE,
    HOT_FAN,
    HOT_SENSOR,
    HOT_SINK,
    HOTTEST_K,
    ICE_BEGUN,
    INPUTS,
    LEAST_MASS_KG,
    LOAD_RATE,
    MODULE_COOLING,
    NO_NUMBER,
    OVERDRAWN,
    PHYSICAL_STATES,
    PLUG_ENERGY,
    SENSIBLE,
    SINK_WATER,
    STATE_NAMES,
    STATES,
    SUN,
    SUPPLY_RISE_V,
    THROUGHPUT,
    TOO_COLD,
    TOO_HOT,
    VAPOUR,
    WALL_INNER_H,
    WALL_OUTER,
    WALL_SHADED,
    WALL_WATER,
    WATER_IN,
    WATER_OUT,
    WATERS,
    air_density,
    air_temperature,
    cold_sink_temperature,
    contents_temperature,
    dry_air_kg,
    frost_thickness,
    liquid_enthalpy,
    sense_of,
    set_air,
    set_cold_sink,
    set_contents,
    set_wall_inner,
    stored_energy_j,
    stored_water_kg,
    wall_inner_temperature,
)

# Passed on, so that whoever uses the cabinet need not know where its states are named.
__all__ = [
    "INPUTS", "PHYSICAL_STATES", "WATERS", "STATE_NAMES", "air_density", "stored_energy_j",
    "stored_water_kg", "HOTTEST_K", "COLDEST_K", "LEAST_MASS_KG", "SENSIBLE", "NO_NUMBER",
    "OVERDRAWN", "TOO_HOT", "TOO_COLD", "BOILING", "sense_of", "CP_DRY_AIR",
]  # fmt: skip

# Mist settles on the walls within seconds in moving air. Common practice, no source.
MIST_TIME_S = 3.0


@dataclass(frozen=True)
class Plant:
    """Everything the physics needs to know about one cabinet, its parts and its place."""

    module: module.Module
    drive: drive_part.Drive
    hot_sink: heat_sinks.HotSink
    cold_sink: heat_sinks.ColdSink
    envelope: envelope.Envelope
    contents: contents_part.Contents
    climate: climate_part.Climate
    control_sensor: sensors.Sensor
    hot_sensor: sensors.Sensor
    cold_sensor: sensors.Sensor
    ambient_sensor: sensors.Sensor = sensors.ABSENT


def _dtype_of(part: type) -> np.dtype:
    """Return the structured dtype of a frozen parameter object (nested ones too)."""
    kinds: dict[Any, Any] = {int: "i8", float: "f8"}
    return np.dtype(
        [(f.name, kinds.get(f.type) or _dtype_of(f.type)) for f in fields(part)],  # type: ignore[arg-type]
        align=True,
    )


def _leaves(part: type, above: str = "") -> list[tuple[str, Any]]:
    """Return (dotted name, kind) of every number, in the order of the nested dtype."""
    found: list[tuple[str, Any]] = []
    for f in fields(part):
        kind: Any = f.type
        name, code = above + f.name, {int: "i8", float: "f8"}.get(kind)
        found += [(name, code)] if code else _leaves(kind, f"{name}.")
    return found


PLANT_DTYPE = _dtype_of(Plant)
# The same bytes without nesting: filling that is ten times as quick, and it is done often.
_LEAVES = _leaves(Plant)
_FLAT_DTYPE = np.dtype(_LEAVES)
_values = attrgetter(*(name for name, _ in _LEAVES))
if _FLAT_DTYPE.itemsize != PLANT_DTYPE.itemsize:
    raise TypeError("the plant's record has gaps: it cannot be filled flat")


def to_record(plant: Plant) -> np.record:
    """Return the plant as the record that kernels read (`record.module.seebeck_v_per_k`)."""
    return np.array([_values(plant)], dtype=_FLAT_DTYPE).view(PLANT_DTYPE).view(np.recarray)[0]


# The right-hand side -------------------------------------------------------------------


@kernel
def vapour_flow(conductance_kg_per_s, air_ratio, surface_k, available, pressure_pa):
    """Return the vapour that settles on a surface [kg/s]; negative: the surface dries.

    `available` (0 to 1) fades the drying of a surface that has little left to give.
    """
    if available <= 0.0 and moist_air.surely_unsaturated(surface_k, air_ratio, pressure_pa):
        return 0.0
    saturated = moist_air.saturation_humidity_ratio(surface_k, pressure_pa)
    flow = conductance_kg_per_s * (air_ratio - saturated)
    if flow < 0.0:
        return flow * available
    return flow


@kernel
def cold_sink_film(plant, state, fan):
    """Return (film conductance [W/K], conductance of the frost layer [W/K])."""
    sink = plant.cold_sink
    thickness = frost_thickness(plant, state)
    still = sink.no_fan_w_per_k
    driven = still
    if fan > 0.0:
        # Water that clings between the fins closes the gaps as well (1000 kg/m3).
        water_kg = sink.water_film_share * max(state[SINK_WATER], 0.0)
        water_m = water_kg / (1000.0 * sink.fin_area_m2)
        open_share = frost.open_fraction(thickness + water_m, sink.fin_gap_m)
        factor = frost.blocked_film_factor(open_share, sink.fan_free_flow_share)
        driven = still + fan * (sink.fan_w_per_k - still) * factor
    if thickness < 1e-7:
        return driven, frost.NO_LAYER_W_PER_K
    density = min(max(state[FROST] / state[FROST_VOLUME], 1.0), 917.0)
    conductivity = frost.layer_conductivity(sink.frost_conductivity, density)
    return driven, conductivity * sink.fin_area_m2 / thickness


@kernel
def covers(state):
    """Return how far water and bare frost cover the cold sink [-]; together 1 at most."""
    water_cover = frost.coverage(state[SINK_WATER])
    return water_cover, min(frost.coverage(state[FROST]), 1.0 - water_cover)


@kernel
def foam_conductance(plant, state):
    """Return the wall's conductance, surface to surface, at its own mean temperature [W/K]."""
    box = plant.envelope
    mean_k = 0.5 * (wall_inner_temperature(plant, state) + state[WALL_OUTER])
    return box.foam_w_per_k * (1.0 + box.foam_slope_per_k * (mean_k - box.foam_reference_k))


@kernel
def wall_film(plant, fan):
    """Return the conductance from the air to the inner walls [W/K]."""
    box = plant.envelope
    still = box.inside_film_still_w_per_k
    return still + fan * (box.inside_film_w_per_k - still)


@kernel
def wall_surfaces(plant, state, ambient_k, fan):
    """Return the temperatures of the wall's inside and of its coldest outside face [K].

    The coldest face is the thinnest one, in the shade.
    """
    box = plant.envelope
    quarter = 4.0 * foam_conductance(plant, state)
    air_k, wall_k = air_temperature(plant, state), wall_inner_temperature(plant, state)
    film = wall_film(plant, fan)
    inner_k = air_k + (wall_k - air_k) * quarter / (film + quarter)
    fall = (ambient_k - state[WALL_SHADED]) * quarter / (box.outside_film_w_per_k + quarter)
    return inner_k, ambient_k - box.coldest_face_factor * fall


@kernel
def shaded_wall(plant, state, ambient_k):
    """Return what the outer half of a shaded wall comes to beside the inner half's present [K]."""
    foam = foam_conductance(plant, state)
    film = plant.envelope.outside_film_w_per_k
    outward = film * 4.0 * foam / (film + 4.0 * foam)
    inner_k = wall_inner_temperature(plant, state)
    return (outward * ambient_k + 2.0 * foam * inner_k) / (outward + 2.0 * foam)


@kernel
def contents_water_enthalpy(plant, state, temp_k):
    """Return the enthalpy of the contents' own water or ice [J/kg], 0 at 0 °C and liquid."""
    ice = contents_part.ice_share(plant.contents, state[CONTENTS_H], state[ICE_BEGUN])
    return liquid_enthalpy(temp_k) - ice * LATENT_FUSION


@kernel
def derivative(plant, state, inputs, slope):
    """Write d(state)/dt into `slope`.

    Parameters
    ----------
    plant : record of `Plant`
    state, slope : float array, shape (STATES,)
        SI units as listed above.
    inputs : float array, shape (INPUTS,)
        Ambient, door, duty and fans, constant within a tick.
    """
    ambient_k, ambient_w = inputs[AMBIENT], inputs[AMBIENT_W]
    hot_fan, cold_fan = inputs[HOT_FAN], inputs[COLD_FAN]
    mod, box, sink = plant.module, plant.envelope, plant.cold_sink

    cold_face_k, hot_face_k, hot_sink_k = state[COLD_FACE], state[HOT_FACE], state[HOT_SINK]
    cold_sink_k = cold_sink_temperature(plant, state)
    air_k = air_temperature(plant, state)
    wall_k = wall_inner_temperature(plant, state)
    wall_outer_k = state[WALL_OUTER]
    contents_k = contents_temperature(plant, state)
    air_w = state[VAPOUR] / dry_air_kg(plant)

    # Module and its joints
    _, _, terminal_w, cooling_w, module_w = stage.on_drive(
        mod, plant.drive, inputs[DUTY], cold_face_k, hot_face_k,
        inputs[SUPPLY_RISE_V], inputs[DISCONNECTED],
    )  # fmt: skip
    sink_to_face_w = mod.cold_contact_w_per_k * (cold_sink_k - cold_face_k)
    face_to_hot_w = mod.hot_contact_w_per_k * (hot_face_k - hot_sink_k)

    # Hot side.  A fan never makes a sink worse: far above the room the still film is the better.
    hot_film = plant.hot_sink.fan_w_per_k
    if hot_fan < 1.0 or not heat_sinks.fan_is_better(plant.hot_sink, hot_sink_k, ambient_k):
        still = heat_sinks.still_film(plant.hot_sink, hot_sink_k, ambient_k)
        hot_film = still + hot_fan * max(plant.hot_sink.fan_w_per_k - still, 0.0)
    rejected_w = hot_film * (hot_sink_k - ambient_k)

    # Cabinet air to cold sink, walls, contents
    film, frost_layer = cold_sink_film(plant, state, cold_fan)
    water_cover, frost_cover = covers(state)
    dries = water_cover + frost_cover if inputs[FROST_FROZEN] <= 0.0 else 0.0
    surface_k = frost.surface_temperature(
        film, frost_layer, air_k, air_w, cold_sink_k, dries, plant.climate.pressure_pa
    )
    air_to_sink_w = film * (air_k - surface_k)
    inner_film = wall_film(plant, cold_fan)
    foam = foam_conductance(plant, state)
    quarter = 4.0 * foam
    to_inner = inner_film * quarter / (inner_film + quarter)
    air_to_wall_w = to_inner * (air_k - wall_k)
    wall_surface_k = air_k - air_to_wall_w / inner_film
    through_wall_w = 2.0 * foam * (wall_outer_k - wall_k)
    from_outer = box.outside_film_w_per_k * quarter / (box.outside_film_w_per_k + quarter)
    # What the outside absorbs parts between the room's film and the wall.
    sun_into_wall_w = inputs[SUN] * quarter / (box.outside_film_w_per_k + quarter)
    ambient_to_wall_w = from_outer * (ambient_k - wall_outer_k) + sun_into_wall_w
    contents_film = plant.contents.film_still_w_per_k + cold_fan * (
        plant.contents.film_w_per_k - plant.contents.film_still_w_per_k
    )
    air_to_contents_w = contents_film * (air_k - contents_k)
    direct_w = box.direct_w_per_k * (ambient_k - air_k)
    fan_heat_w = cold_fan * sink.fan_w
    load_w = 0.0
    if inputs[LOAD_RATE] > 0.0:
        brought = contents_part.enthalpy(plant.contents, plant.climate.load_k)
        load_w = inputs[LOAD_RATE] * (brought - state[CONTENTS_H])

    # Air exchanged with the room: equal dry air both ways
    pressure_pa = plant.climate.pressure_pa
    exchange = envelope.leak_kg_per_s(
        box.leak_per_s, box.volume_m3, ambient_k, ambient_w, pressure_pa
    )
    if inputs[DOOR] > 0.0:
        flow = envelope.door_flow_m3_per_s(box.door_width_m, box.door_height_m, air_k, ambient_k)
        exchange += inputs[DOOR] * flow * moist_air.dry_air_density(air_k, air_w, pressure_pa)
    exchange_vapour = exchange * (ambient_w - air_w)
    exchange_w = exchange * (
        moist_air.moist_air_enthalpy(ambient_k, ambient_w)
        - moist_air.moist_air_enthalpy(air_k, air_w)
    )

    # Vapour to the cold sink; what settles is frost, water, or both about 0 °C.  What
    # leaves comes from the water first, and from frost only where no water covers it.
    to_sink = vapour_flow(
        moist_air.mass_conductance(film), air_w, surface_k, water_cover + frost_cover,
        plant.climate.pressure_pa,
    )  # fmt: skip
    fresh_volume = 0.0
    if to_sink >= 0.0:
        as_frost = to_sink * frost.ice_share(surface_k)
        to_sink_enthalpy_w = to_sink * moist_air.vapour_enthalpy(air_k)
        density = frost.fresh_density(sink.frost_density, surface_k, cold_sink_k)
        fresh_volume = as_frost / (density * sink.frost_density_factor)
    else:
        as_frost = to_sink * frost_cover / max(water_cover + frost_cover, 1e-9)
        to_sink_enthalpy_w = to_sink * moist_air.vapour_enthalpy(surface_k)
    as_water = to_sink - as_frost
    settles = max(to_sink, 0.0)
    melt = frost.melting_rate(cold_sink_k, sink.fin_area_m2, state[FROST])
    freeze = frost.freezing_rate(cold_sink_k, sink.fin_area_m2, state[SINK_WATER])
    drip = max(state[SINK_WATER] - sink.holds_water_kg, 0.0) / frost.DRIP_TIME_S
    drip_enthalpy_w = drip * liquid_enthalpy(cold_sink_k)
    drained = drip * sink.drains_outside
    drained_w = drained * liquid_enthalpy(cold_sink_k)
    if inputs[FROST_FROZEN] > 0.0:
        melt, freeze, drip, drip_enthalpy_w, fresh_volume = 0.0, 0.0, 0.0, 0.0, 0.0
        if to_sink < 0.0:
            to_sink, to_sink_enthalpy_w, as_frost, as_water = 0.0, 0.0, 0.0, 0.0
        drained = to_sink
        drained_w = as_water * liquid_enthalpy(cold_sink_k) + as_frost * (
            CP_ICE * (cold_sink_k - ZERO_C_K) - LATENT_FUSION
        )
        drip_enthalpy_w = drained_w
        as_frost, as_water = 0.0, 0.0

    drip_inside_w = drip_enthalpy_w - drained_w
    drip_inside = drip - drained if inputs[FROST_FROZEN] <= 0.0 else 0.0

    # Vapour to walls and floor; half of the film there is convection, half radiation
    to_wall = vapour_flow(
        moist_air.mass_conductance(0.5 * inner_film), air_w, wall_surface_k,
        frost.coverage(state[WALL_WATER]), plant.climate.pressure_pa,
    )  # fmt: skip
    to_wall_from_k = air_k if to_wall >= 0.0 else wall_surface_k
    to_wall_enthalpy_w = to_wall * moist_air.vapour_enthalpy(to_wall_from_k)
    # Damp air let in by the door turns to mist as it cools; the mist wets the walls and
    # leaves its latent heat in the air.
    mist = 0.0
    if not moist_air.surely_unsaturated(air_k, air_w, plant.climate.pressure_pa):
        excess = air_w - moist_air.saturation_humidity_ratio(air_k, plant.climate.pressure_pa)
        mist = max(excess, 0.0) * dry_air_kg(plant) / MIST_TIME_S
    mist_enthalpy_w = mist * liquid_enthalpy(air_k)

    # Vapour to or from wet contents; what they give off is booked as coming in with its heat.
    to_contents, to_contents_w, their_water_w = 0.0, 0.0, 0.0
    if plant.contents.wet_kg_per_s > 0.0:
        wet = plant.contents.wet_still_kg_per_s + cold_fan * (
            plant.contents.wet_kg_per_s - plant.contents.wet_still_kg_per_s
        )
        to_contents = vapour_flow(wet, air_w, contents_k, 1.0, plant.climate.pressure_pa)
        from_k = air_k if to_contents >= 0.0 else contents_k
        to_contents_w = to_contents * moist_air.vapour_enthalpy(from_k)
        their_water_w = to_contents * contents_water_enthalpy(plant, state, contents_k)

    # Balances
    slope[COLD_FACE] = (sink_to_face_w - cooling_w) / mod.face_heat_capacity_j_per_k
    slope[HOT_FACE] = (cooling_w + module_w - face_to_hot_w) / mod.face_heat_capacity_j_per_k
    slope[HOT_SINK] = (face_to_hot_w - rejected_w) / plant.hot_sink.heat_capacity_j_per_k
    slope[COLD_SINK_H] = air_to_sink_w - sink_to_face_w + to_sink_enthalpy_w - drip_enthalpy_w
    slope[AIR_H] = (
        direct_w + exchange_w + fan_heat_w
        - air_to_sink_w - air_to_wall_w - air_to_contents_w
        - to_sink_enthalpy_w - to_wall_enthalpy_w - mist_enthalpy_w - to_contents_w
    )  # fmt: skip
    slope[WALL_INNER_H] = (
        air_to_wall_w + through_wall_w + to_wall_enthalpy_w + drip_inside_w + mist_enthalpy_w
    )
    slope[WALL_OUTER] = (ambient_to_wall_w - through_wall_w) / box.outer_heat_capacity_j_per_k
    slope[CONTENTS_H] = air_to_contents_w + load_w + to_contents_w - their_water_w
    slope[VAPOUR] = exchange_vapour - to_sink - to_wall - mist - to_contents
    slope[FROST] = as_frost + freeze - melt
    # Frost that goes takes its share of the volume; water freezes solid into the pores.
    lost = melt - min(as_frost, 0.0)
    slope[FROST_VOLUME] = fresh_volume + freeze / frost.GREATEST_DENSITY
    if state[FROST] > 1e-12:
        slope[FROST_VOLUME] -= lost * state[FROST_VOLUME] / state[FROST]
    slope[SINK_WATER] = as_water + melt - freeze - drip
    slope[WALL_WATER] = to_wall + drip_inside + mist

    place = plant.control_sensor.place
    sensed_k = air_k
    if place == sensors.COLD_SINK:
        sensed_k = cold_sink_k
    elif place == sensors.CONTENTS:
        sensed_k = contents_k
    slope[CONTROL_SENSOR] = (sensed_k - state[CONTROL_SENSOR]) / plant.control_sensor.lag_s
    slope[HOT_SENSOR] = (hot_sink_k - state[HOT_SENSOR]) / plant.hot_sensor.lag_s
    slope[COLD_SENSOR] = (cold_sink_k - state[COLD_SENSOR]) / plant.cold_sensor.lag_s
    slope[ICE_BEGUN] = 0.0
    slope[WALL_SHADED] = (
        from_outer * (ambient_k - state[WALL_SHADED]) + 2.0 * foam * (wall_k - state[WALL_SHADED])
    ) / box.outer_heat_capacity_j_per_k

    slope[HEAT_IN] = (
        module_w + fan_heat_w + ambient_to_wall_w + direct_w + exchange_w + load_w
        - rejected_w - drained_w - their_water_w
    )  # fmt: skip
    fans_w = hot_fan * plant.hot_sink.fan_w + fan_heat_w
    slope[PLUG_ENERGY] = drive_part.plug_power(plant.drive, terminal_w + fans_w)
    slope[WATER_IN] = exchange_vapour - to_contents
    slope[WATER_OUT] = drained
    slope[THROUGHPUT] = (
        abs(module_w) + fan_heat_w + abs(ambient_to_wall_w) + abs(direct_w) + abs(exchange_w)
        + abs(load_w) + abs(rejected_w) + abs(drained_w) + abs(their_water_w)
    )  # fmt: skip
    slope[MODULE_COOLING] = cooling_w
    slope[DEPOSIT] = settles
    slope[GIVEN_OFF] = -to_contents


@kernel
def swap_contents(plant, state, share, load_k):
    """Exchange a share of the contents for warm ones and book the heat they bring."""
    brought = contents_part.enthalpy(plant.contents, load_k)
    gain = share * (brought - state[CONTENTS_H])
    state[CONTENTS_H] += gain
    state[HEAT_IN] += gain
    state[THROUGHPUT] += abs(gain)
    if brought < 0.0:
        state[ICE_BEGUN] = 1.0  # ice that is put in seeds the rest


@kernel
def begin_ice(plant, state):
    """Note after a tick whether ice has begun in the contents, or all of it has melted."""
    state[ICE_BEGUN] = contents_part.ice_begins(plant.contents, state[CONTENTS_H], state[ICE_BEGUN])


def uniform_state(plant: Plant, temp_k: float, humidity_ratio: float) -> np.ndarray:
    """Return the state, shape (STATES,), of a cabinet that is at one temperature throughout.

    Parameters
    ----------
    temp_k : float
        Temperature of every node [K].
    humidity_ratio : float
        Of the air inside [-]; capped at saturation.
    """
    record = to_record(plant)
    state = np.zeros(STATES)
    state[[COLD_FACE, HOT_FACE, HOT_SINK, WALL_OUTER, WALL_SHADED]] = temp_k
    state[[CONTROL_SENSOR, HOT_SENSOR, COLD_SENSOR]] = temp_k
    saturated = moist_air.saturation_humidity_ratio(temp_k, plant.climate.pressure_pa)
    ratio = min(humidity_ratio, saturated)
    set_air(record, state, temp_k, ratio)
    set_cold_sink(record, state, temp_k)
    set_wall_inner(record, state, temp_k)
    set_contents(record, state, temp_k)
    return state

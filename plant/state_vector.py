"""The state vector: the order of its numbers and of the inputs, reading and setting them.

Kernels take a record of `plant.cabinet.Plant` for the heat capacities.
"""

import numpy as np

from plant import contents as contents_part
from plant import moist_air
from plant.compiled import kernel
from plant.constants import STANDARD_PRESSURE_PA, ZERO_C_K
from plant.moist_air import (
    CP_DRY_AIR,
    CP_ICE,
    CP_LIQUID,
    CP_VAPOUR,
    LATENT_FUSION,
    LATENT_VAPORISATION_0C,
)

# State vector ---------------------------------------------------------------------
COLD_FACE = 0  # temperature of the module's cold face [K]
HOT_FACE = 1  # ... hot face [K]
HOT_SINK = 2  # [K]
COLD_SINK_H = 3  # enthalpy of cold sink with its frost and water, 0 at 0 °C and liquid [J]
AIR_H = 4  # enthalpy of cabinet air with its vapour [J]
WALL_INNER_H = 5  # enthalpy of the inner half of the wall with its water or ice [J]
WALL_OUTER = 6  # temperature of the outer half of the wall [K]
CONTENTS_H = 7  # enthalpy of the contents, 0 at freezing point and liquid [J]
VAPOUR = 8  # vapour in the cabinet air [kg]
FROST = 9  # frost on the cold sink [kg]
FROST_VOLUME = 10  # [m3]
SINK_WATER = 11  # liquid on the cold sink [kg]
WALL_WATER = 12  # water or ice on walls and floor inside [kg]
CONTROL_SENSOR = 13  # the sensors' own temperatures [K]
HOT_SENSOR = 14
COLD_SENSOR = 15
ICE_BEGUN = 16  # 1 once ice has begun in the contents; constant within a tick
WALL_SHADED = 17  # outer half of a wall that no sun falls on; it only looks on [K]
PHYSICAL_STATES = 18
WATERS = (VAPOUR, FROST, SINK_WATER, WALL_WATER)
# Ledger: integrals of what crosses the boundary
HEAT_IN = 18  # net energy into cabinet, module and sinks together [J]
PLUG_ENERGY = 19  # at mains plug or battery terminals [J]
WATER_IN = 20  # net vapour through leaks and door, and what the contents give off [kg]
WATER_OUT = 21  # drained water [kg]
THROUGHPUT = 22  # sum of the sizes of all boundary energy flows [J]
MODULE_COOLING = 23  # heat the module took from the cold face [J]
DEPOSIT = 24  # vapour that settled on the cold sink, as ice or water [kg]
GIVEN_OFF = 25  # water that wet contents gave to the air, net; a part of WATER_IN [kg]
STATES = 26  # an even number, see `integrate`

STATE_NAMES = (
    "cold_face", "hot_face", "hot_sink", "cold_sink_h", "air_h", "wall_inner_h", "wall_outer",
    "contents_h", "vapour", "frost", "frost_volume", "sink_water", "wall_water",
    "control_sensor", "hot_sensor", "cold_sensor", "ice_begun",
    "wall_shaded",
    "heat_in", "plug_energy", "water_in", "water_out", "throughput", "module_cooling",
    "deposit", "given_off",
)  # fmt: skip

# Inputs, constant during one tick ---------------------------------------------------
AMBIENT = 0  # [K]
AMBIENT_W = 1  # humidity ratio [-]
DOOR = 2  # share of the time the door is open, 0 or 1 in a simulation
DUTY = 3
HOT_FAN = 4  # 0 to 1
COLD_FAN = 5
# For steady states only; a simulation leaves them 0:
LOAD_RATE = 6  # share of the contents exchanged for warm ones per second [1/s]
FROST_FROZEN = 7  # 1: what settles on the cold sink is taken away, frost and water stay
SUPPLY_RISE_V = 8  # supply above its usual voltage, as a battery on charge [V]
DISCONNECTED = 9  # 1: an idle module is an open circuit, whatever the drive's off mode
SUN = 10  # sun and heat radiation that the outside absorbs [W]
INPUTS = 11


# Reading the state -------------------------------------------------------------------


@kernel
def air_density(plant):
    """Return the density of the cabinet's air [kg/m3]: 1.27, air at 5 °C, times p/p0."""
    return 1.27 * (plant.climate.pressure_pa / STANDARD_PRESSURE_PA)


@kernel
def dry_air_kg(plant):
    """Return the dry air in the cabinet [kg], taken as constant.

    Of air at 5 °C; over 0..25 °C the true mass differs by up to 7 %, which changes the
    air node's small heat capacity and no steady flow.
    """
    return air_density(plant) * plant.envelope.volume_m3


@kernel
def air_temperature(plant, state):
    """Return the cabinet air's temperature [K] from its enthalpy and vapour."""
    capacity = dry_air_kg(plant) * CP_DRY_AIR + state[VAPOUR] * CP_VAPOUR
    return ZERO_C_K + (state[AIR_H] - state[VAPOUR] * LATENT_VAPORISATION_0C) / capacity


@kernel
def cold_sink_temperature(plant, state):
    """Return the cold sink's temperature [K] from its enthalpy, frost and water."""
    capacity = (
        plant.cold_sink.heat_capacity_j_per_k
        + state[FROST] * CP_ICE
        + state[SINK_WATER] * CP_LIQUID
    )
    return ZERO_C_K + (state[COLD_SINK_H] + state[FROST] * LATENT_FUSION) / capacity


@kernel
def wall_inner_temperature(plant, state):
    """Return the temperature of the inner half of the wall [K].

    The water on it freezes at 0 °C: the enthalpy falls by its latent heat before the
    temperature does.
    """
    capacity = plant.envelope.inner_heat_capacity_j_per_k
    enthalpy, water = state[WALL_INNER_H], max(state[WALL_WATER], 0.0)
    if enthalpy >= 0.0:
        return ZERO_C_K + enthalpy / (capacity + water * CP_LIQUID)
    latent = water * LATENT_FUSION
    if enthalpy >= -latent:
        return ZERO_C_K
    return ZERO_C_K + (enthalpy + latent) / (capacity + water * CP_ICE)


@kernel
def contents_temperature(plant, state):
    """Return the contents' temperature [K]."""
    return contents_part.lump_temperature(plant.contents, state[CONTENTS_H], state[ICE_BEGUN])


@kernel
def frost_thickness(plant, state):
    """Return the mean thickness of the frost on the fins [m]."""
    return max(state[FROST_VOLUME], 0.0) / plant.cold_sink.fin_area_m2


@kernel
def liquid_enthalpy(temp_k):
    """Return the enthalpy of liquid water [J/kg], 0 at 0 °C."""
    return CP_LIQUID * (temp_k - ZERO_C_K)


@kernel
def stored_energy_j(plant, state):
    """Return the energy stored in all nodes [J], from the states alone."""
    face = plant.module.face_heat_capacity_j_per_k
    return (
        face * (state[COLD_FACE] + state[HOT_FACE] - 2.0 * ZERO_C_K)
        + plant.hot_sink.heat_capacity_j_per_k * (state[HOT_SINK] - ZERO_C_K)
        + plant.envelope.outer_heat_capacity_j_per_k * (state[WALL_OUTER] - ZERO_C_K)
        + state[COLD_SINK_H]
        + state[AIR_H]
        + state[WALL_INNER_H]
        + state[CONTENTS_H]
    )


@kernel
def stored_water_kg(state):
    """Return the water in the cabinet in every form [kg]."""
    return state[VAPOUR] + state[FROST] + state[SINK_WATER] + state[WALL_WATER]


# Where the model ends. Above 250 °C every solder of a module has melted (138 to 232 °C, from
# memory); 150 K is far below what any module reaches, and the end of its leg properties.
HOTTEST_K, COLDEST_K = ZERO_C_K + 250.0, 150.0
LEAST_MASS_KG = -1e-9  # rounding; a mass further below nothing was overdrawn
SENSIBLE, NO_NUMBER, OVERDRAWN, TOO_HOT, TOO_COLD, BOILING = 0, 1, 2, 3, 4, 5


@kernel
def sense_of(plant, state):
    """Return (what is wrong, index of the state it is wrong with); (SENSIBLE, -1) if nothing.

    Inside the cabinet water must not boil: the air's humidity has no meaning beyond.
    """
    for index in range(state.size):
        if not np.isfinite(state[index]):
            return NO_NUMBER, index
    for index in WATERS:
        if state[index] < LEAST_MASS_KG:
            return OVERDRAWN, index
    for index in (COLD_FACE, HOT_FACE, HOT_SINK, WALL_OUTER):
        if state[index] > HOTTEST_K:
            return TOO_HOT, index
        if state[index] < COLDEST_K:
            return TOO_COLD, index
    inside = (
        (cold_sink_temperature(plant, state), COLD_SINK_H),
        (air_temperature(plant, state), AIR_H),
        (wall_inner_temperature(plant, state), WALL_INNER_H),
        (contents_temperature(plant, state), CONTENTS_H),
    )
    for temp_k, index in inside:
        if temp_k < COLDEST_K:
            return TOO_COLD, index
        if moist_air.saturation_pressure(temp_k) > plant.climate.pressure_pa:
            return BOILING, index
    return SENSIBLE, -1


# Setting it ----------------------------------------------------------------------------


def set_air(record: np.record, state: np.ndarray, temp_k: float, ratio: float) -> None:
    """Set the air's temperature [K] and humidity ratio [-] in `state`."""
    state[VAPOUR] = ratio * dry_air_kg(record)
    state[AIR_H] = dry_air_kg(record) * moist_air.moist_air_enthalpy(temp_k, ratio)


def set_cold_sink(record: np.record, state: np.ndarray, temp_k: float) -> None:
    """Set the cold sink's temperature [K], with the frost and water that `state` holds."""
    capacity = (
        record.cold_sink.heat_capacity_j_per_k
        + state[FROST] * CP_ICE
        + state[SINK_WATER] * CP_LIQUID
    )
    state[COLD_SINK_H] = capacity * (temp_k - ZERO_C_K) - state[FROST] * LATENT_FUSION


def set_contents(record: np.record, state: np.ndarray, temp_k: float) -> None:
    """Set the contents' temperature [K]: all ice below their freezing point, else all liquid."""
    state[CONTENTS_H] = contents_part.enthalpy(record.contents, temp_k)
    state[ICE_BEGUN] = 1.0 if temp_k < record.contents.freezing_k else 0.0


def set_wall_inner(record: np.record, state: np.ndarray, temp_k: float) -> None:
    """Set the inner wall's temperature [K], with the water that `state` holds; ice below 0 °C."""
    above_k = temp_k - ZERO_C_K
    water = state[WALL_WATER]
    own_j = record.envelope.inner_heat_capacity_j_per_k * above_k
    if above_k >= 0.0:
        state[WALL_INNER_H] = own_j + water * CP_LIQUID * above_k
    else:
        state[WALL_INNER_H] = own_j + water * (CP_ICE * above_k - LATENT_FUSION)

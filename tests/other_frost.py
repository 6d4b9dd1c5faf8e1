"""Moisture and frost for the second cabinet, by another route than the package's.

The package diffuses vapour to the frost's surface (Lewis relation), lets density depend on
temperature and works with humidity ratios and a Magnus form.  Here the sink is a coil with a
bypass factor: a share of the fan's flow leaves saturated at the fins' temperature; water is
counted in kg/m3 of vapour; saturation follows Clausius and Clapeyron with fixed latent heats;
frost has one density and conductivity, and takes flow away by a fan line and a pressure loss
that goes with the inverse square of the open share.  Numbers invented unless told otherwise.
"""

from dataclasses import dataclass

import numpy as np

ZERO_C = 273.15
R_VAPOUR, LATENT_WATER, LATENT_ICE = 461.5, 2.50e6, 2.834e6  # J/(kg K), J/kg (textbook)
FUSION = LATENT_ICE - LATENT_WATER
VAPOUR, ICE, WATER = range(3)  # after the dry plant's states: kg/m3 in the air, kg, kg
STATES = 3


@dataclass(frozen=True)
class Moisture:
    """What brings water in and where it settles; SI units."""

    volume_m3: float
    room_share: float  # of saturation
    leak_per_s: float
    source_kg_per_s: float  # wet goods that no config knows of
    flow_m3_per_s: float  # of the inside fan through the clean sink
    still_share: float  # of that flow, with the fan stopped
    contact: float  # share of the flow that leaves saturated
    area_m2: float
    gap_m: float
    frost_density: float = 220.0
    frost_conductivity: float = 0.15
    melt_w_per_k: float = 9.0


def saturated(temp_k):
    """Return vapour at saturation [kg/m3], over ice below 0 °C."""
    latent = LATENT_ICE if temp_k < ZERO_C else LATENT_WATER
    pressure = 611.2 * np.exp(latent / R_VAPOUR * (1.0 / ZERO_C - 1.0 / temp_k))
    return pressure / (R_VAPOUR * temp_k)


def start(moisture, room_k, cold_k):
    """Return the states at the start: the room's air, the sink clean."""
    vapour = min(moisture.room_share * saturated(room_k), saturated(cold_k))
    return np.array([vapour, 0.0, 0.0])


def flow_share(moisture, ice_kg):
    """Return the flow through the frosted sink over that through the clean one [-].

    Where a falling fan line, 1 - v/2, meets the sink's loss, v/2 at first, times open^-2.
    """
    layer_m = ice_kg / (moisture.frost_density * moisture.area_m2)
    open_share = max(1.0 - 2.0 * layer_m / moisture.gap_m, 0.05)
    return 1.0 / (0.5 + 0.5 * open_share**-2)


def frosted(moisture, ice_kg, whole, base_fins):
    """Return air to base [K/W] of a sink that was `whole` when clean: less air, and a layer."""
    film = (whole - base_fins) / flow_share(moisture, ice_kg) ** 0.6
    conducts = moisture.frost_density * moisture.frost_conductivity * moisture.area_m2**2
    return base_fins + film + ice_kg / conducts


def flows(moisture, own, air_k, fins_k, room_k, cold_fan):
    """Return (slopes of the three states, heat given to the fins [W])."""
    vapour, ice, water = own
    share = max(cold_fan, moisture.still_share) * flow_share(moisture, max(ice, 0.0))
    # Half frozen at 0 °C, all 0.2 K below: an integrator would stumble over a jump.
    freezes = min(max(0.5 - (fins_k - ZERO_C) / 0.4, 0.0), 1.0)
    settles = moisture.contact * moisture.flow_m3_per_s * share * (vapour - saturated(fins_k))
    if settles < 0.0:
        settles *= min(max((ice + (1.0 - freezes) * water) / 5e-4, 0.0), 1.0)
    leaked = moisture.leak_per_s * (moisture.room_share * saturated(room_k) - vapour)
    into_air = leaked + (moisture.source_kg_per_s - settles) / moisture.volume_m3
    # Not over saturation at the air's own temperature for long: mist, gone in a minute.
    into_air -= max(vapour - saturated(air_k), 0.0) / 60.0
    melts = moisture.melt_w_per_k * max(fins_k - ZERO_C, 0.0) / FUSION
    melts *= min(max(ice / 5e-4, 0.0), 1.0)
    to_ice = settles * (1.0 if settles < 0.0 and ice > 0.0 else freezes)
    drains = water / 120.0
    slope = np.array([into_air, to_ice - melts, settles - to_ice + melts - drains])
    latent = to_ice * LATENT_ICE + (settles - to_ice) * LATENT_WATER - melts * FUSION
    return slope, latent

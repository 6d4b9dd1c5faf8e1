"""Short runs of the whole firmware on the whole plant, by which PI gains are compared.

Each room starts in its steady state.  After ten minutes the door opens once; an hour later the
setpoint is turned down by a kelvin.  What counts is the integral of the absolute error at the
control sensor's place, and how far the duty travels for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrl.build import at_ambient, humidity_at
from ctrl.capability import coldest_holdable, limits_of, sensed_k
from ctrl.config import Config
from ctrl.findings import DAY_S
from ctrl.firmware import Settings, firmware_of
from ctrl.record import Record
from ctrl.trial import loop_at, nearest_point, warm_state
from plant import sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

PLACE_COLUMNS = {
    sensors.AIR: "air_c", sensors.COLD_SINK: "cold_sink_c", sensors.CONTENTS: "contents_c",
}  # fmt: skip
ROW_S = 10.0
DOOR_AT_S, STEP_AT_S, END_S = 600.0, 4200.0, 7800.0
STEP_K = 1.0
SHORTEST_DOOR_S = 15.0
HEADROOM_K = 1.5  # the point held lies this far above the coldest: the law must have room
LEAST_DUTY = 0.02  # a room that holds by itself tells nothing
BACK_WITHIN_K = 0.2  # of where it was: recovered
WANDER_PCT = 5.0  # a turn of the duty counts when it comes back by this much
MOVEMENT_WEIGHT = 0.1  # of the cost; by choice: a tenth for the drive, the rest for the cabinet


@dataclass(frozen=True)
class Room:
    """A quiet room with the steady point that is held in it.

    `gain` stands for the plant's share in a comparison of parts that are off [-].
    """

    name: str
    plant: Plant
    point: Operating

    @property
    def setpoint_c(self) -> float:
        """Reading there [°C]."""
        return round(sensed_k(self.plant, self.point) - ZERO_C_K, 2)


def quiet(plant: Plant) -> Plant:
    """Return the plant in a constant room, door shut, nothing loaded, no sun."""
    return replace(
        plant,
        climate=replace(plant.climate, swing_k=0.0, doors_per_day=0, load_share=0.0, sun_w=0.0),
    )


def room_of(config: Config, plant: Plant, name: str, ambient_c: float) -> Room | None:
    """Return a room's steady point, or None where the module has nothing to do in it."""
    moved = quiet(at_ambient(plant, ambient_c, humidity_at(config, ambient_c)))
    coldest = coldest_holdable(moved, ambient_c + ZERO_C_K, limits_of(config))
    wanted_k = max(config.use.target_c + ZERO_C_K, coldest.point.contents_k + HEADROOM_K)
    point = nearest_point(moved, wanted_k, coldest)
    return Room(name, moved, point) if point.duty >= LEAST_DUTY else None


def rooms_of(config: Config, plant: Plant) -> list[Room]:
    """Return the usual and the worst room, as far as the module works in them."""
    named = {"usual": config.climate.usual_c, "worst": config.climate.worst_c}
    found = (room_of(config, plant, name, ambient_c) for name, ambient_c in named.items())
    return [room for room in found if room is not None]


@dataclass(frozen=True)
class Response:
    """What one room shows.

    Attributes
    ----------
    door_error_k_s, step_error_k_s : float
        Integral of the absolute error at the sensor's place after door and step [K s].
    movement_pct : float
        How far the duty travels, means of 10 s [%].
    recovery_s : float
        From the door's opening until within 0.2 K for good [s].
    step_overshoot_k : float
        How far below the turned-down setpoint the sensor's place comes [K].
    """

    door_error_k_s: float
    step_error_k_s: float
    movement_pct: float
    recovery_s: float
    step_overshoot_k: float


def place_c(plant: Plant, record: Record) -> np.ndarray:
    """Return the temperature at the control sensor's place, shape (rows,) [°C]."""
    return np.asarray(record[PLACE_COLUMNS[plant.control_sensor.place]])


def respond(config: Config, settings: Settings, room: Room) -> Response:
    """Return what door and setpoint step do in one room."""
    door_s = max(config.use.door_open_s, SHORTEST_DOOR_S)
    climate = replace(
        room.plant.climate, doors_per_day=1, door_open_s=door_s, door_first_hour=DOOR_AT_S / 3600.0
    )
    plant = replace(room.plant, climate=climate)
    held = replace(settings, setpoint_c=room.setpoint_c, defrost=None)
    loop = loop_at(plant, firmware_of(config, held), room.point)
    first = loop.run(STEP_AT_S, ROW_S)
    loop.turn_setpoint(round(100.0 * (held.setpoint_c - STEP_K)))
    second = loop.run(END_S - STEP_AT_S, ROW_S)
    at_door = round(DOOR_AT_S / ROW_S)
    before = place_c(plant, first) - held.setpoint_c
    after = place_c(plant, second) - (held.setpoint_c - STEP_K)
    off = np.nonzero(np.abs(before[at_door:]) > BACK_WITHIN_K)[0]
    duty = np.concatenate([first["duty"], second["duty"]])
    return Response(
        door_error_k_s=ROW_S * float(np.sum(np.abs(before[at_door:]))),
        step_error_k_s=ROW_S * float(np.sum(np.abs(after))),
        movement_pct=100.0 * float(np.sum(np.abs(np.diff(duty)))),
        recovery_s=ROW_S * float(off[-1] + 1) if off.size else 0.0,
        step_overshoot_k=max(0.0, -float(np.min(after))),
    )


def cost_of(found: Sequence[Response], start: Sequence[Response]) -> float:
    """Return the cost relative to another setting's in the same rooms: 1 is equal [-]."""
    total = 0.0
    for mine, theirs in zip(found, start, strict=True):
        error = 0.5 * (
            mine.door_error_k_s / theirs.door_error_k_s
            + mine.step_error_k_s / theirs.step_error_k_s
        )
        moved = mine.movement_pct / max(theirs.movement_pct, 1.0)
        total += (1.0 - MOVEMENT_WEIGHT) * error + MOVEMENT_WEIGHT * moved
    return total / len(found)


def pull_down_overshoot_k(config: Config, settings: Settings, plant: Plant) -> float:
    """Return how far the sensor's place falls below the setpoint after a warm start [K]."""
    from ctrl.loop import Loop

    still = quiet(plant)
    held = replace(settings, defrost=None)
    loop = Loop(still, firmware_of(config, held), warm_state(still, config))
    record = loop.run(DAY_S, ROW_S)
    return max(0.0, held.setpoint_c - float(np.min(place_c(still, record))))


def parts_off(plant: Plant, factor: float) -> list[Plant]:
    """Return the plant with each part that sets the pace of the air off by a factor."""
    sink, sensor, module = plant.cold_sink, plant.control_sensor, plant.module
    return [
        replace(plant, cold_sink=replace(
            sink, heat_capacity_j_per_k=sink.heat_capacity_j_per_k * factor)),
        replace(plant, module=replace(
            module, cold_contact_w_per_k=module.cold_contact_w_per_k * factor)),
        replace(plant, control_sensor=replace(sensor, lag_s=sensor.lag_s * factor)),
    ]  # fmt: skip


def turns(values: np.ndarray, least: float) -> int:
    """Return how often a signal turns round and comes back by at least `least`."""
    count, way, far = 0, 0, float(values[0])
    for value in values:
        if way >= 0 and value < far - least:
            count, way, far = count + (way > 0), -1, float(value)
        elif way <= 0 and value > far + least:
            count, way, far = count + (way < 0), 1, float(value)
        elif (way >= 0 and value > far) or (way < 0 and value < far):
            far = float(value)
    return count


def reversals_per_hour(config: Config, settings: Settings, room: Room) -> float:
    """Return how often the duty turns round by 5 % in a quiet hour, noise and all [1/h]."""
    held = replace(settings, setpoint_c=room.setpoint_c, defrost=None)
    loop = loop_at(room.plant, firmware_of(config, held), room.point)
    loop.run(1800.0, ROW_S)
    record = loop.run(3600.0, max(ROW_S, settings.window_s))
    return float(turns(100.0 * record["duty"], WANDER_PCT))


@dataclass(frozen=True)
class Daily:
    """A day with the room's own swing, door shut.

    `air_range_k` is the range of the hourly means at the sensor's place, `error_k` their mean
    absolute deviation from the day's mean, `contents_range_k` that of the contents [K].
    """

    air_range_k: float
    error_k: float
    contents_range_k: float


def daily(config: Config, settings: Settings, room: Room) -> Daily:
    """Return what the room's daily swing does to air and contents on the second day."""
    climate = replace(room.plant.climate, swing_k=config.climate.daily_swing_k)
    plant = replace(room.plant, climate=climate)
    held = replace(settings, setpoint_c=room.setpoint_c, defrost=None)
    loop = loop_at(plant, firmware_of(config, held), room.point)
    loop.run(DAY_S, 60.0)
    record = loop.run(DAY_S, 60.0)
    hours = place_c(plant, record).reshape(24, 60).mean(axis=1)
    contents = record["contents_c"]
    return Daily(
        float(np.ptp(hours)), float(np.mean(np.abs(hours - hours.mean()))), float(np.ptp(contents))
    )


def steady_slope_pct_per_k(config: Config, plant: Plant, room: Room) -> float:
    """Return how much more duty a kelvin of the room needs, contents held [% per K].

    From two steady states, half the daily swing (at least 2 K) to each side, as far as both
    can be held.
    """
    reach_k = max(0.5 * config.climate.daily_swing_k, 2.0)
    ambient_c = room.plant.climate.mean_k - ZERO_C_K
    duties = []
    for there_c in (ambient_c - reach_k, ambient_c + reach_k):
        moved = quiet(at_ambient(plant, there_c, humidity_at(config, there_c)))
        coldest = coldest_holdable(moved, there_c + ZERO_C_K, limits_of(config))
        duties.append(nearest_point(moved, room.point.contents_k, coldest).duty)
    return max(100.0 * (duties[1] - duties[0]) / (2.0 * reach_k), 0.0)

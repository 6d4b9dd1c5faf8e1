"""The test rig of the fault drills: a running loop whose parts fail and are mended.

A failed part is another plant from that moment on; a sensor that looks at the wrong thing is
led by hand between short pieces of the run.  The firmware is the one that is flashed, untouched.
"""

from collections.abc import Callable
from dataclasses import replace
from math import exp

import numpy as np

from ctrl.config import Config
from ctrl.controllers import Outside, UserLaw
from ctrl.drill_devices import Device
from ctrl.firmware import Firmware, Settings
from ctrl.loop import FAULT, OWN_ALARM, STATE_WORDS, TRIPPED, NotFinite
from ctrl.outside_loop import OutsideLoop, loop_around
from ctrl.protection import OUTSIDE_REASONS, P_WARNING, REASONS
from ctrl.record import INDEX
from plant import cabinet, heat_sinks, sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.drive import SWITCH_SOUND

ROW_S = 10.0
# A sensor led by hand moves in the finest steps at first and after each event, then the finer
# the further it lags: steps stay below what the firmware disbelieves.
FINE_S, FINE_FOR_S = 1.0, 120.0
LED_STEPS = ((1.0, 5.0), (0.3, 20.0), (0.0, 60.0))  # (lags by more than [K], step [s])
# How often an independent device looks, and how often when it is about to act: a sink without its
# fan warms by ten kelvin a minute.
DEVICE_STEP_S, NEAR_STEP_S = 30.0, 2.0
NEVER_S = 1e15  # lag of a sensor that is led by hand, or stuck

# States that only a drill knows, beside those of `ctrl.loop`.
CHECKSUM, HALTED = 90, 91
DRILL_STATES = STATE_WORDS | {
    CHECKSUM: "off, settings fail their checksum",
    HALTED: "firmware stopped, output stands",
}
DRILL_REASONS = (
    REASONS
    | OUTSIDE_REASONS
    | {
        CHECKSUM: "off: settings fail their checksum",
        HALTED: "as it stood when the firmware stopped",
    }
)
ALARMS = (
    FAULT,
    TRIPPED,
    CHECKSUM,
    OWN_ALARM,
)  # the firmware is off, its hot fan runs and its alarm shows

Change = Callable[[Plant], Plant]
Seen = Callable[["Rig"], float]
SENSOR_PARTS = {
    cabinet.CONTROL_SENSOR: "control_sensor",
    cabinet.HOT_SENSOR: "hot_sensor",
    cabinet.COLD_SENSOR: "cold_sensor",
}


class Rig:
    """A loop under test, with the faults that act on it and the devices that guard it.

    Parameters
    ----------
    config : Config
    settings : Settings
        What is flashed, in a maker's units.
    plant : Plant
        The sound cabinet in its room.
    firmware : Firmware
    state : ndarray, shape (STATES,)
        Where it starts.
    start_s : float
        Time of the first tick, from midnight [s].
    seed : int
        Of the sensor noise.
    devices : tuple of Device
        Independent devices that guard this run.
    devices_from_s : float
        They are known not to act before this time [s]; a run without them has shown it.
    user_law : UserLaw, optional
        A maker's own controller in place of the settings'.
    outside : Outside, optional
        A whole firmware from outside.
    """

    def __init__(
        self,
        config: Config,
        settings: Settings,
        plant: Plant,
        firmware: Firmware,
        state: np.ndarray,
        *,
        start_s: float,
        seed: int,
        devices: tuple[Device, ...] = (),
        devices_from_s: float = 0.0,
        user_law: UserLaw | None = None,
        outside: Outside | None = None,
    ) -> None:
        self.config, self.settings = config, settings
        self.loop = loop_around(
            plant, firmware, state, outside, seed=seed, start_s=start_s, user_law=user_law
        )
        self.devices = devices
        self._devices_from_s = devices_from_s
        self.sound = plant
        self.record = cabinet.to_record(plant)
        self.ended: str | None = None  # why the run stopped before its time
        self.warned = False  # whether the firmware's warning stood at the end of any piece
        self.noted_state: int | None = None  # what a drill puts over the firmware's own state
        self._changes: dict[str, Change] = {}
        self._seen: dict[int, Seen] = {}
        self._seen_lag_s: dict[int, float] = {}
        self._fine_until_s = start_s
        self._memory: tuple[np.ndarray, ...] | None = None
        self._tables: list[np.ndarray] = []

    # Faults --------------------------------------------------------------------------------

    def fail(self, part: str, change: Change) -> None:
        """Let a part fail from now on; `part` names it for `mend`."""
        self._changes[part] = change
        self._rebuild()

    def mend(self, part: str) -> None:
        """Undo a fault."""
        self._changes.pop(part, None)
        self._rebuild()

    def _rebuild(self) -> None:
        plant = self.sound
        for change in self._changes.values():
            plant = change(plant)
        if any(device.opened for device in self.devices):
            plant = with_stuck_switch(plant, 0.0)
        self.loop.replace_plant(plant)
        self.record = cabinet.to_record(plant)

    def lead(self, sensor: int, seen: Seen) -> None:
        """Let a sensor (index of its state) follow another temperature, with its own lag."""
        name = SENSOR_PARTS[sensor]
        self._seen[sensor] = seen
        self._seen_lag_s[sensor] = getattr(self.sound, name).lag_s
        self.look_closely()
        self.fail(f"led {name}", lambda plant: with_sensor(plant, name, lag_s=NEVER_S))

    def look_closely(self) -> None:
        """Something has just changed: lead sensors in the finest steps for a while."""
        self._fine_until_s = self.loop.time_s + FINE_FOR_S

    def halt_firmware(self) -> None:
        """Stop the firmware: switch and fans stay as they are."""
        self._memory = tuple(words.copy() for words in self.loop.firmware_words())
        if isinstance(self.loop, OutsideLoop):
            self.loop.outside_halted = True
        inputs = self.loop.inputs
        duty = float(inputs[cabinet.DUTY])
        hot, cold = (
            heat_sinks.ALWAYS if inputs[fan] > 0.0 else heat_sinks.STOPPED
            for fan in (cabinet.HOT_FAN, cabinet.COLD_FAN)
        )
        self.noted_state = HALTED
        self.fail("halted", lambda plant: with_fans(with_stuck_switch(plant, duty), hot, cold))

    def go_on(self, *, restarted: bool) -> None:
        """Let the firmware run again: from where it stopped, or from its power-up."""
        if isinstance(self.loop, OutsideLoop):
            self.loop.outside_halted = False
        if restarted:
            self.loop.restart()
        elif self._memory is not None:
            for words, before in zip(self.loop.firmware_words(), self._memory, strict=True):
                words[:] = before
        self.noted_state = None
        self.mend("halted")

    # Running -------------------------------------------------------------------------------

    def run(self, seconds: float, *, powered: bool = True, row_s: float = ROW_S) -> None:
        """Run on, in one piece or as finely as hands and devices need it.

        A run that leaves the model ends early, and `ended` says where.
        """
        end_s = self.loop.time_s + seconds
        while self.ended is None and end_s - self.loop.time_s > 0.5 * self.loop.firmware.tick_s:
            piece_s = min(self._piece_s(), end_s - self.loop.time_s)
            self._run_piece(piece_s, powered, min(row_s, piece_s))
            self._move_led_sensors(piece_s)
            self._ask_devices(piece_s)

    def _piece_s(self) -> float:
        step_s = self._led_step_s() if self._seen else float("inf")
        if any(device.looks for device in self.devices):
            quiet_s = self._devices_from_s - DEVICE_STEP_S - self.loop.time_s
            step_s = min(step_s, max(quiet_s // ROW_S * ROW_S, DEVICE_STEP_S))
        if any(device.is_near(2.0 * DEVICE_STEP_S) for device in self.devices):
            step_s = min(step_s, NEAR_STEP_S)
        return step_s

    def _led_step_s(self) -> float:
        if self.loop.time_s < self._fine_until_s:
            return FINE_S
        state = self.loop.state
        lag_k = max(abs(seen(self) - state[sensor]) for sensor, seen in self._seen.items())
        return next((step_s for least_k, step_s in LED_STEPS if lag_k > least_k), LED_STEPS[-1][1])

    def _run_piece(self, seconds: float, powered: bool, row_s: float) -> None:
        try:
            table = self.loop.run(seconds, row_s, powered).table
        except NotFinite as fault:
            self.ended = str(fault)
            return
        if self.noted_state is not None and powered:
            table[:, INDEX["state"]] = self.noted_state
            table[:, INDEX["reason"]] = self.noted_state
        self._tables.append(table)
        halted = self.noted_state is not None
        self.warned |= not halted and bool(self.loop.guard_state[P_WARNING] == 1)

    def _move_led_sensors(self, seconds: float) -> None:
        state = self.loop.state
        for sensor, seen in self._seen.items():
            share = 1.0 - exp(-seconds / self._seen_lag_s[sensor])
            state[sensor] += share * (seen(self) - state[sensor])

    def _ask_devices(self, seconds: float) -> None:
        if not self.devices or not self._tables:
            return
        row = self._tables[-1][-1]
        moved = [device.look(row, self.loop, seconds) for device in self.devices]
        if any(moved):
            self._rebuild()

    @property
    def table(self) -> np.ndarray:
        """All rows so far, shape (rows, columns of a record)."""
        return np.concatenate(self._tables)

    def tail(self, seconds: float) -> np.ndarray:
        """Return the rows of the last `seconds`, shape (rows, columns of a record)."""
        from_s, pieces = self.loop.time_s - seconds, []
        for table in reversed(self._tables):
            pieces.append(table[table[:, INDEX["time_s"]] > from_s])
            if table[0, INDEX["time_s"]] <= from_s:
                break
        return np.concatenate(pieces[::-1])

    @property
    def last_state(self) -> int:
        """State of the last row."""
        return int(self._tables[-1][-1, INDEX["state"]])


# What a sensor can be led by -----------------------------------------------------------------


def room_k(rig: Rig) -> float:
    """Return the room's temperature [K]; a drill's room has no swing."""
    return rig.loop.plant.climate.mean_k


def hot_sink_k(rig: Rig) -> float:
    """Return the hot sink's temperature [K]."""
    return float(rig.loop.state[cabinet.HOT_SINK])


def air_k(rig: Rig) -> float:
    """Return the cabinet air's temperature [K]."""
    return float(cabinet.air_temperature(rig.record, rig.loop.state))


def cold_sink_k(rig: Rig) -> float:
    """Return the cold sink's temperature [K]."""
    return float(cabinet.cold_sink_temperature(rig.record, rig.loop.state))


def control_place_k(rig: Rig) -> float:
    """Return the temperature where the control sensor sits [K]."""
    place = rig.sound.control_sensor.place
    if place == sensors.COLD_SINK:
        return cold_sink_k(rig)
    if place == sensors.CONTENTS:
        return float(cabinet.contents_temperature(rig.record, rig.loop.state))
    return air_k(rig)


# Failed parts ------------------------------------------------------------------------------


def with_stuck_switch(plant: Plant, duty: float = SWITCH_SOUND) -> Plant:
    """Return the plant with a switch that gives `duty` whatever it is told."""
    return replace(plant, drive=replace(plant.drive, stuck_duty=duty))


def with_fans(plant: Plant, hot: int | None = None, cold: int | None = None) -> Plant:
    """Return the plant with other fan wirings; None leaves a fan as it is."""
    if hot is not None:
        plant = replace(plant, hot_sink=replace(plant.hot_sink, fan_wiring=hot))
    if cold is not None:
        plant = replace(plant, cold_sink=replace(plant.cold_sink, fan_wiring=cold))
    return plant


def with_sensor(plant: Plant, name: str, **changed: float) -> Plant:
    """Return the plant with one sensor changed; `name` is its field."""
    return replace(plant, **{name: replace(getattr(plant, name), **changed)})


def with_dead_wire(plant: Plant, name: str, *, open_wire: bool) -> Plant:
    """Return the plant with one sensor's wire broken, or shorted.

    A thermistor then has no end of resistance, or none.  A digital sensor no longer answers;
    its driver hands on a code beyond its range.
    """
    if getattr(plant, name).kind == sensors.DIGITAL:
        return with_sensor(plant, name, offset_k=1e6 if open_wire else -1e6)
    return with_sensor(plant, name, r25_ohm=1e30 if open_wire else 0.0)


def stuck_at(rig: Rig, sensor: int, reading_c: float | None = None) -> None:
    """Let a sensor stand at one reading [°C] for good, or at what it reads now."""
    if reading_c is not None:
        rig.loop.state[sensor] = reading_c + ZERO_C_K
    name = SENSOR_PARTS[sensor]
    rig.fail(f"stuck {name}", lambda plant: with_sensor(plant, name, lag_s=NEVER_S, noise_k=0.0))

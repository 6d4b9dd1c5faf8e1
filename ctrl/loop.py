"""The loop: sense, control, drive, plant step; one tick after the other.

The compiled loop runs one of our controllers; the plain one runs a maker's own class.
Both call the same kernels, so both see the same plant, sensors and protections.
"""

import numpy as np

from ctrl import protection
from ctrl.balances import energy_residual, water_residual
from ctrl.controllers import (
    UserLaw,
    controller_of,
    firmware_tick,
    firmware_tick_python,
    law_reset,
    new_law_state,
)
from ctrl.defrost import M_REVERSE
from ctrl.firmware import Firmware
from ctrl.pi import PI_SETPOINT, PISettings
from ctrl.protection import (
    CODE_CONTROL,
    CODE_HOT,
    CODE_SUPPLY_MV,
    G_CUT_OFF_MV,
    P_AIR_C100,
    P_COLD_FAN,
    P_DEFROST,
    P_FINAL,
    P_FROZEN,
    P_HOT_FAN,
    P_OUTPUT,
    P_REASON,
    guard_reset,
    new_guard_state,
)
from ctrl.protection_settings import CODE_AMBIENT, R_OWN_ALARM, R_STOPPED
from ctrl.record import COLUMNS, Record
from ctrl.states import (
    COOLING,
    DRIPPING,
    FAULT,
    IDLE,
    LOW_BATTERY,
    MELTING,
    NO_POWER,
    NO_READING,
    OWN_ALARM,
    SENSE_WORDS,
    STOPPED,
    SUPPLY_CUT_OUT,
    TRIPPED,
    NotFinite,
)
from ctrl.states import (
    STATE_WORDS as STATE_WORDS,
)
from plant import (
    cabinet,
    climate,
    contents,
    drive,
    frost,
    heat_sinks,
    integrate,
    moist_air,
    sensors,
    stage,
    supply,
)
from plant.cabinet import Plant
from plant.compiled import kernel
from plant.constants import ZERO_C_K

SENSORS = 3
FAN_PULSES = 5


@kernel
def sense(plant, state, codes, conversions, conversion_ticks, tick, seed, run):
    """Write the codes of the three sensors into `codes`, as old as their conversion makes them."""
    for channel in range(SENSORS):
        if channel == CODE_CONTROL:
            sensor, temp_k = plant.control_sensor, state[cabinet.CONTROL_SENSOR]
        elif channel == CODE_HOT:
            sensor, temp_k = plant.hot_sensor, state[cabinet.HOT_SENSOR]
        else:
            sensor, temp_k = plant.cold_sensor, state[cabinet.COLD_SENSOR]
        if sensor.fitted == 0:
            codes[channel] = protection.NO_SENSOR
            continue
        ticks = conversion_ticks[channel]
        if ticks > 1 and tick % ticks != 0:
            continue  # still converting: the last reading stands
        seen_k = temp_k + sensor.offset_k
        if sensor.noise_k > 0.0:
            seen_k += sensor.noise_k * sensors.noise_draw(seed, run, channel, tick)
        code = sensors.code_of(sensor, seen_k)
        if ticks == 0 or tick == 0:
            codes[channel] = code
        else:
            codes[channel] = conversions[channel]
        conversions[channel] = code


@kernel
def sense_ambient(plant, codes, weather_rows, tick, time_s, seed, run):
    """Write the code of the room's sensor into `codes`, where the cabinet has one.

    Its lag is taken as a delay: for a room that moves over hours the two are the same to
    second order, and no state is needed.
    """
    sensor = plant.ambient_sensor
    if sensor.fitted == 0:
        codes[CODE_AMBIENT] = protection.NO_SENSOR
        return
    seen_k = climate.ambient_temperature(plant.climate, time_s - sensor.lag_s)
    if weather_rows.shape[0] >= 2:
        seen_k, _, _ = climate.weather_at(weather_rows, max(time_s - sensor.lag_s, 0.0))
    seen_k += sensor.offset_k
    if sensor.noise_k > 0.0:
        seen_k += sensor.noise_k * sensors.noise_draw(seed, run, CODE_AMBIENT, tick)
    codes[CODE_AMBIENT] = sensors.code_of(sensor, seen_k)


@kernel
def sense_fans(inputs, codes):
    """Write pulses of the tachometers into `codes`: any number above 0 while a fan turns."""
    codes[protection.CODE_HOT_FAN_PULSES] = FAN_PULSES if inputs[cabinet.HOT_FAN] > 0.0 else 0
    codes[protection.CODE_COLD_FAN_PULSES] = FAN_PULSES if inputs[cabinet.COLD_FAN] > 0.0 else 0


@kernel
def weather(plant, inputs, time_s):
    """Write the room, the door and the battery's charging at `time_s` [s] into `inputs`."""
    ambient_k = climate.ambient_temperature(plant.climate, time_s)
    inputs[cabinet.AMBIENT] = ambient_k
    inputs[cabinet.AMBIENT_W] = climate.ambient_humidity_ratio(plant.climate, ambient_k)
    inputs[cabinet.SUN] = climate.absorbed_radiation(plant.climate, time_s)
    inputs[cabinet.DOOR] = 1.0 if climate.door_is_open(plant.climate, time_s) else 0.0
    inputs[cabinet.SUPPLY_RISE_V] = drive.charging_rise(plant.drive, time_s)


@kernel
def logged_weather(rows, inputs, time_s):
    """Write a log's weather over that of the climate; `rows` as in `climate.weather_at`."""
    if rows.shape[0] < 2:
        return
    ambient_k, ratio, absorbed_w = climate.weather_at(rows, time_s)
    inputs[cabinet.AMBIENT] = ambient_k
    inputs[cabinet.AMBIENT_W] = ratio
    inputs[cabinet.SUN] = absorbed_w


@kernel
def fans_w(plant, inputs):
    """Return the power of the fans that turn [W]."""
    return (
        inputs[cabinet.HOT_FAN] * plant.hot_sink.fan_w
        + inputs[cabinet.COLD_FAN] * plant.cold_sink.fan_w
    )


@kernel
def supply_mv(plant, state, inputs):
    """Return the voltage at the supply's terminals under the present load [mV]."""
    _, _, power_w, _, _ = stage.on_drive(
        plant.module, plant.drive, inputs[cabinet.DUTY],
        state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
        inputs[cabinet.SUPPLY_RISE_V], inputs[cabinet.DISCONNECTED],
    )  # fmt: skip
    rise_v = inputs[cabinet.SUPPLY_RISE_V]
    load_w = power_w + fans_w(plant, inputs)
    return int(1000.0 * drive.terminal_voltage(plant.drive, rise_v, load_w))


@kernel
def sense_supply(plant, state, inputs, codes, guard_settings):
    """Write the supply's voltage [mV] into `codes`, where a battery's cut-off listens to it."""
    codes[CODE_SUPPLY_MV] = protection.NO_SENSOR
    if guard_settings[G_CUT_OFF_MV] != 0:
        codes[CODE_SUPPLY_MV] = supply_mv(plant, state, inputs)


@kernel
def apply_command(plant, inputs, guard_state, power):
    """Write the firmware's command into `inputs`, through the fans' wiring.

    `power` is one of supply.NO_POWER, LIVE and CUT_OUT.  Without it no bridge is closed:
    the module is an open circuit.  A hold current is given only while the firmware
    regulates: melting, after a trip or in a fault it would work against what is wanted.
    """
    if power != supply.LIVE:
        inputs[cabinet.DUTY] = 0.0
        inputs[cabinet.HOT_FAN] = 0.0
        inputs[cabinet.COLD_FAN] = 0.0
        inputs[cabinet.DISCONNECTED] = 1.0
        return
    cut = plant.drive.off_mode != drive.OFF_SHORTED and guard_state[P_FROZEN] == 1
    inputs[cabinet.DISCONNECTED] = 1.0 if cut else 0.0
    duty = guard_state[P_OUTPUT] / 1000.0
    if guard_state[P_DEFROST + M_REVERSE] > 0:
        duty = -guard_state[P_DEFROST + M_REVERSE] / 1000.0
    if plant.drive.stuck_duty != drive.SWITCH_SOUND:
        duty = plant.drive.stuck_duty
        inputs[cabinet.DISCONNECTED] = 1.0 if duty == 0.0 else 0.0
    inputs[cabinet.DUTY] = duty
    inputs[cabinet.HOT_FAN] = heat_sinks.fan_turns(
        plant.hot_sink.fan_wiring, guard_state[P_HOT_FAN], duty
    )
    inputs[cabinet.COLD_FAN] = heat_sinks.fan_turns(
        plant.cold_sink.fan_wiring, guard_state[P_COLD_FAN], duty
    )


@kernel
def overload(plant, state, inputs, words, tick_s):
    """Tell whether the supply cuts out at what the command in `inputs` asks of it."""
    if plant.drive.protection == drive.CONSTANT_CURRENT:
        return False
    seebeck, ohm = stage.at_rest(plant.module, state[cabinet.COLD_FACE], state[cabinet.HOT_FACE])
    wanted_a = drive.wanted_supply_a(
        plant.drive, seebeck, ohm, inputs[cabinet.DUTY],
        state[cabinet.HOT_FACE] - state[cabinet.COLD_FACE],
        inputs[cabinet.SUPPLY_RISE_V], fans_w(plant, inputs),
    )  # fmt: skip
    return supply.cuts_out(plant.drive, words, wanted_a, tick_s)


@kernel
def plant_tick(plant, state, inputs, time_s, tick_s, step_hint_s, work):
    """Load the contents if due, then advance the plant by one tick; return the next step [s]."""
    if climate.load_is_due(plant.climate, time_s, tick_s):
        cabinet.swap_contents(plant, state, plant.climate.load_share, plant.climate.load_k)
    step_hint_s = integrate.advance(plant, state, inputs, tick_s, step_hint_s, work)
    cabinet.begin_ice(plant, state)
    return step_hint_s


@kernel
def state_code(guard_state, power):
    """Return the record's state for the supply's, the firmware's reason and its output."""
    if power == supply.NO_POWER:
        return NO_POWER
    if power == supply.CUT_OUT:
        return SUPPLY_CUT_OUT
    reason = guard_state[P_REASON]
    if reason == R_STOPPED:
        return STOPPED
    if reason == R_OWN_ALARM:
        return OWN_ALARM
    if reason == protection.R_TRIP:
        return TRIPPED
    if reason == protection.R_SENSOR_FAULT or reason == protection.R_HOT_FAN:
        return FAULT
    if reason == protection.R_FIRST_READING:
        return NO_READING
    if reason == protection.R_LOW_BATTERY:
        return LOW_BATTERY
    if reason == protection.R_MELT:
        return MELTING
    if reason == protection.R_DRIP:
        return DRIPPING
    return COOLING if guard_state[P_FINAL] > 0 else IDLE


@kernel
def write_row(
    plant, state, inputs, guard_state, power, time_s, plug_w, door, duty, most, starts, row
):  # fmt: skip
    """Write one row of the record, in the order of `record.COLUMNS`.

    `door` tells whether it was open at any time since the row before, `duty` is the mean
    and `most` the largest since then: a window shorter than a row would be seen at one phase
    only. The current is that of the largest duty.
    """
    ambient_k = inputs[cabinet.AMBIENT]
    air_k = cabinet.air_temperature(plant, state)
    wall_k, outer_k = cabinet.wall_surfaces(plant, state, ambient_k, inputs[cabinet.COLD_FAN])
    thickness = cabinet.frost_thickness(plant, state)
    open_share = frost.open_fraction(thickness, plant.cold_sink.fin_gap_m)
    mean_a, _, _, _, _ = stage.on_drive(
        plant.module, plant.drive, most,
        state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
        inputs[cabinet.SUPPLY_RISE_V], inputs[cabinet.DISCONNECTED],
    )  # fmt: skip
    air_w = state[cabinet.VAPOUR] / cabinet.dry_air_kg(plant)
    row[0] = time_s
    row[1] = ambient_k - ZERO_C_K
    row[2] = air_k - ZERO_C_K
    row[3] = cabinet.contents_temperature(plant, state) - ZERO_C_K
    row[4] = cabinet.cold_sink_temperature(plant, state) - ZERO_C_K
    row[5] = state[cabinet.HOT_SINK] - ZERO_C_K
    row[6] = state[cabinet.COLD_FACE] - ZERO_C_K
    row[7] = state[cabinet.HOT_FACE] - ZERO_C_K
    row[8] = (
        heat_sinks.foam_temperature(ambient_k, state[cabinet.HOT_SINK], plant.hot_sink.foam_share)
        - ZERO_C_K
    )
    row[9] = wall_k - ZERO_C_K
    # What is beyond saturation is mist that has not yet settled.
    relative_humidity = moist_air.relative_humidity(air_k, air_w, plant.climate.pressure_pa)
    row[10] = 100.0 * min(relative_humidity, 1.0)
    row[11] = 1e3 * state[cabinet.FROST]
    row[12] = 1e3 * state[cabinet.SINK_WATER]
    row[13] = 1e3 * state[cabinet.WALL_WATER]
    row[14] = 1e3 * state[cabinet.WATER_OUT]
    row[15] = 100.0 * (1.0 - open_share)
    row[16] = contents.ice_share(
        plant.contents, state[cabinet.CONTENTS_H], state[cabinet.ICE_BEGUN]
    )
    row[17] = door
    row[18] = duty
    row[19] = mean_a
    row[20] = inputs[cabinet.HOT_FAN]
    row[21] = inputs[cabinet.COLD_FAN]
    row[22] = plug_w
    row[23] = state[cabinet.PLUG_ENERGY] / 3.6e6
    row[24] = 0.01 * guard_state[P_AIR_C100]
    row[25] = state_code(guard_state, power)
    row[26] = guard_state[P_REASON]
    row[27] = starts
    row[28] = outer_k - ZERO_C_K
    row[29] = (
        moist_air.dew_point(max(inputs[cabinet.AMBIENT_W], 1e-6), plant.climate.pressure_pa)
        - ZERO_C_K
    )
    row[30] = 1e3 * state[cabinet.DEPOSIT]
    row[31] = 1e-3 * supply_mv(plant, state, inputs)
    row[32] = 1e3 * state[cabinet.GIVEN_OFF]


@kernel
def run_ticks(
    plant, state, kind, law, law_state, guard_settings, guard_state, codes, conversions,
    conversion_ticks, inputs, first_tick, ticks, start_s, tick_s, row_ticks, powered, seed, run,
    step_hint_s, work, supply_state, table, weather_rows,
):  # fmt: skip
    """Run `ticks` ticks and fill `table`; return (ticks done, step to try next [s]).

    Fewer ticks done than asked for means that a state stopped making sense, or that a step
    failed (the step to try next then is `integrate.FAILED_S`).
    """
    door, duty_sum, most = 0.0, 0.0, 0.0
    for count in range(ticks):
        tick = first_tick + count
        time_s = start_s + tick * tick_s
        weather(plant, inputs, time_s)
        logged_weather(weather_rows, inputs, time_s)
        door = max(door, inputs[cabinet.DOOR])
        power = supply.supply_tick(supply_state, powered)
        if power == supply.LIVE:
            sense(plant, state, codes, conversions, conversion_ticks, tick, seed, run)
            sense_ambient(plant, codes, weather_rows, tick, time_s, seed, run)
            sense_supply(plant, state, inputs, codes, guard_settings)
            sense_fans(inputs, codes)
            firmware_tick(kind, law, law_state, guard_settings, guard_state, tick, codes)
        apply_command(plant, inputs, guard_state, power)
        if power == supply.LIVE and overload(plant, state, inputs, supply_state, tick_s):
            power = supply.CUT_OUT
            guard_reset(guard_settings, guard_state)
            law_reset(kind, law, law_state)
            apply_command(plant, inputs, guard_state, power)
        supply.count_start(supply_state, inputs[cabinet.DUTY])
        duty_sum += inputs[cabinet.DUTY]
        if abs(inputs[cabinet.DUTY]) > abs(most):
            most = inputs[cabinet.DUTY]
        before_j = state[cabinet.PLUG_ENERGY]
        step_hint_s = plant_tick(plant, state, inputs, time_s, tick_s, step_hint_s, work)
        if step_hint_s < 0.0:
            return count, step_hint_s
        if (count + 1) % row_ticks == 0:
            plug_w = (state[cabinet.PLUG_ENERGY] - before_j) / tick_s
            row = table[count // row_ticks]
            end_s = time_s + tick_s
            starts = float(supply_state[supply.STARTS])
            write_row(
                plant, state, inputs, guard_state, power, end_s, plug_w, door,
                duty_sum / row_ticks, most, starts, row,
            )  # fmt: skip
            door, duty_sum, most = 0.0, 0.0, 0.0
            if cabinet.sense_of(plant, state)[0] != cabinet.SENSIBLE:
                return count, step_hint_s
    return ticks, step_hint_s


class Loop:
    """One cabinet with its firmware, running: the only place with a mutable state.

    Parameters
    ----------
    plant : Plant
        The cabinet and its place.
    firmware : Firmware
        What is flashed.
    state : ndarray, shape (STATES,)
        Where the plant starts; copied.
    start_s : float
        Time of the first tick, from midnight of the first day [s].
    seed, run : int
        Of the sensor noise; the same pair gives the same noise.
    user_law : UserLaw, optional
        A maker's own controller, run uncompiled in place of `firmware.law`.
    weather_rows : ndarray, shape (rows, WEATHER_COLUMNS), optional
        A weather log in place of the climate's own day, as `plant.climate.weather_at` reads.
    """

    def __init__(
        self,
        plant: Plant,
        firmware: Firmware,
        state: np.ndarray,
        *,
        start_s: float = 0.0,
        seed: int = 1,
        run: int = 0,
        user_law: UserLaw | None = None,
        weather_rows: np.ndarray | None = None,
    ) -> None:
        self.plant = plant
        self.firmware = firmware
        self.state = state.copy()
        self._record = cabinet.to_record(plant)
        self._start_s = start_s
        self._seed, self._run = seed, run
        self._user_law = user_law
        none = np.zeros((0, climate.WEATHER_COLUMNS))
        self._weather_rows = none if weather_rows is None else weather_rows
        self._tick = 0
        self._step_s = integrate.LONGEST_STEP_S
        self._work = integrate.work_array()
        self._inputs = np.zeros(cabinet.INPUTS)
        self._codes = np.full(protection.CODE_WORDS, protection.NO_SENSOR, dtype=np.int64)
        self._conversions = np.zeros(SENSORS, dtype=np.int64)
        self._conversion_ticks = np.array(firmware.conversion_ticks, dtype=np.int64)
        self._guard = firmware.protection.to_words()
        self.guard_state = new_guard_state(self._guard)
        self._law = firmware.law.to_words()
        self.law_state = new_law_state(firmware.law)
        self.supply_state = supply.new_supply_state()

    @property
    def time_s(self) -> float:
        """Time from midnight of the first day [s]."""
        return self._start_s + self._tick * self.firmware.tick_s

    def turn_setpoint(self, setpoint_c100: int) -> None:
        """Give the running PI controller another setpoint [1/100 °C], as a knob would."""
        if not isinstance(self.firmware.law, PISettings):
            raise ValueError("turn_setpoint: expected a PI controller")
        self._law[PI_SETPOINT] = setpoint_c100

    def replace_plant(self, plant: Plant) -> None:
        """Go on with another plant of the same states: a part of it has failed or was mended."""
        self.plant = plant
        self._record = cabinet.to_record(plant)

    @property
    def inputs(self) -> np.ndarray:
        """What drives the plant, shape (INPUTS,), as of the last tick; a copy."""
        return self._inputs.copy()

    def firmware_words(self) -> tuple[np.ndarray, ...]:
        """All that the firmware remembers, as it stands: copy it, or write it to go back."""
        return self.guard_state, self.law_state, self._codes, self._conversions

    def restart(self) -> None:
        """Reset the firmware, as a brown-out or a watchdog does; a maker's own law goes on."""
        guard_reset(self._guard, self.guard_state)
        if self._user_law is None:
            law_reset(controller_of(self.firmware.law).kind, self._law, self.law_state)

    def run(self, seconds: float, row_s: float = 10.0, powered: bool = True) -> Record:
        """Run on for `seconds` [s] and return the record of them.

        Parameters
        ----------
        row_s : float
            Spacing of the record's rows [s]; at least one tick.
        powered : bool
            False for a power loss: module, fans and firmware are dead.

        Raises
        ------
        NotFinite
            When a state is no number or makes no sense, at the start or at a row, or when
            the plant changes too fast for the shortest step.
        """
        tick_s = self.firmware.tick_s
        row_ticks = max(1, round(row_s / tick_s))
        ticks = max(row_ticks, round(seconds / tick_s) // row_ticks * row_ticks)
        table = np.empty((ticks // row_ticks, len(COLUMNS)))
        start = self.state.copy()
        if cabinet.sense_of(self._record, start)[0] != cabinet.SENSIBLE:
            self._stop(0)
        done = self._run_ticks(ticks, row_ticks, powered, table)
        if done < ticks:
            self._stop(done)
        self._tick += ticks
        return Record(
            table=table,
            tick_s=tick_s,
            row_s=row_ticks * tick_s,
            start_state=start,
            end_state=self.state.copy(),
            energy_residual_rel=energy_residual(self._record, start, self.state),
            water_residual_rel=water_residual(start, self.state),
            seed=self._seed,
            run=self._run,
        )

    def _stop(self, done: int) -> None:
        wrong, part = cabinet.sense_of(self._record, self.state)
        words = SENSE_WORDS.get(wrong, "changes too fast to follow")
        if wrong == cabinet.SENSIBLE:
            part, number = integrate.failed_part(self._record, self.state, self._work)
            words = words if number else SENSE_WORDS[cabinet.NO_NUMBER]
        at_h = (self.time_s + done * self.firmware.tick_s) / 3600.0
        name = cabinet.STATE_NAMES[part].removesuffix("_h")
        raise NotFinite(f"tick {self._tick + done} ({at_h:.2f} h): {name} {words}")

    def _run_ticks(self, ticks: int, row_ticks: int, powered: bool, table: np.ndarray) -> int:
        """Run ticks, fill the rows of `table`; return how many ticks were done."""
        if self._user_law is not None:
            return self._run_plain(self._user_law, ticks, row_ticks, powered, table)
        done, self._step_s = run_ticks(
            self._record, self.state, controller_of(self.firmware.law).kind, self._law,
            self.law_state, self._guard, self.guard_state, self._codes, self._conversions,
            self._conversion_ticks, self._inputs, self._tick, ticks, self._start_s,
            self.firmware.tick_s, row_ticks, powered, self._seed, self._run, self._step_s,
            self._work, self.supply_state, table, self._weather_rows,
        )  # fmt: skip
        return int(done)

    def _run_plain(
        self, law: UserLaw, ticks: int, row_ticks: int, powered: bool, table: np.ndarray
    ) -> int:
        plant, state, inputs = self._record, self.state, self._inputs
        words = self.supply_state
        tick_s, door, duty_sum, most = self.firmware.tick_s, 0.0, 0.0, 0.0
        for count in range(ticks):
            tick = self._tick + count
            time_s = self._start_s + tick * tick_s
            weather(plant, inputs, time_s)
            logged_weather(self._weather_rows, inputs, time_s)
            door = max(door, inputs[cabinet.DOOR])
            power = supply.supply_tick(words, powered)
            if power == supply.LIVE:
                self._sense_and_control(law, tick)
            apply_command(plant, inputs, self.guard_state, power)
            if power == supply.LIVE and overload(plant, state, inputs, words, tick_s):
                power = supply.CUT_OUT
                self.restart()
                apply_command(plant, inputs, self.guard_state, power)
            supply.count_start(words, inputs[cabinet.DUTY])
            duty_sum += inputs[cabinet.DUTY]
            if abs(inputs[cabinet.DUTY]) > abs(most):
                most = inputs[cabinet.DUTY]
            before_j = state[cabinet.PLUG_ENERGY]
            self._plant_tick(time_s)
            if self._step_s < 0.0:
                return count
            if (count + 1) % row_ticks == 0:
                plug_w = (state[cabinet.PLUG_ENERGY] - before_j) / tick_s
                row = table[count // row_ticks]
                end_s = time_s + tick_s
                guard, starts = self.guard_state, float(words[supply.STARTS])
                write_row(
                    plant, state, inputs, guard, power, end_s, plug_w, door,
                    duty_sum / row_ticks, most, starts, row,
                )  # fmt: skip
                door, duty_sum, most = 0.0, 0.0, 0.0
                if cabinet.sense_of(plant, state)[0] != cabinet.SENSIBLE:
                    return count
        return ticks

    def _sense_and_control(self, law: UserLaw, tick: int) -> None:
        plant, codes = self._record, self._codes
        sense(
            plant, self.state, codes, self._conversions, self._conversion_ticks, tick,
            self._seed, self._run,
        )  # fmt: skip
        time_s = self._start_s + tick * self.firmware.tick_s
        sense_ambient(plant, codes, self._weather_rows, tick, time_s, self._seed, self._run)
        sense_supply(plant, self.state, self._inputs, codes, self._guard)
        sense_fans(self._inputs, codes)
        firmware_tick_python(law, self._guard, self.guard_state, tick, codes)

    def _plant_tick(self, time_s: float) -> None:
        self._step_s = plant_tick(
            self._record, self.state, self._inputs, time_s, self.firmware.tick_s,
            self._step_s, self._work,
        )  # fmt: skip

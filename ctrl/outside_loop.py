"""The loop around a whole firmware from outside, in two compiled halves a tick.

What stands between two readings of the sensors is one call into compiled code, and what
follows the command another: a day of 1 s ticks costs seconds, not half a minute.
"""

from typing import Any

import numpy as np

from ctrl.controllers import Outside
from ctrl.firmware import Firmware
from ctrl.loop import (
    Loop,
    apply_command,
    logged_weather,
    overload,
    plant_tick,
    sense,
    sense_ambient,
    sense_fans,
    supply_mv,
    weather,
    write_row,
)
from ctrl.protection import CODE_SUPPLY_MV, guard_reset
from plant import cabinet, supply
from plant.cabinet import Plant
from plant.compiled import kernel


@kernel
def before_firmware(
    plants, state, inputs, codes, conversions, conversion_ticks, tick, time_s, seed, run,
    supply_state, powered, weather_rows,
):  # fmt: skip
    """Write weather and codes of a tick; return the power: NO_POWER, LIVE or CUT_OUT.

    `plants` holds the one plant: an array goes into compiled code faster than a record.
    """
    plant = plants[0]
    weather(plant, inputs, time_s)
    logged_weather(weather_rows, inputs, time_s)
    power = supply.supply_tick(supply_state, powered)
    if power == supply.LIVE:
        sense(plant, state, codes, conversions, conversion_ticks, tick, seed, run)
        sense_ambient(plant, codes, weather_rows, tick, time_s, seed, run)
        codes[CODE_SUPPLY_MV] = supply_mv(plant, state, inputs)
        sense_fans(inputs, codes)
    return power


@kernel
def after_firmware(
    plants, state, inputs, guard_settings, guard_state, power, supply_state, time_s, tick_s,
    step_hint_s, work,
):  # fmt: skip
    """Give the command to the plant and run it for a tick; return (power, next step [s])."""
    plant = plants[0]
    apply_command(plant, inputs, guard_state, power)
    if power == supply.LIVE and overload(plant, state, inputs, supply_state, tick_s):
        power = supply.CUT_OUT
        guard_reset(guard_settings, guard_state)
        apply_command(plant, inputs, guard_state, power)
    supply.count_start(supply_state, inputs[cabinet.DUTY])
    return power, plant_tick(plant, state, inputs, time_s, tick_s, step_hint_s, work)


class OutsideLoop(Loop):
    """A cabinet with a whole firmware from outside.

    Parameters
    ----------
    outside : Outside
        Asked once a tick while there is power; told of each tick without.
    firmware : Firmware
        Its `protection` tells which sensors are fitted and how their codes read; its law is
        not run.
    """

    def __init__(self, *args: Any, outside: Outside, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._outside = outside
        self.outside_halted = False  # it is not asked; its last command stands
        self._plants = self._as_array()

    def _as_array(self) -> np.ndarray:
        return np.array([self._record.item()], dtype=self._record.dtype)

    def replace_plant(self, plant: Plant) -> None:
        """Go on with another plant of the same states."""
        super().replace_plant(plant)
        self._plants = self._as_array()

    def restart(self) -> None:
        """Reset the firmware, as a brown-out or a watchdog does."""
        guard_reset(self._guard, self.guard_state)
        self._outside.power_lost()

    def _run_ticks(self, ticks: int, row_ticks: int, powered: bool, table: np.ndarray) -> int:
        state, inputs, guard = self.state, self._inputs, self.guard_state
        words, tick_s, outside = self.supply_state, self.firmware.tick_s, self._outside
        door, duty_sum, most, before_j = 0.0, 0.0, 0.0, 0.0
        for count in range(ticks):
            tick = self._tick + count
            time_s = self._start_s + tick * tick_s
            power = before_firmware(
                self._plants, state, inputs, self._codes, self._conversions,
                self._conversion_ticks, tick, time_s, self._seed, self._run, words, powered,
                self._weather_rows,
            )  # fmt: skip
            if power == supply.LIVE and not self.outside_halted:
                outside.tick(self._guard, guard, tick, self._codes)
            before_j = state[cabinet.PLUG_ENERGY]
            power, self._step_s = after_firmware(
                self._plants, state, inputs, self._guard, guard, power, words, time_s, tick_s,
                self._step_s, self._work,
            )  # fmt: skip
            if power != supply.LIVE:
                outside.power_lost()
            door = max(door, inputs[cabinet.DOOR])
            duty = float(inputs[cabinet.DUTY])
            duty_sum += duty
            if abs(duty) > abs(most):
                most = duty
            if self._step_s < 0.0:
                return count
            if (count + 1) % row_ticks == 0:
                plug_w = (state[cabinet.PLUG_ENERGY] - before_j) / tick_s
                row = table[count // row_ticks]
                starts = float(words[supply.STARTS])
                write_row(
                    self._record, state, inputs, guard, power, time_s + tick_s, plug_w, door,
                    duty_sum / row_ticks, most, starts, row,
                )  # fmt: skip
                door, duty_sum, most = 0.0, 0.0, 0.0
                if cabinet.sense_of(self._record, state)[0] != cabinet.SENSIBLE:
                    return count
        return ticks


def loop_around(
    plant: Plant, firmware: Firmware, state: np.ndarray, outside: Outside | None, **kwargs: Any
) -> Loop:
    """Return the loop of a cabinet with our firmware, or with one from outside.

    Parameters
    ----------
    plant : Plant
    firmware : Firmware
    state : ndarray, shape (STATES,)
        Where the plant starts; copied.
    outside : Outside or None
        A whole firmware from outside; None for ours.
    **kwargs
        As `Loop` takes them.
    """
    if outside is None:
        return Loop(plant, firmware, state, **kwargs)
    return OutsideLoop(plant, firmware, state, outside=outside, **kwargs)

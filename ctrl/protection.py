"""What stands between any controller and the module.

`guard` runs first in every tick: it reads the sensors and decides on trip, fault, low
battery and defrost.  `schedule` says whether the controller is due.  `limit` runs last:
it takes the demanded duty through every limiter, in this order of priority::

    trip > sensor fault > hot fan > low battery > defrost > fold-back > duty limit > slew
         > minimum times

Trip, sensor fault and low battery switch off at once: they pass over the slew limit and
the minimum on-time.  So do defrost and fold-back on the way down: neither slew nor minimum
on-time may hold the output above what they allow.  Nothing passes over the minimum
off-time, not even a reset: starting up counts as just switched off.  `P_REASON` always
says why the output is what it is.

A fault of the cold-sink sensor does not stop cooling: defrost then goes by time, and
the warning shows.  Firmware limits protect parts; they are no safety device.  A thermal
cut-out on the hot sink and a fuse at the supply are.
"""

import numpy as np

from ctrl.defrost import (
    M_PHASE,
    M_REVERSE,
    PHASE_DRIP,
    PHASE_MELT,
    PHASE_RUN,
    advance_defrost,
    reset_defrost,
)
from ctrl.fixed_point import (
    NO_SENSOR,
    Words,
    add_sat,
    clamp,
    div_round,
    sub_sat,
)
from ctrl.protection_settings import (
    CODE_COLD,
    CODE_COLD_FAN_PULSES,
    CODE_CONTROL,
    CODE_HOT,
    CODE_HOT_FAN_PULSES,
    CODE_SUPPLY_MV,
    CODE_WORDS,
    FOLD_BACK_FLOOR_PERMILLE,
    G_BATTERY_TICKS,
    G_COLD_FAN_START,
    G_COLD_FAN_WITH_MODULE,
    G_COLD_SENSOR,
    G_CONTROL_SENSOR,
    G_CUT_OFF_MV,
    G_DEFROST,
    G_DUTY_LIMIT,
    G_FAN_TURN,
    G_FOLD_FULL,
    G_FOLD_START,
    G_HOT_FAN_RUN_ON,
    G_HOT_FAN_START,
    G_HOT_SENSOR,
    G_MIN_OFF,
    G_MIN_ON,
    G_PERIOD_TICKS,
    G_RESUME_MV,
    G_SLEW,
    G_SWITCH_ONLY,
    G_TICK_MS,
    G_TRIP,
    G_WINDOW,
    GUARD_SETTING_WORDS,
    GUARD_STATE_WORDS,
    OUTSIDE_REASONS,
    P_AIR_C100,
    P_ALARM,
    P_BATTERY_TICKS,
    P_COLD_C100,
    P_COLD_FAN,
    P_COLD_SENSOR,
    P_COLD_TACHOMETER,
    P_CONTROL_SENSOR,
    P_DEFROST,
    P_DEMAND,
    P_FINAL,
    P_FOLDED,
    P_FORCED,
    P_FROZEN,
    P_HOT_C100,
    P_HOT_FAN,
    P_HOT_SENSOR,
    P_HOT_TACHOMETER,
    P_LOW_BATTERY,
    P_OFF_TICKS,
    P_ON_TICKS,
    P_OUTPUT,
    P_PERIOD_COUNT,
    P_REASON,
    P_SUM_PERMILLE,
    P_SUM_TICKS,
    P_TRIPPED,
    P_WARNING,
    P_WINDOW,
    R_AS_ASKED,
    R_DRIP,
    R_DUTY_LIMIT,
    R_FIRST_READING,
    R_FOLD_BACK,
    R_HOT_FAN,
    R_LOW_BATTERY,
    R_MELT,
    R_MIN_OFF,
    R_MIN_ON,
    R_SENSOR_FAULT,
    R_SLEW,
    R_TRIP,
    REASONS,
    ProtectionSettings,
)
from ctrl.readings import (
    R_STATUS,
    STATUS_FAULT,
    STATUS_LATCHED,
    STATUS_WAITING,
    read_sensor,
    reset_sensor,
)
from ctrl.slow_window import reset_window
from ctrl.tachometer import T_STALLED, reset_tachometer, watch_fan
from plant.compiled import kernel

HOT_FAN_HYSTERESIS_K100 = 500  # below the start of fold-back, where a hot sink counts as cool

# What `schedule` answers.
DUE_NOTHING = 0
DUE_STEP = 1
DUE_TRACK_AND_STEP = 2
DUE_FREEZE = 3

# What the rest of the program takes from here; the words are named in protection_settings.
__all__ = [
    "CODE_CONTROL",
    "CODE_HOT",
    "CODE_COLD",
    "CODE_SUPPLY_MV",
    "CODE_WORDS",
    "CODE_HOT_FAN_PULSES",
    "CODE_COLD_FAN_PULSES",
    "G_TICK_MS",
    "G_PERIOD_TICKS",
    "G_DUTY_LIMIT",
    "G_SLEW",
    "G_MIN_ON",
    "G_MIN_OFF",
    "G_SWITCH_ONLY",
    "G_FOLD_START",
    "G_FOLD_FULL",
    "G_TRIP",
    "G_HOT_FAN_RUN_ON",
    "G_COLD_FAN_WITH_MODULE",
    "G_CUT_OFF_MV",
    "G_RESUME_MV",
    "G_BATTERY_TICKS",
    "G_DEFROST",
    "G_CONTROL_SENSOR",
    "G_HOT_SENSOR",
    "G_COLD_SENSOR",
    "G_WINDOW",
    "GUARD_SETTING_WORDS",
    "P_REASON",
    "P_FINAL",
    "P_DEMAND",
    "P_AIR_C100",
    "P_HOT_C100",
    "P_COLD_C100",
    "P_HOT_FAN",
    "P_COLD_FAN",
    "P_ALARM",
    "P_WARNING",
    "P_TRIPPED",
    "P_FORCED",
    "P_FROZEN",
    "P_SUM_PERMILLE",
    "P_DEFROST",
    "P_CONTROL_SENSOR",
    "P_HOT_SENSOR",
    "P_WINDOW",
    "P_OUTPUT",
    "R_AS_ASKED",
    "R_MIN_ON",
    "R_MIN_OFF",
    "R_SLEW",
    "R_DUTY_LIMIT",
    "R_FOLD_BACK",
    "R_DRIP",
    "R_MELT",
    "R_LOW_BATTERY",
    "R_FIRST_READING",
    "R_SENSOR_FAULT",
    "R_TRIP",
    "R_HOT_FAN",
    "REASONS",
    "OUTSIDE_REASONS",
    "ProtectionSettings",
    "DUE_FREEZE",
    "DUE_STEP",
    "DUE_TRACK_AND_STEP",
    "fold_back_cap",
    "guard",
    "guard_reset",
    "limit",
    "new_guard_state",
    "schedule",
    "take_mean",
]


def new_guard_state(settings: Words) -> Words:
    """Return the protection state after power-up.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.

    Returns
    -------
    ndarray of int64, shape (GUARD_STATE_WORDS,)
        State in the order of the P_ indices.
    """
    state = np.zeros(GUARD_STATE_WORDS, dtype=np.int64)
    guard_reset(settings, state)
    return state


@kernel
def guard_reset(settings: Words, state: Words) -> None:
    """Put the protection state to power-up: off, just switched off, nothing read.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Changed in place; order of the P_ indices.
    """
    for index in range(P_DEFROST):
        state[index] = 0
    state[P_REASON] = R_FIRST_READING
    state[P_FORCED] = R_FIRST_READING
    state[P_FROZEN] = 1
    state[P_AIR_C100] = NO_SENSOR
    state[P_HOT_C100] = NO_SENSOR
    state[P_COLD_C100] = NO_SENSOR
    reset_defrost(state, P_DEFROST)
    reset_sensor(settings, G_CONTROL_SENSOR, state, P_CONTROL_SENSOR)
    reset_sensor(settings, G_HOT_SENSOR, state, P_HOT_SENSOR)
    reset_sensor(settings, G_COLD_SENSOR, state, P_COLD_SENSOR)
    reset_window(settings, G_WINDOW, state, P_WINDOW)
    reset_tachometer(state, P_HOT_TACHOMETER)
    reset_tachometer(state, P_COLD_TACHOMETER)


@kernel
def _watch_hot_sink(settings: Words, state: Words) -> None:
    """Latch the trip; keep the on-off fold-back of a switch-only drive."""
    hot = state[P_HOT_C100]
    if hot == NO_SENSOR:
        return
    if hot > settings[G_TRIP]:
        state[P_TRIPPED] = 1
    if hot > settings[G_FOLD_FULL]:
        state[P_FOLDED] = 1
    elif hot < settings[G_FOLD_START]:
        state[P_FOLDED] = 0


@kernel
def _watch_battery(settings: Words, state: Words, supply_mv: int) -> None:
    """Switch off after a lasting low supply, on again above the resume voltage."""
    if settings[G_CUT_OFF_MV] == 0 or supply_mv == NO_SENSOR:
        state[P_BATTERY_TICKS] = 0
        return
    if supply_mv < settings[G_CUT_OFF_MV]:
        state[P_BATTERY_TICKS] = add_sat(state[P_BATTERY_TICKS], 1)
    else:
        state[P_BATTERY_TICKS] = 0
    if state[P_BATTERY_TICKS] >= settings[G_BATTERY_TICKS]:
        state[P_LOW_BATTERY] = 1
    elif supply_mv > settings[G_RESUME_MV]:
        state[P_LOW_BATTERY] = 0


@kernel
def _watch_fans(settings: Words, state: Words, codes: Words) -> None:
    """Look whether the fans turn that were commanded on in the tick before."""
    if codes.size <= CODE_COLD_FAN_PULSES:
        return
    watch_fan(
        settings[G_HOT_FAN_START], settings[G_FAN_TURN], state, P_HOT_TACHOMETER,
        state[P_HOT_FAN], codes[CODE_HOT_FAN_PULSES],
    )  # fmt: skip
    watch_fan(
        settings[G_COLD_FAN_START], settings[G_FAN_TURN], state, P_COLD_TACHOMETER,
        state[P_COLD_FAN], codes[CODE_COLD_FAN_PULSES],
    )  # fmt: skip


@kernel
def _sensor_in_fault(state: Words, sat: int) -> int:
    """Return 1 for a sensor whose fault acts or has latched."""
    status = state[sat + R_STATUS]
    if status == STATUS_FAULT or status == STATUS_LATCHED:
        return 1
    return 0


@kernel
def _forced_off(state: Words) -> int:
    """Return the reason that switches off at once, or R_AS_ASKED."""
    if state[P_TRIPPED] == 1:
        return R_TRIP
    if _sensor_in_fault(state, P_CONTROL_SENSOR) == 1:
        return R_SENSOR_FAULT
    if _sensor_in_fault(state, P_HOT_SENSOR) == 1:
        return R_SENSOR_FAULT
    if state[P_HOT_TACHOMETER + T_STALLED] == 1:
        return R_HOT_FAN
    if state[P_CONTROL_SENSOR + R_STATUS] == STATUS_WAITING:
        return R_FIRST_READING
    if state[P_HOT_SENSOR + R_STATUS] == STATUS_WAITING:
        return R_FIRST_READING
    if state[P_LOW_BATTERY] == 1:
        return R_LOW_BATTERY
    return R_AS_ASKED


@kernel
def guard(settings: Words, state: Words, codes: Words) -> None:
    """Read the sensors and decide on trip, fault, low battery and defrost.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Changed in place; order of the P_ indices.
    codes : ndarray of int64, shape (4,) or (CODE_WORDS,)
        Raw codes of the control, hot-sink and cold-sink sensor, supply [mV] or NO_SENSOR,
        the room's sensor, pulses of the fans' tachometers.
    """
    state[P_AIR_C100] = read_sensor(
        settings, G_CONTROL_SENSOR, state, P_CONTROL_SENSOR, codes[CODE_CONTROL]
    )
    state[P_HOT_C100] = read_sensor(settings, G_HOT_SENSOR, state, P_HOT_SENSOR, codes[CODE_HOT])
    state[P_COLD_C100] = read_sensor(
        settings, G_COLD_SENSOR, state, P_COLD_SENSOR, codes[CODE_COLD]
    )
    _watch_hot_sink(settings, state)
    _watch_battery(settings, state, codes[CODE_SUPPLY_MV])
    _watch_fans(settings, state, codes)
    forced = _forced_off(state)
    state[P_FORCED] = forced
    may_start = 0
    if forced == R_AS_ASKED:
        may_start = 1
    phase = advance_defrost(
        settings, G_DEFROST, state, P_DEFROST, state[P_AIR_C100], state[P_COLD_C100],
        may_start, state[P_FINAL],
    )  # fmt: skip
    if forced != R_AS_ASKED:
        state[P_DEFROST + M_REVERSE] = 0  # nothing flows in a trip or a fault, either way
    state[P_FROZEN] = 0
    if forced != R_AS_ASKED or phase != PHASE_RUN:
        state[P_FROZEN] = 1
    state[P_ALARM] = 0
    if forced == R_TRIP or forced == R_SENSOR_FAULT or forced == R_HOT_FAN:
        state[P_ALARM] = 1
    state[P_WARNING] = state[P_COLD_TACHOMETER + T_STALLED]
    if state[P_LOW_BATTERY] == 1 or _sensor_in_fault(state, P_COLD_SENSOR) == 1:
        state[P_WARNING] = 1


@kernel
def schedule(settings: Words, state: Words) -> int:
    """Return what the controller has to do; frozen, the first free tick steps at once.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Changed in place; order of the P_ indices.

    Returns
    -------
    int
        DUE_NOTHING, DUE_STEP, DUE_TRACK_AND_STEP or DUE_FREEZE [-].
    """
    if state[P_FROZEN] == 1:
        state[P_PERIOD_COUNT] = 0
        state[P_SUM_PERMILLE] = 0
        state[P_SUM_TICKS] = 0
        state[P_DEMAND] = 0
        return DUE_FREEZE
    if state[P_PERIOD_COUNT] > 0:
        state[P_PERIOD_COUNT] = state[P_PERIOD_COUNT] - 1
        return DUE_NOTHING
    state[P_PERIOD_COUNT] = settings[G_PERIOD_TICKS] - 1
    if state[P_SUM_TICKS] > 0:
        return DUE_TRACK_AND_STEP
    return DUE_STEP


@kernel
def take_mean(state: Words) -> int:
    """Return the mean duty given since the last step, and start the next mean.

    Parameters
    ----------
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Changed in place; order of the P_ indices.

    Returns
    -------
    int
        Mean final duty, 0 when none was counted [1/1000].
    """
    mean = div_round(state[P_SUM_PERMILLE], state[P_SUM_TICKS])
    state[P_SUM_PERMILLE] = 0
    state[P_SUM_TICKS] = 0
    return mean


@kernel
def fold_back_cap(settings: Words, state: Words) -> int:
    """Return the largest duty the hot sink allows.

    Linear from 1000 at the start to 300 at the full point, 300 beyond; for a
    switch-only drive 0 from above the full point until below the start.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Order of the P_ indices.

    Returns
    -------
    int
        Cap, 0 to 1000; 1000 without a hot-sink reading [1/1000].
    """
    if state[P_HOT_C100] == NO_SENSOR:
        return 1000
    if settings[G_SWITCH_ONLY] == 1:
        if state[P_FOLDED] == 1:
            return 0
        return 1000
    above = sub_sat(state[P_HOT_C100], settings[G_FOLD_START])
    span = sub_sat(settings[G_FOLD_FULL], settings[G_FOLD_START])
    fall = div_round(clamp(above, 0, span) * (1000 - FOLD_BACK_FLOOR_PERMILLE), span)
    return 1000 - fall


@kernel
def _cap(settings: Words, state: Words, wanted: int, cap: int) -> int:
    """Apply defrost, fold-back and duty limit; note which one set the value."""
    phase = state[P_DEFROST + M_PHASE]
    if phase == PHASE_MELT:
        state[P_REASON] = R_MELT
        return 0
    if phase == PHASE_DRIP:
        state[P_REASON] = R_DRIP
        return 0
    most = settings[G_DUTY_LIMIT]
    if wanted > cap and cap <= most:
        state[P_REASON] = R_FOLD_BACK
        return cap
    if wanted > most:
        state[P_REASON] = R_DUTY_LIMIT
        return most
    return wanted


@kernel
def _slew(settings: Words, state: Words, wanted: int) -> int:
    """Hold the change since the last tick within the slew limit."""
    step = settings[G_SLEW]
    out = clamp(wanted, state[P_FINAL] - step, state[P_FINAL] + step)
    if out != wanted:
        state[P_REASON] = R_SLEW
    return out


@kernel
def _minimum_times(settings: Words, state: Words, wanted: int, cap: int) -> int:
    """Hold on or off until its minimum time is over; never on above `cap`, 0 in a defrost."""
    before = state[P_FINAL]
    if wanted == 0 and before > 0 and state[P_ON_TICKS] < settings[G_MIN_ON] and cap > 0:
        state[P_REASON] = R_MIN_ON
        return clamp(before, 0, cap)
    if wanted > 0 and before == 0 and state[P_OFF_TICKS] < settings[G_MIN_OFF]:
        state[P_REASON] = R_MIN_OFF
        return 0
    return wanted


@kernel
def _book(state: Words, out: int) -> None:
    """Note the output: on and off times, and the mean for the anti-windup."""
    state[P_FINAL] = out
    if out > 0:
        state[P_ON_TICKS] = add_sat(state[P_ON_TICKS], 1)
        state[P_OFF_TICKS] = 0
    else:
        state[P_OFF_TICKS] = add_sat(state[P_OFF_TICKS], 1)
        state[P_ON_TICKS] = 0
    state[P_SUM_PERMILLE] = add_sat(state[P_SUM_PERMILLE], out)
    state[P_SUM_TICKS] = add_sat(state[P_SUM_TICKS], 1)


@kernel
def _hot_sink_hot(settings: Words, state: Words) -> int:
    """Return 1 above the start of fold-back, until 5 K below where the fan runs.

    Whatever heats it: a switch that is stuck on does so while the firmware idles.
    """
    limit = settings[G_FOLD_START]
    if state[P_HOT_FAN] == 1:
        limit = limit - HOT_FAN_HYSTERESIS_K100
    if state[P_HOT_C100] != NO_SENSOR and state[P_HOT_C100] > limit:
        return 1
    return 0


@kernel
def _fans(settings: Words, state: Words) -> None:
    """Set both fans from the output, the hot sink, the defrost phase and the alarms."""
    hot = _hot_sink_hot(settings, state)
    if state[P_FINAL] > 0 or state[P_ALARM] == 1:
        hot = 1
    # Off ticks already count this one, so the run-on lasts exactly its ticks.  It also
    # runs after a reset: the sink may still be hot.
    elif state[P_OFF_TICKS] <= settings[G_HOT_FAN_RUN_ON]:
        hot = 1
    reverse = state[P_DEFROST + M_REVERSE]
    if reverse > 0:
        hot = 1  # the room's warmth is what the reversed module pumps
    state[P_HOT_FAN] = hot
    cold = 1
    phase = state[P_DEFROST + M_PHASE]
    if reverse > 0:
        cold = 0  # warmth for the ice, not for the cabinet
    elif phase == PHASE_DRIP or state[P_FORCED] == R_LOW_BATTERY:
        cold = 0
    elif phase == PHASE_RUN and settings[G_COLD_FAN_WITH_MODULE] == 1 and state[P_FINAL] == 0:
        cold = 0
    state[P_COLD_FAN] = cold


@kernel
def limit(settings: Words, state: Words, demand_permille: int) -> int:
    """Take the demanded duty through every limiter, set the fans, say why.

    Parameters
    ----------
    settings : ndarray of int64, shape (GUARD_SETTING_WORDS,)
        Words of `ProtectionSettings`.
    state : ndarray of int64, shape (GUARD_STATE_WORDS,)
        Changed in place; order of the P_ indices.
    demand_permille : int
        What the controller asks for; clamped to 0 to 1000 [1/1000].

    Returns
    -------
    int
        Duty for the drive, before any time-proportioning [1/1000].
    """
    state[P_REASON] = state[P_FORCED]
    out = 0
    if state[P_FORCED] == R_AS_ASKED:
        cap = fold_back_cap(settings, state)
        out = _cap(settings, state, clamp(demand_permille, 0, 1000), cap)
        why = state[P_REASON]
        if why == R_AS_ASKED:
            why = R_FOLD_BACK  # the one limit that can fall below an output already given
        most = clamp(cap, 0, settings[G_DUTY_LIMIT])
        if state[P_DEFROST + M_PHASE] != PHASE_RUN:
            most = 0
        out = _slew(settings, state, out)
        out = _minimum_times(settings, state, out, most)
        # Slew and minimum on-time rank below what set `most`: they may not hold above it.
        if out > most:
            out = most
            state[P_REASON] = why
    _book(state, out)
    _fans(settings, state)
    return out

"""The plant driven by what a log recorded: one compiled run from its first row to its last."""

from plant import cabinet, integrate, stage
from plant.compiled import kernel

# Columns of what drives it.
AMBIENT_K, AMBIENT_RATIO, DOOR, DRIVE, HOT_FAN, COLD_FAN, RISE_V, FROST_TIMES, HOLDS = range(9)
DRIVERS = 9
# Columns of what it gives: sensors' own temperatures [K], contents [K], current [A], voltage [V].
AIR, COLD, HOT, CONTENTS, CURRENT, VOLTAGE = range(6)
OUTPUTS = 6
# What the column DRIVE is: duty, mean current of pulses, or what `duty` is of a current drive.
BY_DUTY, BY_PULSED_CURRENT = 0, 1


@kernel
def duty_of(plant, state, row, by):
    """Return the duty [-] that a row's drive comes to."""
    value = row[DRIVE]
    if by == BY_DUTY:
        return value
    full_a, _, _, _, _ = stage.on_drive(
        plant.module, plant.drive, 1.0, state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
        row[RISE_V], 0.0,
    )  # fmt: skip
    return min(max(value / max(full_a, 1e-3), -1.0), 1.0)


@kernel
def hold(inputs, row):
    """Set what a row states of door, fans and supply."""
    inputs[cabinet.DOOR] = row[DOOR]
    inputs[cabinet.HOT_FAN] = row[HOT_FAN]
    inputs[cabinet.COLD_FAN] = row[COLD_FAN]
    inputs[cabinet.SUPPLY_RISE_V] = row[RISE_V]


@kernel
def replay(plant, state, time_s, drivers, by, work, out):
    """Run the plant through the rows; return how many were reached.

    Parameters
    ----------
    plant : record of `Plant`
    state : float array, shape (STATES,)
        At the first row; changed.
    time_s : float array, shape (rows,)
        Rising [s].
    drivers : float array, shape (rows, DRIVERS)
        A row's drive, fans and door hold for the share HOLDS of the time to the next row, which
        sets them from then on; the room goes in straight lines.
        FROST_TIMES multiplies the cold sink's K/W, besides the frost that the plant grows itself.
    by : int
        `BY_DUTY` or `BY_PULSED_CURRENT`.
    work : float array
        An `integrate.work_array`.
    out : float array, shape (rows, OUTPUTS)
        Filled.
    """
    step_s = 1.0
    inputs = work[-1]
    driven_w_per_k, still_w_per_k = plant.cold_sink.fan_w_per_k, plant.cold_sink.no_fan_w_per_k
    rows = time_s.shape[0]
    for i in range(rows):
        row = drivers[i]
        duty = duty_of(plant, state, row, by)
        mean_a, _, _, _, power_w = stage.on_drive(
            plant.module, plant.drive, duty, state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
            row[RISE_V], 0.0,
        )  # fmt: skip
        out[i, AIR] = state[cabinet.CONTROL_SENSOR]
        out[i, COLD] = state[cabinet.COLD_SENSOR]
        out[i, HOT] = state[cabinet.HOT_SENSOR]
        out[i, CONTENTS] = cabinet.contents_temperature(plant, state)
        out[i, CURRENT] = mean_a
        if abs(mean_a) > 0.02:
            out[i, VOLTAGE] = power_w / mean_a
        else:
            seebeck, _ = stage.at_rest(
                plant.module, state[cabinet.COLD_FACE], state[cabinet.HOT_FACE]
            )
            out[i, VOLTAGE] = seebeck * (state[cabinet.HOT_FACE] - state[cabinet.COLD_FACE])
        if i == rows - 1:
            break
        after = drivers[i + 1]
        inputs[cabinet.AMBIENT] = 0.5 * (row[AMBIENT_K] + after[AMBIENT_K])
        inputs[cabinet.AMBIENT_W] = 0.5 * (row[AMBIENT_RATIO] + after[AMBIENT_RATIO])
        plant.cold_sink.fan_w_per_k = driven_w_per_k / row[FROST_TIMES]
        plant.cold_sink.no_fan_w_per_k = still_w_per_k / row[FROST_TIMES]
        whole_s = time_s[i + 1] - time_s[i]
        held_s = min(max(row[HOLDS], 0.0), 1.0) * whole_s
        for part in range(2):
            held, length_s = (row, held_s) if part == 0 else (after, whole_s - held_s)
            if length_s > 0.0:
                hold(inputs, held)
                inputs[cabinet.DUTY] = duty_of(plant, state, held, by)
                step_s = integrate.advance(plant, state, inputs, length_s, step_s, work)
        if step_s < 0.0:
            rows = i + 1
            break
        cabinet.begin_ice(plant, state)
    plant.cold_sink.fan_w_per_k, plant.cold_sink.no_fan_w_per_k = driven_w_per_k, still_w_per_k
    return rows

"""A second cabinet, built otherwise, that makes logs for `calibrate` to find out about.

Nothing here calls the package's physics: the walls are eight slices, each sink has a base and
fins, the air a warm and a cold half, the contents a shell and a core; the module is worked out
from cells along its legs; LSODA integrates.  Numbers start
from a config's nominal values and are drawn within its tolerances.  Dry air, and no frost, but
with a `tests/other_frost.Moisture`.  The readings have an offset, a lag, a slow drift, noise
that hangs together, and steps.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import solve_ivp

from tests import other_frost

SLICES = 8
ZERO_C = 273.15
# Slopes of a, R, K about 25 °C [1/K]: bismuth telluride, rounded, from memory.
SLOPE_A, SLOPE_R, SLOPE_K = 0.0016, 0.0050, -0.0018
CELLS = 10  # along a leg


@dataclass
class Truth:
    """What the log shall tell; SI units."""

    seebeck: float
    resistance: float
    conductance: float
    hot_joint: float
    cold_joint: float
    hot_sink: float
    hot_still: float
    cold_sink: float
    cold_still: float
    foam: float
    direct: float
    inside_film: float
    outside_film: float
    wall_capacity: float
    lining_capacity: float
    hot_capacity: float
    cold_capacity: float
    contents_capacity: float
    contents_film: float
    air_capacity: float
    face_capacity: float
    fan_w: float
    loop_ohm: float
    smoothed: bool
    ripple: float
    offsets: dict = field(default_factory=dict)

    @property
    def lumps(self):
        """The lumps by the names that a calibration gives them."""
        walls = 1.0 / (1.0 / self.inside_film + 1.0 / self.foam + 1.0 / self.outside_film)
        return {
            "ua_w_per_k": walls + self.direct,
            "hot_resistance_k_per_w": self.hot_joint + self.hot_sink,
            "cold_resistance_k_per_w": self.cold_joint + self.cold_sink,
            "seebeck_v_per_k": self.seebeck,
            "resistance_ohm": self.resistance,
            "conductance_w_per_k": self.conductance,
            "contents_j_per_k": self.contents_capacity,
        }


def leg_profile(truth, mean, square, cold_k, hot_k):
    """Return (temperatures along the legs, heat taken up, volts of Seebeck, ohms).

    Cells along the leg; the flux a I T - K dT/dx grows by I^2 r + I a dT/dx; properties at each
    cell's own temperature, by three rounds of a linear solve.
    """
    n, h = CELLS, 1.0 / CELLS
    temps = np.linspace(cold_k, hot_k, n + 1)
    for _ in range(3):
        at_edge = 0.5 * (temps[1:] + temps[:-1]) - 298.15
        seebeck = truth.seebeck * (1.0 + SLOPE_A * at_edge)
        conduct = truth.conductance * (1.0 + SLOPE_K * at_edge) / h
        ohm = truth.resistance * (1.0 + SLOPE_R * (temps - 298.15))
        own = 0.5 * mean * truth.seebeck * (1.0 + SLOPE_A * (temps - 298.15))
        # Flux through edge k: left[k] T_k + right[k] T_(k+1)
        left, right = 0.5 * mean * seebeck + conduct, 0.5 * mean * seebeck - conduct
        matrix = np.zeros((n + 1, n + 1))
        matrix[0, 0] = matrix[n, n] = 1.0
        inner = np.arange(1, n)
        matrix[inner, inner] = left[1:] - right[:-1]
        matrix[inner, inner + 1] = right[1:] - own[inner]
        matrix[inner, inner - 1] = own[inner] - left[:-1]
        source = h * square * ohm
        source[0], source[n] = cold_k, hot_k
        temps = np.linalg.solve(matrix, source)
    first_slope = (temps[1] - temps[0]) / h
    uptake = left[0] * temps[0] + right[0] * temps[1]
    uptake -= 0.5 * h * (square * ohm[0] + 2.0 * own[0] * first_slope)
    mean_ohm = h * float(ohm.sum() - 0.5 * (ohm[0] + ohm[-1]))
    return temps, uptake, float(seebeck @ np.diff(temps)), mean_ohm


def module_flows(truth, drive_v, duty, cold_k, hot_k):
    """Return (mean current, heat taken up, heat given off) with the legs resolved."""
    apart, middle = hot_k - cold_k, 0.5 * (hot_k + cold_k)
    volts = apart * truth.seebeck * (1.0 + SLOPE_A * (middle - 298.15))
    ohm = truth.resistance * (1.0 + SLOPE_R * (middle - 298.15))
    uptake = 0.0
    for _ in range(3):
        mean = square = 0.0
        if duty > 0.0 and truth.smoothed:
            mean = max((duty * drive_v - volts) / (ohm + truth.loop_ohm), 0.0)
            square = mean * mean * (1.0 + truth.ripple**2)
        elif duty > 0.0:
            full = max((drive_v - volts) / (ohm + truth.loop_ohm), 0.0)
            mean, square = duty * full, duty * full * full
        _, uptake, volts, ohm = leg_profile(truth, mean, square, cold_k, hot_k)
        if duty <= 0.0:
            break
    return mean, uptake, uptake + mean * volts + ohm * square


# States: wall slices, top and bottom air, cold base and fins, hot base and fins, contents' shell
# and core, cold and hot face, then the lagging sensors of air, cold sink and hot sink.
TOP, BOTTOM, COLD_BASE, COLD_FINS, HOT_BASE, HOT_FINS, SHELL, CORE, FACE_C, FACE_H = range(
    SLICES, SLICES + 10
)
SENSE = SLICES + 10
STATES = SENSE + 3
SENSOR_LAG = (15.0, 8.0, 8.0)
MIX_W_PER_K = 15.0  # between the halves of the air, fan running: invented


def slopes(_, y, truth, room_k, duty, drive_v, hot_fan, cold_fan, moisture=None):
    d = np.zeros(y.size)
    foam, film_in, film_out = truth.foam, truth.inside_film, truth.outside_film
    each = truth.wall_capacity / SLICES
    between = foam * SLICES  # centre to centre
    edge_in = 1.0 / (1.0 / film_in + 0.5 / between)
    edge_out = 1.0 / (1.0 / film_out + 0.5 / between)
    air_k = 0.5 * (y[TOP] + y[BOTTOM])
    flows = between * np.diff(y[:SLICES])
    d[: SLICES - 1] += flows
    d[1:SLICES] -= flows
    into_wall = edge_in * (air_k - y[0])
    d[0] += into_wall
    d[SLICES - 1] += edge_out * (room_k - y[SLICES - 1])
    d[:SLICES] /= each
    d[0] *= each / (each + truth.lining_capacity)
    _, uptake, given = module_flows(truth, drive_v, duty, y[FACE_C], y[FACE_H])
    # Of a sink's resistance a part lies between base and fins.
    whole = truth.cold_sink if cold_fan > 0.5 else truth.cold_still
    base_fins, latent = 0.15 * truth.cold_sink, 0.0
    if moisture is not None:
        ice_kg = max(y[STATES + other_frost.ICE], 0.0)
        whole = other_frost.frosted(moisture, ice_kg, whole, base_fins)
        d[STATES:], latent = other_frost.flows(
            moisture, y[STATES:], air_k, y[COLD_FINS], room_k, cold_fan
        )
    intake_k = 0.65 * y[TOP] + 0.35 * y[BOTTOM]
    from_air = (intake_k - y[COLD_FINS]) / (whole - base_fins)
    to_base = (y[COLD_FINS] - y[COLD_BASE]) / base_fins
    to_face = (y[COLD_BASE] - y[FACE_C]) / truth.cold_joint
    d[COLD_FINS] = (from_air + latent - to_base) / (0.6 * truth.cold_capacity)
    d[COLD_BASE] = (to_base - to_face) / (0.4 * truth.cold_capacity)
    d[FACE_C] = (to_face - uptake) / truth.face_capacity
    hot_whole = truth.hot_sink if hot_fan > 0.5 else truth.hot_still
    hot_base_fins = 0.2 * truth.hot_sink
    from_face = (y[FACE_H] - y[HOT_BASE]) / truth.hot_joint
    to_fins = (y[HOT_BASE] - y[HOT_FINS]) / hot_base_fins
    away = (y[HOT_FINS] - room_k) / (hot_whole - hot_base_fins)
    d[FACE_H] = (given - from_face) / truth.face_capacity
    d[HOT_BASE] = (from_face - to_fins) / (0.4 * truth.hot_capacity)
    d[HOT_FINS] = (to_fins - away) / (0.6 * truth.hot_capacity)
    to_shell = truth.contents_film * (air_k - y[SHELL])
    to_core = 4.0 * truth.contents_film * (y[SHELL] - y[CORE])
    dries = 0.0 if moisture is None else moisture.source_kg_per_s * other_frost.LATENT_WATER
    d[SHELL] = (to_shell - to_core - dries) / (0.3 * truth.contents_capacity)
    d[CORE] = to_core / (0.7 * truth.contents_capacity)
    shared = truth.direct * (room_k - air_k) - into_wall - to_shell
    mixing = MIX_W_PER_K * (0.3 + 0.7 * cold_fan) * (y[TOP] - y[BOTTOM])
    half = 0.5 * truth.air_capacity
    d[TOP] = (0.5 * shared + cold_fan * truth.fan_w - mixing) / half
    d[BOTTOM] = (0.5 * shared - from_air + mixing) / half
    sensed = (0.6 * y[TOP] + 0.4 * y[BOTTOM], y[COLD_BASE], y[HOT_BASE])
    for k, at in enumerate(sensed):
        d[SENSE + k] = (at - y[SENSE + k]) / SENSOR_LAG[k]
    return d


def reading(stream, true, step_s, offset_k, noise_k, quantum, drift_k):
    """Return a column as logged: offset, drift, noise of 60 s correlation, steps."""
    keep = np.exp(-step_s / 60.0)
    noise = np.empty(true.size)
    noise[0] = stream.standard_normal()
    for k in range(1, true.size):
        noise[k] = keep * noise[k - 1] + np.sqrt(1.0 - keep**2) * stream.standard_normal()
    seen = true + offset_k + drift_k * np.linspace(0.0, 1.0, true.size) + noise_k * noise
    return np.round(seen / quantum) * quantum


def run(
    truth, profile, step_s, stream, room_c=22.0, start_k=None, moisture=None, follow_s=600.0,
    rtol=1e-6,
):  # fmt: skip
    """Return the columns of a log, and under "ice_kg" what no log has.

    `profile` is a sequence of (minutes, duty, hot fan, cold fan); the supply stands at 12.3 V.
    The room is followed in steps of `follow_s` [s].
    """
    seconds = sum(minutes for minutes, *_ in profile) * 60.0
    time_s = np.arange(0.0, seconds, step_s)
    swing = stream.uniform(0.5, 1.5)
    phase = stream.uniform(0.0, 2.0 * np.pi)

    def room_k(t):
        return room_c + ZERO_C + swing * (np.sin(2.0 * np.pi * t / 86400.0 + phase) - np.sin(phase))

    y = np.full(STATES, room_c + ZERO_C if start_k is None else start_k)
    if moisture is not None:
        y = np.append(y, other_frost.start(moisture, room_c + ZERO_C, y[COLD_FINS]))
    table = np.empty((time_s.size, y.size))
    duty, hot, cold, amps = (np.empty(time_s.size) for _ in range(4))
    begin = 0.0
    drive_v = 12.3
    for minutes, level, hot_fan, cold_fan in profile:
        end = begin + 60.0 * minutes
        rows = np.flatnonzero((time_s >= begin - 1e-6) & (time_s < end - 1e-6))
        at = begin
        while at < end - 1e-6:
            until = min(at + follow_s, end)
            mean_k = room_k(0.5 * (at + until))
            inside = rows[(time_s[rows] >= at - 1e-6) & (time_s[rows] < until - 1e-6)]
            found = solve_ivp(
                slopes, (at, until), y, method="LSODA", rtol=rtol,
                atol=np.append(np.full(STATES, 1e-5), np.full(y.size - STATES, 1e-7)),
                t_eval=np.append(time_s[inside], until),
                args=(truth, mean_k, level, drive_v, hot_fan, cold_fan, moisture),
            )  # fmt: skip
            table[inside] = found.y[:, :-1].T
            y, at = found.y[:, -1].copy(), until
        duty[rows], hot[rows], cold[rows] = level, hot_fan, cold_fan
        begin = end
    for k in range(time_s.size):
        amps[k] = module_flows(truth, drive_v, duty[k], table[k, FACE_C], table[k, FACE_H])[0]
    columns = {"time_s": time_s}
    true = {
        "air_c": table[:, SENSE] - ZERO_C, "cold_sink_c": table[:, SENSE + 1] - ZERO_C,
        "hot_sink_c": table[:, SENSE + 2] - ZERO_C, "ambient_c": room_k(time_s) - ZERO_C,
        "contents_c": 0.3 * table[:, SHELL] + 0.7 * table[:, CORE] - ZERO_C,
    }  # fmt: skip
    for name, values in true.items():
        drift_k = stream.uniform(-0.1, 0.1)
        columns[name] = reading(
            stream, values, step_s, truth.offsets.get(name, 0.0), 0.05, 0.0625, drift_k
        )
    share = 0.08 if moisture is None else moisture.room_share
    columns["ambient_rh_pct"] = np.full(time_s.size, 100.0 * share)
    columns["supply_v"] = np.full(time_s.size, drive_v)
    columns["module_a"] = reading(stream, amps, step_s, 0.0, 0.02, 0.01, 0.0)
    columns |= {"duty": duty, "hot_fan": hot, "cold_fan": cold}
    if moisture is not None:
        columns["ice_kg"] = table[:, STATES + other_frost.ICE]
    return columns


def write(path, columns, names):
    """Write chosen columns as a CSV file."""
    table = np.column_stack([columns[name] for name in names])
    rows = [",".join(f"{value:.10g}" for value in row) for row in table]
    path.write_text(",".join(names) + "\n" + "\n".join(rows) + "\n", encoding="utf-8")


# The two kinds of log: minutes, duty, hot fan, cold fan.
LARDER_PROFILE = (
    (10, 0.0, 1, 1), (60, 1.0, 1, 1), (30, 0.5, 1, 1), (35, 0.0, 1, 1), (35, 0.8, 1, 1),
    (20, 0.3, 1, 1), (45, 0.6, 1, 1),
)  # fmt: skip
BOX_PROFILE = (
    (10, 0.0, 1, 1), (50, 0.7, 1, 1), (40, 0.4, 1, 1), (40, 0.0, 1, 1), (40, 0.6, 1, 1),
    (45, 0.3, 1, 1),
)  # fmt: skip

"""Closed-loop runs that record the codes, and random settings and codes: for the C's tests."""

import numpy as np
from hypothesis import strategies as st

from ctrl.best_cop import BestCOPSettings
from ctrl.cascade import CascadeSettings
from ctrl.controllers import controller_of, firmware_tick, law_reset
from ctrl.defrost import DEFROST_DEMAND, DEFROST_NONE, DEFROST_REVERSED, DefrostSettings
from ctrl.fixed import FixedSettings
from ctrl.fixed_point import NO_SENSOR
from ctrl.loop import (
    Loop,
    apply_command,
    logged_weather,
    plant_tick,
    sense,
    sense_ambient,
    sense_fans,
    supply_mv,
    weather,
)
from ctrl.on_off import OnOffSettings
from ctrl.pi import PISettings
from ctrl.pi_options import PIOptions
from ctrl.protection import CODE_SUPPLY_MV, guard_reset
from ctrl.protection_settings import CODE_HOT_FAN_PULSES, CODE_WORDS, ProtectionSettings
from ctrl.readings import SENSOR_ABSENT, SENSOR_DIGITAL, SENSOR_THERMISTOR, SensorSettings
from ctrl.slow_window import SlowWindowSettings
from ctrl.two_level import TwoLevelSettings
from plant import supply
from plant.compiled import kernel

AS_IT_IS = -(10**6)  # no fault: the code of the plant


@kernel
def run_recorded(
    plant, state, kind, law, law_state, guard, guard_state, codes, conversions,
    conversion_ticks, inputs, start_s, tick_s, seed, step_s, work, weather_rows, faults, resets,
    table,
):  # fmt: skip
    """Run the closed loop with faults laid over the codes; write each tick's codes to `table`."""
    for tick in range(table.shape[0]):
        time_s = start_s + tick * tick_s
        if resets[tick]:
            guard_reset(guard, guard_state)
            law_reset(kind, law, law_state)
        weather(plant, inputs, time_s)
        logged_weather(weather_rows, inputs, time_s)
        sense(plant, state, codes, conversions, conversion_ticks, tick, seed, 0)
        sense_ambient(plant, codes, weather_rows, tick, time_s, seed, 0)
        codes[CODE_SUPPLY_MV] = supply_mv(plant, state, inputs)
        sense_fans(inputs, codes)
        for at in range(codes.shape[0]):
            table[tick, at] = codes[at]
            if faults[tick, at] != AS_IT_IS:
                table[tick, at] = faults[tick, at]
        firmware_tick(kind, law, law_state, guard, guard_state, tick, table[tick])
        apply_command(plant, inputs, guard_state, supply.LIVE)
        step_s = plant_tick(plant, state, inputs, time_s, tick_s, step_s, work)
    return step_s


def recorded_codes(loop: Loop, faults: np.ndarray, resets: np.ndarray) -> np.ndarray:
    """Run a loop and return the codes of every tick, shape (n, CODE_WORDS)."""
    table = np.zeros(faults.shape, dtype=np.int64)
    step = run_recorded(
        loop._record, loop.state, controller_of(loop.firmware.law).kind, loop._law,
        loop.law_state, loop._guard, loop.guard_state, loop._codes, loop._conversions,
        loop._conversion_ticks, loop._inputs, loop._start_s, loop.firmware.tick_s, 1,
        loop._step_s, loop._work, loop._weather_rows, faults, resets, table,
    )  # fmt: skip
    assert step > 0.0
    return table


# Random settings ------------------------------------------------------------------------

WORDS = st.integers(0, 2**31 - 1)
GAIN = st.one_of(st.integers(0, 5_000_000), WORDS)
PERMILLE = st.integers(1, 1000)
SHARE = st.integers(0, 1 << 24)
SETPOINT = st.integers(-500, 1500)
FEW = st.integers(1, 400)
TICKS = st.one_of(FEW, FEW, FEW, st.integers(1, 2**31 - 2))


@st.composite
def sensors(draw, absent=True):
    """Return a sensor of any kind, its table either way round."""
    kinds = [SENSOR_THERMISTOR, SENSOR_DIGITAL] + ([SENSOR_ABSENT] if absent else [])
    kind = draw(st.sampled_from(kinds))
    bits = draw(st.integers(8, 16))
    table = np.linspace(4000, -1000, 33).astype(int) + draw(st.integers(-500, 500))
    if draw(st.booleans()):
        table = table[::-1]
    thermistor = kind == SENSOR_THERMISTOR
    return SensorSettings(
        kind=kind, adc_bits=bits, offset_k100=draw(st.integers(-1000, 1000)),
        code_low=(1 << bits) // 50 if thermistor else -880,
        code_high=(1 << bits) - (1 << bits) // 50 if thermistor else 2000,
        jump_k100=draw(st.integers(1, 32767)), jump_k100_per_tick=draw(st.integers(1, 32767)),
        fault_ticks=draw(st.integers(1, 20)), recover_ticks=draw(st.integers(1, 60)),
        latch_ticks=draw(st.integers(1, 65534)), latch_count=draw(st.integers(2, 1000)),
        table=tuple(int(value) for value in table),
    )  # fmt: skip


@st.composite
def defrosts(draw):
    """Return a plan of any kind, often a short one."""
    kind = draw(st.integers(DEFROST_NONE, DEFROST_REVERSED))
    return DefrostSettings(
        kind=kind, interval_ticks=draw(TICKS), end_c100=draw(st.integers(1, 3000)),
        hold_ticks=draw(st.integers(1, 50)), longest_ticks=draw(TICKS),
        drip_ticks=draw(st.integers(1, 200)),
        abort_c100=draw(st.sampled_from([0, NO_SENSOR, 800, 2500])),
        share_permille=draw(PERMILLE), learn_ticks=draw(TICKS),
        settle_ticks=draw(st.integers(1, 50 if kind == DEFROST_DEMAND else 65535)),
        reverse_permille=draw(st.integers(0, 1000)), ramp_permille=draw(PERMILLE),
        pause_ticks=draw(st.integers(0, 60)), latest_ticks=draw(TICKS),
    )  # fmt: skip


@st.composite
def protections(draw):
    """Return protections with any of the limiters at work."""
    start = draw(st.integers(0, 4000))
    full = start + draw(st.integers(1, 2000))
    window = draw(st.sampled_from([0, 0, 2, 7, 60, 32767]))
    cut_off = draw(st.sampled_from([0, 11500]))
    none = draw(st.booleans())
    return ProtectionSettings(
        control=draw(sensors(absent=False)), hot=draw(sensors()), cold=draw(sensors()),
        defrost=draw(defrosts()), period_ticks=draw(st.sampled_from([1, 1, 2, 7, 60, 60000])),
        duty_limit_permille=draw(PERMILLE),
        slew_permille_per_tick=1000 if none else draw(PERMILLE),
        min_on_ticks=draw(st.sampled_from([0, 5, 180, 65535])),
        min_off_ticks=draw(st.sampled_from([0, 5, 180])), switch_only=draw(st.integers(0, 1)),
        fold_start_c100=start, fold_full_c100=full,
        trip_c100=full + draw(st.sampled_from([1, 500, 20000, 20000, 20000])),
        hot_fan_run_on_ticks=draw(st.integers(0, 400)),
        cold_fan_with_module=draw(st.integers(0, 1)), cut_off_mv=cut_off,
        hot_fan_start_ticks=draw(st.sampled_from([0, 0, 5, 65535])),
        cold_fan_start_ticks=draw(st.sampled_from([0, 5])), fan_turn_ticks=draw(st.integers(1, 40)),
        resume_mv=cut_off + draw(st.integers(0, 600)), battery_ticks=draw(st.integers(1, 30)),
        window=SlowWindowSettings(window, draw(st.integers(0, window // 2))),
    )  # fmt: skip


@st.composite
def pi_settings(draw):
    """Return a PI law with any of its options."""
    duties = sorted(draw(st.sets(st.integers(0, 1000), min_size=3, max_size=3)))
    points = draw(st.sampled_from([0, 0, 2, 3]))
    slope = draw(st.sampled_from([0, 1, 20_000, 2**31 - 1]))
    return PISettings(
        draw(SETPOINT), draw(GAIN), draw(GAIN), draw(SHARE),
        PIOptions(
            weight_q15=draw(st.sampled_from([32768, 32768, 0, 12345])),
            schedule=tuple((duty, draw(GAIN), draw(GAIN)) for duty in duties[:points]),
            slope_q20=slope, smoothing_q24=draw(SHARE),
            ambient=draw(sensors(absent=slope == 0)),
        ),
    )  # fmt: skip


LAWS = {
    "fixed": st.builds(FixedSettings, st.integers(0, 1000)),
    "on_off": st.builds(OnOffSettings, SETPOINT, st.integers(1, 400), PERMILLE),
    "two_level": st.builds(
        TwoLevelSettings, SETPOINT, st.integers(1, 400), st.just(1000), st.integers(0, 999)
    ),
    "pi": pi_settings(),
    "cascade": st.builds(
        CascadeSettings, st.integers(0, 1500), st.integers(-3000, -1), GAIN, GAIN, SHARE, GAIN,
        GAIN, SHARE, PERMILLE,
    ),
    "best_cop": st.builds(
        BestCOPSettings, SETPOINT, st.integers(1, 400), GAIN, GAIN, SHARE, st.integers(0, 8000),
        st.tuples(*[PERMILLE] * 9),
    ),
}  # fmt: skip


def random_codes(sensors_of, seed: int, ticks: int) -> np.ndarray:
    """Return codes that wander, jump, stick, and go where no code should, (ticks, 7)."""
    rng = np.random.default_rng(seed)
    codes = np.zeros((ticks, CODE_WORDS), dtype=np.int64)
    for column, sensor in sensors_of.items():
        span = 800 if sensor.kind == SENSOR_DIGITAL else 1 << sensor.adc_bits
        lowest = -200 if sensor.kind == SENSOR_DIGITAL else 0
        pace = max(1.0, span * rng.choice([0.0002, 0.001, 0.005, 0.02]))
        walk = np.cumsum(rng.normal(0.0, pace, ticks)) + rng.uniform(0.2, 0.8) * span
        fold = np.abs((walk % (2 * span)) - span)  # reflected at both ends
        codes[:, column] = lowest + fold.astype(np.int64)
    codes[:, CODE_SUPPLY_MV] = 11800 + np.cumsum(rng.integers(-20, 21, ticks)) % 800 - 400
    turning = np.cumsum(rng.random((ticks, 2)) < 0.03, axis=0) % 3 != 1
    codes[:, CODE_HOT_FAN_PULSES:] = turning * rng.integers(1, 60, (ticks, 2))
    wild = np.array([0, 1, -1, 1360, 65535, -32768, 32767, 2**31 - 1, -(2**31)])
    for _ in range(ticks // 200):  # bad spells of one to thirty ticks
        column, at, long = rng.integers(0, 5), rng.integers(0, ticks), rng.integers(1, 30)
        at = at if rng.random() < 0.9 else 0  # a start without a reading
        codes[at : at + long, column] = rng.choice(wild)
    return codes

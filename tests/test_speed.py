"""How long one simulated day takes, beside a yardstick measured in the same run.

No time is asserted: a figure belongs to the machine it was measured on. The target is
100 ms for a day of 1 s ticks with every state at work, on `configs/benchmark.toml`.
"""

import subprocess
import sys
import time
from functools import partial

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ctrl.build import plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.controllers import controller_of, firmware_tick
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop, sense, weather
from ctrl.trial import warm_state
from plant import cabinet, integrate
from plant.cabinet import derivative
from plant.compiled import kernel

DAY_S = 86400.0
FINS = {  # invented
    "fan_k_per_w": None, "fan_flow_m3_per_h": None, "fins": 30, "fin_height_mm": 30.0,
    "fin_thickness_mm": 1.0, "fin_gap_mm": 3.0, "fin_length_mm": 120.0,
    "fan_free_flow_m3_per_h": 90.0, "fan_stall_pa": 40.0,
}  # fmt: skip
TARGET_MS = 100.0


@pytest.fixture(scope="module")
def running():
    """The benchmark cabinet after a day, so that frost, water and defrost are at work."""
    config = load_config("benchmark")
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    loop.run(DAY_S, 60.0)
    return loop


@kernel
def dependent_adds(count):
    total = 0.0
    for i in range(count):
        total += i * 1e-9
    return total


@pytest.mark.benchmark(group="one simulated day")
def test_a_day_of_one_second_ticks(benchmark, running):
    benchmark.pedantic(running.run, args=(DAY_S, 60.0), rounds=5, warmup_rounds=1)
    if benchmark.stats:
        ms = 1e3 * benchmark.stats.stats.min
        print(
            f"{cabinet.PHYSICAL_STATES} states and {cabinet.STATES - cabinet.PHYSICAL_STATES} "
            f"ledgers, 86400 ticks: {ms:.0f} ms a day (target {TARGET_MS:.0f} ms)"
        )
    assert running.state[cabinet.PLUG_ENERGY] > 0.0


@pytest.mark.benchmark(group="one simulated day")
def test_yardstick_fifty_million_dependent_adds(benchmark):
    dependent_adds(10)
    total = benchmark.pedantic(dependent_adds, args=(50_000_000,), rounds=3)
    assert total == pytest.approx(1e-9 * 50e6 * (50e6 - 1) / 2, rel=1e-6)


@pytest.mark.benchmark(group="one simulated hour")
def test_an_hour_of_ticks_ours(benchmark, running):
    benchmark.pedantic(running.run, args=(3600.0, 60.0), rounds=5)
    assert np.isfinite(running.state).all()


@pytest.mark.benchmark(group="one simulated hour")
def test_an_hour_of_ticks_by_a_general_solver(benchmark, running):
    """LSODA at rtol 1e-6, one call a tick, on the same right-hand side."""
    record = cabinet.to_record(running.plant)
    inputs = running._inputs.copy()

    def slope(time_s, state):
        out = np.empty(cabinet.STATES)
        cabinet.derivative(record, state, inputs, out)
        return out

    def hour():
        state = running.state.copy()
        for _ in range(3600):
            state = solve_ivp(slope, (0.0, 1.0), state, method="LSODA", rtol=1e-6).y[:, -1]
        return state

    end = benchmark.pedantic(hour, rounds=1)
    assert np.isfinite(end).all()


# What each part costs --------------------------------------------------------------------


@kernel
def many_weathers(plant, inputs, count):
    for i in range(count):
        weather(plant, inputs, float(i))


@kernel
def many_senses(plant, state, codes, conversions, ticks, count):
    for i in range(count):
        sense(plant, state, codes, conversions, ticks, i, 1, 0)


@kernel
def many_firmware_ticks(kind, law, law_state, guard, guard_state, codes, first, count):
    for i in range(count):
        firmware_tick(kind, law, law_state, guard, guard_state, first + i, codes)


@kernel
def many_slopes(plant, state, inputs, slope, count):
    for _ in range(count):
        derivative(plant, state, inputs, slope)
        state[cabinet.COLD_FACE] += 1e-12 * slope[cabinet.COLD_FACE]  # each waits for the last


@kernel
def many_steps(plant, state, inputs, work, count):
    for _ in range(count):
        integrate.advance(plant, state, inputs, 1.0, 1.0, work)


def nanoseconds(call, count):
    """Return the least time of five runs of `call(count)` [ns for one], compiled before."""
    call(1)
    least = min(_seconds(call, count) for _ in range(5))
    return 1e9 * least / count


def _seconds(call, count):
    """Return the processor's time: on a busy machine the clock on the wall counts others' work."""
    start = time.thread_time()
    call(count)
    return time.thread_time() - start


def test_what_each_part_costs(running):
    """A table of parts; the sum of a tick's parts is the tick, give or take what inlining saves."""
    loop = running
    record, state, inputs = loop._record, loop.state.copy(), loop._inputs.copy()
    slope, work = np.zeros(cabinet.STATES), integrate.work_array()
    codes, conversions = loop._codes.copy(), loop._conversions.copy()
    kind = controller_of(loop.firmware.law).kind
    law_state, guard_state = loop.law_state.copy(), loop.guard_state.copy()
    add_ns = nanoseconds(dependent_adds, 2_000_000)
    parts = {
        "weather": lambda n: many_weathers(record, inputs.copy(), n),
        "sense, three thermistors": lambda n: many_senses(
            record, state, codes, conversions, loop._conversion_ticks, n
        ),
        "firmware": lambda n: many_firmware_ticks(
            kind, loop._law, law_state, loop._guard, guard_state, codes, loop._tick, n
        ),
        "right-hand side, one": lambda n: many_slopes(record, state.copy(), inputs, slope, n),
        "step of 1 s, four of them": lambda n: many_steps(record, state.copy(), inputs, work, n),
    }
    costs = {name: nanoseconds(call, 100_000) for name, call in parts.items()}
    costs["whole tick"] = nanoseconds(lambda n: loop.run(float(n), 60.0), 86400)
    print(f"{'part':<28}{'ns a call':>10}{'ms a day':>10}{'adds':>7}")
    for name, cost in costs.items():
        print(f"{name:<28}{cost:>10.0f}{cost * 0.0864:>10.1f}{cost / add_ns:>7.0f}")
    print(f"{'one dependent addition':<28}{add_ns:>10.2f}")
    # Not a time but a proportion: the step is what a tick costs, and four slopes the step.
    sum_ns = sum(costs[name] for name in parts if not name.startswith("right-hand"))
    assert 0.4 < sum_ns / costs["whole tick"] < 2.5
    assert 2.0 < costs["step of 1 s, four of them"] / costs["right-hand side, one"] < 8.0


def variant(name, **changes):
    """Return a running loop of the benchmark cabinet with some keys changed, after a day."""
    data = plain_data(load_config("benchmark"))
    for section, table in changes.items():
        if table is None:
            del data[section]
        else:
            table = {**data[section], **table}
            data[section] = {key: value for key, value in table.items() if value is not None}
    config = build_config(data, name)
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    loop.run(DAY_S, 60.0)
    return loop


def _day(loop, count):
    loop.run(count * DAY_S, 60.0)


def test_how_options_scale():
    """Milliseconds a day of plainer and richer cabinets; only the growth with ticks is asserted."""
    options = {
        "benchmark as it is": {},
        "one sensor": {"hot_sink_sensor": None, "cold_sink_sensor": None, "defrost": None},
        "dry room, no frost": {"climate": {"relative_humidity_pct": 5.0}},
        "no doors": {"use": {"door_openings_per_day": 0}},
        "colder, frost all day": {"controller": {"setpoint_c": 1.0}},
        "hold current when off": {"drive": {"off_mode": "hold"}},
        "sun, heat, own layers": {
            "climate": {"sun_w_per_m2": 600.0, "radiant_w_per_m2": 100.0},
            "cabinet": {"sunlit_area_m2": 0.2, "outer_layer_mm": 6.0, "outer_layer_top_mm": 20.0},
        },
        "hot sink by its fins": {"hot_sink": FINS},
        "slow window": {"drive": {"kind": "slow_window", "frequency_hz": None}},
        "two stages": {"module": {"stages": 2, "upper_stage_couples": 40}},
        "ticks of 0.1 s": {"controller": {"period_s": 0.1}},
    }
    figures = {}
    for name, changes in options.items():
        loop = variant(name, **changes)
        ticks = DAY_S / loop.firmware.tick_s
        figures[name] = 1e3 * min(_seconds(partial(_day, loop), 1) for _ in range(3))
        print(
            f"{name:<24}{figures[name]:>7.0f} ms a day {1e6 * figures[name] / ticks:>6.0f} ns a "
            f"tick, {figures[name] / figures['benchmark as it is']:.2f} times"
        )
        assert np.isfinite(loop.state).all()
    ratio = figures["ticks of 0.1 s"] / figures["benchmark as it is"]
    assert 2.0 < ratio < 20.0  # ten times the ticks: the cost goes with their number


def timed(*arguments):
    """Return (seconds, output) of one command in a process of its own."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "ctrl", *arguments], capture_output=True, text=True, check=True
    )
    return time.perf_counter() - start, done.stdout


def test_help_and_version_start_at_once():
    bare = min(timed("--version")[0] for _ in range(3))
    shown = min(timed("--help")[0] for _ in range(3))
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    python = time.perf_counter() - start
    print(
        f"--version {bare:.2f} s, --help {shown:.2f} s (target 0.3 s); "
        f"an empty Python process {python:.2f} s"
    )
    # What is asserted is the cause, not the time: nothing heavy is imported for a help text.
    code = (
        "import sys, contextlib, io\n"
        "from ctrl.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main(['--help'])\n"
        "heavy = {'numba', 'numpy', 'scipy', 'control', 'matplotlib', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

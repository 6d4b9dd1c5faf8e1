"""How long one simulated day takes, beside a yardstick measured in the same run.

No time is asserted: a figure belongs to the machine it was measured on. The target is
100 ms for a day of 1 s ticks with every state at work, on `configs/benchmark.toml`.
"""

import subprocess
import sys
import time

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop
from ctrl.trial import warm_state
from plant import cabinet
from plant.compiled import kernel

DAY_S = 86400.0
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

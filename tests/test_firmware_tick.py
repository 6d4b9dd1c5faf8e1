"""The whole firmware, a tick at a time: control period, anti-windup, a maker's own controller."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from protection_bench import DIGITAL, NTC, sixteenth

from ctrl import controllers, defrost
from ctrl.controllers import KIND_ON_OFF, KIND_PI, firmware_tick, firmware_tick_python
from ctrl.defrost import DefrostSettings
from ctrl.on_off import OnOffSettings
from ctrl.pi import PI_INTEGRAL, PISettings
from ctrl.protection import (
    P_FINAL,
    P_REASON,
    R_FIRST_READING,
    R_HOT_FAN,
    R_TRIP,
    REASONS,
    ProtectionSettings,
    new_guard_state,
)

PI = PISettings.from_physical(setpoint_c=5.0, kp_pct_per_k=20.0, ti_s=600.0, period_s=5.0)


class Firmware:
    """The firmware with digital sensors."""

    def __init__(self, law, kind, **change):
        change = {"hot": DIGITAL, "cold": DIGITAL, "control": DIGITAL, **change}
        self.guard_words = ProtectionSettings(**change).to_words()
        self.guard_state = new_guard_state(self.guard_words)
        self.kind, self.law = kind, law.to_words()
        self.law_state = controllers.new_law_state(law)

    def tick(self, air=8.0, hot=30.0, cold=2.0, times=1, code=None):
        first = sixteenth(air) if code is None else code
        codes = np.array([first, sixteenth(hot), sixteenth(cold), 12000], dtype=np.int64)
        for tick in range(times):
            firmware_tick(
                self.kind, self.law, self.law_state, self.guard_words, self.guard_state, tick, codes
            )
        return int(self.guard_state[P_FINAL])


def test_the_demand_holds_between_control_periods():
    # kp 20 % per K: 0.5 K is 100 permille, 1 K 200.  Steps at ticks 0, 5, 10.
    firmware = Firmware(PI, KIND_PI, period_ticks=5)
    out = [firmware.tick(air=5.5)] + [firmware.tick(air=6.0) for _ in range(5)]
    assert out[:5] == [100] * 5
    # 200 plus one period of integral: 20 %/K x 5/600 x 0.5 K = 0.083 % = 0.8 permille.
    assert out[5] == 201


def test_the_duty_limit_reaches_the_integral():
    # Automatic reset: with the output held at the limit the integral goes to it,
    # I = 400 (1 - exp(-t/Ti)); after 10 Ti what is missing is 0.02 permille.
    firmware = Firmware(PI, KIND_PI, period_ticks=5, duty_limit_permille=400)
    assert firmware.tick(air=20.0, times=6000) == 400
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(400.0, abs=0.05)


def test_a_defrost_freezes_the_integral_and_control_restarts_at_once():
    plan = DefrostSettings(
        kind=defrost.DEFROST_TIMED, interval_ticks=3002, longest_ticks=600, hold_ticks=1,
        drip_ticks=60, end_c100=300,
    )  # fmt: skip
    firmware = Firmware(PI, KIND_PI, period_ticks=5, defrost=plan)
    firmware.tick(air=5.5, cold=-5.0, times=3002)
    before = int(firmware.law_state[PI_INTEGRAL])
    duty = int(firmware.guard_state[P_FINAL])
    assert before > 0
    assert firmware.tick(air=5.5, cold=-5.0, times=660) == 0
    assert int(firmware.law_state[PI_INTEGRAL]) == before
    # First free tick, same reading: the same duty again, without waiting for a period.
    assert firmware.tick(air=5.5, cold=-5.0) == duty


def test_slew_before_a_step_counts_by_its_mean():
    # Demand 200 from 0 at 50 a tick, 5 ticks a period: 50 100 150 200 200, mean 140.
    # Back-calculation by hand: I = (5/600) 140 = 1.1667 permille.
    firmware = Firmware(PI, KIND_PI, period_ticks=5, slew_permille_per_tick=50)
    out = [firmware.tick(air=6.0) for _ in range(6)]
    assert out[:5] == [50, 100, 150, 200, 200]
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(140 * 5 / 600, abs=1e-3)
    # Second period: demand 201 given in full, so I grows by ki e, 2 x 100 x 5/600.
    for _ in range(5):
        firmware.tick(air=6.0)
    assert firmware.law_state[PI_INTEGRAL] / 2**20 == pytest.approx(1.1667 + 1.6667, abs=1e-3)


class ThermostatByHand:
    """A maker's own controller: the same band as the on-off one, written again."""

    def __init__(self):
        self.on = False
        self.ticks = []

    def step(self, reading_c100: int, tick: int) -> int:
        self.ticks.append(tick)
        if reading_c100 >= 550:
            self.on = True
        elif reading_c100 <= 450:
            self.on = False
        return 1000 if self.on else 0


def test_a_makers_own_controller_runs_behind_the_same_protections():
    law = OnOffSettings(setpoint_c100=500, half_band_k100=50)
    ours = Firmware(law, KIND_ON_OFF, period_ticks=3, min_on_ticks=20, min_off_ticks=20)
    state, user = new_guard_state(ours.guard_words), ThermostatByHand()
    for tick in range(2000):
        air, hot = 5.0 + 1.5 * np.sin(tick / 30.0), 45.0 + 20.0 * np.sin(tick / 200.0)
        codes = np.array([sixteenth(air), sixteenth(hot), 32, 12000], dtype=np.int64)
        firmware_tick_python(user, ours.guard_words, state, tick, codes)
        ours.tick(air=air, hot=hot)
        assert state.tolist() == ours.guard_state.tolist(), tick
    assert user.ticks[:3] == [0, 3, 6]


@pytest.mark.parametrize("answer", [0.5, None, True, "on"])
def test_a_makers_controller_that_returns_no_whole_number_is_refused(answer):
    class Odd:
        def step(self, reading_c100, tick):
            return answer

    words = ProtectionSettings(control=DIGITAL).to_words()
    codes = np.array([100, 0, 0, 12000], dtype=np.int64)
    with pytest.raises(ValueError, match="tick 7.*whole number"):
        firmware_tick_python(Odd(), words, new_guard_state(words), 7, codes)


# ---------------------------------------------------------------- compiled against plain

REPLAY = """
import hashlib
import numpy as np
from test_firmware_tick import replay
print(hashlib.sha256(replay().tobytes()).hexdigest())
"""


def replay(ticks: int = 10_000) -> np.ndarray:
    """Return all states of the firmware after every tick of a random, faulty run."""
    random = np.random.default_rng(20)
    settings_pi = ProtectionSettings(
        control=NTC, hot=NTC, cold=DIGITAL, period_ticks=5, slew_permille_per_tick=37,
        min_on_ticks=2000, min_off_ticks=40, duty_limit_permille=900, cut_off_mv=11500,
        resume_mv=12500, trip_c100=9000,
        defrost=DefrostSettings(
            kind=1, interval_ticks=900, longest_ticks=200, hold_ticks=5, drip_ticks=30,
            end_c100=300, abort_c100=1500,
        ),
    )  # fmt: skip
    words = settings_pi.to_words()
    state, law, law_state = new_guard_state(words), PI.to_words(), controllers.new_law_state(PI)
    rows = []
    control, hot, cold, supply = 2800.0, 1500.0, 20.0, 12500.0
    for tick in range(ticks):
        control = np.clip(control + random.normal(0, 25), 2300, 3500)
        hot = np.clip(hot + random.normal(0, 15), 600, 1900)
        cold = np.clip(cold + random.normal(0, 4), -100, 150)
        supply = np.clip(supply + random.normal(0, 60), 11000, 14400)
        codes = np.array([control, hot, cold, supply]).astype(np.int64)
        if random.random() < 0.002:
            broken = int(random.integers(0, 3))
            trouble = (broken, int(random.choice([0, 4095, 1360])), tick + random.integers(1, 8))
        elif tick == 0:
            trouble = (0, 0, 0)
        if tick < trouble[2]:
            codes[trouble[0]] = trouble[1]
        firmware_tick(KIND_PI, law, law_state, words, state, tick, codes)
        rows.append(np.concatenate([state, law_state]))
    return np.array(rows)


def test_compiled_and_plain_python_agree_word_for_word_over_ten_thousand_ticks():
    here = Path(__file__).resolve().parent
    paths = os.pathsep.join([str(here.parent), str(here)])
    run = replay()
    if os.environ.get("COLDLOOP_PLAIN") != "1":
        assert firmware_tick.signatures, "this side of the comparison must be compiled"
    # The run must reach what it compares: every reason but the latched trip.
    reached = set(run[:, P_REASON].tolist())
    assert reached >= set(REASONS) - {R_TRIP, R_FIRST_READING, R_HOT_FAN}, reached
    plain = subprocess.run(
        [sys.executable, "-c", REPLAY],
        cwd=here.parent,
        env={**os.environ, "COLDLOOP_PLAIN": "1", "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=True,
    )
    assert plain.stdout.strip() == hashlib.sha256(run.tobytes()).hexdigest()


def test_no_word_ever_leaves_int32():
    words = replay()  # P saturates at the lower end in it: -2**31 is within, 2**31 is not
    assert words.min() >= -(2**31)
    assert words.max() <= 2**31 - 1

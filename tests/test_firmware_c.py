"""The exported C does, bit for bit, what the Python kernels do.

Built with gcc for this computer, sanitizers for undefined behaviour and addresses on: a
fault in C ends the program, and the test with it.  The expected values are those of the
kernels that the simulations run on; those have tests of their own.
"""

import shutil
import struct
from dataclasses import replace

import hypothesis
import largest_firmware
import numpy as np
import pytest
from firmware_host import Host, Python, build, first_difference, packed_for
from firmware_ticks import AS_IT_IS, LAWS, protections, random_codes, recorded_codes
from hypothesis import given
from hypothesis import strategies as st

from ctrl import fixed_point
from ctrl.build import plant_of
from ctrl.config import load_config, override
from ctrl.config_errors import ConfigError
from ctrl.defrost import DEFROST_TIMED, M_REVERSE, DefrostSettings
from ctrl.firmware import firmware_of, settings_of
from ctrl.firmware_layout import Features, checksum_of, features_of
from ctrl.fixed_point import INT32_MAX, INT32_MIN
from ctrl.loop import Loop, sense, sense_ambient, sense_fans, supply_mv
from ctrl.on_off import OnOffSettings
from ctrl.protection_settings import (
    CODE_SUPPLY_MV,
    CODE_WORDS,
    P_AIR_C100,
    P_COLD_FAN,
    P_DEFROST,
    P_FINAL,
    P_FROZEN,
    P_HOT_FAN,
    P_OUTPUT,
    P_REASON,
    R_DRIP,
    R_MIN_ON,
    REASONS,
    ProtectionSettings,
)
from ctrl.readings import SensorSettings
from ctrl.shipped import shipped_names
from ctrl.trial import warm_state

pytestmark = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")

REASON_SETTINGS = 12
DIGITAL = SensorSettings.digital(tick_s=1.0)
STEADY = ProtectionSettings(control=DIGITAL, hot_fan_run_on_ticks=10)
COLD_BOX = OnOffSettings(setpoint_c100=500, half_band_k100=50)


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    """The program of each law with every feature, built when first asked for."""
    built = {}

    def program(law):
        if law not in built:
            features = Features(law)
            example = hypothesis.find(LAWS[law], lambda _: True)
            size = len(packed_for(example, STEADY, features))
            built[law] = build(tmp_path_factory.mktemp(law), features, size)
        return built[law]

    return program


def both(program, law, protection, codes, resets=(), features=None):
    """Return the first difference between C and Python over these codes, and the outputs."""
    python = Python(law, protection)
    name = type(law).__name__
    every = Features(next(key for key in LAWS if key.replace("_", "") in name.lower()))
    features = every if features is None else features
    ours, theirs = [], []
    with Host(program) as host:
        host.start(packed_for(law, protection, features))
        for at, part in enumerate(np.split(codes, list(resets))):
            if at > 0:
                host.reset()
                python.reset()
            ours.append(host.run(part))
            theirs.append(python.run(part))
    found = np.concatenate(theirs)
    return first_difference(np.concatenate(ours), found), found


# Arithmetic -----------------------------------------------------------------------------

ENDS = sorted(
    {0, 1, 2, 3, 7, 99, 1000, 1 << 15, 1 << 16, 1 << 20, 1 << 24, 1 << 30}
    | {-(1 << k) for k in (0, 1, 15, 16, 24, 30)}
    | {INT32_MIN, INT32_MIN + 1, INT32_MIN + 2, INT32_MAX, INT32_MAX - 1, INT32_MAX - 2}
    | {-32768, -32767, 32767, 65535, 65536, -65535, -1000, -7, -3}
)  # fmt: skip


def test_arithmetic_at_the_ends_of_every_width(programs):
    # Every pair of ends with every shift. Expected: exact whole numbers of Python, rounded
    # half away from zero and held within int32, worked out here without the kernels.
    def held(value):
        return max(INT32_MIN, min(value, INT32_MAX))

    def rounded(top, bottom):
        size = (2 * abs(top) + abs(bottom)) // (2 * abs(bottom))
        return held(-size if (top < 0) != (bottom < 0) else size)

    rows = [(a, b, shift) for a in ENDS for b in ENDS for shift in range(32)]
    with Host(programs("fixed")) as host:
        found = host.arithmetic(np.array(rows, dtype=np.int64))
    for (a, b, shift), got in zip(rows, found.tolist(), strict=True):
        if b == 0:
            quotient = 0 if a == 0 else (INT32_MAX if a > 0 else INT32_MIN)
        else:
            quotient = rounded(a, b)
        assert got == [held(a + b), held(a - b), rounded(a * b, 1 << shift), quotient]
    print(f"{len(rows)} rows of two numbers and a shift")


def test_arithmetic_of_any_numbers(programs):
    # 200 000 random rows of every size; expected: the kernels.
    rng = np.random.default_rng(7)
    sizes = 2.0 ** rng.uniform(0, 31, (200_000, 2)) * rng.choice([-1, 1], (200_000, 2))
    rows = np.zeros((200_000, 3), dtype=np.int64)
    rows[:, :2] = np.clip(sizes, INT32_MIN, INT32_MAX).astype(np.int64)
    rows[:, 2] = rng.integers(0, 32, len(rows))
    with Host(programs("fixed")) as host:
        found = host.arithmetic(rows)
    for (a, b, shift), got in zip(rows[:20_000].tolist(), found[:20_000].tolist(), strict=True):
        assert got[2] == fixed_point.mul_shift(a, b, shift)
        assert got[3] == fixed_point.div_round(a, b)
    assert (found[:, 0] == np.clip(rows[:, 0] + rows[:, 1], INT32_MIN, INT32_MAX)).all()
    assert (found[:, 1] == np.clip(rows[:, 0] - rows[:, 1], INT32_MIN, INT32_MAX)).all()


# Closed loop ----------------------------------------------------------------------------


def faults_of_a_day(ticks, sensor):
    """Return (faults, resets): every kind of bad code in turn, and power lost in a defrost."""
    faults = np.full((ticks, CODE_WORDS), AS_IT_IS, dtype=np.int64)
    dead_low, dead_high = (-2000, 3000) if sensor.kind == "digital" else (0, 65535)
    hour = ticks // 24
    for at_h, column, code, long in (
        (3, 0, dead_low, 60), (4, 0, dead_high, 2), (5, 1, dead_high, 90), (7, 2, dead_low, 600),
        (9, 3, 9000, 30), (10, 3, 9000, 5), (14, 0, dead_low, 10), (14.2, 0, dead_high, 10),
        (17, 4, dead_low, 400), (18, 5, 0, 100), (19, 6, 0, 100),
    ):  # fmt: skip
        begin = int(at_h * hour)
        faults[begin : begin + long, column] = code
    resets = np.zeros(ticks, dtype=np.bool_)
    resets[[12 * hour + 100, 20 * hour, 20 * hour + 1]] = True
    return faults, resets


@pytest.mark.parametrize("law", list(LAWS))
def test_a_closed_loop_day_of_every_shipped_config(programs, law):
    done = 0
    for name in shipped_names():
        try:
            config = override(load_config(name), controller=law)
            firmware = firmware_of(config, settings_of(config))
        except (ConfigError, ValueError) as error:
            # A relay knows no part load; a cascade needs a sensor on the cold sink.
            print(name, law, "cannot be:", error)
            continue
        done += 1
        # As if every fan had a tachometer.
        guard = replace(firmware.protection, hot_fan_start_ticks=5, cold_fan_start_ticks=5)
        firmware = replace(firmware, protection=guard)
        plant = plant_of(config)
        loop = Loop(plant, firmware, warm_state(plant, config))
        faults, resets = faults_of_a_day(round(86400 / firmware.tick_s), config.sensor)
        codes = recorded_codes(loop, faults, resets)
        wrong, seen = both(
            programs(law), firmware.law, firmware.protection, codes, np.flatnonzero(resets)
        )
        print(name, law, "reasons seen:", sorted({int(reason) for reason in seen["reason"]}))
        assert wrong == "", f"{name}, {law}: {wrong}"
    assert done >= 3


@pytest.mark.parametrize("name", shipped_names())
def test_an_export_as_written_does_the_same(tmp_path, name):
    """With no more compiled in than its settings need: a wrong cut would show here alone."""
    config = load_config(name)
    firmware = firmware_of(config, settings_of(config))
    law, guard = firmware.law, firmware.protection
    features = features_of(law, guard)
    program = build(tmp_path, features, len(packed_for(law, guard, features)))
    plant = plant_of(config)
    loop = Loop(plant, firmware, warm_state(plant, config))
    faults, resets = faults_of_a_day(round(86400 / firmware.tick_s), config.sensor)
    codes = recorded_codes(loop, faults, resets)
    wrong, seen = both(program, law, guard, codes, np.flatnonzero(resets), features)
    assert wrong == "" and len(set(seen["reason"])) >= 3


class CInTheLoop(Loop):
    """The loop with the program in C in place of the Python controller."""

    def __init__(self, host, *given, **more):
        super().__init__(*given, **more)
        self._plain, self.host = True, host

    def _sense_and_control(self, tick):
        plant, codes, state = self._record, self._codes, self.guard_state
        sense(
            plant, self.state, codes, self._conversions, self._conversion_ticks, tick,
            self._seed, self._run,
        )  # fmt: skip
        time_s = self._start_s + tick * self.firmware.tick_s
        sense_ambient(plant, codes, self._weather_rows, tick, time_s, self._seed, self._run)
        codes[CODE_SUPPLY_MV] = supply_mv(plant, self.state, self._inputs)
        sense_fans(self._inputs, codes)
        found = self.host.run(codes[None, :])[0]
        state[P_FINAL] = state[P_OUTPUT] = found["duty"]
        state[P_DEFROST + M_REVERSE] = found["reverse"]
        state[P_HOT_FAN], state[P_COLD_FAN] = found["hot_fan"], found["cold_fan"]
        state[P_REASON], state[P_AIR_C100] = found["reason"], found["air"]
        state[P_FROZEN] = int(found["reason"] >= R_DRIP)


def test_c_in_place_of_python_in_the_loop(programs):
    # Two hours of a pull-down: every signal of the record to the last bit.
    config = override(load_config("galley_larder"), controller="pi")
    firmware = firmware_of(config, settings_of(config))
    plant = plant_of(config)
    warm = warm_state(plant, config)
    expected = Loop(plant, firmware, warm).run(7200.0, 20.0)
    with Host(programs("pi")) as host:
        host.start(packed_for(firmware.law, firmware.protection, Features("pi")))
        found = CInTheLoop(host, plant, firmware, warm).run(7200.0, 20.0)
    assert np.array_equal(found.table, expected.table)


# Random ticks ---------------------------------------------------------------------------


def check_random(program, law, examples, ticks):
    """Compare `examples` random settings over random ticks; return the reasons seen."""
    reasons, reversed_ticks = set(), []

    @hypothesis.settings(max_examples=examples, deadline=None, database=None)
    @given(LAWS[law], protections(), st.integers(0, 2**32 - 1))
    def run(drawn, protection, seed):
        columns = {0: protection.control, 1: protection.hot, 2: protection.cold}
        columns[4] = drawn.options.ambient if law == "pi" else DIGITAL
        codes = random_codes(columns, seed, ticks)
        resets = [ticks // 3] if seed % 2 else []
        wrong, found = both(program, drawn, protection, codes, resets)
        assert wrong == "", wrong
        reasons.update(int(reason) for reason in found["reason"])
        reversed_ticks.append(int((found["reverse"] > 0).sum()))

    run()
    print(law, "reasons seen:", sorted(reasons), "ticks reversed:", sum(reversed_ticks))
    return reasons, sum(reversed_ticks)


@pytest.mark.parametrize("law", list(LAWS))
def test_random_ticks(programs, law):
    reasons, _ = check_random(programs(law), law, 28, 600)  # six laws: 100 800 ticks
    assert len(reasons) >= 6  # else the ticks would not be worth much


@pytest.mark.ten_million
@pytest.mark.parametrize("law", list(LAWS))
def test_ten_million_random_ticks(programs, law):
    reasons, reversed_ticks = check_random(programs(law), law, 420, 4000)  # 10 080 000 ticks
    assert reasons | {R_MIN_ON} == set(REASONS)  # a fixed duty is never held on
    assert reversed_ticks > 0


# What can go wrong ------------------------------------------------------------------------


def test_one_altered_constant_is_caught(tmp_path):
    # Negative control: fold-back 0.1 % too deep must show in a warm hour.
    law = OnOffSettings(setpoint_c100=-1000, half_band_k100=50)
    guard = replace(STEADY, hot=DIGITAL, fold_start_c100=2000, fold_full_c100=4000)
    size = len(packed_for(law, guard, Features("on_off")))
    program = build(tmp_path, Features("on_off"), size, ("protection.c", "FALL 700", "FALL 701"))
    codes = np.full((1000, CODE_WORDS), 80, dtype=np.int64)
    codes[:, 1] = 320 + np.arange(1000) // 4
    wrong, _ = both(program, law, guard, codes)
    print("with one constant altered:", wrong)
    assert wrong != ""


def test_damaged_settings_switch_off_and_stay_off(programs):
    packed = packed_for(COLD_BOX, STEADY, Features("on_off"))
    codes = np.full((400, CODE_WORDS), 320, dtype=np.int64)  # 20 deg C: it must cool
    with Host(programs("on_off")) as host:
        host.start(packed)
        before = host.run(codes)
        assert before["duty"][-1] == 1000 and before["reason"][-1] == 0
        host.damage(len(packed) - 6, 0x10)  # one bit of the thermostat's half band
        after = host.run(codes)
        found = int(np.argmax(after["reason"] == REASON_SETTINGS))
        print(f"found after {found + 1} ticks of at most {len(packed) // 16 + 2} in a pass")
        assert 0 < found + 1 <= 2 * (len(packed) // 16 + 1)
        late = after[found:]
        assert (late["reason"] == REASON_SETTINGS).all() and (late["duty"] == 0).all()
        assert not late["on"].any() and late["hot_fan"].all() and late["alarm"].all()
        host.damage(len(packed) - 6, 0x10)  # mended again: it stays off until a reset
        assert (host.run(codes)["duty"] == 0).all()
        host.reset()
        assert host.run(codes)["duty"][-1] == 1000
        host.start(packed, checksum_of(packed) ^ 1)  # wrong from the start
        assert (host.run(codes)["reason"] == REASON_SETTINGS).all()


def swinging_codes(ticks):
    """Return codes of a healthy cabinet that swings through every duty and lift."""
    at = np.arange(ticks)
    air, hot, cold, room = (
        middle + swing * np.sin(2.0 * np.pi * at / period)
        for middle, swing, period in ((9, 6, 37), (35, 25, 71), (-8, 20, 61), (25, 10, 97))
    )
    codes = np.zeros((ticks, CODE_WORDS), dtype=np.int64)
    codes[:, 0], codes[:, 1] = 8 * (90 - air), 8 * (90 - hot)  # 32 codes are 4 K
    codes[:, 2], codes[:, 4] = 16 * cold, 16 * room
    codes[:, 3], codes[:, 5:] = 12800, 100
    return codes


@pytest.mark.parametrize("law", ["pi", "cascade", "best_cop"])
def test_any_damaged_bit_is_harmless_until_it_is_found(programs, law):
    # The sanitizers end the program, and the test with it, at the first undefined step.
    settings = largest_firmware.LAWS[law]
    packed = packed_for(settings, largest_firmware.PROTECTION, Features(law))
    passes = 2 * (len(packed) // 16 + 1)
    codes = swinging_codes(3000)
    found = []
    with Host(programs(law)) as host:
        host.start(packed)
        for at in range(len(packed)):
            for bit in range(8):
                first = 97 * (8 * at + bit) % (len(codes) - passes - 120)
                hit = first + 60 + (8 * at + bit) % 37  # anywhere in a pass of the check
                host.reset()
                host.run(codes[first:hit])
                host.damage(at, 1 << bit)
                after = host.run(codes[hit : hit + passes])
                host.damage(at, 1 << bit)
                stopped = after["reason"] == REASON_SETTINGS
                found.append(int(np.argmax(stopped)) + 1)
                assert stopped[-1] and after["duty"][-1] == 0 and not after["on"][-1], (at, bit)
                assert after["duty"].max() <= 1000 and after["reverse"].max() <= 1000, (at, bit)
    print(f"{law}: {len(found)} bits, found after {max(found)} of at most {passes} ticks")
    assert max(found) > passes // 2  # damaged settings were run on


def test_a_damaged_count_of_schedule_points_reads_no_further(programs):
    # At the end of the schedule, which is where one point too many would be read.
    whole = largest_firmware.LAWS["pi"]
    points = tuple((duty, 400_000, 40_000) for duty in (100, 500, 900))
    law = replace(whole, options=replace(whole.options, schedule=points))
    guard = replace(
        largest_firmware.PROTECTION, duty_limit_permille=1000, defrost=DefrostSettings()
    )
    packed = packed_for(law, guard, Features("pi"))
    at = packed.index(struct.pack("<hhhH", 100, 500, 900, 3)) + 6
    codes = np.tile(swinging_codes(1), (2000, 1))  # until the integral is full
    codes[:, 1] = 8 * (90 - 25)
    with Host(programs("pi")) as host:
        host.start(packed)
        for bit in range(16):
            host.reset()
            assert host.run(codes)["duty"][-1] == 1000
            host.damage(at + bit // 8, 1 << bit % 8)
            assert host.run(codes)["reason"][-1] == REASON_SETTINGS
            host.damage(at + bit // 8, 1 << bit % 8)


def test_power_lost_in_a_defrost(programs):
    # Melting after 100 ticks; a reset at 150 starts anew: off, minimum off-time, no melt.
    plan = DefrostSettings(kind=DEFROST_TIMED, interval_ticks=100, longest_ticks=200)
    guard = replace(STEADY, defrost=plan, min_off_ticks=30)
    codes = np.full((300, CODE_WORDS), 320, dtype=np.int64)
    wrong, found = both(programs("on_off"), COLD_BOX, guard, codes, [150])
    assert wrong == ""
    assert found["state"][149] == 2 and found["state"][150] != 2  # melting, then not
    assert (found["duty"][150:179] == 0).all() and found["duty"][181] == 1000


def test_counts_at_the_end_of_their_width(programs):
    # 70 000 bad, then good ticks: past 65535, where 16-bit counters stop and must not wrap.
    law, guard = COLD_BOX, replace(STEADY, control=replace(DIGITAL, recover_ticks=65535))
    codes = np.full((210_000, CODE_WORDS), 320, dtype=np.int64)
    codes[70_000:140_000, 0] = 3000
    wrong, found = both(programs("on_off"), law, guard, codes)
    assert wrong == ""
    assert found["reason"][139_999 + 65_534] == 10 and found["reason"][139_999 + 65_536] != 10


def test_ticks_that_wrap_stall_jump_and_run_backwards(programs):
    top = 2**32 - 2
    with Host(programs("fixed")) as host:
        # (count, ticks due, how often late): a wrap is no event at all.
        across = host.clock(top, [top, top + 1, 0, 1, 3])
        assert across == [(0, 0), (1, 0), (1, 0), (1, 0), (2, 1)]
        # A jump is made up for by at most four ticks; backwards gives one.
        jumps = host.clock(100, [104, 1104, 1104, 600, 601, 0, 2**31 + 5])
        assert jumps == [(4, 1), (4, 2), (0, 2), (1, 3), (1, 3), (1, 4), (1, 5)]

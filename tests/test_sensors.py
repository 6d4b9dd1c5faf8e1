"""Sensors against published thermistor, converter and digital code tables."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from plant import cabinet, sensors
from plant.constants import ZERO_C_K

# Ohm of a 10 k thermistor by the beta form, for beta 3950, 3977 and 3435 K (computed, 1 ohm).
BETA_TABLE_OHM = {
    -20: (105385, 107095, 77523), -10: (58246, 58952, 46290), 0: (33621, 33900, 28704),
    2: (30266, 30496, 26197), 5: (25925, 26094, 22897), 10: (20175, 20272, 18410),
    15: (15837, 15887, 14916), 20: (12535, 12555, 12171), 25: (10000, 10000, 10000),
    40: (5301.5, 5278.5, 5758.8), 70: (1759.8, 1739.1, 2207.2), 85: (1086.7, 1070.3, 1451.3),
}  # fmt: skip
# A common 10 k curve, Steinhart-Hart (probe-supplied values, published excerpt, low authority):
# C to ohm, and the error K made by reading it as beta 3977 / 3950.
STEINHART_HART = (1.129241e-3, 2.341077e-4, 8.775468e-8)
READ_AS_BETA = {
    -20: (96999, 1.61, 1.35), -10: (55301, 1.12, 0.91), 0: (32650, 0.71, 0.55),
    5: (25395, 0.53, 0.41), 20: (12493, 0.11, 0.07), 40: (5325.0, -0.22, -0.11),
    85: (1070.4, 0.00, 0.49),
}  # fmt: skip
# Divider: 10 k on top, beta 3950 to ground.  C: ratio, 10-bit code, 12-bit code, K per code.
DIVIDER_CODES = {
    -10: (0.853471, 874, 3496, 0.137), 0: (0.770751, 789, 3157, 0.104),
    5: (0.721639, 739, 2956, 0.095), 10: (0.668595, 685, 2739, 0.089),
    25: (0.500000, 512, 2048, 0.088), 50: (0.264066, 270, 1082, 0.133),
    70: (0.149648, 153, 613, 0.229),
}  # fmt: skip
# Digital sensor of 1/16 C: C and signed code.
DIGITAL_CODES = {25.0625: 0x0191, 85.0: 0x0550, -10.125: -162, 0.0: 0}

THERMISTOR = sensors.Sensor(
    fitted=1, kind=sensors.THERMISTOR, place=sensors.AIR, lag_s=10.0, r25_ohm=10e3,
    beta_k=3950.0, divider_ohm=10e3, adc_span=1024.0, noise_k=0.0, offset_k=0.0,
)  # fmt: skip


def record_of(sensor):
    """The record a kernel takes."""
    dtype = cabinet.PLANT_DTYPE["control_sensor"]
    values = tuple(getattr(sensor, name) for name in dtype.names)
    return np.array([values], dtype=dtype).view(np.recarray)[0]


@pytest.mark.parametrize(("t_c", "row"), BETA_TABLE_OHM.items())
def test_beta_table(t_c, row):
    for beta, ohm in zip((3950.0, 3977.0, 3435.0), row, strict=True):
        value = sensors.thermistor_ohm(ZERO_C_K + t_c, 10e3, beta)
        assert value == pytest.approx(ohm, abs=0.6 if ohm >= 1e4 else 0.06 if ohm < 6e3 else 0.6)


@pytest.mark.parametrize(("t_c", "row"), READ_AS_BETA.items())
def test_a_steinhart_hart_part_read_as_beta(t_c, row):
    """What the plant's beta form would say of a part that follows another curve."""
    ohm, error_3977, error_3950 = row
    a, b, c = STEINHART_HART
    live = 1.0 / (a + b * math.log(ohm) + c * math.log(ohm) ** 3) - ZERO_C_K
    assert live == pytest.approx(t_c, abs=0.002)
    for beta, error in ((3977.0, error_3977), (3950.0, error_3950)):
        # Inverse by bisection on the plant's own forward form.
        low, high = 230.0, 380.0
        for _ in range(60):
            mid = 0.5 * (low + high)
            hotter = sensors.thermistor_ohm(mid, 10e3, beta) > ohm
            low, high = (mid, high) if hotter else (low, mid)
        assert low - ZERO_C_K - t_c == pytest.approx(error, abs=0.006)


@pytest.mark.parametrize(("t_c", "row"), DIVIDER_CODES.items())
class TestDivider:
    def test_codes(self, t_c, row):
        ratio, ten, twelve, _ = row
        ohm = sensors.thermistor_ohm(ZERO_C_K + t_c, 10e3, 3950.0)
        assert ohm / (ohm + 10e3) == pytest.approx(ratio, abs=6e-7)
        assert sensors.code_of(record_of(THERMISTOR), ZERO_C_K + t_c) == ten
        fine = replace(THERMISTOR, adc_span=4096.0)
        assert sensors.code_of(record_of(fine), ZERO_C_K + t_c) == twelve

    def test_kelvin_per_code(self, t_c, row):
        """Count the codes in one kelvin about the temperature, on a very fine converter."""
        fine = record_of(replace(THERMISTOR, adc_span=1024.0 * 65536.0))
        codes = sensors.code_of(fine, ZERO_C_K + t_c - 0.5) - sensors.code_of(
            fine, ZERO_C_K + t_c + 0.5
        )
        assert 65536.0 / codes == pytest.approx(row[3], abs=6e-4)


def test_open_and_short():
    # Open reads full scale (false very cold), short reads 0 (false very hot).
    assert sensors.divider_code(1e12, 10e3, 1024.0) == 1023.0
    assert sensors.divider_code(0.0, 10e3, 1024.0) == 0.0


def test_tolerances_at_five_degrees():
    # 1 % in R is 0.196 K, 1 % in beta 0.185 K (computed, 3950).
    right = sensors.thermistor_ohm(ZERO_C_K + 5.0, 10e3, 3950.0)
    slope = (sensors.thermistor_ohm(ZERO_C_K + 5.001, 10e3, 3950.0) - right) / 0.001
    assert 0.01 * right / -slope == pytest.approx(0.196, abs=6e-4)
    other = sensors.thermistor_ohm(ZERO_C_K + 5.0, 10e3, 3950.0 * 1.01)
    assert (other - right) / -slope == pytest.approx(0.185, abs=3e-3)


@pytest.mark.parametrize(("t_c", "code"), DIGITAL_CODES.items())
def test_digital_codes(t_c, code):
    digital = record_of(replace(THERMISTOR, kind=sensors.DIGITAL))
    assert sensors.code_of(digital, ZERO_C_K + t_c) == code


def test_digital_step_is_a_sixteenth():
    digital = record_of(replace(THERMISTOR, kind=sensors.DIGITAL))
    codes = [sensors.code_of(digital, ZERO_C_K + t) for t in np.arange(-2.0, 2.0, 1.0 / 64.0)]
    steps = np.diff(codes)
    assert set(steps) == {0, 1}
    assert codes[-1] - codes[0] == 64 - 1 or codes[-1] - codes[0] == 64


def test_absent_sensor():
    absent = record_of(replace(THERMISTOR, fitted=0))
    assert sensors.code_of(absent, 280.0) == sensors.ABSENT_CODE


def test_lag_is_first_order(example_plant, slopes_of):
    """d(sensor)/dt = (place - sensor)/lag at each of the three sensors."""
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 20.0, 0.0)
    state[[cabinet.CONTROL_SENSOR, cabinet.COLD_SENSOR]] = ZERO_C_K + 17.0
    state[cabinet.HOT_SINK] += 6.0
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT] = ZERO_C_K + 20.0
    slope = slopes_of(example_plant, state, inputs)
    lag = example_plant.control_sensor.lag_s
    assert slope[cabinet.CONTROL_SENSOR] == pytest.approx(3.0 / lag, rel=1e-9)
    assert slope[cabinet.COLD_SENSOR] == pytest.approx(3.0 / lag, rel=1e-9)
    assert slope[cabinet.HOT_SENSOR] == pytest.approx(6.0 / lag, rel=1e-9)


def splitmix_reference(seed, run, channel, tick):
    """The same mixing in Python's unbounded integers, wrapped by hand to 64 bits."""
    mask = 2**64 - 1
    x = (seed * 0x9E3779B97F4A7C15) & mask
    x ^= (run * 0xBF58476D1CE4E5B9) & mask
    x ^= ((channel + 1) * 0x94D049BB133111EB) & mask
    x = (x + tick * 0xD6E8FEB86659FD93) & mask
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & mask
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & mask
    x ^= x >> 31
    total = sum((x >> shift) & 0xFFFF for shift in (0, 16, 32, 48))
    # Variance of a discrete uniform on 0..65535 is (65536^2 - 1)/12; four of them.
    return (total - 2 * 65535) / math.sqrt(4.0 * (65536**2 - 1) / 12.0)


class TestNoise:
    def test_against_plain_integers(self):
        for arguments in [(1, 0, 0, 0), (7, 3, 2, 86399), (2**40, 999, 1, 10**9)]:
            assert sensors.noise_draw(*arguments) == pytest.approx(
                splitmix_reference(*arguments), abs=1e-6
            )

    def test_is_standard_normal_within_its_cut_tails(self):
        draws = np.array([sensors.noise_draw(5, 0, 1, k) for k in range(20000)])
        # Standard errors at 20 000 draws: mean 0.007, deviation 0.005; four of them.
        assert abs(draws.mean()) < 0.028
        assert draws.std() == pytest.approx(1.0, abs=0.02)
        assert np.abs(draws).max() < 3.4642  # 2 sqrt(3): four uniforms
        # A sum of four uniforms differs from the bell curve by under 0.01 of probability.
        assert kstest(draws, "norm").statistic < 0.02

    @pytest.mark.parametrize("other", [(6, 0, 1), (5, 1, 1), (5, 0, 2)], ids=["seed", "run", "ch"])
    def test_streams_do_not_follow_each_other(self, other):
        one = np.array([sensors.noise_draw(5, 0, 1, k) for k in range(4000)])
        two = np.array([sensors.noise_draw(*other, k) for k in range(4000)])
        for shift in (-1, 0, 1):
            assert abs(np.corrcoef(one, np.roll(two, shift))[0, 1]) < 0.065  # four deviations
        assert abs(np.corrcoef(one[1:], one[:-1])[0, 1]) < 0.065

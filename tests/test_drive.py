"""The drive against hand circuits, the PWM-against-direct-current table and a wire table."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq, fsolve

from plant import cabinet, drive, module
from plant.constants import ZERO_C_K

# Worked set: a = 0.0516 V/K, R = 2.0 ohm, K = 0.54 W/K; 12 V, ideal switch and wire.
SEEBECK, OHM, CONDUCTANCE = 0.0516, 2.0, 0.54
COLD_K, HOT_K = ZERO_C_K + 5.0, ZERO_C_K + 35.0
IDEAL = drive.Drive(
    kind=drive.FAST_PWM, supply_v=12.0, current_limit_a=20.0, source_ohm=0.0, wire_ohm=0.0,
    switch_ohm=0.0, converter_efficiency=1.0, ripple=0.0, set_current_a=5.226,
    supply_efficiency=1.0, standby_w=0.0,
)  # fmt: skip
REAL = replace(
    IDEAL, source_ohm=0.03, wire_ohm=0.05, switch_ohm=0.02, converter_efficiency=0.92,
    supply_efficiency=0.85, standby_w=0.7,
)  # fmt: skip

# Duty: cooling and power [W] by smoothed current, then by fast PWM.  Hand calculation at
# 5/35 C and an on-current of 5.226 A; digits of the table.
PWM_AGAINST_DC = {
    0.25: (0.84, 5.44, -4.28, 15.68),
    0.50: (14.48, 17.70, 7.65, 31.36),
    0.75: (24.69, 36.79, 19.57, 47.03),
    1.00: (31.50, 62.71, 31.50, 62.71),
}
# Ripple (rms over mean) and loss of largest difference [%]: 1 - 1/(1 + N^2), rule from memory.
RIPPLE_LOSS = {0.05: 0.25, 0.10: 0.99, 0.20: 3.85, 0.30: 8.3, 0.48: 18.7, 0.133: 1.7}

# Copper wire at 20 C, ohm per metre of one conductor: AWG copper table.  mm2 from the gauge law
# d = 0.127 mm x 92^((36 - n)/39).
AWG_OHM_PER_M = {
    12: 0.005210, 14: 0.008284, 16: 0.013176, 18: 0.020948,
    20: 0.033301, 22: 0.052953, 24: 0.084219, 26: 0.133891,
}  # fmt: skip


def currents(the_drive, duty, difference_k=30.0, seebeck=SEEBECK, ohm=OHM):
    """Mean I, mean I^2 and supply power of `the_drive`."""
    record = np.array(
        [tuple(getattr(the_drive, name) for name in cabinet.PLANT_DTYPE["drive"].names)],
        dtype=cabinet.PLANT_DTYPE["drive"],
    ).view(np.recarray)[0]
    return drive.mean_currents(record, seebeck, ohm, duty, difference_k)


def heats(the_drive, duty):
    """Cooling and module power [W] at 5/35 C."""
    mean, square, _ = currents(the_drive, duty)
    return (
        module.cold_heat(SEEBECK, OHM, CONDUCTANCE, mean, square, COLD_K, HOT_K),
        module.electrical_power(SEEBECK, OHM, mean, square, COLD_K, HOT_K),
    )


@pytest.mark.parametrize(("duty", "row"), PWM_AGAINST_DC.items())
class TestPwmAgainstDirectCurrent:
    def test_direct_current(self, duty, row):
        assert heats(replace(IDEAL, kind=drive.CURRENT), duty) == pytest.approx(row[:2], abs=0.006)

    @pytest.mark.parametrize("kind", [drive.FAST_PWM, drive.RELAY])
    def test_pwm(self, duty, row, kind):
        assert heats(replace(IDEAL, kind=kind), duty) == pytest.approx(row[2:], abs=0.006)

    def test_closed_form_of_the_loss(self, duty, row):
        # Qc(DC) - Qc(PWM) = (R/2) Ion^2 D (1 - D); extra power is twice that (textbook).
        smooth = heats(replace(IDEAL, kind=drive.CURRENT), duty)
        pwm = heats(IDEAL, duty)
        on_a = (12.0 - SEEBECK * 30.0) / OHM
        loss = 0.5 * OHM * on_a**2 * duty * (1.0 - duty)
        # The set current is rounded to 5.226 A: 0.02 W.
        assert smooth[0] - pwm[0] == pytest.approx(loss, abs=0.02)
        assert pwm[1] - smooth[1] == pytest.approx(2.0 * loss, abs=0.02)

    def test_supply_delivers_what_the_module_takes(self, duty, row):
        assert currents(IDEAL, duty)[2] == pytest.approx(heats(IDEAL, duty)[1], rel=1e-12)


def test_average_against_a_resolved_period():
    """1000 instants of a PWM period, on-current at each, faces held: the mean is the map's."""
    duty, on_a = 0.37, (12.0 - SEEBECK * 30.0) / (OHM + 0.03 + 0.05 + 0.02)
    wave = np.where(np.arange(1000) < 370, on_a, 0.0)
    mean, square, power = currents(REAL, duty)
    assert mean == pytest.approx(wave.mean(), rel=1e-12)
    assert square == pytest.approx((wave**2).mean(), rel=1e-12)
    # Supply terminals: no-load voltage less its own drop, times the current.
    assert power == pytest.approx((wave * (12.0 - 0.03 * wave)).mean(), rel=1e-12)


@pytest.mark.parametrize(("ripple", "percent"), RIPPLE_LOSS.items())
def test_ripple_costs_difference(ripple, percent):
    """Largest no-load difference over all currents, with ripple against without."""

    def largest(n):
        smooth = replace(IDEAL, kind=drive.CURRENT, ripple=n, supply_v=60.0, set_current_a=10.0)

        def difference(duty):
            mean, square, _ = currents(smooth, duty, 0.0)
            return (SEEBECK * mean * COLD_K - 0.5 * OHM * square) / CONDUCTANCE

        return max(difference(d) for d in np.linspace(0.3, 1.0, 1401))

    loss = 1.0 - largest(ripple) / largest(0.0)
    rounding = 0.06 if percent in (8.3, 18.7, 1.7) else 0.006
    assert loss * 100.0 == pytest.approx(percent, abs=rounding)


@pytest.mark.parametrize("duty", [0.2, 0.5, 0.9])
def test_smoothed_drive_against_a_circuit_solved_apart(duty):
    """Kirchhoff round the loop by a root finder; losses by part, added up."""
    smooth = replace(REAL, kind=drive.SMOOTHED)
    difference = 25.0
    loop = OHM + 0.05 + 0.02
    amps = brentq(lambda i: duty * 12.0 - SEEBECK * difference - i * loop, 0.0, 20.0)
    mean, square, power = currents(smooth, duty, difference)
    assert mean == pytest.approx(amps, rel=1e-9)
    assert square == pytest.approx(amps**2, rel=1e-9)
    into_module = SEEBECK * difference * amps + OHM * amps**2
    losses = (0.05 + 0.02) * amps**2
    assert power * 0.92 == pytest.approx(into_module + losses, rel=1e-9)


def test_smoothed_drive_never_runs_backwards():
    # 0.05 x 12 V is below the module's own 1.5 V: the diode blocks.
    assert currents(replace(REAL, kind=drive.SMOOTHED), 0.05) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("kind", drive.DRIVE_KINDS.values(), ids=drive.DRIVE_KINDS.keys())
class TestEveryDrive:
    def test_duty_zero_is_an_open_circuit(self, kind):
        assert currents(replace(REAL, kind=kind), 0.0) == (0.0, 0.0, 0.0)

    def test_currents_and_power_rise_with_duty(self, kind):
        rows = np.array([currents(replace(REAL, kind=kind), d) for d in np.linspace(0, 1, 41)])
        assert np.all(np.diff(rows, axis=0) >= -1e-12)
        assert np.all(rows[:, 1] >= rows[:, 0] ** 2 - 1e-12)  # mean square is never below

    def test_supply_never_gives_less_than_the_module_takes(self, kind):
        for difference in (-10.0, 0.0, 30.0, 60.0):
            mean, square, power = currents(replace(REAL, kind=kind), 0.7, difference)
            into_module = SEEBECK * difference * mean + OHM * square
            assert power >= into_module - 1e-12

    def test_supply_power_stays_in_the_supplys_limit(self, kind):
        weak = replace(REAL, kind=kind, current_limit_a=2.0, set_current_a=8.0)
        for duty in (0.3, 0.7, 1.0):
            assert currents(weak, duty, 5.0)[2] <= 2.0 * 12.0 * (1.0 + 1e-12)

    @pytest.mark.parametrize("ohm", [0.4, 2.0])
    def test_highest_current_is_the_highest(self, kind, ohm):
        """A charging battery stands at 14.4 V; no difference; every duty."""
        charging = replace(REAL, kind=kind, supply_v=14.4, current_limit_a=6.0, set_current_a=9.0)
        reached = max(currents(charging, d, 0.0, ohm=ohm)[1] ** 0.5 / max(d, 1e-9) ** (
            0.5 if kind in (drive.RELAY, drive.FAST_PWM) else 0.0
        ) for d in np.linspace(0.02, 1.0, 50))  # fmt: skip
        assert drive.highest_current_a(charging, ohm, 14.4) == pytest.approx(reached, rel=1e-9)


@pytest.mark.parametrize(("volts", "percent"), [(11.4, -10.0), (12.6, 10.0)])
def test_supply_tolerance_moves_module_power_with_the_square(volts, percent):
    # Desktop supply design guide v2.0: 12 V within 11.40..12.60; about -10 / +10 % of power.
    base = currents(IDEAL, 1.0, 0.0)[2]
    assert 100.0 * (currents(replace(IDEAL, supply_v=volts), 1.0, 0.0)[2] / base - 1.0) == (
        pytest.approx(percent, abs=0.3)
    )


# Hard PWM at 12 V with 0.30 K/W hot and 0.50 K/W cold sink, cabinet 5 C, ambient 25 C, 127-couple
# 6 A class (a 0.05133 V/K, R 1.985 ohm, K 0.5254 W/K).  Duty: cooling W, power W, and power W
# of direct current for the same cooling (published sweep, computed; digits of the table).
HARD_PWM = {
    0.3: (0.6, 19.3, 2.5), 0.5: (5.6, 31.0, 6.8), 0.6: (7.9, 36.6, 10.2), 0.7: (10.2, 41.9, 14.8),
    0.8: (12.5, 47.1, 21.2), 1.0: (16.8, 56.9, 56.9),
}  # fmt: skip


@pytest.mark.parametrize(("duty", "row"), HARD_PWM.items())
def test_hard_pwm_between_two_sinks(duty, row):
    """Both face balances closed by scipy's solver round the plant's own drive and module."""
    a, r, k = 0.05133, 1.985, 0.5254

    def closed(the_drive, the_duty):
        def miss(faces):
            cold, hot = faces
            mean, square, _ = currents(the_drive, the_duty, hot - cold, a, r)
            heat = module.cold_heat(a, r, k, mean, square, cold, hot)
            power = module.electrical_power(a, r, mean, square, cold, hot)
            return [heat - (COLD_K - cold) / 0.50, heat + power - (hot - 298.15) / 0.30]

        cold, hot = fsolve(miss, [270.0, 320.0], xtol=1e-12)
        mean, square, _ = currents(the_drive, the_duty, hot - cold, a, r)
        return (COLD_K - cold) / 0.50, module.electrical_power(a, r, mean, square, cold, hot)

    cooling, power = closed(IDEAL, duty)
    assert (cooling, power) == pytest.approx(row[:2], abs=0.06)
    smooth = replace(IDEAL, kind=drive.CURRENT, set_current_a=6.0)
    if duty < 1.0:
        smooth = replace(IDEAL, kind=drive.CURRENT, set_current_a=6.0)
        same = brentq(lambda d: closed(smooth, d)[0] - row[0], 0.05, 0.8)
        # The cooling is printed to 0.1 W: up to 0.35 W of power where cooling flattens.
        assert closed(smooth, same)[1] == pytest.approx(row[2], abs=0.35)


# Wire mm2: free-air and practical current A (wiring supplier's table).
AMPACITY = {0.82: (15.0, 8.0), 1.31: (19.0, None), 2.08: (25.0, 15.0)}


@pytest.mark.parametrize(("area_mm2", "row"), AMPACITY.items())
def test_practical_current_of_a_wire(area_mm2, row):
    free_air, practical = row
    value = drive.wire_ampacity_a(area_mm2)
    assert value < free_air
    if practical is not None:
        assert value == pytest.approx(practical, rel=1e-3)


def test_fuse_of_the_worked_example():
    # 12 V, 5 A of module and 0.5 A of fans: 5.5 x 1.25 = 6.9 A, so 7.5 A (wiring supplier's page).
    assert drive.fuse_for_a(5.5) == 7.5
    assert drive.fuse_for_a(8.0) == 10.0  # exactly 1.25 times: this size, not the next
    assert drive.fuse_for_a(100.0) is None


def test_open_circuit_voltage_of_the_worked_module():
    # About 51 mV/K, 1.0 V at 20 K (hand calculation): below it a switched supply gives nothing.
    weak = replace(IDEAL, supply_v=SEEBECK * 20.0)
    assert currents(weak, 1.0, 20.0)[0] == 0.0
    assert SEEBECK * 20.0 == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("gauge", "ohm_per_m"), AWG_OHM_PER_M.items())
def test_wire_table(gauge, ohm_per_m):
    diameter_mm = 0.127 * 92.0 ** ((36 - gauge) / 39.0)
    area = 0.25 * np.pi * diameter_mm**2
    # There and back: a 1 m cable is 2 m of wire.  Table and annealed-copper law agree to 0.03 %.
    assert drive.wire_resistance_ohm(1.0, area) == pytest.approx(2.0 * ohm_per_m, rel=4e-4)


def test_drop_over_one_metre_of_cable():
    # AWG 18 at 6 A: 0.251 V and 1.51 W over 1 m of cable (AWG copper table).
    ohm = drive.wire_resistance_ohm(1.0, 0.823)
    assert 6.0 * ohm == pytest.approx(0.251, abs=6e-4)
    assert 36.0 * ohm == pytest.approx(1.51, abs=6e-3)


def test_plug_power_adds_supply_loss_and_standby():
    terminal = 20.0
    the_drive = np.array(
        [tuple(getattr(REAL, name) for name in cabinet.PLANT_DTYPE["drive"].names)],
        dtype=cabinet.PLANT_DTYPE["drive"],
    ).view(np.recarray)[0]
    assert drive.plug_power(the_drive, terminal) == pytest.approx(0.7 + 20.0 / 0.85, rel=1e-12)

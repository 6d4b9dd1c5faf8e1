"""The drive against hand circuits, the PWM-against-direct-current table and a wire table."""

from dataclasses import replace

import lumped
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


def as_record(the_drive):
    return np.array(
        [tuple(getattr(the_drive, name) for name in cabinet.PLANT_DTYPE["drive"].names)],
        dtype=cabinet.PLANT_DTYPE["drive"],
    ).view(np.recarray)[0]


def currents(the_drive, duty, difference_k=30.0, seebeck=SEEBECK, ohm=OHM):
    """Mean I, mean I^2 and supply power of `the_drive`."""
    return drive.mean_currents(as_record(the_drive), seebeck, ohm, duty, difference_k)


def heats(the_drive, duty):
    """Cooling and module power [W] at 5/35 C."""
    mean, square, _ = currents(the_drive, duty)
    return (
        lumped.cold_heat(SEEBECK, OHM, CONDUCTANCE, mean, square, COLD_K, HOT_K),
        lumped.electrical_power(SEEBECK, OHM, mean, square, COLD_K, HOT_K),
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
    """Kirchhoff round the loop by a root finder; losses by part, added up.  No sag here."""
    smooth = replace(REAL, kind=drive.SMOOTHED, source_ohm=0.0)
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

    @pytest.mark.parametrize("difference", [-5.0, 0.0, 20.0])
    def test_power_goes_where_the_currents_say(self, kind, difference):
        """Module, wires, converter and ripple take all that leaves the terminals, at a limit too.

        A supply that holds its current lets its voltage fall: P = e I + R I^2, not V I.
        """
        for limit_a in (1.0, 3.0, 100.0):
            weak = replace(
                REAL, kind=kind, current_limit_a=limit_a, set_current_a=8.0,
                converter_efficiency=1.0,
            )  # fmt: skip
            loop = OHM + weak.wire_ohm + weak.switch_ohm
            mean, square, power = currents(weak, 0.8, difference)
            assert power == pytest.approx(SEEBECK * difference * mean + loop * square, rel=1e-9)

    def test_a_weak_source_gives_no_more_than_it_can(self, kind):
        # V^2/4r of 12 V and 3 ohm is 12 W, whatever hangs on it.
        weak = replace(REAL, kind=kind, source_ohm=3.0, set_current_a=8.0)
        for duty in (0.3, 0.7, 1.0):
            assert currents(weak, duty, 5.0)[2] <= 12.0 * (1.0 + 1e-9)


def test_a_smoothed_drive_sags_with_its_battery():
    """Current and input voltage solved together by a root finder, for batteries of 0 to 1 ohm."""
    for source_ohm in (0.0, 0.03, 0.1, 0.3, 1.0):
        for duty in (0.3, 0.6, 1.0):
            part = replace(REAL, kind=drive.SMOOTHED, source_ohm=source_ohm, current_limit_a=30.0)
            loop, back_v = OHM + part.wire_ohm + part.switch_ohm, SEEBECK * 20.0
            record = as_record(part)

            def missing_a(amps, duty=duty, loop=loop, back_v=back_v, record=record, part=part):
                load = loop * (1.0 + part.ripple**2)
                input_w = drive.converter_input_w(record, amps * (back_v + load * amps))
                left = part.supply_v**2 - 4.0 * part.source_ohm * input_w
                input_v = 0.5 * (part.supply_v + max(left, 0.0) ** 0.5)
                return (duty * input_v - back_v) / loop - amps

            by_root = brentq(missing_a, 0.0, 20.0)
            # A flat battery of 1 ohm is asked too much to be followed closely.
            assert currents(part, duty, 20.0)[0] == pytest.approx(by_root, rel=2e-2)
            if source_ohm <= 0.3:
                assert currents(part, duty, 20.0)[0] == pytest.approx(by_root, rel=1e-5)


def test_a_converter_on_a_supply_that_holds_its_current():
    """D V feeds the loop and D I/eff is drawn (textbook step-down): solved by a root finder."""
    for duty in (0.8, 0.9, 1.0):
        for fixed_w in (0.0, 1.0):
            part = replace(
                REAL, kind=drive.SMOOTHED, source_ohm=0.0, current_limit_a=3.0,
                converter_fixed_w=fixed_w,
            )  # fmt: skip
            loop, back_v = OHM + part.wire_ohm + part.switch_ohm, SEEBECK * 10.0

            def drawn_a(input_v, duty=duty, loop=loop, back_v=back_v, part=part):
                amps = (duty * input_v - back_v) / loop
                return (amps * duty * input_v / 0.92 + part.converter_fixed_w) / input_v

            assert drawn_a(12.0) > 3.0  # more than it gives at its full voltage
            input_v = brentq(lambda volts, f=drawn_a: f(volts) - 3.0, 2.0, 12.0)
            mean, _, power = currents(part, duty, 10.0)
            assert mean == pytest.approx((duty * input_v - back_v) / loop, rel=1e-9)
            assert power == pytest.approx(3.0 * input_v, rel=1e-6)


@pytest.mark.parametrize("full_load_w", [60.0, 100.0, 300.0])
@pytest.mark.parametrize("duty", [0.3, 0.5, 0.7, 1.0])
def test_a_lossy_converter_at_any_limit_of_the_supply(full_load_w, duty):
    """Losses that bend with the load: beside a root finder, from a limit that binds to none."""
    eff, per_w = drive.loss_curve(0.92, full_load_w, 1.0)
    lossy = replace(
        REAL, kind=drive.SMOOTHED, source_ohm=0.0, converter_efficiency=eff,
        converter_fixed_w=1.0, converter_loss_per_w=per_w,
    )  # fmt: skip
    back_v, loop = 1.0, OHM + lossy.wire_ohm + lossy.switch_ohm

    def asked_w(amps):
        output_w = amps * (back_v + loop * amps)
        return output_w / eff + 1.0 + per_w * output_w * output_w

    free_a = (duty * 12.0 - back_v) / loop
    before = 0.0
    for limit_a in (1.0, 2.0, 3.0, 5.0, 8.0, 12.5, 30.0, drive.NO_LIMIT_A):
        mean = currents(replace(lossy, current_limit_a=limit_a), duty, back_v / SEEBECK)[0]
        spare = [a for a in np.linspace(1e-3, free_a, 4001) if
                 limit_a * (back_v + loop * a) / duty >= asked_w(a)]  # fmt: skip
        if spare and spare[-1] < free_a:

            def left_w(a, limit_a=limit_a):
                return limit_a * (back_v + loop * a) / duty - asked_w(a)

            assert mean == pytest.approx(brentq(left_w, spare[-1], free_a), rel=1e-6)
        else:
            assert mean == pytest.approx(free_a if spare else 0.0, rel=1e-9)
        assert mean >= before
        before = mean
    assert before == pytest.approx(free_a, rel=1e-9)


def test_a_hold_current_is_at_most_what_the_voltage_sends():
    for mode, back_v in ((drive.OFF_HOLD, 1.0), (drive.OFF_REVERSED, -1.0)):
        for kind in (drive.FAST_PWM, drive.SMOOTHED):
            part = replace(REAL, kind=kind, off_mode=mode, hold_current_a=20.0)
            loop = OHM + part.wire_ohm + part.switch_ohm + part.source_ohm
            most = (part.supply_v - back_v) / loop
            assert abs(currents(part, 0.0, 1.0 / SEEBECK)[0]) == pytest.approx(most, rel=1e-9)


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
            heat = lumped.cold_heat(a, r, k, mean, square, cold, hot)
            power = lumped.electrical_power(a, r, mean, square, cold, hot)
            return [heat - (COLD_K - cold) / 0.50, heat + power - (hot - 298.15) / 0.30]

        cold, hot = fsolve(miss, [270.0, 320.0], xtol=1e-12)
        mean, square, _ = currents(the_drive, the_duty, hot - cold, a, r)
        return (COLD_K - cold) / 0.50, lumped.electrical_power(a, r, mean, square, cold, hot)

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


# Off modes ---------------------------------------------------------------------------------

# Switched-off leak of a 127-couple 6 A class module (a 0.05133 V/K, R 1.985 ohm, K 0.5254 W/K):
# hot and cold sink K/W, open conductance W/K, W at 20 and 27 K (published, computed).
SWITCHED_OFF = [(0.30, 0.50, 0.370, 7.4, 10.0), (0.80, 1.00, 0.270, 5.4, 7.3)]
CLASS_6_A = (0.05133, 1.985, 0.5254)


def leak_w(the_drive, hot_r, cold_r, inside_k, outside_k, disconnected=0.0):
    """Heat from a warm room through sinks and idle module into the cold one [W], by fsolve."""
    a, r, k = CLASS_6_A
    record = record_of(the_drive)

    def miss(faces):
        cold, hot = faces
        mean, square, _ = drive.mean_currents(record, a, r, 0.0, hot - cold, 0.0, disconnected)
        taken = lumped.cold_heat(a, r, k, mean, square, cold, hot)
        power = lumped.electrical_power(a, r, mean, square, cold, hot)
        return [taken - (inside_k - cold) / cold_r, taken + power - (hot - outside_k) / hot_r]

    cold, _ = fsolve(miss, [inside_k + 1.0, outside_k - 1.0], xtol=1e-12)
    return (cold - inside_k) / cold_r


def record_of(the_drive):
    return np.array(
        [tuple(getattr(the_drive, name) for name in cabinet.PLANT_DTYPE["drive"].names)],
        dtype=cabinet.PLANT_DTYPE["drive"],
    ).view(np.recarray)[0]


@pytest.mark.parametrize(("hot_r", "cold_r", "w_per_k", "at_20", "at_27"), SWITCHED_OFF)
def test_open_module_leaks_as_published(hot_r, cold_r, w_per_k, at_20, at_27):
    inside = ZERO_C_K + 5.0
    assert leak_w(IDEAL, hot_r, cold_r, inside, inside + 20.0) / 20.0 == pytest.approx(
        w_per_k, abs=5e-4
    )
    for rise, published in ((20.0, at_20), (27.0, at_27)):
        assert leak_w(IDEAL, hot_r, cold_r, inside, inside + rise) == pytest.approx(
            published, abs=0.051
        )


def test_shorted_module_leaks_as_published():
    # 0.527 W/K with 0.3 and 0.5 K/W, "(1 + ZT)" at a T not stated: 5 to 27 K above 5 C span
    # 0.526 to 0.528.
    shorted = replace(IDEAL, off_mode=drive.OFF_SHORTED)
    inside = ZERO_C_K + 5.0
    for rise in (20.0, 27.0):
        found = leak_w(shorted, 0.30, 0.50, inside, inside + rise) / rise
        assert found == pytest.approx(0.527, abs=0.0015)
    # Power lost or firmware that cuts the current: an open circuit in every mode.
    assert leak_w(shorted, 0.30, 0.50, inside, inside + 20.0, 1.0) == pytest.approx(7.4, abs=0.051)


@pytest.mark.parametrize("wire_ohm", [0.0, 0.2])
@pytest.mark.parametrize("difference", [-8.0, 15.0, 60.0])
def test_shorted_module_conducts_one_plus_zt_times_as_much(wire_ohm, difference):
    """Closed form at fixed faces: K dT (1 + Z Tm), Z with the resistance of the whole loop.

    With wire in the loop the Joule heat made there leaves the module: the cold face gives
    K dT + a^2 dT/(R + w) (Tc + (R/(R + w)) dT/2) (Kirchhoff, by hand).
    """
    a, r, k = CLASS_6_A
    shorted = replace(IDEAL, off_mode=drive.OFF_SHORTED, wire_ohm=wire_ohm)
    hot = COLD_K + difference
    mean, square, power = currents(shorted, 0.0, difference, a, r)
    loop = r + wire_ohm
    by_hand = k * difference + a * a * difference / loop * (COLD_K + 0.5 * difference * r / loop)
    assert -lumped.cold_heat(a, r, k, mean, square, COLD_K, hot) == pytest.approx(by_hand, rel=1e-9)
    if wire_ohm == 0.0:
        z_mean_t = a * a / (r * k) * 0.5 * (COLD_K + hot)
        assert by_hand == pytest.approx(k * difference * (1.0 + z_mean_t), rel=1e-12)
    # It draws nothing; what it gives burns in the wire: never more out than in.
    assert power == 0.0
    given = -lumped.electrical_power(a, r, mean, square, COLD_K, hot)
    assert given == pytest.approx(wire_ohm * mean * mean, rel=1e-9, abs=1e-12)


def test_hold_current_cancels_the_leak_as_published():
    # "Hold current 0.8 A (about 2 W) cancels the leak" at 20 K over the module (published).
    a, r, k = CLASS_6_A
    held = drive.hold_current_for_a(a, r, k, COLD_K, COLD_K + 20.0)
    assert held == pytest.approx(0.8, abs=0.05)
    assert lumped.electrical_power(a, r, held, held**2, COLD_K, COLD_K + 20.0) == pytest.approx(
        2.0, abs=0.05
    )
    root = brentq(
        lambda i: lumped.cold_heat(a, r, k, i, i * i, COLD_K, COLD_K + 20.0), 0.0, a * COLD_K / r
    )
    assert held == pytest.approx(root, rel=1e-10)
    assert drive.hold_current_for_a(a, r, k, COLD_K, COLD_K - 5.0) == 0.0
    # More than the module can cancel: the current of most cooling.
    assert drive.hold_current_for_a(a, r, k, COLD_K, COLD_K + 300.0) == pytest.approx(
        module.peak_cooling_current_a(a, r, COLD_K)
    )


@pytest.mark.parametrize("kind", [drive.RELAY, drive.FAST_PWM, drive.SMOOTHED, drive.CURRENT])
class TestOffModesOfEveryDrive:
    def test_hold_and_reversed_current_when_off(self, kind):
        for mode, sign in ((drive.OFF_HOLD, 1.0), (drive.OFF_REVERSED, -1.0)):
            held = replace(REAL, kind=kind, off_mode=mode, hold_current_a=0.7)
            mean, square, power = currents(held, 0.0, 20.0)
            assert (mean, square) == pytest.approx((sign * 0.7, 0.49), rel=1e-12)
            if kind in (drive.RELAY, drive.FAST_PWM):
                # A resistor across the switch: the supply's whole voltage, less its own drop.
                assert power == pytest.approx(0.7 * (12.0 - 0.7 * 0.03), rel=1e-12)
            else:
                output = sign * 0.7 * SEEBECK * 20.0 + 0.49 * (OHM + 0.07)
                assert power == pytest.approx(output / 0.92, rel=1e-12)

    def test_a_cut_makes_an_open_circuit(self, kind):
        for mode in drive.OFF_MODES.values():
            cut = record_of(replace(REAL, kind=kind, off_mode=mode, hold_current_a=0.7))
            assert drive.mean_currents(cut, SEEBECK, OHM, 0.0, 20.0, 0.0, 1.0)[:2] == (0.0, 0.0)

    def test_reversed_module_heats(self, kind):
        open_w = leak_w(replace(IDEAL, kind=kind), 0.3, 0.5, COLD_K, COLD_K + 20.0)
        turned = replace(IDEAL, kind=kind, off_mode=drive.OFF_REVERSED, hold_current_a=0.5)
        held = replace(IDEAL, kind=kind, off_mode=drive.OFF_HOLD, hold_current_a=0.5)
        assert leak_w(turned, 0.3, 0.5, COLD_K, COLD_K + 20.0) > open_w + 2.0
        assert leak_w(held, 0.3, 0.5, COLD_K, COLD_K + 20.0) < open_w - 2.0


@pytest.mark.parametrize("kind", [drive.RELAY, drive.FAST_PWM])
@pytest.mark.parametrize("mode", [drive.OFF_SHORTED, drive.OFF_HOLD, drive.OFF_REVERSED])
def test_pulses_share_the_period_between_on_and_off(kind, mode):
    """Duty times the on-current, the rest of the period the off mode's; instants added up."""
    both = replace(REAL, kind=kind, off_mode=mode, hold_current_a=0.7)
    on, off = (np.array(currents(both, duty, 20.0)) for duty in (1.0, 0.0))
    assert np.array(currents(both, 0.37, 20.0)) == pytest.approx(0.37 * on + 0.63 * off, rel=1e-12)


def test_a_synchronous_converter_runs_backwards_where_a_diode_blocks():
    # 0.05 x 12 V against 0.0516 x 30 = 1.548 V round 2.07 ohm: -0.458 A (by hand).
    both_ways = replace(REAL, kind=drive.SMOOTHED, off_mode=drive.OFF_SHORTED)
    mean, _, power = currents(both_ways, 0.05)
    assert mean == pytest.approx((0.05 * 12.0 - SEEBECK * 30.0) / 2.07, rel=1e-12)
    assert mean < 0.0
    assert power == 0.0  # what comes back is not credited
    assert currents(both_ways, 0.0)[0] == pytest.approx(-SEEBECK * 30.0 / 2.07, rel=1e-12)


def test_a_held_converter_never_gives_less_than_it_holds():
    held = replace(REAL, kind=drive.CURRENT, off_mode=drive.OFF_HOLD, hold_current_a=0.8)
    means = [currents(held, duty, 20.0)[0] for duty in (0.0, 0.05, 0.1, 0.3)]
    assert means == pytest.approx([0.8, 0.8, 0.8, 0.3 * 5.226], rel=1e-12)


# Losses against load -------------------------------------------------------------------------


def test_converter_curve_meets_the_stated_efficiency_at_its_load():
    """40 W out at 0.92: 3.478 W lost, 0.5 of it fixed, 2.978 W with the square (by hand)."""
    linear, curve = drive.loss_curve(0.92, 40.0, 0.5)
    curved = record_of(
        replace(IDEAL, kind=drive.CURRENT, converter_efficiency=linear, converter_fixed_w=0.5,
                converter_loss_per_w=curve)
    )  # fmt: skip
    assert drive.converter_input_w(curved, 40.0) == pytest.approx(40.0 / 0.92, rel=1e-12)
    assert drive.converter_input_w(curved, 0.0) == 0.5
    assert drive.converter_input_w(curved, 20.0) == pytest.approx(
        20.0 + 0.5 + 2.97826 / 4.0, rel=1e-6
    )
    # At 2 W the fixed loss has the say: 0.80, where a constant 0.92 would flatter it.
    assert 2.0 / drive.converter_input_w(curved, 2.0) == pytest.approx(2.0 / 2.50745, rel=1e-4)
    for output in (0.0, 3.0, 40.0, 75.0):
        there = drive.converter_input_w(curved, output)
        assert drive.converter_output_w(curved, there) == pytest.approx(output, rel=1e-9, abs=1e-9)
    # Best where both losses are equal: P = sqrt(P0/r) (textbook, as of transformers).
    loads = np.linspace(1.0, 60.0, 2000)
    efficiencies = [load / drive.converter_input_w(curved, load) for load in loads]
    best_w = loads[int(np.argmax(efficiencies))]
    assert best_w == pytest.approx((0.5 / curve) ** 0.5, abs=0.05)


def test_without_a_curve_the_efficiency_is_constant():
    assert drive.loss_curve(0.92, None, 0.0) == (0.92, 0.0)
    plain = record_of(replace(REAL, kind=drive.SMOOTHED))
    for output in (1.0, 40.0):
        assert drive.converter_input_w(plain, output) == pytest.approx(output / 0.92, rel=1e-12)


def test_curved_converter_keeps_to_the_supplys_limit():
    linear, curve = drive.loss_curve(0.9, 40.0, 0.6)
    weak = replace(IDEAL, kind=drive.SMOOTHED, current_limit_a=2.0, converter_efficiency=linear,
                   converter_fixed_w=0.6, converter_loss_per_w=curve)  # fmt: skip
    # It holds 2 A; at full duty the converter passes its input voltage on, which falls to that.
    mean, _, power = currents(weak, 1.0, 5.0)
    assert power / (SEEBECK * 5.0 + OHM * mean) == pytest.approx(2.0, rel=3e-3)


def test_supply_curve_at_the_plug():
    """60 W at 0.87: 8.966 W lost, 1.5 W of it fixed; 0.6 W of standby beside (by hand)."""
    linear, curve = drive.loss_curve(0.87, 60.0, 1.5)
    the_supply = record_of(
        replace(IDEAL, supply_efficiency=linear, supply_loss_per_w=curve, standby_w=0.6 + 1.5)
    )
    assert drive.plug_power(the_supply, 60.0) == pytest.approx(60.0 / 0.87 + 0.6, rel=1e-12)
    assert drive.plug_power(the_supply, 0.0) == pytest.approx(2.1, rel=1e-12)
    assert drive.plug_power(the_supply, 15.0) == pytest.approx(17.1 + 7.46552 / 16.0, rel=1e-6)


# Battery --------------------------------------------------------------------------------------


@pytest.mark.parametrize("amps", [0.0, 6.0, 20.0])
def test_terminal_voltage_under_load(amps):
    # By hand: 12.6 V at rest behind 0.03 ohm; the load's power is what its terminals see.
    battery = record_of(replace(IDEAL, supply_v=12.6, source_ohm=0.03))
    volts = 12.6 - 0.03 * amps
    assert drive.terminal_voltage(battery, 0.0, volts * amps) == pytest.approx(volts, rel=1e-12)
    charging = 14.4 - 0.03 * amps
    assert drive.terminal_voltage(battery, 1.8, charging * amps) == pytest.approx(charging)


@pytest.mark.parametrize(
    ("start", "end", "hours"),
    [(9.0, 11.0, {9.0, 10.0}), (22.0, 1.0, {22.0, 23.0, 0.0}), (0.0, 0.0, set())],
)
def test_hours_of_charging(start, end, hours):
    battery = record_of(replace(IDEAL, charging_rise_v=1.8, charging_from_h=start,
                                charging_to_h=end))  # fmt: skip
    for day in (0.0, 3.0):
        seen = {
            float(h) for h in range(24)
            if drive.charging_rise(battery, 86400.0 * day + 3600.0 * h) == pytest.approx(1.8)
        }  # fmt: skip
        assert seen == hours


def test_charging_battery_drives_more_current():
    # 14.4 over 12.6 V, no difference: currents in that ratio (Ohm).
    resting = record_of(replace(IDEAL, supply_v=12.6, source_ohm=0.03))
    usual = drive.mean_currents(resting, SEEBECK, OHM, 1.0, 0.0)[0]
    charging = drive.mean_currents(resting, SEEBECK, OHM, 1.0, 0.0, 1.8)[0]
    assert charging / usual == pytest.approx(14.4 / 12.6, rel=1e-12)

"""Two stages and banks of modules, against equations written anew and solved by scipy."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import fsolve, minimize_scalar

from ctrl.build import plant_of
from ctrl.config import build_config, load_config, plain_data
from plant import cabinet, data_sheet, drive, module, stage, steady
from plant.constants import ZERO_C_K

# An invented stack: 127 + 71 couples with the legs of a 6 A class, R 3.3 ohm in all.
ALL = (0.0825, 3.3, 0.79)  # a, R, K of all 198 couples side by side
SHARE = 71.0 / 198.0
STACK = stage.whole(*ALL, SHARE)
SINGLE = tuple(value * (1.0 - SHARE) for value in ALL)  # the lower stage alone

# Th K, Tc K, I A, joint W/K
POINTS = [
    (300.0, 270.0, 3.0, 1e3), (300.0, 230.0, 5.0, 1e3), (330.0, 280.0, 1.0, 20.0),
    (310.0, 310.0, 4.0, 20.0), (300.0, 280.0, 0.0, 1e3), (305.0, 250.0, 6.0, 50.0),
]  # fmt: skip


def one_stage(values, varies, amps, cold_k, hot_k):
    """Return (heat taken up, heat given off) W of one stage: the equations of `plant.stage`."""
    a, r, k = values
    da = dr = conducted_more = 0.0
    if varies:
        t = 0.5 * (cold_k + hot_k)

        def alpha(x):
            return 22224 + 930.6 * x - 0.9905 * x * x

        def rho(x):
            return 5112 + 163.4 * x + 0.6279 * x * x

        def kappa(x):
            return 62605 - 277.7 * x + 0.4131 * x * x

        da = a * (930.6 - 1.981 * t) / alpha(298.15)
        conducted_more = 2 * 0.4131 * k / kappa(298.15) * (hot_k - cold_k) ** 3 / 24.0
        dr = r * (163.4 + 1.2558 * t) / rho(298.15)
        a, r, k = (
            a * alpha(t) / alpha(298.15),
            r * rho(t) / rho(298.15),
            k * kappa(t) / kappa(298.15),
        )
    step, mean = hot_k - cold_k, 0.5 * (hot_k + cold_k)
    leg, bulge = r, 0.0
    for _ in range(100):  # to and fro between the legs' warmth and their resistance
        bulge = (amps**2 * leg - amps * da * mean * step) / (2.0 * k)
        leg = r + dr * bulge / 6.0
    taken = a * amps * cold_k - 0.5 * amps**2 * leg - k * step - conducted_more
    taken += amps * da * (step**2 + mean * bulge) / 6.0 + amps**2 * dr * step / 12.0
    return taken, taken + a * amps * step + amps**2 * leg


def stack_by_scipy(varies, amps, joint, cold_k, hot_k):
    """Return (cooling, power) W of the stack: both middle balances closed by scipy's fsolve."""
    upper = tuple(value * SHARE for value in ALL)
    lower = tuple(value * (1.0 - SHARE) for value in ALL)

    def balances(middle):
        up = one_stage(upper, varies, amps, cold_k, middle[0])
        low = one_stage(lower, varies, amps, middle[1], hot_k)
        across = joint * (middle[0] - middle[1])
        return [up[1] - across, low[0] - across]

    middle = fsolve(balances, [0.5 * (cold_k + hot_k)] * 2, xtol=1e-10)
    assert np.max(np.abs(balances(middle))) < 1e-8
    taken, passed = one_stage(upper, varies, amps, cold_k, middle[0])
    received, given = one_stage(lower, varies, amps, middle[1], hot_k)
    return taken, passed - taken + given - received


def build(varies, joint=1e3):
    return data_sheet.Build(varies, 2, SHARE, joint)


@pytest.mark.parametrize("varies", [0, 1])
@pytest.mark.parametrize("point", POINTS, ids=lambda p: f"{p[1]:.0f}/{p[0]:.0f} K, {p[2]:g} A")
def test_stack_against_scipy(varies, point):
    hot_k, cold_k, amps, joint = point
    ours = data_sheet.at_current(STACK, build(varies, joint), amps, cold_k, hot_k)
    assert ours == pytest.approx(
        stack_by_scipy(varies, amps, joint, cold_k, hot_k), rel=1e-7, abs=1e-7
    )


def test_seen_from_outside():
    """No current: K in series, and the voltage of the two stages' own differences."""
    (a1, r1, k1), (a2, r2, k2) = stage.split(*STACK, SHARE)
    assert (a1, r1, k1) == pytest.approx([value * SHARE for value in ALL])
    assert (a2, r2, k2) == pytest.approx([value * (1.0 - SHARE) for value in ALL])
    assert STACK[1] == pytest.approx(r1 + r2)
    assert STACK[2] == pytest.approx(1.0 / (1.0 / k1 + 1.0 / k2))
    # 40 K over both: the upper one, with the smaller K, takes K2/(K1 + K2) of it.
    upper_k, lower_k = 40.0 * k2 / (k1 + k2), 40.0 * k1 / (k1 + k2)
    assert STACK[0] * 40.0 == pytest.approx(a1 * upper_k + a2 * lower_k)
    cooling, power = data_sheet.at_current(STACK, build(0, 1e9), 0.0, 270.0, 310.0)
    assert cooling == pytest.approx(-STACK[2] * 40.0, rel=1e-8)
    assert power == 0.0


@pytest.mark.parametrize("varies", [0, 1])
def test_two_stages_reach_further_than_one(varies, note):
    """Largest difference by scipy's search over the current, with equations of this file."""

    def coldest_by_search():
        def cold_at(amps):
            return fsolve(
                lambda t: stack_by_scipy(varies, amps, 1e3, float(t[0]), 300.0)[0], [225.0]
            )[0]

        return minimize_scalar(cold_at, bounds=(3.5, 6.5), options={"xatol": 1e-3}).fun

    _, two_k = data_sheet.largest_difference(STACK, build(varies), 300.0)
    _, one_k = data_sheet.largest_difference(SINGLE, data_sheet.Build(varies), 300.0)
    note(f"varies {varies}: one stage {300.0 - one_k:.2f} K, two stages {300.0 - two_k:.2f} K")
    assert two_k == pytest.approx(coldest_by_search(), abs=1e-3)
    # Sheets of two stages print 83 to 95 K where those of one print 66 to 71 K (from memory).
    assert 1.15 < (300.0 - two_k) / (300.0 - one_k) < 1.45


def test_a_stack_sheet_gives_back_its_module():
    values = (0.04, 2.5, 0.15)
    two = data_sheet.Build(1, 2, 0.36, 50.0)
    printed = data_sheet.predicted_numbers(values, two, 300.0)
    found = data_sheet.extract(
        module.DataSheet(102, *printed[:4], 300.0, printed[4]), data_sheet.Tolerances(), two
    )
    assert found.values == pytest.approx(values, rel=1e-5)
    assert found.misfit < 1e-4


# On a drive, in a cabinet -----------------------------------------------------------------


def two_stage_plant(plant, varies=1):
    """Return the plant with the invented stack instead of its module."""
    a, r, k = STACK
    mod = replace(
        plant.module, seebeck_v_per_k=a, resistance_ohm=r, conductance_w_per_k=k,
        temperature_dependence=varies, stages=2, upper_share=SHARE, middle_contact_w_per_k=1e3,
    )  # fmt: skip
    return replace(plant, module=mod)


@pytest.mark.parametrize("name", ["wine", "icy", "smooth", "fanless"])
@pytest.mark.parametrize("duty", [0.0, 0.4, 1.0])
def test_drive_and_stack_agree_on_the_current(example_plants, name, duty):
    """The stack's heat is that of its current; supply power covers it and the wires."""
    plant = two_stage_plant(example_plants[name])
    record = cabinet.to_record(plant)
    cold_k, hot_k = 262.0, 305.0
    amps, square, terminal_w, cooling_w, power_w = stage.on_drive(
        record.module, record.drive, duty, cold_k, hot_k
    )
    part = plant.drive
    if part.kind in (drive.SMOOTHED, drive.CURRENT) and part.ripple == 0.0:
        # A steady current: the same point again, with the current given.
        steady_w = data_sheet.at_current(STACK, build(1), amps, cold_k, hot_k)
        assert (cooling_w, power_w) == pytest.approx(steady_w, rel=1e-5, abs=1e-6)
    lost_w = square * (part.wire_ohm + part.switch_ohm)
    assert terminal_w * part.converter_efficiency == pytest.approx(power_w + lost_w, abs=2e-6)


@pytest.mark.parametrize("varies", [0, 1])
@pytest.mark.parametrize("stages", [1, 2])
def test_drive_and_module_agree_on_the_resistance(example_plant, varies, stages):
    """A relay fully on: supply voltage = Seebeck voltage and drop, by an outer root search."""
    plant = two_stage_plant(example_plant, varies)
    plant = replace(plant, drive=replace(plant.drive, kind=drive.RELAY, current_limit_a=100.0))
    if stages == 1:
        a, r, k = SINGLE
        plant = replace(
            plant, module=replace(plant.module, seebeck_v_per_k=a, resistance_ohm=r,
                                  conductance_w_per_k=k, stages=1)
        )  # fmt: skip
    record, part = cabinet.to_record(plant), plant.drive
    values = STACK if stages == 2 else SINGLE
    shape = data_sheet.Build(varies, stages, SHARE, 1e3)
    outer_ohm = part.source_ohm + part.wire_ohm + part.switch_ohm

    def volts_left(amps):
        amps = float(np.ravel(amps)[0])
        power_w = data_sheet.at_current(values, shape, amps, 265.0, 310.0)[1]
        return part.supply_v - power_w / amps - outer_ohm * amps

    expected_a = fsolve(volts_left, [3.0], xtol=1e-12)[0]
    amps, _, _, cooling_w, _ = stage.on_drive(record.module, record.drive, 1.0, 265.0, 310.0)
    # Two rounds and their extrapolation leave some millionths.
    assert amps == pytest.approx(expected_a, rel=2e-5)
    by_current_w = data_sheet.at_current(values, shape, expected_a, 265.0, 310.0)[0]
    assert cooling_w == pytest.approx(by_current_w, abs=2e-3)


@pytest.mark.parametrize("varies", [0, 1])
def test_energy_and_water_of_a_stack_in_a_cabinet(example_plant, run_plant, varies, note):
    run = run_plant(two_stage_plant(example_plant, varies), np.tile([1.0] * 500 + [0.3] * 400, 8))
    note(f"varies {varies}: energy {run.energy_residual:.1e}, water {run.water_residual:.1e}")
    assert run.energy_residual < 1e-11
    assert run.water_residual < 1e-11


def test_a_stack_in_a_cabinet_settles(example_plant):
    """The steady state exists, and its module passes on what it takes up and draws."""
    plant = two_stage_plant(example_plant)
    plant = replace(plant, drive=replace(plant.drive, supply_v=14.0))
    point = steady.operating_point(plant, 0.8, ZERO_C_K + 25.0)
    rejected = plant.hot_sink.fan_w_per_k * (point.hot_sink_k - point.ambient_k)
    record = cabinet.to_record(plant)
    _, _, _, cooling_w, power_w = stage.on_drive(
        record.module, record.drive, 0.8, point.cold_face_k, point.hot_face_k
    )
    assert cooling_w > 0.0
    assert rejected == pytest.approx(cooling_w + power_w, rel=1e-6)


# Banks ------------------------------------------------------------------------------------


def test_bank_between_sinks_equals_modules_each_on_its_own_joint():
    """Two strings of two: four single modules, each with a quarter of the joints, by scipy.

    Electrically each string carries half the current; thermally all stand between the
    same sinks.
    """
    one = (0.0528, 2.0, 0.508)
    cold_w_per_k, hot_w_per_k = 40.0, 30.0  # joints, all four together
    cold_sink_k, hot_sink_k, amps = 275.0, 310.0, 6.0

    def taken_from_sink(values, current, cold_joint, hot_joint):
        def balances(faces):
            taken, given = one_stage(values, 1, current, faces[0], faces[1])
            return [
                cold_joint * (cold_sink_k - faces[0]) - taken,
                given - hot_joint * (faces[1] - hot_sink_k),
            ]

        cold, hot = fsolve(balances, [cold_sink_k, hot_sink_k], xtol=1e-13)
        return cold_joint * (cold_sink_k - cold), hot_joint * (hot - hot_sink_k)

    each = taken_from_sink(one, amps / 2.0, cold_w_per_k / 4.0, hot_w_per_k / 4.0)
    bank = module.bank(one, in_series=2, in_parallel=2, derating=1.0)

    def our_balances(faces):
        taken, power = data_sheet.at_current(
            bank, data_sheet.Build(1), amps, float(faces[0]), float(faces[1])
        )
        return [
            cold_w_per_k * (cold_sink_k - faces[0]) - taken,
            taken + power - hot_w_per_k * (faces[1] - hot_sink_k),
        ]

    cold, hot = fsolve(our_balances, [cold_sink_k, hot_sink_k], xtol=1e-13)
    together = cold_w_per_k * (cold_sink_k - cold), hot_w_per_k * (hot - hot_sink_k)
    assert together == pytest.approx([4.0 * value for value in each], rel=1e-7)


def test_compiled_and_plain_agree(example_plant):
    values = (*STACK, 1, 2, SHARE, 50.0, 4.0, 250.0, 305.0)
    assert stage.at_current(*values) == pytest.approx(stage.at_current.py_func(*values), rel=1e-9)


def test_modules_side_by_side_share_no_joint():
    """A bank of stacks with joints of their own carries each what one does."""
    base = {"stages": 2, "upper_stage_couples": 40, "middle_contact_k_per_w": 0.5}
    taken = {}
    for count in (1, 2, 8):
        data = plain_data(load_config("galley_larder"))
        data["module"] |= base | {"in_parallel": count}
        mod = plant_of(build_config(data, "galley_larder")).module
        taken[count] = stage.with_current(mod, 3.0 * count, 278.15, 308.15)
    for count in (2, 8):
        assert taken[count] == pytest.approx(tuple(count * value for value in taken[1]), rel=1e-9)

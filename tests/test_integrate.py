"""The step against its order conditions, its own order, and other integrators."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ctrl.build import plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop, NotFinite
from ctrl.trial import warm_state
from plant import cabinet, contents, integrate, moist_air
from plant.constants import ZERO_C_K

EXPLICIT, IMPLICIT = integrate.EXPLICIT, integrate.IMPLICIT
B, B_HAT = integrate.WEIGHTS, integrate.EMBEDDED
C_E, C_I = EXPLICIT.sum(axis=1), IMPLICIT.sum(axis=1)


class TestOrderConditions:
    """Kennedy and Carpenter 2003 print fractions; the conditions are algebra (textbook)."""

    ROUNDING = 1e-13

    def test_both_halves_share_their_abscissae(self):
        assert C_E == pytest.approx(C_I, abs=self.ROUNDING)
        # The published abscissae: 0, 2 gamma, 3/5, 1.
        assert C_E == pytest.approx([0.0, 2.0 * integrate.GAMMA, 0.6, 1.0], abs=self.ROUNDING)

    def test_first_and_second_order(self):
        assert B.sum() == pytest.approx(1.0, abs=self.ROUNDING)
        assert B @ C_E == pytest.approx(1 / 2, abs=self.ROUNDING)
        assert B @ C_I == pytest.approx(1 / 2, abs=self.ROUNDING)

    @pytest.mark.parametrize("one", [C_E, C_I], ids=["explicit", "implicit"])
    @pytest.mark.parametrize("two", [C_E, C_I], ids=["explicit", "implicit"])
    def test_third_order_quadrature(self, one, two):
        assert B @ (one * two) == pytest.approx(1 / 3, abs=self.ROUNDING)

    @pytest.mark.parametrize("matrix", [EXPLICIT, IMPLICIT], ids=["explicit", "implicit"])
    @pytest.mark.parametrize("inner", [C_E, C_I], ids=["explicit", "implicit"])
    def test_third_order_coupled(self, matrix, inner):
        assert B @ matrix @ inner == pytest.approx(1 / 6, abs=self.ROUNDING)

    def test_embedded_is_of_second_order_and_not_of_third(self):
        assert B_HAT.sum() == pytest.approx(1.0, abs=self.ROUNDING)
        assert B_HAT @ C_E == pytest.approx(1 / 2, abs=self.ROUNDING)
        assert abs(B_HAT @ C_E**2 - 1 / 3) > 1e-3  # else it would estimate nothing
        assert pytest.approx(B - B_HAT, abs=1e-15) == integrate.ERROR_WEIGHTS

    def test_shape(self):
        assert np.all(np.triu(EXPLICIT) == 0.0)  # explicit
        assert np.all(np.triu(IMPLICIT, 1) == 0.0)
        assert np.diag(IMPLICIT)[1:] == pytest.approx(np.full(3, integrate.GAMMA))
        assert pytest.approx(IMPLICIT[3]) == B  # stiffly accurate

    def test_implicit_half_damps_what_is_infinitely_fast(self):
        """Stability function 1 + z b (1 - z A)^-1 1 of the stiff half vanishes far out."""
        for z in (-10.0, -1e3, -1e7):
            value = 1.0 + z * B @ np.linalg.solve(np.eye(4) - z * IMPLICIT, np.ones(4))
            assert abs(value) < 1.0
        assert abs(value) < 1e-5


def dry(plant):
    """The plant with dry air all round: nothing settles, nothing kinks."""
    return replace(plant, climate=replace(plant.climate, humidity_ratio=0.0))


def fixed_steps(plant, state, inputs, step_s, count):
    """Return the state after `count` steps of `step_s`, no step control."""
    record, work = cabinet.to_record(plant), integrate.work_array()
    n = integrate.STAGES
    now = state.copy()
    for _ in range(count):
        integrate.try_step(
            record, now, inputs, step_s, True, work[:n], work[n], work[n + 1], work[n + 2],
            work[n + 3 :, :2],
        )  # fmt: skip
        now = work[n + 1].copy()
    return now


PHYSICAL = cabinet.PHYSICAL_STATES
# Scale of each state: what one kelvin, or a tenth of a gram, is worth (invented cabinet).
SCALES = np.array(
    [1, 1, 1, 250, 40, 500, 1, 25200, 1e-4, 1e-4, 1e-6, 1e-4, 1e-4, 1, 1, 1, 1, 1],
    dtype=float,
)


def reference(plant, state, inputs, seconds, method="LSODA", rtol=1e-9):
    """Return the states after `seconds` with inputs held, by scipy's integrator.

    Absolute tolerance 1e-8 of what a kelvin is worth (masses: of a tenth of a gram).  No
    interpolation: only the end value is used.
    """
    record, slope = cabinet.to_record(plant), np.zeros(cabinet.STATES)
    full = np.zeros(cabinet.STATES)

    def rhs(_, y):
        full[:PHYSICAL] = y
        cabinet.derivative(record, full, inputs, slope)
        return slope[:PHYSICAL].copy()

    solved = solve_ivp(
        rhs, (0.0, seconds), state[:PHYSICAL], method=method, rtol=rtol, atol=1e-8 * SCALES,
        first_step=1e-3, t_eval=[seconds],
    )  # fmt: skip
    assert solved.success, solved.message
    end = np.zeros(cabinet.STATES)
    end[:PHYSICAL] = solved.y[:, -1]
    return end


def held_inputs(ambient_c=25.0, ratio=0.010, door=0.0, duty=0.6):
    """Inputs with both fans on."""
    inputs = np.zeros(cabinet.INPUTS)
    inputs[: cabinet.COLD_FAN + 1] = ZERO_C_K + ambient_c, ratio, door, duty, 1.0, 1.0
    return inputs


@pytest.fixture(scope="module")
def errors(example_plant):
    """Errors after 16 s, shape (steps, PHYSICAL), of steps 1/2 .. 1/64 s, in units of SCALES.

    The smooth regime: dry air, no frost, constant duty; a second in, the first jolt of the
    faces is behind.  Measured against the finest step of 1/512 s, itself checked below.
    """
    plant, inputs = dry(example_plant), held_inputs(ratio=0.0)
    start = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.0)
    start = reference(plant, start, inputs, 1.0)
    exact = fixed_steps(plant, start, inputs, 1.0 / 512.0, 16 * 512)
    other = reference(plant, start, inputs, 16.0, "Radau", 1e-11)
    assert np.abs((exact - other)[:PHYSICAL] / SCALES).max() < 1e-6
    rows = [fixed_steps(plant, start, inputs, 0.5**n, 16 * 2**n) - exact for n in range(1, 7)]
    return np.abs(np.array(rows))[:, :PHYSICAL] / SCALES


class TestOrder:
    """Halving the step divides the error by eight, in the end."""

    @pytest.mark.parametrize(
        "part", [cabinet.COLD_FACE, cabinet.HOT_FACE, cabinet.HOT_SINK, cabinet.COLD_SINK_H,
                 cabinet.AIR_H], ids=lambda p: cabinet.STATE_NAMES[p],
    )  # fmt: skip
    def test_third_order(self, errors, part, note):
        orders = np.log2(errors[:-1, part] / errors[1:, part])
        note(f"errors {errors[:, part]} orders {orders}")
        assert errors[-1, part] > 1e-10  # rounding would hide the order
        assert np.all(np.diff(orders) > 0.0)  # climbs to three as the fast faces are resolved
        assert 2.85 < orders[-1] < 3.15

    def test_halving_from_the_longest_step_gains_most(self, errors):
        assert np.all(errors[0, :5] > 4.0 * errors[1, :5])


def icy_start(plant):
    """A cabinet in service: 5 C inside, sink at -7 C with 6 g of frost."""
    record = cabinet.to_record(plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.0035)
    state[cabinet.COLD_FACE], state[cabinet.HOT_FACE] = ZERO_C_K - 8.0, ZERO_C_K + 37.0
    state[cabinet.HOT_SINK], state[cabinet.WALL_OUTER] = ZERO_C_K + 35.0, ZERO_C_K + 19.0
    state[cabinet.FROST], state[cabinet.FROST_VOLUME] = 0.006, 4e-5
    state[cabinet.CONTENTS_H] = contents.enthalpy(record.contents, ZERO_C_K + 5.5)
    cabinet.set_cold_sink(record, state, ZERO_C_K - 7.0)
    cabinet.set_wall_inner(record, state, ZERO_C_K + 9.0)
    return state


@pytest.fixture(scope="module")
def frosting_errors():
    """Errors of a replayed closed loop with frost growing, of 1 to 64 fixed steps a tick.

    The commands are those that a shipped cabinet's own firmware gave after a day in service;
    they change from tick to tick and are held within one, as in a simulation.  Returns
    them (rms over the ticks, as an error at one moment may pass through nothing), shape
    (7, PHYSICAL), against 512 steps a tick, and how far each state moved.
    """
    config = load_config("benchmark")
    plant = plant_of(config)
    cold = replace(settings_of(config), setpoint_c=2.0, defrost=None)
    loop = Loop(plant, firmware_of(config, cold), warm_state(plant, config))
    loop.run(86400.0 + 4 * 3600.0, 60.0)  # into the second night: the doors are shut
    start, record = loop.state.copy(), loop.run(60.0, 1.0)
    assert record["duty"].min() > 0.1 and np.count_nonzero(np.diff(record["duty"])) > 10
    paths = []
    for count in (1, 2, 4, 8, 16, 32, 64, 512):
        state, path = start.copy(), []
        for row in range(60):
            inputs = held_inputs(
                record["ambient_c"][row], plant.climate.humidity_ratio, duty=record["duty"][row]
            )
            state = fixed_steps(plant, state, inputs, 1.0 / count, count)
            path.append(state[:PHYSICAL])
        paths.append(np.array(path))
    exact = paths[-1]
    assert exact[-1, cabinet.FROST] > start[cabinet.FROST] + 5e-7  # it does grow
    moved = np.abs(exact[-1] - start[:PHYSICAL])
    return np.sqrt(np.mean((np.array(paths[:-1]) - exact) ** 2, axis=1)), moved


@pytest.mark.parametrize(
    "part", [cabinet.COLD_FACE, cabinet.HOT_FACE, cabinet.COLD_SINK_H, cabinet.AIR_H,
             cabinet.VAPOUR, cabinet.FROST], ids=lambda p: cabinet.STATE_NAMES[p],
)  # fmt: skip
def test_third_order_in_a_replayed_closed_loop_with_frost(frosting_errors, part, note):
    """Halving every step divides the error by eight, frost and vapour included."""
    errors, moved = frosting_errors
    orders = np.log2(errors[:-1, part] / errors[1:, part])
    note(f"errors over what it moved {errors[:, part] / moved[part]} orders {orders}")
    # Below a billionth of what it moved, rounding over 30 000 steps hides the order.
    orders = orders[errors[1:, part] > 1e-9 * moved[part]]
    assert orders.size >= 4
    # From the third halving on it climbs to three, as the fast faces are resolved.
    assert np.all(np.diff(orders[2:5]) > 0.0)
    assert 2.2 < orders[-1] < 3.15
    # One step a tick: under 5 mK in the faces, 1 mK and 0.1 mg elsewhere.
    is_face = part in (cabinet.COLD_FACE, cabinet.HOT_FACE)
    assert errors[0, part] < (5e-3 if is_face else 1e-3) * SCALES[part]


def relay_inputs(hours):
    """(length s, inputs): a relay of 600 s period, a door open for 12 s in each hour."""
    pieces = []
    for n in range(int(hours * 6)):
        for length, door, duty in ((300, 0.0, 1.0), (70, 0.0, 0.0), (12, n % 6 == 2, 0.0),
                                   (218, 0.0, 0.0)):  # fmt: skip
            pieces.append((length, held_inputs(door=float(door), duty=duty)))
    return pieces


def pwm_inputs(hours):
    """(length s, inputs): duty moves every 60 s, ambient every 10 min, a door twice an hour."""
    pieces = []
    for n in range(int(hours * 60)):
        duty = 0.88 + 0.1 * np.sin(0.21 * n)
        ambient = 25.0 + 0.3 * (n // 10)
        door = 15 if n % 30 == 20 else 0
        if door:
            pieces.append((door, held_inputs(ambient, door=1.0, duty=duty)))
        pieces.append((60 - door, held_inputs(ambient, duty=duty)))
    return pieces


def replay(plant, start, pieces, method="LSODA"):
    """Run `pieces` in 1 s ticks and by the reference; return worst deviations at their ends.

    The reference stops and starts anew at every change of an input.
    """
    record, work = cabinet.to_record(plant), integrate.work_array()
    ours, theirs, step = start.copy(), start.copy(), 1.0
    worst = dict.fromkeys(("air", "face", "sink", "contents", "frost"), 0.0)
    for length, inputs in pieces:
        for _ in range(int(length)):
            step = integrate.advance(record, ours, inputs, 1.0, step, work)
        theirs = reference(plant, theirs, inputs, float(length), method)
        pairs = {
            "air": [cabinet.air_temperature(record, s) for s in (ours, theirs)],
            "sink": [cabinet.cold_sink_temperature(record, s) for s in (ours, theirs)],
            "contents": [cabinet.contents_temperature(record, s) for s in (ours, theirs)],
        }
        for name, (a, b) in pairs.items():
            worst[name] = max(worst[name], abs(a - b))
        faces = slice(cabinet.COLD_FACE, cabinet.HOT_FACE + 1)
        worst["face"] = max(worst["face"], np.abs(ours[faces] - theirs[faces]).max())
        frost = abs(ours[cabinet.FROST] - theirs[cabinet.FROST]) / max(theirs[cabinet.FROST], 1e-4)
        worst["frost"] = max(worst["frost"], frost)
    return worst, ours


class TestReplay:
    """1 s ticks against LSODA at 1e-9; limits 5 mK of air, 0.05 K of faces, 1 % of frost."""

    def check(self, worst, note):
        note("reached " + ", ".join(f"{name} {value:.1e}" for name, value in worst.items()))
        assert worst["air"] < 5e-3
        assert worst["face"] < 0.05
        assert worst["sink"] < 5e-3
        assert worst["contents"] < 5e-3
        assert worst["frost"] < 0.01

    def test_relay_with_frost_and_doors(self, example_plants, note):
        plant = example_plants["wine"]
        worst, end = replay(plant, icy_start(plant), relay_inputs(3))
        self.check(worst, note)
        assert end[cabinet.WATER_IN] > 1e-4  # the doors did bring water

    def test_pwm_with_growing_frost_and_doors(self, example_plants, note):
        plant = example_plants["wine"]
        start = icy_start(plant)
        worst, end = replay(plant, start, pwm_inputs(2))
        self.check(worst, note)
        assert end[cabinet.FROST] > start[cabinet.FROST] + 5e-4

    def test_melting_and_dripping(self, example_plants, note):
        plant = example_plants["wine"]
        start = icy_start(plant)
        start[cabinet.SINK_WATER] = 0.004
        cabinet.set_cold_sink(cabinet.to_record(plant), start, ZERO_C_K - 1.0)
        pieces = [(300, held_inputs(duty=0.0))] * 8
        worst, end = replay(plant, start, pieces)
        self.check(worst, note)
        assert end[cabinet.FROST] < 0.5 * start[cabinet.FROST]
        assert end[cabinet.WATER_OUT] > 0.0

    def test_second_reference_on_a_short_window(self, example_plants):
        """Radau, an unrelated method, agrees with LSODA a hundred times better than we must."""
        plant = example_plants["wine"]
        one = two = icy_start(plant)
        record = cabinet.to_record(plant)
        pieces = [(60, held_inputs(duty=1.0)), (12, held_inputs(door=1.0, duty=1.0)),
                  (48, held_inputs(duty=0.0))]  # fmt: skip
        for length, inputs in pieces:
            one = reference(plant, one, inputs, float(length), "LSODA")
            two = reference(plant, two, inputs, float(length), "Radau")
            assert cabinet.air_temperature(record, one) == pytest.approx(
                cabinet.air_temperature(record, two), abs=5e-5
            )
            faces = slice(cabinet.COLD_FACE, cabinet.HOT_FACE + 1)
            assert one[faces] == pytest.approx(two[faces], abs=5e-4)
            assert one[cabinet.FROST] == pytest.approx(two[cabinet.FROST], rel=1e-4)


def test_a_tick_is_filled_whatever_its_length_and_hint(example_plants):
    """One tick of 7.3 s, or 73 of 0.1 s, or a silly hint: the same place within tolerance."""
    plant = example_plants["wine"]
    record, work, inputs = cabinet.to_record(plant), integrate.work_array(), held_inputs()
    ends = []
    for ticks, hint in ((1, 1.0), (73, 1.0), (1, 1.0 / 1024.0)):
        state = icy_start(plant)
        for _ in range(ticks):
            hint = integrate.advance(record, state, inputs, 7.3 / ticks, hint, work)
        ends.append(cabinet.air_temperature(record, state))
    assert ends[1:] == pytest.approx(ends[:1] * 2, abs=2e-3)


def test_step_is_halved_at_a_jolt_and_grows_back(example_plants):
    plant = example_plants["icy"]
    record, work = cabinet.to_record(plant), integrate.work_array()
    state = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.008)
    jolt = integrate.advance(record, state, held_inputs(duty=1.0), 1.0, 1.0, work)
    assert jolt < 1.0
    hint = jolt
    for _ in range(120):
        hint = integrate.advance(record, state, held_inputs(duty=1.0), 1.0, hint, work)
    assert hint > jolt


def test_saturation_kink_is_stepped_over_without_negative_water(example_plants):
    """The sink is bone dry and then wet again: masses stay at or above nothing."""
    plant = example_plants["wine"]
    record, work = cabinet.to_record(plant), integrate.work_array()
    state = cabinet.uniform_state(plant, ZERO_C_K + 20.0, 0.002)
    state[cabinet.SINK_WATER] = 1.5e-4
    cabinet.set_cold_sink(record, state, ZERO_C_K + 20.0)
    hint = 1.0
    for tick in range(3600):
        inputs = held_inputs(20.0, 0.002, duty=0.0 if tick < 1800 else 1.0)
        hint = integrate.advance(record, state, inputs, 1.0, hint, work)
        masses = state[[cabinet.VAPOUR, cabinet.FROST, cabinet.SINK_WATER, cabinet.WALL_WATER]]
        assert masses.min() >= -1e-12
    assert state[cabinet.VAPOUR] <= moist_air.saturation_humidity_ratio(
        ZERO_C_K + 20.0
    ) * cabinet.dry_air_kg(record)


# Steps that are no good ----------------------------------------------------------------


def changed(name, **sections):
    data = plain_data(load_config(name))
    for section, keys in sections.items():
        data[section] = {**data[section], **keys}
    return build_config(data, name)


def loop_of(config):
    plant = plant_of(config)
    return Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))


TINY = {
    "inside_width_mm": 50, "inside_depth_mm": 50, "inside_height_mm": 50, "door_width_mm": 50,
    "door_height_mm": 50, "module_opening_width_mm": 20, "module_opening_height_mm": 20,
}  # fmt: skip


def test_a_trial_step_that_is_no_number_is_tried_shorter():
    """A box of an eighth of a litre: its air follows in 0.05 s, a step of 1 s explodes."""
    loop = loop_of(changed("summer_fish_box", cabinet=TINY, contents={"mass_kg": 0.05}))
    record = loop.run(3600.0, 10.0)
    assert abs(record.energy_residual_rel) < 1e-12
    assert -40.0 < record["cold_sink_c"].min() and record["hot_sink_c"].max() < 60.0


def test_a_heated_cabinet_stops_at_boiling_and_not_beyond():
    """A fish box on 48 V heats itself: before, a sink of 95 °C leapt to -22 °C in 10 s."""
    drive = {"off_mode": "hold", "hold_current_a": 11.6}
    strong = {"voltage_v": 48.0, "lowest_voltage_v": 47.0, "highest_voltage_v": 49.0}
    with pytest.raises(NotFinite, match=r"tick \d+ \(.* h\): (hot_face is above 250 °C|.*boiling)"):
        loop_of(changed("summer_fish_box", drive=drive, supply=strong)).run(86400.0, 10.0)


def test_when_the_shortest_step_fails_the_run_stops_and_the_part_is_named():
    """An outer wall of a nanojoule per kelvin follows faster than any step we have."""
    loop = loop_of(load_config("benchmark"))
    loop.run(60.0, 1.0)
    before = loop.state.copy()
    loop._record.envelope.outer_heat_capacity_j_per_k = 1e-9
    with pytest.raises(NotFinite, match=r"tick 60 \(0.02 h\): wall_outer changes too fast"):
        loop.run(60.0, 1.0)
    assert np.isfinite(loop.state).all()
    assert loop.state == pytest.approx(before, rel=1e-3, abs=1e-3)  # the last good state stands


def test_rounding_below_nothing_is_not_overdrawn():
    """A dry sink beside a last microgram of frost: its water came to -7e-33 kg, and stopped the
    run."""
    trial = np.zeros(cabinet.STATES)
    trial[cabinet.SINK_WATER] = -7e-33
    assert not integrate._overdrawn(trial)
    trial[cabinet.SINK_WATER] = -1e-12
    assert integrate._overdrawn(trial)


def test_a_failed_advance_stays_failed(example_plants):
    plant = example_plants["wine"]
    record, work = cabinet.to_record(plant), integrate.work_array()
    state = icy_start(plant)
    hint = integrate.advance(record, state, held_inputs(), 1.0, integrate.FAILED_S, work)
    assert hint == integrate.FAILED_S
    assert state == pytest.approx(icy_start(plant), abs=0.0)


@pytest.mark.parametrize(
    ("state_name", "value", "wrong"),
    [("frost", -1e-6, cabinet.OVERDRAWN), ("hot_sink", ZERO_C_K + 251.0, cabinet.TOO_HOT),
     ("cold_face", 149.0, cabinet.TOO_COLD), ("vapour", np.nan, cabinet.NO_NUMBER),
     ("frost", -1e-12, cabinet.SENSIBLE), ("hot_sink", ZERO_C_K + 150.0, cabinet.SENSIBLE)],
)  # fmt: skip
def test_what_makes_no_sense_is_found(example_plant, state_name, value, wrong):
    record = cabinet.to_record(example_plant)
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 20.0, 0.005)
    part = cabinet.STATE_NAMES.index(state_name)
    state[part] = value
    assert cabinet.sense_of(record, state) == (wrong, part if wrong else -1)


def test_boiling_inside_is_found_by_the_air_s_pressure(example_plant):
    high = replace(example_plant, climate=replace(example_plant.climate, pressure_pa=54020.0))
    for plant, boils_c in ((example_plant, 100.0), (high, 83.0)):
        record = cabinet.to_record(plant)
        state = cabinet.uniform_state(plant, ZERO_C_K + 20.0, 0.005)
        cabinet.set_cold_sink(record, state, ZERO_C_K + boils_c - 2.0)
        assert cabinet.sense_of(record, state)[0] == cabinet.SENSIBLE
        cabinet.set_cold_sink(record, state, ZERO_C_K + boils_c + 2.0)
        assert cabinet.sense_of(record, state) == (cabinet.BOILING, cabinet.COLD_SINK_H)


def test_a_fast_sensor_is_followed(example_plant):
    """Lag 0.5 s, a leap of 10 K, by hand 10 exp(-2) K left after 1 s; was 0.115 K off."""
    quick = replace(
        example_plant, hot_sensor=replace(example_plant.hot_sensor, lag_s=0.5),
        hot_sink=replace(example_plant.hot_sink, heat_capacity_j_per_k=1e9),
    )  # fmt: skip
    record, work = cabinet.to_record(quick), integrate.work_array()
    state = cabinet.uniform_state(quick, ZERO_C_K + 25.0, 0.0)
    state[cabinet.HOT_SENSOR] += 10.0
    inputs = held_inputs(25.0, 0.0, duty=0.0)
    integrate.advance(record, state, inputs, 1.0, 1.0, work)
    left_k = state[cabinet.HOT_SENSOR] - state[cabinet.HOT_SINK]
    assert left_k == pytest.approx(10.0 * np.exp(-2.0), abs=0.01)

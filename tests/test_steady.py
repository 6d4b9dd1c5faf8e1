"""Steady states against closed forms and against the end of a long run."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from plant import cabinet, drive, integrate, steady
from plant.compiled import kernel
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0
ROOM_AIR_KG_PER_M3 = 101325.0 / (287.042 * AMBIENT_K)  # dry, ideal gas


@kernel
def run_on(plant, state, inputs, minutes, work):
    """Advance by minutes at constant inputs."""
    hint = 1.0
    for _ in range(minutes):
        hint = integrate.advance(plant, state, inputs, 60.0, hint, work)
    return hint


def quiet(plant):
    """No doors, no loads: nothing but leaks and films."""
    return replace(plant, climate=replace(plant.climate, doors_per_day=0, load_share=0.0))


def series(*conductances):
    """Conductances in a row, summed apart from the plant's own function."""
    return 1.0 / sum(1.0 / g for g in conductances)


class TestAgainstALongRun:
    @pytest.mark.parametrize(
        ("name", "duty"),
        [("wine", 0.5), ("wine", 0.0), ("smooth", 0.35), ("fanless", 0.5), ("icy", 0.3)],
    )
    def test_end_of_a_simulation(self, name, duty, example_plants, note):
        """Same inputs, doors and loads spread, frost frozen; from the room's temperature."""
        # A tenth of the contents, so that ten time constants pass in some days.
        whole = example_plants[name]
        plant = replace(
            whole,
            contents=replace(
                whole.contents,
                heat_capacity_j_per_k=0.1 * whole.contents.heat_capacity_j_per_k,
            ),
        )
        point = steady.operating_point(plant, duty, AMBIENT_K)
        liquid = steady.without_freezing(plant)
        record = cabinet.to_record(liquid)
        state = cabinet.uniform_state(liquid, AMBIENT_K, plant.climate.humidity_ratio)
        inputs = steady.steady_inputs(plant, duty, AMBIENT_K)
        run_on(record, state, inputs, 3 * 1440, integrate.work_array())
        got = (
            cabinet.air_temperature(record, state), cabinet.contents_temperature(record, state),
            cabinet.cold_sink_temperature(record, state), state[cabinet.HOT_SINK],
            state[cabinet.COLD_FACE], state[cabinet.HOT_FACE],
        )  # fmt: skip
        expected = (point.air_k, point.contents_k, point.cold_sink_k, point.hot_sink_k,
                    point.cold_face_k, point.hot_face_k)  # fmt: skip
        note(f"largest difference {np.abs(np.subtract(got, expected)).max():.1e} K")
        assert got == pytest.approx(expected, abs=2e-3)
        slope = np.zeros(cabinet.STATES)
        cabinet.derivative(record, state, inputs, slope)
        assert slope[cabinet.PLUG_ENERGY] == pytest.approx(point.plug_w, rel=1e-4)

    def test_a_wrong_duty_would_show(self, example_plant):
        """The comparison above resolves 2 mK; a thousandth of duty moves air by more."""
        one = steady.operating_point(example_plant, 0.500, AMBIENT_K)
        two = steady.operating_point(example_plant, 0.501, AMBIENT_K)
        assert 4e-3 < one.air_k - two.air_k < 0.1


class TestClosedForms:
    def test_fan_heat_over_the_sum_of_all_leaks(self, example_plant):
        """No current, dry: air rises by fan heat / UA, and each path is summed by hand.

        Wall: film, foam, film.  Module: sink film, joint, ceramic to ceramic, joint, hot sink.
        Then metal and seal, and leaking air: 0.3 changes an hour of 31.5 l of the room's air.
        """
        plant = quiet(replace(
            example_plant, climate=replace(example_plant.climate, humidity_ratio=0.0)
        ))  # fmt: skip
        wall = series(4.8, 0.45, 8.0)
        # The wall's nodes stand at a quarter and three quarters: the sum is the same.
        through_module = series(2.5, 30.0, 0.508, 30.0, 5.0)
        leak = 0.3 / 3600.0 * ROOM_AIR_KG_PER_M3 * 0.0315 * 1006.0
        ua = wall + through_module + 0.08 + leak
        point = steady.operating_point(plant, 0.0, AMBIENT_K)
        assert point.air_k - AMBIENT_K == pytest.approx(1.0 / ua, rel=1e-6)
        assert point.contents_k == pytest.approx(point.air_k, abs=1e-6)
        # Heat passes the idle module from inside to outside: counted as cooling.
        assert point.cooling_w == pytest.approx(through_module / ua, rel=1e-6)
        # Supply: 0.5 W of standby and 3 W of fans at an efficiency of 0.88.
        assert point.plug_w == pytest.approx(0.5 + 3.0 / 0.88, rel=1e-9)

    @pytest.mark.parametrize(
        ("cold_k_per_w", "hot_k_per_w", "path_w_per_k"), [(0.5, 0.3, 0.370), (1.0, 0.8, 0.270)]
    )
    def test_leak_through_the_idle_module(
        self, cold_k_per_w, hot_k_per_w, path_w_per_k, example_plant
    ):
        """1/(1/K + Rc + Rh) of a 127-couple 6 A class, K 0.5254 W/K (computed, three digits).

        0.370 W/K is 7.4 W at 20 K: as much as the foam of a small box.
        """
        plant = quiet(replace(
            example_plant,
            module=replace(example_plant.module, conductance_w_per_k=0.5254,
                           cold_contact_w_per_k=1e5, hot_contact_w_per_k=1e5),
            cold_sink=replace(example_plant.cold_sink, fan_w_per_k=1.0 / cold_k_per_w),
            hot_sink=replace(example_plant.hot_sink, fan_w_per_k=1.0 / hot_k_per_w),
        ))  # fmt: skip
        point = steady.operating_point(plant, 0.0, AMBIENT_K)
        assert point.cooling_w / (point.air_k - AMBIENT_K) == pytest.approx(path_w_per_k, abs=6e-4)

    def test_idle_without_fans_is_the_room(self, example_plant):
        point = steady.operating_point(quiet(example_plant), 0.0, AMBIENT_K, 0.0, 0.0)
        for temp in (point.air_k, point.contents_k, point.cold_sink_k, point.hot_sink_k):
            assert temp == pytest.approx(AMBIENT_K, abs=1e-6)
        assert point.relative_humidity == pytest.approx(0.505, abs=0.005)  # psychrolib: 10 g/kg

    @pytest.mark.parametrize("amps", [1.0, 2.5, 4.0])
    def test_dry_chain_solved_apart(self, amps, example_plant):
        """A set current, dry: three nodes in a row, solved by a root finder on cooling alone."""
        plant = quiet(replace(
            example_plant,
            drive=replace(example_plant.drive, kind=drive.CURRENT, set_current_a=amps,
                          supply_v=24.0),
            climate=replace(example_plant.climate, humidity_ratio=0.0),
        ))  # fmt: skip
        a, r, k = 0.0528, 2.0, 0.508
        leaks = series(4.8, 0.45, 8.0) + 0.08 + 0.3 / 3600.0 * ROOM_AIR_KG_PER_M3 * 0.0315 * 1006.0

        def faces(cooling):
            air = AMBIENT_K - (cooling - 1.0) / leaks  # the fan's 1 W stays inside
            cold = air - cooling / series(2.5, 30.0)
            # Hot face from its own balance: a I Th + I^2 R/2 - K (Th - Tc) = (Th - Ta) G
            out = series(30.0, 5.0)
            hot = (0.5 * r * amps**2 + k * cold + out * AMBIENT_K) / (k + out - a * amps)
            return air, cold, hot

        def miss(cooling):
            _, cold, hot = faces(cooling)
            return cooling - (a * amps * cold - 0.5 * r * amps**2 - k * (hot - cold))

        cooling = brentq(miss, -50.0, 80.0, xtol=1e-12)
        air, cold, hot = faces(cooling)
        point = steady.operating_point(plant, 1.0, AMBIENT_K)
        assert point.mean_current_a == pytest.approx(amps, rel=1e-12)
        assert (point.air_k, point.cold_face_k, point.hot_face_k) == pytest.approx(
            (air, cold, hot), abs=1e-5
        )
        assert point.cooling_w == pytest.approx(cooling, abs=1e-5)


class TestRunaway:
    def test_no_steady_state_is_said(self, example_plant):
        """A set current so high that the Peltier heat a I outgrows what the sink sheds."""
        hopeless = replace(
            example_plant,
            drive=replace(example_plant.drive, kind=drive.CURRENT, set_current_a=20.0,
                          supply_v=1000.0, current_limit_a=1000.0),
            hot_sink=replace(example_plant.hot_sink, fan_w_per_k=0.5),
        )  # fmt: skip
        with pytest.raises(steady.NoSteadyState, match="duty 1.000"):
            steady.operating_point(hopeless, 1.0, AMBIENT_K)

    def test_below_the_closed_form_limit_there_is_one(self, example_plant):
        """Hot face balance has a solution while a I < K + G (closed form): 14 A and 5 W/K."""
        plant = replace(
            example_plant,
            drive=replace(example_plant.drive, kind=drive.CURRENT, set_current_a=14.0,
                          supply_v=1000.0, current_limit_a=1000.0),
        )  # fmt: skip
        assert steady.operating_point(plant, 1.0, AMBIENT_K).hot_sink_k < steady.RUNAWAY_K


def test_inputs_of_a_mean_day(example_plant):
    """By hand: 12 openings of 10 s are 120 s of 86 400; a fifth of the contents a day."""
    inputs = steady.steady_inputs(example_plant, 0.4, AMBIENT_K, 0.5, 0.25)
    assert inputs[cabinet.DOOR] == pytest.approx(120.0 / 86400.0, rel=1e-12)
    assert inputs[cabinet.LOAD_RATE] == pytest.approx(0.2 / 86400.0, rel=1e-12)
    assert inputs[cabinet.AMBIENT] == AMBIENT_K
    assert inputs[cabinet.AMBIENT_W] == 0.010
    assert tuple(inputs[[cabinet.DUTY, cabinet.HOT_FAN, cabinet.COLD_FAN]]) == (0.4, 0.5, 0.25)
    # Saturated air at 5 C holds 5.40 g/kg (psychrolib): a cold room cannot hold 10.
    cold = steady.steady_inputs(example_plant, 0.4, ZERO_C_K + 5.0)
    assert cold[cabinet.AMBIENT_W] * 1e3 == pytest.approx(5.4019, rel=3e-3)


def test_warm_goods_are_a_load_on_the_mean_day(example_plant):
    """By hand: a fifth of 25 200 J/K from the contents' temperature to 22 C, over a day."""
    point = steady.operating_point(example_plant, 0.6, AMBIENT_K)
    load_w = 0.2 / 86400.0 * 25200.0 * (ZERO_C_K + 22.0 - point.contents_k)
    assert 6.0 * (point.contents_k - point.air_k) == pytest.approx(load_w, rel=1e-5)
    assert 0.5 < load_w < 2.0


def test_start_does_not_matter(example_plant):
    cold = cabinet.uniform_state(steady.without_freezing(example_plant), ZERO_C_K + 2.0, 0.003)
    one = steady.operating_point(example_plant, 0.6, AMBIENT_K)
    two = steady.operating_point(example_plant, 0.6, AMBIENT_K, start=cold)
    assert two.air_k == pytest.approx(one.air_k, abs=1e-5)
    assert two.contents_k == pytest.approx(one.contents_k, abs=1e-5)


def test_slopes_vanish_and_heat_balances(example_plants):
    for plant in example_plants.values():
        point = steady.operating_point(plant, 0.4, AMBIENT_K)
        slope = np.zeros(cabinet.STATES)
        record = cabinet.to_record(steady.without_freezing(plant))
        cabinet.derivative(record, point.state, point.inputs, slope)
        # W against a throughput of some tens of W; g against what is taken up.
        assert abs(slope[cabinet.HEAT_IN]) < 1e-4 * slope[cabinet.THROUGHPUT]
        assert slope[cabinet.WATER_IN] == pytest.approx(slope[cabinet.WATER_OUT], abs=1e-10)
        for part in (cabinet.HOT_SINK, cabinet.WALL_OUTER):
            assert abs(slope[part]) < 1e-6

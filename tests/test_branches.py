"""Steady states of the hot side, a failed hot fan, heat soaked back: against closed forms.

The hot sink's balance with all else settled is scanned here; `plant.steady` and a long run
find the same states in their own ways.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.branches import (
    COOLING,
    RUNAWAY,
    after_fan_failure,
    branches_of,
    duties_that_hold,
    heat_gained_w,
    slowest_mode_s,
    steady_branches,
    with_failed_hot_fan,
)
from ctrl.build import plant_of
from ctrl.capability import at_duty
from ctrl.cautions import fan_failure_cautions
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import settings_of
from ctrl.heat_soak import best_run_on_s, heat_back_j, heat_soak_of, near_room_s
from ctrl.linearise import linear_plant
from plant import cabinet, drive, heat_sinks, integrate, steady
from plant.cabinet import to_record
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0


def changed(name, **tables):
    """Return a shipped config with some keys changed."""
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, "changed")


@pytest.mark.parametrize("name", ["wine", "smooth", "fanless", "icy"])
@pytest.mark.parametrize("hot_fan", [1.0, 0.0])
def test_the_one_branch_is_where_drifting_ends(name, hot_fan, example_plants):
    """Pseudo-transient continuation knows nothing of the scan: same state to a millikelvin."""
    plant = example_plants[name]
    found = steady_branches(plant, AMBIENT_K, 0.3, hot_fan=hot_fan)
    assert len(found) == 1
    point = steady.operating_point(plant, 0.3, AMBIENT_K, hot_fan=hot_fan)
    assert found[0].point.hot_sink_k == pytest.approx(point.hot_sink_k, abs=1e-3)
    assert found[0].point.contents_k == pytest.approx(point.contents_k, abs=1e-3)
    assert found[0].stable and found[0].slowest_s > 600.0
    assert found[0].fan == ("on" if hot_fan else "stopped")


def regulated(plant, current_a, film_w_per_k):
    """Return a dry, quiet cabinet on a constant current, with a hot film of its own."""
    return replace(
        plant,
        drive=replace(plant.drive, kind=drive.CURRENT, set_current_a=current_a, supply_v=400.0),
        hot_sink=replace(plant.hot_sink, fan_w_per_k=film_w_per_k, no_fan_w_per_k=0.05),
        climate=replace(plant.climate, doors_per_day=0, load_share=0.0, humidity_ratio=0.0),
    )


def heat_slope_w_per_k(current_a):
    """Return d(heat into the hot sink)/d(its temperature) at constant current, by hand.

    Qh = a I Th + I^2 R/2 - K (Th - Tc), the cold face on its path to the room, and the hot
    joint of 30 W/K between sink and face.
    """
    seebeck, conductance = 0.0528, 0.508
    wall = 1.0 / (1.0 / 4.8 + 1.0 / 0.45 + 1.0 / 8.0)
    box = wall + 0.08 + 0.3 / 3600.0 * 1.27 * 0.0315 * 1006.0
    path = 1.0 / (1.0 / 30.0 + 1.0 / 2.5 + 1.0 / box)
    follows = conductance / (path + seebeck * current_a + conductance)
    at_face = seebeck * current_a - conductance * (1.0 - follows)
    return at_face / (1.0 - at_face / 30.0)


@pytest.mark.parametrize("current_a", [2.0, 5.0, 12.0])
def test_slope_of_the_heat_balance_by_hand(current_a, example_plant):
    plant = steady.without_freezing(regulated(example_plant, current_a, 1.0))
    inputs = steady.steady_inputs(plant, 1.0, AMBIENT_K)
    state = cabinet.uniform_state(plant, AMBIENT_K, 0.0)
    one, state = heat_gained_w(plant, AMBIENT_K + 20.0, inputs, state)
    two, _ = heat_gained_w(plant, AMBIENT_K + 40.0, inputs, state)
    assert (two - one) / 20.0 + 1.0 == pytest.approx(heat_slope_w_per_k(current_a), rel=1e-3)


def test_runaway_where_the_film_is_less_than_that_slope(example_plant):
    """12 A make 0.3 W more for each kelvin: a film of half of that never catches up."""
    slope = heat_slope_w_per_k(12.0)
    assert slope > 0.25
    starved = regulated(example_plant, 12.0, 0.5 * slope)
    assert steady_branches(starved, AMBIENT_K, 1.0) == []
    with pytest.raises(steady.NoSteadyState):
        steady.operating_point(starved, 1.0, AMBIENT_K)
    fed = steady_branches(regulated(example_plant, 12.0, slope + 3.0), AMBIENT_K, 1.0)
    assert [branch.stable for branch in fed] == [True]


def test_a_growing_mode_goes_before_all_others():
    assert slowest_mode_s(np.array([-40.0, 0.1, 900.0])) == -40.0
    assert slowest_mode_s(np.array([0.1, 30.0, 900.0])) == 900.0


def test_stopping_the_fan_moves_the_branch_up_and_warms_the_contents():
    plant = plant_of(load_config("film_box"))
    on, stopped = branches_of(plant, ZERO_C_K + 28.0, 0.5)
    assert stopped.point.hot_sink_k > on.point.hot_sink_k + 10.0
    assert stopped.point.contents_k > on.point.contents_k + 2.0


@pytest.fixture(scope="module")
def plant():
    """The film box with a hot sink three times as bad."""
    return plant_of(changed("film_box", hot_sink={"fan_k_per_w": 0.9}))


@pytest.fixture(scope="module")
def held(plant):
    return duties_that_hold(plant, ZERO_C_K + 28.0, ZERO_C_K + 18.0)


class TestThermostat:
    """With a poor sink a smoothed drive has two duties for one temperature."""

    def test_both_hold_the_target(self, plant, held):
        assert [item.branch for item in held] == [COOLING, RUNAWAY]
        for item in held:
            point = at_duty(plant, item.point.duty, ZERO_C_K + 28.0)
            assert point.contents_k - ZERO_C_K == pytest.approx(18.0, abs=2e-3)
        assert held[0].gain_k > 0.0 > held[1].gain_k

    def test_a_slow_integrator_is_stable_on_the_cooling_branch_only(self, plant, held):
        """Eigenvalues of plant and integrator together, d(duty)/dt = k (reading - setpoint)."""
        for item in held:
            linear = linear_plant(plant, item.point)
            count = linear.A.shape[0]
            joined = np.zeros((count + 1, count + 1))
            joined[:count, :count] = linear.A
            joined[:count, count:] = linear.B
            joined[count, :count] = 1e-7 * linear.C[0]
            grows = np.linalg.eigvals(joined).real.max() > 0.0
            assert grows == (item.branch == RUNAWAY)

    def test_out_of_reach_holds_nowhere(self, plant):
        assert duties_that_hold(plant, ZERO_C_K + 28.0, ZERO_C_K - 20.0) == []


@pytest.fixture(scope="module")
def config():
    return load_config("galley_larder")


@pytest.fixture(scope="module")
def guarded(config):
    return after_fan_failure(config, settings_of(config))


@pytest.fixture(scope="module")
def bare(config):
    return after_fan_failure(config, settings_of(config), protected=False)


class TestFailedFan:
    """Minutes to each limit, and what the firmware does about it."""

    def test_hottest_hour_of_the_worst_room(self, guarded):
        assert guarded.ambient_c == 33.0  # 30 C and half of 6 K

    def test_firmware_keeps_sink_and_foam_in_bounds(self, config, guarded):
        assert guarded.hot_sink_c_max < config.protection.fold_back_full_c
        assert guarded.minutes["trip"] is None and guarded.minutes["foam limit"] is None
        assert guarded.minutes["contents too warm"] is not None

    def test_without_the_sensor_limits_fall_in_the_order_of_their_temperatures(self, config, bare):
        limits = {
            "fold-back": config.protection.fold_back_start_c,
            "foam limit": config.limits.foam_max_c,
            "trip": config.protection.trip_c,
        }
        order = sorted(limits, key=limits.__getitem__)
        minutes = [bare.minutes[name] for name in order]
        assert all(minute is not None for minute in minutes)
        assert minutes == sorted(minutes)
        assert bare.hot_sink_c_max > config.protection.trip_c

    def test_first_minutes_by_hand(self, config, bare):
        """Heat made over heat capacity: (P + Qc) / C gives the first kelvins a minute.

        At the start the sink is steady: what the fan took, G (Th - Ta), is now stored.
        """
        plant = plant_of(config)
        ambient_k = ZERO_C_K + 33.0
        target_k = ZERO_C_K + config.use.target_c
        held = duties_that_hold(plant, ambient_k, target_k)
        start = held[0].point if held else at_duty(plant, 1.0, ambient_k)
        heat_w = plant.hot_sink.fan_w_per_k * (start.hot_sink_k - ambient_k)
        end_k = ZERO_C_K + config.protection.fold_back_start_c
        stored_j = (end_k - start.hot_sink_k) * plant.hot_sink.heat_capacity_j_per_k
        least_min = stored_j / heat_w / 60.0
        # The still film takes its share on the way, at the end most: longer than with none of
        # it, shorter than with all of it from the start; the module's own heat falls by a
        # tenth or two as its faces part, and rows are minutes.
        still = heat_sinks.still_film(to_record(plant).hot_sink, end_k, ambient_k)
        most_min = stored_j / (0.8 * heat_w - still * (end_k - ambient_k)) / 60.0
        assert least_min < bare.minutes["fold-back"] < most_min

    def test_caution_where_the_foam_is_passed(self, guarded, bare):
        assert fan_failure_cautions((guarded, bare)) == []
        (text,) = fan_failure_cautions((bare,))
        assert "foam limit" in text and f"{bare.minutes['foam limit']:.0f} min" in text
        assert fan_failure_cautions(()) == []

    def test_a_failed_fan_draws_nothing_and_moves_no_air(self, config):
        plant = with_failed_hot_fan(plant_of(config))
        on = at_duty(plant_of(config), 0.3, AMBIENT_K)
        dead = at_duty(plant, 0.3, AMBIENT_K)
        assert dead.hot_sink_k > on.hot_sink_k + 5.0
        assert dead.inputs[cabinet.HOT_FAN] == 0.0


class TestHeatSoak:
    """What comes back through the module after switch-off."""

    @pytest.fixture
    def point(self, example_plant):
        return steady.operating_point(example_plant, 0.7, AMBIENT_K)

    def test_some_run_on_saves_heat_and_too_much_costs(self, example_plant, point, note):
        """Once the sink is as cold as the room, a still sink falls below it and insulates.

        A fan that turns on holds it at the room's temperature, and lets more heat in.
        """
        near_s = near_room_s(example_plant, point)
        run_ons = (0.0, 0.5 * near_s, near_s, 3600.0)
        back = [heat_back_j(example_plant, point, s) for s in run_ons]
        note(f"back through the module in 1 h: {np.round(back)} J at {run_ons} s")
        assert back[0] > back[1] > back[2] > 0.0
        assert back[3] > back[2]

    def test_best_run_on_against_a_scan(self, example_plant, point):
        scan = {s: heat_back_j(example_plant, point, s) for s in np.arange(0.0, 900.0, 10.0)}
        best_s = best_run_on_s(example_plant, point)
        assert best_s == min(scan, key=scan.get)
        assert 0.0 < best_s < 600.0

    def test_what_run_on_saves_is_less_than_what_the_sink_stores(self, example_plant, point):
        """400 J/K and 6 J/K of the hot face over the room: no more than this can come back."""
        rise = point.hot_sink_k - AMBIENT_K
        stored_j = 400.0 * rise + 6.0 * (point.hot_face_k - AMBIENT_K)
        near_s = near_room_s(example_plant, point)
        saved = heat_back_j(example_plant, point, 0.0) - heat_back_j(example_plant, point, near_s)
        assert 0.0 < saved < stored_j

    def test_time_to_the_room_by_hand(self, example_plant, point):
        """Sink and face on the fan's 5 W/K and the module's K: first order, to 10 s.

        tau = 406 / (5 + K in series) with K about 0.4 W/K towards a colder side.
        """
        rise = point.hot_sink_k - AMBIENT_K
        tau = 406.0 / 5.4
        expected = tau * np.log(rise / 4.0)
        assert near_room_s(example_plant, point) == pytest.approx(expected, abs=15.0)
        soak = heat_soak_of(example_plant, point, 0.0)
        assert soak.back_with_stated_j == soak.back_without_j
        assert soak.fan_j == example_plant.hot_sink.fan_w * soak.best_run_on_s

    def test_heat_back_is_what_the_cold_side_gets(self, example_plant, point):
        """The ledger's heat against an integral of K (Th - Tc) on 1 s steps, by trapezium."""
        record = cabinet.to_record(steady.without_freezing(example_plant))
        state, inputs = point.state.copy(), point.inputs.copy()
        inputs[[cabinet.DUTY, cabinet.HOT_FAN, cabinet.COLD_FAN]] = 0.0, 0.0, 1.0
        work, hint, flows = integrate.work_array(), 0.1, []
        for _ in range(3601):
            flows.append(0.508 * (state[cabinet.HOT_FACE] - state[cabinet.COLD_FACE]))
            hint = integrate.advance(record, state, inputs, 1.0, hint, work)
        expected = np.trapezoid(flows)
        assert heat_back_j(example_plant, point, 0.0) == pytest.approx(expected, rel=2e-3)

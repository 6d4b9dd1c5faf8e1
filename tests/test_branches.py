"""Steady states of the hot side, a failed hot fan, heat soaked back: against closed forms.

The hot sink's balance with all else settled is scanned here; `plant.steady` and a long run
find the same states in their own ways.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl import branches
from ctrl.branches import (
    COOLING,
    IDLE,
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
from ctrl.hot_side import hot_side_of
from ctrl.json_out import heat_soak_object, hot_side_object
from ctrl.linearise import linear_plant
from ctrl.screen import console
from ctrl.screen_hot_side import show_hot_side, soak_text
from ctrl.trial import loop_at
from plant import cabinet, drive, heat_sinks, integrate, steady
from plant.cabinet import to_record
from plant.constants import ZERO_C_K

AMBIENT_K = ZERO_C_K + 25.0
ROOM_AIR_KG_PER_M3 = 101325.0 / (287.042 * AMBIENT_K)  # dry, ideal gas


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
    scan = steady_branches(plant, AMBIENT_K, 0.3, hot_fan=hot_fan)
    found = scan.branches
    assert len(found) == 1
    # Looked for up to 400 °C, where the cold side would long have boiled.
    assert (scan.from_k, scan.to_k) == (AMBIENT_K - 20.0, steady.RUNAWAY_K)
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
    box = wall + 0.08 + 0.3 / 3600.0 * ROOM_AIR_KG_PER_M3 * 0.0315 * 1006.0
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
    scan = steady_branches(starved, AMBIENT_K, 1.0)
    assert scan.runs_away and scan.gains_at_end_w > 0.0
    with pytest.raises(steady.NoSteadyState):
        steady.operating_point(starved, 1.0, AMBIENT_K)
    fed = steady_branches(regulated(example_plant, 12.0, slope + 3.0), AMBIENT_K, 1.0).branches
    assert [branch.stable for branch in fed] == [True]


def test_a_growing_mode_goes_before_all_others():
    assert slowest_mode_s(np.array([-40.0, 0.1, 900.0])) == -40.0
    assert slowest_mode_s(np.array([0.1, 30.0, 900.0])) == 900.0


def test_stopping_the_fan_moves_the_branch_up_and_warms_the_contents():
    plant = plant_of(load_config("film_box"))
    scans = branches_of(plant, ZERO_C_K + 28.0, 0.5)
    assert [scan.fan for scan in scans] == ["on", "stopped"]
    (on,), (stopped,) = (scan.branches for scan in scans)
    assert stopped.point.hot_sink_k > on.point.hot_sink_k + 10.0
    assert stopped.point.contents_k > on.point.contents_k + 2.0


@pytest.fixture(scope="module")
def plant():
    """The film box with a hot sink three times as bad."""
    return plant_of(changed("film_box", hot_sink={"fan_k_per_w": 0.9}))


@pytest.fixture(scope="module")
def held(plant):
    return duties_that_hold(plant, ZERO_C_K + 28.0, ZERO_C_K + 18.0)


@pytest.mark.parametrize("fan_k_per_w", [0.9, 2.5])
def test_a_root_far_up_is_where_drifting_ends(fan_k_per_w):
    """A sink so poor that it comes to rest beyond the cold side's boiling; drifting finds it."""
    poor = plant_of(
        changed("film_box", hot_sink={"fan_k_per_w": fan_k_per_w, "no_fan_k_per_w": 6.0})
    )
    ambient_k = ZERO_C_K + 36.0
    scan = steady_branches(poor, ambient_k, 1.0)
    point = steady.operating_point(poor, 1.0, ambient_k)
    assert [round(item.point.hot_sink_k, 3) for item in scan.branches] == [
        round(point.hot_sink_k, 3)
    ]


def test_the_scan_closes_in_on_where_the_rest_stops_settling(example_plant, monkeypatch):
    """Made to fail above 61.3 °C and below 12 °C: from the first that settles to the edge."""
    true = branches.heat_gained_w

    def fails(plant, hot_sink_k, inputs, start):
        if not ZERO_C_K + 12.0 < hot_sink_k < ZERO_C_K + 61.3:
            raise steady.NoSteadyState("made to fail")
        return true(plant, hot_sink_k, inputs, start)

    plain = steady_branches(example_plant, AMBIENT_K, 0.3)
    monkeypatch.setattr(branches, "heat_gained_w", fails)
    scan = steady_branches(example_plant, AMBIENT_K, 0.3)
    assert scan.from_k - ZERO_C_K == pytest.approx(13.0)
    assert scan.to_k - ZERO_C_K == pytest.approx(61.3, abs=branches.END_K)
    assert scan.branches[0].point.hot_sink_k == pytest.approx(
        plain.branches[0].point.hot_sink_k, abs=1e-3
    )
    monkeypatch.setattr(branches, "heat_gained_w", true)
    root_k = plain.branches[0].point.hot_sink_k

    def ends_just_above(plant, hot_sink_k, inputs, start):
        if hot_sink_k > root_k + 0.2:
            raise steady.NoSteadyState("made to fail")
        return true(plant, hot_sink_k, inputs, start)

    monkeypatch.setattr(branches, "heat_gained_w", ends_just_above)
    assert len(steady_branches(example_plant, AMBIENT_K, 0.3).branches) == 1

    def never(plant, hot_sink_k, inputs, start):
        raise steady.NoSteadyState("made to fail")

    monkeypatch.setattr(branches, "heat_gained_w", never)
    with pytest.raises(steady.NoSteadyState, match="anywhere from 5 to 400"):
        steady_branches(example_plant, AMBIENT_K, 0.3)


def test_one_row_for_each_duty_and_state_of_the_fan(capsys):
    """A fan wired to the module at no duty is the stopped one, and told once."""
    plant = plant_of(changed("film_box", hot_sink={"fan_wiring": "with_module"}))
    assert [scan.fan for scan in branches_of(plant, AMBIENT_K, 0.0)] == ["stopped"]
    starved = regulated(plant, 12.0, 0.05)
    scans = tuple(branches_of(starved, AMBIENT_K, 1.0))
    config = load_config("film_box")
    part = replace(hot_side_of(config), scans=scans, holding=())
    show_hot_side(console(), config, part)
    assert capsys.readouterr().out.count("runs away") == 2
    assert [row["runs_away"] for row in hot_side_object(part)["scans"]] == [True, True]


class TestThermostat:
    """With a poor sink a smoothed drive has two duties for one temperature."""

    def test_both_hold_the_target(self, plant, held):
        assert [item.branch for item in held] == [COOLING, RUNAWAY]
        for item in held:
            point = at_duty(plant, item.point.duty, ZERO_C_K + 28.0)
            assert point.contents_k - ZERO_C_K == pytest.approx(18.0, abs=2e-3)
        assert held[0].gain_k > 0.0 > held[1].gain_k
        assert [item.stable for item in held] == [True, False]

    def test_at_one_duty_each_state_names_its_branch(self, plant, held):
        """The same names as the thermostat's: by the sign of the gain at that duty."""
        for item in held:
            on, _ = branches_of(plant, ZERO_C_K + 28.0, item.point.duty)
            assert [branch.branch for branch in on.branches] == [item.branch]
        idle, *_ = branches_of(plant, ZERO_C_K + 28.0, 0.0)
        assert [branch.branch for branch in idle.branches] == [IDLE]

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

    def test_the_clock_starts_at_the_hottest_hour(self, config, monkeypatch):
        """Sun, doors and charging go by it: 16 h in this galley."""
        seen = []

        def watched(*args, **keys):
            seen.append(keys["start_s"])
            return loop_at(*args, **keys)

        monkeypatch.setattr(branches, "loop_at", watched)
        monkeypatch.setattr(branches, "WATCHED_H", 0.1)
        after_fan_failure(config, settings_of(config))
        assert seen == [16.0 * 3600.0]

    def test_a_noon_sun_hurries_the_contents(self):
        """1000 W/m2 on 0.15 m2 from 15 h, against the same sun of the small hours."""
        box = {"sunlit_area_m2": 0.15, "sun_absorptance": 1.0}
        sun = {"sun_w_per_m2": 1000.0, "worst_c": 24.0}
        warm = []
        for from_h in (15.0, 1.0):
            room = {**sun, "sun_from_hour": from_h, "sun_to_hour": from_h + 8.0}
            config = changed("galley_larder", cabinet=box, climate=room)
            found = after_fan_failure(config, settings_of(config))
            warm.append(found.minutes["contents too warm"])
        assert warm[0] < warm[1] - 5.0

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


def switched(plant):
    """Return the plant with a hot fan on a switch of its own."""
    sink = replace(plant.hot_sink, fan_wiring=heat_sinks.OWN_SWITCH)
    return replace(plant, hot_sink=sink)


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
        assert near_room_s(replace(example_plant, hot_sink=replace(
            example_plant.hot_sink, heat_capacity_j_per_k=1e6)), point) is None  # fmt: skip
        soak = heat_soak_of(switched(example_plant), point, 0.0)
        assert soak.back_with_stated_j == soak.back_without_j
        assert soak.fan_j == example_plant.hot_sink.fan_w * soak.best_run_on_s

    def test_no_run_on_where_the_wiring_knows_none(self, example_plant, point):
        """With the module it stops with it; always, it never stops."""
        for wiring, words in (("with_module", "no run-on"), ("always", "turn always")):
            sink = replace(example_plant.hot_sink, fan_wiring=heat_sinks.FAN_WIRINGS[wiring])
            soak = heat_soak_of(replace(example_plant, hot_sink=sink), point, 180.0)
            assert (soak.stated_run_on_s, soak.best_run_on_s, soak.fan_j) == (None, None, None)
            assert words in soak_text(soak)
            reasons = heat_soak_object(soak)
            assert wiring in reasons["best_run_on_s_reason"]
        own = heat_soak_of(switched(example_plant), point, 180.0)
        assert "180 s of run-on" in soak_text(own)
        assert "none (0.2 kJ left)" in soak_text(replace(own, back_with_best_j=-200.0))
        assert "not within 4 K" in soak_text(replace(own, near_room_s=None))

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

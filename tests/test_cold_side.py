"""Wet contents, ice on the walls, the shaded outside and a stopped inside fan.

Against sums by hand from psychrolib's saturation, closed forms of the wall, and a simulated day.
"""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from two_air_nodes import two_nodes

from ctrl.build import box_of, contents_films, humidity_at, plant_of
from ctrl.cases import run_case
from ctrl.check import check
from ctrl.cold_side import FROSTING, WET, cold_side_of, outside_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import Settings
from ctrl.simulation import simulate
from plant import air_layers, cabinet, moist_air
from plant.constants import ZERO_C_K
from plant.steady import operating_point


def changed(name, **tables):
    """Return a shipped config with some keys changed."""
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, "changed")


class TestWetContents:
    """Water given off takes its latent heat from the contents; both balances stay exact."""

    @pytest.fixture
    def wet(self, example_plant):
        """A conductance of 0.2 g/s: about 0.025 m2 of bare water in moving air."""
        contents = replace(example_plant.contents, wet_kg_per_s=2e-4, wet_still_kg_per_s=1e-4)
        return replace(example_plant, contents=contents)

    @pytest.mark.parametrize(("fan", "conductance"), [(1.0, 2e-4), (0.0, 1e-4)])
    @pytest.mark.parametrize(("contents_c", "ratio"), [(12.0, 0.004), (4.0, 0.007), (-6.0, 0.001)])
    def test_rate_and_latent_heat_by_hand(
        self, fan, conductance, contents_c, ratio, wet, example_plant, slopes_of
    ):
        psychrolib.SetUnitSystem(psychrolib.SI)
        saturated = psychrolib.GetSatHumRatio(contents_c, 101325.0)
        given_off = conductance * (saturated - ratio)
        slopes = []
        for plant in (wet, example_plant):
            record = cabinet.to_record(plant)
            state = cabinet.uniform_state(plant, ZERO_C_K + 10.0, 0.0)
            cabinet.set_air(record, state, ZERO_C_K + 10.0, ratio)
            cabinet.set_contents(record, state, ZERO_C_K + contents_c)
            inputs = np.zeros(cabinet.INPUTS)
            inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = ZERO_C_K + 10.0, fan
            slopes.append(slopes_of(plant, state, inputs))
        extra = slopes[0] - slopes[1]
        assert extra[cabinet.GIVEN_OFF] == pytest.approx(given_off, rel=0.01)
        for where in (cabinet.VAPOUR, cabinet.WATER_IN):
            assert extra[where] == pytest.approx(extra[cabinet.GIVEN_OFF], rel=1e-9)
        # 2501 - 2.34 t kJ/kg over water (textbook), 2834 over ice; condensing brings that of
        # the air at 10 °C, 1.86 kJ/(kg K) more or less.
        latent = 2.834e6 if contents_c < 0.0 else 2.501e6 - 2340.0 * contents_c
        heat_w = extra[cabinet.CONTENTS_H]
        assert heat_w == pytest.approx(-latent * extra[cabinet.GIVEN_OFF], rel=0.01)

    def test_damp_air_settles_on_cold_wet_contents(self, wet, slopes_of):
        state = cabinet.uniform_state(wet, ZERO_C_K + 12.0, 0.008)
        cabinet.set_contents(cabinet.to_record(wet), state, ZERO_C_K + 4.0)
        inputs = np.zeros(cabinet.INPUTS)
        inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = ZERO_C_K + 12.0, 1.0
        slope = slopes_of(wet, state, inputs)
        assert slope[cabinet.GIVEN_OFF] < 0.0 < slope[cabinet.CONTENTS_H]

    @pytest.mark.parametrize("duty", [0.4, 1.0])
    def test_balances(self, wet, duty, run_plant, note):
        ran = run_plant(wet, np.full(12 * 3600, duty))
        note(f"gave off {1e3 * ran.last[cabinet.GIVEN_OFF]:.1f} g in 12 h")
        assert ran.last[cabinet.GIVEN_OFF] > 0.005
        assert ran.energy_residual < 1e-9 and ran.water_residual < 1e-9

    def test_from_the_config_to_screen_and_findings(self):
        """0.05 m2 of bare water; still and moving air's films over cp Le^(2/3)."""
        config = changed("galley_larder", contents={"wet_area_m2": 0.05})
        plant = plant_of(config)
        radiation = changed("galley_larder", contents={"radiating_share": 0.0})
        moving = contents_films(radiation).outer
        expected = moving * 0.05 / (1006.0 * 0.928)
        assert plant.contents.wet_kg_per_s == pytest.approx(expected, rel=1e-3)
        assert 0.0 < plant.contents.wet_still_kg_per_s < plant.contents.wet_kg_per_s
        on = cold_side_of(config)[0]
        dry = cold_side_of(load_config("galley_larder"))[0]
        assert dry.given_off_g_per_day == 0.0 < on.given_off_g_per_day
        # What is given off ends on the cold sink or leaks out.
        more = on.deposit_g_per_day - dry.deposit_g_per_day
        assert 0.0 < more < on.given_off_g_per_day
        run = simulate(config, days=1.0, seed=1)
        assert run.findings.given_off_g_per_day > 10.0
        assert abs(run.record.energy_residual_rel) < 1e-9
        assert abs(run.record.water_residual_rel) < 1e-9


class TestIceOnTheWalls:
    """Water on the walls freezes at 0 °C and gives up its latent heat there."""

    def state(self, plant, water_kg, temp_k):
        record = cabinet.to_record(plant)
        state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.0)
        state[cabinet.WALL_WATER] = water_kg
        cabinet.set_wall_inner(record, state, temp_k)
        return record, state

    @pytest.mark.parametrize("temp_c", [-20.0, -0.5, 0.0, 3.0])
    def test_enthalpy_and_temperature_are_inverses(self, temp_c, example_plant):
        record, state = self.state(example_plant, 0.05, ZERO_C_K + temp_c)
        assert cabinet.wall_inner_temperature(record, state) - ZERO_C_K == pytest.approx(
            temp_c, abs=1e-9
        )

    def test_from_water_to_ice_by_hand(self, example_plant):
        """50 g from +1 to -1 °C: 4.2 and 2.1 J/(g K) and 333.5 J/g, beside the wall's own."""
        record, warm = self.state(example_plant, 0.05, ZERO_C_K + 1.0)
        _, cold = self.state(example_plant, 0.05, ZERO_C_K - 1.0)
        own = 2.0 * example_plant.envelope.inner_heat_capacity_j_per_k
        heat = warm[cabinet.WALL_INNER_H] - cold[cabinet.WALL_INNER_H] - own
        assert heat == pytest.approx(50.0 * (4.2 + 2.1 + 333.5), rel=1e-3)

    def test_the_wall_stays_at_zero_while_it_freezes(self, example_plant):
        record, state = self.state(example_plant, 0.05, ZERO_C_K)
        for share in (0.1, 0.5, 0.9):
            state[cabinet.WALL_INNER_H] = -share * 0.05 * moist_air.LATENT_FUSION
            assert cabinet.wall_inner_temperature(record, state) == ZERO_C_K

    def test_balances_through_freezing(self, example_plants, run_plant):
        """The cabinet that drips inside, frozen through: walls pass 0 °C wet."""
        plant = example_plants["undrained"]
        ran = run_plant(plant, np.full(8 * 3600, 1.0))
        assert ran.energy_residual < 1e-9 and ran.water_residual < 1e-9


class TestOutside:
    """The coldest outside face stands in the shade."""

    def test_sun_elsewhere_does_not_warm_the_shaded_face(self, example_plant, slopes_of):
        """By hand: film, half the foam and the inner half's temperature; no sun in it."""
        box = example_plant.envelope
        state = cabinet.uniform_state(example_plant, ZERO_C_K + 25.0, 0.0)
        record = cabinet.to_record(example_plant)
        cabinet.set_wall_inner(record, state, ZERO_C_K + 10.0)
        state[cabinet.WALL_OUTER] = ZERO_C_K + 45.0  # in the sun
        state[cabinet.WALL_SHADED] = cabinet.shaded_wall(record, state, ZERO_C_K + 25.0)
        inputs = np.zeros(cabinet.INPUTS)
        inputs[[cabinet.AMBIENT, cabinet.SUN]] = ZERO_C_K + 25.0, 60.0
        slope = slopes_of(example_plant, state, inputs)
        assert slope[cabinet.WALL_SHADED] == pytest.approx(0.0, abs=1e-12)
        # Through the film and three quarters of the foam, at the foam's present conductance.
        foam = cabinet.foam_conductance(record, state)
        heat_w = 15.0 / (1.0 / box.outside_film_w_per_k + 0.75 / foam)
        face_k = ZERO_C_K + 25.0 - box.coldest_face_factor * heat_w / box.outside_film_w_per_k
        _, found_k = cabinet.wall_surfaces(record, state, ZERO_C_K + 25.0, 1.0)
        assert found_k == pytest.approx(face_k, abs=1e-9)

    def test_without_sun_it_is_the_wall_itself(self, example_plant, run_plant):
        ran = run_plant(example_plant, np.full(6 * 3600, 0.7))
        assert ran.last[cabinet.WALL_SHADED] == pytest.approx(
            ran.last[cabinet.WALL_OUTER], abs=1e-6
        )

    @pytest.mark.parametrize("climate", [{}, {"sun_w_per_m2": 800.0}])
    def test_check_and_a_simulated_day_agree(self, climate, note):
        """The worst room's least margin of a settled day: swing, shade and all, to 0.3 K."""
        box = {"sunlit_area_m2": 0.3} if climate else {}
        config = changed("galley_larder", climate=climate, cabinet=box)
        worst = outside_of(config)[1]
        room = config.climate
        run = run_case(config, plant_of(config), Settings("pi", 7.9, duty_limit=1.0), room.worst_c,
                       humidity_at(config, room.worst_c), seed=1, run=0)  # fmt: skip
        note(f"{worst.outside_margin_k:.2f} K, simulated {run.findings.outside_margin_k:.2f} K")
        assert worst.outside_margin_k == pytest.approx(run.findings.outside_margin_k, abs=0.3)

    def test_the_swing_costs_margin(self):
        steady = outside_of(changed("galley_larder", climate={"daily_swing_k": 0.0}))
        swinging = outside_of(load_config("galley_larder"))
        # 3 K below the mean at night, less what the face's own fall shrinks there.
        fall = steady[0].outside_margin_k - swinging[0].outside_margin_k
        assert 2.0 < fall < 3.0


def test_a_stopped_inside_fan_shows_in_check():
    """Common practice, no source: the sink falls many kelvin, the cabinet warms, wet to ice."""
    on, stopped = check(load_config("galley_larder")).cold_side
    assert (on.fan, stopped.fan) == ("on", "stopped")
    assert stopped.cold_sink_c_mean < on.cold_sink_c_mean - 3.0
    assert stopped.air_c_mean > on.air_c_mean + 1.0
    assert stopped.contents_c_mean > on.contents_c_mean + 1.0
    assert (on.sink_state, stopped.sink_state) == (WET, FROSTING)
    assert min(on.deposit_g_per_day, stopped.deposit_g_per_day) > 1.0


@pytest.fixture(scope="module", params=["benchmark", "film_box", "galley_larder"])
def cabinet_and_duty(request):
    config = load_config(request.param)
    held = cold_side_of(config)
    dry = replace(
        plant_of(config).climate, humidity_ratio=1e-6, doors_per_day=0, load_share=0.0,
        sun_w=0.0, radiant_w=0.0,
    )  # fmt: skip
    plant = replace(plant_of(config), climate=dry)
    return plant, held, config.climate.worst_c + ZERO_C_K, box_of(config).inside_area_m2


class TestLayers:
    """The estimate beside a model of two air nodes that is solved whole."""

    @pytest.mark.parametrize("fan", [0.0, 1.0])
    def test_against_two_nodes(self, fan, cabinet_and_duty, note):
        plant, held, ambient_k, area_m2 = cabinet_and_duty
        duty, record = held[0].duty, cabinet.to_record(plant)
        one = operating_point(plant, duty, ambient_k, 1.0, fan)
        shares = air_layers.DRIVEN_STREAM if fan else air_layers.STILL_STREAM
        film, _ = cabinet.cold_sink_film(record, one.state, fan)
        mixed, most, least = (
            two_nodes(record, duty, ambient_k, fan, share * film, area_m2)
            for share in (1e4, *shares)
        )
        found = air_layers.layering_k(record, one.state, one.inputs, area_m2)
        note(f"top over bottom {least.layering_k:.2f} to {most.layering_k:.2f} K, estimate "
             f"{found[0]:.2f} to {found[1]:.2f} K; mean {most.mean_k - mixed.mean_k:+.2f} to "
             f"{least.mean_k - mixed.mean_k:+.2f} K")  # fmt: skip
        # An endless stream is the plant's one node; it takes dry air at 1.27 kg/m3, and its
        # vapour, next to none.
        assert mixed.mean_k == pytest.approx(one.air_k, abs=0.05)
        assert mixed.sink_k == pytest.approx(one.cold_sink_k, abs=0.05)
        # The estimate takes the mixed sink; layered it draws warmer air.
        assert found[0] == pytest.approx(least.layering_k, rel=0.08)
        assert found[1] == pytest.approx(most.layering_k, rel=0.12)
        # What the screen says of the mean: colder by a quarter at most.
        for layered in (least, most):
            assert -0.27 * layered.layering_k < layered.mean_k - mixed.mean_k < 0.0

    def test_only_the_stopped_fan_matters(self):
        on, stopped = cold_side_of(load_config("galley_larder"))
        assert on.layering_k[1] < 2.0 < stopped.layering_k[0]
        assert stopped.layering_k[1] < 6.0

    def test_the_free_layer_leaves_two_fifths_of_the_way(self):
        """Integral method's profiles: speed y (1 - y)^2, temperature (1 - y)^2 (textbook)."""
        speed, warm = np.polynomial.Polynomial([0, 1, -2, 1]), np.polynomial.Polynomial([1, -2, 1])
        share = (speed * warm).integ()(1.0) / speed.integ()(1.0)
        assert 1.0 / share == pytest.approx(max(air_layers.STILL_STREAM), rel=1e-12)

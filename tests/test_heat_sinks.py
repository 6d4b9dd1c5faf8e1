"""Heat sinks against heat balances done by hand and by iteration."""

from dataclasses import replace

import ht
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from ctrl.bottlenecks import rank_parameters
from ctrl.build import driven_hot_sink, fin_operating_point, plant_of
from ctrl.capability import coldest_holdable, fans_at, limits_of
from ctrl.config import ConfigError, build_config, load_config, plain_data
from ctrl.shipped import shipped_names
from plant import cabinet, frost, heat_sinks
from plant.constants import ZERO_C_K


def test_volumetric_heat_capacity_of_air():
    density = PropsSI("D", "T", ZERO_C_K + 20.0, "P", 101325.0, "Air")
    cp = PropsSI("C", "T", ZERO_C_K + 20.0, "P", 101325.0, "Air")
    assert pytest.approx(density * cp, rel=5e-3) == heat_sinks.AIR_J_PER_M3_K


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 0.8])
def test_recirculation_against_an_iterated_intake(share):
    """The intake is mixed again and again until it stays; 30 W, 0.2 K/W, 20 m3/h."""
    watt, k_per_w, flow = 30.0, 0.2, 20.0 / 3600.0
    heat_rate = flow * 1.2 * 1006.0
    intake = 0.0  # rise over the room [K]
    for _ in range(400):
        exhaust = intake + watt / heat_rate
        intake = share * exhaust
    sink_rise = intake + watt * k_per_w
    assert watt * heat_sinks.with_recirculation(k_per_w, share, 20.0) == pytest.approx(
        sink_rise, rel=1e-9
    )


def test_recirculation_of_a_closed_compartment_by_hand():
    # Half the exhaust drawn in again, 20 m3/h = 6.71 W/K: 0.149 K/W more (hand calculation).
    assert heat_sinks.with_recirculation(0.2, 0.5, 20.0) == pytest.approx(0.349, abs=6e-4)


@pytest.mark.parametrize(
    ("wiring", "commanded", "duty", "turns"),
    [
        (heat_sinks.WITH_MODULE, 1, 0.0, 0.0),
        (heat_sinks.WITH_MODULE, 0, 0.3, 1.0),
        (heat_sinks.ALWAYS, 0, 0.0, 1.0),
        (heat_sinks.OWN_SWITCH, 1, 0.0, 1.0),
        (heat_sinks.OWN_SWITCH, 0, 1.0, 0.0),
    ],
)
def test_fan_wirings(wiring, commanded, duty, turns):
    assert heat_sinks.fan_turns(wiring, commanded, duty) == turns


def test_foam_beside_the_sink():
    # Hand calculation: 60 C sink in a 25 C room, 0.6 of the rise: 46 C.
    foam = heat_sinks.foam_temperature(ZERO_C_K + 25.0, ZERO_C_K + 60.0, 0.6)
    assert foam - ZERO_C_K == pytest.approx(46.0, abs=1e-9)


class TestInTheAssembly:
    """Flows read from the plant's right-hand side, one temperature moved at a time."""

    def at_rest(self, plant, fans):
        state = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.0)
        inputs = np.zeros(cabinet.INPUTS)
        inputs[cabinet.AMBIENT] = ZERO_C_K + 25.0
        inputs[[cabinet.HOT_FAN, cabinet.COLD_FAN]] = fans
        return state, inputs

    @pytest.mark.parametrize(("fan", "conductance"), [(1.0, 5.0), (0.0, 0.8), (0.5, 2.9)])
    def test_hot_sink_sheds_its_conductance_times_rise(
        self, fan, conductance, example_plant, slopes_of
    ):
        state, inputs = self.at_rest(example_plant, fan)
        quiet = slopes_of(example_plant, state, inputs)
        state[cabinet.HOT_SINK] += 30.0  # where the stopped fan's K/W is stated
        # 30 K over the room; the joint to the face at 25 C takes 30 W/K x 30 K too.
        slope = slopes_of(example_plant, state, inputs)
        heat = example_plant.hot_sink.heat_capacity_j_per_k * slope[cabinet.HOT_SINK]
        assert heat == pytest.approx(-30.0 * conductance - 900.0, rel=1e-9)
        assert quiet[cabinet.HOT_SINK] == pytest.approx(0.0, abs=1e-9)

    @pytest.mark.parametrize(("fan", "conductance"), [(1.0, 2.5), (0.0, 0.7)])
    def test_cold_sink_cools_air(self, fan, conductance, example_plant, slopes_of):
        state, inputs = self.at_rest(example_plant, fan)
        record = cabinet.to_record(example_plant)
        cabinet.set_cold_sink(record, state, ZERO_C_K + 15.0)
        slope = slopes_of(example_plant, state, inputs)
        fan_heat = fan * example_plant.cold_sink.fan_w
        assert slope[cabinet.AIR_H] == pytest.approx(fan_heat - 10.0 * conductance, rel=1e-7)

    def test_frost_narrows_and_insulates(self, example_plant):
        """By hand: 0.4 mm at 200 kg/m3 on 0.12 m2 in 4 mm gaps."""
        state, _ = self.at_rest(example_plant, 1.0)
        state[cabinet.FROST_VOLUME] = 0.4e-3 * 0.12
        state[cabinet.FROST] = 200.0 * state[cabinet.FROST_VOLUME]
        film, layer = cabinet.cold_sink_film(cabinet.to_record(example_plant), state, 1.0)
        # Open share 0.8; 0.7 + 1.8 x 0.8^1.5 W/K; Sanders 0.198 W/(m K).
        assert film == pytest.approx(0.7 + 1.8 * 0.8**1.5, rel=1e-9)
        assert layer == pytest.approx(0.198 * 0.12 / 0.4e-3, rel=3e-3)

    def test_a_blocked_sink_falls_back_to_still_air(self, example_plant):
        state, _ = self.at_rest(example_plant, 1.0)
        state[cabinet.FROST_VOLUME] = 2e-3 * 0.12  # 2 mm on both sides of a 4 mm gap
        state[cabinet.FROST] = 300.0 * state[cabinet.FROST_VOLUME]
        film, _ = cabinet.cold_sink_film(cabinet.to_record(example_plant), state, 1.0)
        assert film == pytest.approx(0.7, rel=1e-9)
        assert frost.open_fraction(0.01, 0.004) == 0.0


class TestFanStopped:
    """The still film against correlations that know nothing of ours."""

    def sink(self, plant, share):
        return cabinet.to_record(
            replace(plant, hot_sink=replace(plant.hot_sink, radiation_share=share))
        ).hot_sink

    @pytest.mark.parametrize("share", [0.0, 0.2, 1.0])
    def test_what_is_stated_holds_at_thirty_kelvin(self, share, example_plant):
        film = heat_sinks.still_film(self.sink(example_plant, share), 328.15, 298.15)
        assert film == pytest.approx(0.8, rel=1e-12)

    @pytest.mark.parametrize("rise", [10.0, 20.0, 60.0])
    def test_convection_against_a_vertical_plate(self, rise, example_plant):
        """ht, Churchill's laminar plate of 100 mm, air at the film temperature (CoolProp).

        The root of the rise alone leaves out air's own change with temperature and the
        constant in Churchill's form: 5 %.
        """

        def film(over):
            mean_k = 298.15 + 0.5 * over
            air = {
                name: PropsSI(name, "T", mean_k, "P", 101325.0, "Air")
                for name in ("D", "V", "L", "C")
            }
            viscosity, prandtl = air["V"] / air["D"], air["V"] * air["C"] / air["L"]
            grashof = 9.81 / mean_k * over * 0.1**3 / viscosity**2
            return ht.conv_free_immersed.Nu_vertical_plate_Churchill(prandtl, grashof) * air["L"]

        ours = heat_sinks.still_film(self.sink(example_plant, 0.0), 298.15 + rise, 298.15) / 0.8
        assert ours == pytest.approx(film(rise) / film(30.0), rel=0.05)

    @pytest.mark.parametrize("hot_c", [30.0, 45.0, 90.0])
    def test_radiation_is_that_of_fourth_powers(self, hot_c, example_plant):
        hot_k, room_k = ZERO_C_K + hot_c, 298.15
        exact = (hot_k**4 - room_k**4) / (hot_k - room_k)
        stated = (328.15**4 - room_k**4) / 30.0
        film = heat_sinks.still_film(self.sink(example_plant, 1.0), hot_k, room_k)
        assert film == pytest.approx(0.8 * exact / stated, rel=1e-12)

    def test_heat_is_smooth_through_no_rise(self, example_plant):
        """No kink, no infinite slope: the second difference of the heat stays small."""
        sink = self.sink(example_plant, 0.2)
        rises = np.linspace(-3.0, 3.0, 601)
        heat = np.array([heat_sinks.still_film(sink, 298.15 + x, 298.15) * x for x in rises])
        assert np.all(np.diff(heat) > 0.0)
        assert np.abs(np.diff(heat, 2)).max() < 0.02 * np.diff(heat).max()

    @pytest.mark.parametrize("rise", [10.0, 60.0, 250.0])
    def test_a_fan_never_makes_a_sink_worse(self, rise, example_plant, slopes_of):
        """The still film grows with the rise, past a poor fan's: the blown sink keeps it."""
        sink = replace(example_plant.hot_sink, fan_w_per_k=1.0)
        plant = replace(example_plant, hot_sink=sink)
        state = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.0)
        state[cabinet.HOT_SINK] += rise
        lost = []
        for fan in (1.0, 0.5, 0.0):
            inputs = np.zeros(cabinet.INPUTS)
            inputs[[cabinet.AMBIENT, cabinet.HOT_FAN]] = ZERO_C_K + 25.0, fan
            slope = slopes_of(plant, state, inputs)
            lost.append(-sink.heat_capacity_j_per_k * slope[cabinet.HOT_SINK])
        assert lost[0] >= lost[1] >= lost[2]
        assert (lost[0] > lost[2] + 1.0) == (rise < 200.0)

    def test_a_failed_fan_never_turns_and_counts_as_stopped(self, example_plant):
        assert heat_sinks.fan_turns(heat_sinks.STOPPED, 1, 1.0) == 0.0
        dead = replace(
            example_plant, hot_sink=replace(example_plant.hot_sink, fan_wiring=heat_sinks.STOPPED)
        )
        assert fans_at(dead, 0.7) == (0.0, 1.0)


class TestFromTheConfig:
    """Dust, fins and altitude on their way into the plant."""

    def sink_of(self, **keys):
        data = plain_data(load_config("galley_larder"))
        data["hot_sink"] = {**data["hot_sink"], **keys.pop("hot_sink", {})}
        data["climate"] = {**data["climate"], **keys.pop("climate", {})}
        for key in keys.pop("without", ()):
            del data["hot_sink"][key]
        return build_config(data, "changed")

    FINS = {
        "fins": 30, "fin_height_mm": 30.0, "fin_thickness_mm": 1.0, "fin_gap_mm": 2.0,
        "fin_length_mm": 100.0, "fan_free_flow_m3_per_h": 80.0, "fan_stall_pa": 50.0,
    }  # fmt: skip

    def test_dust_by_hand(self):
        """0.16 x 1.5 + 0.05/0.95 over 50 m3/h (16.77 W/K): 0.2431 K/W; no fan unchanged."""
        plant = plant_of(self.sink_of(hot_sink={"dust_factor": 1.5}))
        assert 1.0 / plant.hot_sink.fan_w_per_k == pytest.approx(0.24314, abs=2e-5)
        assert 1.0 / plant.hot_sink.no_fan_w_per_k == pytest.approx(0.8)

    def test_fins_take_the_place_of_the_plain_numbers(self):
        config = self.sink_of(hot_sink={**self.FINS, "exhaust_recirculation": 0.0},
                              without=("fan_k_per_w", "fan_flow_m3_per_h"))  # fmt: skip
        point = fin_operating_point(config)
        assert 1.0 / plant_of(config).hot_sink.fan_w_per_k == pytest.approx(point.k_per_w)
        assert driven_hot_sink(config)[1] == pytest.approx(3600.0 * point.flow_m3_per_s)
        assert "hot sink" in {item.part for item in rank_parameters(config)}

    def test_a_stated_resistance_goes_before_the_fins(self):
        config = self.sink_of(hot_sink=self.FINS)
        assert driven_hot_sink(config) == (0.16, 75.0)

    def test_half_a_sink_is_refused(self):
        with pytest.raises(ConfigError, match="fan_stall_pa.*or none"):
            self.sink_of(hot_sink={k: v for k, v in self.FINS.items() if k != "fan_stall_pa"})
        with pytest.raises(ConfigError, match="fan_k_per_w.*or the fins"):
            self.sink_of(without=("fan_k_per_w",))

    def test_thin_air_by_hand(self):
        """2000 m: p 79 495 Pa, 0.7846 of sea level's; films go with its root, 0.8858.

        Stated K/W are of sea level.  The recirculated part grows by 1/0.7846; of the still
        film a fifth is radiation and stays.
        """
        low, high = (plant_of(self.sink_of(climate={"altitude_m": h})) for h in (0.0, 2000.0))
        extra = [
            1.0 / plant.hot_sink.fan_w_per_k - 0.16 / factor
            for plant, factor in ((low, 1.0), (high, 0.8858))
        ]
        assert extra[1] / extra[0] == pytest.approx(101325.0 / 79495.0, rel=5e-3)
        still = high.hot_sink.no_fan_w_per_k / low.hot_sink.no_fan_w_per_k
        assert still == pytest.approx(0.2 + 0.8 * 0.8858, rel=1e-4)
        for key in ("fan_w_per_k", "no_fan_w_per_k"):
            ratio = getattr(high.cold_sink, key) / getattr(low.cold_sink, key)
            assert ratio == pytest.approx(0.8858, rel=1e-4)
        ratio = high.envelope.outside_film_w_per_k / low.envelope.outside_film_w_per_k
        assert ratio == pytest.approx(0.5 + 0.5 * 0.8858, rel=1e-4)
        assert high.contents.film_w_per_k < low.contents.film_w_per_k

    @pytest.mark.parametrize("name", shipped_names())
    def test_no_cabinet_gets_better_with_altitude(self, name):
        """Less leaks in, but the sinks lose more."""
        data = plain_data(load_config(name))
        coldest = []
        for altitude_m in (0.0, 3000.0):
            data["climate"]["altitude_m"] = altitude_m
            config = build_config(data, "changed")
            plant = plant_of(config)
            found = coldest_holdable(plant, plant.climate.mean_k, limits_of(config))
            coldest.append(found.contents_c)
        assert coldest[1] > coldest[0] + 0.2

    @pytest.mark.parametrize(
        ("keys", "without", "told"),
        [
            ({"fan_flow_m3_per_h": 5, "exhaust_recirculation": 0.8}, (), "at least 2.55 K/W.*dust"),
            ({"dust_factor": 5.0, "no_fan_k_per_w": 0.7}, (), "no_fan_k_per_w = 0.7: .*at least"),
            ({**FINS, "fan_stall_pa": 2.0, "fan_free_flow_m3_per_h": 8.0},
             ("fan_k_per_w", "fan_flow_m3_per_h"), "at least .*fins and fan come to"),
        ],
    )  # fmt: skip
    def test_a_still_sink_better_than_the_blown_one_is_refused(self, keys, without, told):
        """Dust, recirculated exhaust and starved fins counted: no key is quietly overruled."""
        with pytest.raises(ConfigError, match=told):
            self.sink_of(hot_sink=keys, without=without)

    def test_the_fans_middle_point_is_checked(self):
        bent = {"fan_middle_flow_m3_per_h": 40.0, "fan_middle_pa": 40.0}
        without = ("fan_k_per_w", "fan_flow_m3_per_h")
        config = self.sink_of(hot_sink={**self.FINS, **bent}, without=without)
        plain = self.sink_of(hot_sink=self.FINS, without=without)
        assert driven_hot_sink(config)[1] > driven_hot_sink(plain)[1]
        with pytest.raises(ConfigError, match="fan_middle_pa.*beside fan_middle_flow"):
            self.sink_of(hot_sink={**self.FINS, "fan_middle_flow_m3_per_h": 40.0})
        with pytest.raises(ConfigError, match="fan_middle_pa.*less than fan_stall_pa"):
            self.sink_of(hot_sink={**self.FINS, **bent, "fan_middle_pa": 50.0})


def test_fan_heat_is_booked_inside_and_at_the_plug(example_plant, slopes_of):
    """1 W inside, 2 W outside, supply efficiency 0.88, standby 0.5 W: 3.909 W (by hand)."""
    plant = replace(example_plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.HOT_FAN, cabinet.COLD_FAN]] = ZERO_C_K + 25.0, 1.0, 1.0
    slope = slopes_of(plant, state, inputs)
    assert slope[cabinet.PLUG_ENERGY] == pytest.approx(3.909, abs=6e-4)
    assert slope[cabinet.HEAT_IN] == pytest.approx(1.0, rel=1e-9)


def test_where_the_fan_is_surely_better_it_is(example_plant):
    sink = cabinet.to_record(example_plant).hot_sink
    sink.no_fan_w_per_k = 0.999 * sink.fan_w_per_k / 1.6
    for ambient_c in np.linspace(-20.0, 59.9, 9):
        for rise_k in np.linspace(-20.0, 59.9, 17):
            ambient_k = 273.15 + ambient_c
            assert heat_sinks.fan_is_better(sink, ambient_k + rise_k, ambient_k)
            assert heat_sinks.still_film(sink, ambient_k + rise_k, ambient_k) < sink.fan_w_per_k
    assert not heat_sinks.fan_is_better(sink, 273.15 + 90.0, 273.15 + 25.0)

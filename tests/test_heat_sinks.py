"""Heat sinks against heat balances done by hand and by iteration."""

from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

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
        assert film == pytest.approx(0.7, abs=0.03)
        assert frost.open_fraction(0.01, 0.004) > 0.0  # never closed altogether


def test_fan_heat_is_booked_inside_and_at_the_plug(example_plant, slopes_of):
    """1 W inside, 2 W outside, supply efficiency 0.88, standby 0.5 W: 3.909 W (by hand)."""
    plant = replace(example_plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 25.0, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.HOT_FAN, cabinet.COLD_FAN]] = ZERO_C_K + 25.0, 1.0, 1.0
    slope = slopes_of(plant, state, inputs)
    assert slope[cabinet.PLUG_ENERGY] == pytest.approx(3.909, abs=6e-4)
    assert slope[cabinet.HEAT_IN] == pytest.approx(1.0, rel=1e-9)

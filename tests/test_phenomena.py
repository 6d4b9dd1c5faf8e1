"""What the trade knows about the cold side has to come out of the physics, not be put in.

Common practice, no source: with the circulating fan stopped the cold sink falls many kelvin
while the cabinet gets warmer, and the sink passes from wet to frosting.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.findings import share_that_stays
from ctrl.record import COLUMNS, INDEX, Record
from plant import cabinet, integrate, steady
from plant.constants import ZERO_C_K

DUTY = 0.6


def with_and_without_fan(plant, duty):
    """Return the steady states with the circulating fan turning and stopped, at one duty."""
    ambient_k = plant.climate.mean_k
    return [steady.operating_point(plant, duty, ambient_k, 1.0, fan) for fan in (1.0, 0.0)]


@pytest.mark.parametrize("duty", [0.4, 0.6, 1.0])
@pytest.mark.parametrize("name", ["wine", "galley_larder", "seed_store"])
def test_the_sink_falls_and_the_cabinet_warms(name, duty, example_plant, note):
    plant = example_plant if name == "wine" else plant_of(load_config(name))
    on, off = with_and_without_fan(plant, duty)
    sink_k, air_k = off.cold_sink_k - on.cold_sink_k, off.air_k - on.air_k
    note(f"{name} at {duty:g}, fan stopped: sink {sink_k:+.1f} K, air {air_k:+.1f} K")
    assert sink_k < -3.0
    assert air_k > 1.0
    assert off.contents_k > on.contents_k


def test_the_sink_passes_from_wet_to_frosting(example_plant):
    on, off = with_and_without_fan(example_plant, DUTY)
    assert on.cold_sink_k > ZERO_C_K > off.cold_sink_k
    assert min(on.water_kg_per_day, off.water_kg_per_day) > 0.0  # damp enough for both


def hours_at(plant, fan, hours, state=None, duty=DUTY):
    """Return (record, state) after some hours of one duty and one fan, ambient as its mean."""
    record = cabinet.to_record(plant)
    if state is None:
        state = steady.operating_point(plant, duty, plant.climate.mean_k, 1.0, fan).state.copy()
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT], inputs[cabinet.AMBIENT_W] = plant.climate.mean_k, 0.012
    inputs[cabinet.DUTY], inputs[cabinet.HOT_FAN], inputs[cabinet.COLD_FAN] = duty, 1.0, fan
    work, step = integrate.work_array(), 1.0
    for _ in range(int(hours * 3600.0)):
        step = integrate.advance(record, state, inputs, 1.0, step, work)
    return record, state


@pytest.mark.parametrize(("fan", "ice"), [(1.0, False), (0.0, True)])
def test_what_settles_is_water_with_the_fan_and_ice_without(fan, ice, example_plant, note):
    _, state = hours_at(example_plant, fan, 6.0)
    settled, frost = state[cabinet.DEPOSIT], state[cabinet.FROST]
    note(f"fan {fan:g}: {4e3 * settled:.1f} g a day settle, {frost / settled:.0%} is ice")
    assert settled > 1e-4
    assert (frost / settled > 0.9) if ice else (frost / settled < 0.01)


def test_deposit_and_ice_share_of_a_record():
    """By hand: 10 g settled while the frost grew by 4 g: 40 % stays; a loss of ice counts 0."""
    table = np.zeros((3, len(COLUMNS)))
    table[:, INDEX["deposit_g"]] = [2.0, 7.0, 12.0]
    table[:, INDEX["frost_g"]] = [1.0, 3.0, 5.0]

    def share(rows):
        return share_that_stays(Record(rows, 1.0, 20.0, np.zeros(1), np.zeros(1), 0, 0, 1, 0))

    assert share(table) == pytest.approx(0.4)
    melted = table.copy()
    melted[:, INDEX["frost_g"]] = [5.0, 3.0, 1.0]
    assert share(melted) == 0.0
    melted[:, INDEX["deposit_g"]] = 2.0
    assert share(melted) == 0.0


class TestHeldWater:
    """Water that clings to the fins refreezes, and evaporates back in off-time."""

    def wet_state(self, plant, sink_c):
        record = cabinet.to_record(plant)
        state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.003)
        state[cabinet.SINK_WATER] = 0.004  # below what clings, 5 g: nothing drips
        cabinet.set_cold_sink(record, state, ZERO_C_K + sink_c)
        return state

    def test_it_freezes_with_its_latent_heat(self, example_plant):
        """The sink waits at 0 °C while 4 g give up 4 g x 333.5 J/g = 1334 J."""
        state = self.wet_state(example_plant, 1.0)
        record, frozen = hours_at(example_plant, 0.0, 1.0, state, duty=1.0)
        assert frozen[cabinet.FROST] > 0.0039
        assert frozen[cabinet.SINK_WATER] < 1e-4
        assert cabinet.cold_sink_temperature(record, frozen) < ZERO_C_K
        temps = []
        for water in (0.004, 0.0):
            state = self.wet_state(example_plant, 1.0)
            state[cabinet.SINK_WATER] = water
            cabinet.set_cold_sink(record, state, ZERO_C_K + 1.0)
            hours_at(example_plant, 0.0, 60.0 / 3600.0, state, duty=1.0)
            temps.append(cabinet.cold_sink_temperature(record, state))
        # After a minute most of it is frozen; 1334 J are 5 K of the sink's 250 J/K, of which
        # the colder dry sink has lost a part to a weaker module and a smaller heat flow.
        assert 1.5 < temps[0] - temps[1] < 5.4

    def test_it_dries_back_into_the_cabinet(self, example_plant):
        """Off, fan on, 5 °C and dry air: the water leaves, none drains, the air is damper."""
        state = self.wet_state(example_plant, 5.0)
        before = state[cabinet.VAPOUR]
        _, later = hours_at(example_plant, 1.0, 0.5, state, duty=0.0)
        assert later[cabinet.SINK_WATER] < 0.0035
        assert later[cabinet.WATER_OUT] == 0.0
        assert later[cabinet.VAPOUR] > before


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_the_drain_takes_its_share(share, example_plant):
    """By hand: 25 g above the 5 g that cling drip off; the rest of the share is on the floor."""
    sink = replace(example_plant.cold_sink, drains_outside=share)
    plant = replace(example_plant, cold_sink=sink)
    record = cabinet.to_record(plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.0045)
    state[cabinet.SINK_WATER] = 0.030
    cabinet.set_cold_sink(record, state, ZERO_C_K + 5.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT], inputs[cabinet.AMBIENT_W] = ZERO_C_K + 5.0, 0.0045
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    assert slope[cabinet.WATER_OUT] == pytest.approx(share * 0.025 / 60.0, rel=1e-9)
    kept = slope[cabinet.WALL_WATER] + slope[cabinet.WATER_OUT]
    assert kept == pytest.approx(0.025 / 60.0, rel=0.05)  # the floor dries a little


def test_blocked_fins_slow_the_fan(example_plant):
    """Frost feeds back: 1 mm in 4 mm gaps halves the gap and the fan's part of the film.

    A fixed pressure is the worst; a fan that moves 0.6 of its free flow loses less.
    """
    films = {}
    for share in (0.0, 0.6):
        sink = replace(example_plant.cold_sink, fan_free_flow_share=share)
        plant = replace(example_plant, cold_sink=sink)
        state = cabinet.uniform_state(plant, ZERO_C_K, 0.0)
        state[cabinet.FROST_VOLUME] = 1e-3 * sink.fin_area_m2
        state[cabinet.FROST] = 200.0 * state[cabinet.FROST_VOLUME]
        films[share], _ = cabinet.cold_sink_film(cabinet.to_record(plant), state, 1.0)
    assert films[0.0] == pytest.approx(0.7 + 1.8 * 0.5**1.5, rel=1e-6)
    flow = 0.125 / (0.4 + 0.6 * 0.125)  # where the fan's line meets the gap's
    assert films[0.6] == pytest.approx(0.7 + 1.8 * flow**0.5, rel=1e-6)


@pytest.mark.parametrize(("share", "open_share"), [(0.0, 1.0), (1.0, 0.95)])
def test_water_in_the_gaps_counts_where_it_lies_there(share, open_share, example_plant):
    """By hand: 12 g are 0.1 mm on 0.12 m2, on both sides of a 4 mm gap 5 %."""
    sink = replace(example_plant.cold_sink, water_film_share=share)
    plant = replace(example_plant, cold_sink=sink)
    state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.0)
    state[cabinet.SINK_WATER] = 0.012
    film, _ = cabinet.cold_sink_film(cabinet.to_record(plant), state, 1.0)
    assert film == pytest.approx(0.7 + 1.8 * open_share**1.5, rel=1e-9)


def test_all_that_settles_is_found_on_the_sink(example_plant):
    """Nothing melts, drips or dries here: deposit is frost and water together, to rounding."""
    state = steady.operating_point(
        example_plant, DUTY, example_plant.climate.mean_k, 1.0, 0.0
    ).state.copy()
    _, later = hours_at(example_plant, 0.0, 1.0, state)
    on_sink = later[cabinet.FROST] + later[cabinet.SINK_WATER]
    assert later[cabinet.WATER_OUT] == 0.0
    assert later[cabinet.DEPOSIT] == pytest.approx(on_sink, rel=1e-9)
    assert on_sink > 1e-5

"""Invariants of the assembled cabinet: balances, second law, signs; and their negative control.

A check that could not fail would be no check: the same sums are run on a plant that loses
a thousandth of one flow, and must show it.
"""

import inspect
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plant import cabinet, contents, moist_air
from plant.constants import ZERO_C_K

NAMES = ["wine", "icy", "undrained", "smooth", "fanless"]
RESIDUAL = 1e-9
DAY = 86400


def duty_record(kind: str, ticks: int = DAY) -> np.ndarray:
    """Return one duty per tick: a relay's blocks, or a duty that drifts and rests."""
    time_s = np.arange(ticks)
    if kind == "relay":
        return (time_s % 600 < 390).astype(float)
    duty = 0.55 + 0.4 * np.sin(2.0 * np.pi * time_s / 7000.0)
    duty[time_s % 21600 > 19800] = 0.0  # half an hour of rest: frost melts
    return duty


@pytest.mark.parametrize("duty", ["relay", "drifting"])
@pytest.mark.parametrize("name", NAMES)
class TestDay:
    """A day with doors, a warm load, frost and melt."""

    @pytest.fixture
    def day(self, name, duty, example_plants, run_plant):
        return run_plant(example_plants[name], duty_record(duty))

    def test_energy_balances(self, day, note):
        note(f"energy residual {day.energy_residual:.1e}")
        assert day.energy_residual < RESIDUAL

    def test_water_balances(self, day, note):
        note(f"water residual {day.water_residual:.1e}")
        assert day.water_residual < RESIDUAL

    def test_no_mass_is_ever_negative(self, day):
        for part in (cabinet.VAPOUR, cabinet.FROST, cabinet.FROST_VOLUME, cabinet.SINK_WATER,
                     cabinet.WALL_WATER):  # fmt: skip
            # Rounding of a mass that runs out smoothly: far below a microgram.
            assert day.lowest[part] >= -1e-12, cabinet.STATE_NAMES[part]

    def test_frost_is_neither_lighter_than_air_nor_heavier_than_ice(self, day):
        if day.last[cabinet.FROST] > 1e-4:
            assert 1.2 < day.last[cabinet.FROST] / day.last[cabinet.FROST_VOLUME] < 917.0


def test_the_days_reach_frost_melt_drain_and_freezing(example_plants, run_plant):
    """The days above are worth something only if they enter these regimes."""
    drifting = duty_record("drifting")
    icy = run_plant(example_plants["icy"], drifting)
    assert icy.last[cabinet.WATER_OUT] > 0.01  # melt ran off outside
    assert icy.last[cabinet.WATER_IN] > 0.02
    undrained = run_plant(example_plants["undrained"], drifting)
    assert undrained.last[cabinet.WATER_OUT] == 0.0
    assert undrained.last[cabinet.WALL_WATER] > 0.001
    frosted = run_plant(example_plants["icy"], duty_record("drifting", 16000))
    assert frosted.last[cabinet.FROST] > 0.002
    winter = replace(
        example_plants["icy"], climate=replace(example_plants["icy"].climate, mean_k=ZERO_C_K + 8.0)
    )
    frozen = run_plant(winter, np.ones(DAY // 2))
    share = contents.frozen_share(frozen.record.contents, frozen.last[cabinet.CONTENTS_H])
    assert 0.0 < share <= 1.0


@pytest.mark.parametrize("lost_share", [1e-3, 1e-5])
def test_negative_control_of_the_energy_balance(lost_share, example_plant, run_plant):
    """The hot sink loses a little of its heat unbooked: the residual must tell."""
    leaky = run_plant(example_plant, duty_record("relay", 7200), unbooked_share=lost_share)
    # About a third of all boundary flow passes the hot sink.
    assert 0.1 * lost_share < leaky.energy_residual < lost_share
    assert leaky.energy_residual > 1000.0 * RESIDUAL


# Balances at one instant --------------------------------------------------------------------


def balance_of(slope: np.ndarray, record) -> tuple[float, float]:
    """Return (energy, water) that appears from nowhere, relative to what flows [-].

    Stored energy and water are linear in the states, so their rates are the same sums of
    the slopes.
    """
    stored = cabinet.stored_energy_j(record, slope) - cabinet.stored_energy_j(
        record, np.zeros(cabinet.STATES)
    )
    energy = (stored - slope[cabinet.HEAT_IN]) / max(slope[cabinet.THROUGHPUT], 1e-6)
    booked = slope[cabinet.WATER_IN] - slope[cabinet.WATER_OUT]
    parts = np.abs(slope[[cabinet.VAPOUR, cabinet.FROST, cabinet.SINK_WATER, cabinet.WALL_WATER]])
    water = (cabinet.stored_water_kg(slope) - booked) / max(parts.sum(), 1e-15)
    return abs(energy), abs(water)


def working_state(plant):
    """Return (state, inputs) in which every flow runs: frost, water, door, load."""
    record = cabinet.to_record(plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 8.0, 0.006)
    state[cabinet.COLD_FACE], state[cabinet.HOT_FACE] = ZERO_C_K - 5.0, ZERO_C_K + 45.0
    state[cabinet.HOT_SINK], state[cabinet.WALL_OUTER] = ZERO_C_K + 40.0, ZERO_C_K + 20.0
    state[cabinet.FROST], state[cabinet.FROST_VOLUME] = 0.01, 6e-5
    state[cabinet.SINK_WATER], state[cabinet.WALL_WATER] = 0.02, 0.004
    cabinet.set_cold_sink(record, state, ZERO_C_K + 1.5)
    cabinet.set_wall_inner(record, state, ZERO_C_K + 12.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[:8] = [ZERO_C_K + 25.0, 0.012, 1.0, 0.8, 1.0, 1.0, 2e-6, 0.0]
    inputs[cabinet.SUN] = 30.0
    return record, state, inputs


def mutated_derivative(sound: str, broken: str):
    """Return the right-hand side with one term of one balance changed."""
    source = inspect.getsource(getattr(cabinet.derivative, "py_func", cabinet.derivative))
    source = source[source.index("def derivative") :]
    assert source.count(sound) == 1, sound
    namespace = dict(vars(cabinet))
    exec(source.replace(sound, broken), namespace)
    return namespace["derivative"]


# One flow of each kind, as it enters one balance; 0.1 % more there and nowhere else.
FLOWS = [
    ("slope[HOT_SINK] = (face_to_hot_w - rejected_w)",
     "slope[HOT_SINK] = (face_to_hot_w - 1.001 * rejected_w)", "energy"),
    ("slope[COLD_FACE] = (sink_to_face_w - cooling_w)",
     "slope[COLD_FACE] = (sink_to_face_w - 1.001 * cooling_w)", "energy"),
    ("slope[CONTENTS_H] = air_to_contents_w + load_w",
     "slope[CONTENTS_H] = air_to_contents_w + 1.001 * load_w", "energy"),
    ("slope[COLD_SINK_H] = air_to_sink_w - sink_to_face_w",
     "slope[COLD_SINK_H] = 1.001 * air_to_sink_w - sink_to_face_w", "energy"),
    ("slope[VAPOUR] = exchange_vapour - to_sink",
     "slope[VAPOUR] = exchange_vapour - 1.001 * to_sink", "water"),
    ("slope[FROST] = as_frost + freeze - melt",
     "slope[FROST] = as_frost + freeze - 1.001 * melt", "water"),
    ("slope[SINK_WATER] = as_water + melt - freeze - drip",
     "slope[SINK_WATER] = as_water + melt - freeze - 1.001 * drip", "water"),
]  # fmt: skip


def test_balance_at_one_instant_with_every_flow_running(example_plant):
    record, state, inputs = working_state(example_plant)
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    assert slope[cabinet.WATER_OUT] > 0.0 and slope[cabinet.WATER_IN] > 0.0
    energy, water = balance_of(slope, record)
    assert energy < 1e-12
    assert water < 1e-12


@pytest.mark.parametrize(("sound", "broken", "kind"), FLOWS, ids=lambda text: text[:22])
def test_negative_control_of_one_flow(sound, broken, kind, example_plant):
    record, state, inputs = working_state(example_plant)
    slope = np.zeros(cabinet.STATES)
    mutated_derivative(sound, broken)(record, state, inputs, slope)
    residual = balance_of(slope, record)[0 if kind == "energy" else 1]
    assert residual > 1e-6  # a million times what the sound plant shows


# Random plants and states ---------------------------------------------------------------------


def scaled(plant, factors):
    """Return `plant` with its main parameters multiplied by `factors` (hypothesis draws them)."""
    mod, sink, hot, box, goods, day = factors[:6]
    drains, water = factors[6:]
    return replace(
        plant,
        module=replace(
            plant.module,
            resistance_ohm=plant.module.resistance_ohm * mod,
            conductance_w_per_k=plant.module.conductance_w_per_k / mod,
        ),
        cold_sink=replace(
            plant.cold_sink, fan_w_per_k=plant.cold_sink.fan_w_per_k * sink,
            fin_area_m2=plant.cold_sink.fin_area_m2 * sink, drains_outside=float(drains),
        ),
        hot_sink=replace(plant.hot_sink, fan_w_per_k=plant.hot_sink.fan_w_per_k * hot),
        envelope=replace(
            plant.envelope, foam_w_per_k=plant.envelope.foam_w_per_k * box,
            leak_per_s=plant.envelope.leak_per_s * box * 5.0,
        ),
        contents=replace(
            plant.contents,
            heat_capacity_j_per_k=plant.contents.heat_capacity_j_per_k * goods**3,
            frozen_heat_capacity_j_per_k=plant.contents.frozen_heat_capacity_j_per_k * goods**3,
            latent_j=plant.contents.latent_j * goods**3,
        ),
        climate=replace(
            plant.climate, mean_k=plant.climate.mean_k + 8.0 * (day - 1.0), humidity_ratio=water,
        ),
    )  # fmt: skip


factor = st.floats(0.6, 1.6)
plants_drawn = st.tuples(
    factor, factor, factor, factor, factor, factor, st.booleans(), st.floats(0.002, 0.018)
)
quietly = settings(
    max_examples=80, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip


@quietly
@given(factors=plants_drawn, name=st.sampled_from(NAMES), period=st.integers(120, 3000),
       share=st.floats(0.1, 0.9))  # fmt: skip
def test_random_plants_balance(factors, name, period, share, example_plants, run_plant):
    plant = scaled(example_plants[name], factors)
    time_s = np.arange(14400)
    run = run_plant(plant, (time_s % period < share * period).astype(float), start_s=15.5 * 3600)
    assert run.energy_residual < RESIDUAL
    assert run.water_residual < RESIDUAL
    assert min(run.lowest[[cabinet.VAPOUR, cabinet.FROST, cabinet.SINK_WATER]]) >= -1e-12
    assert np.all(np.isfinite(run.last))


@st.composite
def states_drawn(draw):
    """Draw (temperatures C, masses kg, inputs) of a cabinet in any weather."""
    celsius = st.floats(-25.0, 45.0)
    temps = [draw(celsius) for _ in range(6)]
    hot = draw(st.floats(-10.0, 90.0)), draw(st.floats(-10.0, 90.0))
    mass = st.one_of(st.just(0.0), st.floats(0.0, 0.05))
    masses = draw(mass), draw(mass), draw(mass)
    density = draw(st.floats(31.0, 590.0))
    share = draw(st.floats(0.0, 1.0))
    part = st.floats(0.0, 1.0)
    switch = st.sampled_from([0.0, 1.0])
    ambient_c, ratio = draw(st.floats(-10.0, 45.0)), draw(st.floats(0.0, 0.02))
    duty = draw(st.one_of(st.just(0.0), part))
    load = draw(st.sampled_from([0.0, 1e-6]))
    sun = draw(st.sampled_from([0.0, 80.0]))
    inputs = [ambient_c, ratio, draw(switch), duty, draw(part), draw(part), load, draw(switch), sun]
    return temps, hot, masses, density, share, inputs


def build_state(plant, drawn):
    """Return (record, state, inputs) of the drawn values."""
    temps, hot, masses, density, share, drawn_inputs = drawn
    record = cabinet.to_record(plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + temps[5], 0.0)
    state[cabinet.COLD_FACE], state[cabinet.WALL_OUTER] = ZERO_C_K + temps[0], ZERO_C_K + temps[1]
    state[cabinet.HOT_FACE], state[cabinet.HOT_SINK] = ZERO_C_K + hot[0], ZERO_C_K + hot[1]
    state[cabinet.FROST], state[cabinet.SINK_WATER], state[cabinet.WALL_WATER] = masses
    state[cabinet.FROST_VOLUME] = masses[0] / density
    air_k = ZERO_C_K + temps[2]
    cabinet.set_air(record, state, air_k, share * moist_air.saturation_humidity_ratio(air_k))
    cabinet.set_cold_sink(record, state, ZERO_C_K + temps[3])
    cabinet.set_wall_inner(record, state, ZERO_C_K + temps[4])
    inputs = np.array(drawn_inputs)
    inputs[cabinet.AMBIENT] += ZERO_C_K
    return record, state, inputs


@settings(quietly, max_examples=300)
@given(drawn=states_drawn(), name=st.sampled_from(NAMES))
def test_any_state(drawn, name, example_plants):
    """Finite slopes, closed balances, no mass drawn from nothing, no heat uphill unpaid."""
    plant = example_plants[name]
    record, state, inputs = build_state(plant, drawn)
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    assert np.all(np.isfinite(slope))

    energy, water = balance_of(slope, record)
    # Flows inside reach kilowatts where a drawn state is far from any real one, and are
    # known to a nanowatt; what crosses the boundary may be far less than they are.
    assert energy < 1e-10 or energy * slope[cabinet.THROUGHPUT] < 1e-9
    parts = slope[[cabinet.VAPOUR, cabinet.FROST, cabinet.SINK_WATER, cabinet.WALL_WATER]]
    if np.abs(parts).sum() > 1e-9:
        assert water < 1e-10

    for part in (cabinet.VAPOUR, cabinet.FROST, cabinet.FROST_VOLUME, cabinet.SINK_WATER,
                 cabinet.WALL_WATER):  # fmt: skip
        if state[part] == 0.0:
            assert slope[part] >= -1e-20, cabinet.STATE_NAMES[part]  # kg/s: rounding only

    cold, hot = state[cabinet.COLD_FACE], state[cabinet.HOT_FACE]
    cooling = slope[cabinet.MODULE_COOLING]
    if inputs[cabinet.DUTY] == 0.0:
        # No current: heat falls from the warmer face to the colder one.
        assert cooling * (cold - hot) >= 0.0
    capacity = plant.module.face_heat_capacity_j_per_k
    joint = plant.module.hot_contact_w_per_k * (hot - state[cabinet.HOT_SINK])
    rejected = capacity * slope[cabinet.HOT_FACE] + joint
    power = rejected - cooling
    if hot > cold and cooling > 1e-6 and power > 1e-6:
        assert cooling / power < cold / (hot - cold) * (1.0 + 1e-9)  # Carnot
    # Entropy: what leaves the hot face over Th is no less than what enters the cold over Tc.
    # `rejected` is a difference of flows of up to a kilowatt, known to 1e-11 W/K here.
    assert rejected / hot - cooling / cold >= -1e-9 * abs(rejected) / hot - 1e-11


@settings(quietly, max_examples=200)
@given(hot_c=st.floats(-20.0, 90.0), cold_c=st.floats(-40.0, 60.0))
def test_no_current_no_heat_uphill(hot_c, cold_c, example_plant, slopes_of):
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 20.0, 0.0)
    state[cabinet.COLD_FACE], state[cabinet.HOT_FACE] = ZERO_C_K + cold_c, ZERO_C_K + hot_c
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT] = ZERO_C_K + 20.0
    cooling = slopes_of(example_plant, state, inputs)[cabinet.MODULE_COOLING]
    assert cooling == pytest.approx(-0.508 * (hot_c - cold_c), rel=1e-9, abs=1e-9)


def test_reading_a_state_undoes_setting_it(example_plant):
    record, state, _ = working_state(example_plant)
    cabinet.set_air(record, state, 281.3, 0.0047)
    cabinet.set_cold_sink(record, state, 268.4)
    cabinet.set_wall_inner(record, state, 283.9)
    assert cabinet.air_temperature(record, state) == pytest.approx(281.3, rel=1e-12)
    assert cabinet.cold_sink_temperature(record, state) == pytest.approx(268.4, rel=1e-12)
    assert cabinet.wall_inner_temperature(record, state) == pytest.approx(283.9, rel=1e-12)
    assert state[cabinet.VAPOUR] / cabinet.dry_air_kg(record) == pytest.approx(0.0047, rel=1e-12)


def test_swap_brings_the_heat_of_the_warm_goods(example_plant):
    """By hand: a fifth of 25 200 J/K from 5 to 22 C is 85 680 J."""
    record = cabinet.to_record(example_plant)
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 5.0, 0.004)
    before = cabinet.stored_energy_j(record, state)
    cabinet.swap_contents(record, state, 0.2, ZERO_C_K + 22.0)
    assert cabinet.stored_energy_j(record, state) - before == pytest.approx(85680.0, rel=1e-9)
    assert state[cabinet.HEAT_IN] == pytest.approx(85680.0, rel=1e-9)
    assert cabinet.contents_temperature(record, state) - ZERO_C_K == pytest.approx(8.4, rel=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_compiled_and_plain_right_hand_side_agree(name, example_plants):
    record, state, inputs = working_state(example_plants[name])
    compiled, plain = np.zeros(cabinet.STATES), np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, compiled)
    getattr(cabinet.derivative, "py_func", cabinet.derivative)(record, state, inputs, plain)
    assert compiled == pytest.approx(plain, rel=1e-11, abs=1e-14)


def test_vapour_settles_on_the_walls_with_half_of_their_film(example_plant):
    """By hand: 4.8 W/K of film, half of it convection; Lewis number to the two thirds 0.928.

    Air of 20 °C at 14 g/kg; the wall's node stands at 5 °C, its surface near 16 °C.
    """
    record = cabinet.to_record(example_plant)
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 20.0, 0.014)
    cabinet.set_wall_inner(record, state, ZERO_C_K + 5.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT], inputs[cabinet.AMBIENT_W] = ZERO_C_K + 20.0, 0.014
    inputs[cabinet.COLD_FAN] = 1.0
    slope = np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, inputs, slope)
    film = example_plant.envelope.inside_film_w_per_k
    quarter = 4.0 * cabinet.foam_conductance(record, state)
    surface_k = ZERO_C_K + 20.0 - 15.0 * quarter / (film + quarter)
    saturated = moist_air.saturation_humidity_ratio(surface_k)
    by_hand = 0.5 * film / (1006.0 * 0.928) * (0.014 - saturated)
    assert by_hand > 0.0
    assert slope[cabinet.WALL_WATER] == pytest.approx(by_hand, rel=0.02)

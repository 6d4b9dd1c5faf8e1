"""Shared cabinets and one run loop for the plant's tests. All cabinets are invented."""

import os
import shutil
import sys
import tempfile
from dataclasses import replace

# Before numpy comes: threads only slow matrices of ten rows.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import hypothesis
import numpy as np
import pytest
from kernels import compile_once
from larder import SHARED

from plant import (
    cabinet,
    climate,
    contents,
    drive,
    envelope,
    heat_sinks,
    integrate,
    module,
    sensors,
)
from plant.cabinet import Plant
from plant.compiled import kernel
from plant.constants import ZERO_C_K

# The same examples in every run; `pytest --hypothesis-seed=N` draws others.
hypothesis.settings.register_profile("same examples", derandomize=True, deadline=None)
hypothesis.settings.load_profile("same examples")


def _starts_workers(session: pytest.Session) -> bool:
    """Tell whether this process only hands out tests to others (pytest-xdist)."""
    options = session.config.option
    return bool(getattr(options, "tx", None)) and not hasattr(session.config, "workerinput")


def pytest_sessionstart(session: pytest.Session) -> None:
    """Do what the workers would else all do at the same time; they inherit the environment."""
    if _starts_workers(session) and not session.config.option.collectonly:
        os.environ[SHARED] = tempfile.mkdtemp(prefix="coldloop-tests-")
        compile_once()


def pytest_sessionfinish(session: pytest.Session) -> None:
    if _starts_workers(session) and SHARED in os.environ:
        shutil.rmtree(os.environ.pop(SHARED), ignore_errors=True)


ONLY_WHEN_ASKED = ("ten_million", "coverage", "arm")


def pytest_collection_modifyitems(config, items):
    """Leave out what runs only when asked for by name."""
    left = {name for name in ONLY_WHEN_ASKED if name not in config.getoption("-m")}
    asked = [item for item in items if not left & {mark.name for mark in item.iter_markers()}]
    config.hook.pytest_deselected(items=[item for item in items if item not in asked])
    items[:] = asked


def thermistor(place: int = sensors.AIR) -> sensors.Sensor:
    """Return an invented 10 k thermistor on a 10-bit converter."""
    return sensors.Sensor(
        fitted=1, kind=sensors.THERMISTOR, place=place, lag_s=15.0, r25_ohm=10e3, beta_k=3950.0,
        divider_ohm=10e3, adc_span=1024.0, noise_k=0.03, offset_k=0.0,
    )  # fmt: skip


def wine_cabinet() -> Plant:
    """Return an invented 30 litre cabinet with twelve half-litre bottles, fans always on."""
    return Plant(
        module=module.Module(0.0528, 2.0, 0.508, 6.0, 30.0, 30.0),
        drive=drive.Drive(
            kind=drive.FAST_PWM, supply_v=12.0, current_limit_a=10.0, source_ohm=0.02,
            wire_ohm=0.04, switch_ohm=0.02, converter_efficiency=1.0, ripple=0.0,
            set_current_a=5.0, supply_efficiency=0.88, standby_w=0.5,
        ),
        hot_sink=heat_sinks.HotSink(
            fan_w_per_k=5.0, no_fan_w_per_k=0.8, heat_capacity_j_per_k=400.0, fan_w=2.0,
            foam_share=1.0, fan_wiring=heat_sinks.ALWAYS,
        ),
        cold_sink=heat_sinks.ColdSink(
            fan_w_per_k=2.5, no_fan_w_per_k=0.7, heat_capacity_j_per_k=250.0, fin_area_m2=0.12,
            fin_gap_m=0.004, fan_w=1.0, holds_water_kg=0.005, drains_outside=1.0,
            fan_wiring=heat_sinks.ALWAYS,
        ),
        envelope=envelope.Envelope(
            foam_w_per_k=0.45, inside_film_w_per_k=4.8, inside_film_still_w_per_k=3.5,
            outside_film_w_per_k=8.0, inner_heat_capacity_j_per_k=500.0,
            outer_heat_capacity_j_per_k=300.0, direct_w_per_k=0.08, volume_m3=0.0315,
            leak_per_s=0.3 / 3600.0, door_width_m=0.3, door_height_m=0.3,
        ),
        contents=contents.Contents(
            heat_capacity_j_per_k=25200.0, frozen_heat_capacity_j_per_k=12600.0,
            latent_j=1.8e6, freezing_k=ZERO_C_K - 0.5, film_w_per_k=6.0, film_still_w_per_k=4.0,
        ),
        climate=climate.Climate(
            mean_k=ZERO_C_K + 25.0, swing_k=6.0, hottest_hour=15.0, humidity_ratio=0.010,
            doors_per_day=12, door_open_s=10.0, door_first_hour=8.0, door_last_hour=22.0,
            load_share=0.2, load_hour=18.0, load_k=ZERO_C_K + 22.0,
        ),
        control_sensor=thermistor(), hot_sensor=thermistor(), cold_sensor=thermistor(),
    )  # fmt: skip


def example_cabinets() -> dict[str, Plant]:
    """Return invented cabinets that reach every branch of the physics between them."""
    wine = wine_cabinet()
    strong = module.Module(0.0528, 0.8, 1.3, 8.0, 60.0, 60.0)
    icy = replace(
        wine,
        module=strong,
        drive=replace(wine.drive, kind=drive.RELAY, current_limit_a=9.0),
        hot_sink=replace(wine.hot_sink, fan_w_per_k=10.0),
        envelope=replace(wine.envelope, leak_per_s=3.0 / 3600.0),
        contents=replace(
            wine.contents, heat_capacity_j_per_k=2100.0, frozen_heat_capacity_j_per_k=1050.0,
            latent_j=1.6e5, film_w_per_k=2.0, film_still_w_per_k=1.0,
        ),
        climate=replace(wine.climate, humidity_ratio=0.014, swing_k=10.0, door_open_s=30.0),
    )  # fmt: skip
    undrained = replace(icy, cold_sink=replace(icy.cold_sink, drains_outside=0.0, fin_area_m2=0.05))
    smooth = replace(
        wine,
        drive=replace(
            wine.drive, kind=drive.SMOOTHED, supply_v=13.8, converter_efficiency=0.93, ripple=0.1
        ),
        contents=replace(wine.contents, latent_j=0.0),
        control_sensor=thermistor(sensors.COLD_SINK),
    )
    fanless = replace(
        wine,
        drive=replace(wine.drive, kind=drive.CURRENT, set_current_a=3.0),
        cold_sink=replace(wine.cold_sink, fan_wiring=heat_sinks.WITH_MODULE),
        hot_sink=replace(wine.hot_sink, fan_wiring=heat_sinks.WITH_MODULE),
        control_sensor=thermistor(sensors.CONTENTS),
    )
    return {
        "wine": wine, "icy": icy, "undrained": undrained, "smooth": smooth, "fanless": fanless,
    }  # fmt: skip


@kernel
def run_ticks(plant, state, inputs, duties, start_s, unbooked_share, lowest, work):
    """Run one tick of 1 s per entry of `duties`: climate, doors, loads, fans, plant.

    `lowest`, shape (STATES,), collects the least value of every state.  A share
    `unbooked_share` of the heat the hot sink rejects is lost without being booked: the
    negative control of the energy balance.
    """
    step = 1.0
    for tick in range(duties.size):
        time_s = start_s + tick
        ambient_k = climate.ambient_temperature(plant.climate, time_s)
        inputs[cabinet.AMBIENT] = ambient_k
        inputs[cabinet.AMBIENT_W] = climate.ambient_humidity_ratio(plant.climate, ambient_k)
        inputs[cabinet.DOOR] = 1.0 if climate.door_is_open(plant.climate, time_s) else 0.0
        inputs[cabinet.SUN] = climate.absorbed_radiation(plant.climate, time_s)
        inputs[cabinet.DUTY] = duties[tick]
        inputs[cabinet.HOT_FAN] = heat_sinks.fan_turns(plant.hot_sink.fan_wiring, 1, duties[tick])
        inputs[cabinet.COLD_FAN] = heat_sinks.fan_turns(plant.cold_sink.fan_wiring, 1, duties[tick])
        if climate.load_is_due(plant.climate, time_s, 1.0):
            cabinet.swap_contents(plant, state, plant.climate.load_share, plant.climate.load_k)
        step = integrate.advance(plant, state, inputs, 1.0, step, work)
        if unbooked_share > 0.0:
            rise = state[cabinet.HOT_SINK] - ambient_k
            rejected_j = plant.hot_sink.fan_w_per_k * rise * 1.0
            lost_k = unbooked_share * rejected_j / plant.hot_sink.heat_capacity_j_per_k
            state[cabinet.HOT_SINK] -= lost_k
        for n in range(cabinet.STATES):
            lowest[n] = min(lowest[n], state[n])
    return step


class Run:
    """What a run starts from, ends in, and its least values on the way."""

    def __init__(self, plant: Plant, duties, start_s=0.0, unbooked_share=0.0, start_k=None):
        self.record = cabinet.to_record(plant)
        if start_k is None:
            start_k = plant.climate.mean_k
        self.first = cabinet.uniform_state(plant, start_k, plant.climate.humidity_ratio)
        self.last = self.first.copy()
        self.lowest = self.first.copy()
        inputs = np.zeros(cabinet.INPUTS)
        run_ticks(
            self.record, self.last, inputs, np.asarray(duties, dtype=float), float(start_s),
            unbooked_share, self.lowest, integrate.work_array(),
        )  # fmt: skip

    @property
    def energy_residual(self) -> float:
        """(Stored energy gained - booked boundary flows) / sum of boundary flows [-]."""
        gained = cabinet.stored_energy_j(self.record, self.last)
        gained -= cabinet.stored_energy_j(self.record, self.first)
        return abs(gained - self.last[cabinet.HEAT_IN]) / self.last[cabinet.THROUGHPUT]

    @property
    def water_residual(self) -> float:
        """(Stored water gained - booked in + booked out) / water that was ever here [-]."""
        gained = cabinet.stored_water_kg(self.last) - cabinet.stored_water_kg(self.first)
        booked = self.last[cabinet.WATER_IN] - self.last[cabinet.WATER_OUT]
        size = cabinet.stored_water_kg(self.first) + abs(self.last[cabinet.WATER_IN])
        return abs(gained - booked) / size


@pytest.fixture(scope="session")
def example_plant() -> Plant:
    """The invented 30 litre cabinet."""
    return wine_cabinet()


@pytest.fixture(scope="session")
def example_plants() -> dict[str, Plant]:
    """Five invented cabinets by name: wine, icy, undrained, smooth, fanless."""
    return example_cabinets()


@pytest.fixture(scope="session")
def run_plant():
    """Return `Run(plant, duties, start_s, unbooked_share, start_k)`: one duty per 1 s tick."""
    return Run


@pytest.fixture
def note():
    """Return a function that writes a reached figure to the test's output (`pytest -rP`)."""
    return lambda text: sys.stdout.write(text + "\n")


@pytest.fixture
def slopes_of():
    """Return a function (plant, state, inputs) -> d(state)/dt, shape (STATES,)."""

    def slopes(plant: Plant, state, inputs):
        slope = np.zeros(cabinet.STATES)
        cabinet.derivative(cabinet.to_record(plant), state, inputs, slope)
        return slope

    return slopes

"""Bench readings of sinks and heat leak: intervals against records from models made apart.

Records: walls in slices and one-lump sinks, by scipy.  Meter and thermometer errors are drawn
evenly within their tolerances.
"""

import numpy as np
import pytest
from bench_module import METERS
from scipy.integrate import solve_ivp

from ctrl.build import heat_leak_parts_w_per_k, plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.measured import bench_check
from ctrl.measured_file import (
    HeatLeakTest,
    SinkTest,
    WarmUpTest,
    read_bench,
)
from ctrl.measured_heat import leak_by_warm_up, leak_of, own_capacity_j_per_k, sink_of
from ctrl.measured_module import NotUsable


@pytest.fixture(scope="module")
def config():
    return load_config("benchmark")  # a 6 A module of 127 couples, derated


@pytest.fixture(scope="module")
def plant(config):
    return plant_of(config)


def warming(k_per_w, capacity, heat_w, minutes, room_c=22.0):
    """One lump to its air: closed form (textbook)."""
    tau_min = k_per_w * capacity / 60.0
    return room_c + heat_w * k_per_w * (1.0 - np.exp(-np.asarray(minutes) / tau_min))


def test_sink_intervals_cover_the_truth(note):
    rng = np.random.default_rng(5)
    times = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0]
    off, steady = [], []
    for n in range(60):
        true = 0.22
        capacity = 630.0 * (1 + 0.3 * rng.uniform(-1, 1))
        sink = warming(true, capacity, 60.0, times) + rng.normal(0, 0.1, 6) + rng.uniform(-0.3, 0.3)
        air = 22.0 + rng.normal(0, 0.1, 6)
        test = SinkTest(
            time_min=times[: 4 + n % 3], sink_c=np.round(sink, 1).tolist()[: 4 + n % 3],
            air_c=np.round(air, 1).tolist()[: 4 + n % 3],
            voltage_v=12.0 * (1 + 0.01 * rng.uniform(-1, 1)),
            current_a=5.0 * (1 + 0.015 * rng.uniform(-1, 1)),
        )  # fmt: skip
        found = sink_of(test, 630.0, METERS)
        off.append((found.value.value - true) / found.value.standard_error)
        steady.append(found.steady)
    off = np.array(off)
    note(f"rms {np.sqrt((off**2).mean()):.2f}, within 2: {(abs(off) < 2).mean():.2f}")
    assert (np.abs(off) < 2.0).mean() >= 0.87 and np.sqrt((off**2).mean()) > 0.4
    assert np.mean(steady) > 0.8


def test_a_sink_that_still_warms_is_told_and_corrected():
    times = [0.0, 1.0, 2.0, 3.0]
    test = SinkTest(time_min=times, sink_c=warming(0.22, 630.0, 60.0, times).tolist(),
                    air_c=[22.0] * 4, voltage_v=12.0, current_a=5.0)  # fmt: skip
    found = sink_of(test, 630.0, METERS)
    assert found.steady is False and "not steady" in found.notes[0]
    plain = (test.sink_c[-1] - 22.0) / 60.0
    assert plain < 0.8 * 0.22
    assert found.value.value == pytest.approx(0.22, rel=0.1)


class Box:
    """An empty cabinet in slices: air and goods, films, foam wall of 30 slices."""

    def __init__(self, ua=0.5, film=5.0, wall_j_per_k=2900.0, inner_j_per_k=1300.0):
        self.film, self.inner, self.slices = film, inner_j_per_k, 30
        self.foam = 1.0 / (1.0 / ua - 2.0 / film)
        self.ua, self.each = ua, wall_j_per_k / 30

    def warm_up(self, minutes, water_kg, room_c=22.0, heat_w=0.0, start_c=4.0):
        lump = self.inner + 4190.0 * water_kg
        step = np.full(31, self.foam * 30)
        step[[0, -1]] = 1.0 / (1.0 / self.film + 0.5 / (self.foam * 30))

        def slopes(_, y):
            flow = step * np.diff(np.concatenate([[y[0]], y[1:], [room_c]]))
            return np.concatenate([[(flow[0] + heat_w) / lump], np.diff(flow) / self.each])

        start = np.concatenate([[start_c], np.linspace(start_c, room_c, 32)[1:-1]])
        seconds = 60.0 * np.asarray(minutes)
        run = solve_ivp(slopes, (0.0, seconds[-1]), start, method="BDF", t_eval=seconds, rtol=1e-8)
        return run.y[0]


def opening_instead_of_foam(config):
    """What the module's opening lets through more than foam in its place [W/K], by hand."""
    part = config.cabinet
    plug_m2 = part.module_opening_width_mm * part.module_opening_height_mm * 1e-6
    film = 1.0 / part.inside_film_w_per_m2_k + 1.0 / part.outside_film_w_per_m2_k
    foam = 1e-3 * part.foam_thickness_mm / part.foam_data().conductivity_w_per_m_k
    return part.module_opening_w_per_k - plug_m2 / (foam + film)


def test_warm_up_intervals_cover_the_truth(config, plant, note):
    rng = np.random.default_rng(11)
    minutes = list(np.arange(0.0, 361.0, 20.0))
    own = own_capacity_j_per_k(config, plant)
    off = []
    for n in range(40):
        ua = (0.35, 0.5, 0.7)[n % 3]
        # Within the 30 % that the cabinet's own heat capacity may be off.
        box = Box(ua, wall_j_per_k=1500.0, inner_j_per_k=own * rng.uniform(0.7, 1.3) - 500.0)
        inside = box.warm_up(minutes, water_kg=3.0) + rng.normal(0, 0.05, len(minutes))
        room = np.full(len(minutes), 22.0) + 0.3 * rng.uniform(-1, 1)
        test = WarmUpTest(time_min=minutes, inside_c=np.round(inside, 1).tolist(),
                          ambient_c=room.tolist(), water_kg=3.0, module_in_place=False)  # fmt: skip
        found = leak_by_warm_up(test, config, plant, METERS)
        truth = ua + opening_instead_of_foam(config)
        off.append((found.value.value - truth) / found.value.standard_error)
    off = np.array(off)
    note(f"mean {off.mean():.2f}, rms {np.sqrt((off**2).mean()):.2f}")
    assert (np.abs(off) < 2.0).mean() >= 0.87 and np.sqrt((off**2).mean()) > 0.4


def test_a_warm_up_logged_until_it_is_at_rest_is_used(config, plant):
    """An empty cabinet, most of whose readings are at the room's temperature."""
    minutes = list(np.arange(0.0, 1441.0, 20.0))
    box = Box(0.5, wall_j_per_k=1500.0, inner_j_per_k=own_capacity_j_per_k(config, plant) - 500.0)
    inside = box.warm_up(minutes, water_kg=0.0)
    assert np.mean(22.0 - inside) < 1.0  # that is all it was refused for
    test = WarmUpTest(time_min=minutes, inside_c=inside.tolist(), ambient_c=[22.0] * len(minutes),
                      module_in_place=False)  # fmt: skip
    found = leak_by_warm_up(test, config, plant, METERS).value
    truth = 0.5 + opening_instead_of_foam(config)
    assert abs(found.value - truth) < 2.0 * found.standard_error


@pytest.mark.parametrize(
    ("hours", "heat_w", "room_c"), [(24, 0.0, 21.9), (72, 0.0, 22.0), (12, 0.5, 22.0)]
)
def test_a_warm_up_that_ends_at_or_above_the_room_is_used(config, plant, hours, heat_w, room_c):
    """Thermometers that differ by 0.1 K, or the fan's heat: the readings' mean is no guide."""
    minutes = list(np.arange(0.0, 60.0 * hours + 1.0, 20.0))
    own = own_capacity_j_per_k(config, plant)
    for water_kg in (0.0, 3.0):
        box = Box(0.5, wall_j_per_k=1500.0, inner_j_per_k=own - 500.0)
        inside = box.warm_up(minutes, water_kg, heat_w=heat_w).tolist()
        test = WarmUpTest(time_min=minutes, inside_c=inside, ambient_c=[room_c] * len(minutes),
                          water_kg=water_kg, fan_w=heat_w, module_in_place=False)  # fmt: skip
        found = leak_by_warm_up(test, config, plant, METERS).value
        truth = 0.5 + opening_instead_of_foam(config)
        assert abs(found.value - truth) < 2.0 * found.standard_error


def test_a_warm_up_that_tells_no_heat_leak_is_refused(config, plant):
    """It is above the room at the second reading and stays: any leak that is large does that."""
    minutes = list(np.arange(0.0, 4321.0, 720.0))
    test = WarmUpTest(time_min=minutes, inside_c=[4.0] + [25.0] * 6, ambient_c=[22.0] * 7,
                      module_in_place=False, skip_min=0.0)  # fmt: skip
    with pytest.raises(NotUsable):
        leak_by_warm_up(test, config, plant, METERS)


def test_steady_and_warm_up_agree_and_the_idle_module_is_taken_off(config, plant):
    box = Box(0.5)
    minutes = list(np.arange(600.0, 700.0, 20.0))
    inside = box.warm_up(minutes, 0.0, heat_w=10.0, start_c=35.0).tolist()
    test = HeatLeakTest(time_min=minutes, inside_c=inside, ambient_c=[22.0] * 5, voltage_v=10.0,
                        current_a=1.0, module_in_place=False)  # fmt: skip
    found = leak_of(test, config, plant, METERS)
    more = opening_instead_of_foam(config)
    assert found.steady and found.value.value == pytest.approx(0.5 + more, rel=0.01)
    with_module = leak_of(test.model_copy(update={"module_in_place": True}), config, plant, METERS)
    mod = plant.module
    # By hand: five resistances in a row, both fans stopped.
    path = 1.0 / (1.0 / mod.conductance_w_per_k + 0.03 + 0.03 + 1.5 + 0.8)
    assert found.value.value - with_module.value.value - more == pytest.approx(path, abs=3e-4)


def test_a_hole_filled_with_foam_is_compared_with_one_that_is(config, tmp_path):
    """A cabinet as its file says, measured without its module, gets its own foam back."""
    data = plain_data(config)
    data["cabinet"]["module_opening_w_per_k"] = 0.15  # a poor one, so that it shows
    wide = build_config(data, config.source)
    leak = sum(heat_leak_parts_w_per_k(wide).values())
    watts = 20.0 * (leak - opening_instead_of_foam(wide))
    bench = tmp_path / "bench.toml"
    bench.write_text(
        "[heat_leak]\ntime_min = [0, 30, 60]\ninside_c = [42, 42, 42]\nambient_c = [22, 22, 22]\n"
        f"voltage_v = 10.0\ncurrent_a = {watts / 10.0}\nmodule_in_place = false\n"
    )
    found = bench_check(wide, read_bench(str(bench)))
    (row,), (line,) = found.comparisons, found.lines
    assert row.expected == pytest.approx(leak, rel=1e-9)
    assert row.measured.value == pytest.approx(leak, rel=2e-3) and abs(row.off) < 0.05
    assert line.key == "foam_conductivity_w_per_m_k"
    assert line.value == pytest.approx(wide.cabinet.foam_data().conductivity_w_per_m_k, rel=5e-3)


def test_heat_readings_that_cannot_be_used(config, plant):
    cold = SinkTest(time_min=[0.0, 1.0, 2.0], sink_c=[20.0] * 3, air_c=[22.0] * 3, voltage_v=1.0,
                    current_a=1.0)  # fmt: skip
    with pytest.raises(NotUsable):
        sink_of(cold, 100.0, METERS)
    flat = WarmUpTest(time_min=[0.0, 40.0, 60.0, 80.0, 100.0], inside_c=[5.0] * 5,
                      ambient_c=[22.0] * 5)  # fmt: skip
    with pytest.raises(NotUsable, match="warms by 1 K or more, from 1 K or more below the room"):
        leak_by_warm_up(flat, config, plant, METERS)

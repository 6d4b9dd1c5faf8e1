"""The loop: sense, control, drive, plant step, against a reference solver and itself."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ctrl.build import plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.defrost import DefrostSettings
from ctrl.findings import findings_of
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import COOLING, IDLE, LOW_BATTERY, TRIPPED, Loop, NotFinite, energy_residual
from ctrl.protection import P_FINAL, P_HOT_FAN, P_TRIPPED
from ctrl.shipped import shipped_names
from ctrl.trial import warm_state
from plant import cabinet, climate

HOUR_S = 3600.0

# Absolute tolerance of the reference per state: far below what is compared.
REFERENCE_ATOL = np.full(cabinet.STATES, 1e-7)
for _part in (
    cabinet.COLD_SINK_H,
    cabinet.AIR_H,
    cabinet.WALL_INNER_H,
    cabinet.CONTENTS_H,
    cabinet.HEAT_IN,
    cabinet.PLUG_ENERGY,
    cabinet.THROUGHPUT,
    cabinet.MODULE_COOLING,
):
    REFERENCE_ATOL[_part] = 1e-5  # J
for _part in (
    cabinet.VAPOUR,
    cabinet.FROST,
    cabinet.SINK_WATER,
    cabinet.WALL_WATER,
    cabinet.WATER_IN,
    cabinet.WATER_OUT,
):
    REFERENCE_ATOL[_part] = 1e-13  # kg
REFERENCE_ATOL[cabinet.FROST_VOLUME] = 1e-15  # m3


class ReferenceLoop(Loop):
    """The same loop with scipy's solver in place of our step: LSODA at rtol 1e-9, tick by tick."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self._plain = True

    def _plant_tick(self, time_s):
        plant, inputs = self._record, self._inputs
        if climate.load_is_due(plant.climate, time_s, self.firmware.tick_s):
            cabinet.swap_contents(plant, self.state, plant.climate.load_share, plant.climate.load_k)
        solution = solve_ivp(
            reference_slope, (0.0, self.firmware.tick_s), self.state, method="LSODA",
            rtol=1e-9, atol=REFERENCE_ATOL, args=(plant, inputs),
        )  # fmt: skip
        self.state[:] = solution.y[:, -1]


def reference_slope(time_s, state, plant, inputs):
    slope = np.empty(cabinet.STATES)
    cabinet.derivative(plant, state, inputs, slope)
    return slope


class Replay:
    """A law that gives back recorded duties, whatever it reads."""

    def __init__(self, duties):
        self.duties = duties

    def step(self, reading_c100, tick):
        return int(self.duties[tick])


def cabinet_of(name, **settings):
    config = load_config(name)
    plant = plant_of(config)
    return config, plant, firmware_of(config, replace(settings_of(config), **settings))


def loops(name, hours, start_hour=0.0, **settings):
    """Return (compiled, reference) records from the same warm start, rows every tick."""
    config, plant, firmware = cabinet_of(name, **settings)
    state = warm_state(plant, config)
    made = []
    for kind in (Loop, ReferenceLoop):
        loop = kind(plant, firmware, state, start_s=start_hour * HOUR_S)
        made.append(loop.run(hours * HOUR_S, firmware.tick_s))
    return made


# Against the reference -------------------------------------------------------------------


def test_replayed_commands_match_the_reference_through_switchings_doors_and_frost():
    # Design target: air within 5 mK, faces within 0.05 K, frost within 1 %, at every tick.
    config, plant, firmware = cabinet_of("benchmark", defrost=None)
    firmware = replace(firmware, protection=replace(
        firmware.protection, slew_permille_per_tick=1000))  # fmt: skip
    duties = np.where(np.arange(3 * 3600) // 400 % 3 == 1, 0, 950)  # switched every 400 s
    duties[7200:] = 500 + 400 * np.sin(np.arange(3600) / 300.0)  # then slowly changing
    state = cabinet.uniform_state(plant, 278.15, 0.004)
    state[cabinet.HOT_SINK] = 300.0
    records = [
        kind(plant, firmware, state, start_s=8.0 * HOUR_S, user_law=Replay(duties)).run(
            3 * HOUR_S, 1.0
        )
        for kind in (Loop, ReferenceLoop)
    ]
    ours, theirs = records
    assert np.count_nonzero(np.diff(ours["duty"]) != 0) > 1000  # the window is a busy one
    assert ours["door"].sum() > 30
    reached = {
        name: float(np.max(np.abs(ours[name] - theirs[name])))
        for name in ("air_c", "cold_face_c", "hot_face_c", "contents_c", "cold_sink_c")
    }
    frost = theirs["frost_g"]
    assert frost.max() > 0.5
    grown = frost > 0.05
    frost_error = np.max(np.abs(ours["frost_g"][grown] / frost[grown] - 1.0))
    print(f"largest deviations [K]: {reached}; frost {100 * frost_error:.4f} %")
    assert reached["air_c"] < 0.005
    assert reached["cold_face_c"] < 0.05
    assert reached["hot_face_c"] < 0.05
    assert frost_error < 0.01


def test_closed_loop_pi_day_matches_the_reference():
    # Design target: day mean within 1 mK, energy within 0.1 %.
    ours, theirs = loops("benchmark", 24.0)
    mean_error = abs(ours["air_c"].mean() - theirs["air_c"].mean())
    energy = ours["energy_kwh"][-1] / theirs["energy_kwh"][-1] - 1.0
    print(f"PI day: mean air differs by {1e3 * mean_error:.4f} mK, energy by {100 * energy:.5f} %")
    assert mean_error < 1e-3
    assert abs(energy) < 1e-3


def whole_cycles(record, skip):
    """Return (start row, end row, count) of the cycles after the first `skip` switch-ons."""
    on = np.flatnonzero((record["duty"][1:] > 0.0) & (record["duty"][:-1] == 0.0)) + 1
    return on[skip], on[-1], len(on) - 1 - skip


def test_closed_loop_on_off_matches_the_reference_over_whole_cycles():
    # Design target: mean within 5 mK, energy 0.3 %, period 1 %, cycle count within one.
    ours, theirs = loops("seed_store", 7.0, start_hour=0.0, defrost=None, hysteresis_k=2.0)
    found = []
    for record in (ours, theirs):
        first, last, count = whole_cycles(record, skip=8)
        energy = record["energy_kwh"][last] - record["energy_kwh"][first]
        found.append(
            (record["air_c"][first:last].mean(), energy / (last - first), (last - first) / count,
             count)
        )  # fmt: skip
    (mean, power, period, count), (mean_r, power_r, period_r, count_r) = found
    print(
        f"on-off: {count} cycles of {period:.1f} s (reference {period_r:.1f} s), mean differs "
        f"by {1e3 * abs(mean - mean_r):.3f} mK, power by {100 * (power / power_r - 1):.4f} %"
    )
    assert count >= 8
    assert abs(count - count_r) <= 1
    assert abs(mean - mean_r) < 0.005
    assert abs(power / power_r - 1.0) < 0.003
    assert abs(period / period_r - 1.0) < 0.01


# Balances --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", shipped_names())
def test_energy_and_water_close_on_every_shipped_config(name):
    config, plant, firmware = cabinet_of(name)
    record = Loop(plant, firmware, warm_state(plant, config)).run(2 * 24 * HOUR_S, 60.0)
    print(f"{name}: energy {record.energy_residual_rel:.1e}, water {record.water_residual_rel:.1e}")
    assert abs(record.energy_residual_rel) < 1e-9
    assert abs(record.water_residual_rel) < 1e-9
    for signal in ("frost_g", "sink_water_g", "wall_water_g"):
        assert record[signal].min() >= 0.0


def test_a_tenth_of_a_percent_in_one_flow_shows_in_the_residual():
    # Negative control: book the module's power 0.1 % too low and look again.
    config, plant, firmware = cabinet_of("galley_larder")
    loop = Loop(plant, firmware, warm_state(plant, config))
    start = loop.state.copy()
    record = loop.run(12 * HOUR_S, 60.0)
    sound = record.energy_residual_rel
    rejected_j = plant.hot_sink.fan_w_per_k * np.sum(
        record["hot_sink_c"] - record["ambient_c"]
    ) * 60.0  # fmt: skip
    wrong = loop.state.copy()
    wrong[cabinet.HEAT_IN] += 1e-3 * rejected_j
    shown = energy_residual(cabinet.to_record(plant), start, wrong)
    assert abs(sound) < 1e-9 < 1e-4 < abs(shown)


# Firmware in the loop ------------------------------------------------------------------------


class Thermostat:
    """A maker's own class: on above 9 °C, off below 7 °C."""

    def __init__(self):
        self.on = 0

    def step(self, reading_c100, tick):
        if reading_c100 >= 900:
            self.on = 1000
        if reading_c100 <= 700:
            self.on = 0
        return self.on


def test_a_makers_own_class_gives_what_the_compiled_thermostat_gives():
    config, plant, firmware = cabinet_of(
        "seed_store", controller="on_off", setpoint_c=8.0, hysteresis_k=2.0, min_on_s=60.0,
        min_off_s=60.0,
    )  # fmt: skip
    state = warm_state(plant, config)
    compiled = Loop(plant, firmware, state).run(6 * HOUR_S, 1.0)
    own = Loop(plant, firmware, state, user_law=Thermostat()).run(6 * HOUR_S, 1.0)
    assert np.count_nonzero(np.diff(compiled["duty"])) > 8
    assert np.array_equal(compiled["duty"], own["duty"])
    assert np.allclose(compiled["air_c"], own["air_c"], atol=1e-9)


def test_the_same_seed_gives_the_same_run_and_another_does_not():
    config, plant, firmware = cabinet_of("galley_larder")
    state = warm_state(plant, config)
    first, again, other = (
        Loop(plant, firmware, state, seed=seed).run(6 * HOUR_S, 10.0).table for seed in (7, 7, 8)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_a_run_in_two_parts_is_the_run_in_one():
    config, plant, firmware = cabinet_of("galley_larder")
    state = warm_state(plant, config)
    whole = Loop(plant, firmware, state).run(4 * HOUR_S, 10.0)
    parts = Loop(plant, firmware, state)
    two = np.concatenate([parts.run(2 * HOUR_S, 10.0).table for _ in range(2)])
    assert np.array_equal(whole.table, two)


@pytest.mark.parametrize("period_s", [0.1, 0.5, 1.0, 10.0, 60.0])
def test_control_periods_from_a_tenth_of_a_second_to_a_minute(period_s):
    config, plant, firmware = cabinet_of(
        "film_box", controller="pi", period_s=period_s, setpoint_c=12.0, kp_pct_per_k=20.0,
        ti_s=300.0, defrost=None,
    )  # fmt: skip
    assert firmware.tick_s == min(period_s, 1.0)
    record = Loop(plant, firmware, warm_state(plant, config)).run(6 * HOUR_S, 10.0)
    changes = np.flatnonzero(np.diff(record["duty"]) != 0)
    assert changes.size > 0
    assert abs(record["reading_c"][-180:].mean() - 12.0) < 0.1


def hot_fan_dead(config):
    return build_config(
        {**plain_data(config), "hot_sink": {**plain_data(config)["hot_sink"], "fan_k_per_w": 2.2,
                                            "no_fan_k_per_w": 2.3}},
        "hot fan dead",
    )  # fmt: skip


def test_a_dead_hot_fan_folds_back_then_trips_and_stays_off():
    config = hot_fan_dead(load_config("summer_fish_box"))
    # No sensor on this hot sink: give it one, as the advice of the tool says.
    data = plain_data(config)
    config = build_config({**data, "hot_sink_sensor": {"kind": "thermistor"},
                           "protection": {"fold_back_start_c": 62.0, "fold_back_full_c": 68.0,
                                          "trip_c": 68.5}}, "with sensor")  # fmt: skip
    plant = plant_of(config)
    firmware = firmware_of(config, settings_of(config))
    loop = Loop(plant, firmware, warm_state(plant, config))
    record = loop.run(6 * HOUR_S, 10.0)
    assert record["hot_sink_c"].max() < 75.0
    assert TRIPPED in record["state"]
    first = int(np.flatnonzero(record["state"] == TRIPPED)[0])
    assert np.all(record["state"][first:] == TRIPPED)
    assert np.all(record["duty"][first + 1 :] == 0.0)
    assert loop.guard_state[P_TRIPPED] == 1
    assert loop.guard_state[P_HOT_FAN] == 1  # safe state: module off, hot fan on


def test_a_low_battery_stops_the_module_and_the_fans():
    config = load_config("galley_larder")
    plant = plant_of(config)
    weak = replace(plant, drive=replace(plant.drive, supply_v=11.5))
    firmware = firmware_of(config, settings_of(config))
    record = Loop(weak, firmware, warm_state(weak, config)).run(600.0, 1.0)
    assert np.all(record["state"][30:] == LOW_BATTERY)
    assert np.all(record["duty"][30:] == 0.0)
    assert record["cold_fan"][-1] == 0.0


def test_a_defrost_stops_cooling_and_melts_the_frost():
    config = load_config("benchmark")
    plant = plant_of(config)
    plan = DefrostSettings.from_physical(
        interval_s=6 * HOUR_S, longest_s=2400.0, tick_s=1.0, end_c=3.0
    )
    firmware = firmware_of(config, replace(settings_of(config), setpoint_c=3.0, defrost=plan))
    record = Loop(plant, firmware, warm_state(plant, config)).run(2 * 24 * HOUR_S, 10.0)
    melting = record["state"] == 2
    assert melting.any()
    # A row's duty is the mean since the row before: the melt's first row may hold some cooling.
    within = melting & np.roll(melting, 1)
    assert np.all(record["duty"][within] == 0.0)
    starts = np.flatnonzero(melting[1:] & ~melting[:-1])
    ends = np.flatnonzero(~melting[1:] & melting[:-1])
    last_start, last_end = starts[-2], ends[ends > starts[-2]][0]
    assert record["frost_g"][last_end] < 0.5 * record["frost_g"][last_start]
    assert (record["time_s"][starts[1]] - record["time_s"][starts[0]]) == pytest.approx(
        21600, abs=10
    )


def test_a_power_loss_stops_everything_and_warms_the_contents():
    config, plant, firmware = cabinet_of("galley_larder")
    loop = Loop(plant, firmware, warm_state(plant, config))
    cold = loop.run(12 * HOUR_S, 60.0)
    dead = loop.run(6 * HOUR_S, 60.0, powered=False)
    assert np.all(dead["duty"] == 0.0)
    assert np.all(dead["hot_fan"] + dead["cold_fan"] == 0.0)
    assert dead["contents_c"][-1] > cold["contents_c"][-1] + 2.0
    # The supply's standby is still drawn at the plug: dead means the firmware, not the plug.
    assert dead["contents_c"][-1] < dead["ambient_c"].max()


def test_fixed_drive_shows_the_plant_as_it_is():
    config, plant, firmware = cabinet_of("galley_larder", controller="fixed", fixed_duty=0.6,
                                         defrost=None)  # fmt: skip
    record = Loop(plant, firmware, warm_state(plant, config)).run(HOUR_S, 1.0)
    assert record["duty"][-1] == 0.6
    assert set(record["state"][60:]) == {float(COOLING)}


def test_a_state_that_is_no_number_stops_the_run_and_is_named():
    config, plant, firmware = cabinet_of("galley_larder")
    state = warm_state(plant, config)
    state[cabinet.FROST_VOLUME] = np.nan
    with pytest.raises(NotFinite, match=r"tick 0 \(0.00 h\): frost_volume is not a number"):
        Loop(plant, firmware, state).run(60.0, 1.0)
    loop = Loop(plant, firmware, warm_state(plant, config))
    loop.run(60.0, 1.0)
    loop._record.cold_sink.heat_capacity_j_per_k = np.nan  # a part that fails on the way
    with pytest.raises(NotFinite, match=r"tick 60 \(0.02 h\): .* is not a number"):
        loop.run(60.0, 1.0)


def test_idle_when_the_room_is_colder_than_the_setpoint():
    config, plant, firmware = cabinet_of("seed_store", controller="on_off", setpoint_c=25.0,
                                         defrost=None)  # fmt: skip
    loop = Loop(plant, firmware, warm_state(plant, config))
    record = loop.run(HOUR_S, 10.0)
    assert set(record["state"]) == {float(IDLE)}
    assert loop.guard_state[P_FINAL] == 0


def test_findings_of_a_steady_run_add_up():
    config, plant, firmware = cabinet_of("galley_larder", controller="fixed", fixed_duty=0.5,
                                         defrost=None)  # fmt: skip
    record = Loop(plant, firmware, warm_state(plant, config)).run(5 * 24 * HOUR_S, 10.0)
    found = findings_of(record, 8.0, 1.0, "battery terminals")
    assert found.settled
    # Mean plug power times 24 h is the energy of the day, whichever way it is counted.
    mean_w = record.last(86400.0)["plug_w"].mean()
    assert found.energy_kwh_per_day == pytest.approx(mean_w * 24e-3, rel=2e-3)
    assert found.cycles_per_hour == 0.0
    assert found.duty_mean == pytest.approx(0.5)

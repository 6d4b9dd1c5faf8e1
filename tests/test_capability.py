"""What the cabinet can do at all, against a fine scan of the duty."""

from dataclasses import replace

import numpy as np
import pytest
from cold_start import cold_start_ohm

from ctrl.build import at_ambient, humidity_at, plant_of, with_supply_v
from ctrl.candidates import with_drive
from ctrl.capability import (
    DUTY_RESOLUTION,
    PEAK_MARGIN,
    Limits,
    at_duty,
    coldest_holdable,
    duty_for,
    duty_limit,
    fans_at,
    largest_duty,
    limits_of,
    sensed_k,
    within,
)
from ctrl.cases import current_limits
from ctrl.config import build_config, load_config, plain_data
from ctrl.shipped import shipped_names
from plant import cabinet, drive, heat_sinks, sensors
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState

FREE = Limits(1e3, 1e3, 1e3)


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, name)


def worst_plant(config):
    """Return (plant, ambient [K]) on the worst day's mean."""
    room = config.climate
    plant = at_ambient(plant_of(config), room.worst_c, room.relative_humidity_pct)
    return plant, room.worst_c + ZERO_C_K


def scan(plant, ambient_k, limits, steps=250):
    """Return (coldest contents [K], its duty) over every duty that keeps the limits."""
    best = (np.inf, 0.0)
    for duty in np.linspace(0.0, 1.0, steps + 1):
        try:
            point = at_duty(plant, duty, ambient_k)
        except NoSteadyState:
            continue
        if limits.exceeded(point) is None:
            best = min(best, (point.contents_k, duty))
    return best


@pytest.mark.parametrize("name", shipped_names())
def test_coldest_is_the_floor_of_a_fine_scan(name):
    config = load_config(name)
    plant, ambient_k = worst_plant(config)
    limits = limits_of(config)
    found = coldest_holdable(plant, ambient_k, limits)
    floor_k, duty = scan(plant, ambient_k, limits)
    print(f"{name}: {found.contents_c:.3f} °C at duty {found.point.duty:.3f} "
          f"({found.decided_by}); scan {floor_k - ZERO_C_K:.3f} °C at {duty:.3f}")  # fmt: skip
    assert limits.exceeded(found.point) is None
    # The search may beat the scan's grid, but not miss its floor by more than 1 mK.
    assert floor_k - 0.05 < found.point.contents_k < floor_k + 1e-3


# What decides ----------------------------------------------------------------------------


def poor_sink_config():
    """Return the galley larder on a smoothed drive with a small hot sink."""
    data = plain_data(load_config("galley_larder"))
    data["hot_sink"] = {**data["hot_sink"], "fan_k_per_w": 0.6}
    data["drive"] = {"kind": "smoothed"}
    # Limits out of the way, so that the turn shows.
    data["hot_sink"]["foam_shares_temperature"] = 0.0
    data["limits"] = {"hot_sink_max_c": 120.0, "module_max_c": 150.0}
    data["protection"] = {"fold_back_start_c": 99.0, "fold_back_full_c": 105.0, "trip_c": 115.0}
    return build_config(data, "poor sink")


def test_a_smoothed_drive_on_a_poor_sink_has_its_best_duty_inside():
    config = poor_sink_config()
    plant, ambient_k = worst_plant(config)
    found = coldest_holdable(plant, ambient_k, FREE)
    assert found.decided_by == "peak cooling"
    assert 0.1 < found.point.duty < 0.9
    floor_k, duty = scan(plant, ambient_k, FREE)
    assert found.point.contents_k == pytest.approx(floor_k, abs=5e-3)
    # A turn: 0.1 of duty to either side is warmer.
    for side in (-0.1, 0.1):
        assert at_duty(plant, found.point.duty + side, ambient_k).contents_k > floor_k


def test_full_drive_decides_where_nothing_stands_in_the_way():
    config = load_config("galley_larder")
    plant, ambient_k = worst_plant(config)
    found = coldest_holdable(plant, ambient_k, limits_of(config))
    assert (found.decided_by, found.point.duty) == ("full drive", 1.0)


def test_the_hot_sink_decides_in_a_hot_room():
    config = changed("galley_larder", climate={"worst_c": 45.0})
    plant, ambient_k = worst_plant(config)
    found = coldest_holdable(plant, ambient_k, limits_of(config))
    assert found.decided_by == "hot sink"
    # Fold-back starts at 55 °C, long before the hot sink's own 70 °C.
    assert found.point.hot_sink_k == pytest.approx(ZERO_C_K + 55.0, abs=0.03)


def test_no_duty_at_all_in_a_room_hotter_than_the_limit():
    config = changed("galley_larder", climate={"worst_c": 58.0})
    plant, ambient_k = worst_plant(config)
    found = coldest_holdable(plant, ambient_k, limits_of(config))
    assert (found.decided_by, found.point.duty) == ("hot sink", 0.0)


def test_fold_back_limits_only_where_there_is_a_sensor_for_it():
    with_sensor, without = (
        limits_of(load_config(name)) for name in ("galley_larder", "summer_fish_box")
    )
    assert with_sensor.hot_sink_k == pytest.approx(ZERO_C_K + 55.0)
    assert without.hot_sink_k == pytest.approx(ZERO_C_K + 70.0)


def test_the_limit_exceeded_most_is_named():
    plant, ambient_k = worst_plant(load_config("galley_larder"))
    point = at_duty(plant, 1.0, ambient_k)
    hot, foam, face = point.hot_sink_k, point.foam_k, point.hot_face_k
    assert Limits(hot + 1, foam + 1, face + 1).exceeded(point) is None
    assert Limits(hot - 1, foam - 2, face + 1).exceeded(point) == "foam"
    assert Limits(hot - 2, foam - 1, face - 1).exceeded(point) == "hot sink"
    assert Limits(hot, foam, face - 1e-6).exceeded(point) == "module hot face"


# Duty for a temperature ------------------------------------------------------------------


@pytest.mark.parametrize("name", ["galley_larder", "film_box", "seed_store"])
def test_duty_for_meets_its_target_and_rises_with_it(name):
    config = load_config(name)
    plant, ambient_k = worst_plant(config)
    coldest = coldest_holdable(plant, ambient_k, limits_of(config))
    wanted = np.linspace(coldest.point.contents_k + 0.05, ambient_k - 3.0, 9)
    points = [duty_for(plant, ambient_k, w, coldest) for w in wanted]
    misses = [abs(p.contents_k - w) for p, w in zip(points, wanted, strict=True)]
    print(f"{name}: largest miss {1e3 * max(misses):.2f} mK")
    assert max(misses) < 0.02
    duties = [p.duty for p in points]
    assert duties == sorted(duties, reverse=True)
    assert len(set(duties)) == len(duties)
    assert max(duties) <= coldest.point.duty


def test_duty_for_refuses_what_is_colder_than_the_coldest():
    plant, ambient_k = worst_plant(load_config("galley_larder"))
    coldest = coldest_holdable(plant, ambient_k, FREE)
    assert duty_for(plant, ambient_k, coldest.point.contents_k - 0.01, coldest) is None


def test_duty_for_idles_in_a_cold_room():
    config = load_config("galley_larder")
    plant = at_ambient(plant_of(config), 2.0, 60.0)
    coldest = coldest_holdable(plant, ZERO_C_K + 2.0, limits_of(config))
    idle = duty_for(plant, ZERO_C_K + 2.0, ZERO_C_K + 8.0, coldest)
    assert idle.duty == 0.0
    assert idle.contents_k < ZERO_C_K + 8.0


# Duty limit ------------------------------------------------------------------------------


def hottest(plant, config):
    """Return (plant at the highest voltage, hottest hour [K]) that the limit is worked out for."""
    room = config.climate
    hot = at_ambient(plant, room.worst_c, humidity_at(config, room.worst_c))
    high = replace(hot, drive=replace(hot.drive, supply_v=config.supply.highest_voltage_v))
    return high, config.climate.worst_c + 0.5 * config.climate.daily_swing_k + ZERO_C_K


def test_duty_limit_puts_the_hot_sink_exactly_at_its_limit():
    config = changed("galley_larder", climate={"worst_c": 42.0})
    plant = plant_of(config)
    found = duty_limit(plant, config)
    assert found.decided_by == "hot sink"
    high, ambient_k = hottest(plant, config)
    limit_k = limits_of(config).hot_sink_k
    assert at_duty(high, found.duty, ambient_k).hot_sink_k <= limit_k
    # One more step of the firmware's duty and a bit of slack of the search goes past it.
    assert at_duty(high, found.duty + 2.5 * DUTY_RESOLUTION, ambient_k).hot_sink_k > limit_k
    assert within(high, found.duty, ambient_k, limits_of(config)) is None


def test_duty_limit_stays_below_the_turn_of_a_smoothed_drive():
    config = poor_sink_config()
    plant = plant_of(config)
    found = duty_limit(plant, config)
    high, ambient_k = hottest(plant, config)
    peak = coldest_holdable(high, ambient_k, limits_of(config))
    assert found.decided_by == "peak cooling"
    assert found.candidates["peak cooling"] == pytest.approx(0.9 * peak.point.duty)
    assert PEAK_MARGIN == 0.9
    # The turn itself, by the scan.
    _, duty = scan(high, ambient_k, limits_of(config))
    assert found.duty == pytest.approx(0.9 * duty, abs=6e-3)


def smoothed(name):
    config = load_config(name)
    return with_drive(plant_of(config), "smoothed"), config


@pytest.mark.parametrize(
    ("name", "supply_v", "held_v"),
    [
        ("film_box", "highest_voltage_v", "lowest_voltage_v"),
        ("seed_store", "voltage_v", "voltage_v"),
    ],
)
def test_duty_limit_stands_below_the_turn_of_every_room(name, supply_v, held_v):
    """The turn by the scan; a tenth below, and the worst room still holds its target."""
    plant, config = smoothed(name)
    found = duty_limit(plant, config)
    room = config.climate
    for ambient_c in (room.coldest_c, room.usual_c):
        moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
        high = with_supply_v(moved, getattr(config.supply, supply_v))
        _, turn = scan(high, ambient_c + ZERO_C_K, limits_of(config))
        assert found.duty <= 0.9 * turn + 6e-3
    hot = at_ambient(plant, room.worst_c, humidity_at(config, room.worst_c))
    low = with_supply_v(hot, getattr(config.supply, held_v))
    held = coldest_holdable(low, room.worst_c + ZERO_C_K, limits_of(config), found.duty)
    assert held.contents_c <= config.use.target_c
    assert found.decided_by == "peak cooling in the coldest room"
    assert bool(found.risk) == (name == "seed_store")


def test_a_limit_that_the_worst_room_cannot_spare_is_kept_and_told():
    # The target of the fish box is out of reach: every duty that cools is needed.
    plant, config = smoothed("summer_fish_box")
    found = duty_limit(plant, config)
    assert found.decided_by == "peak cooling"
    assert "in the coldest room only warms" in found.risk


def test_duty_limit_from_a_thin_wire():
    """0.35 mm2 carries 4.5 A (the wiring table's law): the duty limit keeps module and fans there.

    A regulated current of 10 A at full duty, of which the cold module takes 5.4 A at most.
    """
    for kind, keys in (("current", {"set_current_a": 10.0}), ("smoothed", {}), ("fast_pwm", {})):
        data = plain_data(load_config("galley_larder")) | {"drive": {"kind": kind, **keys}}
        data["supply"] |= {"wire_mm2": 0.35, "wire_length_m": 1.0, "highest_voltage_v": 12.6}
        config = build_config(data, "galley_larder")
        plant = plant_of(config)
        found = duty_limit(plant, config)
        carries_a = 8.0 * (0.35 / 0.82) ** (np.log(15.0 / 8.0) / np.log(2.08 / 0.82))
        fans_a = (config.hot_sink.fan_w + config.cold_sink.fan_w) / 12.6
        record = cabinet.to_record(plant).drive
        _, square, _ = drive.mean_currents(
            record, 0.0, cold_start_ohm(config, plant), found.candidates["wire"], 0.0
        )
        print(f"{kind}: wire {found.candidates['wire']:.3f}, {np.sqrt(square) + fans_a:.3f} A")
        assert np.sqrt(square) + fans_a == pytest.approx(carries_a, rel=1e-6)
        # ... and with the duty limit flashed the wire is no fault any more.
        wire = next(x for x in current_limits(config, plant) if x.name == "current in the wire")
        assert wire.kept


def test_a_regulated_current_that_runs_out_of_voltage():
    # 10 A asked of 12.6 V over some 2.3 ohm: from half duty on nothing more flows.
    own = {"drive": {"kind": "current", "set_current_a": 10.0}}
    config = build_config(plain_data(load_config("galley_larder")) | own, "galley_larder")
    plant = plant_of(config)
    coldest = coldest_holdable(plant, plant.climate.mean_k, limits_of(config))
    full = at_duty(plant, 1.0, plant.climate.mean_k)
    assert coldest.decided_by == "supply voltage"
    assert coldest.contents_c == pytest.approx(full.contents_k - ZERO_C_K, abs=0.01)
    assert coldest.point.mean_current_a == pytest.approx(10.0 * coldest.point.duty, rel=2e-3)


def test_duty_limit_from_a_small_supply():
    # By hand, no difference: the module and its wire take (D U)^2/R_loop, 0.25 % more for a
    # ripple of 0.05; the converter's input is that over 0.92; 3 A at 12.6 V supply it.
    config = changed("film_box", supply={"current_limit_a": 3.0, "source_resistance_ohm": 0.0})
    plant = plant_of(config)
    found = duty_limit(plant, config)
    loop = cold_start_ohm(config, plant) + plant.drive.wire_ohm + plant.drive.switch_ohm
    fans_w = config.hot_sink.fan_w + config.cold_sink.fan_w
    at_limit = np.sqrt((3.0 * 12.6 - fans_w) * 0.92 * loop / 1.0025) / 12.6
    print(f"supply: duty limit {found.duty}, by hand {at_limit:.4f}, all {found.candidates}")
    assert found.decided_by == "supply"
    assert found.candidates["supply"] == pytest.approx(at_limit, rel=1e-9)
    # The drive itself, on a supply that gives what is asked for, draws just below 3 A then.
    free = replace(plant.drive, supply_v=12.6, current_limit_a=100.0)
    record = cabinet.to_record(replace(plant, drive=free)).drive
    _, _, drawn_w = drive.mean_currents(
        record, plant.module.seebeck_v_per_k, cold_start_ohm(config, plant), found.duty, 0.0
    )
    assert 2.98 < (drawn_w + fans_w) / 12.6 <= 3.0
    shipped = load_config("film_box")  # 8 A: enough
    assert "supply" not in duty_limit(plant_of(shipped), shipped).candidates


def test_duty_limit_from_thin_wire():
    # Ampacity by the wiring table's power law, 8 A at 0.82 mm2: 5.4 A at 0.5 mm2.
    config = changed("galley_larder", supply={"wire_mm2": 0.5})
    plant = plant_of(config)
    found = duty_limit(plant, config)
    full_a = 14.4 / (
        cold_start_ohm(config, plant) + plant.drive.wire_ohm + 0.02 + 0.03
    )  # switch and battery
    carries_a = 8.0 * (0.5 / 0.82) ** (np.log(15 / 8) / np.log(2.08 / 0.82))
    assert found.decided_by == "wire"
    # Pulses: heating goes with the duty times the full current's square.
    fans_a = (config.hot_sink.fan_w + config.cold_sink.fan_w) / 14.4  # on the same wire
    assert found.candidates["wire"] == pytest.approx(((carries_a - fans_a) / full_a) ** 2, rel=1e-9)
    stiff = {"wire_mm2": 0.3, "source_resistance_ohm": 0.0}
    smooth = changed("film_box", supply=stiff, hot_sink={"fan_k_per_w": 0.05})
    steady = duty_limit(plant_of(smooth), smooth)
    part = plant_of(smooth)
    full_a = 12.6 / (cold_start_ohm(smooth, part) + part.drive.wire_ohm + part.drive.switch_ohm)
    carries_a = 8.0 * (0.3 / 0.82) ** (np.log(15 / 8) / np.log(2.08 / 0.82))
    # Smoothed: the current itself goes with the duty.
    fans_a = (smooth.hot_sink.fan_w + smooth.cold_sink.fan_w) / 12.6
    rms = np.sqrt(1.0 + 0.05**2)  # of the ripple
    by_hand = (carries_a - fans_a) / rms / full_a
    assert steady.candidates["wire"] == pytest.approx(by_hand, rel=1e-9)


def test_the_smallest_candidate_decides_and_is_rounded_down():
    for name in shipped_names():
        config = load_config(name)
        found = duty_limit(plant_of(config), config)
        least = min(found.candidates.values())
        assert found.candidates[found.decided_by] == least
        assert least - DUTY_RESOLUTION < found.duty <= least + 1e-9


def test_largest_duty_without_limits_is_full():
    plant, ambient_k = worst_plant(load_config("galley_larder"))
    assert largest_duty(plant, ambient_k, FREE) == (1.0, None)


# Small parts -----------------------------------------------------------------------------


def test_fans_turn_as_they_are_wired():
    plant, _ = worst_plant(load_config("summer_fish_box"))  # relay, both fans with the module
    assert fans_at(plant, 0.25) == (0.25, 0.25)
    pulsed = replace(plant, drive=replace(plant.drive, kind=drive.FAST_PWM))
    assert fans_at(pulsed, 0.25) == (1.0, 1.0)  # pulses too quick for a fan to stop
    assert fans_at(pulsed, 0.0) == (0.0, 0.0)
    always = replace(plant, cold_sink=replace(plant.cold_sink, fan_wiring=heat_sinks.ALWAYS))
    assert fans_at(always, 0.0) == (0.0, 1.0)


def test_the_sensor_reads_the_place_it_sits():
    plant, ambient_k = worst_plant(load_config("galley_larder"))
    point = at_duty(plant, 0.8, ambient_k)
    seen = {
        place: sensed_k(
            replace(plant, control_sensor=replace(plant.control_sensor, place=place)), point
        )
        for place in (sensors.AIR, sensors.COLD_SINK, sensors.CONTENTS)
    }
    assert seen == {
        sensors.AIR: point.air_k,
        sensors.COLD_SINK: point.cold_sink_k,
        sensors.CONTENTS: point.contents_k,
    }
    assert seen[sensors.COLD_SINK] < seen[sensors.AIR] - 0.5

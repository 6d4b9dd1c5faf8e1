"""Supply: contacts, charging, what it does above its limit and below its least load."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from ctrl.build import plant_of, start_resistance_ohm
from ctrl.candidates import candidates_of, with_drive
from ctrl.capability import at_duty, duty_limit
from ctrl.cases import current_limits, limits_found
from ctrl.cautions import starved_cautions
from ctrl.config import ConfigError, build_config, load_config, override, plain_data
from ctrl.findings import findings_of
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import (
    LOW_BATTERY,
    MELTING,
    SUPPLY_CUT_OUT,
    Loop,
    supply_mv,
)
from ctrl.trial import warm_state
from plant import cabinet, drive, supply
from plant.constants import ZERO_C_K
from plant.stage import with_current

HOUR_S = 3600.0


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, name)


def drive_of(name, keys, **tables):
    """Return the config with another drive altogether."""
    data = plain_data(load_config(name)) | {"drive": keys}
    for table, more in tables.items():
        data[table] = {**data.get(table, {}), **more}
    return build_config(data, name)


def loop_of(config, **more):
    plant = plant_of(config)
    firmware = firmware_of(config, settings_of(config))
    return Loop(plant, firmware, warm_state(plant, config), **more)


def drive_record(config):
    return cabinet.to_record(plant_of(config)).drive


FULL = {"kind": "fixed", "fixed_duty": 1.0}


# Protection, alone --------------------------------------------------------------------------


@pytest.mark.parametrize("tick_s", [0.1, 1.0])
def test_a_hiccup_pauses_and_retries(tick_s):
    part = drive_record(
        changed(
            "film_box", supply={"protection": "hiccup", "hiccup_s": 3.0, "current_limit_a": 5.0}
        )
    )
    words = supply.new_supply_state()
    seen = []
    for _ in range(round(9.0 / tick_s)):
        power = supply.supply_tick(words, True)
        if power == supply.LIVE and supply.cuts_out(part, words, 5.1, tick_s):
            power = supply.CUT_OUT
        seen.append(power)
    assert set(seen) == {supply.CUT_OUT}  # three overloads, 3 s each, nothing in between
    assert words[supply.CUT_OUTS] == 3
    while words[supply.WAIT_TICKS] > 0:
        supply.supply_tick(words, True)
    assert supply.supply_tick(words, True) == supply.LIVE
    assert not supply.cuts_out(part, words, 5.0, tick_s)  # at its limit it still gives


def test_a_latch_waits_for_the_power_to_be_cycled():
    part = drive_record(changed("film_box", supply={"protection": "latch_off"}))
    words = supply.new_supply_state()
    assert supply.cuts_out(part, words, 99.0, 1.0)
    assert all(supply.supply_tick(words, True) == supply.CUT_OUT for _ in range(1000))
    assert supply.supply_tick(words, False) == supply.NO_POWER
    assert supply.supply_tick(words, True) == supply.LIVE


def test_a_constant_current_never_cuts_out():
    part = drive_record(load_config("film_box"))
    words = supply.new_supply_state()
    assert not supply.cuts_out(part, words, 99.0, 1.0)
    assert not words.any()


# In the loop --------------------------------------------------------------------------------


class FullPower:
    """A maker's own controller that always asks for everything."""

    def step(self, reading_c100, tick):
        return 1000


def test_latch_off_ends_off_and_the_findings_say_so():
    config = changed(
        "galley_larder", supply={"protection": "latch_off", "current_limit_a": 4.0}, controller=FULL
    )
    loop = loop_of(config)
    record = loop.run(2 * HOUR_S, 10.0)
    assert record["state"][-1] == SUPPLY_CUT_OUT
    assert loop.supply_state[supply.CUT_OUTS] == 1
    late = record["state"] == SUPPLY_CUT_OUT
    assert late.mean() > 0.9
    for name in ("duty", "current_a", "hot_fan", "cold_fan"):
        assert not record[name][late][1:].any(), name
    found = findings_of(record, 5.0, 1.0, "battery terminals")
    assert found.supply_off_share == pytest.approx(late.mean())
    row = [x for x in limits_found(config, plant_of(config), found, "usual")
           if x.name == "time the supply is cut out"]  # fmt: skip
    assert len(row) == 1 and not row[0].kept
    assert abs(record.energy_residual_rel) < 1e-9
    # Unplugged and plugged in again it tries once more, and fails once more.
    loop.run(10.0, 10.0, powered=False)
    loop.run(600.0, 10.0)
    assert loop.supply_state[supply.CUT_OUTS] == 2


def test_hiccups_go_on_for_ever():
    config = changed(
        "galley_larder", controller=FULL,
        supply={"protection": "hiccup", "hiccup_s": 4.0, "current_limit_a": 4.0},
    )  # fmt: skip
    loop = loop_of(config)
    record = loop.run(HOUR_S, 1.0)
    # It trips in the very tick it tries again: one try every 4 s, and nothing in between.
    assert loop.supply_state[supply.CUT_OUTS] == pytest.approx(900, abs=2)
    assert np.all(record["state"][10:] == SUPPLY_CUT_OUT)
    assert record["contents_c"][-1] > record["contents_c"][0] - 0.2  # it cannot start the module


def test_a_supply_within_its_limit_changes_nothing():
    """All three protections give the same run where the limit is never reached."""
    tables = {
        kind: loop_of(changed("galley_larder", supply={"protection": kind})).run(2 * HOUR_S, 10.0)
        for kind in ("constant_current", "hiccup", "latch_off")
    }
    assert np.array_equal(tables["hiccup"].table, tables["constant_current"].table)
    assert np.array_equal(tables["latch_off"].table, tables["constant_current"].table)


@pytest.mark.parametrize("kind", ["hiccup", "latch_off"])
def test_plain_and_compiled_loop_cut_out_alike(kind):
    config = changed(
        "galley_larder", supply={"protection": kind, "current_limit_a": 4.0}, controller=FULL
    )
    ours = loop_of(config).run(600.0, 1.0)
    own = loop_of(config, user_law=FullPower()).run(600.0, 1.0)
    assert own.table == pytest.approx(ours.table, rel=1e-9, abs=1e-9)


def test_duty_limit_keeps_a_converter_from_tripping_its_supply():
    """The recommended duty holds; a little more from a warm start does not."""
    smooth = {"kind": "smoothed", "converter_efficiency": 0.9, "ripple": 0.05}
    config = changed(
        "film_box", drive=smooth, supply={"protection": "latch_off", "current_limit_a": 3.0,
                                          "highest_voltage_v": 12.0},
    )  # fmt: skip
    limit = duty_limit(plant_of(config), config)
    assert limit.decided_by == "supply"
    ends = []
    for duty in (limit.duty, min(limit.duty + 0.02, 1.0)):
        fixed = changed(
            "film_box", drive=smooth, controller={"kind": "fixed", "fixed_duty": duty},
            supply={"protection": "latch_off", "current_limit_a": 3.0, "highest_voltage_v": 12.0},
        )  # fmt: skip
        plant = plant_of(fixed)
        state = cabinet.uniform_state(plant, plant.climate.mean_k, plant.climate.humidity_ratio)
        # Faces alike for as long as the duty takes to slew up: the worst moment.
        quick = firmware_of(fixed, replace(settings_of(fixed), slew_pct_per_s=None))
        ends.append(Loop(plant, quick, state).run(60.0, 1.0)["state"][-1])
    assert ends[0] != SUPPLY_CUT_OUT
    assert ends[1] == SUPPLY_CUT_OUT


def test_hiccup_supply_that_cannot_start_the_module_is_told():
    # 4 A against 12.6/(R + wires) and fans: constant current gives what it has, hiccup nothing.
    for kind, protected in (("constant_current", False), ("hiccup", True), ("latch_off", True)):
        config = changed("film_box", drive={"kind": "smoothed"},
                         supply={"protection": kind, "current_limit_a": 4.0})  # fmt: skip
        pulses = changed("galley_larder", supply={"protection": kind, "current_limit_a": 4.0})
        names = {x.name: x for x in current_limits(pulses, plant_of(pulses))}
        assert names["supply current"].kept != protected
        starved = starved_cautions(pulses, plant_of(pulses))
        assert bool(starved) != protected
        if protected:
            plant = plant_of(pulses)
            part, start_ohm = plant.drive, start_resistance_ohm(pulses, plant)
            loop = start_ohm + part.wire_ohm + part.switch_ohm + part.source_ohm
            fans = pulses.hot_sink.fan_w + pulses.cold_sink.fan_w
            by_hand = 14.4 / loop + fans / 14.4
            assert names["supply current"].value == pytest.approx(by_hand, rel=1e-9)
            # A converter can be kept within it, by the duty limit.
            smooth = {x.name: x for x in current_limits(config, plant_of(config))}
            assert smooth["supply current"].kept
            assert smooth["supply current"].value == pytest.approx(4.0, rel=5e-3)  # 1/1000 of duty


def test_least_load_of_a_desktop_supply():
    # Desktop supply design guide: 1.0 A at least on each 12 V rail; 300 W class: 8 A.
    config = changed("film_box", supply={"minimum_load_a": 1.0, "current_limit_a": 8.0})
    row = next(x for x in current_limits(config, plant_of(config)) if "least load" in x.name)
    left = config.cold_sink.fan_w if config.cold_sink.fan_wiring != "with_module" else 0.0
    left += config.hot_sink.fan_w if config.hot_sink.fan_wiring == "always" else 0.0
    assert row.value == pytest.approx(left / 12.0, rel=1e-12)
    assert not row.kept  # small fans alone are too little for such a supply
    assert not any("least load" in x.name for x in current_limits(load_config("film_box"),
                   plant_of(load_config("film_box"))))  # fmt: skip


# Battery ------------------------------------------------------------------------------------

CHARGED = {"charging_voltage_v": 14.4, "charging_from_hour": 9.0, "charging_to_hour": 11.0}


def test_a_battery_on_charge_pushes_the_on_current():
    config = changed("galley_larder", supply=CHARGED, controller=FULL)
    record = loop_of(config).run(24 * HOUR_S, 60.0)
    hours = record["time_s"] / HOUR_S % 24.0
    full = record["duty"] == 1.0  # where the hot sink does not fold it back
    on_charge = (hours > 9.1) & (hours < 10.9) & full
    beside = ((hours < 8.9) | (hours > 11.5)) & full
    assert on_charge.sum() > 10 and beside.sum() > 100
    # Kirchhoff round the loop, row by row: what drives the current is the supply's voltage.
    plant = plant_of(config)
    part = plant.drive
    outside_ohm = part.wire_ohm + part.switch_ohm + part.source_ohm
    cold_k, hot_k = record["cold_face_c"] + ZERO_C_K, record["hot_face_c"] + ZERO_C_K

    def driving_v(row):
        amps = record["current_a"][row]
        _, module_w = with_current(plant.module, amps, cold_k[row], hot_k[row])
        return module_w / amps + amps * outside_ohm

    # A millivolt: the legs' own heating is settled in two rounds.
    for rows, supply_v in ((on_charge, 14.4), (beside, 12.6)):
        found = [driving_v(row) for row in np.flatnonzero(rows)]
        assert found == pytest.approx([supply_v] * len(found), abs=1e-3)
        # The terminals' voltage in the record: less what falls in the battery.
        fans_a = (plant.hot_sink.fan_w + plant.cold_sink.fan_w) / supply_v
        sag_v = (record["current_a"][rows] + fans_a) * part.source_ohm
        assert record["supply_v"][rows] == pytest.approx(supply_v - sag_v, abs=5e-3)
    uncharged = loop_of(changed("galley_larder", controller=FULL)).run(8 * HOUR_S, 60.0)
    assert np.array_equal(uncharged.table, record.table[: len(uncharged.table)])


def test_firmware_measures_the_battery_at_rest_under_load_and_on_charge():
    config = changed("galley_larder", supply=CHARGED)
    plant = plant_of(config)
    record = cabinet.to_record(plant)
    state = warm_state(plant, config)
    state[cabinet.HOT_FACE] = state[cabinet.COLD_FACE]
    inputs = np.zeros(cabinet.INPUTS)
    assert supply_mv(record, state, inputs) == 12600
    inputs[cabinet.DUTY] = 1.0
    part = plant.drive
    outside_ohm = part.wire_ohm + part.switch_ohm + part.source_ohm
    face_k = state[cabinet.COLD_FACE]
    for supply_v in (12.6, 14.4):
        inputs[cabinet.SUPPLY_RISE_V] = supply_v - 12.6
        # The current that module and wires let through between equal faces.
        amps = brentq(
            lambda a, v=supply_v: (
                a * outside_ohm + with_current(plant.module, a, face_k, face_k)[1] / a - v
            ),
            1.0, 15.0,
        )  # fmt: skip
        assert supply_mv(record, state, inputs) == pytest.approx(
            1000.0 * (supply_v - amps * part.source_ohm), abs=2.0
        )
    # The fans' current sags it too.
    inputs[cabinet.DUTY], inputs[cabinet.HOT_FAN], inputs[cabinet.COLD_FAN] = 0.0, 1.0, 1.0
    fans_a = (plant.hot_sink.fan_w + plant.cold_sink.fan_w) / 14.4
    assert supply_mv(record, state, inputs) == pytest.approx(
        1000.0 * (14.4 - fans_a * part.source_ohm), abs=1.0
    )


def test_charging_lifts_an_empty_battery_over_its_cut_off():
    low = {**CHARGED, "voltage_v": 11.7, "lowest_voltage_v": 11.0, "charging_from_hour": 2.0}
    record = loop_of(changed("galley_larder", supply=low)).run(4 * HOUR_S, 10.0)
    hours = record["time_s"] / HOUR_S
    assert np.any(record["state"][hours < 2.0] == LOW_BATTERY)
    assert not np.any(record["state"][hours > 2.1] == LOW_BATTERY)


# Contacts and off modes, from the config -------------------------------------------------------


def test_contacts_add_to_the_wire():
    plain, worn = (
        plant_of(changed("film_box", supply={"contact_resistance_ohm": r})) for r in (0.0, 0.05)
    )
    assert worn.drive.wire_ohm - plain.drive.wire_ohm == pytest.approx(0.05, rel=1e-12)
    # 6 A in 50 mohm, as in a worst relay contact: 1.8 W (relay sheet's contact, by hand).
    assert 36.0 * (worn.drive.wire_ohm - plain.drive.wire_ohm) == pytest.approx(1.8, rel=1e-9)


def test_hold_current_by_default_cancels_the_usual_day():
    config = changed("film_box", drive={"off_mode": "hold"})
    plant = plant_of(config)
    mod = plant.module
    cold, hot = config.use.target_c + ZERO_C_K, config.climate.usual_c + ZERO_C_K
    # No heat is taken up, of the 0.5 W/K times the difference that is conducted.
    taken_w, _ = with_current(mod, plant.drive.hold_current_a, cold, hot)
    assert abs(taken_w) < 1e-9 * mod.conductance_w_per_k * (hot - cold)
    constant = plant_of(
        changed("film_box", drive={"off_mode": "hold"}, module={"temperature_dependence": False})
    )
    mod, amps = constant.module, constant.drive.hold_current_a
    taken = mod.seebeck_v_per_k * amps * cold - 0.5 * mod.resistance_ohm * amps**2
    assert taken == pytest.approx(mod.conductance_w_per_k * (hot - cold), rel=1e-9)
    stated = changed("film_box", drive={"off_mode": "hold", "hold_current_a": 0.3})
    assert plant_of(stated).drive.hold_current_a == 0.3


def test_a_hold_current_is_that_of_the_build_in_any_room():
    """What is wired does not change with the room that a run is asked for."""
    config = changed("galley_larder", drive={"kind": "fast_pwm", "off_mode": "hold"})
    held_a = plant_of(config).drive.hold_current_a
    assert held_a > 0.3
    for ambient_c in (5.0, 32.0):
        moved = override(config, ambient_c=ambient_c)
        assert plant_of(moved).drive.hold_current_a == pytest.approx(held_a, rel=1e-12)


def test_a_window_too_long_for_its_tick_is_named():
    with pytest.raises(ConfigError, match="drive.window_s = 3600") as caught:
        drive_of("galley_larder", {"kind": "slow_window", "window_s": 3600.0},
                 controller={"period_s": 0.1})  # fmt: skip
    assert "at most 3276.7 s" in str(caught.value)


def test_a_switch_without_contacts_does_not_wear():
    found = {}
    for contacts in (True, False):
        config = changed("seed_store", drive={"contacts": contacts})
        candidate = next(
            item for item in candidates_of(config, plant_of(config), 4.0)
            if item.controller == "on_off"
        )  # fmt: skip
        found[contacts] = candidate
    assert "relay" in found[True].decided_by and "relay" not in found[False].decided_by
    assert found[False].settings.hysteresis_k < found[True].settings.hysteresis_k


def test_off_modes_order_the_idle_cabinet():
    """Same room, no duty: hold keeps it coldest, then open, shorted, reversed."""
    found = {}
    for mode in ("hold", "open", "shorted", "reversed"):
        keys = {"off_mode": mode} | ({"hold_current_a": 0.5} if mode == "reversed" else {})
        config = changed("film_box", drive=keys)
        # Warm goods are brought each day, so that heat flows through the idle module.
        plant = plant_of(config)
        found[mode] = at_duty(plant, 0.0, config.climate.usual_c + ZERO_C_K).contents_k
    print({mode: round(k - ZERO_C_K, 2) for mode, k in found.items()})
    assert found["hold"] < found["open"] < found["reversed"]
    assert found["hold"] < found["shorted"] <= found["open"] + 0.5


@pytest.mark.parametrize("mode", ["open", "shorted", "hold", "reversed"])
def test_balance_closes_and_no_hold_current_works_against_a_melt(mode):
    keys = {"off_mode": mode} | ({"hold_current_a": 0.5} if mode == "reversed" else {})
    melt = {"kind": "timed", "interval_h": 2.0, "longest_min": 20.0}
    config = changed("galley_larder", drive=keys, defrost=melt)
    loop = loop_of(config)
    record = loop.run(12 * HOUR_S, 10.0)
    assert abs(record.energy_residual_rel) < 1e-9
    assert abs(record.water_residual_rel) < 1e-9
    melting = record["state"] == MELTING
    within = melting & np.roll(melting, 1)
    assert within.any()
    current = record["current_a"][within]
    if mode == "shorted":
        assert current.mean() < -0.01  # it helps the melt
    else:
        assert not current.any()
    # Power lost: no bridge is closed, no current flows.
    assert not loop.run(600.0, 10.0, powered=False)["current_a"].any()


def test_hold_costs_and_saves_what_it_should():
    """A relay's hold by a resistor at the supply's full voltage, from the meter."""
    config = changed("seed_store", drive={"off_mode": "hold"},
                     controller={"kind": "fixed", "fixed_duty": 0.0})  # fmt: skip
    bare = changed("seed_store", controller={"kind": "fixed", "fixed_duty": 0.0})
    with_hold, without = (loop_of(c).run(HOUR_S, 10.0) for c in (config, bare))
    part = plant_of(config).drive
    amps = part.hold_current_a
    extra_w = amps * (12.0 - amps * part.source_ohm) / config.supply.efficiency
    late = slice(60, None)
    assert np.mean(with_hold["plug_w"][late] - without["plug_w"][late]) == pytest.approx(
        extra_w, rel=1e-6
    )


def test_part_load_costs_more_with_a_loss_curve():
    """Steady power at the plug: the same at full load, more than constant below."""
    curve = {"converter_full_load_w": 40.0, "converter_fixed_loss_w": 0.6}
    plants = [plant_of(changed("film_box", drive=keys)) for keys in ({}, curve)]
    records = [cabinet.to_record(plant).drive for plant in plants]
    assert [drive.converter_input_w(r, 40.0) for r in records] == pytest.approx([40.0 / 0.92] * 2)
    at_3 = [drive.converter_input_w(r, 3.0) for r in records]
    assert at_3[1] - at_3[0] == pytest.approx(0.6 + 9.0 * (40.0 * (1 / 0.92 - 1) - 0.6) / 1600.0
                                              - 3.0 * (1 / 0.92 - 1), rel=1e-9)  # fmt: skip
    # A converter added by a comparison brings its own constant efficiency, no curve.
    pulsed = with_drive(plants[1], "fast_pwm").drive
    assert (pulsed.converter_fixed_w, pulsed.converter_loss_per_w) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("name", "table", "keys", "key"),
    [
        ("film_box", "supply", {"fixed_loss_w": 1.0}, "supply.full_load_w"),
        ("film_box", "supply", {"full_load_w": 20.0, "fixed_loss_w": 9.0}, "supply.fixed_loss_w"),
        ("galley_larder", "supply", {"full_load_w": 20.0}, "supply.full_load_w"),
        ("film_box", "supply", {"hiccup_s": 2.0}, "supply.hiccup_s"),
        ("film_box", "supply", {"charging_voltage_v": 12.5}, "supply.charging_voltage_v"),
        ("galley_larder", "supply", {"charging_voltage_v": 14.0}, "supply.charging_from_hour"),
        ("galley_larder", "supply", {**CHARGED, "charging_voltage_v": 15.0},
         "supply.charging_voltage_v"),
        ("film_box", "drive", {"hold_current_a": 0.5}, "drive.hold_current_a"),
        ("film_box", "drive", {"off_mode": "reversed"}, "drive.hold_current_a"),
        ("film_box", "drive", {"off_mode": "hold", "hold_current_a": 9.0}, "drive.hold_current_a"),
        ("film_box", "drive", {"converter_fixed_loss_w": 1.0}, "drive.converter_full_load_w"),
        ("film_box", "drive", {"window_s": 60.0}, "drive.window_s"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused(name, table, keys, key):
    with pytest.raises(ConfigError) as caught:
        changed(name, **{table: keys})
    assert key in {problem.key for problem in caught.value.problems}

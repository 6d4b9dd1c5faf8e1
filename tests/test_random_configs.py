"""Random valid configurations: whatever a maker may write, the balances close.

Any key of the file is drawn anew within its declared range, words and switches too; keys that
only make sense together (fins, stages, a sheet, a battery on charge) are drawn together.  What
the config's own checks refuse is put back as it was.
"""

import inspect
from collections import Counter
from math import exp, log

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from ctrl.build import plant_of
from ctrl.config import ConfigError, build_config, config_fields, load_config, plain_data
from ctrl.config_cabinet import SHEET_KEYS
from ctrl.config_drive import BATTERY_KEYS, THERMISTOR_KEYS, Drive
from ctrl.config_sinks import FIN_KEYS
from ctrl.config_twin import error_key
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop, NotFinite, energy_residual, water_residual
from ctrl.recommend import provisional
from ctrl.shipped import shipped_names
from ctrl.trial import warm_state
from ctrl.twin import PARTS
from plant import cabinet, integrate
from plant.data_sheet import SheetContradiction
from plant.steady import NoSteadyState

HOURS = 1.5
CONFIGS = 480
ENERGY_LIMIT, WATER_LIMIT = 1e-6, 1e-9  # of what flowed; the design's limits
TEXTS = ("cabinet.name", "climate.log_file", "tariff.currency")  # no physics in them
FIELDS = {
    row.key: row
    for row in config_fields()
    if row.key not in TEXTS and not row.key.startswith("twin.")  # drawn as a whole: `a_twin`
}
BASES = {name: plain_data(load_config(name)) for name in shipped_names()}
MASSES = ("frost_g", "sink_water_g", "wall_water_g", "water_out_g")
DRAWN, OUTCOMES = Counter(), Counter()  # keys that were in a config that ran; how runs ended


def drawn_value(draw, row):
    """Draw what a key may hold: a word, a switch, or a number, by ratios if it spans decades."""
    if row.choices:
        return draw(st.sampled_from(row.choices))
    if row.kind == "true or false":
        return draw(st.booleans())
    if row.key.startswith("cabinet.layers_"):
        return drawn_layers(draw)
    low, high = row.low, row.high
    if row.kind == "a whole number":
        return draw(st.integers(int(low), int(high)))
    if low > 0.0 and high / low > 50.0:
        return min(max(exp(draw(st.floats(log(low), log(high)))), low), high)
    return draw(st.floats(low, high))


def drawn_layers(draw):
    """Draw a face's layers in words: none to two on each side of the foam."""
    one = st.tuples(
        st.integers(1, 40),
        st.sampled_from(("at 0.13", "at 0.005", "at 50", "XPS", "at 0.2 storing 6000")),
    )
    inner, outer = (
        [f"{mm} mm {what}" for mm, what in draw(st.lists(one, max_size=2))] for _ in range(2)
    )
    return ", ".join([*inner, "foam", *outer])


def some_of(draw, *keys):
    """Return values for all of these keys."""
    return {key: drawn_value(draw, FIELDS[key]) for key in keys}


# Keys that go together ------------------------------------------------------------------


def fins(draw):
    """A finned hot sink in place of stated figures, or beside them."""
    values = some_of(draw, *(f"hot_sink.{key}" for key in FIN_KEYS), "hot_sink.fin_metal_w_per_m_k")
    if draw(st.booleans()):
        values |= {"hot_sink.fan_k_per_w": None, "hot_sink.fan_flow_m3_per_h": None}
    return values | {"hot_sink.no_fan_k_per_w": draw(st.floats(5.0, 20.0))}


def printed_sheet(draw):
    """A sheet that agrees with itself to a few percent: six numbers from a, R and K."""
    couples = draw(st.sampled_from((17, 31, 71, 127, 199, 263)))
    imax_a, hot_k = draw(st.floats(2.0, 20.0)), draw(st.floats(298.15, 323.15))
    dtmax_k = draw(st.floats(60.0, 72.0)) * hot_k / 300.0
    vmax_v = couples * 4.1e-4 * hot_k * draw(st.floats(0.95, 1.05))
    qmax_w = 0.5 * vmax_v / hot_k * imax_a * (hot_k + dtmax_k) * draw(st.floats(0.95, 1.05))
    numbers = (couples, imax_a, vmax_v, dtmax_k, qmax_w, hot_k - 273.15)
    values = {f"module.{key}": value for key, value in zip(SHEET_KEYS, numbers, strict=True)}
    if draw(st.booleans()):
        ohm = vmax_v * (hot_k - dtmax_k) / (imax_a * hot_k) * 0.95
        values["module.ac_resistance_ohm"] = ohm
    tolerances = [key for key in FIELDS if key.startswith("module.") and "tolerance" in key]
    return values | some_of(draw, *tolerances) | {"module.preset": None}


def two_stages(draw):
    return {
        "module.stages": 2, "module.upper_stage_couples": draw(st.integers(3, 63)),
        **some_of(draw, "module.sheet_covers", "module.middle_contact_k_per_w",
                  "module.temperature_dependence"),
    }  # fmt: skip


def bank(draw):
    return some_of(draw, "module.in_series", "module.in_parallel", "module.derating")


def battery(draw):
    """A battery with or without a cut-off, on charge for some hours."""
    usual = draw(st.floats(5.0, 48.0))
    charge = usual * draw(st.floats(1.0, 1.2))
    values = {
        "supply.kind": "battery", "supply.efficiency": None, "supply.voltage_v": usual,
        "supply.highest_voltage_v": charge, "supply.lowest_voltage_v": 0.9 * usual,
        "supply.charging_voltage_v": charge, "supply.fixed_loss_w": None,
        "supply.full_load_w": None, "supply.low_battery_cut_off_v": 0.92 * usual,
        "supply.low_battery_resume_v": 0.97 * usual,
    }  # fmt: skip
    hours = some_of(draw, "supply.charging_from_hour", "supply.charging_to_hour")
    return values | hours | some_of(draw, "supply.source_resistance_ohm", "supply.battery_ah")


def mains(draw):
    usual = draw(st.floats(5.0, 48.0))
    efficiency, load_w = draw(st.floats(0.6, 0.95)), draw(st.floats(20.0, 500.0))
    values = dict.fromkeys((f"supply.{key}" for key in BATTERY_KEYS), None)
    protection = some_of(draw, "supply.protection")
    if protection["supply.protection"] == "hiccup":
        protection |= some_of(draw, "supply.hiccup_s")
    loss_w = load_w * (1.0 / efficiency - 1.0)
    return values | protection | some_of(draw, "supply.current_limit_a") | {
        "supply.kind": "mains", "supply.voltage_v": usual, "supply.highest_voltage_v": usual,
        "supply.lowest_voltage_v": usual, "supply.efficiency": efficiency,
        "supply.full_load_w": load_w,
        "supply.fixed_loss_w": min(loss_w * draw(st.floats(0.0, 1.0)), 50.0),
    }  # fmt: skip


def driven(draw):
    """One kind of drive with its own keys, one off mode, and a controller that can use it."""
    kind = draw(st.sampled_from(sorted(Drive.only_for)))
    values = dict.fromkeys((f"drive.{k}" for keys in Drive.only_for.values() for k in keys), None)
    values |= some_of(draw, "drive.switch_resistance_ohm", "drive.off_mode")
    values["drive.hold_current_a"] = None
    if values["drive.off_mode"] in ("hold", "reversed"):
        values["drive.hold_current_a"] = draw(st.floats(0.01, 1.5))
    own = [
        f"drive.{key}" for key in Drive.only_for[kind] if "loss" not in key and "full" not in key
    ]
    values |= some_of(draw, *own) | {"drive.kind": kind}
    if kind == "slow_window":
        values["drive.window_s"] = float(draw(st.integers(20, 600)))  # whole ticks
        values["drive.window_min_on_s"] = draw(st.floats(0.0, 10.0))
    if kind == "current":
        values["drive.set_current_a"] = draw(st.floats(0.5, 8.0))
    if kind in ("smoothed", "current") and draw(st.booleans()):
        load_w, efficiency = draw(st.floats(20.0, 400.0)), draw(st.floats(0.7, 0.97))
        loss_w = load_w * (1.0 / efficiency - 1.0)
        values |= {
            "drive.converter_efficiency": efficiency, "drive.converter_full_load_w": load_w,
            "drive.converter_fixed_loss_w": min(loss_w * draw(st.floats(0.0, 1.0)), 50.0),
        }  # fmt: skip
    laws = ("on_off", "pi", "fixed", "two_level", "cascade", "best_cop")
    law = draw(st.sampled_from(laws if kind != "relay" else ("on_off",)))
    return values | {"controller.kind": law}


def layers(draw):
    parts = ("_layer_", "layers_", "foam_")
    keys = [k for k in FIELDS if k.startswith("cabinet.") and any(part in k for part in parts)]
    return some_of(draw, *draw(st.lists(st.sampled_from(keys), min_size=3, unique=True)))


def metal_and_seal(draw):
    values = {"cabinet.metal_through_wall_w_per_k": None, "cabinet.door_seal_w_per_m_k": None}
    return values | some_of(
        draw, "cabinet.door_seal", "cabinet.bolts", "cabinet.bolt_diameter_mm",
        "cabinet.bolt_w_per_m_k", "cabinet.wires_through_wall_mm2",
    )  # fmt: skip


def sunny_and_high(draw):
    values = {"cabinet.sunlit_area_m2": draw(st.floats(0.02, 0.3))}
    start = draw(st.floats(0.0, 20.0))
    values |= {"climate.sun_from_hour": start, "climate.sun_to_hour": start + 4.0}
    return values | some_of(
        draw, "climate.sun_w_per_m2", "climate.radiant_w_per_m2", "cabinet.sun_absorptance",
        "climate.altitude_m",
    )  # fmt: skip


def icy(draw):
    """Damp and cold, with any correlation of frost."""
    keys = [k for k in FIELDS if k.startswith(("cold_sink.frost_", "cold_sink.fan_free"))]
    keys += ["cold_sink.water_film_share", "cold_sink.holds_water_g", "cold_sink.fin_gap_mm"]
    return some_of(draw, *keys, "cold_sink.drain") | {
        "climate.relative_humidity_pct": 90.0, "climate.worst_humidity_pct": 95.0,
        "controller.setpoint_c": draw(st.floats(-20.0, 2.0)),
    }  # fmt: skip


def bottles(draw):
    values = some_of(draw, "contents.container", "contents.liquid", "contents.supercooling_k",
                     "contents.touching_share", "contents.air_speed_m_per_s")  # fmt: skip
    own = ("mass_kg", "specific_heat_j_per_kg_k", "surface_m2", "water_share", "freezing_c",
           "piece_mm")  # fmt: skip
    gone = dict.fromkeys((f"contents.{key}" for key in own), None)
    return values | gone | {"contents.kind": "bottles", "contents.count": draw(st.integers(0, 12))}


def goods(draw):
    gone = dict.fromkeys(("contents.container", "contents.count", "contents.liquid"), None)
    return gone | {"contents.kind": "goods"} | some_of(
        draw, "contents.mass_kg", "contents.specific_heat_j_per_kg_k", "contents.surface_m2",
        "contents.water_share", "contents.freezing_c", "contents.piece_mm",
        "contents.supercooling_k",
    )  # fmt: skip


def sensors(draw):
    values = {}
    for table in ("sensor", "hot_sink_sensor", "cold_sink_sensor"):
        kind = draw(st.sampled_from(("thermistor", "digital")))
        own = THERMISTOR_KEYS if kind == "thermistor" else ("conversion_s",)
        other = ("conversion_s",) if kind == "thermistor" else THERMISTOR_KEYS
        values |= dict.fromkeys((f"{table}.{key}" for key in other), None)
        values |= some_of(draw, *(f"{table}.{key}" for key in (*own, "lag_s", "noise_k")))
        values[f"{table}.kind"] = kind
    return values | some_of(draw, "sensor.place")


def room_sensor(draw):
    """A sensor of the room's air and what the controller makes of it."""
    values = {"ambient_sensor.kind": "digital", **some_of(draw, "ambient_sensor.conversion_s")}
    if draw(st.booleans()):
        values = {"ambient_sensor.kind": "thermistor", "ambient_sensor.conversion_s": None}
        values |= some_of(draw, *(f"ambient_sensor.{key}" for key in THERMISTOR_KEYS))
    values |= some_of(draw, "ambient_sensor.lag_s", "ambient_sensor.noise_k",
                      "ambient_sensor.tolerance_k")  # fmt: skip
    return values | {"controller.feed_forward_pct_per_k": draw(st.floats(0.1, 10.0))}


def scheduled(draw):
    """PI with a gain for each of two or three duties."""
    values = {"controller.kind": "pi"}
    for number in range(1, draw(st.integers(2, 3)) + 1):
        values[f"controller.schedule_{number}_duty"] = 0.3 * number + draw(st.floats(-0.1, 0.1))
        values[f"controller.schedule_{number}_kp_pct_per_k"] = draw(st.floats(1.0, 80.0))
    return values | some_of(draw, "controller.setpoint_weight")


def rooms_and_limits(draw):
    """Rooms and limits in their order."""
    coldest = draw(st.floats(-5.0, 20.0))
    usual = coldest + draw(st.floats(0.0, 15.0))
    fold_back = draw(st.floats(40.0, 70.0))
    return {
        "climate.coldest_c": coldest, "climate.usual_c": usual,
        "climate.worst_c": usual + draw(st.floats(0.0, 15.0)),
        "protection.fold_back_start_c": fold_back,
        "protection.fold_back_full_c": fold_back + draw(st.floats(2.0, 10.0)),
        "protection.trip_c": fold_back + draw(st.floats(11.0, 20.0)),
    }  # fmt: skip


def a_twin(draw):
    """What a log told of some parts, each with its error, one of them perhaps not told."""
    parts = draw(st.lists(st.sampled_from(PARTS), min_size=1, max_size=6, unique=True))
    found = {"twin.log_name": "a.csv", "twin.log_sha256": "0" * 64}
    for part in parts:
        low, high = (-1.0, 1.0) if part.key.endswith("_k") else (0.7, 1.4)
        found[f"twin.{part.key}"] = draw(st.floats(low, high))
        found[f"twin.{error_key(part.key)}"] = draw(st.floats(0.0, 0.2))
    if draw(st.booleans()):
        found["twin.not_told"] = [parts[0].name]
    return found


TOGETHER = (fins, printed_sheet, two_stages, bank, battery, mains, driven, layers, metal_and_seal,
            sunny_and_high, icy, bottles, goods, sensors, room_sensor, scheduled,
            rooms_and_limits, a_twin)  # fmt: skip


def laid_over(base, drawn):
    """Return the tree of values with the drawn ones in it; None takes a key away."""
    data = {section: dict(table) for section, table in base.items()}
    for key, value in drawn.items():
        section, name = key.split(".")
        table = data.setdefault(section, {})
        table.pop(name, None)
        if value is not None:
            table[name] = value
    return {section: table for section, table in data.items() if table}


def sound(base, drawn):
    """Return (config, drawn keys in it), what is refused being put back; None if it cannot be."""
    drawn = dict(drawn)
    for _ in range(8):
        try:
            config = build_config(laid_over(base, drawn), "drawn")
            firmware_of(config, settings_of(config))
            plant_of(config)
        except ConfigError as error:
            refused = {problem.key for problem in error.problems}
        except (ValueError, SheetContradiction):
            return None  # not to be held in the firmware's words, or no such module
        else:
            return config, drawn
        back = [key for key in drawn if key in refused]
        if not back:  # the fault shows at a key of the base: the table goes back as it was
            tables = {key.split(".")[0] for key in refused}
            back = [key for key in drawn if key.split(".")[0] in tables]
        if not back:
            return None
        for key in back:
            del drawn[key]
    return None


@st.composite
def valid_configs(draw):
    """Return a shipped config with up to thirty keys and three bundles of keys drawn anew."""
    base = BASES[draw(st.sampled_from(sorted(BASES)))]
    drawn = {}
    for bundle in draw(st.lists(st.sampled_from(TOGETHER), max_size=3, unique=True)):
        drawn |= bundle(draw)
    keys = draw(st.lists(st.sampled_from(sorted(FIELDS)), min_size=6, max_size=30, unique=True))
    drawn |= {key: drawn_value(draw, FIELDS[key]) for key in keys if key not in drawn}
    found = sound(base, drawn)
    assume(found is not None)
    config, kept = found
    DRAWN.update(key for key, value in kept.items() if value is not None)
    return config


def run_of(config, hours=HOURS):
    """Return (plant, loop, record) of a run from a warm start."""
    plant = plant_of(config)
    loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config))
    return plant, loop, loop.run(hours * 3600.0, 60.0)


@settings(max_examples=CONFIGS, suppress_health_check=[HealthCheck.filter_too_much,
                                                       HealthCheck.too_slow])  # fmt: skip
@given(config=valid_configs())
def test_balances_close_and_nothing_is_impossible(config):
    try:
        plant, loop, record = run_of(config)
    except NotFinite as error:
        # Stopped in so many words, where the model ends; how often is counted below.
        words = str(error)
        assert "is not a number" not in words and "\n" not in words
        OUTCOMES[words.split("): ")[1]] += 1
        event("stopped")
        return
    OUTCOMES["ran"] += 1
    assert abs(record.energy_residual_rel) < ENERGY_LIMIT
    assert abs(record.water_residual_rel) < WATER_LIMIT
    assert np.isfinite(record.table.view(np.float64)).all()
    assert np.isfinite(loop.state).all()
    for name in MASSES:
        assert record[name].min() >= 0.0
    assert loop.state[cabinet.VAPOUR] >= 0.0 and loop.state[cabinet.FROST_VOLUME] >= -1e-15
    assert -1.0 <= record["duty"].min() and record["duty"].max() <= 1.0  # below 0: reversed
    assert 0.0 <= record["frozen_share"].min() and record["frozen_share"].max() <= 1.0
    assert np.all(np.diff(record["energy_kwh"]) >= 0.0)


def test_the_draw_reached_every_key():
    """After the runs above: nearly every key was drawn into one, and nearly all ran through."""
    if not OUTCOMES:
        pytest.skip("nothing was drawn: run the whole file")
    missing = sorted(set(FIELDS) - set(DRAWN))
    print(f"{len(set(FIELDS) & set(DRAWN))} of {len(FIELDS)} keys drawn; not drawn: {missing}")
    print(dict(OUTCOMES))
    assert len(missing) < 0.05 * len(FIELDS)
    assert OUTCOMES["ran"] > 0.9 * OUTCOMES.total()


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much,
                                                  HealthCheck.too_slow])  # fmt: skip
@given(config=valid_configs())
def test_first_look_answers_or_says_that_there_is_no_steady_state(config):
    try:
        found = provisional(config)
    except NoSteadyState as error:
        event("no steady state")
        assert "\n" not in str(error)
        return
    event("in reach" if found.reaches_target else "out of reach")
    assert np.isfinite([found.usual.contents_c, found.worst.contents_c]).all()
    assert found.usual.decided_by and found.worst.decided_by
    # A warmer room never lets it get colder; what holds the target draws power.
    assert found.worst.contents_c > found.usual.contents_c - 0.05 or (
        found.worst_ambient_c <= found.usual_ambient_c
    )
    assert found.usual_plug_w is None or 0.0 <= found.usual_plug_w < 5000.0


# Negative controls: a flow lost in the right-hand side shows --------------------------------

# Each leaves one state, or enters one, a thousandth short: (where, as it is, as it is not).
LOST_FLOWS = {
    "heat to the room": ("slope[HOT_SINK]", "- rejected_w", "- 1.001 * rejected_w"),
    "air to cold sink": ("slope[COLD_SINK_H]", "= air_to_sink_w", "= 0.999 * air_to_sink_w"),
    "cold sink to module": ("slope[COLD_SINK_H]", "- sink_to_face_w", "- 0.999 * sink_to_face_w"),
    "module's power": ("slope[HOT_FACE]", "+ module_w", "+ 0.999 * module_w"),
    "air to wall": ("slope[AIR_H]", "- air_to_wall_w", "- 0.999 * air_to_wall_w"),
    "through the wall": ("slope[WALL_OUTER]", "- through_wall_w", "- 1.001 * through_wall_w"),
    "contents": ("slope[CONTENTS_H]", "= air_to_contents_w", "= 1.001 * air_to_contents_w"),
    "leaks": ("slope[AIR_H]", "+ exchange_w", "+ 0.999 * exchange_w"),
    "seal and metal": ("slope[HEAT_IN]", "+ direct_w", "+ 0.999 * direct_w"),
    "latent heat": ("slope[AIR_H]", "- to_sink_enthalpy_w", "- 0.999 * to_sink_enthalpy_w"),
}
LOST_WATER = {
    "vapour that settles": ("slope[VAPOUR]", "- to_sink", "- 0.999 * to_sink"),
    "vapour let in": ("slope[WATER_IN]", "= exchange_vapour", "= 0.999 * exchange_vapour"),
    "deposit": ("slope[FROST]", "= as_frost", "= 0.999 * as_frost"),
    "melt": ("slope[SINK_WATER]", "+ melt", "+ 0.999 * melt"),
    "freezing": ("slope[FROST]", "+ freeze", "+ 0.999 * freeze"),
    "drip": ("slope[SINK_WATER]", "- drip", "- 0.999 * drip"),
    "drained": ("slope[WATER_OUT]", "= drained", "= 0.999 * drained"),
    "wet walls": ("slope[WALL_WATER]", "= to_wall", "= 0.999 * to_wall"),
}


def right_hand_side(where="", sound_text="", lost_text=""):
    """Return `cabinet.derivative` in plain Python, with a text after `where` replaced."""
    source = inspect.getsource(cabinet.derivative.py_func).replace("@kernel\n", "")
    if where:
        at = source.index(f"\n    {where} = ")
        at = source.index(sound_text, at)
        source = source[:at] + lost_text + source[at + len(sound_text) :]
    space = dict(vars(cabinet))
    exec(compile(source, "mutated", "exec"), space)
    return space["derivative"]


def residuals_of(monkeypatch, derivative):
    """Return (energy, water) residual, the larger of two pieces run by a right-hand side.

    Two minutes of cooling with a sink below freezing, frosted and wet, two of melting and
    dripping with the module off; 1 s steps by the plain `try_step`.
    """
    plant = plant_of(load_config("benchmark"))
    record, work, n = cabinet.to_record(plant), integrate.work_array(), integrate.STAGES
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.AMBIENT_W]] = 298.0, 0.012
    inputs[[cabinet.HOT_FAN, cabinet.COLD_FAN]] = 1.0
    monkeypatch.setattr(cabinet, "derivative", derivative)
    energy, water = 0.0, 0.0
    for sink_k, duty in ((262.0, 0.7), (276.0, 0.0)):
        state = cabinet.uniform_state(plant, 285.0, 0.008)
        state[cabinet.FROST], state[cabinet.FROST_VOLUME] = 0.002, 1e-5
        state[cabinet.SINK_WATER] = plant.cold_sink.holds_water_kg + 0.001
        cabinet.set_cold_sink(record, state, sink_k)
        cabinet.set_wall_inner(record, state, 276.0)
        start, inputs[cabinet.DUTY] = state.copy(), duty
        for _ in range(120):
            integrate.try_step.py_func(
                record, state, inputs, 1.0, True, work[:n], work[n], work[n + 1], work[n + 2],
                work[n + 3 :, :2],
            )  # fmt: skip
            state[:] = work[n + 1]
        energy = max(energy, abs(energy_residual(record, start, state)))
        water = max(water, abs(water_residual(start, state)))
    return energy, water


def test_the_plain_right_hand_side_balances(monkeypatch):
    energy, water = residuals_of(monkeypatch, right_hand_side())
    assert energy < 1e-3 * ENERGY_LIMIT and water < 1e-3 * WATER_LIMIT


@pytest.mark.parametrize("lost", LOST_FLOWS)
def test_a_thousandth_of_one_heat_flow_lost_shows(lost, monkeypatch):
    shown, _ = residuals_of(monkeypatch, right_hand_side(*LOST_FLOWS[lost]))
    print(f"{lost}: {shown:.1e} against {ENERGY_LIMIT:.0e}")
    assert shown > ENERGY_LIMIT


@pytest.mark.parametrize("lost", LOST_WATER)
def test_a_thousandth_of_one_water_flow_lost_shows(lost, monkeypatch):
    _, shown = residuals_of(monkeypatch, right_hand_side(*LOST_WATER[lost]))
    print(f"{lost}: {shown:.1e} against {WATER_LIMIT:.0e}")
    assert shown > WATER_LIMIT


def test_a_milligram_of_water_unbooked_shows():
    plant, loop, _ = run_of(load_config("benchmark"), 1.0)
    first = loop.state.copy()
    loop.run(3600.0, 60.0)
    sound = abs(water_residual(first, loop.state))
    lost = loop.state.copy()
    lost[cabinet.VAPOUR] -= 1e-6
    assert sound < WATER_LIMIT < abs(water_residual(first, lost))

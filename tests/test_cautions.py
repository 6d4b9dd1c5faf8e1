"""Cautions appear where work can hurt, and only there."""

from types import SimpleNamespace

import numpy as np
import pytest
from cold_start import cold_start_ohm

from ctrl.build import plant_of
from ctrl.cautions import absent_protections, cautions_of, sheet_cautions
from ctrl.check import check
from ctrl.config import build_config, load_config, plain_data
from ctrl.fixed_point import interpolate
from ctrl.readings import SensorSettings
from ctrl.shipped import shipped_names
from ctrl.thermistor_fit import table_fit, thermistor_cautions


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, name)


def case_like(name="usual", foam_c=40.0, contents_c=4.0):
    """Return what the cautions read of a case."""
    findings = SimpleNamespace(
        foam_c=SimpleNamespace(max=foam_c), contents_c=SimpleNamespace(max=contents_c)
    )
    return SimpleNamespace(name=name, findings=findings)


def cautions(config, *cases):
    return cautions_of(config, plant_of(config), list(cases or [case_like()]))


@pytest.mark.parametrize("name", shipped_names())
def test_three_cautions_are_always_there(name):
    found = cautions(load_config(name))
    assert "not a safety device" in found[0]
    assert "independent thermal cut-out" in found[0]
    assert "supply end" in found[1]
    assert any(text.startswith("Never for medicines") for text in found)


def test_the_fuse_is_for_the_largest_current():
    # Galley larder: 14.4 V over module, wire, switch and battery, 3.4 W of fans;
    # 1.25 times that, next blade-fuse rating.
    config = load_config("galley_larder")
    plant = plant_of(config)
    ohm = cold_start_ohm(config, plant) + plant.drive.wire_ohm + 0.02 + 0.03
    amps = 14.4 / ohm + 3.4 / 14.4
    assert 7.5 < 1.25 * amps < 10.0
    text = cautions(config)[1]
    assert f"Up to {amps:.1f} A flow at 14.4 V: put a 10 A fuse" in text
    # Six strings side by side on a relay, 42 A, are beyond the largest blade fuse, 40 A.
    bank = changed("seed_store", module={"in_parallel": 6}, supply={"current_limit_a": 100.0})
    assert "a fuse made for more than 40 A" in cautions(bank)[1]


def test_mains_kills_and_a_battery_does_not():
    mains, battery = (cautions(load_config(name)) for name in ("seed_store", "galley_larder"))
    assert any("mains side" in text for text in mains)
    assert not any("mains" in text for text in battery)


@pytest.mark.parametrize(("foam_c", "warned"), [(50.0, False), (57.0, True), (70.0, True)])
def test_hot_foam_is_warned_of_ten_kelvin_early(foam_c, warned):
    # 66 °C: foam suppliers' sheets.
    found = cautions(load_config("galley_larder"), case_like(), case_like("worst", foam_c))
    assert any("polystyrene" in text for text in found) is warned


@pytest.mark.parametrize(
    ("contents_c", "target_c", "warned"), [(4.9, 2.0, False), (6.0, 2.0, True), (4.0, 8.0, True)]
)
def test_food_is_kept_at_five_degrees(contents_c, target_c, warned):
    # US FDA Food Code, cold holding: 5 °C.
    config = changed("galley_larder", use={"purpose": "food", "target_c": target_c})
    found = cautions(config, case_like(contents_c=contents_c))
    assert any("Food that spoils is kept at 5" in text for text in found) is warned


def test_the_coldest_room_does_not_spoil_food():
    config = changed("galley_larder", use={"purpose": "food", "target_c": 3.0})
    warm_start = case_like("coldest", contents_c=12.0)
    assert not any("spoils" in text for text in cautions(config, case_like(), warm_start))


def test_drinks_at_eight_degrees_are_not_for_food():
    assert any("nothing that spoils" in text for text in cautions(load_config("galley_larder")))
    cold = changed("galley_larder", use={"target_c": 4.0})
    assert not any("spoils" in text for text in cautions(cold))


# What is absent --------------------------------------------------------------------------


def test_each_missing_sensor_is_named_with_what_it_would_buy():
    texts = {name: "\n".join(absent_protections(load_config(name))) for name in shipped_names()}
    assert "no hot-sink sensor" in texts["summer_fish_box"]
    assert "no fold-back, no trip" in texts["summer_fish_box"]
    assert "no cold-sink sensor" in texts["seed_store"]
    assert "no hot-sink sensor" not in texts["seed_store"]
    assert "sensor:" not in texts["galley_larder"]
    assert all("no fan tachometer" in text for text in texts.values())


def test_a_battery_without_a_cut_off_is_warned_of():
    config = load_config("galley_larder")
    assert not any("low-battery" in text for text in absent_protections(config))
    data = plain_data(config)
    for key in ("low_battery_cut_off_v", "low_battery_resume_v"):
        del data["supply"][key]
    bare = build_config(data, "bare")
    assert any("low-battery cut-off" in text for text in absent_protections(bare))


def test_a_missed_wire_fuse_or_relay_limit_becomes_the_first_caution():
    from ctrl.cases import at_least, at_most
    from ctrl.cautions import not_kept

    kept = at_most("current in the wire", 7.0, 12.0, "A", "start-up", 2.0)
    missed = at_most("fuse, 1.25 x current", 12.4, 10.0, "A", "start-up", 2.0)
    short = at_least("life of the relay", 2.0, 5.0, "years", "usual", 5.0)
    found = not_kept([kept, missed, short])
    assert len(found) == 2
    assert "fuse, 1.25 x current, 12.4 A where 10 A" in found[0]
    assert "life of the relay, 2.0 years where 5 years" in found[1]


def test_a_sheet_that_contradicts_itself_is_told():
    own = {"couples": 127, "imax_a": 6.0, "vmax_v": 15.8, "dtmax_k": 71.0, "qmax_w": 56.3,
           "sheet_hot_side_c": 25.0, "derating": 0.9}  # fmt: skip

    def doubts(**numbers):
        data = plain_data(load_config("galley_larder"))
        data["module"] = {**own, **numbers, "cold_contact_k_per_w": 0.03}
        return sheet_cautions(build_config(data, "galley_larder"))

    assert doubts() == []
    (twice,) = doubts(qmax_w=120.0)  # twice what the other three imply
    assert "contradicts itself" in twice and "56 %" in twice
    # 100 K needs Z = 2 dT/(Th - dT)^2 = 5.1e-3 1/K (textbook), beyond bismuth telluride.
    (stack,) = doubts(dtmax_k=100.0)
    assert "figure of merit" in stack and "two stages" in stack


@pytest.mark.parametrize(
    ("r25_ohm", "divider_ohm", "low_c", "high_c"),
    [(1e5, 1e4, 0, 15), (1e4, 1e4, -10, 10), (2e3, 1e4, 0, 25), (1e4, 4700, -20, 0)],
)
def test_the_chord_of_a_table_against_the_beta_law(r25_ohm, divider_ohm, low_c, high_c):
    # Outside: the beta law as R(T), inverted nowhere; the firmware's own kernel reads every
    # code of 16 bits, where a step of the converter is too small to matter.
    sensor = SensorSettings.thermistor(
        r25_ohm=r25_ohm, beta_k=3950.0, divider_ohm=divider_ohm, adc_bits=16, tick_s=1.0
    )
    temps = np.arange(low_c, high_c + 0.001, 0.05)
    ohm = r25_ohm * np.exp(3950.0 * (1.0 / (temps + 273.15) - 1.0 / 298.15))
    codes = np.round(65536.0 * ohm / (ohm + divider_ohm)).astype(int)
    good = (codes >= sensor.code_low) & (codes <= sensor.code_high)
    words = np.array(sensor.table, dtype=np.int64)
    off = [0.01 * interpolate(words, 0, int(code), 16) - temp
           for code, temp in zip(codes[good], temps[good], strict=True)]  # fmt: skip
    fit = table_fit(r25_ohm, 3950.0, divider_ohm, 16, low_c, high_c)
    print(f"{r25_ohm:g} ohm over {divider_ohm:g}: {fit}")
    assert fit.error_k == pytest.approx(max(off, key=abs), abs=0.02)
    assert (fit.coldest_c < low_c) == good[temps < low_c + 0.1].all()


def test_a_divider_that_does_not_fit_is_told():
    for name in shipped_names():
        assert thermistor_cautions(load_config(name)) == []
    coarse = changed("galley_larder", sensor={"r25_ohm": 100000.0, "divider_ohm": 10000.0})
    (told,) = thermistor_cautions(coarse)
    # At 8 deg C: 100000 exp(3950 (1/281.15 - 1/298.15)) = 226 000 ohm.
    assert "220000 ohm" in told or "230000 ohm" in told
    assert "misses its curve" in told and told in cautions(coarse)
    fitting = changed("galley_larder", sensor={"r25_ohm": 100000.0, "divider_ohm": 220000.0})
    assert thermistor_cautions(fitting) == []
    # 100 kohm over 4.7 kohm: 49 times the divider is reached at 8 deg C already.
    narrow = changed("galley_larder", sensor={"r25_ohm": 100000.0, "divider_ohm": 4700.0})
    assert "for a broken wire" in thermistor_cautions(narrow)[0]


def test_the_hot_sink_s_divider_is_looked_at_up_to_its_trip():
    """10 kohm at 25 deg C over 220 kohm: at 75 deg C it has 1.5 kohm, 0.7 % of the span."""
    fitting = changed("galley_larder", hot_sink_sensor={"r25_ohm": 10000.0, "divider_ohm": 10000.0})
    assert thermistor_cautions(fitting) == []
    coarse = changed("galley_larder", hot_sink_sensor={"r25_ohm": 10000.0, "divider_ohm": 220000.0})
    (told,) = thermistor_cautions(coarse)
    assert told.startswith("The hot-sink thermistor's divider of 220000 ohm does not fit 22 to 75")
    assert "short" in told
    sensors = {item.sensor: item for item in check(coarse).sensors}
    by_hand = table_fit(10000.0, coarse.hot_sink_sensor.beta_k, 220000.0,
                        coarse.hot_sink_sensor.adc_bits, 22.0, 75.0)  # fmt: skip
    assert sensors["hot sink"].table_error_k == by_hand.error_k
    assert sensors["hot sink"].table_error_at_c == by_hand.at_c
    assert sensors["control"].table_error_k is not None
    store = {item.sensor: item for item in check(load_config("seed_store")).sensors}
    assert store["hot sink"].table_error_k is None  # digital

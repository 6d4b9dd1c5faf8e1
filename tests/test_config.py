"""The configuration file: what is read, what is refused, and how the refusal is worded."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from ctrl import shipped
from ctrl.config import (
    SECTION_MODELS,
    Config,
    ConfigError,
    build_config,
    config_fields,
    load_config,
    override,
    parse_config,
    plain_data,
)
from ctrl.config_errors import Problem
from ctrl.config_settings import Bottles, Goods

SHIPPED = ("benchmark", "film_box", "galley_larder", "seed_store", "summer_fish_box")


@pytest.fixture
def larder() -> str:
    """The text of the shipped larder."""
    return (shipped.shipped_folder() / "galley_larder.toml").read_text(encoding="utf-8")


def problems(text: str) -> list[Problem]:
    """Return the problems of a text that must not load."""
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "boat.toml")
    return list(caught.value.problems)


def only_problem(text: str) -> Problem:
    """Return the one problem of a text."""
    found = problems(text)
    assert len(found) == 1, [str(problem) for problem in found]
    return found[0]


def swapped(text: str, old: str, new: str) -> str:
    """Replace a piece that must be there, so that no test passes by missing its aim."""
    assert text.count(old) >= 1, f"{old!r} is not in the file"
    return text.replace(old, new, 1)


# --- what is shipped -------------------------------------------------------------------


def test_shipped_names():
    assert shipped.shipped_names() == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_configs_load(name):
    config = load_config(name)
    assert isinstance(config, Config)
    assert config.source == name
    assert plain_data(config) == plain_data(load_config(shipped.shipped_path(name)))


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_number_is_explained(name):
    # A newcomer reads the file alone: a table or line comment stands by each number, or the
    # head of the file says that all unmarked numbers are invented.
    text = shipped.shipped_path(name).read_text(encoding="utf-8")
    assert "All numbers are invented unless a source is named" in text
    for caution in ("Fuse at the supply", "hot sink", "66 C", "Never medicines", "safety device"):
        assert caution in text


def test_shipped_configs_reach_every_kind():
    configs = [load_config(name) for name in SHIPPED]
    assert {c.drive.kind for c in configs} >= {"relay", "fast_pwm", "smoothed"}
    assert {c.supply.kind for c in configs} == {"mains", "battery"}
    assert {type(c.contents) for c in configs} == {Bottles, Goods}
    assert {c.sensor.kind for c in configs} == {"thermistor", "digital"}
    assert any(c.hot_sink_sensor is None for c in configs)


def test_an_existing_file_wins_over_a_shipped_name(tmp_path, monkeypatch, larder):
    monkeypatch.chdir(tmp_path)
    Path("film_box").write_text(swapped(larder, '"galley larder"', '"mine"'), encoding="utf-8")
    assert load_config("film_box").cabinet.name == "mine"
    assert load_config("film_box.toml").cabinet.name == "film box"


def test_installed_layout_is_found(tmp_path, monkeypatch):
    # In a wheel the folder lies inside the package.
    (tmp_path / "ctrl" / "configs").mkdir(parents=True)
    monkeypatch.setattr(shipped, "HERE", tmp_path / "ctrl")
    assert shipped.shipped_folder() == tmp_path / "ctrl" / "configs"


# --- every key -------------------------------------------------------------------------


def test_every_key_is_described():
    rows = config_fields()
    assert len(rows) == len({row.key for row in rows}) > 150
    for row in rows:
        assert row.doc, row.key
        if row.kind in ("a number", "a whole number"):
            assert row.low is not None and row.high is not None, row.key
            assert row.low < row.high, row.key
        assert row.required or row.origin or row.default is not None, row.key


def test_every_default_with_a_number_names_its_origin():
    for row in config_fields():
        if not row.required and isinstance(row.default, float):
            assert row.origin, row.key


UNITS = {
    "_mm": "mm", "_k_per_w": "K/W", "_w_per_k": "W/K", "_w_per_m_k": "W/(m K)",
    "_w_per_m2_k": "W/(m2 K)", "_j_per_k": "J/K", "_v": "V", "_a": "A", "_ohm": "ohm",
    "_hz": "Hz", "_pct": "%", "_kg": "kg", "_m2": "m2", "_mm2": "mm2", "_ah": "Ah",
    "_min": "min", "_years": "year", "_g": "g", "_bits": "bit", "_pct_per_k": "%/K",
    "_m3_per_h": "m3/h", "_w_per_m2": "W/m2", "_pa": "Pa",
}  # fmt: skip


def test_the_name_of_a_key_ends_in_its_unit():
    seen = set()
    for row in config_fields():
        for ending in sorted(UNITS, key=len, reverse=True):
            if row.key.endswith(ending):
                assert row.unit == UNITS[ending], row.key
                seen.add(ending)
                break
        if row.key.endswith("_c"):
            assert row.unit == "C", row.key
    assert seen == set(UNITS)


NUMBERS = [row for row in config_fields() if row.low is not None and row.high is not None]


@pytest.mark.parametrize("row", NUMBERS, ids=lambda row: row.key)
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), True, "7", "above", "below"])
def test_every_number_refuses_what_is_none_or_outside(row, bad):
    section, key = row.key.split(".")
    donors = ("galley_larder", "seed_store") if section == "contents" else ("galley_larder",)
    value = {"above": row.high * 1.01 + 1, "below": row.low - 1 - abs(row.low)}.get(bad, bad)
    if row.kind == "a whole number" and isinstance(value, float) and value == value < 1e300:
        value = int(value)
    for donor in donors:
        data = plain_data(load_config(donor))
        known = {name for m in SECTION_MODELS[section] for name in m.model_fields}
        if section == "contents" and key not in type(load_config(donor).contents).model_fields:
            continue
        assert key in known
        data.setdefault(section, {})[key] = value
        with pytest.raises(ConfigError) as caught:
            build_config(data, "boat.toml")
        mine = [p for p in caught.value.problems if p.key == row.key]
        assert len(mine) == 1
        assert mine[0].expected == row.expected
        assert str(mine[0]).startswith(f"boat.toml: {row.key} = ")
        assert "\n" not in str(mine[0])


@pytest.mark.parametrize("section", SECTION_MODELS)
def test_every_table_refuses_a_misspelt_key(section):
    data = plain_data(load_config("galley_larder"))
    table = data.setdefault(section, {})
    real = list(SECTION_MODELS[section][0].model_fields)[-1]
    table[real + "x"] = 1
    with pytest.raises(ConfigError) as caught:
        build_config(data, "boat.toml")
    found = [p for p in caught.value.problems if p.key == f"{section}.{real}x"]
    assert [(p.what, p.nearest) for p in found] == [("unknown key", real)]


def test_frozen():
    config = load_config("film_box")
    with pytest.raises(Exception, match="frozen"):
        config.use.target_c = 3.0


def test_going_round_through_plain_values_changes_nothing():
    for name in SHIPPED:
        config = load_config(name)
        assert build_config(plain_data(config), name) == config


# --- one line for each fault, all faults at once ---------------------------------------


def test_all_faults_of_a_file_come_together(larder):
    text = swapped(larder, "foam_thickness_mm = 50 ", "foam_thicknes_mm = 50 ")
    text = swapped(text, '"EPS common"', '"EPS comon"')
    text = swapped(text, "derating = 0.9", "derating = 1.9")
    text = swapped(text, "highest_voltage_v = 14.4", "highest_voltage_v = 11")
    text = swapped(text, "adc_bits = 10", "adc_bits = 10.5\nconversion_s = 1")
    text = swapped(text, "count = 12", "count = 400")
    text = swapped(text, 'purpose = "drinks"', 'purpose = "drink"')
    assert [(p.key, p.what, p.nearest) for p in problems(text)] == [
        ("cabinet.foam", "no such foam", "EPS common"),
        ("cabinet.foam_thicknes_mm", "unknown key", "foam_thickness_mm"),
        ("module.derating", "too large", None),
        ("supply.highest_voltage_v", "does not fit", None),
        ("sensor.adc_bits", "not a whole number", None),
        ("sensor.conversion_s", "has no meaning here", None),
        ("use.purpose", "not one of the choices", "drinks"),
    ]


def test_checks_between_tables_run_beside_other_faults(larder):
    text = swapped(larder, "count = 12", "count = 400")
    text = swapped(text, "derating = 0.9", "derating = 1.9")
    assert [p.key for p in problems(text)] == ["module.derating", "contents.count"]


def test_a_line_names_file_line_key_value_and_what_was_expected(larder):
    text = swapped(larder, "foam_thickness_mm = 50 ", "foam_thickness_mm = 5 ")
    line = 1 + text[: text.index("foam_thickness_mm")].count("\n")
    assert str(only_problem(text)) == (
        f"boat.toml:{line}: cabinet.foam_thickness_mm = 5: too small, "
        "expected a number, 10 to 200 mm"
    )


@pytest.mark.parametrize("word", ["medicine", "Medicines", "vaccines", "insulin", "drugs"])
def test_never_medicines(larder, word):
    problem = only_problem(swapped(larder, 'purpose = "drinks"', f'purpose = "{word}"'))
    assert problem.key == "use.purpose"
    assert "never for medicines" in str(problem)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("door_width_mm = 300", "door_width_mm = 301", "cabinet.door_width_mm"),
        ("module_opening_width_mm = 40", "module_opening_width_mm = 301",
         "cabinet.module_opening_width_mm"),
        ("derating = 0.9", "derating = 0.9\nqmax_w = 50", "module.qmax_w"),
        ('preset = "127 couples 6 A"', "", "module.preset"),
        ("no_fan_k_per_w = 0.8", "no_fan_k_per_w = 0.1", "hot_sink.no_fan_k_per_w"),
        ("lowest_voltage_v = 11.6", "lowest_voltage_v = 12.7", "supply.lowest_voltage_v"),
        ("low_battery_resume_v = 12.4", "low_battery_resume_v = 11.6",
         "supply.low_battery_resume_v"),
        ("low_battery_cut_off_v = 11.6 ", "", "supply.low_battery_cut_off_v"),
        ("current_limit_a = 30", "current_limit_a = 30\nefficiency = 0.9", "supply.efficiency"),
        ("frequency_hz = 25000", "frequency_hz = 50", "drive.frequency_hz"),
        ("frequency_hz = 25000", "ripple = 0.1", "drive.ripple"),
        ("worst_c = 30", "worst_c = 21", "climate.worst_c"),
        ("coldest_c = 5", "coldest_c = 23", "climate.coldest_c"),
        ("worst_humidity_pct = 80", "worst_humidity_pct = 50", "climate.worst_humidity_pct"),
        ("contents_min_c = 2", "contents_min_c = 9", "use.contents_min_c"),
        ("door_last_hour = 22", "door_last_hour = 7", "use.door_last_hour"),
        ("door_open_s = 10", "door_open_s = 600\ncontents_max_c = 9", None),
        ("fold_back_full_c = 65", "fold_back_full_c = 55", "protection.fold_back_full_c"),
        ("trip_c = 70", "trip_c = 65", "protection.trip_c"),
        ("period_s = 1", "period_s = 1.5", "controller.period_s"),
        ("period_s = 1", "period_s = 0.25", "controller.period_s"),
        ("interval_h = 12", "interval_h = 1\ndrip_min = 20", None),
        ("end_c = 3", "end_c = 0", "defrost.end_c"),
        ("count = 12", "count = 60", "contents.count"),
    ],
)  # fmt: skip
def test_keys_that_do_not_fit_each_other(larder, old, new, key):
    if "drip_min" in new:
        larder = swapped(larder, "drip_min = 4\n", "")
        key = "defrost.interval_h"
    if "contents_max_c" in new:
        # 24 openings of 600 s in 14 h: 2191 s apart, fine. In one hour: 400 s apart.
        larder = swapped(larder, "door_last_hour = 22", "door_last_hour = 9")
        key = "use.door_open_s"
    assert only_problem(swapped(larder, old, new)).key == key


def test_mains_states_its_efficiency_and_current_limit():
    data = plain_data(load_config("seed_store"))
    del data["supply"]["efficiency"], data["supply"]["current_limit_a"]
    with pytest.raises(ConfigError) as caught:
        build_config(data, "shed.toml")
    assert {(p.key, p.what) for p in caught.value.problems} == {
        ("supply.efficiency", "not stated"),
        ("supply.current_limit_a", "not stated"),
    }


def test_regulated_current_is_stated_and_within_the_supply(larder):
    text = swapped(larder, 'kind = "fast_pwm"', 'kind = "current"')
    text = swapped(text, "frequency_hz = 25000", "")
    assert only_problem(text).key == "drive.set_current_a"
    text = swapped(text, 'kind = "current"', 'set_current_a = 31\nkind = "current"')
    assert only_problem(text).expected == "at most supply.current_limit_a (30 A)"
    config = parse_config(swapped(text, "= 31", "= 4"), "boat.toml")
    assert config.drive.set_current_a == 4.0


def test_the_sheet_is_given_in_full():
    data = plain_data(load_config("film_box"))
    del data["module"]["vmax_v"]
    with pytest.raises(ConfigError) as caught:
        build_config(data, "film.toml")
    assert [p.key for p in caught.value.problems] == ["module.vmax_v"]


def test_a_target_above_the_room_is_no_fault(larder):
    # Too cold outside is a case for the verdict, not a fault of the file.
    config = parse_config(swapped(larder, "target_c = 8", "target_c = 25"), "boat.toml")
    assert config.use.target_c > config.climate.usual_c


def test_own_thickness_of_one_face():
    config = load_config("seed_store")
    assert config.cabinet.face_foam_mm == {
        "front": 50, "back": 60, "left": 60, "right": 60, "top": 60, "bottom": 60,
    }  # fmt: skip


def test_tables_that_are_none(larder):
    assert only_problem(larder + "\n[limit]\nx = 1\n").nearest == "limits"
    text = swapped(larder, "[climate]", "[climat]")
    assert {(p.key, p.what) for p in problems(text)} == {("climat", "unknown table")}
    found = problems("cabinet = 5\n")
    assert found[0].key == "cabinet" and found[0].what == "not a table"
    assert {p.what for p in found[1:]} == {"missing"}


def test_kind_of_contents(larder):
    problem = only_problem(swapped(larder, 'kind = "bottles"', 'kind = "bottle"'))
    assert (problem.key, problem.nearest) == ("contents.kind", "bottles")
    problem = only_problem(swapped(larder, 'kind = "bottles"', ""))
    assert (problem.key, problem.what) == ("contents.kind", "missing")
    problem = only_problem(swapped(larder, 'kind = "bottles"', "kind = 3"))
    assert (problem.key, problem.value) == ("contents.kind", "3")


# --- the file itself -------------------------------------------------------------------


def test_broken_toml_names_line_and_column():
    problem = only_problem("[cabinet]\nname = \n")
    assert (problem.line, problem.column) == (2, 8)
    assert str(problem).startswith("boat.toml:2:8: not TOML: ")


@pytest.mark.parametrize(
    "text", ["x = " + "[" * 5000, "x = " + "9" * 5000, "x", '"', "[a]\n[a]\n", "\x00"]
)
def test_hostile_toml_is_one_line(text):
    assert "\n" not in str(only_problem(text))


def test_files_that_cannot_be_read(tmp_path):
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[cabinet]\nname = "caf\xe9"\n')
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    for path, said in (
        (tmp_path, "is a folder"),
        (tmp_path / "none.toml", "no such file"),
        (latin, "is not UTF-8 text (byte 21)"),
        (large, "is too large"),
        ("galley_lader", "did you mean 'galley_larder'"),
        ("a\0b", "boat"[:0]),
        ("a" * 5000, "cannot be read"),
        ("/dev/null", "is not a plain file"),
    ):
        with pytest.raises(ConfigError) as caught:
            load_config(path)
        assert len(caught.value.problems) == 1
        assert said in str(caught.value)
        assert "\n" not in str(caught.value) and "\0" not in str(caught.value)


def test_a_byte_order_mark_and_foreign_line_ends_are_read(tmp_path, larder):
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + larder.replace("\n", "\r\n").encode())
    assert load_config(path).cabinet == load_config("galley_larder").cabinet


# --- options laid over a file ----------------------------------------------------------


def test_options_change_what_they_say_and_nothing_else():
    config = load_config("galley_larder")
    changed = override(config, ambient_c=25.0, setpoint_c=6.5, controller="on_off")
    assert (changed.climate.usual_c, changed.controller.setpoint_c) == (25.0, 6.5)
    assert changed.controller.kind == "on_off"
    assert changed.climate.worst_c == config.climate.worst_c
    assert changed.cabinet == config.cabinet
    assert override(config) == config
    assert config.climate.usual_c == 22.0


def test_ambient_widens_the_extremes():
    config = load_config("galley_larder")
    assert override(config, ambient_c=35.0).climate.worst_c == 35.0
    assert override(config, ambient_c=1.0).climate.coldest_c == 1.0
    assert override(config, humidity_pct=90.0).climate.worst_humidity_pct == 90.0


def test_a_bad_option_is_named_as_the_option():
    config = load_config("galley_larder")
    for values, line in (
        ({"ambient_c": 99.0},
         "command line: --ambient = 99.0: too large, expected a number, -30 to 60 C"),
        ({"setpoint_c": float("nan")},
         "command line: --setpoint = nan: not a finite number, expected a number, -40 to 60 C"),
        ({"controller": "onoff"},
         "command line: --controller = 'onoff': not one of the choices, expected one of "
         "\"recommend\", \"on_off\", \"pi\", \"fixed\", \"two_level\", \"cascade\", \"best_cop\"; "
             "did you mean 'on_off'?"),
        ({"worst_c": 20.0},
         "command line: --worst = 20.0: does not fit, expected at least usual_c (22 C)"),
    ):  # fmt: skip
        with pytest.raises(ConfigError) as caught:
            override(config, **values)
        assert str(caught.value) == line


def test_another_drive_leaves_the_former_one_s_keys_behind():
    changed = override(load_config("film_box"), drive="relay")
    assert changed.drive.kind == "relay"
    assert "ripple" not in changed.drive.model_fields_set


# --- weight ----------------------------------------------------------------------------


def test_error_type_and_new_s_options_load_without_the_checker():
    code = (
        "import sys, ctrl.config_errors, ctrl.shipped, ctrl.new; "
        "sys.exit(any(m in sys.modules for m in ('pydantic', 'numpy', 'numba', 'scipy')))"
    )
    root = Path(__file__).resolve().parent.parent
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


def test_toml_of_shipped_files_uses_the_published_tables_only():
    for name in SHIPPED:
        data = tomllib.loads(shipped.shipped_path(name).read_text(encoding="utf-8"))
        assert set(data) <= set(SECTION_MODELS)

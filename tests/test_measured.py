"""Bench readings: intervals against records from models made apart, labels, lines, faults.

Records: `bench_module` (legs in slices).  Meter and thermometer errors are drawn evenly within
their tolerances.  Sinks and heat leak: `test_measured_heat`.
"""

import json
import re
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from bench_module import METERS, BenchModule

from ctrl.build import heat_leak_parts_w_per_k, plant_of
from ctrl.cli import main
from ctrl.config import ConfigError, build_config, load_config, parse_config, plain_data
from ctrl.config_lines import ConfigLine, config_with, text_with
from ctrl.glossary import GLOSSARY
from ctrl.measured import bench_check
from ctrl.measured_file import (
    HandMeter,
    SwitchOff,
    SwitchOffLog,
    read_bench,
)
from ctrl.measured_module import NotUsable, by_hand, by_log, instant_of
from ctrl.measured_recipe import example_file
from ctrl.shipped import find_config
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def config():
    return load_config("benchmark")  # a 6 A module of 127 couples, derated


@pytest.fixture(scope="module")
def plant(config):
    return plant_of(config)


@pytest.fixture(scope="module")
def six_amps():
    """A module that is about what the benchmark's label says: 2.10 ohm at 25 C."""
    return BenchModule(a=0.0500, r=2.10)


def switch_off(module: BenchModule, off_k=0.0, place="sinks") -> SwitchOff:
    hot, cold = (
        (module.hot_k, module.cold_k) if place == "sinks"
        else (module.hot_face_k, module.cold_face_k)
    )  # fmt: skip
    return SwitchOff(file="x.csv", hot_c=hot - ZERO_C_K + off_k, cold_c=cold - ZERO_C_K,
                     thermometers=place)  # fmt: skip


# The module, logged ---------------------------------------------------------------------


def test_intervals_cover_the_truth_whatever_the_meters(plant, six_amps, note):
    rng = np.random.default_rng(7)
    off = []
    for n in range(42):
        rate = (50.0, 100.0, 400.0)[n % 3]
        gains = {"gain_v": 1 + 0.01 * rng.uniform(-1, 1), "gain_a": 1 + 0.015 * rng.uniform(-1, 1)}
        record = six_amps.record(rng, rows_per_s=rate, jitter_s=0.05 / rate, **gains)
        test = switch_off(six_amps, 0.3 * rng.uniform(-1, 1), ("sinks", "faces")[n % 2])
        found = by_log(plant, test, SwitchOffLog(*record), METERS)
        off.append([
            (found.resistance.value - six_amps.r) / found.resistance.standard_error,
            (found.seebeck.value - six_amps.a) / found.seebeck.standard_error,
        ])  # fmt: skip
    off = np.array(off)
    note(f"rms {np.sqrt((off**2).mean(axis=0))}, within 2: {(abs(off) < 2).mean(axis=0)}")
    # 95 % nominally; with 42 draws 37 is the lower 3-sigma end of that.
    assert np.all((np.abs(off) < 2.0).sum(axis=0) >= 37)
    assert np.all(np.abs(off) < 4.0)
    # Nor are they too wide: even errors alone would give 1.
    assert np.all(np.sqrt((off**2).mean(axis=0)) > 0.5)


def test_a_good_meter_tells_resistance_within_half_a_per_cent(plant, six_amps):
    record = six_amps.record(np.random.default_rng(1), rows_per_s=1000.0, jitter_s=0.0,
                             noise_v=3e-4, noise_a=3e-4, step_v=1e-5)  # fmt: skip
    found = by_log(plant, switch_off(six_amps), SwitchOffLog(*record), METERS)
    assert found.resistance.value == pytest.approx(six_amps.r, rel=5e-3)
    assert found.seebeck.value == pytest.approx(six_amps.a, rel=1e-2)


@pytest.mark.parametrize(
    ("rig", "label"),
    [
        ({"a": 0.05, "r": 1.03, "k": 1.0, "current_a": 6.0}, "127 couples 3 A"),
        ({"a": 0.05, "r": 2.1, "contact": 0.1}, "127 couples 12 A"),
        ({"a": 0.05, "r": 4.2, "k": 0.26, "current_a": 1.5}, "127 couples 6 A"),
    ],
)  # fmt: skip
def test_a_wrong_label_or_joint_in_the_config_does_not_bend_what_is_measured(config, rig, label):
    # Leg temperatures and joints are the measured module's, not the label's.
    module = BenchModule(**rig)
    part = config.module.model_copy(update={"preset": label})
    sold = plant_of(config.model_copy(update={"module": part}))
    record = module.record(np.random.default_rng(1), rows_per_s=200.0, noise_v=1e-3)
    found = by_log(sold, switch_off(module), SwitchOffLog(*record), METERS)
    assert found.resistance.value == pytest.approx(module.r, rel=0.006)
    assert abs(found.seebeck.value - module.a) < 2.0 * found.seebeck.standard_error
    both = 2.0 / module.contact
    assert abs(found.joints.value - both) < 2.0 * found.joints.standard_error
    assert found.joints.value == pytest.approx(both, rel=0.35)


def test_leads_are_taken_off(plant, six_amps):
    plain, leads = (
        six_amps.record(np.random.default_rng(1), lead_ohm=ohm, noise_v=1e-4, noise_a=1e-4)
        for ohm in (0.0, 0.1)
    )
    test = switch_off(six_amps)
    without = by_log(plant, test, SwitchOffLog(*plain), METERS).resistance.value
    stated = test.model_copy(update={"lead_ohm": 0.1})
    assert by_log(plant, stated, SwitchOffLog(*leads), METERS).resistance.value == pytest.approx(
        without, rel=1e-3
    )
    ignored = by_log(plant, test, SwitchOffLog(*leads), METERS).resistance.value
    assert ignored > without + 0.09  # the negative control


def test_extrapolation_beats_the_mean_of_the_first_moments(six_amps):
    # 50 rows a second, and the instant anywhere between two of them.
    true_v = six_amps.open_v(six_amps.start)
    rng = np.random.default_rng(3)
    mean, fitted = [], []
    for _ in range(20):
        record = six_amps.record(rng, rows_per_s=50.0)
        seen = instant_of(SwitchOffLog(*record), 2.0)
        rows = (record[0] > seen.at_s) & (record[0] < seen.at_s + 0.3)
        mean.append(true_v - record[2][rows].mean())
        fitted.append(true_v - seen.off_v)
    assert abs(np.mean(fitted)) < 0.15 * abs(np.mean(mean))


def test_logs_that_show_no_switch_off(plant, six_amps):
    time_s, amps, volts = six_amps.record(np.random.default_rng(1))
    test = switch_off(six_amps)
    late = time_s > 9.0
    pulsed = np.where(amps > 1.0, amps + np.where(np.arange(amps.size) % 2, 2.0, -2.0), 0.0)
    slow = np.clip(amps - (time_s - 9.0) * 1.5, 0.0, 3.0)
    for currents, keep, expected in (
        (np.abs(amps) + 1.0, slice(None), "open circuit"),
        (pulsed, slice(None), "without pulses"),
        (slow, slice(None), "at once"),
        (amps, time_s < 10.2, "after the switch-off"),
        (-amps, slice(None), "above 0 A"),
        (amps, (time_s > 9.96) | ~late & (time_s < 0), "before the switch-off"),
    ):
        log = SwitchOffLog(time_s[keep], currents[keep], volts[keep])
        with pytest.raises(NotUsable, match=expected):
            by_log(plant, test, log, METERS)


@pytest.mark.parametrize(("after_v", "sign"), [(0.0, 1.0), (-0.6, 1.0), (None, -1.0)])
def test_a_module_that_was_no_open_circuit_is_told(plant, six_amps, after_v, sign):
    # A diode or a bridge across it, or the voltmeter the wrong way round: the sum was no number.
    time_s, amps, volts = six_amps.record(np.random.default_rng(1))
    if after_v is not None:
        volts = np.where(amps > 1.0, volts, after_v)
    log = SwitchOffLog(time_s, amps, sign * volts)
    with pytest.raises(NotUsable, match="no diode, bridge or load across the module"):
        by_log(plant, switch_off(six_amps), log, METERS)


# By hand --------------------------------------------------------------------------------


def test_a_hand_meter_that_reads_nothing_is_told(plant):
    test = HandMeter(current_a=3.0, on_v=8.1, off_v=0.0, after_s=3.0, hot_c=38.0, cold_c=12.0)
    with pytest.raises(NotUsable, match=r"not 0\.00 V"):
        by_hand(plant, test, METERS)


@pytest.mark.parametrize(
    "wrong", [{"hot_c": 13.0}, {"off_v": 6.0}, {"current_a": 30.0}, {"hot_c": 12.5}]
)
def test_readings_that_no_module_gives_are_told(plant, wrong):
    # The module's factors ran away: an overflow, a division by zero or minutes of work.
    right = {"current_a": 3.02, "on_v": 7.6, "off_v": 1.24, "after_s": 3.0, "hot_c": 38.0,
             "cold_c": 12.0}  # fmt: skip
    with pytest.raises(NotUsable, match="that some module could give"):
        by_hand(plant, HandMeter(**(right | wrong)), METERS)


@pytest.mark.parametrize("after_s", [1.0, 3.0, 6.0])
def test_a_late_reading_is_biased_as_stated_and_put_right(plant, six_amps, after_s, note):
    on_v, at_once_v = six_amps.on_v(), six_amps.open_v(six_amps.start)
    later_v = six_amps.open_v(six_amps.run.sol(after_s))
    hot_c, cold_c = six_amps.hot_k - ZERO_C_K, six_amps.cold_k - ZERO_C_K
    test = HandMeter(current_a=six_amps.current_a, on_v=on_v, off_v=later_v, after_s=after_s,
                     hot_c=hot_c, cold_c=cold_c)  # fmt: skip
    found = by_hand(plant, test, METERS)
    true_pct = 100.0 * ((on_v - later_v) / (on_v - at_once_v) - 1.0)
    note(f"{after_s} s: stated {found.bias_pct:.2f} %, true {true_pct:.2f} %")
    # The rig's sinks are lighter than the config's.
    assert found.bias_pct == pytest.approx(true_pct, rel=0.25)
    assert f"{found.bias_pct:+.1f} %" in found.how
    assert abs(found.resistance.value - six_amps.r) < 2.0 * found.resistance.standard_error
    assert abs(found.seebeck.value - six_amps.a) < 2.0 * found.seebeck.standard_error


# Labels, lines, files -------------------------------------------------------------------


def write_bench(folder, module: BenchModule, **more) -> str:
    record = module.record(np.random.default_rng(2))
    rows = "\n".join(f"{t:.4f},{i:.3f},{v:.3f}" for t, i, v in zip(*record, strict=True))
    (folder / "log.csv").write_text(f"time_s,current_a,voltage_v\n{rows}\n")
    tables = {"switch_off": {"file": "log.csv", "hot_c": module.hot_k - ZERO_C_K,
                             "cold_c": module.cold_k - ZERO_C_K}} | more  # fmt: skip
    lines = []
    for name, table in tables.items():
        lines.append(f"[{name}]")
        lines += [f"{key} = {json.dumps(value)}" for key, value in table.items()]
    path = folder / "bench.toml"
    path.write_text("\n".join(lines) + "\n")
    return str(path)


def test_a_six_amp_module_sold_as_twelve_is_found_out(config, six_amps, tmp_path):
    data = {"preset": "127 couples 12 A"}
    sold = config.model_copy(update={"module": config.module.model_copy(update=data)})
    found = bench_check(sold, read_bench(write_bench(tmp_path, six_amps)))
    assert found.label.verdict == "mislabelled"
    # 12.4 to 12.8 ohm A: twice the amperes, half the resistance.
    assert found.label.labelled.resistance_ratio == pytest.approx(2.0, abs=0.1)
    assert found.label.classes[0].name.startswith("127 couples 6 A")
    honest = bench_check(config, read_bench(write_bench(tmp_path, six_amps)))
    assert honest.label.verdict == "as_labelled"
    assert ("couples", 127) in {(item.key, item.value) for item in honest.lines}


def test_a_cracked_module_fits_no_class(config, tmp_path):
    # Resistance between the classes of 3 and 4 A would fit; a lone Seebeck coefficient does not.
    cracked = BenchModule(a=0.040, r=2.9, current_a=2.0)
    found = bench_check(config, read_bench(write_bench(tmp_path, cracked)))
    assert found.label.verdict == "doubtful" and "no class fits" in found.label.words


def test_a_module_with_half_the_couples_is_told_by_its_seebeck_coefficient(
    config, six_amps, tmp_path
):
    half = BenchModule(a=0.53 * six_amps.a, r=0.6 * six_amps.r, current_a=2.0)
    found = bench_check(config, read_bench(write_bench(tmp_path, half)))
    label = found.label
    assert label.verdict == "mislabelled"
    couples = int(re.search(r"about (\d+) couples", label.words).group(1))
    # 127 couples by what a module of their kind gives, 90 % of the sheet's here.
    assert couples == pytest.approx(0.53 * 127, rel=0.1)
    assert "if the open voltage was read at once" in label.words
    (line,) = (item for item in found.lines if item.key == "couples")
    assert line.value == couples and "as labelled" not in line.comment
    assert "cracked" not in label.words
    # Too little resistance is no crack.
    odd = BenchModule(a=0.9 * six_amps.a, r=0.6 * six_amps.r, current_a=2.0)
    assert "cracked" not in bench_check(config, read_bench(write_bench(tmp_path, odd))).label.words


def test_measured_sinks_bring_their_tolerance(config, tmp_path):
    series = {"time_min": [0, 20, 40, 60], "air_c": [22.0] * 4}
    hot = series | {"sink_c": [30.0, 31.9, 32.0, 32.0], "voltage_v": 12.0, "current_a": 5.0}
    cold = series | {"sink_c": [30.0, 33.9, 34.0, 34.0], "voltage_v": 12.0, "current_a": 2.5}
    path = tmp_path / "bench.toml"

    def write(**tables):
        text = "".join(
            f"[{name}]\n" + "".join(f"{key} = {json.dumps(x)}\n" for key, x in table.items())
            for name, table in tables.items()
        )
        path.write_text(text, encoding="utf-8")
        return bench_check(config, read_bench(str(path)))

    both = write(hot_sink=hot, cold_sink=cold)
    (line,) = [line for line in both.lines if line.key == "sinks_pct"]
    assert line.section == "tolerances"
    errors = [row.measured.standard_error / row.measured.value for row in both.comparisons]
    assert line.value == pytest.approx(100.0 * np.sqrt(3.0) * max(errors), abs=0.06)
    one = write(hot_sink=hot)
    assert not any(line.key == "sinks_pct" for line in one.lines)
    assert any("sinks_pct" in note for note in one.notes)


def test_lines_read_back_as_what_was_measured(config, six_amps, tmp_path, capsys):
    leak = {"time_min": [0, 30, 60], "inside_c": [45.0, 45.0, 45.0], "ambient_c": [22.0] * 3,
            "voltage_v": 12.0, "current_a": 1.2, "module_in_place": False}  # fmt: skip
    sink = {"time_min": [0, 30, 60], "sink_c": [36.0] * 3, "air_c": [22.0] * 3, "voltage_v": 12.0,
            "current_a": 6.0}  # fmt: skip
    bench = write_bench(tmp_path, six_amps, heat_leak=leak, hot_sink=sink)
    out = tmp_path / "new.toml"
    assert main(["check", "benchmark", "--bench", bench, "--out", str(out), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    measured = {row["name"]: row["value"] for row in shown["measured"]}
    new = load_config(out)
    plant = plant_of(new)
    assert plant.module.resistance_ohm == pytest.approx(
        measured["module resistance"], rel=2e-3)  # fmt: skip
    assert plant.module.seebeck_v_per_k == pytest.approx(
        measured["module Seebeck"], rel=2e-3)  # fmt: skip
    # Legs of another size: what R gains K loses.
    old = plant_of(config).module
    product = plant.module.conductance_w_per_k * plant.module.resistance_ohm
    assert product == pytest.approx(old.conductance_w_per_k * old.resistance_ohm, rel=3e-3)
    # By hand: 14.4 W at 23 K; 14 K at 72 W.
    filled = sum(heat_leak_parts_w_per_k(new, hole_filled=True).values())
    assert filled == pytest.approx(14.4 / 23.0, rel=2e-3)
    assert new.hot_sink.fan_k_per_w == pytest.approx(14.0 / 72.0, rel=2e-3)
    assert "# measured" in out.read_text() and "# Not a recommendation" in out.read_text()
    assert main(["check", "benchmark", "--bench", bench, "--out", str(out)]) == 2
    assert "--force" in capsys.readouterr().err


def keys_of(value):
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            yield from keys_of(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys_of(item)


def test_screen_and_json(config, six_amps, tmp_path, capsys):
    bench = write_bench(tmp_path, six_amps)
    assert main(["check", "benchmark", "--bench", bench, "--json"]) == 0
    keys = {key.removesuffix("_reason") for key in keys_of(json.loads(capsys.readouterr().out))}
    assert keys - set(GLOSSARY) == set()
    assert main(["check", "benchmark", "--bench", bench]) == 0
    text = capsys.readouterr().out
    assert "+/-" in text and all(len(line) <= 80 for line in text.split("To paste")[0].splitlines())
    assert all(word in text for word in (" agrees", " ohm ", " V/K ", "module's two joints"))
    assert "as labelled" in text and "[module]" in text and "take out preset" in text
    sold = tmp_path / "sold.toml"
    label = find_config("benchmark").read_text().replace('"127 couples 6 A"', '"127 couples 12 A"')
    sold.write_text(label)
    assert main(["check", str(sold), "--bench", bench]) == 1
    assert "MISLABELLED" in capsys.readouterr().out


def test_recipe_and_its_example(config, six_amps, tmp_path, capsys):
    assert main(["check", "--bench-recipe"]) == 0
    text = capsys.readouterr().out
    for caution in ("fuse", "without a sink", "burns skin", "66 C"):
        assert caution in text
    example = tomllib.loads(example_file())
    write_bench(tmp_path, six_amps)
    (tmp_path / "log.csv").rename(tmp_path / example["switch_off"]["file"])
    path = tmp_path / "b.toml"
    path.write_text(example_file())
    found = bench_check(config, read_bench(str(path)))
    assert len(found.comparisons) == 6
    hand = tmp_path / "hand.toml"
    text = example_file()
    start, end = text.index("# [hand_meter]"), text.index("[hot_sink]")
    hand.write_text(re.sub("^# ", "", text[start:end], flags=re.MULTILINE))
    by_meter = bench_check(config, read_bench(str(hand)))
    assert by_meter.label.verdict == "as_labelled"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "holds no test"),
        ("[meters]\n", "holds no test"),
        ("[hand_meter\n", ":1:12: not TOML"),
        ("[hand_metre]\n", "did you mean 'hand_meter'"),
        ("[hot_sink]\ntime_min = 3\n", ":2: hot_sink.time_min = 3: not a list of numbers"),
        ("[hot_sink]\ntime_min=[0,1]\nsink_c=[1,2]\nair_c=[1,2]\nvoltage_v=1\ncurrent_a=1",
         ":2: hot_sink.time_min = [0, 1]: does not fit, expected at least 3 readings"),
        ("[hot_sink]\ntime_min=[0,2,1]\nsink_c=[1,2,300]\nair_c=[1,2]\nvoltage_v=1\ncurrent_a=0",
         "expected numbers from -60 to 150 C"),
        ("[switch_off]\nfile='no.csv'\nhot_c=30\ncold_c=10", ":2: switch_off.file = 'no.csv'"),
        ("[switch_off]\nfile='a.csv'\nhot_c=10\ncold_c=30", "warmer than cold_c (30 C)"),
        ("[hand_meter]\ncurrent_a=3\non_v=1\noff_v=2\nafter_s=2\nhot_c=30\ncold_c=1",
         "less than on_v (1 V)"),
    ],
)  # fmt: skip
def test_bad_bench_files(tmp_path, capsys, text, expected):
    path = tmp_path / "b.toml"
    path.write_text(text)
    assert main(["check", "benchmark", "--bench", str(path)]) == 2
    told = capsys.readouterr()
    assert expected in told.err and told.out == "" and "Traceback" not in told.err
    assert all(line.startswith(str(path)) for line in told.err.splitlines())


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ("time_s;current_a;voltage_v\n1;2;3", "separated by something else"),
        ("time_s,amps,voltage_v\n1,2,3", ":1: current_a: missing column"),
        ("time_s,current_a,voltage_v\n1,2,x", ":2: voltage_v = 'x': not a number"),
        ("time_s,current_a,voltage_v\n1,200,3", ":2: current_a = 200: out of range"),
        ("time_s,current_a,voltage_v\n1,2,3", "too short"),
        ("time_s,current_a,voltage_v\n" + "".join(f"{n / 10},1,2\n" for n in range(40)),
         "rows a second = 10: too slow, expected 50 rows a second or more"),
        ("time_s,current_a,voltage_v\n" + "1,1,2\n" * 40, ":3: time_s: out of order"),
    ],
)  # fmt: skip
def test_bad_logs(tmp_path, rows, expected):
    (tmp_path / "log.csv").write_text(rows)
    path = tmp_path / "b.toml"
    path.write_text("[switch_off]\nfile='log.csv'\nhot_c=30\ncold_c=10")
    with pytest.raises(ConfigError, match=expected.replace(".", r"\.")) as caught:
        read_bench(str(path))
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("count", [1, 2])
def test_a_bank_says_that_it_was_measured_together(config, six_amps, tmp_path, count):
    data = plain_data(config)
    data["module"]["in_parallel"] = count
    found = bench_check(build_config(data, "b"), read_bench(write_bench(tmp_path, six_amps)))
    told = [note for note in found.notes if "taken as measured on all 2 together" in note]
    assert len(told) == count - 1


def test_measured_values_do_not_go_under_a_twins_factors(tmp_path, capsys):
    # A hot sink measured with 0.17 K/W was written beside hot_sink_times = 2 and so became 0.34.
    twin = tmp_path / "twin.toml"
    text = find_config("benchmark").read_text(encoding="utf-8")
    twin.write_text(f'''{text}
[twin]
log_name = "a.csv"
log_sha256 = "{64 * "0"}"
hot_sink_times = 2
hot_sink_times_error = 0.1
''', encoding="utf-8")  # fmt: skip
    bench, out = tmp_path / "b.toml", tmp_path / "new.toml"
    start = example_file().index("[hot_sink]")
    bench.write_text(example_file()[start : example_file().index("[heat_leak]")])
    assert main(["check", str(twin), "--bench", str(bench), "--out", str(out)]) == 2
    told = capsys.readouterr()
    assert "[twin]: does not fit beside --bench, expected the config without it" in told.err
    assert told.out == "" and not out.exists()
    # And what `check` shows of it is the twin, which it says.
    assert main(["check", str(twin)]) == 0
    assert "Measured, from a.csv: hot sink's K/W." in " ".join(capsys.readouterr().out.split())


def test_options_that_do_not_fit(tmp_path, capsys):
    path = tmp_path / "b.toml"
    path.write_text(example_file())
    for options in (
        ["benchmark", "--out", "x.toml"],
        ["benchmark", "--bench-recipe"],
        ["--evidence", "--bench", str(path)],
        ["benchmark", "--bench", str(path), "--all"],
        ["benchmark", "--bench", str(path), "--out", str(tmp_path / "x.txt")],
        ["benchmark", "--bench", str(path), "--out", str(tmp_path / "x.toml"), "--target", "5"],
        ["benchmark", "--bench", str(tmp_path)],
    ):
        assert main(["check", *options]) == 2, options
        assert len(capsys.readouterr().err.splitlines()) == 1
    assert [item.name for item in tmp_path.iterdir()] == ["b.toml"]


def test_config_lines_keep_everything_else():
    text = "# top\n[a]\nx = 1  # one\ny = 2\n\n[b]  # two\nz = 3\n"
    lines = [ConfigLine("a", "x", 5.0, "new"), ConfigLine("b", "w", "q", "added"),
             ConfigLine("c", "v", 1, "table")]  # fmt: skip
    changed = text_with(text, lines, [("a", "y")])
    assert tomllib.loads(changed) == {"a": {"x": 5.0}, "b": {"w": "q", "z": 3}, "c": {"v": 1}}
    assert "# top" in changed and "# y = 2" in changed and "[b]  # two" in changed


def test_a_layout_that_cannot_be_changed_in_place_is_refused(config):
    from ctrl.shipped import find_config

    text = find_config("benchmark").read_text()
    line = ConfigLine("hot_sink", "fan_k_per_w", 0.2, "measured")
    changed, new = config_with(text, "x.toml", [line])
    assert new.hot_sink.fan_k_per_w == 0.2
    assert replace(plant_of(new), hot_sink=plant_of(config).hot_sink) == plant_of(config)
    quoted = text.replace("fan_k_per_w = 0.16", '"fan_k_per_w" = 0.16', 1)
    with pytest.raises(ConfigError):
        config_with(quoted, "x.toml", [line])
    assert parse_config(quoted, "x.toml").hot_sink.fan_k_per_w == 0.16

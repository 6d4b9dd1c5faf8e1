"""A maker's own C in the loop: whatever it does is told, and nothing of it is left behind."""

import io
import json
import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from larder import recommended_larder
from rich.console import Console

from ctrl import (
    cases,
    cli,
    comparison,
    drills,
    ice,
    json_out_compare,
    json_out_maker,
    maker,
    screen_compare,
    screen_maker,
    trial,
)
from ctrl import maker_rooms as maker_rooms_module
from ctrl.build import plant_of
from ctrl.comparison import compare
from ctrl.config import build_config, load_config, override, plain_data
from ctrl.config_errors import ConfigError
from ctrl.drill_list import DRILLS
from ctrl.firmware import firmware_of, settings_of
from ctrl.glossary import GLOSSARY
from ctrl.loop import Loop
from ctrl.maker_rooms import maker_rooms, ours_words
from ctrl.outside_loop import OutsideLoop
from ctrl.plots_compare import plot_comparison
from ctrl.protection_settings import R_STOPPED
from ctrl.recommend_ice import ice_at
from ctrl.states import OWN_ALARM
from ctrl.trial import warm_state

pytestmark = pytest.mark.skipif(
    shutil.which("gcc") is None and shutil.which("cc") is None, reason="no C compiler"
)

# One file, many sins: each environment asks for one of them, at the 20th call.
SINS = r"""
#define _GNU_SOURCE
#include "maker.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int calls;

void controller_reset(void) {}

void controller_tick(const controller_in *in, controller_out *out)
{
    const char *sin = getenv("SIN");
    volatile int zero = 0;
    char junk[64];
    int fd;
    calls++;
    out->duty_permille = 600;
    out->hot_fan = true;
    out->cold_fan = true;
    memset(junk, 0x55, sizeof junk);
    if (!strcmp(sin, "count")) out->duty_permille = (int16_t)(calls % 1000);
    if (!strcmp(sin, "reading")) out->duty_permille = in->control_c100 / 10;
    if (!strcmp(sin, "supply")) out->duty_permille = (int16_t)(in->supply_mv / 100);
    if (!strcmp(sin, "absent")) out->duty_permille = in->ambient_c100 == CONTROLLER_ABSENT &&
        in->ambient_code == CONTROLLER_ABSENT && in->hot_pulses == CONTROLLER_NO_TACH ? 7 : 8;
    if (!strcmp(sin, "pulses")) out->duty_permille = (int16_t)(in->hot_pulses +
        300 * (in->cold_pulses == CONTROLLER_NO_TACH));
    if (!strcmp(sin, "elapsed")) out->duty_permille = (int16_t)(in->elapsed_ms / 10);
    if (!strcmp(sin, "reversed")) { out->duty_permille = 0; out->reverse_permille = 1000; }
    if (!strcmp(sin, "alarm")) { out->duty_permille = 0; out->alarm = true; }
    if (!strcmp(sin, "full")) out->duty_permille = 1000;
    if (!strcmp(sin, "talk")) { printf("reading %d\n", in->control_c100); fflush(stdout); }
    if (calls < 20) return;
    if (!strcmp(sin, "segfault")) *(volatile int *)0 = 1;
    if (!strcmp(sin, "divide")) out->duty_permille = (int16_t)(1000 / zero);
    if (!strcmp(sin, "abort")) abort();
    if (!strcmp(sin, "exit")) exit(3);
    if (!strcmp(sin, "hang")) for (;;) {}
    if (!strcmp(sin, "more")) out->duty_permille = 1001;
    if (!strcmp(sin, "less")) out->duty_permille = -5;
    if (!strcmp(sin, "both")) out->reverse_permille = 1;
    do {
        if (strcmp(sin, "garbage") && strcmp(sin, "flood")) break;
        for (fd = 3; fd < 8; fd++) if (write(fd, junk, 64) < 0) continue;
    } while (!strcmp(sin, "flood"));
    if (!strcmp(sin, "fork")) { if (fork() == 0) for (;;) sleep(1); else for (;;) sleep(1); }
    if (!strcmp(sin, "close")) for (fd = 0; fd < 8; fd++) close(fd);
}
"""
SINS_TOLD = {
    "segfault": "segmentation fault (SIGSEGV)",
    "divide": "floating point exception (SIGFPE)",
    "abort": "aborted (SIGABRT)",
    "exit": "it ended by itself, exit status 3",
    "hang": "no answer within 0.5 s",
    "fork": "no answer within 0.5 s",
    "more": "command out of range: duty 1001, outside 0 to 1000",
    "less": "command out of range: duty -5, outside 0 to 1000",
    "both": "command out of range: duty 600 and reverse 1 at once",
    "garbage": "bytes on the link that are no frame of it",
    "flood": "no answer within 0.5 s",
    "close": "it ended by itself",
}


@pytest.fixture(scope="module")
def config():
    return load_config("benchmark")


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    source = tmp_path_factory.mktemp("maker") / "sins.c"
    source.write_text(SINS)
    with maker.Program(source) as built:
        yield built


def loop_of(config, child, **options):
    """Return a loop whose firmware is the child, and the controller in between."""
    plant = plant_of(config)
    outside = maker.maker_controller(config, child, **options)
    firmware = firmware_of(config, settings_of(config))
    return OutsideLoop(plant, firmware, warm_state(plant, config), outside=outside), outside


def processes_of(path: Path) -> list[int]:
    """Return the numbers of the processes that run this program."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and os.readlink(entry / "exe") == str(path):
                found.append(int(entry.name))
        except OSError:
            continue
    return found


@pytest.mark.parametrize("sin", SINS_TOLD)
def test_what_it_does_wrong_is_told_and_the_module_is_off(config, program, monkeypatch, sin):
    monkeypatch.setenv("SIN", sin)
    monkeypatch.setattr(maker, "ANSWER_S", 0.5)
    with maker.Child(program.path) as child:
        loop, outside = loop_of(config, child)
        record = loop.run(40.0, 1.0)
        assert SINS_TOLD[sin] in outside.stop.words
        assert (outside.stop.tick, outside.stop.at_s) == (19, 19.0)
    assert record["duty"][:19] == pytest.approx(0.6)
    assert not record["duty"][19:].any()
    assert set(record["reason"][19:]) == {R_STOPPED}
    ends = time.monotonic() + 5.0
    while processes_of(program.path) and time.monotonic() < ends:
        time.sleep(0.01)
    assert processes_of(program.path) == []


def test_what_it_prints_does_not_disturb_the_link(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "talk")
    with maker.Child(program.path) as child:
        loop, outside = loop_of(config, child)
        assert loop.run(60.0, 1.0)["duty"] == pytest.approx(0.6)
        assert outside.stop is None


def test_it_reads_what_our_firmware_reads(config, program, monkeypatch):
    own = Loop(plant_of(config), firmware_of(config, settings_of(config)),
               warm_state(plant_of(config), config))  # fmt: skip
    first_c = own.run(1.0, 1.0)["reading_c"][0]
    with maker.Child(program.path) as child:
        monkeypatch.setenv("SIN", "reading")
        loop, _ = loop_of(config, child)
        record = loop.run(30.0, 1.0)
        assert record["reading_c"][0] == pytest.approx(first_c)
        # C divides towards zero, and the readings are above it.
        assert np.round(record["duty"] * 1000) == pytest.approx(np.floor(record["reading_c"] * 10))
        monkeypatch.setenv("SIN", "supply")
        loop, _ = loop_of(config, child)
        volts = loop.run(1.0, 1.0)["duty"][0] * 100.0
        assert volts == pytest.approx(config.supply.voltage_v, abs=0.5)
        monkeypatch.setenv("SIN", "absent")
        loop, _ = loop_of(config, child)
        assert loop.run(1.0, 1.0)["duty"][0] == pytest.approx(0.007)


def test_same_duty_gives_the_same_cabinet_as_our_fixed_controller(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "none")
    fixed = override(config, controller="fixed", fixed_duty=0.6)
    with maker.Child(program.path) as child:
        loop, _ = loop_of(config, child)
        theirs = loop.run(1200.0, 10.0)
    plant = plant_of(fixed)
    ours = Loop(plant, firmware_of(fixed, settings_of(fixed)), warm_state(plant, fixed))
    mine = ours.run(1200.0, 10.0)
    # Ours waits for its first off-time and ramps up by the slew limit; then both are alike.
    lag_s = np.sum(0.6 - mine["duty"]) * 10.0 / 0.6
    assert 0.0 <= lag_s < 400.0
    assert theirs["duty"] == pytest.approx(0.6)
    assert mine["duty"][-1] == pytest.approx(0.6)
    assert theirs["hot_sink_c"][-1] == pytest.approx(mine["hot_sink_c"][-1], abs=0.5)


def test_our_protections_stand_behind_it_only_when_asked(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "full")
    limit = settings_of(config).duty_limit
    assert limit < 1.0
    with maker.Child(program.path) as child:
        bare, _ = loop_of(config, child)
        assert bare.run(600.0, 1.0)["duty"].max() == pytest.approx(1.0)
        behind, outside = loop_of(config, child, protected=True)
        duty = behind.run(600.0, 1.0)["duty"]
        assert duty.max() == pytest.approx(limit, abs=1e-3)
        assert np.diff(duty).max() < 0.1  # and the slew limit
        assert outside.stop is None


def test_a_switch_knows_only_all_or_nothing(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "none")
    with maker.Child(program.path) as child:
        loop, outside = loop_of(override(config, drive="relay", controller="on_off"), child)
        loop.run(5.0, 1.0)
        assert outside.stop.words == (
            "command out of range: duty 600 on a switch, which knows only 0 and 1000"
        )


def test_only_a_bridge_turns_the_current_round(config, program, monkeypatch):
    """On one transistor a reversed command would heat what it shall cool: it is a fault."""
    monkeypatch.setenv("SIN", "reversed")
    with maker.Child(program.path) as child:
        loop, outside = loop_of(config, child)
        assert not config.drive.reversible
        record = loop.run(40.0, 1.0)
        assert "reverse 1000 on a drive without a bridge" in outside.stop.words
        assert not record["duty"].any()
        loop, outside = loop_of(config, child, protected=True)
        loop.run(40.0, 1.0)
        assert "without a bridge" in outside.stop.words
    data = plain_data(config)
    data["drive"]["reversible"] = True
    with maker.Child(program.path) as child:
        loop, outside = loop_of(build_config(data, "bridge"), child)
        assert loop.run(40.0, 1.0)["duty"].min() < -0.9 and outside.stop is None


def test_a_hang_in_a_drill_is_told_and_fails_it(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "hang")
    monkeypatch.setattr(maker, "ANSWER_S", 0.3)
    with maker.fresh_controllers(config, program.source) as powered_up:
        bench = drills.bench_of(config, settings_of(config), outside=powered_up)
        found = drills.run_drill(bench, DRILLS["hot_fan_stopped"])
    assert not found.passed and found.runs
    for run in found.runs:
        assert run.barred and run.saved_by == ()
        assert "the controller stopped 0 min into the run" in run.lacks
    assert "stopped" in found.unsound[0]


def test_a_shipped_name_is_one_without_a_folder(tmp_path):
    assert maker.find_source("thermostat.c").name == "thermostat.c"
    (tmp_path / "thermostat.c").write_text("/* mine */")
    assert maker.find_source("thermostat.c") == tmp_path / "thermostat.c"
    with pytest.raises(ConfigError):
        maker.find_source("nosuchfolder/thermostat.c")


def test_after_a_power_loss_every_variable_has_its_first_value(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "count")
    with maker.Child(program.path) as child:
        loop, _ = loop_of(config, child)
        assert np.round(1000 * loop.run(10.0, 1.0)["duty"]) == pytest.approx(np.arange(1, 11))
        assert not loop.run(5.0, 1.0, powered=False)["duty"].any()
        assert np.round(1000 * loop.run(10.0, 1.0)["duty"]) == pytest.approx(np.arange(1, 11))


def test_a_reset_starts_it_anew_and_a_late_tick_knows_how_late_it_is(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "elapsed")
    with maker.Child(program.path) as child:
        loop, _ = loop_of(config, child)
        assert loop.run(3.0, 1.0)["duty"] == pytest.approx(0.1)  # 1000 ms in 10 ms
        loop.outside_halted = True
        assert loop.run(5.0, 1.0)["duty"] == pytest.approx(0.1)  # the last command stands
        loop.outside_halted = False
        assert loop.run(2.0, 1.0)["duty"] == pytest.approx([0.6, 0.1])
        monkeypatch.setenv("SIN", "count")
        loop.restart()
        assert np.round(1000 * loop.run(3.0, 1.0)["duty"]) == pytest.approx([1, 2, 3])


def test_pulses_of_a_wired_tachometer_reach_it(config, program, monkeypatch):
    """None before the fan turns, some after; 255 on the fan that has no tachometer."""
    monkeypatch.setenv("SIN", "pulses")
    data = plain_data(config)
    data["hot_sink"]["fan_tachometer"] = True
    with maker.Child(program.path) as child:
        loop, _ = loop_of(build_config(data, "wired"), child)
        duty = np.round(1000 * loop.run(3.0, 1.0)["duty"])
        assert duty[0] == 300 and np.all((duty[1:] > 300) & (duty[1:] < 555))


def test_its_alarm_shows_in_the_record(config, program, monkeypatch):
    monkeypatch.setenv("SIN", "alarm")
    with maker.Child(program.path) as child:
        loop, outside = loop_of(config, child)
        record = loop.run(3.0, 1.0)
        assert set(record["state"]) == {OWN_ALARM} and set(record["hot_fan"]) == {1.0}
        assert outside.stop is None


# The command ---------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def _in_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def keys_of(value) -> set[str]:
    """Return every key of a JSON value, spans of a signal left out."""
    if isinstance(value, list):
        return set().union(*(keys_of(item) for item in value))
    if not isinstance(value, dict) or set(value) == {"min", "mean", "max"}:
        return set()
    return set(value) | set().union(*(keys_of(item) for item in value.values()))


def coldloop(capsys, *words: str) -> tuple[int, str, str]:
    """Run the command line in this process; return (status, standard output, error)."""
    status = cli.main(list(words))
    shown = capsys.readouterr()
    return status, shown.out, shown.err


def test_the_shipped_thermostat_stands_beside_ours(capsys):
    words = ("simulate", "benchmark", "--controller-c", "thermostat.c", "--days", "0.05")
    status, out, _ = coldloop(capsys, *words)
    assert status == 0
    assert "thermostat.c beside PI" in out
    for name in ("contents, mean", "duty, mean", "hot sink, most", "Limits", "cut-out"):
        assert name in out
    assert "settings as written in the config" in " ".join(out.split())


def test_json_has_both_runs_and_what_stopped_one(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("SIN", "segfault")
    (tmp_path / "sins.c").write_text(SINS)
    words = ("simulate", "benchmark", "--controller-c", "sins.c", "--days", "0.01", "--json")
    status, out, _ = coldloop(capsys, *words)
    found = json.loads(out)
    assert status == 1
    assert found["stopped_by"] == "segmentation fault (SIGSEGV)"
    assert found["stopped_at_h"] == pytest.approx(19 / 3600, rel=1e-3)
    assert found["run_maker"]["duty_mean"] < 0.1 < found["run_ours"]["duty_mean"]
    assert {item["name"] for item in found["run_maker"]["limits"]} >= {"hot sink"}
    assert {key for key in keys_of(found) if not key.endswith("_reason")} <= set(GLOSSARY)
    status, out, _ = coldloop(capsys, *words[:-1])
    assert status == 1
    assert "Your firmware stopped at 19 s: segmentation fault" in out


def test_drills_run_with_the_makers_file_and_leave_our_own_memory_out(capsys):
    words = ("drill", "benchmark", "--controller-c", "thermostat.c", "--only")
    status, out, _ = coldloop(capsys, *words, "settings_corrupted")
    assert status == 0
    assert "thermostat.c, your own, without any of our protections" in " ".join(out.split())
    assert "Not run: the firmware is not ours" in out


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("void f(void) { x = 1; }", "'x' undeclared"),
        ('#include "maker.h"\nvoid controller_reset(void) {}\n', "controller_tick"),
        ("int main(void) { return 0; }", "main"),
        ("#error this is no controller\n", "this is no controller"),
    ],
)
def test_what_does_not_compile_is_told_in_a_few_lines(capsys, tmp_path, source, words):
    (tmp_path / "mine.c").write_text(source)
    status, out, err = coldloop(capsys, "simulate", "benchmark", "--controller-c", "mine.c")
    assert (status, out) == (2, "")
    assert words in err and "mine.c" in err
    assert len(err.splitlines()) <= 6 and "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--controller-c", "none.c"), "--controller-c = none.c: cannot be read"),
        (("--controller-c", ""), "--controller-c"),
        (("--protected",), "--protected: does nothing"),
        (("--speed", "5"), "--speed = 5: does nothing"),
        (("--live", "--json"), "--live: does not fit"),
        (("--live", "--controller-c", "thermostat.c"), "--live: does not fit"),
    ],
)
def test_wrong_options(capsys, words, told):
    status, out, err = coldloop(capsys, "simulate", "benchmark", *words)
    assert (status, out) == (2, "")
    assert told in err and len(err.splitlines()) == 1


def test_without_a_compiler_the_package_is_named(monkeypatch):
    monkeypatch.setattr(maker.shutil, "which", lambda name: None)
    with pytest.raises(ConfigError) as told:
        maker.find_compiler()
    assert "apt-get install gcc libc6-dev" in str(told.value.problems[0])


# Beside every law, and in the rooms of a recommendation ------------------------------------


def test_compare_has_one_more_row_of_the_makers_own(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr(comparison, "ICE_DAYS", 2)
    words = ("compare", "galley_larder", "--controllers", "pi", "--days", "2", "--controller-c",
             "thermostat.c", "--plot", "laws.png", "--json")  # fmt: skip
    status, out, err = coldloop(capsys, *words)
    found = json.loads(out)
    ours, yours = found["controllers"]
    assert (ours["controller"], yours["controller"]) == ("pi", "yours")
    assert yours["controller_file"] == "thermostat.c" and yours["stopped_by"] is None
    assert yours["settings"] is None and "maker's own file" in yours["settings_reason"]
    assert set(ours) <= set(yours) and set(ours["findings"]) == set(yours["findings"])
    # A band of 1 K around 8 °C and three minutes' rest: its own, wherever ours is put.
    assert 7.0 < yours["findings"]["air_c"]["mean"] < 9.5
    assert yours["findings"]["energy_kwh_per_day"] > 0.1 and yours["cycles_per_day"] > 10
    assert "Yours (thermostat.c)" in found["verdict_of_yours"]
    assert {key for key in keys_of(found) if not key.endswith("_reason")} <= set(GLOSSARY)
    assert status == 0 and (tmp_path / "laws.png").stat().st_size > 10_000 and "laws.png" in err


def test_what_crashes_is_told_in_its_row_and_the_laws_stand(program, monkeypatch):
    monkeypatch.setenv("SIN", "segfault")
    config = load_config("galley_larder")
    with maker.fresh_controllers(config, program.source) as powered_up:
        found = compare(config, ("pi",), days=2.0, yours=("sins.c", powered_up))
    cases.kept_run.cache_clear()
    alone = compare(config, ("pi",), days=2.0)
    assert found.verdict == alone.verdict
    assert found.items[0].findings == alone.items[0].findings
    out = Console(width=80, record=True, file=io.StringIO())
    screen_compare.show(out, found)
    text = out.export_text()
    row = next(line for line in text.splitlines() if line.strip().startswith("contents, mean"))
    assert "stopped" in row
    energy = next(line for line in text.splitlines() if line.strip().startswith("energy"))
    assert energy.split()[2:] == ["-", "kWh/d"]
    told = "FAILS: stopped at 19 s: segmentation fault (SIGSEGV)"
    assert told in " ".join(text.split())
    row = json_out_compare.of_comparison(found, "0")["controllers"][1]
    assert row["findings"] is None and row["findings_reason"].startswith("stopped at 19 s")
    assert row["stopped_by"] == "segmentation fault (SIGSEGV)"
    assert plot_comparison(found) is not None


@pytest.fixture(scope="module")
def larder():
    """The larder's recommendation, its worst room alone: enough to look at, half a minute."""
    found = recommended_larder()
    return replace(found, cases=tuple(case for case in found.cases if case.name == "worst"))


def test_recommend_runs_it_in_its_own_rooms(larder, monkeypatch):
    monkeypatch.setattr(
        maker_rooms_module, "ice_at", lambda *args, **keys: ice_at(*args, **keys | {"most_days": 2})
    )
    source = maker.find_source("thermostat.c")
    with maker.fresh_controllers(larder.config, source) as powered_up:
        found = maker_rooms(larder, source.name, powered_up)
    (room,) = found.rooms
    theirs = {item.name: item.theirs for item in room.changes}
    ours = {item.name: item.ours for item in room.changes}
    assert ours["energy"] == larder.cases[0].findings.energy_kwh_per_day
    assert theirs["swing of the air"] > 1.0 > ours["swing of the air"]
    assert room.ours is larder.cases[0] and room.stop is None
    out = Console(width=80, record=True, file=io.StringIO())
    screen_maker.show_rooms(out, found)
    text = " ".join(out.export_text().split())
    assert "worst room, 30 °C: yours" in text and "Flashing ours" in text
    by_k = ours["swing of the air"] - theirs["swing of the air"]
    shown_k = round(ours["swing of the air"], 2) - round(theirs["swing of the air"], 2)
    assert f"{shown_k:+.2f} K" in text
    written = json_out_maker.maker_rooms_object(found)
    assert {key for key in keys_of(written) if not key.endswith("_reason")} <= set(GLOSSARY)
    swing = next(x for x in written["yours"]["cases"][0]["beside_ours"]
                 if x["quantity"] == "swing of the air")  # fmt: skip
    assert swing["change_with_ours"] == pytest.approx(by_k)


def test_a_crash_in_a_room_leaves_no_figures_of_it(larder, program, monkeypatch):
    """It crashes in its first minute: days of two hours each tell as much."""
    monkeypatch.setenv("SIN", "divide")
    for part in (ice, trial):
        monkeypatch.setattr(part, "DAY_S", 7200.0)
    with maker.fresh_controllers(larder.config, program.source) as powered_up:
        found = maker_rooms(larder, "sins.c", powered_up)
    (room,) = found.rooms
    assert room.stop.words == "floating point exception (SIGFPE)"
    assert all(item.theirs is None and item.by is None for item in room.changes)
    assert "would keep every limit in the worst room, where yours does not" in ours_words(found)
    written = json_out_maker.maker_rooms_object(found)["yours"]["cases"][0]
    assert "findings" not in written and written["stopped_by"].startswith("floating point")


@pytest.mark.parametrize("verb", ["compare", "recommend", "drill"])
@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("none.c", None, "--controller-c = none.c: cannot be read"),
        ("mine.txt", "void f(void);", "--controller-c = mine.txt: cannot be read"),
        ("mine.c", "void f(void) { x = 1; }", "'x' undeclared"),
    ],
)
def test_bad_files_are_told_before_anything_runs(capsys, tmp_path, verb, name, text, told):
    if text is not None:
        (tmp_path / name).write_text(text)
    status, out, err = coldloop(capsys, verb, "galley_larder", "--controller-c", name)
    assert (status, out) == (2, "")
    assert told in err and "Traceback" not in err
    assert err.strip().splitlines()[-1].count(name) == 1


def test_a_chain_of_reasons_is_of_our_own_numbers(capsys):
    words = ("recommend", "galley_larder", "--explain", "setpoint", "--controller-c", "mine.c")
    status, _, err = coldloop(capsys, *words)
    assert status == 2 and "--explain without --controller-c" in err

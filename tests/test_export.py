"""`coldloop firmware`: what is written, that it is the same each time, and when it is refused."""

import binascii
import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from ctrl import cli
from ctrl.class_b import class_b_measures
from ctrl.config import build_config, load_config, override, plain_data
from ctrl.defrost import DefrostSettings
from ctrl.export import config_digest, export_of, write_export
from ctrl.files import CannotWrite
from ctrl.firmware import firmware_of, settings_of
from ctrl.firmware_layout import checksum_of, features_of, lay_out, pack
from ctrl.firmware_text import C_FOLDER, comment

BOARD = r"""
#include <stdio.h>
#include "hardware.h"
static uint32_t now;
void hardware_start(void) { }
uint32_t hardware_ticks(void) { return now++; }
void hardware_read(coldloop_inputs *in) { in->control_code = 300; in->hot_code = 400; }
void hardware_set_module(uint16_t duty, bool on, uint16_t reverse)
{ (void)duty; (void)on; (void)reverse; }
void hardware_set_fans(bool hot, bool cold) { (void)hot; (void)cold; }
void hardware_set_alarm(bool alarm, bool warning) { (void)alarm; (void)warning; }
bool hardware_can_send(void) { return true; }
void hardware_send(uint8_t byte) { putchar(byte); if (byte == '\n') { fflush(stdout); } }
void hardware_kick_watchdog(void) { if (now > 40000U) { _Exit(0); } }
"""


def export(name, law, **changed):
    config = override(load_config(name), controller=law)
    settings = replace(settings_of(config), **changed)
    return export_of(config, settings, version="1.2.3", recommended=False)


@pytest.fixture(scope="module")
def seed_store():
    return export("seed_store", "on_off")


def test_the_checksum_is_the_published_one():
    # CRC-16 with polynomial 0x1021 and start 0xFFFF: check value 0x29B1 of "123456789".
    assert checksum_of(b"123456789") == 0x29B1
    assert binascii.crc_hqx(b"", 0xFFFF) == 0xFFFF


def test_same_config_same_bytes_and_another_not(seed_store):
    again = export("seed_store", "on_off")
    assert again.files == seed_store.files and again.checksum == seed_store.checksum
    other = export("seed_store", "on_off", setpoint_c=9.0)
    assert other.checksum != seed_store.checksum
    assert other.files["settings.c"] != seed_store.files["settings.c"]
    assert other.files["protection.c"] == seed_store.files["protection.c"]
    warmer = override(load_config("seed_store"), target_c=11.0)
    assert config_digest(warmer) != config_digest(load_config("seed_store"))


def test_only_the_law_in_use_is_written(seed_store):
    names = set(seed_store.files)
    assert {"law_on_off.c", "law_on_off.h", "main.c", "hardware.h", "README.txt"} <= names
    assert not {"law_pi.c", "law_cascade.c", "slow_window.c", "defrost_demand.c"} & names
    assert "hardware.c" not in names  # that one is the maker's


def test_every_setting_stands_with_its_unit(seed_store):
    text = seed_store.files["settings.c"]
    values = re.findall(r"^ +\.\w+ = -?\d+U?,(.*)$", text, re.MULTILINE)
    assert len(values) > 50
    assert all(re.fullmatch(r" /\* .+ \*/", rest) for rest in values)
    firmware = firmware_of(seed_store.config, seed_store.settings)
    assert f".setpoint_c100 = {firmware.law.setpoint_c100}," in text
    assert f"0x{seed_store.checksum:04X}U" in text


def test_cautions_wiring_and_version_stand_on_top(seed_store):
    top = seed_store.files["main.c"].split("*/")[0]
    for words in ("coldloop 1.2.3", seed_store.digest, "Fuse at the supply", "thermal cut-out",
                  "Never medicines", "66 deg C", "1/16 deg C"):  # fmt: skip
        assert words in re.sub(r"\s*\n \* +", " ", top), words
    assert (
        "digest" in seed_store.files["settings.c"] and "class B" in seed_store.files["README.txt"]
    )
    assert "*/" not in comment(["a */ b"]).removesuffix(" */\n")


def test_written_and_hand_written_files_are_plain(seed_store):
    for name, text in seed_store.files.items():
        assert text.isascii() and max(len(line) for line in text.splitlines()) <= 120, name
    on_boards = [path for path in C_FOLDER.glob("*.[ch]") if path.name != "maker_main.c"]
    assert len(on_boards) > 40
    for path in on_boards:
        text = re.sub(r"/\*.*?\*/", "", path.read_text(encoding="ascii"), flags=re.DOTALL)
        allowed = {"stdint.h", "stdbool.h", "stddef.h", "avr/pgmspace.h"}
        assert set(re.findall(r"#include <(.*)>", text)) <= allowed, path.name
        assert not re.search(r"\b(malloc|free|float|double|printf|goto)\b", text), path.name


def test_a_setting_that_does_not_fit_is_one_line():
    config = load_config("galley_larder")
    plan = DefrostSettings(kind=1, hold_ticks=70_000)
    firmware = firmware_of(config, replace(settings_of(config), defrost=plan))
    with pytest.raises(ValueError, match="hold_ticks = 70000: expected 0 to 65535 ticks"):
        lay_out(firmware.law, firmware.protection, features_of(firmware.law, firmware.protection))


def test_a_folder_is_taken_whole_or_not_at_all(seed_store, tmp_path):
    folder = tmp_path / "out"
    write_export(seed_store, folder)
    assert {path.name for path in folder.iterdir()} == set(seed_store.files)
    (folder / "hardware.c").write_text("mine")
    (folder / "main.c").write_text("changed")
    with pytest.raises(CannotWrite, match="is not empty"):
        write_export(seed_store, folder)
    assert (folder / "main.c").read_text() == "changed"
    write_export(seed_store, folder, force=True)
    assert (folder / "main.c").read_text() == seed_store.files["main.c"]
    assert (folder / "hardware.c").read_text() == "mine"
    with pytest.raises(CannotWrite, match="no such folder"):
        write_export(seed_store, tmp_path / "no" / "out")
    with pytest.raises(CannotWrite, match="is a file"):
        write_export(seed_store, folder / "main.c", force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]  # nothing left beside it


def test_the_verb(tmp_path, capsys):
    out = tmp_path / "fw"
    words = ["firmware", "seed_store", "--controller", "on_off", "--out", str(out)]
    assert cli.main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["files"] == sorted(path.name for path in out.iterdir())
    packed = pack(lay_out(
        (firmware := firmware_of(config := override(load_config("seed_store"),
                                                    controller="on_off"),
                                 settings_of(config))).law,
        firmware.protection, features_of(firmware.law, firmware.protection),
    ))  # fmt: skip
    assert found["settings_checksum"] == f"{checksum_of(packed):04X}"
    assert {item["where"] for item in found["class_b"]} == {
        "in the export", "partly", "left to you",
    }  # fmt: skip
    assert cli.main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert cli.main([*words, "--force"]) == 0
    screen = capsys.readouterr().out
    assert "left to you" in screen and "cut-out" in screen


@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
def test_an_export_builds_and_its_main_loop_reports(seed_store, tmp_path):
    # As a maker does it, with a board of our own that sends the status line to a pipe.
    folder = tmp_path / "out"
    write_export(seed_store, folder)
    (folder / "hardware.c").write_text(BOARD.replace("<stdio.h>", "<stdio.h>\n#include <stdlib.h>"))
    sources = sorted(str(path) for path in folder.glob("*.c"))
    program = tmp_path / "firmware"
    subprocess.run(
        ["gcc", "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-fsanitize=undefined",
         *sources, "-o", program],
        check=True,
    )  # fmt: skip
    lines = subprocess.run([program], capture_output=True, text=True, check=True).stdout.split("\n")
    pattern = (
        r"s\d+ r\d+ a(-|-?\d+\.\d\d) h(-|-?\d+\.\d\d) c(-|-?\d+\.\d\d) d\d+ m[01] "
        r"f[01]{2} l[01]{2} k([0-9A-F]{4}) p([0-9A-F]{4})=([0-9A-F]{4})"
    )
    found = [re.fullmatch(pattern, line) for line in lines[:-1]]
    assert len(found) > seed_store.settings_bytes // 2 and all(found[1:])
    # 300 and 400 steps of 1/16 deg C.
    assert lines[5].split()[2:5] == ["a18.75", "h25.00", "c-"]
    packed = bytearray(seed_store.settings_bytes)
    for match in found[: seed_store.settings_bytes // 2]:
        assert match[4] == f"{seed_store.checksum:04X}"
        packed[int(match[5], 16) : int(match[5], 16) + 2] = int(match[6], 16).to_bytes(2, "little")
    # Settings read back through the status line are those that were laid out, byte by byte.
    assert checksum_of(bytes(packed)) == seed_store.checksum


def test_files_of_an_earlier_export_do_not_stay_to_be_compiled(tmp_path):
    """Ours that the new law does not need are removed and named; the maker's own stay."""
    config = load_config("benchmark")
    folder = tmp_path / "fw"
    first = export_of(config, settings_of(config), version="1", recommended=False)
    assert write_export(first, folder) == ()
    for name in ("hardware.c", "board.c"):
        (folder / name).write_text("/* mine */")
    plain = override(config, controller="on_off")
    second = export_of(plain, settings_of(plain), version="1", recommended=False)
    removed = write_export(second, folder, True)
    assert {"law_pi.c", "law_pi.h", "integral.c"} <= set(removed)
    left = {path.name for path in folder.iterdir()}
    assert left == set(second.files) | {"hardware.c", "board.c"}


def test_the_safe_state_is_that_of_the_cabinet_s_wiring():
    """What the firmware cannot switch or read is not claimed."""
    data = plain_data(load_config("benchmark"))

    def safe(**fan):
        part = build_config({**data, "hot_sink": {**data["hot_sink"], **fan}}, "t")
        return next(x for x in class_b_measures(part) if x.component == "safe state").measure

    assert "hot fan on, alarm" in safe(fan_wiring="own_switch")
    assert "module off, hot fan off with it (on the module's wires), alarm" in safe(
        fan_wiring="with_module"
    )
    assert "hot fan on" not in safe(fan_wiring="with_module")
    bare = {key: value for key, value in data.items() if key != "hot_sink_sensor"}
    config = build_config(bare, "t")
    told = next(x for x in class_b_measures(config) if x.component == "safe state").measure
    assert "after a trip" not in told and "nothing trips" in told

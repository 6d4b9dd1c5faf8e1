"""The exported C on an 8-bit AVR: its size, its stack, and its commands, in an emulator."""

import json
import re
import subprocess

import pytest
from largest_firmware import LAWS, largest, wandering_codes, write_firmware

from ctrl import link
from ctrl.avr_stack import RETURN_ADDRESS_BYTES, NoBound, functions_of, stack_bound
from ctrl.build import plant_of
from ctrl.cli import main
from ctrl.config import load_config
from ctrl.emulator import EmulatedBoard, EmulatedFirmware, EmulatorError, missing_emulator
from ctrl.export import export_of, write_export
from ctrl.firmware import firmware_of, settings_of
from ctrl.microcontroller import (
    ARM,
    AVR,
    AVR_FOLDER,
    NO_STATUS,
    NoTools,
    build_bench,
    build_export,
    build_image,
    end_of_variables,
    footprint,
)
from ctrl.outside_loop import OutsideLoop
from ctrl.protection import new_guard_state
from ctrl.trial import warm_state

needs_avr = pytest.mark.skipif(AVR.missing() is not None, reason=str(AVR.missing()))
needs_emulator = pytest.mark.skipif(
    (AVR.missing() or missing_emulator()) is not None,
    reason=str(AVR.missing() or missing_emulator()),
)
needs_arm = pytest.mark.skipif(ARM.missing() is not None, reason=str(ARM.missing()))

# Flash and RAM [bytes], with the status line and without, measured with the compiler of Debian
# 12, gcc-avr 5.4, every option in at once. The aim of 8192 and 256 is kept by four as they
# are, in RAM by cascade too, and by all six without the status line.
TAKEN = {
    "fixed": ((7120, 229), (6444, 214)), "on_off": ((7230, 228), (6550, 213)),
    "two_level": ((7284, 228), (6610, 213)), "pi": ((8716, 271), (7988, 255)),
    "cascade": ((8478, 256), (7784, 240)), "best_cop": ((8068, 242), (7406, 226)),
}  # fmt: skip


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    """Return the larder's config, firmware and written export."""
    config = load_config("galley_larder")
    settings = settings_of(config)
    export = export_of(config, settings, version="test", recommended=False)
    folder = tmp_path_factory.mktemp("larder") / "export"
    write_export(export, folder)
    return config, firmware_of(config, settings), folder


def altered(folder, made, name, old, new):
    """Copy an export with one text in it altered."""
    made.mkdir()
    for path in folder.iterdir():
        text = path.read_text()
        if path.name == name:
            assert len(re.findall(old, text)) == 1
            text = re.sub(old, new, text)
        (made / path.name).write_text(text)
    return made


# Size --------------------------------------------------------------------------------------


@needs_avr
@pytest.mark.parametrize("law", LAWS)
def test_flash_and_ram_of_the_largest_firmware(law, tmp_path):
    folder = write_firmware(largest(law), tmp_path / "export")
    for flags, (flash, ram) in zip(((), NO_STATUS), TAKEN[law], strict=True):
        took = footprint(AVR, build_export(AVR, folder, tmp_path / "image.elf", flags))
        print(f"{law} {flags}: flash {took.flash_bytes}, RAM {took.ram_bytes}: {took}")
        assert 0.7 * flash < took.flash_bytes <= 1.03 * flash
        assert 0.7 * ram < took.ram_bytes <= 1.03 * ram
    # The last build, without the status line: there every law keeps to the aim.
    assert took.flash_bytes <= AVR.flash_aim_bytes and took.ram_bytes <= AVR.ram_aim_bytes


@needs_avr
def test_a_shipped_cabinet_keeps_to_the_aim(larder, tmp_path):
    took = footprint(AVR, build_export(AVR, larder[2], tmp_path / "image.elf"))
    print(took)
    assert took.flash_bytes <= AVR.flash_aim_bytes
    assert took.ram_bytes <= AVR.ram_aim_bytes


@needs_arm
@pytest.mark.arm
def test_size_on_a_cortex_m0(larder, tmp_path):
    took = footprint(ARM, build_export(ARM, larder[2], tmp_path / "image.elf"))
    print(took)
    assert 1000 < took.flash_bytes < 16 * 1024
    assert took.variables_bytes < 512


# Stack -------------------------------------------------------------------------------------

LISTING = """
00000100 <main>:
 100:\tcf 93       \tpush\tr28
 102:\tdf 93       \tpush\tr29
 104:\tcd b7       \tin\tr28, 0x3d\t; 61
 106:\tde b7       \tin\tr29, 0x3e\t; 62
 108:\t2a 97       \tsbiw\tr28, 0x0a\t; 10
 10a:\tcd bf       \tout\t0x3d, r28\t; 61
 10c:\t0e 94 00 01 \tcall\t0x200\t; 0x200 <below>
 110:\t08 95       \tret

00000200 <below>:
 200:\t1f 93       \tpush\tr17
 202:\t00 d0       \trcall\t.+0      \t; 0x204 <below+0x4>
 204:\tLAST
"""


def bound_of(last):
    return stack_bound(functions_of(LISTING.replace("LAST", last)))


def test_stack_of_a_listing_counted_by_hand():
    # main: return address 2, two registers, 10 of locals; below: 2, 1, and 2 of locals.
    assert bound_of("08 95       \tret") == (2 + 2 + 10 + 2 + 1 + 2, ("main", "below"))


def test_no_bound_for_recursion_and_pointers():
    with pytest.raises(NoBound, match="can call itself"):
        bound_of("0e 94 80 00 \tcall\t0x100\t; 0x100 <main>")
    with pytest.raises(NoBound, match="through a pointer"):
        bound_of("09 95       \ticall")


@needs_avr
def test_frames_are_those_the_compiler_reports(tmp_path):
    folder = write_firmware(largest("pi"), tmp_path / "export")
    image = tmp_path / "image.elf"
    sources = [*sorted(folder.glob("*.c")), AVR_FOLDER / "hardware_none.c"]
    subprocess.run(
        ["avr-gcc", *(f for f in AVR.flags if f != "-flto"), "-fstack-usage", f"-I{folder}",
         *map(str, sources), *(f for f in AVR.link_flags if f != "-flto"), "-o", str(image)],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    listing = subprocess.run(
        ["avr-objdump", "-d", image], check=True, capture_output=True, text=True
    ).stdout
    ours = functions_of(listing)
    reported = {}
    for path in tmp_path.glob("*.su"):
        for line in path.read_text().splitlines():
            name, size, kind = line.split("\t")
            assert kind == "static"
            reported[name.split(":")[-1]] = int(size)
    shared = [name for name in reported if name in ours]
    # The compiler counts the return address with the function, we with the call.
    wrong = {n: (ours[n].frame_bytes, reported[n]) for n in shared
             if ours[n].frame_bytes + RETURN_ADDRESS_BYTES != reported[n]}  # fmt: skip
    assert len(shared) > 20
    assert not wrong


# Commands ----------------------------------------------------------------------------------


@needs_emulator
@pytest.mark.parametrize("law", LAWS)
def test_wandering_codes_give_our_commands_and_the_deepest_stack(law, tmp_path):
    firmware = largest(law)
    folder = write_firmware(firmware, tmp_path / "export")
    image = build_bench(folder, tmp_path / "image.elf", ("-DBENCH_STATUS=1",))
    settings = firmware.protection.to_words()
    state = new_guard_state(settings)
    board = EmulatedFirmware(image, firmware)
    reasons = set()
    for tick, codes in enumerate(wandering_codes(3, 1200)):
        board.tick(settings, state, tick, codes)
        reasons.add(int(state[0]))
    stack, bound = board.board.stack_bytes(end_of_variables(image)), footprint(AVR, image)
    print(f"{law}: stack {stack}, bound {bound.stack_bytes}; reasons {sorted(reasons)}")
    board.close()
    assert (board.ticks, board.differing) == (1200, 0), board.first_difference
    assert len(reasons) >= 9
    assert bound.stack_bytes - 12 <= stack <= bound.stack_bytes


@needs_emulator
def test_a_day_in_closed_loop(larder, tmp_path):
    config, firmware, folder = larder
    image = build_bench(folder, tmp_path / "image.elf")
    board = EmulatedFirmware(image, firmware)
    plant = plant_of(config)
    loop = OutsideLoop(plant, firmware, warm_state(plant, config), outside=board)
    record = loop.run(24 * 3600.0)
    print(f"{board.board.cycles / board.ticks:.0f} cycles a tick")
    assert (board.ticks, board.differing) == (86400, 0), board.first_difference
    assert 0.05 < record.table[:, 18].mean() < 1.0  # the board ran the module
    loop.run(60.0, powered=False)
    loop.run(600.0)
    board.close()
    assert (board.ticks, board.differing) == (87000, 0), board.first_difference


@needs_emulator
def test_an_altered_setting_shows(larder, tmp_path):
    config, firmware, folder = larder
    changed = altered(
        folder, tmp_path / "changed", "settings.c", r"(?<=\.duty_limit_permille = )\d+",
        lambda found: str(int(found[0]) - 1),
    )  # fmt: skip
    # Its checksum no longer fits, so the firmware stops by itself; take the check out as well.
    source = changed / "coldloop_controller.c"
    source.write_text(source.read_text().replace("cl_settings_damaged(&c->check)", "false"))
    board = EmulatedFirmware(build_bench(changed, tmp_path / "image.elf"), firmware)
    plant = plant_of(config)
    OutsideLoop(plant, firmware, warm_state(plant, config), outside=board).run(1800.0)
    board.close()
    assert board.differing > 0


def ask_broken(folder, made, statement):
    """Return what is told of an export whose third tick runs a statement."""
    broken = altered(
        folder, made, "coldloop_controller.c", r"(?<=coldloop_outputs \*out\)\n\{\n)",
        lambda _: f"    static uint8_t count;\n    if (++count == 3U) {{ {statement} }}\n",
    )  # fmt: skip
    image = build_bench(broken, made.with_suffix(".elf"))
    with EmulatedBoard(image, limit_s=0.2) as board:
        host = link.Host(board, timeout_s=60.0)
        host.hello(1000)
        with pytest.raises(EmulatorError) as told:
            for done in range(3):  # noqa: B007
                host.tick(1000, (500, 500, 500, 500), (0, 0, 0, 0), 12000)
        assert done == 2
    return str(told.value)


@needs_emulator
def test_crash_hang_and_stop_are_told_apart(larder, tmp_path):
    folder = larder[2]
    crash = '__asm__ volatile("jmp 0x7ffe");'  # no code there
    assert ask_broken(folder, tmp_path / "crash", crash) == "the image crashed"
    hung = ask_broken(folder, tmp_path / "hang", "for (;;) { }")
    assert hung == "the image did not answer within 0.2 s of its own clock"
    stop = '__asm__ volatile("cli\\n\\tsleep");'
    assert ask_broken(folder, tmp_path / "stop", stop) == "the image stopped for good"


@needs_emulator
def test_what_is_no_image_is_refused(tmp_path):
    path = tmp_path / "nothing.elf"
    path.write_bytes(b"no image")
    with pytest.raises(EmulatorError, match="not an image"):
        EmulatedBoard(path)


# Without the tools -------------------------------------------------------------------------


def test_without_the_compiler_the_package_is_named(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NoTools, match="apt-get install gcc-avr avr-libc"):
        build_image(AVR, [], [], tmp_path / "image.elf")
    folder = tmp_path / "export"
    arguments = ["firmware", "galley_larder", "--controller", "pi", "--avr", "--arm"]
    assert main([*arguments, "--out", str(folder)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "avr-gcc is not installed: apt-get install gcc-avr avr-libc" in shown
    assert (folder / "settings.c").is_file()
    assert main([*arguments, "--json", "--force", "--out", str(folder)]) == 0
    avr, arm = json.loads(capsys.readouterr().out)["microcontrollers"]
    assert avr["flash_bytes"] is None and "gcc-avr" in avr["not_built"]
    assert arm["flash_bytes"] is None and "gcc-arm-none-eabi" in arm["not_built"]


@needs_avr
def test_the_verb_shows_flash_and_ram_beside_the_aim(tmp_path, capsys):
    arguments = ["firmware", "galley_larder", "--controller", "pi", "--avr"]
    assert main([*arguments, "--json", "--out", str(tmp_path / "a")]) == 0
    (avr,) = json.loads(capsys.readouterr().out)["microcontrollers"]
    assert avr["not_built"] is None
    assert avr["ram_bytes"] == avr["variables_bytes"] + avr["stack_bytes"]
    assert main([*arguments, "--out", str(tmp_path / "b")]) == 0
    shown = capsys.readouterr().out
    assert f"flash {avr['flash_bytes']} bytes (aim 8192" in shown
    assert f"RAM   {avr['ram_bytes']} bytes (aim 256" in shown

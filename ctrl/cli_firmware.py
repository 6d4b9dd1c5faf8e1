"""The verb `firmware`: the settings and the code to flash, as a folder of C99."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    LOOP_KERNEL,
    ROOM,
    STEADY_KERNEL,
    add_config,
    add_overrides,
    add_seed,
    config_of,
    is_compiling,
    version,
    write_json,
)

if TYPE_CHECKING:
    from ctrl.config import Config
    from ctrl.export import Export
    from ctrl.flashed import Flashed
    from ctrl.part_sizes import PartSize

LAWS = ("on_off", "pi", "fixed", "two_level", "cascade", "best_cop")


def declare_firmware(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument("--out", metavar="DIR", required=True, help="folder to write")
    parser.add_argument("--force", action="store_true", help="replace files that are there")
    parser.add_argument("--controller", choices=LAWS, help="another than the config's")
    parser.add_argument(
        "--avr", action="store_true", help="build it for an 8-bit AVR too: flash and RAM"
    )
    parser.add_argument(
        "--arm", action="store_true", help="build it for a Cortex-M0 too: flash and variables"
    )
    add_overrides(parser, (*ROOM, "setpoint_c"))
    add_seed(parser)


def run_firmware(args: argparse.Namespace) -> int:
    """Write the firmware of a cabinet."""
    from ctrl.export import check_folder, export_of, write_export
    from ctrl.flashed import origin_lines

    folder = Path(args.out)
    check_folder(folder, args.force)
    config = config_of(args, (*ROOM, "setpoint_c"), controller=args.controller)
    found = flashed_with_stages(args, config)
    export = export_of(config, found.settings, version=version(), recommended=found.recommended,
                       origins=origin_lines(config, found))  # fmt: skip
    removed = write_export(export, folder, args.force)
    sizes = _sizes_of(args)
    if args.json:
        write_json(_object(export, found, args.out, sizes))
    else:
        _show(export, found, args.out, sizes)
        if removed:
            sys.stdout.write(f"removed, of an earlier export: {', '.join(removed)}\n")
    return DONE if found.holds else ANSWER_IS_NO


def _sizes_of(args: argparse.Namespace) -> "tuple[PartSize, ...]":
    if not (args.avr or args.arm):
        return ()
    from ctrl.microcontroller import ARM, AVR
    from ctrl.part_sizes import part_sizes

    wanted = [part for part, asked in ((AVR, args.avr), (ARM, args.arm)) if asked]
    return part_sizes(Path(args.out), wanted)


def flashed_with_stages(args: argparse.Namespace, config: "Config") -> "Flashed":
    """Return what is flashed for a config, the stages shown while it is worked out."""
    from ctrl import screen
    from ctrl.flashed import flashed
    from ctrl.recommend import SEED

    if config.controller.kind != "recommend":
        return flashed(config)
    compiling = is_compiling(args, STEADY_KERNEL, LOOP_KERNEL)
    seed = SEED if args.seed is None else args.seed
    with screen.Stages("tuning the controllers", compiling=compiling) as stages:
        return flashed(config, seed=seed, progress=stages)


def _object(
    export: "Export", found: "Flashed", folder: str, sizes: "tuple[PartSize, ...]"
) -> dict[str, Any]:
    from ctrl.class_b import class_b_measures
    from ctrl.part_sizes import size_objects

    return {
        "command": "firmware",
        "version": version(),
        "config": export.config.source,
        "cabinet": export.config.cabinet.name,
        "target_c": export.config.use.target_c,
        "controller": export.settings.controller,
        "setpoint_c": export.settings.setpoint_c,
        "folder": folder,
        "files": list(export.files),
        "config_digest": export.digest,
        "settings_checksum": f"{export.checksum:04X}",
        "settings_bytes": export.settings_bytes,
        "settings_worked_out": export.recommended,
        "settings_origin": found.origin,
        "defrost_origin": found.defrost_origin,
        "seed": found.seed,
        **({"seed_reason": "nothing was worked out"} if found.seed is None else {}),
        "microcontrollers": size_objects(sizes),
        "class_b": [
            {"component": item.component, "fault": item.fault, "where": item.where,
             "measure": item.measure}
            for item in class_b_measures(export.config)
        ],
    }  # fmt: skip


def _show(export: "Export", found: "Flashed", folder: str, sizes: "tuple[PartSize, ...]") -> None:
    from ctrl import screen
    from ctrl.class_b import class_b_measures
    from ctrl.firmware_top import CAUTIONS
    from ctrl.flashed import MAY_DIFFER
    from ctrl.part_sizes import size_lines
    from ctrl.thermistor_fit import thermistor_cautions

    out = screen.console()
    out.print(
        f"{export.config.cabinet.name}: {export.settings.controller}, settings {found.origin}"
    )
    if found.recommended:
        out.print(MAY_DIFFER)
    out.print(f"{found.defrost_origin[0].upper()}{found.defrost_origin[1:]}.", markup=False)
    if not found.holds:
        out.print("With these parts the target cannot be held; see `coldloop recommend`.")
    out.print(f"config digest {export.digest}, settings checksum {export.checksum:04X} "
              f"over {export.settings_bytes} bytes")  # fmt: skip
    out.print("\nWhere measures against faults of the microcontroller are (class B):")
    for item in class_b_measures(export.config):
        out.print(f"  {item.component:<26} {item.where}")
    if sizes:
        out.print("")
    for line in size_lines(sizes):
        out.print(line)
    out.print("\nBefore you flash it:")
    for line in CAUTIONS:
        out.print(line)
    for text in thermistor_cautions(export.config, export.settings.setpoint_c):
        out.print(f"- {text}")
    sys.stdout.flush()
    sys.stdout.write(f"written: {folder} ({len(export.files)} files); write hardware.c next\n")

"""`coldloop check --bench`: options and work of the bench readings."""

import argparse
import sys
from typing import TYPE_CHECKING

from ctrl.cli_options import command_line_fault, target_file
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    is_compiling,
    tell_written,
    version,
    write_json,
)

if TYPE_CHECKING:
    from ctrl.config import Config

TOML_SUFFIXES = (".toml",)
MODULE_KERNEL = "at_current"  # what takes the time where nothing is compiled yet


def add_bench(parser: argparse.ArgumentParser) -> None:
    """Declare the options of bench readings."""
    parser.add_argument(
        "--bench", metavar="FILE", help="your readings at the bench: parameters, module's label"
    )
    parser.add_argument(
        "--bench-recipe", action="store_true",
        help="instead of a CONFIG: how to measure, and the file to fill in",
    )  # fmt: skip
    parser.add_argument("--out", metavar="FILE", help="--bench: write the config as measured")
    parser.add_argument("--force", action="store_true", help="overwrite the file that is there")


def run_recipe(args: argparse.Namespace) -> int:
    """Print the bench recipes."""
    for name, given in (("CONFIG", args.config), ("--bench", args.bench), ("--out", args.out),
                        ("--json", args.json or None)):  # fmt: skip
        if given is not None:
            raise command_line_fault("does not fit", "--bench-recipe", None, f"no {name} beside it")
    from ctrl.measured_recipe import RECIPE

    sys.stdout.write(RECIPE)
    return DONE


def run_bench(args: argparse.Namespace, config: "Config", overridden: bool) -> int:
    """Show what the readings tell; the answer is no for a mislabelled module."""
    if args.all:
        raise command_line_fault("does not fit", "--all", None, "no --bench beside it")
    out = target_file("--out", args.out, TOML_SUFFIXES, args.force)
    if out is not None and overridden:
        # They would be in what was computed and not in what is written.
        raise command_line_fault("does not fit", "--out", args.out, "no other option of the room, "
                                 "target or drive beside it")  # fmt: skip
    from ctrl.measured_file import read_bench

    readings = read_bench(args.bench)
    is_compiling(args, MODULE_KERNEL)
    from ctrl import screen, screen_measured
    from ctrl.json_out_measured import of_bench
    from ctrl.measured import bench_check

    with screen.Stages("working out the readings", compiling=False):
        found = bench_check(config, readings)
    if out is not None:
        from ctrl.config_lines import config_with
        from ctrl.new import write_whole
        from ctrl.shipped import find_config

        text = find_config(args.config).read_text(encoding="utf-8-sig")
        changed, _ = config_with(text, args.config, found.lines, found.dropped)
        write_whole(out, changed)
    if args.json:
        write_json(of_bench(found, version()))
    else:
        screen_measured.show(screen.console(), found)
    if out is not None:
        tell_written(args, out)
    mislabelled = found.label is not None and found.label.verdict == "mislabelled"
    return ANSWER_IS_NO if mislabelled else DONE

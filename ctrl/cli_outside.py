"""Options and verbs with a controller from outside, and the live look."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ctrl.cli_options import command_line_fault
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    LOOP_KERNEL,
    is_compiling,
    tell_written,
    version,
    write_json,
)

if TYPE_CHECKING:
    from ctrl.config import Config

MOST_SPEED = 1e6


def declare_outside(parser: argparse.ArgumentParser) -> None:
    """Add what `simulate` has for a maker's own code and for the live look."""
    parser.add_argument(
        "--controller-c", metavar="FILE.c",
        help="run your own C file (or the shipped thermostat.c) beside ours",
    )  # fmt: skip
    parser.add_argument(
        "--protected", action="store_true", help="put our protections behind --controller-c"
    )


def check_outside(args: argparse.Namespace) -> None:
    """Refuse options that would do nothing beside each other."""
    if args.protected and args.controller_c is None:
        raise command_line_fault("does nothing", "--protected", None, "--controller-c FILE.c")


def run_maker(
    args: argparse.Namespace, config: "Config", row_s: float, plot: Path | None, table: Path | None
) -> int:
    """Run a maker's C file beside our own controller."""
    from ctrl.maker import find_compiler, find_source

    source = find_source(args.controller_c)
    find_compiler()
    compiling = is_compiling(args, LOOP_KERNEL)
    from ctrl import json_out_maker, screen, screen_maker
    from ctrl.maker_trial import maker_trial
    from ctrl.recommend import SEED

    seed = SEED if args.seed is None else args.seed
    with screen.Stages("compiling your controller", compiling=compiling) as stages:
        found = maker_trial(
            config, source, days=args.days, seed=seed, row_s=row_s, protected=args.protected,
            progress=stages,
        )  # fmt: skip
        if plot is not None:
            from ctrl.plots import plot_run

            stages("drawing")
            plot_run(found.maker.record, config, path=plot)
        if table is not None:
            found.maker.record.write_csv(table, args.csv_step)
    if args.json:
        write_json(json_out_maker.of_maker_trial(found, version()))
    else:
        screen_maker.show(screen.console(), found)
    for path in (plot, table):
        if path is not None:
            tell_written(args, path)
    return DONE if found.stop is None else ANSWER_IS_NO

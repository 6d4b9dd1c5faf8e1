"""The verb `drill`: faults, one after the other, each with its pass line stated first."""

import argparse
import contextlib
import difflib
import sys
from typing import TYPE_CHECKING

from ctrl.cli_firmware import flashed_with_stages
from ctrl.cli_options import command_line_fault, target_file
from ctrl.cli_outside import declare_yours, yours_of
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    LOOP_KERNEL,
    PLOT_SUFFIXES,
    ROOM,
    STEADY_KERNEL,
    add_config,
    add_overrides,
    add_plot,
    add_seed,
    config_of,
    is_compiling,
    tell_written,
    version,
    write_json,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from ctrl.config import Config
    from ctrl.controllers import Outside


def declare_drill(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument("--only", metavar="NAME", help="one drill instead of all")
    declare_yours(parser, "drill your own C file instead of ours: slower, so take --only")
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)


def run_drill(args: argparse.Namespace) -> int:
    """Run the fault drills; the answer is no if one fails."""
    plot = target_file("--plot", args.plot, PLOT_SUFFIXES, args.force)
    config = config_of(args, ROOM)
    from ctrl.drill_list import DRILLS

    if args.only is not None and args.only not in DRILLS:
        near = difflib.get_close_matches(args.only, DRILLS, n=1)
        hint = f"; nearest: {near[0]}" if near else ""
        raise command_line_fault("no such drill", "--only", repr(args.only),
                                 f"one of {', '.join(DRILLS)}{hint}")  # fmt: skip
    with contextlib.ExitStack() as stack:
        yours = yours_of(stack, config, args)
        return _drill(args, config, plot, None if yours is None else yours[1])


def _drill(
    args: argparse.Namespace, config: "Config", plot: "Path | None",
    outside: "Callable[[], Outside] | None",
) -> int:  # fmt: skip
    from ctrl import json_out_drill, screen, screen_drill
    from ctrl.build import plant_of
    from ctrl.drill_devices import device_specs
    from ctrl.drill_results import DrillResult, Plan
    from ctrl.drills import drill_all
    from ctrl.recommend import SEED

    if config.controller.kind != "recommend":
        is_compiling(args, STEADY_KERNEL, LOOP_KERNEL)
    seed = SEED if args.seed is None else args.seed
    flashed = flashed_with_stages(args, config)
    settings = flashed.settings
    devices = device_specs(config, plant_of(config))
    out = screen.console()

    def before(plan: Plan) -> None:
        if not args.json:
            screen_drill.show_line(out, plan)
            sys.stdout.flush()

    def after(found: DrillResult) -> None:
        if not args.json:
            screen_drill.show_result(out, found)

    if not args.json:
        screen_drill.show_head(out, config, flashed, devices, args.controller_c, seed)
    results = drill_all(config, settings, seed=seed, only=args.only, before=before,
                        after=after, outside=outside)  # fmt: skip
    if args.json:
        write_json(
            json_out_drill.of_drills(
                config, flashed, devices, results, seed, version(), args.controller_c
            )
        )
    else:
        screen_drill.show_end(out, results)
    if plot is not None:
        from ctrl.plots_drill import plot_drills

        plot_drills(config, results, path=plot)
        tell_written(args, plot)
    return DONE if all(item.passed for item in results) else ANSWER_IS_NO

"""Options and verbs with a controller from outside, and the live look."""

import argparse
import contextlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ctrl.cli_options import command_line_fault, whole_within, within
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    LOOP_KERNEL,
    add_config,
    add_overrides,
    add_seed,
    config_of,
    is_compiling,
    tell_written,
    version,
    write_json,
)

if TYPE_CHECKING:
    from ctrl.config import Config
    from ctrl.linked import LinkedController

    Yours = tuple[str, Callable[[], LinkedController]]  # file's name, what powers it up
    from ctrl.record import Record

ROOM = ("ambient_c", "humidity_pct", "target_c", "setpoint_c")
FASTEST, LIVE_SPEED = 1e6, 3600.0
BOARD_CAUTION = (
    "Caution: the temperatures the board gets are simulated. Disconnect its output from the "
    "module, and keep it disconnected: it would drive a real module blindly."
)


def declare_yours(parser: argparse.ArgumentParser, text: str) -> None:
    """Add the option that names a maker's own C file."""
    parser.add_argument("--controller-c", metavar="FILE.c", help=text)


def declare_outside(parser: argparse.ArgumentParser) -> None:
    """Add what `simulate` has for a maker's own code and for the live look."""
    declare_yours(parser, "run your own C file (or the shipped thermostat.c) beside ours")
    parser.add_argument(
        "--protected", action="store_true", help="put our protections behind --controller-c"
    )
    parser.add_argument("--live", action="store_true", help="watch it as it runs")
    _declare_speed(parser, f"of --live: simulated seconds in a second ({LIVE_SPEED:g})", None)


def _declare_speed(parser: argparse.ArgumentParser, text: str, default: float | None) -> None:
    parser.add_argument(
        "--speed", type=within(0.1, FASTEST, "s/s"), default=default, metavar="N", help=text
    )


def declare_loop(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `loop`."""
    add_config(parser)
    parser.add_argument(
        "--port", required=True, metavar="PORT", help="serial port, such as /dev/ttyUSB0"
    )
    parser.add_argument(
        "--baud", type=whole_within(300, 4_000_000, "Bd"), default=115200, metavar="BD",
        help="speed of the line (115200)",
    )  # fmt: skip
    _declare_speed(parser, "simulated seconds in a second of the clock (1)", 1.0)
    parser.add_argument(
        "--hours", type=within(0.001, 8784.0, "h"), metavar="H",
        help="simulated time (until Ctrl-C)",
    )  # fmt: skip
    parser.add_argument(
        "--every", type=whole_within(1, 86400, "s"), default=60, metavar="S",
        help="simulated seconds between two lines (60)",
    )  # fmt: skip
    add_overrides(parser, ROOM)
    add_seed(parser)


def check_outside(args: argparse.Namespace) -> None:
    """Refuse options that would do nothing beside each other."""
    if args.protected and args.controller_c is None:
        raise command_line_fault("does nothing", "--protected", None, "--controller-c FILE.c")
    if args.speed is not None and not args.live:
        raise command_line_fault("does nothing", "--speed", f"{args.speed:g}", "--live beside it")
    if args.live and (args.json or args.controller_c is not None):
        other = "--json" if args.json else "--controller-c"
        raise command_line_fault("does not fit", "--live", None, f"no {other} beside it")


def yours_of(
    stack: contextlib.ExitStack, config: "Config", args: argparse.Namespace
) -> "Yours | None":
    """Return the maker's own C file of the command line, compiled, or None.

    What powers it up gives every run a process of its own; all end with the stack.
    """
    if args.controller_c is None:
        return None
    from ctrl.maker import find_source, fresh_controllers

    source = find_source(args.controller_c)
    return source.name, stack.enter_context(fresh_controllers(config, source))


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


def run_live(
    args: argparse.Namespace, config: "Config", row_s: float, plot: Path | None, table: Path | None
) -> int:
    """Run a cabinet before the user's eyes, then tell what happened."""
    compiling = is_compiling(args, LOOP_KERNEL)
    from ctrl import screen, screen_live, screen_simulate
    from ctrl.recommend import SEED
    from ctrl.simulation import simulate

    speed = LIVE_SPEED if args.speed is None else args.speed
    seed = SEED if args.seed is None else args.seed
    row_s = min(row_s, screen_live.row_s_at(speed))
    with screen.Stages("loading the model", compiling=compiling):
        simulate(config, days=0.0, seed=seed, row_s=row_s)  # so that the look begins at once
    out = screen.console()
    with screen_live.LiveLook(out, config, args.days * 86400.0, speed) as look:
        run = simulate(
            config, days=args.days, seed=seed, row_s=row_s, piece_s=look.piece_s, watch=look
        )
    if table is not None:
        run.record.write_csv(table, args.csv_step)
    if plot is not None:
        from ctrl.plots import plot_run

        plot_run(run.record, config, path=plot)
    out.print()
    screen_simulate.show(out, run)
    for path in (plot, table):
        if path is not None:
            tell_written(args, path)
    return DONE


def run_loop(args: argparse.Namespace) -> int:
    """Run a cabinet with a real board as its controller."""
    config = config_of(args, ROOM)
    from ctrl.board import SerialStream, run_board

    stream = SerialStream(args.port, args.baud)
    try:
        if not args.json:
            sys.stdout.write(BOARD_CAUTION + "\n")
            sys.stdout.flush()
        is_compiling(args, LOOP_KERNEL)
        from ctrl import screen, screen_board
        from ctrl.recommend import SEED

        out = screen.console()

        def on_row(record: "Record", linked: "LinkedController") -> None:
            if not args.json:
                screen_board.show_row(out, config, record, linked)

        found = run_board(
            config, stream, hours=args.hours, speed=args.speed, every_s=float(args.every),
            seed=SEED if args.seed is None else args.seed, on_row=on_row,
        )  # fmt: skip
    finally:
        stream.close()
    if args.json:
        write_json(screen_board.board_object(config, found, version()))
    else:
        screen_board.show_end(out, found)
    return DONE if found.stop is None else ANSWER_IS_NO

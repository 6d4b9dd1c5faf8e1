"""The command line: `coldloop VERB CONFIG`.

Light on purpose: everything that computes is imported inside the verb that needs it, so
that help comes at once.  Exit status: 0 done; 1 done and the answer is no; 2 bad input;
130 interrupted.
"""

import argparse
import contextlib
import os
import re
import sys
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from ctrl.cli_bench import add_bench, run_bench, run_recipe
from ctrl.cli_calibrate import declare_calibrate, run_calibrate
from ctrl.cli_drill import declare_drill, run_drill
from ctrl.cli_firmware import declare_firmware, run_firmware
from ctrl.cli_guide import declare_guide, run_guide
from ctrl.cli_options import (
    COMMAND_LINE,
    command_line_fault,
    number,
    target_file,
    whole_within,
    within,
)
from ctrl.cli_outside import (
    check_outside,
    declare_loop,
    declare_outside,
    declare_yours,
    run_live,
    run_loop,
    run_maker,
    yours_of,
)
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    BAD_INPUT,
    DONE,
    EVIDENCE_KERNEL,
    INTERRUPTED,
    LOOP_KERNEL,
    OVERRIDE_HELP,
    PIPE_CLOSED,
    PLOT_SUFFIXES,
    ROOM,
    STEADY_KERNEL,
    add_config,
    add_overrides,
    add_plot,
    add_seed,
    add_workers,
    config_of,
    is_compiling,
    tell_written,
    version,
    write_json,
)
from ctrl.cli_studies import (
    declare_compare,
    declare_identify,
    declare_map,
    declare_sweep,
    declare_thermostat,
    declare_tolerance,
    run_compare,
    run_identify,
    run_map,
    run_sweep,
    run_thermostat,
    run_tolerance,
)
from ctrl.config_errors import ConfigError
from ctrl.files import CannotWrite

if TYPE_CHECKING:
    from pathlib import Path

    from ctrl.cli_outside import Yours
    from ctrl.config import Config

CSV_SUFFIXES = (".csv",)
PAGE_SUFFIXES = (".html",)
MOST_DAYS = 366.0
MOST_ROWS = 2_000_000  # 27 signals of 8 bytes each: under half a gigabyte
FIRST_COMMAND = "coldloop recommend galley_larder"


class OneLineParser(argparse.ArgumentParser):
    """A parser that tells a fault in one line, and takes -2 or -1e3 for a number."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._negative_number_matcher = re.compile(r"-\.?\d")

    def error(self, message: str) -> NoReturn:
        """Write one line to standard error and end with exit status 2."""
        flat = "".join(char if char.isprintable() else "?" for char in message)
        self.exit(BAD_INPUT, f"{COMMAND_LINE}: {flat} (see {self.prog} --help)\n")


# Declaring options --------------------------------------------------------------------

CONTROLLERS = ("on_off", "pi", "fixed", "two_level", "cascade", "best_cop")


def _declare_check(parser: argparse.ArgumentParser) -> None:
    add_config(parser, needed=False)
    parser.add_argument(
        "--evidence", action="store_true",
        help="instead of a CONFIG: the model beside published values and other libraries",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="list every key, given or default")
    add_bench(parser)
    add_overrides(parser, ROOM)


def _declare_simulate(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument(
        "--days", type=within(0.01, MOST_DAYS, "days"), default=3.0, metavar="D",
        help="how long, from a warm start (3)",
    )  # fmt: skip
    add_overrides(parser, ("ambient_c", "humidity_pct", "target_c", "setpoint_c"))
    parser.add_argument("--controller", choices=CONTROLLERS, help="another than the config's")
    parser.add_argument("--duty", type=number, metavar="0..1", help="for --controller fixed")
    add_seed(parser)
    add_plot(parser)
    parser.add_argument("--csv", metavar="FILE", help="write the signals: .csv")
    parser.add_argument(
        "--csv-step", type=whole_within(1, 86400, "s"), metavar="S",
        help="seconds between two lines of the CSV file (20)",
    )  # fmt: skip
    declare_outside(parser)


def _declare_recommend(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument("--all", action="store_true", help="list the limits of every room")
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)
    parser.add_argument("--report", metavar="FILE", help="write it all as one page: .html")
    parser.add_argument("--quick", action="store_true", help="leave out the parts out of tolerance")
    parser.add_argument(
        "--explain",
        metavar="NAME",
        help="instead: where one number comes from; also a place in the JSON",
    )
    declare_yours(parser, "run your own C file in the same rooms, beside ours")
    add_workers(parser)
    parser.epilog = (
        "Exit status: 0 it holds as described, also where parts out of tolerance are not shown "
        "to (the verdict says so; the verb tolerance then ends with 1); 1 it cannot; 2 bad input."
    )


def _declare_new(parser: argparse.ArgumentParser) -> None:
    from ctrl.new import add_arguments

    add_arguments(parser)


# Before a long run ---------------------------------------------------------------------


# Verbs ---------------------------------------------------------------------------------


def run_new(args: argparse.Namespace) -> int:
    """Ask and write a new configuration."""
    from ctrl.new import run

    return run(args)


def run_check(args: argparse.Namespace) -> int:
    """Read a configuration back with what follows from it, or show the outside checks."""
    if args.evidence:
        return _run_evidence(args)
    if args.bench_recipe:
        return run_recipe(args)
    if args.config is None:
        raise command_line_fault("is missing", "CONFIG", None, "a file, a shipped name, "
                                 "or --evidence")  # fmt: skip
    config = config_of(args, ROOM)
    if args.bench is not None:
        given = any(getattr(args, name) is not None for name in (*ROOM, "drive"))
        return run_bench(args, config, given)
    if args.out is not None:
        raise command_line_fault("does nothing", "--out", args.out, "--bench FILE beside it")
    compiling = is_compiling(args, STEADY_KERNEL)
    from ctrl import json_out_check, screen, screen_check
    from ctrl.check import check

    with screen.Stages("finding the steady states", compiling=compiling):
        found = check(config)
    if args.json:
        write_json(json_out_check.of_check(found, version()))
    else:
        screen_check.show(screen.console(), found, all_keys=args.all)
    return DONE


def _run_evidence(args: argparse.Namespace) -> int:
    """Show the model beside outside values; the answer is no if one is missed."""
    given = [f"--{name}" for name in ("all", "drive", "bench", "out") if getattr(args, name)]
    given += [OVERRIDE_HELP[name][0] for name in ROOM if getattr(args, name) is not None]
    if args.config is not None or given:
        raise command_line_fault("does not fit", "--evidence", None,
                                 f"no {'CONFIG' if args.config is not None else given[0]} "
                                 "beside it")  # fmt: skip
    compiling = is_compiling(args, EVIDENCE_KERNEL)
    from ctrl import json_out_check, screen, screen_evidence
    from ctrl.evidence import evidence

    with screen.Stages("working out the checks", compiling=compiling):
        found = evidence()
    if args.json:
        write_json(json_out_check.of_evidence(found, version()))
    else:
        screen_evidence.show(screen.console(), found)
    return DONE if found.kept else ANSWER_IS_NO


def _row_s(csv_step_s: int | None, days: float) -> float:
    """Return the spacing of the rows [s]: a divisor of the CSV's step, 20 s at most.

    Raises
    ------
    ConfigError
        When the run would not fit into memory.
    """
    widest = 20 if days <= 31.0 else 60
    step = csv_step_s or widest
    row_s = next(size for size in range(min(step, widest), 0, -1) if step % size == 0)
    if days * 86400.0 / row_s > MOST_ROWS:
        most = MOST_ROWS * row_s / 86400.0
        expected = f"at most {most:.0f} days at this --csv-step, or one of whole minutes"
        raise command_line_fault("too many rows", "--days", f"{days:g}", expected)
    return float(row_s)


def _controller_of(args: argparse.Namespace) -> str | None:
    if args.duty is None:
        return args.controller
    if args.controller not in (None, "fixed"):
        expected = f"--controller fixed, not {args.controller}"
        raise command_line_fault("does not fit", "--duty", f"{args.duty:g}", expected)
    return "fixed"


def run_simulate(args: argparse.Namespace) -> int:
    """Run a cabinet from a warm start and tell what happens."""
    plot = target_file("--plot", args.plot, PLOT_SUFFIXES, args.force)
    table = target_file("--csv", args.csv, CSV_SUFFIXES, args.force)
    check_outside(args)
    row_s = _row_s(args.csv_step, args.days)
    if args.csv_step is not None and table is None:
        raise command_line_fault("does nothing", "--csv-step", None, "--csv FILE beside it")
    names = ("ambient_c", "humidity_pct", "target_c", "setpoint_c")
    config = config_of(args, names, controller=_controller_of(args), fixed_duty=args.duty)
    if args.ambient_c is not None and config.climate.log_file is not None:
        log = f"no climate.log_file ({config.climate.log_file} has the room's temperature)"
        raise command_line_fault("does nothing", "--ambient", f"{args.ambient_c:g}", log)
    if args.controller_c is not None:
        return run_maker(args, config, row_s, plot, table)
    if args.live:
        return run_live(args, config, row_s, plot, table)
    compiling = is_compiling(args, LOOP_KERNEL)
    from ctrl import json_out, screen, screen_simulate
    from ctrl.recommend import SEED
    from ctrl.simulation import simulate

    seed = SEED if args.seed is None else args.seed
    with screen.Stages("simulating", compiling=compiling) as stages:
        run = simulate(config, days=args.days, seed=seed, row_s=row_s,
                       on_day=lambda day: stages(f"simulating: day {day:.0f}"))  # fmt: skip
        if plot is not None:
            from ctrl.plots import plot_run

            stages("drawing")
            plot_run(run.record, config, path=plot)
        if table is not None:
            stages("writing the signals")
            run.record.write_csv(table, args.csv_step)
    if args.json:
        write_json(json_out.of_simulation(run, version()))
    else:
        screen_simulate.show(screen.console(), run)
    for path in (plot, table):
        if path is not None:
            tell_written(args, path)
    return DONE


def run_recommend(args: argparse.Namespace) -> int:
    """Do the main job: settings to flash, and why."""
    plot = target_file("--plot", args.plot, PLOT_SUFFIXES, args.force)
    page = target_file("--report", args.report, PAGE_SUFFIXES, args.force)
    config = config_of(args, ROOM)
    compiling = is_compiling(args, STEADY_KERNEL, LOOP_KERNEL)
    from ctrl.recommend import SEED

    seed = SEED if args.seed is None else args.seed
    if args.explain is not None:
        return _run_explain(args, config, seed, compiling)
    with contextlib.ExitStack() as stack:
        yours = yours_of(stack, config, args)
        return _recommend(args, config, seed, compiling, plot, page, yours)


def _recommend(
    args: argparse.Namespace, config: "Config", seed: int, compiling: bool, plot: "Path | None",
    page: "Path | None", yours: "Yours | None",
) -> int:  # fmt: skip
    from ctrl import json_out, screen, screen_recommend
    from ctrl.recommend import CANNOT, provisional, recommend

    out = screen.console()
    if not args.json:
        with screen.Stages("finding the steady states", compiling=compiling):
            first = provisional(config)
        screen_recommend.show_first(out, config, first)
        sys.stdout.flush()
    with screen.Stages("tuning the controllers", compiling=compiling) as stages:
        found = recommend(config, seed=seed, progress=stages, draws=0 if args.quick else 400,
                          workers=args.workers)  # fmt: skip
        rooms = None
        if yours is not None:
            from ctrl.maker_rooms import maker_rooms

            rooms = maker_rooms(found, *yours, workers=args.workers, progress=stages)
        if plot is not None:
            from ctrl.plots import plot_recommendation

            stages("drawing")
            plot_recommendation(found, path=plot)
        if page is not None:
            from ctrl.report import report_of, write_report

            write_report(report_of(found, progress=stages), version(), page)
    if args.json:
        whole = json_out.of_recommendation(found, version())
        if rooms is not None:
            from ctrl.json_out_maker import maker_rooms_object

            whole |= maker_rooms_object(rooms)
        write_json(whole)
    else:
        screen_recommend.show(out, found, all_limits=args.all)
        if rooms is not None:
            from ctrl.screen_maker import show_rooms

            show_rooms(out, rooms)
    for path in (plot, page):
        if path is not None:
            tell_written(args, path)
    return ANSWER_IS_NO if found.verdict == CANNOT else DONE


def _run_explain(args: argparse.Namespace, config: "Config", seed: int, compiling: bool) -> int:
    """Show where one number of a recommendation comes from."""
    from ctrl import explain, json_out_robust, screen, screen_robust
    from ctrl.recommend import CANNOT, recommend

    for option, why in (("plot", "a chain is not drawn"), ("report", "a chain is not drawn"),
                        ("controller_c", "a chain is of our own numbers")):  # fmt: skip
        given, name = getattr(args, option), f"--{option.replace('_', '-')}"
        if given is not None:
            raise command_line_fault(why, name, repr(given), f"--explain without {name}")
    if not explain.is_known(args.explain):
        raise command_line_fault("no such number", "--explain", repr(args.explain),
                                 f"one of {', '.join(explain.CHAINS)}, or a place in "
                                 "the JSON as limits[0].margin")  # fmt: skip
    # What no draw of the tolerances can change needs none.
    draws = 0 if args.quick or args.explain in explain.WITHOUT_DRAWS else 400
    with screen.Stages("tuning the controllers", compiling=compiling) as stages:
        found = recommend(config, seed=seed, progress=stages, draws=draws, workers=args.workers)
    try:
        chain = explain.explain(found, args.explain)
    except KeyError:
        raise command_line_fault(
            "no such number in this recommendation", "--explain", repr(args.explain),
            "a place in its JSON, as cases[0].findings.contents_c.mean or limits[0].margin",
        ) from None  # fmt: skip
    if args.json:
        write_json(json_out_robust.of_chain(found, chain, version()))
    else:
        source = f"{config.cabinet.name} ({config.source})"
        screen_robust.show_chain(screen.console(), source, chain)
    return ANSWER_IS_NO if found.verdict == CANNOT else DONE


@dataclass(frozen=True)
class Verb:
    """One verb: its options are declared, and its work imported, only when it is named."""

    help: str
    declare: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]


VERBS = {
    "new": Verb("write a commented configuration from what you know", _declare_new, run_new),
    "check": Verb("read a configuration back, with what follows", _declare_check, run_check),
    "simulate": Verb("run a cabinet with given settings", _declare_simulate, run_simulate),
    "recommend": Verb("settings to flash, and why", _declare_recommend, run_recommend),
    "tolerance": Verb("how likely they hold with parts out of tolerance", declare_tolerance,
                      run_tolerance),
    "sweep": Verb("other voltage, drive, modules, fan speeds compared", declare_sweep, run_sweep),
    "map": Verb("what holds, what ices, what it costs", declare_map, run_map),
    "compare": Verb("every control law on the same cabinet", declare_compare, run_compare),
    "thermostat": Verb("what a band and a sensor's place buy", declare_thermostat, run_thermostat),
    "drill": Verb("what happens when a part fails, and what guards it", declare_drill,
                  run_drill),
    "calibrate": Verb("from a log of the real cabinet to its twin", declare_calibrate,
                      run_calibrate),
    "identify": Verb(
        "gain, time constant, dead time; bench recipe", declare_identify, run_identify
    ),
    "firmware": Verb("write the firmware in C, with its settings", declare_firmware,
                     run_firmware),
    "loop": Verb("a real board as the controller, over a serial line", declare_loop, run_loop),
    "guide": Verb("physics and control in plain words", declare_guide, run_guide),
}  # fmt: skip


# Main ----------------------------------------------------------------------------------


class _Version(argparse.Action):
    """Print the version; looked up only when asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *rest: object) -> None:
        sys.stdout.write(f"coldloop {version()}\n")
        parser.exit(DONE)


def build_parser(argv: Sequence[str]) -> argparse.ArgumentParser:
    """Return the parser; only the verbs that `argv` names get their options."""
    parser = OneLineParser(
        prog="coldloop",
        description="Tune a thermoelectric cabinet's thermostat before flashing it.",
        epilog="Exit status: 0 done; 1 done, and the answer is no; 2 bad input.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version")
    parser.add_argument("--debug", action="store_true", help="show where an error arose")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", parser_class=OneLineParser)
    for name, verb in VERBS.items():
        sub = verbs.add_parser(name, help=verb.help, description=verb.help)
        # The same switch after the verb; its own default would undo the one before it.
        sub.add_argument(
            "--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )
        if name in argv:
            verb.declare(sub)
    return parser


def short_help() -> str:
    """Return what `coldloop` alone prints: the first command to type, verbs and configs."""
    from ctrl.shipped import shipped_names

    verbs = "\n".join(f"  {name:<10} {verb.help}" for name, verb in VERBS.items())
    return (
        "Tune a thermoelectric cabinet's thermostat before flashing it.\n\n"
        f"Try first:\n  {FIRST_COMMAND}\n\nThen your own:\n  coldloop new my_box.toml\n"
        f"  coldloop recommend my_box.toml\n\nVerbs:\n{verbs}\n\n"
        f"Shipped configurations:\n  {'  '.join(shipped_names())}\n\n"
        "coldloop VERB --help tells more.\n"
    )


def _use_one_blas_thread() -> None:
    """Keep linear algebra on one thread; it has to be said before numpy is loaded.

    Our matrices have ten rows: more threads gain nothing, and on a busy machine they wait
    for each other (measured: tuning on two busy cores went from 8.8 s to 0.6 s).
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    _use_one_blas_thread()
    words = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that lacks a sign gets a "?"
            stream.reconfigure(errors="replace")
    try:
        args = build_parser(words).parse_args(words)
        if args.verb is None:
            sys.stdout.write(short_help())
            status = DONE
        else:
            status = _run(args)
        sys.stdout.flush()
    except SystemExit as end:  # from argparse: help, version, a fault told already
        return end.code if isinstance(end.code, int) else BAD_INPUT
    except KeyboardInterrupt:
        sys.stderr.write("stopped\n")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has gone; nothing more may be written at the end of the program.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    return status


def _run(args: argparse.Namespace) -> int:
    """Run one verb; every fault the user can mend becomes one line each."""
    try:
        return VERBS[args.verb].run(args)
    except BrokenPipeError:
        raise
    except (ConfigError, CannotWrite, OSError, ValueError, ArithmeticError) as error:
        lines = _lines_of(error, args)
        if lines is None:
            raise
        if args.debug:
            sys.stderr.write(traceback.format_exc())
    for line in lines:
        sys.stderr.write("".join(char if char.isprintable() else "?" for char in line) + "\n")
    return BAD_INPUT


def _lines_of(error: Exception, args: argparse.Namespace) -> list[str] | None:
    """Return one line for each fault, or None for an error that is no fault of the user's."""
    if isinstance(error, ConfigError):
        return [str(problem) for problem in error.problems]
    if isinstance(error, CannotWrite | OSError):
        return [str(error)]
    return [f"{args.config}: {_advice(error)}"] if _is_told(error) else None


def _is_told(error: Exception) -> bool:
    """Tell whether an error's text is written for the user, unlike that of a bug."""
    from ctrl.loop import NotFinite
    from ctrl.tuning import NoTuning
    from plant.data_sheet import SheetContradiction
    from plant.steady import NoSteadyState

    return type(error) in (ValueError, NotFinite, NoTuning, NoSteadyState, SheetContradiction)


def _advice(error: Exception) -> str:
    name = type(error).__name__
    if name == "NotFinite":
        return f"the simulation broke down at {error}; look for a value far from real hardware"
    if name == "NoSteadyState":
        return (
            f"no steady state: {error or 'the hot side runs away'}; check hot_sink.fan_k_per_w, "
            "hot_sink.no_fan_k_per_w and the module's sheet"
        )
    if name == "SheetContradiction":
        return f"{error}; check the sheet values in [module], its stages and what they cover"
    return str(error)


if __name__ == "__main__":
    sys.exit(main())

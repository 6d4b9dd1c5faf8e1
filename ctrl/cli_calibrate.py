"""The verb calibrate: from a log of the real cabinet to its twin."""

import argparse
import sys

from ctrl.cli_options import command_line_fault, target_file, whole_within, within
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    DONE,
    PLOT_SUFFIXES,
    add_config,
    add_plot,
    add_seed,
    add_workers,
    is_compiling,
    tell_written,
    version,
    write_json,
)

KERNEL = "replay"
ROOM_C = (-45.0, 75.0)  # as of a logged one
FANS = ("always", "with_module")


def declare_calibrate(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument(
        "log",
        metavar="LOG.csv",
        help="time and readings of the real cabinet, or the shipped galley_larder_log.csv",
    )
    parser.add_argument("--out", metavar="TWIN.toml", help="write the calibrated configuration")
    parser.add_argument(
        "--untrusted", action="store_true",
        help="write it even where the twin is not to be trusted, with the reasons in the file",
    )  # fmt: skip
    parser.add_argument(
        "--column", action="append", default=[], metavar="NAME=HEADER",
        help="which column is air, cold_sink, hot_sink, contents, ambient, ambient_rh, supply, "
        "module_current, module_voltage, duty, hot_fan, cold_fan, door or time",
    )  # fmt: skip
    parser.add_argument(
        "--unit", action="append", default=[], metavar="NAME=UNIT",
        help="its unit, where the header does not state it as air_c or Air [°C] do: degC, degF, K, "
        "V, mV, A, mA, pct, share; time: ms, s, min, h, iso",
    )  # fmt: skip
    parser.add_argument(
        "--ambient", type=within(*ROOM_C, "°C"), metavar="C", help="steady room, if not logged"
    )
    for fan in ("hot", "cold"):
        parser.add_argument(
            f"--{fan}-fan", choices=FANS, help=f"how the {fan} fan ran, if not logged"
        )
    parser.add_argument(
        "--starts", type=whole_within(1, 50, ""), default=3, metavar="N",
        help="starts of the search (3); fewer are quicker",
    )  # fmt: skip
    add_seed(parser, "the starts after the first")
    add_plot(parser)
    add_workers(parser, "slopes")
    parser.epilog = (
        "The readings are taken as those of the config's own sensors. A row's duty, fans and door "
        "hold until the next row; when duty or a fan changes 20 times or more, when it does so "
        "between the rows is fitted. Exit status: 0 done; 1 done, but the twin is not to be "
        "trusted, and then it is only written by --untrusted, with the reasons; 2 bad input."
    )


def _pairs(option: str, words: list[str]) -> dict[str, str]:
    found = {}
    for word in words:
        name, mark, value = word.partition("=")
        if not mark or not name.strip() or not value.strip():
            raise command_line_fault("no pair", option, repr(word), "NAME=VALUE, such as air=T1")
        found[name.strip()] = value.strip()
    return found


def run_calibrate(args: argparse.Namespace) -> int:
    """Fit a configuration to a log, and write its twin."""
    plot = target_file("--plot", args.plot, PLOT_SUFFIXES, args.force)
    twin = target_file("--out", args.out, (".toml",), args.force)
    columns, units = _pairs("--column", args.column), _pairs("--unit", args.unit)
    from ctrl.config import load_config
    from ctrl.log_file import read_log
    from ctrl.shipped import find_log

    config = load_config(args.config)
    log = read_log(find_log(args.log), columns, units)
    compiling = is_compiling(args, KERNEL)
    from ctrl import json_out_calibrate, screen, screen_calibrate
    from ctrl.calibrate import SEED, calibrate
    from ctrl.calibrate_file import twin_text
    from ctrl.calibrate_tests import BenchTest, next_tests
    from ctrl.files import replace_file

    seed = SEED if args.seed is None else args.seed
    with screen.Stages("reading", compiling=compiling) as stages:
        found = calibrate(
            config, log, ambient_c=args.ambient, hot_fan=args.hot_fan, cold_fan=args.cold_fan,
            starts=args.starts, seed=seed, workers=args.workers, progress=stages,
        )  # fmt: skip
        tests: tuple[BenchTest, ...] = ()
        if not found.distrust:  # a wrong model tells nothing of tests
            stages("trying bench tests")
            tests = next_tests(found)
        if plot is not None:
            from ctrl.plots_calibrate import plot_calibration

            stages("drawing")
            plot_calibration(found, path=plot)
        refused = None
        if found.distrust and not args.untrusted:
            refused, twin = twin, None
        if twin is not None:
            with replace_file(twin) as stream:
                stream.write(twin_text(found))
    if args.json:
        write_json(json_out_calibrate.of_calibration(found, tests, version()))
    else:
        screen_calibrate.show(screen.console(), found, tests)
    for path in (twin, plot):
        if path is not None:
            tell_written(args, path)
    if refused is not None:
        sys.stderr.write(
            f"not written: {refused}: not to be trusted; --untrusted writes it so marked\n"
        )
    return ANSWER_IS_NO if found.distrust else DONE

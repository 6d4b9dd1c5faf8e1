"""Verbs that study a cabinet beyond one recommendation: tolerance, sweep, map, laws, bench."""

import argparse
from typing import TYPE_CHECKING

from ctrl.cli_options import target_file, whole_within, within
from ctrl.cli_shared import (
    ANSWER_IS_NO,
    BENCH_KERNEL,
    DONE,
    LOOP_KERNEL,
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

if TYPE_CHECKING:
    from pathlib import Path

    from ctrl.config import Config

LAWS = ("on_off", "pi", "two_level", "cascade", "best_cop")


def declare_tolerance(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument(
        "--draws", type=whole_within(16, 100_000, ""), default=400, metavar="N",
        help="fresh draws that confirm the settings (400)",
    )  # fmt: skip
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)
    add_workers(parser)


def declare_sweep(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument("--all", action="store_true", help="list every design")
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)


def declare_map(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)


def _laws(text: str) -> tuple[str, ...]:
    """Return the names of laws in a list with commas; for argparse."""
    names = tuple(dict.fromkeys(part.strip() for part in text.split(",") if part.strip()))
    wrong = [name for name in names if name not in LAWS]
    if wrong or not names:
        what = repr(wrong[0] if wrong else text)
        raise argparse.ArgumentTypeError(f"{what}: expected some of {', '.join(LAWS)}")
    return names


def declare_compare(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument(
        "--controllers", type=_laws, default=LAWS, metavar="A,B",
        help=f"which, with commas between ({','.join(LAWS)})",
    )  # fmt: skip
    parser.add_argument(
        "--days", type=within(2, 31, "days"), default=4.0, metavar="D",
        help="length of each run from a warm start; the last day counts (4)",
    )  # fmt: skip
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)


def declare_thermostat(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    add_overrides(parser, ROOM)
    add_seed(parser)
    add_plot(parser)


def declare_identify(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    add_overrides(parser, ("ambient_c", "humidity_pct", "target_c"))
    parser.add_argument(
        "--duty", type=within(1.0, 100.0, "%"), metavar="%",
        help="settled duty of the tests [%%]; the one that holds the target when left out",
    )  # fmt: skip
    add_seed(parser)
    add_plot(parser)


def _begun(
    args: argparse.Namespace, keys: tuple[str, ...], *kernels: str
) -> tuple["Path | None", "Config", int, bool]:
    """Return (picture's path, config, seed, whether it compiles first): how every study begins.

    The command line is checked before anything heavy is imported.
    """
    plot = target_file("--plot", args.plot, PLOT_SUFFIXES, args.force)
    config = config_of(args, keys)
    compiling = is_compiling(args, *kernels)
    from ctrl.recommend import SEED

    return plot, config, SEED if args.seed is None else args.seed, compiling


def run_tolerance(args: argparse.Namespace) -> int:
    """Tell how likely the recommended settings hold with parts out of tolerance."""
    plot, config, seed, compiling = _begun(args, ROOM, STEADY_KERNEL, LOOP_KERNEL)
    from ctrl import json_out_robust, screen, screen_robust
    from ctrl.recommend import recommend
    from ctrl.twin_spreads import measured_words

    with screen.Stages("tuning the controllers", compiling=compiling) as stages:
        whole = recommend(config, seed=seed, progress=stages, draws=args.draws,
                          workers=args.workers)  # fmt: skip
        found = whole.tolerance
        assert found is not None  # draws were asked for
        if plot is not None:
            from ctrl.plots_robust import plot_tolerance

            stages("drawing")
            plot_tolerance(config, found, path=plot)
    if args.json:
        write_json(json_out_robust.of_tolerance(whole, found, version()))
    else:
        out = screen.console()
        out.print(f"{config.cabinet.name} ({config.source})")
        for text in measured_words(config):
            screen.paragraph(out, text)
        screen_robust.show_tolerance(out, found, every=True)
        screen_robust.show_pairs(out, whole.pairs)
    if plot is not None:
        tell_written(args, plot)
    return DONE if found.kept else ANSWER_IS_NO


def run_sweep(args: argparse.Namespace) -> int:
    """Compare choices of hardware."""
    plot, config, seed, compiling = _begun(args, ROOM, STEADY_KERNEL)
    from ctrl import json_out_robust, screen, screen_robust
    from ctrl.design_sweep import sweep

    with screen.Stages("sweeping", compiling=compiling) as stages:
        found = sweep(config, seed=seed, progress=stages)
        if plot is not None:
            from ctrl.plots_robust import plot_sweep

            stages("drawing")
            plot_sweep(found, path=plot)
    if args.json:
        write_json(json_out_robust.of_sweep(found, version()))
    else:
        screen_robust.show_sweep(screen.console(), found, every=args.all)
    if plot is not None:
        tell_written(args, plot)
    return ANSWER_IS_NO if found.thriftiest is None else DONE


def run_map(args: argparse.Namespace) -> int:
    """Show what can be held, what ices and what it costs, over room and contents."""
    plot, config, seed, compiling = _begun(args, ROOM, STEADY_KERNEL, LOOP_KERNEL)
    from ctrl import screen, screen_map
    from ctrl.setpoint_map import setpoint_map

    with screen.Stages("finding the steady states", compiling=compiling) as stages:
        found = setpoint_map(config, seed=seed, progress=stages)
        if plot is not None:
            from ctrl.plots_map import plot_map

            stages("drawing")
            plot_map(found, path=plot)
    if args.json:
        from ctrl.json_energy import of_map

        write_json(of_map(found, version()))
    else:
        screen_map.show(screen.console(), found)
    if plot is not None:
        tell_written(args, plot)
    advice, target_c = found.advice, config.use.target_c
    inside = [x for x in found.borders if x.ambient_c <= config.climate.worst_c]
    held = advice.contents_c <= target_c and all(x.coldest_c <= target_c for x in inside)
    return DONE if held and not advice.nothing_to_cool else ANSWER_IS_NO


def run_compare(args: argparse.Namespace) -> int:
    """Run every law on the same cabinet; the answer is no if none holds."""
    plot, config, seed, compiling = _begun(args, ROOM, STEADY_KERNEL, LOOP_KERNEL)
    from ctrl import json_out_compare, screen, screen_compare
    from ctrl.comparison import compare, lacks

    with screen.Stages("tuning the controllers", compiling=compiling) as stages:
        found = compare(config, args.controllers, days=args.days, seed=seed, progress=stages)
        if plot is not None and found.items:
            from ctrl.plots_compare import plot_comparison

            stages("drawing")
            plot_comparison(found, path=plot)
    if args.json:
        write_json(json_out_compare.of_comparison(found, version()))
    else:
        screen_compare.show(screen.console(), found)
    if plot is not None and found.items:
        tell_written(args, plot)
    return DONE if any(not lacks(config, item) for item in found.items) else ANSWER_IS_NO


def run_thermostat(args: argparse.Namespace) -> int:
    """Show what a thermostat's band buys, and where its sensor should sit."""
    plot, config, seed, compiling = _begun(args, ROOM, STEADY_KERNEL, LOOP_KERNEL)
    from ctrl import json_out_compare, screen, screen_compare
    from ctrl.trade_off import nothing_to_cool, trade_off

    nothing = nothing_to_cool(config)
    if nothing:  # the input is sound, and the answer is no
        if args.json:
            write_json(json_out_compare.of_no_thermostat(config, nothing, version()))
        else:
            screen_compare.show_no_thermostat(screen.console(), config, nothing)
        return ANSWER_IS_NO
    with screen.Stages("tuning the thermostat", compiling=compiling) as stages:
        found = trade_off(config, seed=seed, progress=stages)
        if plot is not None:
            from ctrl.plots_compare import plot_trade_off

            stages("drawing")
            plot_trade_off(found, path=plot)
    if args.json:
        write_json(json_out_compare.of_trade_off(found, version()))
    else:
        screen_compare.show_trade_off(screen.console(), found)
    if plot is not None:
        tell_written(args, plot)
    return ANSWER_IS_NO if found.lack else DONE


def run_identify(args: argparse.Namespace) -> int:
    """Find the cabinet's model three ways, and tell how to do so on the bench."""
    plot, config, seed, compiling = _begun(
        args, ("ambient_c", "humidity_pct", "target_c"), STEADY_KERNEL, BENCH_KERNEL
    )
    from ctrl import json_out_identify, screen, screen_identify
    from ctrl.identify import identify

    duty = None if args.duty is None else 0.01 * args.duty
    with screen.Stages("testing on the bench", compiling=compiling) as stages:
        found = identify(config, duty=duty, seed=seed)
        if plot is not None:
            from ctrl.plots_identify import plot_identification

            stages("drawing")
            plot_identification(found, path=plot)
    if args.json:
        write_json(json_out_identify.of_identification(found, version()))
    else:
        screen_identify.show(screen.console(), found)
    if plot is not None:
        tell_written(args, plot)
    return DONE if found.step is not None else ANSWER_IS_NO

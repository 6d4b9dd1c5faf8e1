"""What the verbs of the command line share: options, configuration, messages."""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ctrl.cli_options import command_line_fault, number, whole_within

if TYPE_CHECKING:
    from ctrl.config import Config

DONE, ANSWER_IS_NO, BAD_INPUT, INTERRUPTED, PIPE_CLOSED = 0, 1, 2, 130, 141
PLOT_SUFFIXES = (".png", ".svg", ".pdf")
# option name in `config.override` -> (flag, placeholder, help)
OVERRIDE_HELP = {
    "ambient_c": ("--ambient", "C", "room temperature on a usual day"),
    "worst_c": ("--worst", "C", "room temperature on the hottest day"),
    "coldest_c": ("--coldest", "C", "room temperature on the coldest day"),
    "humidity_pct": ("--humidity", "%", "relative humidity of the room on a usual day"),
    "target_c": ("--target", "C", "wanted temperature of the contents"),
    "setpoint_c": ("--setpoint", "C", "reading of the control sensor to hold"),
}
ROOM = ("ambient_c", "worst_c", "coldest_c", "humidity_pct", "target_c")
DRIVES = ("relay", "fast_pwm", "smoothed", "slow_window")


def add_config(parser: argparse.ArgumentParser, needed: bool = True) -> None:
    parser.add_argument(
        "config", metavar="CONFIG", nargs=None if needed else "?",
        help="a TOML file, or a shipped name",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def add_overrides(parser: argparse.ArgumentParser, names: Sequence[str]) -> None:
    for name in names:
        flag, unit, text = OVERRIDE_HELP[name]
        shown = f"{text} [{unit}]".replace("%", "%%")
        parser.add_argument(flag, dest=name, type=number, metavar=unit, help=shown)
    parser.add_argument("--drive", choices=DRIVES, help="another drive than the config's")


def add_seed(parser: argparse.ArgumentParser, of: str = "the sensor noise") -> None:
    parser.add_argument(
        "--seed", type=whole_within(0, 2**31 - 1, ""), metavar="N",
        help=f"of {of}; the same seed gives the same numbers",
    )  # fmt: skip


def add_plot(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plot", metavar="FILE", help="draw it: .png, .svg or .pdf")
    parser.add_argument("--force", action="store_true", help="overwrite files that are there")


def add_workers(parser: argparse.ArgumentParser, what: str = "draws") -> None:
    parser.add_argument(
        "--workers", type=whole_within(1, 256, ""), metavar="N",
        help=f"threads for the {what} (as many as cores); changes no number",
    )  # fmt: skip


def config_of(args: argparse.Namespace, names: Sequence[str], **more: Any) -> "Config":
    from ctrl.config import load_config, override

    values = {name: getattr(args, name) for name in (*names, "drive")} | more
    if not args.config.strip():
        raise command_line_fault(
            "is empty", "CONFIG", repr(args.config), "a file or a shipped name"
        )
    config = load_config(args.config)
    given = any(value is not None for value in values.values())
    return override(config, **values) if given else config


def version() -> str:
    """Return the version of the installed package, or of the checkout this runs from."""
    from importlib import metadata

    try:
        return metadata.version("coldloop")
    except metadata.PackageNotFoundError:
        import tomllib

        path = Path(__file__).resolve().parent.parent / "pyproject.toml"
        return str(tomllib.loads(path.read_text(encoding="utf-8"))["project"]["version"])


# Kernels whose compiling takes the time: of steady states, of the loop, of outside checks.
STEADY_KERNEL, LOOP_KERNEL, EVIDENCE_KERNEL = "settle", "run_ticks", "noise_draw"
BENCH_KERNEL = "plant_tick"  # of a law in Python, tick by tick


def is_compiling(args: argparse.Namespace, *kernels: str) -> bool:
    """Tell whether the model must be compiled first, and say so where nothing else will."""
    from plant.compiled import cache_folder, drop_old_caches

    folder = cache_folder()
    compiled = all(any(folder.rglob(f"*.{name}-*.nbi")) for name in kernels)
    compiling = not compiled and os.environ.get("COLDLOOP_PLAIN") != "1"
    if compiling:
        drop_old_caches()  # those of former versions; a few stay, for two checkouts in turn
    if compiling and not args.json:
        from ctrl.screen import say_compiling

        say_compiling()
    return compiling


def write_json(value: dict[str, Any]) -> None:
    from ctrl.json_out import text_of

    sys.stdout.write(text_of(value))


def tell_written(args: argparse.Namespace, path: Path) -> None:
    stream = sys.stderr if args.json else sys.stdout
    stream.write(f"written: {path}\n")

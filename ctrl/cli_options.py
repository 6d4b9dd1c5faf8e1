"""How options are read, and files to be written are checked before a long run."""

import argparse
import os
from collections.abc import Callable, Sequence
from math import isfinite
from pathlib import Path

from ctrl.config_errors import ConfigError, Problem

COMMAND_LINE = "command line"


def command_line_fault(what: str, option: str, value: str | None, expected: str) -> ConfigError:
    """Return the error for one fault in an option."""
    return ConfigError([Problem(COMMAND_LINE, what, option, value, expected)])


def number(text: str) -> float:
    """Return a finite number; for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number")
    return value


def within(low: float, high: float, unit: str) -> Callable[[str], float]:
    """Return a reader of numbers in a closed range; for argparse."""

    def read(text: str) -> float:
        value = number(text)
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r}: expected {low:g} to {high:g} {unit}")
        return value

    return read


def whole_within(low: int, high: int, unit: str) -> Callable[[str], int]:
    """Return a reader of whole numbers in a closed range; for argparse."""

    def read(text: str) -> int:
        expected = f"{text!r}: expected a whole number, {low} to {high} {unit}".rstrip()
        try:
            value = int(text)
        except ValueError:
            raise argparse.ArgumentTypeError(expected) from None
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(expected)
        return value

    return read


def target_file(option: str, text: str | None, suffixes: Sequence[str], force: bool) -> Path | None:
    """Return the file to write, checked now rather than after a long run.

    Raises
    ------
    ConfigError
        Wrong suffix, a folder, a missing or closed parent folder, or already there.
    """
    if text is None:
        return None
    path = Path(text)

    def fault(what: str, expected: str) -> ConfigError:
        return command_line_fault(what, option, text, expected)

    try:
        is_folder, exists, has_parent = path.is_dir(), path.exists(), path.parent.is_dir()
    except (OSError, ValueError):
        raise fault("is no name for a file", "a file name") from None
    if not text.strip():
        raise fault("is empty", "a file name")
    if is_folder:
        raise fault("is a folder", "a file to write")
    if path.suffix.lower() not in suffixes:
        raise fault("wrong kind of file", f"a name ending in {' or '.join(suffixes)}")
    if not has_parent:
        raise fault("no such folder", f"a folder that exists, not {str(path.parent)!r}")
    if not os.access(path.parent, os.W_OK):
        raise fault("cannot be written", "a folder that you may write to")
    if exists and not force:
        raise fault("is already there", "a new file, or --force to replace it")
    return path

"""``coldloop new``: write a commented configuration from what the maker knows.

What was answered stands as answered; everything else is marked ``# assumed:``
with its reason, so that nobody takes a guess for a measurement.
"""

import argparse
import json
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from ctrl.answers import (
    BOTTLE_ANSWERS,
    LENGTH_MM,
    QUESTIONS,
    Answers,
    Question,
    parse_box_mm,
    parse_length_mm,
    parse_name,
    with_unit,
)
from ctrl.config_errors import ConfigError, Problem
from ctrl.files import CannotWrite, replace_file

if TYPE_CHECKING:
    from ctrl.config import Config
    from ctrl.matters import Matters

COMMAND_LINE = "command line"
# Written from the voltage the maker gave, so a fault in them is a fault in that.
DERIVED_FROM_VOLTAGE = (
    "highest_voltage_v",
    "lowest_voltage_v",
    "low_battery_cut_off_v",
    "low_battery_resume_v",
)
DONE, BAD_INPUT, INTERRUPTED = 0, 2, 130


class Console(Protocol):
    """Where questions are asked and lines are shown."""

    def input(self, prompt: str) -> str:
        """Ask and return one line; EOFError at the end of input."""

    def print(self, text: str) -> None:
        """Show a line to the user."""

    def error(self, text: str) -> None:
        """Show a line about a fault."""


class PlainConsole:
    """Standard input, output and error without any decoration."""

    def input(self, prompt: str) -> str:
        """Ask on standard error, so that redirected output stays clean; read one line."""
        line = ""
        try:
            sys.stderr.write(prompt)
            sys.stderr.flush()
            line = sys.stdin.readline()
        finally:
            if not line:  # what is told next stands on a line of its own
                sys.stderr.write("\n")
        if not line:
            raise EOFError
        return line.rstrip("\n")

    def print(self, text: str) -> None:
        """Write a line to standard output."""
        sys.stdout.write(text + "\n")

    def error(self, text: str) -> None:
        """Write a line to standard error."""
        sys.stderr.write(text + "\n")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the file, one option for each question, and the two switches."""
    # Without this, argparse takes the answer in `--target -2C` for an option of its own.
    parser._negative_number_matcher = re.compile(r"-\d")
    parser.add_argument("file", help="configuration to write, such as my_box.toml")
    parser.add_argument("--name", metavar="NAME", help="what you call it (else the file's name)")
    for question in QUESTIONS:
        parser.add_argument(
            question.option, dest=f"new_{question.name}", metavar=question.metavar,
            help=f"{question.prompt[0].lower()}{question.prompt[1:]}".replace("%", "%%"),
        )  # fmt: skip
    parser.add_argument(
        "--unit", choices=tuple(LENGTH_MM),
        help="of lengths written without one; else a bare length is refused",
    )  # fmt: skip
    parser.add_argument(
        "--brief", action="store_true", help="do not work out how much each assumption matters"
    )
    parser.add_argument(
        "--yes", action="store_true", help="ask nothing; assume what no option gives"
    )
    parser.add_argument("--force", action="store_true", help="overwrite a file that is there")
    parser.add_argument(
        "--json", action="store_true", help="with --yes: print one JSON object instead"
    )


def _limit_fault(question: Question, value: Any) -> str:
    """Return what was expected if a value is outside its key's range, else ``""``."""
    from ctrl.config import config_fields

    described = {row.key: row for row in config_fields()}
    parts = value if isinstance(value, tuple) else (value,)
    for key, part in zip(question.keys, parts, strict=False):
        row = described[key]
        bounded = row.low is not None and row.high is not None and not isinstance(part, str)
        # A module's marking need not be a preset's name.
        if (bounded and not row.low <= part <= row.high) or (
            key == "use.purpose" and part not in row.choices
        ):
            return row.expected
    return ""


def read_answer(
    question: Question, text: str, answers: Answers | None = None, unit: str | None = None
) -> Any:
    """Return the value of one answer.

    Parameters
    ----------
    question : Question
    text : str
        The answer as written.
    answers : Answers, optional
        What was answered before, where it has to fit.
    unit : str, optional
        Of lengths written without one.

    Raises
    ------
    ValueError
        Its text says what was expected.
    Refused
        For medicines.
    """
    if question.parse in (parse_length_mm, parse_box_mm):
        text = with_unit(text, unit)
    value = question.parse(text)
    _refuse_medicine(question, text)
    expected = _limit_fault(question, value) or question.fits(answers or {}, value)
    if expected:
        raise ValueError(expected)
    return value


class Refused(Exception):
    """An answer that is understood and turned down; the text says why."""


def _refuse_medicine(question: Question, text: str) -> None:
    from ctrl.config_faults import MEDICINE
    from ctrl.config_settings import MEDICINE_WORDS

    if question.name == "purpose" and any(word in text.lower() for word in MEDICINE_WORDS):
        raise Refused(MEDICINE)


def answers_from_options(options: Mapping[str, str | None], unit: str | None = None) -> Answers:
    """Return the answers given as options; `ConfigError` with every bad one.

    `options` maps question names to text; None means not given.  `unit` is that of lengths
    written without one.
    """
    answers: Answers = {}
    problems: list[Problem] = []
    for question in QUESTIONS:
        text = options.get(question.name)
        if text is None:
            continue
        try:
            answers[question.name] = read_answer(question, text, answers, unit)
        except ValueError as error:
            problems.append(
                Problem(COMMAND_LINE, "not usable", question.option, repr(text), str(error))
            )
        except Refused as error:
            problems.append(Problem(COMMAND_LINE, str(error), question.option, repr(text)))
    if options.get("outside") is not None and options.get("foam_thickness") is not None:
        expected = "this or --foam-thickness, not both"
        problems.append(Problem(COMMAND_LINE, "does not fit", "--outside", None, expected))
    if options.get("goods") is not None:
        clash = [q.option for q in QUESTIONS if q.name in BOTTLE_ANSWERS and options.get(q.name)]
        problems += [
            Problem(COMMAND_LINE, "does not fit", option, None, "this or --goods, not both")
            for option in clash
        ]
    if problems:
        raise ConfigError(problems)
    return answers


def ask(
    console: Console, given: Answers | None = None, unit: str | None = None
) -> tuple[Answers, frozenset[str]]:
    """Ask what is not given; an empty answer takes the default shown.

    Returns
    -------
    answers : Answers
        All of them.
    assumed : frozenset of str
        The questions whose default was taken.

    Raises
    ------
    EOFError
        If the input ends before the last question.
    """
    answers: Answers = dict(given or {})
    assumed: set[str] = set()
    for question in QUESTIONS:
        if question.name in answers or not question.asked_if(answers):
            continue
        default = question.default(answers)
        while question.name not in answers:
            text = console.input(f"{question.prompt} [{default}]: ").strip()
            try:
                answers[question.name] = read_answer(question, text or default, answers, unit)
            except ValueError as error:
                console.error(f"{text!r}: expected {error}")
                continue
            except Refused as error:
                console.error(f"{text!r}: {error}")
                continue
            if not text:
                assumed.add(question.name)
    return answers, frozenset(assumed)


def assume(given: Answers) -> tuple[Answers, frozenset[str]]:
    """Fill what is not given with the defaults; return all answers and the names filled."""
    answers: Answers = dict(given)
    assumed: set[str] = set()
    for question in QUESTIONS:
        if question.name not in answers and question.asked_if(answers):
            answers[question.name] = read_answer(question, question.default(answers), answers)
            assumed.add(question.name)
    return answers, frozenset(assumed)


def option_names(foam_by_outside: bool = False) -> dict[str, str]:
    """Return configuration key -> the option that sets it, for error lines."""
    named = {key: question.option for question in QUESTIONS for key in question.keys}
    named |= {f"module.{key}": "--module" for key in ("couples", "imax_a", "vmax_v", "qmax_w")}
    if foam_by_outside:
        faces = ("thickness", "front", "back", "top", "bottom")
        named |= {f"cabinet.foam_{face}_mm": "--outside" for face in faces}
    return named | {f"supply.{key}": "--voltage" for key in DERIVED_FROM_VOLTAGE}


def write_new(
    path: str | Path,
    answers: Answers,
    force: bool = False,
    assumed: frozenset[str] = frozenset(),
    name: str | None = None,
) -> Path:
    """Write the commented configuration; what `answers` leaves out is assumed.

    Raises
    ------
    ConfigError
        If the file exists and `force` is not set, if it cannot be written, or
        if the answers do not make a valid configuration. Nothing is written then.
    """
    target = Path(path)
    refuse_existing(target, force)
    text, _, _ = compose(target, answers, assumed, name)
    write_whole(target, text)
    return target


def compose(
    target: Path, answers: Answers, assumed: frozenset[str], name: str | None
) -> tuple[str, "Config", list[str]]:
    """Return the text to write, how it reads, and the keys in it that are assumed.

    Raises
    ------
    ConfigError
        If the answers do not make a valid configuration; it names their options.
    """
    from ctrl.config import parse_config
    from ctrl.new_text import assumed_keys, render

    full, more = assume(answers)
    text = render(name or _name_from(target), full, assumed | more)
    try:
        config = parse_config(text, str(target))
    except ConfigError as error:
        options = option_names("outside" in full)
        named = [_by_option(problem, options) for problem in error.problems]
        raise ConfigError(list(dict.fromkeys(named))) from None
    return text, config, assumed_keys(full, assumed | more)


def _by_option(problem: Problem, options: Mapping[str, str]) -> Problem:
    """Return a fault of the text in the words of the options; keys that none sets stay.

    A key that was not asked for itself, but follows from an answer, is named behind its option.
    """
    from ctrl.config import config_fields

    option = options.get(problem.key)
    if option is None:
        return problem
    asked = {key: q.option for q in QUESTIONS for key in q.keys}
    named = {key.split(".")[1]: flag for key, flag in asked.items()}
    unit = {row.key: row.unit for row in config_fields()}.get(problem.key, "")
    value = None if problem.value is None else f"{problem.value} {unit}".rstrip()
    key = option if problem.key in asked else f"{option} ({problem.key.split('.')[1]})"
    expected = re.sub(r"\w+_\w+", lambda word: named.get(word[0], word[0]), problem.expected)
    return Problem(COMMAND_LINE, problem.what, key, value, expected, problem.nearest)


def _name_from(path: Path) -> str:
    stem = "".join(char if char.isprintable() else "_" for char in path.stem)
    return stem.replace("_", " ").strip()[:60] or "cabinet"


def refuse_existing(path: Path, force: bool) -> None:
    """Raise `ConfigError` if `path` has no folder, or must not be replaced."""
    try:
        is_folder, exists, has_parent = path.is_dir(), path.exists(), path.parent.is_dir()
    except (OSError, ValueError):
        raise ConfigError([Problem(str(path), "is no name for a file")]) from None
    if is_folder:
        raise ConfigError([Problem(str(path), "is a folder", expected="a file to write")])
    if not has_parent:
        expected = f"a folder that exists, not {str(path.parent)!r}"
        raise ConfigError([Problem(str(path), "no such folder", expected=expected)])
    if exists and not force:
        raise ConfigError(
            [
                Problem(
                    str(path), "is already there", expected="a new file, or --force to replace it"
                )
            ]
        )


def write_whole(path: Path, text: str) -> None:
    """Write a text file all or nothing; `ConfigError` if it cannot be written."""
    try:
        with replace_file(path, binary=True) as stream:
            stream.write(text.encode("utf-8"))
    except CannotWrite as error:
        what = str(error).removeprefix(f"{path}: ")
        raise ConfigError([Problem(str(path), what)]) from None
    except OSError as error:
        raise ConfigError([Problem(str(path), f"cannot be written ({error.strerror})")]) from None


def _talk(
    console: Console, target: Path, given: Answers, unit: str | None, name: str | None
) -> tuple[frozenset[str], tuple[str, "Config", list[str]]]:
    """Ask, and ask again what does not fit the other answers: none of them is lost.

    Returns the questions whose default was taken, and what `compose` does.
    """
    known, assumed = given, frozenset[str]()
    while True:
        answers, taken = ask(console, known, unit)
        assumed = (assumed & known.keys()) | taken
        try:
            return assumed, compose(target, answers, assumed, name)
        except ConfigError as error:
            options = {problem.key.split(" ")[0] for problem in error.problems}
            again = {q.name for q in QUESTIONS if q.option in options}
            if again <= taken:  # none, or defaults: asking again would not end
                raise
            for problem in error.problems:
                console.error(str(problem))
            known = {n: value for n, value in answers.items() if n not in again}


def run(args: argparse.Namespace, console: Console | None = None) -> int:
    """Do ``coldloop new`` and return the exit status: 0 done, 2 bad input, 130 interrupted."""
    console = console or PlainConsole()
    try:
        if args.json and not args.yes:
            raise ConfigError(
                [
                    Problem(
                        COMMAND_LINE, "not usable", "--json", None, "--yes beside it: no questions"
                    )
                ]
            )
        target = Path(args.file)
        refuse_existing(target, args.force)
        name = _option_name(args.name)
        options = {q.name: getattr(args, f"new_{q.name}") for q in QUESTIONS}
        given = answers_from_options(options, args.unit)
        if args.yes:
            answers, assumed = assume(given)
            text, config, keys = compose(target, answers, assumed, name)
        else:
            assumed, (text, config, keys) = _talk(console, target, given, args.unit, name)
        told = None if args.brief else _matters(args, config, keys)
        write_whole(target, text)
    except ConfigError as error:
        for problem in error.problems:
            console.error(str(problem))
        return BAD_INPUT
    except EOFError:
        console.error(
            "the input ended before the last question; nothing written (--yes assumes the rest)"
        )
        return BAD_INPUT
    except KeyboardInterrupt:
        console.error("stopped; nothing written")
        return INTERRUPTED
    if args.json:
        found = {"command": "new", "file": str(target), "assumed": sorted(assumed)}
        if told is not None:
            found |= _matters_object(told)
        console.print(json.dumps(found, ensure_ascii=False, indent=2))
        return DONE
    if told is not None:
        from ctrl.matters import text_of_matters

        for line in text_of_matters(told):
            console.print(line)
    console.print(f"written: {target}; look through the lines marked '# assumed:'")
    console.print(f"next: coldloop check {target}")
    return DONE


def _matters(args: argparse.Namespace, config: "Config", keys: list[str]) -> "Matters | None":
    """Return how much each assumption matters; None where the cabinet settles nowhere."""
    from ctrl.cli_shared import STEADY_KERNEL, is_compiling

    is_compiling(args, STEADY_KERNEL)
    from ctrl.matters import matters
    from plant.steady import NoSteadyState

    try:
        return matters(config, keys)
    except NoSteadyState:
        return None


def _matters_object(found: "Matters") -> dict[str, Any]:
    from ctrl.json_out import plain

    rows = [
        {"key": row.key, "unit": row.unit, "value": row.value,
         "low_value": row.low_value, "high_value": row.high_value}
        | _change("low_change_k", row.low_change_k)
        | _change("high_change_k", row.high_change_k)
        for row in found.rows
    ]  # fmt: skip
    whole = {"coldest_holdable_c": found.coldest_holdable_c, "assumptions": rows}
    rounded: dict[str, Any] = plain(whole)
    return rounded


def _change(key: str, value: float | None) -> dict[str, Any]:
    if value is not None:
        return {key: value}
    return {key: None, f"{key}_reason": "such a cabinet is none, or settles nowhere"}


def _option_name(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        return parse_name(text)
    except ValueError as error:
        problem = Problem(COMMAND_LINE, "not usable", "--name", repr(text), str(error))
        raise ConfigError([problem]) from None

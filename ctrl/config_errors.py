"""What is wrong with a file, as data: one `Problem` a fault, all of them together.

Light on purpose: the command line imports this at start, before it knows
whether any configuration will be read at all.
"""

from dataclasses import dataclass

LONGEST_VALUE = 60


@dataclass(frozen=True)
class Problem:
    """One fault in what the user gave.

    Parameters
    ----------
    file : str
        The file as the user named it, or ``"command line"``.
    what : str
        The fault in two or three words, such as ``"too small"``.
    key : str
        Dotted key path (``cabinet.foam_thickness_mm``) or the option's name;
        empty when the whole file is meant.
    value : str or None
        The value as written, or None when there is none.
    expected : str
        Range with unit, or the choices; empty when `what` says it all.
    nearest : str or None
        The valid name closest in spelling.
    line, column : int or None
        Place in the file, counted from 1, where known.
    """

    file: str
    what: str
    key: str = ""
    value: str | None = None
    expected: str = ""
    nearest: str | None = None
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        place = ":".join(str(p) for p in (self.file, self.line, self.column) if p is not None)
        named = self.key if self.value is None else f"{self.key} = {self.value}"
        text = f"{place}: {named}: {self.what}" if named else f"{place}: {self.what}"
        if self.expected:
            text += f", expected {self.expected}"
        if self.nearest is not None:
            text += f"; did you mean {self.nearest!r}?"
        # A file name or a quoted key may hold anything; one fault stays one line.
        return "".join(char if char.isprintable() else "?" for char in text)


class ConfigError(Exception):
    """Everything that is wrong with one file or one set of options.

    Attributes
    ----------
    problems : tuple of Problem
        At least one.
    """

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def shown(value: object) -> str:
    """Return a value as the user would know it again, on one line and not too long."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return "true" if value else "false"
    try:
        text = repr(value) if isinstance(value, str | list | int | float) else str(value)
    except ValueError:  # an integer of more digits than Python prints
        return "a number of thousands of digits"
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."

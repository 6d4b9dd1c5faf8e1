"""One number's chain: value, method, inputs, steps, what decided it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Input:
    """One key of the config: value, unit and where it comes from."""

    key: str
    value: object
    unit: str
    origin: str


@dataclass(frozen=True)
class Step:
    """One value on the way; None where there is none."""

    name: str
    value: float | None
    unit: str


@dataclass(frozen=True)
class Chain:
    """How one number came about."""

    name: str
    value: float | None
    unit: str
    method: str
    inputs: tuple[Input, ...]
    steps: tuple[Step, ...]
    decided_by: str
    changes: str

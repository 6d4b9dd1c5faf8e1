"""Move the constant behind every published check until ours moves by three tolerances.

And falsify the function that each check names: once the numbers that it returns are about half
as large again, the check has to fail.  Run by `test_evidence` in a process of its own with
COLDLOOP_PLAIN=1: compiled kernels have their constants frozen in.  Writes one JSON list into the
file named as its argument.
"""

import importlib
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from types import CodeType
from typing import Any

import numpy as np

from ctrl import evidence, evidence_base, evidence_values
from plant import data_sheet, presets

MOVED = 3.0  # tolerances


def with_literal(code: CodeType, old: float, new: float) -> CodeType:
    """Return a function's code with every literal `old` replaced, also in generators inside."""
    constants = tuple(
        with_literal(item, old, new) if isinstance(item, CodeType)
        else new if type(item) is float and item == old else item
        for item in code.co_consts
    )  # fmt: skip
    return code.replace(co_consts=constants)


@contextmanager
def literal(path: str, old: float, new: float) -> Iterator[None]:
    module, name = path.rsplit(".", 1)
    function = getattr(importlib.import_module(module), name)
    function = getattr(function, "py_func", function)
    code = function.__code__
    moved = with_literal(code, old, new)
    assert moved != code or new == old, f"{path} holds no {old}"
    function.__code__ = moved
    try:
        yield
    finally:
        function.__code__ = code


@contextmanager
def attribute(path: str, name: str, new: float) -> Iterator[None]:
    """Set a module's name, and its copies that other modules imported."""
    old = getattr(importlib.import_module(path), name)
    holders = [
        module for key, module in list(sys.modules.items())
        if key.startswith(("plant", "ctrl")) and getattr(module, name, None) == old
    ]  # fmt: skip
    for module in holders:
        setattr(module, name, new)
    try:
        yield
    finally:
        for module in holders:
            setattr(module, name, old)


@contextmanager
def preset(path: str, new: float) -> Iterator[None]:
    kind, name, field = path.split("/")
    table = presets._table(kind)
    old = table[name]
    table[name] = replace(old, **{field: new})
    try:
        yield
    finally:
        table[name] = old


def forget() -> None:
    """Drop what was worked out with other constants."""
    for kept in (evidence_base.base_plant, evidence_values._layer, data_sheet.extract):
        kept.cache_clear()


def scaled(value: Any, place: int = 0) -> Any:
    """Return what a function returned with every number about half as large again.

    Not all by the same factor, and not in proportion: a ratio of two results, or of one at
    two points, has to change as well.
    """
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, dict):
        return {key: scaled(item, i) for i, (key, item) in enumerate(value.items())}
    if isinstance(value, tuple):
        return tuple(scaled(item, i) for i, item in enumerate(value))
    if is_dataclass(value):
        return replace(value, **{f.name: scaled(getattr(value, f.name)) for f in fields(value)})
    found = (1.5 + 0.1 * place) * value + 0.01 * value * abs(value)
    return int(found) if isinstance(value, int) else found


@contextmanager
def falsified(path: str) -> Iterator[None]:
    """Have a function answer with `scaled` results wherever `plant` and `ctrl` call it."""
    module, name = path.rsplit(".", 1)
    true = getattr(importlib.import_module(module), name)

    def false(*args: Any, **more: Any) -> Any:
        found = true(*args, **more)
        if path.endswith(".derivative"):  # writes its answer into its last argument
            args[-1][:] *= 1.5
        return scaled(found)

    holders = [
        part for key, part in list(sys.modules.items())
        if key.startswith(("plant", "ctrl")) and getattr(part, name, None) is true
    ]  # fmt: skip
    for part in holders:
        setattr(part, name, false)
    try:
        yield
    finally:
        for part in holders:
            setattr(part, name, true)


def kept_when_falsified(check: evidence.Published) -> bool:
    """Tell whether the check is still kept with its function falsified."""
    forget()
    with falsified(check.function):
        try:
            ours = check.ours()
        except (ValueError, ZeroDivisionError, OverflowError, np.linalg.LinAlgError):
            return False  # nothing comes out any more
    forget()
    return replace(evidence.row_of(check), ours=ours).kept


def constant_of(check: evidence.Published) -> tuple[float, Callable[[float], float]]:
    """Return (the constant, function from a moved constant to ours)."""
    head, _, tail = check.constant.partition(" ")

    def under(context: Callable[[float], object]) -> Callable[[float], float]:
        def ours(value: float) -> float:
            forget()
            with context(value):  # type: ignore[attr-defined]
                found = check.ours()
            forget()
            return found

        return ours

    if head == "preset":
        kind, name, field = tail.split("/")
        start = getattr(presets._find(kind, name), field)
        return start, under(lambda value: preset(tail, value))
    if tail[0].isdigit():
        return float(tail), under(lambda value: literal(head, float(tail), value))
    start = getattr(importlib.import_module(head), tail)
    return start, under(lambda value: attribute(head, tail, value))


def moved(check: evidence.Published, sign: float) -> dict[str, object]:
    """Return how far the constant had to move, how far ours then lay, and whether it is kept."""
    start, ours_at = constant_of(check)
    base, step = ours_at(start), sign * 1e-4 * abs(start)
    for _ in range(60):
        try:
            ours = ours_at(start + step)
        except ValueError:  # too far for a module to come out
            step *= 0.7
            continue
        tolerances = abs(ours - base) / check.tolerance
        if MOVED - 1e-6 <= tolerances < 2.0 * MOVED:
            break
        # Straight on to where it should lie; a code or a rating jumps, so at most twice as far.
        wanted = 1.02 * MOVED / tolerances if tolerances > 0.0 else 2.0
        step *= min(max(wanted, 0.5), 2.0)
    row = replace(evidence.row_of(check), ours=ours)
    return {
        "chapter": check.chapter, "quantity": check.quantity, "constant": check.constant,
        "moved_rel": step / abs(start), "tolerances": tolerances, "kept": row.kept,
        "kept_unmoved": abs(base - check.expected) <= check.tolerance, "sign": sign,
        "function": check.function,
    }  # fmt: skip


if __name__ == "__main__":
    found = []
    for check in evidence.published():
        falsified_kept = kept_when_falsified(check)
        found += [
            moved(check, sign) | {"kept_when_falsified": falsified_kept} for sign in (1.0, -1.0)
        ]
    # Into a file: a solver that is given no numbers writes to the screen.
    Path(sys.argv[1]).write_text(json.dumps(found), encoding="utf-8")

"""Move the constant behind every published check until ours moves by three tolerances.

Run by `test_evidence` in a process of its own with COLDLOOP_PLAIN=1: compiled kernels have
their constants frozen in.  Prints one JSON list.
"""

import importlib
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import CodeType

from ctrl import evidence, evidence_values
from ctrl.config_cabinet import Cabinet
from plant import presets

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
    yield
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
    yield
    for module in holders:
        setattr(module, name, old)


@contextmanager
def preset(path: str, new: float) -> Iterator[None]:
    kind, name, field = path.split("/")
    table = presets._table(kind)
    old = table[name]
    table[name] = replace(old, **{field: new})
    yield
    table[name] = old


@contextmanager
def default(key: str, new: float) -> Iterator[None]:
    field = Cabinet.model_fields[key.split(".")[1]]
    old, field.default = field.default, new
    yield
    field.default = old


def constant_of(check: evidence.Published) -> tuple[float, Callable[[float], float]]:
    """Return (the constant, function from a moved constant to ours)."""
    head, _, tail = check.constant.partition(" ")

    def under(context: Callable[[float], object]) -> Callable[[float], float]:
        def ours(value: float) -> float:
            evidence_values._base_plant.cache_clear()
            with context(value):  # type: ignore[attr-defined]
                return check.ours()

        return ours

    if head == "argument":
        return check.arguments[tail], lambda value: check.ours(**{tail: value})
    if head == "preset":
        kind, name, field = tail.split("/")
        start = getattr(presets._find(kind, name), field)
        return start, under(lambda value: preset(tail, value))
    if head == "default":
        start = Cabinet.model_fields[tail.split(".")[1]].default
        return start, under(lambda value: default(tail, value))
    if tail[0].isdigit():
        return float(tail), under(lambda value: literal(head, float(tail), value))
    start = getattr(importlib.import_module(head), tail)
    return start, under(lambda value: attribute(head, tail, value))


def moved(check: evidence.Published, sign: float) -> dict[str, object]:
    """Return how far the constant had to move, how far ours then lay, and whether it is kept."""
    start, ours_at = constant_of(check)
    base, step = ours_at(start), sign * 1e-4 * abs(start)
    for _ in range(60):
        ours = ours_at(start + step)
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
        "kept_unmoved": abs(base - check.expected) <= check.tolerance,
    }  # fmt: skip


if __name__ == "__main__":
    found = [moved(check, sign) for check in evidence.published() for sign in (1.0, -1.0)]
    print(json.dumps(found))

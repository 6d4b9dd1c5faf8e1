"""Exact slopes of the right-hand side: forward differentiation with dual numbers.

A dual number carries its value and its slopes by several variables at once, through every
sum, product, power, root, exponential and logarithm by the chain rule (textbook; Griewank and
Walther 2008, Evaluating Derivatives, chapter 3).  Comparisons look at the value alone, so
that the slopes are those of the branch taken.  There is no step, and so neither rounding nor
truncation of one.

The kernels are compiled for plain floats; `plain` gives each its uncompiled twin, which calls
twins only.
"""

import math
import sys
from collections.abc import Callable
from threading import RLock
from types import FunctionType, ModuleType, SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Dual:
    """A value with its slopes, shape (n,)."""

    __slots__ = ("slopes", "value")
    __array_ufunc__ = None  # numpy's scalars leave the arithmetic to us
    __hash__ = None  # type: ignore[assignment]

    def __init__(self, value: float, slopes: Array) -> None:
        self.value = float(value)
        self.slopes = slopes

    def __add__(self, other: Any) -> "Dual":
        if isinstance(other, Dual):
            return Dual(self.value + other.value, self.slopes + other.slopes)
        return Dual(self.value + other, self.slopes)

    __radd__ = __add__

    def __neg__(self) -> "Dual":
        return Dual(-self.value, -self.slopes)

    def __sub__(self, other: Any) -> "Dual":
        if isinstance(other, Dual):
            return Dual(self.value - other.value, self.slopes - other.slopes)
        return Dual(self.value - other, self.slopes)

    def __rsub__(self, other: Any) -> "Dual":
        return Dual(other - self.value, -self.slopes)

    def __mul__(self, other: Any) -> "Dual":
        if isinstance(other, Dual):
            return Dual(
                self.value * other.value, self.slopes * other.value + other.slopes * self.value
            )
        return Dual(self.value * other, self.slopes * float(other))

    __rmul__ = __mul__

    def __truediv__(self, other: Any) -> "Dual":
        if isinstance(other, Dual):
            ratio = self.value / other.value
            return Dual(ratio, (self.slopes - ratio * other.slopes) / other.value)
        return Dual(self.value / other, self.slopes / float(other))

    def __rtruediv__(self, other: Any) -> "Dual":
        ratio = other / self.value
        return Dual(ratio, self.slopes * (-ratio / self.value))

    def __pow__(self, power: Any) -> "Dual":
        if isinstance(power, Dual):
            return exp(power * log(self))
        return Dual(self.value**power, self.slopes * (power * self.value ** (power - 1.0)))

    def __rpow__(self, base: float) -> "Dual":
        grown = base**self.value
        return Dual(grown, self.slopes * (grown * math.log(base)))

    def __abs__(self) -> "Dual":
        return -self if self.value < 0.0 else self

    def __lt__(self, other: Any) -> bool:
        return bool(self.value < value_of(other))

    def __le__(self, other: Any) -> bool:
        return bool(self.value <= value_of(other))

    def __gt__(self, other: Any) -> bool:
        return bool(self.value > value_of(other))

    def __ge__(self, other: Any) -> bool:
        return bool(self.value >= value_of(other))

    def __eq__(self, other: object) -> bool:
        return bool(self.value == value_of(other))

    def __float__(self) -> float:
        raise TypeError("a dual number turned into a float would lose its slopes")


def value_of(number: Any) -> Any:
    """Return the value of a dual number, and any other number as it is."""
    return number.value if isinstance(number, Dual) else number


def exp(x: Any) -> Any:
    """Return e to the power of a number, dual or not."""
    if not isinstance(x, Dual):
        return math.exp(x)
    grown = math.exp(x.value)
    return Dual(grown, x.slopes * grown)


def log(x: Any) -> Any:
    """Return the natural logarithm of a number, dual or not."""
    if not isinstance(x, Dual):
        return math.log(x)
    return Dual(math.log(x.value), x.slopes / x.value)


def sqrt(x: Any) -> Any:
    """Return the root of a number, dual or not.

    At 0 its slope is without end; there the slopes are set to 0, that of a constant 0.
    """
    if not isinstance(x, Dual):
        return math.sqrt(x)
    root = math.sqrt(x.value)
    return Dual(root, x.slopes * (0.5 / root) if root > 0.0 else 0.0 * x.slopes)


# Plain twins of the kernels ------------------------------------------------------------------

_OURS = {math.exp: exp, math.log: log, math.sqrt: sqrt}
_twins: dict[str, SimpleNamespace] = {}
_filling = RLock()  # no other thread may see a module's names before all are there


def _is_physics(name: str | None) -> bool:
    return name is not None and name.partition(".")[0] == "plant" and name != __name__


def _twin_of(thing: Any) -> Any:
    if isinstance(thing, ModuleType):
        return _module(thing) if _is_physics(thing.__name__) else thing
    try:
        if thing in _OURS:
            return _OURS[thing]
    except TypeError:  # no hash, so none of them
        return thing
    function = getattr(thing, "py_func", thing)
    if isinstance(function, FunctionType) and _is_physics(function.__module__):
        return plain(function)
    return thing


def _module(module: ModuleType) -> SimpleNamespace:
    """Return the names of a module with every function a twin; modules may call each other."""
    with _filling:
        if module.__name__ not in _twins:
            _twins[module.__name__] = space = SimpleNamespace()
            for name, thing in vars(module).items():
                setattr(space, name, _twin_of(thing))
        return _twins[module.__name__]


def plain(function: Any) -> Callable[..., Any]:
    """Return a kernel, or a function that calls kernels, uncompiled with all that it calls.

    Twins take dual numbers wherever the original takes floats, and give what it gives.
    """
    own = getattr(function, "py_func", function)
    space = _module(sys.modules[own.__module__])
    return FunctionType(own.__code__, vars(space), own.__name__, own.__defaults__, own.__closure__)


def plain_record(record: Any) -> SimpleNamespace:
    """Return a structured record as plain Python numbers, nested as it is; quick to read."""
    return SimpleNamespace(**{
        name: plain_record(record[name]) if record[name].dtype.names else record[name].item()
        for name in record.dtype.names
    })  # fmt: skip

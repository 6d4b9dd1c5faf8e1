"""Independent simulations at the same time: compiled days give up the interpreter's lock."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def cores() -> int:
    """Return how many cores this process may use."""
    count = getattr(os, "process_cpu_count", None) or os.cpu_count
    return max(count() or 1, 1)


def side_by_side(function: Callable[[T], R], items: Iterable[T], workers: int | None) -> list[R]:
    """Return `function` of each item in their order, on so many threads; None: all cores.

    Each item's result may depend on it alone, so that the number of threads changes nothing.
    """
    count = workers or cores()
    if count == 1:
        return [function(item) for item in items]
    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(function, items))

"""Independent simulations at the same time: compiled days give up the interpreter's lock."""

import os
from collections.abc import Callable, Iterable, Iterator
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
    return list(each_side_by_side(function, items, workers))


def each_side_by_side(
    function: Callable[[T], R], items: Iterable[T], workers: int | None
) -> Iterator[R]:
    """Yield what `side_by_side` returns, each as soon as it and those before it are done."""
    count = workers or cores()
    if count == 1:
        yield from map(function, items)
        return
    pool = ThreadPoolExecutor(count)
    try:
        yield from pool.map(function, items)
    finally:  # interrupted: what has not begun is left out
        pool.shutdown(cancel_futures=True)

"""Work on items of a stream in several threads, ahead of whoever takes the results."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_order(
    items: Iterable[Item], work: Callable[[Item], Result], threads: int, ahead: int
) -> Iterator[tuple[Item, Result]]:
    """Items with what ``work`` makes of them, in the order of the items.

    Items are taken by the caller's own thread, no more than ``ahead`` of those whose result it has
    been given; ``work`` runs in ``threads`` others. An error of ``work`` is raised in the place of
    its result, after all results before it. Whoever stops early waits for the work that has begun.
    """
    with ThreadPoolExecutor(threads, "ahead") as pool:
        begun: deque[tuple[Item, Future[Result]]] = deque()
        try:
            for item in items:
                begun.append((item, pool.submit(work, item)))
                if len(begun) > ahead:
                    first, result = begun.popleft()
                    yield first, result.result()
            while begun:
                first, result = begun.popleft()
                yield first, result.result()
        finally:
            for _, result in begun:
                result.cancel()

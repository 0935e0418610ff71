"""Work done ahead in threads: order, bounds, errors, early ends."""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.stages.ahead import in_order


def test_nothing_gives_nothing() -> None:
    assert list(in_order([], str, 2, 2)) == []


@settings(max_examples=15, deadline=None)
@given(
    delays_ms=st.lists(st.integers(0, 3), max_size=20), threads=st.integers(1, 5),
    ahead=st.integers(0, 8),
)
def test_results_come_in_the_order_of_items(
    delays_ms: list[int], threads: int, ahead: int
) -> None:
    def work(item: tuple[int, int]) -> int:
        time.sleep(item[1] / 1000)
        return item[0] * 2

    items = list(enumerate(delays_ms))
    found = list(in_order(items, work, threads, ahead))
    assert found == [(item, item[0] * 2) for item in items]


def test_no_more_is_taken_than_asked_for() -> None:
    taken = 0

    def items():
        nonlocal taken
        for k in range(20):
            taken += 1
            yield k

    for given_back, _ in enumerate(in_order(items(), str, 3, 4), start=1):
        assert taken <= given_back + 4


def test_threads_work_at_the_same_time() -> None:
    together = threading.Barrier(3, timeout=20)
    assert len(list(in_order(range(6), lambda _: together.wait(), 3, 5))) == 6


@pytest.mark.parametrize("bad", [0, 4, 9])
def test_an_error_comes_after_all_results_before_it(bad: int) -> None:
    def work(item: int) -> int:
        if item == bad:
            raise ValueError(f"item {item}")
        return item

    found = []
    with pytest.raises(ValueError, match=f"item {bad}"):
        for item, _ in in_order(range(10), work, 3, 4):
            found.append(item)
    assert found == list(range(bad))


def test_an_error_of_the_items_ends_the_threads() -> None:
    def items():
        yield from range(3)
        raise OSError("gone")

    before = threading.active_count()
    with pytest.raises(OSError, match="gone"):
        list(in_order(items(), str, 2, 9))
    assert threading.active_count() == before


def test_whoever_stops_early_leaves_nothing_running() -> None:
    done: list[int] = []

    def work(item: int) -> None:
        time.sleep(0.002)
        done.append(item)

    before = threading.active_count()
    stream = in_order(range(1000), work, 2, 5)
    next(stream)
    stream.close()
    assert threading.active_count() == before
    assert len(done) <= 6

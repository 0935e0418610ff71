from __future__ import annotations

import numpy as np

from rallymill.scoring.pairing import by_overlap, by_time, overlap_s


def test_nothing_pairs_with_nothing() -> None:
    assert by_time([], [1.0], 0.1).shape == (0, 2)
    assert by_time([1.0], [], 0.1).shape == (0, 2)
    assert by_overlap(np.zeros((0, 2)), [[0, 1]]).shape == (0, 2)


def test_as_many_pairs_as_possible_before_the_closest() -> None:
    # Greedy would join 1.00 with 1.01 and leave the two others alone.
    pairs = by_time([0.90, 1.00], [1.01, 1.09], 0.12)
    assert pairs.tolist() == [[0, 0], [1, 1]]


def test_tolerance_includes_its_bound_and_labels_bind() -> None:
    assert len(by_time([1.08], [1.0], 0.08)) == 1
    assert len(by_time([1.081], [1.0], 0.08)) == 0
    assert len(by_time([1.0], [1.0], 0.08, ["near"], ["far"])) == 0


def test_each_index_pairs_once() -> None:
    assert by_time([1.0, 1.01, 1.02], [1.01], 0.1).tolist() == [[1, 0]]


def test_overlap_takes_the_most_shared_time() -> None:
    found, true = np.array([[0.0, 4.0], [4.5, 6.0]]), np.array([[3.5, 6.0], [8.0, 9.0]])
    assert by_overlap(found, true).tolist() == [[1, 0]]
    assert overlap_s(found, true)[0, 0] == 0.5
    assert overlap_s(found, true)[0, 1] == -4.0

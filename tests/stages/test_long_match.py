"""What is shared over a view or a match is found the quick way as it is found the plain way."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.stages.flight import path
from rallymill.stages.flight.candidates import Candidates, Picture
from rallymill.stages.people import roles

PERIOD_S = 0.04


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.integers(1, 40), min_size=1, max_size=30), seed=st.integers(0, 999),
    asked=st.lists(st.floats(-1, 60).map(lambda t_s: round(t_s, 2)), min_size=1, max_size=20),
)
def test_the_nearest_frame_with_a_camera(steps: list[int], seed: int, asked: list[float]) -> None:
    t_s = np.cumsum(steps) / 25
    n = len(t_s)
    matrix = np.ones((n, 3, 4))
    matrix[np.random.default_rng(seed).random(n) < 0.5] = np.nan
    matrix[seed % n] = 1.0
    view = Picture(np.arange(n), t_s, matrix, np.zeros(n), np.ones(n), 1280, 720)
    known = np.flatnonzero(np.isfinite(matrix[:, 0, 0]))
    for moment in asked:
        assert view.nearest(moment) == known[np.argmin(np.abs(t_s[known] - moment))]


def match_of(seed: int, n_views: int) -> list[list[roles.Habit]]:
    rng = np.random.default_rng(seed)
    return [
        [
            roles.Habit((float(x), float(y)), float(rng.choice([0.1, 0.9])), 0.1, 1.8, 3.0)
            for x, y in rng.uniform(-1.2, 1.2, (rng.integers(0, 6), 2))
        ]
        for _ in range(n_views)
    ]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 9999), n_views=st.integers(0, 9))
def test_shares_of_views_with_somebody_still(seed: int, n_views: int) -> None:
    habits = match_of(seed, n_views)
    for i, row in enumerate(roles.haunted_shares(habits)):
        for found, share in zip(habits[i], row, strict=True):
            others = [
                [one for one in view if one.still]
                for j, view in enumerate(habits) if j != i
            ]
            others = [view for view in others if view]
            hits = sum(
                any(np.hypot(*np.subtract(one.middle_m, found.middle_m)) < roles.SAME_PLACE_M
                    for one in view)
                for view in others
            )  # fmt: skip
            assert share == hits / (len(others) + 2)


def seen_in(seed: int, n_frames: int) -> Candidates:
    """A ball that flies about among false candidates."""
    rng = np.random.default_rng(seed)
    way = 500 + np.cumsum(rng.normal(0, 6, (n_frames, 2)), axis=0)
    rows = [(f, *way[f]) for f in range(n_frames) if rng.random() < 0.8]
    rows += [(f, *rng.uniform(0, 1000, 2)) for f in rng.integers(0, n_frames, n_frames)]
    rows.sort()
    slot = np.array([row[0] for row in rows], dtype=np.int64)
    place = np.array([row[1:] for row in rows], dtype=float)
    return Candidates(slot, slot * PERIOD_S, place, place.copy(), rng.random(len(rows)),
                      np.ones(len(rows)))  # fmt: skip


def searched(found: Candidates, n_frames: int) -> tuple[np.ndarray, np.ndarray]:
    return path.best_path(found, np.arange(n_frames) * PERIOD_S, 1 + 1.5 * found.confidence,
                          path.PathCosts())  # fmt: skip


def test_a_long_search_finds_what_searches_of_its_parts_find() -> None:
    # No chain goes on over so long a gap, so the parts know nothing of each other; the whole is
    # many times longer than what the search looks back.
    apart = round(path.PathCosts().gap_s / PERIOD_S) + 2
    parts = [seen_in(seed, 40 + 7 * seed) for seed in range(8)]
    lengths = [40 + 7 * seed + apart for seed in range(8)]
    starts = np.concatenate([[0], np.cumsum(lengths)])
    slot = np.concatenate([part.slot + at for part, at in zip(parts, starts, strict=False)])
    whole = Candidates(slot, slot * PERIOD_S, *(
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("image_px", "steady_px", "confidence", "box_px")
    ))  # fmt: skip
    chosen, chain = searched(whole, int(starts[-1]))
    at = 0
    for part, length in zip(parts, lengths, strict=True):
        alone, its_chain = searched(part, length)
        inside = (chosen >= at) & (chosen < at + len(part))
        assert np.array_equal(chosen[inside] - at, alone)
        # Chains are numbered from the end; which points hang together is what counts.
        assert np.array_equal(np.diff(chain[inside]) != 0, np.diff(its_chain) != 0)
        at += len(part)
    assert len(chosen) > 100

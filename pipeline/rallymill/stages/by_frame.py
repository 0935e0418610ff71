"""Rows of a table by frame, so that a stage holds a view at a time and not the match.

A camera that never moves gives one view of hours. Such a view is cut where the ball has been gone
for longest, so that no stage has to hold all of it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

MOST_S = 1200.0
"""Longest time that a stage is given of a view at a time; broadcasts have no view so long."""
BALL = 0.5
"""A ball box of this confidence says that the ball is there."""


class ByFrame:
    """A table whose rows of a span of frames are a slice of it, in order of frames.

    ``frame`` (N,) are the frames of its rows.
    """

    def __init__(self, table: pa.Table) -> None:
        """Take a table with a column ``frame``; one that is not in its order is sorted."""
        self.frame: NDArray[np.int64] = table["frame"].to_numpy()
        if (np.diff(self.frame) < 0).any():
            order = np.argsort(self.frame, kind="stable")
            table, self.frame = table.take(order), self.frame[order]
        self.table = table

    def within(self, first: int, last: int) -> pa.Table:
        """Rows of frames ``first`` to ``last``, both included."""
        low = int(np.searchsorted(self.frame, first))
        return self.table.slice(low, int(np.searchsorted(self.frame, last, "right")) - low)


def by_view(frames: pa.Table) -> list[pa.Table]:
    """Rows of each view, in order of frames; views in order of time.

    ``frames`` has the columns ``frame``, ``t_s`` and ``view_id``.
    """
    ids, numbers = frames["view_id"].to_numpy(), frames["frame"].to_numpy()
    order = np.lexsort((numbers, ids))
    if (np.diff(order) < 0).any():
        frames, ids = frames.take(order), ids[order]
    edges = [0, *(np.flatnonzero(np.diff(ids)) + 1).tolist(), len(ids)]
    parts = [frames.slice(low, high - low) for low, high in pairwise(edges) if high > low]
    return sorted(parts, key=lambda part: float(part["t_s"][0].as_py()))


def in_pieces(
    views: list[pa.Table], detections: ByFrame, most_s: float = MOST_S
) -> list[pa.Table]:
    """Views (see :func:`by_view`) of which those longer than ``most_s`` are cut, in order of time.

    A piece ends in the second half of the time that it may have, amid the longest stretch there
    without a sure ball: between points, where neither a flight nor a stroke is cut. ``detections``
    have the columns ``frame``, ``label`` and ``confidence``.
    """
    pieces = []
    for view in views:
        t_s, frame = view["t_s"].to_numpy(), view["frame"].to_numpy()
        first = 0
        while t_s[-1] - t_s[first] > most_s:
            low, high = np.searchsorted(t_s, t_s[first] + np.array([most_s / 2, most_s]))
            low, high = max(int(low), first + 1), max(int(high), first + 2)
            boxes = detections.within(int(frame[low]), int(frame[high - 1]))
            sure = pc.and_(
                pc.equal(boxes["label"], "ball"), pc.greater_equal(boxes["confidence"], BALL)
            )
            balls = np.searchsorted(frame, boxes["frame"].filter(sure).to_numpy())
            edges = np.unique(np.concatenate([[low, high - 1], balls]))
            end = low
            if len(edges) > 1:
                longest = int(np.argmax(np.diff(t_s[edges])))
                end = int(edges[longest] + edges[longest + 1] + 1) // 2
            pieces.append(view.slice(first, end - first))
            first = end
        pieces.append(view.slice(first))
    return pieces

"""Rows of a table by frame, so that a stage holds a view at a time and not the match."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


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

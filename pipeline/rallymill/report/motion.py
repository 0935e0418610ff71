"""Where both players are while a point is played, thinned, for a drawing that moves with the film.
"""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from rallymill.report.svg import Layout

log = logging.getLogger(__name__)

STEP_S = 0.2
LONGEST_GAP_S = 0.8
"""Over a longer gap in a track the player is not shown."""
COLUMNS = ("t_s", "role", "x_m", "y_m")

Array = NDArray[np.float64]


class Ways:
    """The players' ways over a match: times and places (N, 3) by side."""

    def __init__(self, sides: dict[str, Array]) -> None:
        self._sides = sides

    @staticmethod
    def read(path: Path) -> Ways:
        """Ways from a tracks table; empty where it cannot be read, since drawings do without."""
        try:
            table = pq.read_table(path, columns=list(COLUMNS))
        except (OSError, pa.ArrowException) as error:
            log.info("no players' ways from %s: %s", path.name, error)
            return Ways({})
        sides = {}
        for side in ("near", "far"):
            own = table.filter(pc.equal(table["role"], side))
            found = np.column_stack([own[name].to_numpy() for name in ("t_s", "x_m", "y_m")])
            sides[side] = found[np.isfinite(found).all(axis=1)]
        return Ways(sides)

    def within(self, side: str, start_s: float, end_s: float) -> Array:
        """Places (N, 2) every ``STEP_S`` from ``start_s``; NaN where the track has a gap."""
        times = np.arange(start_s, end_s + STEP_S / 2, STEP_S)
        out = np.full((len(times), 2), np.nan)
        found = self._sides.get(side)
        if found is None or len(found) < 2:
            return out
        low = max(np.searchsorted(found[:, 0], start_s - 1.0) - 1, 0)
        piece = found[low : np.searchsorted(found[:, 0], end_s + 1.0) + 1]
        if len(piece) < 2:
            return out
        after = np.clip(np.searchsorted(piece[:, 0], times), 1, len(piece) - 1)
        gap = piece[after, 0] - piece[after - 1, 0]
        known = (gap <= LONGEST_GAP_S) & (times >= piece[0, 0]) & (times <= piece[-1, 0])
        for column in (1, 2):
            out[known, column - 1] = np.interp(times[known], piece[:, 0], piece[:, column])
        return out


def in_drawing(layout: Layout, places: Array) -> list[float | None]:
    """Drawing points one after the other, x and y; None where not known."""
    if not len(places):
        return []
    points = layout.plan(np.column_stack([places, np.zeros(len(places))]))
    return [None if value != value else round(float(value), 1) for value in points.ravel()]

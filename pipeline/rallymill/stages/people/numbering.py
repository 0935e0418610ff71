"""Track numbers over gaps and cuts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View
from rallymill.stages.people.paths import Path


@dataclass
class _Last:
    number: int
    t_s: float
    place_m: NDArray[np.float64]


class Numbering:
    """Gives track numbers from 1; paths must come in time order for each player.

    A player who was last seen at most ``relink_s`` ago, at a place from which the new one can be
    reached, keeps the number; so does an official who stands where one stood before the cut.
    After a longer cut the players may have changed ends, so they get new numbers.
    """

    def __init__(self, config: PeopleConfig) -> None:
        self._config = config
        self._next = 1
        self._last: dict[str, list[_Last]] = {"near": [], "far": [], "other": []}

    def number(self, view: View, path: Path, role: str) -> int:
        """Number of a path in a view."""
        start_s, end_s = float(view.t_s[path.step[0]]), float(view.t_s[path.step[-1]])
        first, last = path.mean[0, [0, 2]], path.mean[-1, [0, 2]]
        known = self._last[role]
        for item in known:
            gap = start_s - item.t_s
            away = float(np.linalg.norm(first - item.place_m))
            reach = 0.5 if role == "other" else self._config.max_speed_mps * gap + 0.5
            if 0 < gap <= self._config.relink_s and away <= reach:
                item.t_s, item.place_m = end_s, last
                return item.number
        known[:] = [item for item in known if start_s - item.t_s <= self._config.relink_s]
        known.append(_Last(self._next, end_s, last))
        self._next += 1
        return known[-1].number

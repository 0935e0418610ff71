"""Look for the court now and then while a recording is read."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.courtfit import bundle, evidence, lock
from rallymill.courtfit.bundle import Place
from rallymill.courtfit.tracker import Tracker

Picture = NDArray[Any]

EVERY_S = 0.6
"""Time between probes."""
SAME_LEVELS = 3.0
"""A picture that differs less than this from one without a court has none either."""
FORGET_S = 8.0
MOST_KNOWN = 6


@dataclass(frozen=True)
class Probe:
    """Whether the court was seen in a frame, by which camera, and why not."""

    frame: int
    t_s: float
    camera: Camera | None
    reason: str = ""


def between(probes: Sequence[Probe], first: int, last: int) -> list[Probe]:
    """Those of some probes, in order, that were of frames ``first`` to ``last``."""
    low = bisect_left(probes, first, key=lambda probe: probe.frame)
    return list(probes[low:bisect_right(probes, last, key=lambda probe: probe.frame)])


@dataclass
class Prober:
    """Probes frames in order: cameras known already first, a search of the picture last."""

    probes: list[Probe] = field(default_factory=list)
    _known: list[tuple[Place, Camera]] = field(default_factory=list)
    _without: tuple[float, Picture] | None = None
    _next_s: float = 0.0

    def know(self, courts: list[tuple[Place, Camera]]) -> None:
        """Try these courts before a search, in pictures of any size."""
        self._known += courts[-MOST_KNOWN:]

    def due(self, t_s: float) -> bool:
        """Whether the frame at this time is to be probed."""
        return t_s >= self._next_s

    def probe(self, frame: int, t_s: float, image: Picture, small: Picture) -> Probe:
        """Look for the court in a BGR picture; ``small`` is its small picture."""
        self._next_s = t_s + EVERY_S
        done = self._look(frame, t_s, image, small)
        self.probes.append(done)
        return done

    def _look(self, frame: int, t_s: float, image: Picture, small: Picture) -> Probe:
        white = evidence.whiteness(image)
        for index in reversed(range(len(self._known))):
            place, camera = self._known[index]
            sized = place.applied(camera.resized(white.shape[1], white.shape[0]))
            followed = Tracker(place, sized, t_s).step(white, t_s)
            if followed is not None:
                self._known.append((self._known.pop(index)[0], followed.fit.camera))
                return Probe(frame, t_s, followed.fit.camera)
        if self._without is not None:
            when, picture = self._without
            change = np.abs(picture.astype(np.int16) - small.astype(np.int16)).mean()
            if t_s - when < FORGET_S and change < SAME_LEVELS:
                return Probe(frame, t_s, None, "as before, no court")
        found = lock.lock(image)
        if isinstance(found, lock.NotFound):
            # One more attempt costs a third of a second, a court that is overlooked costs its play.
            self._without = None if found.near else (t_s, small)
            return Probe(frame, t_s, None, found.reason)
        place = bundle.place_of(found.fit, found.paint)
        self._known = [*self._known[-(MOST_KNOWN - 1):], (place, found.fit.camera)]
        return Probe(frame, t_s, found.fit.camera)

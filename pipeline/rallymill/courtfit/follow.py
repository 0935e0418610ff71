"""Follow the court through a whole view and make its final cameras.

Frames are taken one by one. The first lock is looked for until it is found, then the view is
followed forwards, and backwards through the frames kept from before. When enough frames are known,
the camera's place is fitted jointly to several of them and every frame's own unknowns are fitted
again with that place; at the end of the view the cameras are smoothed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera
from rallymill.camera_spread import ground_sd_m
from rallymill.courtfit import bundle, evidence, lock, smooth, solve, support
from rallymill.courtfit.bundle import OWN, Place
from rallymill.courtfit.given import Anchor
from rallymill.courtfit.solve import Places
from rallymill.courtfit.tracker import Followed, Tracker, difference_px

Array = NDArray[Any]
Picture = NDArray[Any]

KEPT_BEFORE = 75
"""Frames kept while no court is known, to be followed backwards later."""
SETTLE_FRAMES = 600
"""Frames after which the place of the camera is fitted, and no measurements are kept."""
JOINT_FRAMES = 16
THINNED = 140
"""Places kept of each frame until the place of the camera is fitted."""
RETRY_S, RETRY_MOST_S = 0.4, 3.0
"""Time between searches for a lost court; it doubles with every failure up to the second."""
BRIDGE_S = 0.25
"""Gaps up to this long are filled by the smoother."""
SAME_TIME_S = 0.004
GIVEN_AGREES_PX = 6.0
"""A court followed to a moment for which points are given is dropped if it is further off."""
WHOLE_PX = 0.07
"""Deviation of what moves a whole picture (fields, rows read one after the other, scaling) and so
leaves no residual. Chosen on validation films, so that normalised errors have variance 1."""
FAR_POINT_M = np.array([[0.0, court.HALF_LENGTH_M, 0.0]])

Finder = Callable[[Picture], "lock.Lock | lock.NotFound"]


@dataclass(frozen=True)
class FrameCamera:
    """The final camera of a frame, or None where the court is lost.

    ``status`` is found, tracked or lost; ``covariance`` (8, 8) is that of the camera's unknowns
    (see :mod:`rallymill.camera_spread`).
    """

    frame: int
    t_s: float
    status: str
    camera: Camera | None = None
    rms_px: float | None = None
    covariance: Array | None = None

    @property
    def position_sd_m(self) -> float | None:
        """Standard deviation of the far baseline's middle on the ground."""
        if self.camera is None or self.covariance is None:
            return None
        return float(ground_sd_m(self.camera, self.covariance, FAR_POINT_M)[0])


@dataclass
class _Known:
    """What is known of a frame: measurements until the place is settled, then a camera."""

    frame: int
    t_s: float
    status: str = "lost"
    camera: Camera | None = None
    rms_px: float = np.inf
    places: Places | None = None
    own: Array | None = None
    spread: Array | None = None


@dataclass
class ViewFollower:
    """Follows the court through one view.

    ``hints`` are places (with a camera each) known from earlier views, tried before a search;
    ``find`` looks for a court in a picture of which nothing is known. ``given`` are cameras that
    stand at their moments, whatever is found otherwise.
    """

    hints: list[tuple[Place, Camera]] = field(default_factory=list)
    find: Finder = lock.lock
    given: list[Anchor] = field(default_factory=list)
    place: Place | None = None
    settled: bool = False
    _frames: dict[int, _Known] = field(default_factory=dict)
    _before: deque[tuple[int, float, Picture]] = field(default_factory=deque)
    _tracker: Tracker | None = None
    _try_again_s: float = -np.inf
    _wait_s: float = RETRY_S
    reasons: list[str] = field(default_factory=list)

    def add(self, frame: int, t_s: float, image: Picture) -> None:
        """Take the next frame of the view, a BGR picture."""
        white = evidence.whiteness(image)
        self._frames[frame] = _Known(frame, t_s)
        if self._take_given(frame, t_s, white):
            return
        if self._tracker is not None:
            followed = self._tracker.step(white, t_s)
            if followed is not None:
                self._keep(frame, t_s, followed, "tracked")
                self._settle_when_due()
                return
        if self._look_for(frame, t_s, image, white):
            self._follow_back()
            return
        self._before.append((frame, t_s, white))
        if len(self._before) > KEPT_BEFORE:
            self._before.popleft()

    def _take_given(self, frame: int, t_s: float, white: Picture) -> bool:
        """Start from a camera given for this moment; what does not agree with it is dropped."""
        due = [one for one in self.given if one.t_s <= t_s + SAME_TIME_S]
        if not due:
            return False
        self.given = [one for one in self.given if one not in due]
        one = due[-1]
        if one.t_s < t_s - SAME_TIME_S:
            return False
        scale = max(one.fit.camera.width_px / 1280, 0.5)
        followed = None if self._tracker is None else self._tracker.step(white, t_s)
        if followed is None or (
            difference_px(followed.fit.camera, one.fit.camera) > GIVEN_AGREES_PX * scale
        ):
            self.place, self.settled = one.place, False
            for number in self._frames:
                self._frames[number] = _Known(number, self._frames[number].t_s)
        place = self.place or one.place
        tracker = Tracker(place, place.applied(one.fit.camera), t_s)
        self._start(frame, t_s, Followed(one.fit, one.places, 1.0), place, tracker)
        self._follow_back()
        return True

    def _look_for(self, frame: int, t_s: float, image: Picture, white: Picture) -> bool:
        if t_s < self._try_again_s:
            return False
        known = list(self.hints)
        if self._tracker is not None and self.place is not None:
            known.append((self.place, self._tracker.camera))
        for place, camera in reversed(known):
            sized = camera.resized(white.shape[1], white.shape[0])
            tracker = Tracker(place, place.applied(sized), t_s)
            followed = tracker.step(white, t_s)
            if followed is not None:
                return self._start(frame, t_s, followed, place, tracker)
        found = self.find(image)
        if isinstance(found, lock.NotFound):
            self.reasons.append(found.reason)
            self._try_again_s = t_s + self._wait_s
            self._wait_s = min(2 * self._wait_s, RETRY_MOST_S)
            return False
        place = self.place or bundle.place_of(found.fit, found.paint)
        for known_place, _ in known:
            # A place known already is better than what one picture says, if the two agree.
            if known_place.paint.doubles == found.paint.doubles and known_place.differs(
                bundle.place_of(found.fit, found.paint)
            ) < 4.0:
                place = known_place
        camera = place.applied(found.fit.camera)
        if place.differs(bundle.place_of(found.fit, found.paint)) > 0.0:
            refined = lock.refine(
                white, camera, place.paint, (6.0, 3.0), place.prior(), step_m=0.4
            )
            backing = None if refined is None else support.check(
                white, refined[0].camera, place.paint, refined[0].net_m
            )
            if refined is None or backing is None or not backing.good:
                self._try_again_s = t_s + self._wait_s
                self.reasons.append("a court was found from another place than before")
                return False
            fit, places = refined
        else:
            fit, places = found.fit, found.places
        tracker = Tracker(place, fit.camera, t_s)
        return self._start(frame, t_s, Followed(fit, places, found.support.on), place, tracker)

    def _start(
        self, frame: int, t_s: float, followed: Followed, place: Place, tracker: Tracker
    ) -> bool:
        if self.place is None:
            self.place = place
        self._tracker = tracker
        self._wait_s = RETRY_S
        self._keep(frame, t_s, followed, "found")
        return True

    def _follow_back(self) -> None:
        """Follow backwards from the latest frame through those kept from before it."""
        assert self._tracker is not None and self.place is not None
        forward = self._tracker
        back = Tracker(forward.place, forward.camera, forward.t_s, last=forward.last)
        while self._before:
            frame, t_s, white = self._before.pop()
            followed = back.step(white, t_s)
            if followed is None:
                break
            self._keep(frame, t_s, followed, "tracked")
        self._before.clear()

    def _keep(self, frame: int, t_s: float, followed: Followed, status: str) -> None:
        fit, places = followed.fit, followed.places
        known = _Known(frame, t_s, status, fit.camera, fit.rms_px)
        good = np.flatnonzero(fit.inliers)
        if len(good) > THINNED:
            good = good[np.linspace(0, len(good) - 1, THINNED).astype(int)]
        # Fewer places stand for as much as all of them did.
        thin = places.take(good)
        gain = np.sqrt(len(good) / max(1, int(fit.inliers.sum())))
        known.places = replace(thin, sd_px=thin.sd_px * gain)
        self._frames[frame] = known
        if self.settled:
            self._finish(known)

    def _settle_when_due(self) -> None:
        if not self.settled and len(self._frames) >= SETTLE_FRAMES:
            self.settle()

    def settle(self) -> None:
        """Fit the place of the camera to several frames and every known frame's rest to it."""
        if self.settled or self.place is None:
            return
        known = [one for one in self._ordered() if one.places is not None]
        if not known:
            return
        chosen = [known[i] for i in _spread(known)]
        earlier = [place for place, _ in self.hints if place is self.place]
        start = self.place
        result = bundle.joint(
            [one.camera for one in chosen if one.camera is not None],
            [one.places for one in chosen if one.places is not None],
            start,
            earlier[0] if earlier else None,
        )
        if result is not None and np.linalg.norm(result[0].centre_m - start.centre_m) < 5.0:
            self.place = result[0]
            wider = np.array([
                self.place.paint.line_width_m - start.paint.line_width_m,
                self.place.paint.baseline_width_m - start.paint.baseline_width_m,
            ])
            for one in known:
                assert one.places is not None
                one.places = one.places.widened(wider)
        self.settled = True
        for one in known:
            self._finish(one)
        if self._tracker is not None:
            self._tracker.place = self.place
            last = known[-1].camera
            if last is not None:
                self._tracker.camera = last

    def _finish(self, one: _Known) -> None:
        """Fit a frame's own unknowns with the place of the camera settled."""
        assert self.place is not None
        if one.places is None or one.camera is None:
            return
        fit = solve.fit(
            self.place.applied(one.camera), one.places, self.place.prior(), self.place.net_m,
            rounds=3,
        )
        if fit is None:
            one.status, one.camera = "lost", None
        else:
            one.camera = fit.camera
            one.rms_px = fit.rms_px
            one.own = fit.information[np.ix_(OWN, OWN)]
            one.spread = self.place.camera_covariance(fit.camera, one.places)
        one.places = None

    def _ordered(self) -> list[_Known]:
        return [self._frames[number] for number in sorted(self._frames)]

    def result(self) -> list[FrameCamera]:
        """Final cameras of all frames taken, in order."""
        self.settle()
        frames = self._ordered()
        done: list[FrameCamera] = []
        for run in _runs(frames):
            if run[0].camera is None:
                done += [FrameCamera(one.frame, one.t_s, "lost") for one in run]
            else:
                done += self._smoothed(run)
        return done

    def _smoothed(self, run: list[_Known]) -> list[FrameCamera]:
        assert self.place is not None
        covariances = [
            np.eye(4) if one.own is None else solve.CORRELATION * np.linalg.inv(one.own)
            for one in run
        ]
        made = smooth.smooth(
            [one.camera for one in run], covariances, [one.t_s for one in run]
        )
        done = []
        last = next((one.spread for one in run if one.spread is not None), np.eye(8))
        for one, camera, noise in zip(run, made.cameras, made.covariance, strict=True):
            tracked = one.camera is not None
            last = last if one.spread is None else one.spread
            covariance = last.copy()
            covariance[:4, :4] += noise
            covariance[[1, 2], [1, 2]] += (WHOLE_PX / camera.focal_px) ** 2
            done.append(FrameCamera(
                one.frame, one.t_s, one.status if tracked else "tracked", camera,
                one.rms_px if tracked else None, covariance,
            ))
        return done


def _spread(known: list[_Known]) -> list[int]:
    """Numbers of frames, spread evenly over the view, the best fitting of each stretch."""
    edges = np.linspace(0, len(known), min(JOINT_FRAMES, len(known)) + 1).astype(int)
    return [
        int(low + np.argmin([one.rms_px for one in known[low:high]]))
        for low, high in pairwise(edges) if high > low
    ]


def _runs(frames: list[_Known]) -> list[list[_Known]]:
    """Frames cut where the court is lost for longer than can be bridged."""
    runs: list[list[_Known]] = []
    index = 0
    while index < len(frames):
        here = frames[index].camera is not None
        end = index
        while end < len(frames) and (frames[end].camera is not None) == here:
            end += 1
        part = frames[index:end]
        if here and runs and runs[-1][0].camera is not None:
            runs[-1] += part
        elif here or not runs or end == len(frames):
            runs.append(part)
        elif part[-1].t_s - part[0].t_s <= BRIDGE_S and runs[-1][0].camera is not None:
            runs[-1] += part
        else:
            runs.append(part)
        index = end
    return runs

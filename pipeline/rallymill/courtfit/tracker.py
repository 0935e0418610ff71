"""Follow a court from frame to frame through pan, zoom and shake."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.camera_spread import moved
from rallymill.courtfit import look, solve, support
from rallymill.courtfit.bundle import Place
from rallymill.courtfit.solve import Places

Array = NDArray[np.float64]
Picture = NDArray[Any]

STEP_M = 0.5
"""Distance of the places that are measured on the lines in every frame."""
NEAR_PX, WIDE_PX = 4.0, 22.0
"""Least and greatest reach of the search for lines, for 1280 pixels of width."""
SURE_SHARE = 0.8
"""Share of places found from which a frame needs no fuller check."""
CHECK_EVERY_S = 0.5
SMALL_WIDTH_PX = 320
WORST_RMS_PX = 1.6


@dataclass(frozen=True)
class Followed:
    """The court in a frame: the fit and the places it rests on."""

    fit: solve.Fit
    places: Places
    share: float


@dataclass
class Tracker:
    """Follows the court of one camera whose place is known.

    ``camera`` is that of the last frame followed, ``rate`` (4,) how fast the logarithm of its focal
    length and its direction change, per second; ``surprise_px`` how far predictions have been off
    lately.
    """

    place: Place
    camera: Camera
    t_s: float
    rate: Array = field(default_factory=lambda: np.zeros(4))
    surprise_px: float = 3.0
    checked_s: float = -1e9
    last: Picture | None = None

    def step(self, white: Picture, t_s: float) -> Followed | None:
        """Follow to the next frame, a whiteness picture (H, W); None if the court is lost.

        Time may run backwards, so that a view can be followed to its beginning.
        """
        dt = t_s - self.t_s
        scale = max(white.shape[1] / 1280, 0.5)
        change = np.zeros(solve.N_UNKNOWNS)
        change[:4] = self.rate * dt
        predicted = moved(self.camera, change)
        reach = float(np.clip(2.5 * self.surprise_px + 2.5, NEAR_PX, WIDE_PX))
        found = self._try(white, predicted, reach * scale, scale, t_s)
        if found is None:
            found = self._try(white, self.camera, WIDE_PX * scale, scale, t_s)
        if found is None and self.last is not None:
            shifted = self._shifted(white)
            if shifted is not None:
                found = self._try(white, shifted, WIDE_PX * scale, scale, t_s)
        if found is None:
            return None
        self._learn(predicted, found.fit.camera, dt, scale)
        self.camera, self.t_s, self.last = found.fit.camera, t_s, white
        return found

    def _try(
        self, white: Picture, start: Camera, reach_px: float, scale: float, t_s: float
    ) -> Followed | None:
        near_px = NEAR_PX * scale
        places, share = look.look(white, start, self.place.paint, reach_px, STEP_M,
                                  net_m=self.place.net_m)
        if len(places) < 16:
            return None
        fit = solve.fit(start, places, self.place.prior(), self.place.net_m, rounds=4)
        if fit is None:
            return None
        moved_px = difference_px(start, fit.camera)
        if moved_px > 1.0 * scale:
            # Lines looked for far away may have been others; look again close by.
            for _ in range(3 if moved_px > near_px else 1):
                places, share = look.look(white, fit.camera, self.place.paint, near_px, STEP_M,
                                          net_m=self.place.net_m)
                if len(places) < 16:
                    return None
                again = solve.fit(
                    fit.camera, places, self.place.prior(), self.place.net_m, rounds=3
                )
                if again is None:
                    return None
                settled = difference_px(fit.camera, again.camera) < 0.3 * scale
                fit = again
                if settled:
                    break
        if fit.rms_px > WORST_RMS_PX * max(scale, 1.0) or fit.inliers.mean() < 0.6:
            return None
        if share < SURE_SHARE or abs(t_s - self.checked_s) > CHECK_EVERY_S:
            backing = support.check(white, fit.camera, self.place.paint, self.place.net_m,
                                    step_m=STEP_M)
            # A court that is followed needs no net to be the same one still.
            if not (backing.good or backing.whole):
                return None
            self.checked_s = t_s
        return Followed(fit, places, share)

    def _learn(self, predicted: Camera, found: Camera, dt: float, scale: float) -> None:
        off_px = difference_px(predicted, found) / scale
        self.surprise_px = max(0.8 * self.surprise_px, off_px)
        if dt == 0:
            return
        turn = cv2.Rodrigues(found.rotation @ self.camera.rotation.T)[0].ravel()
        now = np.concatenate([[np.log(found.focal_px / self.camera.focal_px)], turn]) / dt
        self.rate = 0.4 * self.rate + 0.6 * now

    def _shifted(self, white: Picture) -> Camera | None:
        """Camera turned by the shift of the whole picture since the last frame followed."""
        assert self.last is not None
        if white.shape != self.last.shape:
            return None
        size = (SMALL_WIDTH_PX, round(white.shape[0] * SMALL_WIDTH_PX / white.shape[1]))
        before, now = (
            cv2.resize(one, size, interpolation=cv2.INTER_AREA).astype(np.float32)
            for one in (self.last, white)
        )
        window = cv2.createHanningWindow(size, cv2.CV_32F)
        (du, dv), response = cv2.phaseCorrelate(before, now, window)
        if response < 0.05:
            return None
        factor = self.camera.width_px / SMALL_WIDTH_PX
        change = np.zeros(solve.N_UNKNOWNS)
        # A turn about the camera's y axis moves the picture to the right, about x up.
        change[1] = -dv * factor / self.camera.focal_px
        change[2] = du * factor / self.camera.focal_px
        return moved(self.camera, change)


def difference_px(one: Camera, other: Camera) -> float:
    """Largest distance between images of the court's corners that both cameras see in front."""
    corners = np.array(
        [[-5.5, -11.9, 0], [5.5, -11.9, 0], [-5.5, 11.9, 0], [5.5, 11.9, 0], [0, 0, 0.0]]
    )
    gap = np.linalg.norm(one.project(corners) - other.project(corners), axis=1)
    return float(np.nanmax(gap)) if np.isfinite(gap).any() else np.inf

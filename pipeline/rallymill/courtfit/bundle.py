"""Find what stays the same over many frames: the camera's place, its lens, the net's height.

A main camera pans, tilts and zooms from one place, so its centre is fitted jointly to several
frames; each frame then has only focal length and direction left to find. The frames' own unknowns
are eliminated frame by frame (Schur complement; Hartley & Zisserman, appendix 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.courtfit import solve
from rallymill.courtfit.model import Paint
from rallymill.courtfit.solve import N_UNKNOWNS, Places

Array = NDArray[np.float64]

OWN = np.arange(4)
SHARED = np.arange(4, 9)
ROUNDS = 8


@dataclass(frozen=True)
class Place:
    """What a camera keeps: ``centre_m`` (3,), ``k1`` and the net's difference ``net_m``.

    ``information`` (5, 5) is the inverse covariance of these five; ``paint`` is the court
    it was found with.
    """

    centre_m: Array
    k1: float
    net_m: float
    information: Array
    paint: Paint

    def applied(self, camera: Camera) -> Camera:
        """A camera at this place with this lens, that looks the same way."""
        return replace(camera, centre_m=self.centre_m.copy(), k1=self.k1)

    def prior(self, fixed: bool = True) -> solve.Prior:
        """Prior of a frame's unknowns: free direction and focal length, the place known."""
        information = np.zeros((N_UNKNOWNS, N_UNKNOWNS))
        information[np.ix_(SHARED, SHARED)] = (
            np.diag([1e12, 1e12, 1e12, 1e12, 1e12]) if fixed else self.information
        )
        return solve.Prior(np.zeros(N_UNKNOWNS), information)

    def differs(self, other: Place) -> float:
        """Distance of two places in standard deviations, root mean square over the centre."""
        mine, its = (np.linalg.pinv(one.information)[:3, :3] for one in (self, other))
        spread = solve.CORRELATION * (mine + its) + np.eye(3) * 0.03**2
        gap = self.centre_m - other.centre_m
        return float(np.sqrt(gap @ np.linalg.solve(spread, gap) / 3))


def place_of(fit: solve.Fit, paint: Paint) -> Place:
    """Place known from one frame's fit, the frame's own unknowns left open."""
    return Place(
        fit.camera.centre_m, fit.camera.k1, fit.net_m, _shared_information(fit.information), paint
    )


def _shared_information(information: Array) -> Array:
    own = information[np.ix_(OWN, OWN)]
    cross = information[np.ix_(OWN, SHARED)]
    return information[np.ix_(SHARED, SHARED)] - cross.T @ np.linalg.solve(own, cross)


def joint(
    cameras: Sequence[Camera], places: Sequence[Places], start: Place, known: Place | None = None
) -> tuple[Place, list[Camera]] | None:
    """Place of a camera that fits several frames, and the frames' cameras; None if that fails.

    ``start`` is where to begin, ``known`` what earlier views say of the place.
    """
    if not cameras:
        return None
    centre, k1, net_m = start.centre_m.copy(), start.k1, start.net_m
    current = [start.applied(camera) for camera in cameras]
    first = np.concatenate([centre, [k1, net_m]])
    if known is not None:
        mean = np.concatenate([known.centre_m, [known.k1, known.net_m]])
        weight = known.information
    else:
        sds = solve.usual_sds(cameras[0])[SHARED]
        mean = np.concatenate([first[:3], [0.0, 0.0]])
        weight = np.diag(np.where(np.isinf(sds), 0.0, 1.0 / np.minimum(sds, 1e9) ** 2))
    total = weight.copy()
    for _ in range(ROUNDS):
        at = np.concatenate([centre, [k1, net_m]])
        total = weight.copy()
        right = weight @ (mean - at)
        kept = []
        for camera, seen in zip(current, places, strict=True):
            normal, gradient, _, _ = solve.equations(camera, net_m, seen)
            own = normal[np.ix_(OWN, OWN)]
            cross = normal[np.ix_(OWN, SHARED)]
            try:
                back = np.linalg.solve(own, np.column_stack([cross, gradient[OWN]]))
            except np.linalg.LinAlgError:
                return None
            total += normal[np.ix_(SHARED, SHARED)] - cross.T @ back[:, :5]
            right += gradient[SHARED] - cross.T @ back[:, 5]
            kept.append(back)
        size = np.sqrt(np.maximum(np.diag(total), 1e-12))
        try:
            step = np.linalg.solve(total / np.outer(size, size), right / size) / size
        except np.linalg.LinAlgError:
            return None
        step = step / max(1.0, np.abs(step[:3]).max() / 3.0, abs(step[3]) / 0.1)
        centre, k1, net_m = centre + step[:3], k1 + float(step[3]), net_m + float(step[4])
        moves = []
        for index, (camera, back) in enumerate(zip(current, kept, strict=True)):
            unknowns = np.zeros(N_UNKNOWNS)
            unknowns[OWN] = back[:, 5] - back[:, :5] @ step
            unknowns[SHARED] = step
            moves.append(np.abs(unknowns[OWN]).max())
            current[index] = solve.moved(camera, unknowns)
        if np.abs(step[:3]).max() < 1e-4 and max(moves) < 1e-6:
            break
    if not np.isfinite(centre).all():
        return None
    return Place(centre, k1, net_m, total, start.paint), current

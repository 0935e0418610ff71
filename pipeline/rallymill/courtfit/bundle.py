"""Find what stays the same over many frames: the camera's place, its lens, the net and the paint.

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
from rallymill.camera_spread import moved
from rallymill.courtfit import bias, solve
from rallymill.courtfit.model import Paint, pieces
from rallymill.courtfit.solve import N_UNKNOWNS, Places

Array = NDArray[np.float64]

OWN, SHARED = bias.OWN, bias.SHARED
N_SHARED = len(SHARED)
IN_SOLVER = np.arange(4, N_UNKNOWNS)
"""Those of the shared unknowns that the solver knows; the widths of the paint come after them."""
ROUNDS = 8
LONGEST_STEPS = np.array([3.0, 3.0, 3.0, 0.1, 0.05, 0.02, 0.03])


@dataclass(frozen=True)
class Place:
    """What a camera keeps: ``centre_m`` (3,), ``k1``, the net's difference ``net_m``, the paint.

    ``information`` (7, 7) is the formal inverse covariance of these five and of the widths of lines
    and of baselines. Their errors are ``by_bias`` (7, C) times the errors of the pieces of lines,
    which have ``deviations`` (line, piece), plus errors of covariance ``rest`` (7, 7).
    """

    centre_m: Array
    k1: float
    net_m: float
    information: Array
    paint: Paint
    by_bias: Array
    rest: Array
    deviations: tuple[float, float] = bias.USUAL

    def applied(self, camera: Camera) -> Camera:
        """A camera at this place with this lens, that looks the same way."""
        return replace(camera, centre_m=self.centre_m.copy(), k1=self.k1)

    def prior(self) -> solve.Prior:
        """Prior of a frame's unknowns: free direction and focal length, the place known."""
        information = np.zeros((N_UNKNOWNS, N_UNKNOWNS))
        information[np.ix_(IN_SOLVER, IN_SOLVER)] = 1e12 * np.eye(len(IN_SOLVER))
        return solve.Prior(np.zeros(N_UNKNOWNS), information)

    def piece_covariance(self) -> Array:
        """Covariance (C, C) of the errors of pieces."""
        return bias.covariance_of_pieces(pieces(self.paint.doubles).line, *self.deviations)

    def covariance(self) -> Array:
        """Covariance (7, 7) of the shared unknowns."""
        return np.asarray(self.by_bias @ self.piece_covariance() @ self.by_bias.T + self.rest)

    def differs(self, other: Place) -> float:
        """Distance of two places in standard deviations, root mean square over the centre."""
        mine, its = (one.covariance()[:3, :3] for one in (self, other))
        spread = mine + its + np.eye(3) * 0.03**2
        gap = self.centre_m - other.centre_m
        return float(np.sqrt(gap @ np.linalg.solve(spread, gap) / 3))

    def camera_covariance(self, camera: Camera, places: Places) -> Array | None:
        """Covariance (8, 8) of a frame's camera that was fitted to places, noise left aside.

        None where the places do not determine the camera.
        """
        at = solve.linearised(camera, self.net_m, places)
        frame = bias.FrameEquations.of(at, places, len(pieces(self.paint.doubles)))
        try:
            back = frame.solved()
        except np.linalg.LinAlgError:
            return None
        moves = frame.by_piece(back, self.by_bias)[:8]
        along = np.vstack([-back[:, :N_SHARED], np.eye(N_SHARED)])[:8]
        return np.asarray(moves @ self.piece_covariance() @ moves.T + along @ self.rest @ along.T)


def place_of(fit: solve.Fit, paint: Paint) -> Place:
    """Place known from one frame's fit, the frame's own unknowns left open."""
    information = np.zeros((N_SHARED, N_SHARED))
    information[:5, :5] = _shared_information(fit.information)
    information[[5, 6], [5, 6]] = np.array([paint.line_sd_m, paint.baseline_sd_m]) ** -2.0
    return Place(
        fit.camera.centre_m, fit.camera.k1, fit.net_m, information, paint,
        np.zeros((N_SHARED, len(pieces(paint.doubles)))),
        np.asarray(solve.CORRELATION * np.linalg.pinv(information, hermitian=True), dtype=float),
    )


def _shared_information(information: Array) -> Array:
    own = information[np.ix_(OWN, OWN)]
    cross = information[np.ix_(OWN, IN_SOLVER)]
    return information[np.ix_(IN_SOLVER, IN_SOLVER)] - cross.T @ np.linalg.solve(own, cross)


def _usual(camera: Camera, paint: Paint) -> Array:
    """Information (7, 7) on a place of which nothing is known yet."""
    sds = np.concatenate([
        solve.usual_sds(camera)[IN_SOLVER], [paint.line_sd_m, paint.baseline_sd_m]
    ])
    return np.diag(np.where(np.isinf(sds), 0.0, 1.0 / np.minimum(sds, 1e9) ** 2))


def joint(
    cameras: Sequence[Camera], places: Sequence[Places], start: Place, known: Place | None = None
) -> tuple[Place, list[Camera]] | None:
    """Place of a camera that fits several frames, and the frames' cameras; None if that fails.

    ``start`` is where to begin, ``known`` what earlier views say of the place. The places were
    measured with the paint of ``start``; the result's may be wider or narrower.
    """
    if not cameras:
        return None
    at = np.concatenate([start.centre_m, [start.k1, start.net_m, 0.0, 0.0]])
    current = [start.applied(camera) for camera in cameras]
    count = len(pieces(start.paint.doubles))
    if known is not None:
        mean = np.concatenate([known.centre_m, [known.k1, known.net_m, *_wider(start, known)]])
        weight = known.information
        carried, rest = weight @ known.by_bias, weight @ known.rest @ weight
    else:
        mean = np.concatenate([at[:3], [0.0, 0.0, 0.0, 0.0]])
        weight = _usual(cameras[0], start.paint)
        carried, rest = np.zeros((N_SHARED, count)), weight
    for _ in range(ROUNDS):
        solved = _reduced(current, places, at, count)
        if solved is None:
            return None
        total = weight + sum(one[0] for one, _, _ in solved)
        right = weight @ (mean - at) + sum(one[1] for one, _, _ in solved)
        step = _scaled_solve(total, right)
        if step is None:
            return None
        step = step / max(1.0, float(np.max(np.abs(step) / LONGEST_STEPS)))
        at = at + step
        moves = []
        for index, (_, back, _) in enumerate(solved):
            own = back[:, N_SHARED] - back[:, :N_SHARED] @ step
            moves.append(np.abs(own).max())
            current[index] = moved(current[index], np.concatenate([own, step[:4]]))
        if np.abs(step[:3]).max() < 1e-4 and max(moves) < 1e-6:
            break
    solved = _reduced(current, places, at, count) if np.isfinite(at).all() else None
    if solved is None:
        return None
    total = weight + sum(one[0] for one, _, _ in solved)
    inverse = np.linalg.pinv(total, hermitian=True)
    paint = replace(
        start.paint, line_width_m=start.paint.line_width_m + float(at[5]),
        baseline_width_m=start.paint.baseline_width_m + float(at[6]),
    )
    by_bias = inverse @ (carried + sum(one[2] for one, _, _ in solved))
    result = Place(
        at[:3].copy(), float(at[3]), float(at[4]), total, paint, by_bias, inverse @ rest @ inverse
    )
    found = _deviations(result, current, [one.widened(at[5:]) for one in places], solved)
    return replace(result, deviations=found), current


def _wider(start: Place, known: Place) -> tuple[float, float]:
    """By how much the paint of a known place is wider than that of the start."""
    return (
        known.paint.line_width_m - start.paint.line_width_m,
        known.paint.baseline_width_m - start.paint.baseline_width_m,
    )


_Reduced = tuple[tuple[Array, Array, Array], Array, bias.FrameEquations]


def _reduced(
    cameras: Sequence[Camera], places: Sequence[Places], at: Array, count: int
) -> list[_Reduced] | None:
    """Each frame's equations with its own unknowns eliminated, None where that fails."""
    done = []
    wide = [seen.widened(at[5:]) for seen in places]
    linear = [
        solve.linearised(camera, float(at[4]), seen)
        for camera, seen in zip(cameras, wide, strict=True)
    ]
    for one, seen in zip(bias.tempered(linear, wide, count), wide, strict=True):
        frame = bias.FrameEquations.of(one, seen, count)
        try:
            back = frame.solved()
        except np.linalg.LinAlgError:
            return None
        done.append((frame.reduced(back), back, frame))
    return done


def _scaled_solve(total: Array, right: Array) -> Array | None:
    size = np.sqrt(np.maximum(np.diag(total), 1e-12))
    try:
        step = np.linalg.solve(total / np.outer(size, size), right / size) / size
    except np.linalg.LinAlgError:
        return None
    return step if np.isfinite(step).all() else None


def _deviations(
    place: Place, cameras: Sequence[Camera], places: Sequence[Places], solved: list[_Reduced]
) -> tuple[float, float]:
    """Deviations of the errors of lines and pieces, from the residuals of all frames."""
    line = pieces(place.paint.doubles).line
    count = len(line)
    residual, leaves, total = np.zeros(count), np.zeros((count, count)), np.zeros(count)
    linear = [
        solve.linearised(camera, place.net_m, seen)
        for camera, seen in zip(cameras, places, strict=True)
    ]
    linear = bias.tempered(linear, places, count)
    for at, seen, (_, back, frame) in zip(linear, places, solved, strict=True):
        moves = frame.by_piece(back, place.by_bias)
        values = np.column_stack([at.residual, bias.jacobian(at, seen)])
        means, weight = bias.piece_means(values, at.weight, seen, count)
        residual += weight * means[:, 0]
        leaves += weight[:, None] * (np.eye(count) - means[:, 1:] @ moves)
        total += weight
    safe = np.maximum(total, 1e-12)
    return bias.deviations(residual / safe, leaves / safe[:, None], total > 1e-9, line)

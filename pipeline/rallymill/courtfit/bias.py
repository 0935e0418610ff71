"""What errors that stay do to a camera: paint that is not where it should be, frame after frame.

Noise averages out over places and frames; the lens, uneven ground, smeared edges and worn paint do
not. They are taken as an error of each line and one of each piece of line, the same in all frames.
How large they are is told by the mean residuals that the fit leaves, with allowance for what the
fit takes up; what they do to the camera follows from the fit's own equations (a sandwich estimator
with lines as clusters, White 1980 and Liang & Zeger 1986).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rallymill.courtfit.solve import Linear, Places

Array = NDArray[np.float64]

OWN = np.arange(4)
SHARED = np.arange(4, 11)
"""Of the unknowns of :func:`jacobian`: those of a frame, and those of all frames together."""
USUAL = (1.0, 1.0)
"""Usual deviations of a line and of a piece of line, in multiples of ``Places.lasting_px``."""
USUAL_COUNT = (4.0, 8.0)
"""How many lines and pieces these count for, against those that are seen."""


def jacobian(at: Linear, places: Places) -> Array:
    """Derivatives (N, 11): the nine of the solver, then by the widths of lines and baselines."""
    by_point = -at.jacobian[:, 4:6]
    by_width = np.einsum("na,nak->nk", by_point, places.by_width)
    return np.hstack([at.jacobian, by_width])


def scores(full: Array, weight: Array, places: Places, n_pieces: int) -> Array:
    """Pull (11, C) on the unknowns by an error of one deviation in all places of each piece."""
    found = np.zeros((n_pieces, full.shape[1]))
    np.add.at(found, places.piece, full * (weight * places.lasting_px)[:, None])
    return found.T


def tempered(
    frames: Sequence[Linear], places: Sequence[Places], n_pieces: int
) -> list[Linear]:
    """The same with weights that count an error that stays in each piece.

    A piece seen many times tells no more than its own error allows: weights are scaled so that in
    all frames together they are 1 / (noise + bias) instead of 1 / noise (the optimum for errors
    that are alike within a piece).
    """
    total = np.zeros(n_pieces)
    for at, seen in zip(frames, places, strict=True):
        total += np.bincount(seen.piece, at.weight * seen.lasting_px**2, n_pieces)
    share = 1.0 / (1.0 + total * (USUAL[0] ** 2 + USUAL[1] ** 2))
    return [
        replace(at, weight=at.weight * share[seen.piece])
        for at, seen in zip(frames, places, strict=True)
    ]


def piece_means(
    values: Array, weight: Array, places: Places, n_pieces: int
) -> tuple[Array, Array]:
    """Means (C, K) of values (N, K) in deviations, by piece, zero where none is; weights (C,)."""
    gain = weight * places.lasting_px
    total = np.bincount(places.piece, gain * places.lasting_px, n_pieces).astype(float)
    sums = np.zeros((n_pieces, values.shape[1]))
    np.add.at(sums, places.piece, values * gain[:, None])
    return sums / np.maximum(total, 1e-12)[:, None], total


@dataclass(frozen=True)
class FrameEquations:
    """The equations of a frame: ``normal`` (11, 11), ``pull`` (11,) and ``score`` (11, C)."""

    normal: Array
    pull: Array
    score: Array

    @staticmethod
    def of(at: Linear, places: Places, n_pieces: int) -> FrameEquations:
        """Equations of places about a camera."""
        full = jacobian(at, places)
        weighted = full * at.weight[:, None]
        return FrameEquations(
            weighted.T @ full, weighted.T @ at.residual,
            scores(full, at.weight, places, n_pieces),
        )

    @property
    def own(self) -> Array:
        """Information (4, 4) on the frame's own unknowns."""
        return self.normal[np.ix_(OWN, OWN)]

    @property
    def cross(self) -> Array:
        """Own against shared unknowns, (4, 7)."""
        return self.normal[np.ix_(OWN, SHARED)]

    def reduced(self, back: Array) -> tuple[Array, Array, Array]:
        """Normal (7, 7), pull (7,) and score (7, C) with the own unknowns eliminated.

        ``back`` (4, 7 + 1 + C) solves ``own`` for cross, pull and score.
        """
        normal = self.normal[np.ix_(SHARED, SHARED)] - self.cross.T @ back[:, :7]
        pull = self.pull[SHARED] - self.cross.T @ back[:, 7]
        return normal, pull, self.score[SHARED] - self.cross.T @ back[:, 8:]

    def solved(self) -> Array:
        """Own unknowns (4, 7 + 1 + C) by shared ones, by the residuals and by piece errors.

        Raises
        ------
        numpy.linalg.LinAlgError
            The own unknowns are not determined.
        """
        return np.asarray(np.linalg.solve(
            self.own, np.column_stack([self.cross, self.pull[OWN], self.score[OWN]])
        ))

    def by_piece(self, back: Array, shared: Array) -> Array:
        """What a deviation of error in each piece does to all unknowns, (11, C).

        ``shared`` (7, C) is what it does to the shared ones.
        """
        return np.vstack([back[:, 8:] - back[:, :7] @ shared, shared])


def deviations(
    residual: Array, leaves: Array, seen: NDArray[np.bool_], line: NDArray[np.int64]
) -> tuple[float, float]:
    """Standard deviations of the errors of lines and of pieces.

    All is in multiples of ``Places.lasting_px``. ``residual`` (C,) are mean residuals by piece,
    ``leaves`` (C, C) what the fit leaves of piece errors, ``line`` (C,) to which line a piece
    belongs; pieces that are not ``seen`` do not count.
    """
    usual_line, usual_piece = USUAL
    if seen.sum() < 2:
        return usual_line, usual_piece
    rest, residual = leaves[np.ix_(seen, seen)], residual[seen]
    _, number = np.unique(line[seen], return_inverse=True)
    member = np.eye(number.max() + 1)[number]
    mean = member @ np.linalg.pinv(member)
    within = np.eye(len(residual)) - mean
    # Boards, shadows or people that stay in a place leave residuals that are no paint's.
    usual = max(1.4826 * float(np.median(np.abs(residual))), usual_piece)
    residual = np.clip(residual, -3.0 * usual, 3.0 * usual)
    by_line = rest @ member
    n_within = float(np.sum((within @ rest) ** 2))
    piece2 = float(np.sum((within @ residual) ** 2)) / max(n_within, 1e-9)
    piece2 = (USUAL_COUNT[1] * usual_piece**2 + n_within * piece2) / (USUAL_COUNT[1] + n_within)
    between = float(np.sum((mean @ residual) ** 2)) - piece2 * float(np.sum((mean @ rest) ** 2))
    per_line = float(np.sum((mean @ by_line) ** 2))
    # Lines of many pieces weigh more; as many lines as that sum is of the whole are left free.
    n_between = per_line / max(float(np.mean(member.sum(0))), 1.0)
    line2 = max(between, 0.0) / max(per_line, 1e-9)
    line2 = (USUAL_COUNT[0] * usual_line**2 + n_between * line2) / (USUAL_COUNT[0] + n_between)
    return float(np.sqrt(line2)), float(np.sqrt(piece2))


def covariance_of_pieces(line: NDArray[np.int64], by_line: float, by_piece: float) -> Array:
    """Covariance (C, C) of the errors of all pieces, from the two deviations."""
    same = line[:, None] == line[None, :]
    return np.asarray(by_line**2 * same + by_piece**2 * np.eye(len(line)))

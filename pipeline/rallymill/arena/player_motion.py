"""A person's way over the ground: planned in cubic pieces, then sampled and smoothed.

A piece is a cubic in time with given positions and velocities at its ends, so its acceleration is
linear and greatest at an end. Joints of pieces jump in acceleration; the sampled way is smoothed by
a Gaussian of 0.04 s, which shifts no point by more than a few millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Array = NDArray[np.float64]

SAMPLE_RATE = 100
SMOOTHING_S = 0.04
BRAKE_MPS2 = 6.0
END_SPEED_SHARES = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])


@dataclass(frozen=True)
class Piece:
    """Cubic motion from ``start_s`` to ``end_s``; ``coefficients`` (4, 2) by rising power."""

    start_s: float
    end_s: float
    coefficients: Array

    def at(self, t_s: float) -> tuple[Array, Array]:
        """Position (2,) and velocity (2,)."""
        s = t_s - self.start_s
        c = self.coefficients
        return c[0] + s * (c[1] + s * (c[2] + s * c[3])), c[1] + s * (2 * c[2] + 3 * s * c[3])


def cubic(start_s: float, end_s: float, p0: Array, v0: Array, p1: Array, v1: Array) -> Piece:
    """Piece with given ends."""
    span = end_s - start_s
    way = p1 - p0
    c2 = (3 * way / span - 2 * v0 - v1) / span
    c3 = (v0 + v1 - 2 * way / span) / span**2
    return Piece(start_s, end_s, np.array([p0, v0, c2, c3]))


def reach(
    p0: Array, v0: Array, p1: Array, span_s: Array, acceleration: float, top_speed: float
) -> tuple[NDArray[np.bool_], Array, Array]:
    """Whether places can be reached in time, and how.

    Starts at ``p0`` (2,) with ``v0`` (2,); places ``p1`` (K, 2), times ``span_s`` (K,). Returns
    whether it can be done (K,), the velocity on arrival (K, 2) and the haste from 0 (arrives at
    rest) to 1 (arrives accelerating all the way).
    """
    span = np.maximum(span_s, 1e-3)[:, None, None]
    way = (p1 - p0)[:, None, :]
    through = 2 * way / span - v0
    end = END_SPEED_SHARES[None, :, None] * through
    first = np.linalg.norm((6 * way / span - 4 * v0 - 2 * end) / span, axis=2)
    last = np.linalg.norm((-6 * way / span + 2 * v0 + 4 * end) / span, axis=2)
    middle = np.linalg.norm(1.5 * way / span - (v0 + end) / 4, axis=2)
    peak = np.maximum(middle, np.linalg.norm(end, axis=2))
    fine = (np.maximum(first, last) <= acceleration) & (peak <= top_speed)
    fine &= (span_s > 0)[:, None]
    can = fine.any(axis=1)
    choice = np.argmax(fine, axis=1)
    rows = np.arange(len(span_s))
    return can, end[rows, choice], np.where(can, END_SPEED_SHARES[choice], 1.0)


def peak_acceleration(p0: Array, v0: Array, p1: Array, v1: Array, span_s: float) -> float:
    """Greatest acceleration of the cubic piece with given ends."""
    way = p1 - p0
    first = (6 * way / span_s - 4 * v0 - 2 * v1) / span_s
    last = (-6 * way / span_s + 2 * v0 + 4 * v1) / span_s
    return float(max(np.linalg.norm(first), np.linalg.norm(last)))


def shortest_span_s(
    p0: Array, v0: Array, p1: Array, acceleration: float, top_speed: float, least_s: float = 0.4
) -> float:
    """Shortest time (to 0.1 s) in which a cubic piece comes to rest at ``p1`` within the limits."""
    span = max(least_s, 1.5 * float(np.linalg.norm(p1 - p0)) / top_speed)
    while span < 12.0 and peak_acceleration(p0, v0, p1, np.zeros(2), span) > acceleration:
        span += 0.1
    return span


@dataclass(frozen=True)
class Hop:
    """Both feet off the ground from ``take_off_s`` to ``landing_s``, ``height_m`` at the top."""

    take_off_s: float
    landing_s: float
    height_m: float
    split: bool = True

    def z_m(self, t_s: float) -> float:
        """Height of the feet."""
        if not self.take_off_s < t_s < self.landing_s:
            return 0.0
        share = (t_s - self.take_off_s) / (self.landing_s - self.take_off_s)
        return 4 * self.height_m * share * (1 - share)


@dataclass(frozen=True)
class Swing:
    """A stroke of the body: phase 0 at ``start_s``, 0.5 at ``contact_s``, 1 at ``end_s``."""

    start_s: float
    contact_s: float
    end_s: float
    action: str
    contact_m: tuple[float, float, float]
    stretch: float

    def phase(self, t_s: float) -> float:
        """Phase from 0 to 1."""
        if t_s <= self.contact_s:
            return 0.5 * max(0.0, (t_s - self.start_s) / (self.contact_s - self.start_s))
        return min(1.0, 0.5 + 0.5 * (t_s - self.contact_s) / (self.end_s - self.contact_s))


@dataclass(frozen=True)
class Feint:
    """A stroke that is begun and taken back: the phase rises to ``top_phase`` and falls again."""

    start_s: float
    end_s: float
    action: str
    top_phase: float

    def phase(self, t_s: float) -> float:
        """Phase from 0 to ``top_phase``."""
        share = (t_s - self.start_s) / (self.end_s - self.start_s)
        return self.top_phase * float(np.sin(np.pi * min(max(share, 0.0), 1.0)))


@dataclass
class Body:
    """A player's plan: pieces of motion, hops, swings, feints and spans of a mood.

    ``moods`` are (start, mood) with mood ``walk`` between points, ``play`` in a rally and
    ``bounce_ball`` while the server bounces the ball.
    """

    start: Array
    pieces: list[Piece] = field(default_factory=list)
    hops: list[Hop] = field(default_factory=list)
    swings: list[Swing] = field(default_factory=list)
    feints: list[Feint] = field(default_factory=list)
    moods: list[tuple[float, str]] = field(default_factory=lambda: [(0.0, "walk")])

    def at(self, t_s: float) -> tuple[Array, Array]:
        """Planned position (2,) and velocity (2,); at rest where nothing is planned."""
        last = self.start
        for piece in reversed(self.pieces):
            if piece.start_s <= t_s:
                if t_s <= piece.end_s:
                    return piece.at(t_s)
                last = piece.at(piece.end_s)[0]
                break
        return last, np.zeros(2)

    def move(
        self, start_s: float, end_s: float, place: Array, end_velocity: Array | None = None
    ) -> None:
        """Drop what was planned from ``start_s`` on and go to ``place`` by ``end_s``.

        A motion that arrives at speed is followed by coming to rest, until planned otherwise.
        """
        p0, v0 = self.at(start_s)
        self.cut(start_s)
        v1 = np.zeros(2) if end_velocity is None else end_velocity
        self.pieces.append(cubic(start_s, end_s, p0, v0, place, v1))
        speed = float(np.linalg.norm(v1))
        if speed > 0.02:
            span = max(0.2, speed / BRAKE_MPS2)
            rest = place + v1 * span / 2
            self.pieces.append(cubic(end_s, end_s + span, place, v1, rest, np.zeros(2)))

    def cut(self, t_s: float) -> None:
        """Drop what was planned from a time on; the motion then goes on in the next piece."""
        kept = [piece for piece in self.pieces if piece.start_s < t_s]
        if kept and kept[-1].end_s > t_s:
            kept[-1] = Piece(kept[-1].start_s, t_s, kept[-1].coefficients)
        self.pieces = kept

    def brake(self, t_s: float, deceleration: float = BRAKE_MPS2) -> float:
        """Come to rest from the motion at a time; gives the time at which it is reached."""
        p0, v0 = self.at(t_s)
        speed = float(np.linalg.norm(v0))
        if speed < 0.05:
            self.cut(t_s)
            return t_s
        span = max(0.25, speed / deceleration)
        self.move(t_s, t_s + span, p0 + v0 * span / 2)
        return t_s + span

    def sample(self, duration_s: float) -> Array:
        """Smoothed positions (N, 2) at ``SAMPLE_RATE`` from time 0 to beyond ``duration_s``."""
        n = int(np.ceil(duration_s * SAMPLE_RATE)) + 2
        beyond = int(4 * SMOOTHING_S * SAMPLE_RATE) + 1
        times = np.arange(n + beyond) / SAMPLE_RATE
        out = np.empty((n + beyond, 2))
        out[:] = self.start
        for piece in self.pieces:
            low = int(np.searchsorted(times, piece.start_s))
            high = int(np.searchsorted(times, piece.end_s, side="right"))
            s = (times[low:high] - piece.start_s)[:, None]
            c = piece.coefficients
            out[low:high] = c[0] + s * (c[1] + s * (c[2] + s * c[3]))
            out[high:] = piece.at(piece.end_s)[0]
        return gaussian_filter1d(out, SMOOTHING_S * SAMPLE_RATE, axis=0, mode="nearest")[:n]

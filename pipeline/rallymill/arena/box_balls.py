"""Ball boxes as the detector's two looks give them: how sure, how exact, and how many are wrong.

All figures are those of 25 drawn films for validation (seeds 100400 to 100422 and 100600 to
100614; 3078 frames of points, 2460 balls seen in them), read with the weights of
``models/ball_look``. A box is right within 5 px of a picture 1280 wide, or farther along the streak
by 0.4 of a frame's way. Confidences are probabilities there (``tests/benchmarks/detect.md``), and
since right and wrong boxes come as often at each confidence as they do there, those here are so
too. Balls that net, posts or graphics hide are not simulated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from rallymill.camera import Camera

Array = NDArray[np.float64]
Quantiles = tuple[float, ...]

FOUND_AT = (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 0.9, 1.0)
"""Shares of the right boxes of a tier that are below the log odds in :class:`Found`."""
WRONG_AT = (0.0, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98, 0.99, 0.995, 1.0)
"""The same of wrong ones."""
FILM_SHARE, LASTING_SHARE, LASTS_FRAMES = 0.1, 0.7, 8.0
"""Of the variance of how well a ball is found (as a normal score) so much belongs to the film, and
so much to spells of about so many frames: correlations there are 0.74 from frame to frame, 0.42
over 5, 0.29 over 8 and 0.12 over 15 frames."""
SURE_PX, SURE_STREAK, SURE_ODDS, LOOSER = 0.25, 0.02, 4.5, 0.25
"""Deviation of a box of these log odds, px across the ball's way and share of a frame's way more
along it, and how fast both grow with less: 0.2 to 0.3 px above confidence 0.9, 0.4 to 0.7 from 0.4
on, 0.8 to 1.4 from 0.1 on and 1.7 to 2.0 below."""
FILM_SPREAD = 0.5
"""Deviation of the logarithm of how many wrong boxes a film has."""
AGAIN = 0.28
"""Share of wrong boxes with another within 3 px in the frame before."""
ABOUT_BALL_PX = (5.0, 25.0)
FIXED_SHARE, N_FIXED = 0.08, 3
"""Share of wrong boxes away from players that are where one was a second ago, and at how many
places of a film."""
BESIDE_PX = 8.0


@dataclass(frozen=True)
class Found:
    """How sure right boxes are: share of balls without one, log odds of others at ``FOUND_AT``."""

    missed: float
    log_odds: Quantiles


@dataclass(frozen=True)
class BallNoise:
    """Ball boxes of a tier. Wrong boxes are counted by frame: beside players, away from them, and
    5 to 25 px from the ball; their log odds stand at ``WRONG_AT``. ``place`` scales how far right
    boxes are off."""

    away: Found
    beside_player: Found
    wrong_by_players: float
    wrong_elsewhere: float
    wrong_by_ball: float
    wrong_odds: Quantiles
    wrong_by_ball_odds: Quantiles
    place: float = 1.0


PERFECT = BallNoise(
    Found(0.0, (7.6,) * len(FOUND_AT)), Found(0.0, (7.6,) * len(FOUND_AT)), 0.0, 0.0, 0.0,
    (-5.0,) * len(WRONG_AT), (-5.0,) * len(WRONG_AT), place=0.0,
)
"""Every ball, where it is, and nothing else."""
TIERS: Mapping[str, BallNoise] = {
    "broadcast": BallNoise(
        Found(0.036, (-5.68, -2.97, -1.42, 0.56, 2.04, 3.06, 3.55, 4.65, 5.74, 7.6)),
        Found(0.288, (-4.07, -4.06, -3.7, -3.18, -2.25, -1.59, -0.74, 0.86, 2.98, 3.98)),
        1.21, 2.32, 0.335,
        (-5.81, -5.45, -4.99, -4.31, -3.49, -2.88, -2.08, -1.33, -0.74, 2.35),
        (-5.8, -4.96, -4.16, -2.65, -1.31, -0.21, 1.58, 2.41, 3.13, 3.48),
    ),
    "club": BallNoise(
        Found(0.006, (-4.96, -1.55, 0.47, 1.78, 3.03, 3.82, 4.5, 5.7, 6.65, 7.6)),
        Found(0.0, (-4.54, -3.77, -2.86, -1.34, 0.22, 2.57, 4.06, 6.08, 7.38, 7.6)),
        1.97, 1.30, 0.245,
        (-5.81, -5.37, -4.88, -4.18, -3.3, -2.61, -0.91, 0.03, 0.72, 2.47),
        (-5.8, -5.13, -4.38, -3.41, -1.95, -1.31, -0.03, 2.1, 2.38, 3.05),
    ),
    "hostile": BallNoise(
        Found(0.04, (-5.46, -2.62, -0.42, 1.11, 2.52, 3.44, 4.14, 5.2, 6.13, 7.6)),
        Found(0.31, (-4.81, -4.71, -4.43, -3.56, -2.78, -1.32, -0.11, 3.24, 4.78, 7.5)),
        1.61, 4.01, 0.379,
        (-5.81, -5.27, -4.69, -3.8, -2.73, -1.98, -0.9, -0.09, 0.6, 4.37),
        (-5.8, -5.11, -4.36, -3.4, -2.42, -1.4, 0.02, 0.44, 0.96, 1.39),
    ),
}


@dataclass(frozen=True)
class Spot:
    """A ball box: middle (2,) in the picture, px, and confidence."""

    at: Array
    confidence: float


@dataclass
class BallLooker:
    """Finds balls, and what is none, frame after frame of one film."""

    noise: BallNoise
    rng: np.random.Generator
    size: tuple[int, int]
    _film: float = field(init=False)
    _many: float = field(init=False)
    _fixed: Array = field(init=False)
    _spell: float = field(init=False)
    _before: list[tuple[int, Array, float]] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self._film, self._spell = self.rng.normal(0, 1, 2)
        self._many = float(np.exp(FILM_SPREAD * self.rng.normal() - FILM_SPREAD**2 / 2))
        self._fixed = np.column_stack([
            self.rng.uniform(-6, 6, N_FIXED), self.rng.uniform(-14, 14, N_FIXED), np.zeros(N_FIXED),
        ])

    @property
    def scale(self) -> float:
        """Width of the picture over 1280."""
        return self.size[0] / 1280

    def right(self, image: Array, ahead: Array, players: list[Array]) -> Spot | None:
        """What is found of a ball at ``image`` (2,) that will be at ``ahead`` in the next frame.

        ``players`` are their boxes (4,).
        """
        kept = np.exp(-1 / LASTS_FRAMES)
        self._spell = kept * self._spell + np.sqrt(1 - kept**2) * self.rng.normal()
        score = (
            np.sqrt(FILM_SHARE) * self._film + np.sqrt(LASTING_SHARE) * self._spell
            + np.sqrt(1 - FILM_SHARE - LASTING_SHARE) * self.rng.normal()
        )
        beside = any(
            box[0] - BESIDE_PX < image[0] < box[2] + BESIDE_PX and box[1] < image[1] < box[3]
            for box in players
        )
        found = self.noise.beside_player if beside else self.noise.away
        share = float(ndtr(score))
        if share < found.missed:
            return None
        rank = (share - found.missed) / (1 - found.missed)
        odds = float(np.interp(rank, FOUND_AT, found.log_odds))
        loose = self.noise.place * np.exp(LOOSER * (SURE_ODDS - odds))
        spot = image + (ahead - image) * self.rng.normal(0, SURE_STREAK) * loose
        spot = spot + self.rng.normal(0, SURE_PX * self.scale, 2) * loose
        return Spot(spot, float(expit(odds)))

    def wrong(self, camera: Camera, ball: Array | None, players: list[Array]) -> list[Spot]:
        """What is taken for a ball in a frame and is none. ``ball`` (2,): where the ball is."""
        noise, rng = self.noise, self.rng
        now: list[tuple[int, Array, float]] = []
        for owner, offset, odds in self._before:
            if rng.random() < AGAIN and owner < len(players):
                now.append((owner, offset + rng.normal(0, 0.8 * self.scale, 2),
                            odds + float(rng.normal(0, 0.5))))
        new = self._many * (1 - AGAIN)
        for owner in range(len(players)):
            box = players[owner]
            for _ in range(rng.poisson(new * noise.wrong_by_players / 2)):
                around = rng.uniform(-0.5, 0.5, 2) * (box[2:] - box[:2] + 2 * BESIDE_PX)
                now.append((owner, around, self._odds(noise.wrong_odds)))
        for _ in range(rng.poisson(new * noise.wrong_elsewhere * (1 - FIXED_SHARE))):
            place = rng.uniform((-8.0, -16.0, 0.0), (8.0, 24.0, 3.0))
            now.append((-1, camera.project(place[None])[0], self._odds(noise.wrong_odds)))
        self._before = now
        spots = [
            Spot(offset if owner < 0 else (players[owner][:2] + players[owner][2:]) / 2 + offset,
                 float(expit(odds)))
            for owner, offset, odds in now
        ]
        for place in camera.project(self._fixed):
            if rng.random() < self._many * noise.wrong_elsewhere * FIXED_SHARE / N_FIXED:
                spots.append(Spot(place + rng.normal(0, 0.4 * self.scale, 2),
                                  float(expit(self._odds(noise.wrong_odds)))))
        if ball is not None:
            for _ in range(rng.poisson(noise.wrong_by_ball)):
                turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(*ABOUT_BALL_PX) * self.scale
                spots.append(Spot(ball + far * np.array([np.cos(turn), np.sin(turn)]),
                                  float(expit(self._odds(noise.wrong_by_ball_odds)))))
        return [spot for spot in spots
                if np.isfinite(spot.at).all() and (spot.at >= 0).all()
                and (spot.at < self.size).all()]

    def _odds(self, quantiles: Quantiles) -> float:
        return float(np.interp(self.rng.random(), WRONG_AT, quantiles))

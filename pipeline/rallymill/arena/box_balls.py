"""Ball boxes as the detector's two looks give them: how sure, how exact, and how many are wrong.

All figures are those of 51 drawn films for validation (seeds 101009 to 101101, those in which the
codec left the ball as ``balls_left`` of their tiers asks, but one with play on the next court; 9210
balls seen in flight), read with the weights of ``models/ball_look``. A box is right within 5 px of
a picture 1280 wide, or farther along the streak by 0.4 of a frame's way. Right and wrong boxes come
as often at each confidence as they do there: on club films more often right than the confidence
says (0.75 of those between 0.4 and 0.7), on broadcast films as often (0.59 of them). Balls that
net, posts or graphics hide are not simulated.
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
so much to spells of about so many frames: correlations there are 0.73 from frame to frame, 0.39
over 5, 0.26 over 8 and 0.09 over 15 frames."""
SURE_PX, SURE_STREAK, SURE_ODDS, LOOSER = 0.22, 0.02, 4.5, 0.22
"""Deviation of a box of these log odds, px across the ball's way and share of a frame's way more
along it, and how fast both grow with less: 0.2 to 0.3 px above confidence 0.9, 0.3 to 0.4 from 0.4
on, 0.6 to 0.9 from 0.1 on and 1.1 to 1.6 below."""
FILM_SPREAD = 0.4
"""Deviation of the logarithm of how many wrong boxes a film has."""
AGAIN = 0.25
"""Share of wrong boxes with another within 3 px in the frame before."""
ABOUT_BALL_PX = (5.0, 25.0)
FIXED_SHARE, N_FIXED = 0.1, 3
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
        Found(0.002, (-4.61, 0.48, 1.53, 2.37, 3.18, 3.97, 4.64, 5.59, 6.37, 7.6)),
        Found(0.041, (-4.81, -3.98, -3.14, -2.45, -1.44, 0.54, 2.3, 3.98, 5.04, 7.52)),
        0.84, 0.46, 0.142,
        (-4.91, -4.59, -4.17, -3.47, -2.53, -1.75, -0.57, 0.57, 1.25, 4.84),
        (-4.9, -4.38, -3.75, -2.66, -1.13, 0.06, 1.18, 1.99, 2.63, 5.22),
    ),
    "club": BallNoise(
        Found(0.03, (-4.73, -1.18, 0.47, 1.61, 2.44, 3.17, 3.76, 4.77, 5.75, 7.6)),
        Found(0.096, (-4.8, -3.96, -3.29, -2.56, -1.3, 0.18, 1.63, 3.34, 4.27, 6.63)),
        0.8, 0.56, 0.254,
        (-4.91, -4.63, -4.29, -3.68, -2.8, -2.09, -1.09, -0.29, 0.69, 2.74),
        (-4.9, -4.51, -3.99, -2.98, -1.99, -0.96, 0.16, 1.25, 1.96, 3.24),
    ),
    "hostile": BallNoise(
        Found(0.011, (-4.34, -1.41, -0.48, 0.69, 1.88, 2.93, 3.69, 4.71, 5.51, 7.19)),
        Found(0.071, (-3.27, -2.17, -1.79, -1.2, -0.05, 0.88, 1.72, 3.17, 4.28, 5.74)),
        0.72, 1.43, 0.247,
        (-4.91, -4.65, -4.26, -3.52, -2.61, -1.82, -0.69, -0.22, 0.27, 3.87),
        (-4.9, -4.37, -3.58, -2.35, -0.86, 0.5, 2.12, 3.29, 3.57, 3.83),
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

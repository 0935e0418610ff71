"""Ball boxes as the detector's two looks give them: how sure, how exact, and how many are wrong.

All figures are those of 62 drawn films for validation (seeds 100400 to 100422, 100600 to 100614
and 101009 to 101101, those in which the codec left the ball as ``balls_left`` of their tiers asks,
but one with play on the next court; 9973 balls seen in flight), read with the weights of
``models/ball_look``. A box is right within 5 px of a picture 1280 wide, or farther along the streak
by 0.4 of a frame's way. Right and wrong boxes come as often at each confidence as they do there: on
broadcast and club films more often right than the confidence says (0.69 of those between 0.4 and
0.7). Balls that net, posts or graphics hide are not simulated.
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
so much to spells of about so many frames: correlations there are 0.72 from frame to frame, 0.41
over 5, 0.28 over 8 and 0.11 over 15 frames."""
SURE_PX, SURE_STREAK, SURE_ODDS, LOOSER = 0.22, 0.02, 4.5, 0.22
"""Deviation of a box of these log odds, px across the ball's way and share of a frame's way more
along it, and how fast both grow with less: 0.2 to 0.3 px above confidence 0.9, 0.3 to 0.6 from 0.4
on, 0.7 to 1.1 from 0.1 on and 1.2 to 1.7 below."""
FILM_SPREAD = 0.35
"""Deviation of the logarithm of how many wrong boxes a film has."""
AGAIN = 0.25
"""Share of wrong boxes with another within 3 px in the frame before."""
ABOUT_BALL_PX = (5.0, 25.0)
FIXED_SHARE, N_FIXED = 0.065, 3
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
        Found(0.002, (-5.2, -0.59, 0.92, 1.87, 2.87, 3.75, 4.43, 5.53, 6.56, 7.6)),
        Found(0.041, (-5.8, -4.82, -4.0, -3.21, -1.63, 0.35, 1.74, 3.83, 5.16, 7.6)),
        1.70, 1.39, 0.213,
        (-5.81, -5.44, -5.0, -4.3, -3.42, -2.76, -1.81, -1.03, -0.2, 4.52),
        (-5.81, -5.18, -4.47, -3.49, -2.32, -1.34, 0.2, 1.37, 2.65, 6.6),
    ),
    "club": BallNoise(
        Found(0.027, (-5.79, -2.8, -0.55, 0.8, 2.05, 3.01, 3.81, 5.07, 6.35, 7.6)),
        Found(0.093, (-5.46, -4.71, -3.99, -3.32, -2.01, -0.35, 1.76, 3.88, 5.67, 7.6)),
        1.69, 1.89, 0.393,
        (-5.81, -5.43, -4.98, -4.29, -3.48, -2.79, -1.67, -0.53, 0.66, 5.74),
        (-5.8, -5.21, -4.66, -3.74, -2.88, -1.96, -0.77, 0.23, 0.56, 2.57),
    ),
    "hostile": BallNoise(
        Found(0.022, (-5.28, -2.35, -1.15, 0.14, 1.53, 2.83, 3.7, 4.78, 5.85, 7.6)),
        Found(0.035, (-5.48, -4.46, -3.87, -3.13, -2.17, -0.83, 0.37, 2.46, 4.22, 6.47)),
        1.56, 3.54, 0.341,
        (-5.81, -5.38, -4.9, -4.16, -3.2, -2.46, -1.55, -0.71, -0.09, 4.37),
        (-5.81, -5.08, -4.3, -3.17, -2.11, -1.4, 0.06, 0.77, 1.19, 4.65),
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

"""Which places of a frame the second look at balls learns from, and what is there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RIGHT_PX, WRONG_PX = 5.0, 9.0
"""A candidate no further from the ball than the first is right, farther than the second wrong; in
pixels of a picture 720 pixels high. What lies between is left out."""
HIDDEN_PX = 16.0
"""So near to a ball that the truth calls invisible, nothing is said."""
LEAST_CONFIDENCE = 0.0004
"""Least confidence of the detector's candidates that are looked at."""
A_FRAME = 14
"""Most wrong candidates of a frame that are kept, the most confident first."""
SHIFT_PX = 4.0
"""The ball itself is looked at as well, off its middle by up to so much, as candidates are."""


@dataclass(frozen=True)
class Ball:
    """The ball in play in a frame; ``spot_px`` is its middle, the first pixel's is 0."""

    spot_px: np.ndarray
    visible: bool
    resting: bool


def detector(device: str):
    """The detector and its options, which let more candidates through than the stage does."""
    from rallymill.config import home
    from rallymill.stages.base import Execution
    from rallymill.stages.detect_networks import DetectConfig, load_detector

    config = DetectConfig(
        ball_confidence=LEAST_CONFIDENCE, look_confidence=LEAST_CONFIDENCE, balls_a_frame=40
    )
    return load_detector(home() / "models", config, Execution(threads=1, device=device)), config


def of_candidates(boxes, ball: Ball | None, to_720: float, rng):
    """What is at the detector's candidates, and at the ball, not quite in the middle.

    ``boxes`` are balls, the most confident first; no ``ball`` means that none is there. Returns
    places (N, 2) and rows (N, 7): whether it is the ball, offset to it, what the detector said.
    """
    from rallymill.stages import detect_balls

    places, said = detect_balls.middles(boxes), detect_balls.features(boxes)
    kind = np.zeros(len(boxes), int)
    offset = np.zeros((len(boxes), 2))
    if ball is not None:
        offset = ball.spot_px - places
        away = np.hypot(*offset.T) * to_720
        if ball.resting or not ball.visible:
            kind = np.where(away > HIDDEN_PX, 0, -1)
        else:
            kind = np.where(away <= RIGHT_PX, 1, np.where(away > WRONG_PX, 0, -1))
            # Also where the detector missed it.
            moved = ball.spot_px + rng.uniform(-SHIFT_PX, SHIFT_PX, 2) / to_720
            places = np.vstack([places, moved])
            offset = np.vstack([offset, ball.spot_px - moved])
            said = np.vstack([said, np.zeros((1, detect_balls.FEATURES))])
            kind = np.append(kind, 1)
    wrong, right = np.flatnonzero(kind == 0), np.flatnonzero(kind == 1)
    kept = np.concatenate([right, wrong[:A_FRAME]])
    return places[kept], np.column_stack([kind[kept], offset[kept], said[kept]])


def elsewhere(ball: Ball, people_px, size_px: tuple[int, int], to_720: float, rng):
    """The ball, not quite in the middle, and places where it is not, many of them on people.

    ``people_px`` are boxes (N, 4), ``size_px`` width and height. Returns places and rows as
    :func:`of_candidates` does; the detector said nothing of them.
    """
    places = rng.uniform(0, 1, (2, 2)) * size_px
    if len(people_px):
        box = people_px[int(rng.integers(len(people_px)))]
        # Rackets and shoes stand out of a box, or lie at its edge.
        on_it = box[:2] + rng.uniform(-0.15, 1.15, (2, 2)) * (box[2:] - box[:2])
        places = np.vstack([places, on_it])
    places = places[np.hypot(*(ball.spot_px - places).T) * to_720 > HIDDEN_PX]
    kind = np.zeros(len(places))
    if ball.visible:
        places = np.vstack([places, ball.spot_px + rng.uniform(-SHIFT_PX, SHIFT_PX, 2) / to_720])
        kind = np.append(kind, 1)
    rows = np.column_stack([kind, ball.spot_px - places, np.zeros((len(places), 4))])
    return places, rows

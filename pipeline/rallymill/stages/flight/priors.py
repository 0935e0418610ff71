"""What is known of a contact before it is seen: where the ball is then, and how it turns after."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HANDS,
    LOST,
    NEAR_KINDS,
    NET,
    OUT_FAR,
    OUT_LEFT,
    OUT_NEAR,
    OUT_RIGHT,
    OUTS,
    RUN_BACK_M,
    SERVES,
    SIDE_RUN_M,
    Player,
)

Array = NDArray[np.float64]
FREE = np.inf
STRUCK_SD_M = (0.85, 0.35, 0.45)
"""How far strokes other than serves are met from a step before the feet, along the net, toward it
and up. 256 strokes on films for validation were met 0.82 m to either side of the feet, 0.35 m
before them give or take 0.1 m, and 1.03 m high give or take 0.31 m. Real strokes vary more than
simulated ones, and feet are known to a decimetre or two. Not so wide once the time of a stroke is
fitted: while paths are read it may be off by a frame, in which the ball flies half a metre."""
SERVED_SD_M = (0.35, 0.3, 0.2)
"""The same of serves, about the feet, a step before them and the usual height."""
FITTED_STRUCK_SD_M, FITTED_SERVED_SD_M = (0.85, 0.25, 0.36), (0.2, 0.2, 0.17)
"""The same for the joint fit. From feet as they are measured, 224 strokes of far players on films
that are not drawn were met give or take 0.81, 0.19 and 0.32 m, and 144 serves give or take 0.12,
0.11 and 0.14 m."""


def place_prior(
    kind: int, t_s: float, who: dict[str, Player], serve_height_m: float = 2.65,
    fitted: bool = False,
) -> tuple[Array, Array]:
    """Mean and standard deviation (3,) of where a contact of a kind can be.

    ``fitted`` tells that its time is fitted too, not given.
    """
    if kind == BOUNCE:
        return np.array([0, 0, court.BALL_RADIUS_M]), np.array([FREE, FREE, 0.06])
    if kind == NET:
        return np.array([0, 0, 0.7]), np.array([6.0, 0.05, 0.4])
    if kind == LOST:
        return np.array([0, 0, 1.5]), np.array([8.0, 12.0, 2.5])
    if kind in OUTS:
        axis = 1 if kind in (OUT_NEAR, OUT_FAR) else 0
        mean, sd = np.array([0.0, 0.0, 1.0]), np.array([6.0, 10.0, 1.2])
        mean[axis] = {OUT_NEAR: -RUN_BACK_M, OUT_FAR: RUN_BACK_M, OUT_LEFT: -SIDE_RUN_M,
                      OUT_RIGHT: SIDE_RUN_M}[kind]
        sd[axis] = 1.0
        return mean, sd
    near = kind in NEAR_KINDS
    sign = -1.0 if near else 1.0
    found = who["near" if near else "far"].at(t_s, 1.0)
    if found is None:
        return (np.array([0.0, sign * 11.9, 1.2]), np.array([4.0, 3.5, 0.8]))
    feet = found[0]
    if kind in HANDS:
        return np.array([feet[0], feet[1] - sign * 0.2, 1.4]), np.array([0.6, 0.5, 0.5])
    if kind in SERVES:
        return (np.array([feet[0], feet[1] - sign * 0.3, serve_height_m]),
                np.array(FITTED_SERVED_SD_M if fitted else SERVED_SD_M))
    return (np.array([feet[0], feet[1] - sign * 0.35, 1.05]),
            np.array(FITTED_STRUCK_SD_M if fitted else STRUCK_SD_M))


def spin_prior(kind: int) -> tuple[Array, Array]:
    """Mean and standard deviation (2,) of topspin and sidespin after a contact, rad/s.

    A ball leaves the ground turning about as fast as it rolls; strokes vary more than that.
    """
    if kind == BOUNCE:
        return np.array([350.0, 0.0]), np.array([150.0, 60.0])
    if kind in HANDS or kind in OUTS:
        return np.array([0.0, 0.0]), np.array([20.0, 20.0])
    if kind in SERVES:
        return np.array([150.0, 0.0]), np.array([150.0, 80.0])
    return np.array([80.0, 0.0]), np.array([200.0, 60.0])

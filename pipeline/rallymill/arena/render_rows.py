"""When a rolling shutter reads the row in which something is seen.

Rows are read from the top one to the foot within a readout time whose middle is the frame's time.
"""

from __future__ import annotations

from math import isfinite

import numpy as np
from numpy.typing import NDArray

from rallymill.arena import shade_ray
from rallymill.arena.world import World

Array = NDArray[np.float64]
BODY_MIDDLE_M = 0.9


def row_share(v_px: float, height_px: int) -> float:
    """Place of a row from -0.5 at the top of the picture to 0.5 at its foot."""
    return float(min(max((v_px + 0.5) / height_px, 0.0), 1.0)) - 0.5


def person_moment(
    world: World, camera: Array, index: int, t_s: float, readout_s: float, height_px: int
) -> float:
    """Moment at which the row of a person's middle is read; ``camera`` (16,) as shaders take it."""
    state = world.person(index, t_s)
    _, v, depth = shade_ray.to_image(camera, state.x_m, state.y_m, state.z_m + BODY_MIDDLE_M)
    # At the camera's own depth there is no row, and no number for it.
    return t_s + readout_s * row_share(v, height_px) if depth > 0 and isfinite(v) else t_s


def ball_moment(
    world: World, camera: Array, index: int, t_s: float, readout_s: float, height_px: int
) -> float:
    """Moment at which the row is read in which a ball is at that moment.

    Found by iteration, which converges because a ball crosses far less of the picture than the
    readout does.
    """
    moment = t_s
    for _ in range(5):
        state = world.ball(index, moment)
        if state is None:
            return moment
        _, v, depth = shade_ray.to_image(camera, *state.position_m)
        if not depth > 0 or not isfinite(v):
            return t_s
        moment = t_s + readout_s * row_share(v, height_px)
    return moment

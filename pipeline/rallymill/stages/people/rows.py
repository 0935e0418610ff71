"""Rows of the people table."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill.camera_spread import ground_covariance
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View
from rallymill.stages.people.hops import AirHabits, Heights, heights
from rallymill.stages.people.paths import Path


def _camera_variance(view: View, path: Path) -> NDArray[np.float64]:
    """Variance (N, 2) of x and y on the ground that the camera brings at a path's places."""
    variance = np.tile(view.camera_sd_m[path.step, None] ** 2, 2)
    for i, step in enumerate(path.step):
        camera, stated = view.cameras[step], view.camera_covariances[step]
        if camera is None or stated is None:
            continue
        place = np.array([[path.mean[i, 0], path.mean[i, 2], 0.0]])
        found = np.diagonal(ground_covariance(camera, stated, place)[0])
        if np.isfinite(found).all():
            variance[i] = found
    return variance


def _feet(view: View, path: Path, config: PeopleConfig) -> Heights:
    """Heights of a player's feet along a path."""
    seen = path.box >= 0
    airborne = np.full(len(path.step), np.nan)
    airborne[seen] = view.airborne[path.box[seen]]
    habits = AirHabits(
        config.take_offs_per_s, config.air_s, config.air_base_rate, config.silence_s,
        config.look_memory_s,
    )
    return heights(view.t_s[path.step], airborne, habits)


def rows_of(
    match_id: str, view: View, path: Path, number: int, role: str, certain: float,
    config: PeopleConfig,
) -> pd.DataFrame:
    """Rows of one path.

    The camera's own ground uncertainty and the posture are much the same from frame to frame, so
    smoothing does not lessen them: they are added to the smoothed variance. Where a frame does not
    state how sure its camera is, what holds for the far baseline is taken over the whole court. Nor
    does it lessen what of a box's lower edge lasts, or what is not known of people whose feet are
    cut off: they are as tall in every frame.

    ``certain`` is how sure the role is; a bridged row is worth less the further the nearest
    observation is away.
    """
    n = len(path.step)
    seen = path.box >= 0
    foot = np.full((n, 2), np.nan)
    box = np.full((n, 4), np.nan)
    foot[seen] = view.foot_px[path.box[seen]]
    box[seen] = view.box_px[path.box[seen]]
    for i in np.flatnonzero(~seen):
        camera = view.cameras[path.step[i]]
        if camera is not None:
            foot[i] = camera.project([path.mean[i, 0], path.mean[i, 2], 0.0])
    confidence = np.full(n, np.nan)
    confidence[seen] = view.confidence[path.box[seen]]
    confidence = np.interp(np.arange(n), np.flatnonzero(seen), confidence[seen])
    confidence = confidence * certain * np.exp(-2 * path.gap_s / config.bridge_s)
    posture = np.array([config.posture_sd_m, config.posture_along_sd_m]) ** 2
    shared = _camera_variance(view, path) + posture
    along = view.covariance_m2[path.box[seen], 1, 1] * config.foot_lasting_share**2
    shared[:, 1] += np.interp(np.arange(n), np.flatnonzero(seen), along)
    feet = _feet(view, path, config) if role != "other" else None
    cut = seen & view.cut[path.box]
    shared[cut] += np.diagonal(view.covariance_m2[path.box[cut]], axis1=1, axis2=2)
    return pd.DataFrame(
        {
            "match_id": match_id,
            "frame": view.frames[path.step],
            "t_s": view.t_s[path.step],
            "track_id": number,
            "role": role,
            "u_px": foot[:, 0],
            "v_px": foot[:, 1],
            "x1_px": box[:, 0],
            "y1_px": box[:, 1],
            "x2_px": box[:, 2],
            "y2_px": box[:, 3],
            "x_m": path.mean[:, 0],
            "x_m_sd": np.sqrt(path.covariance[:, 0, 0] + shared[:, 0]),
            "y_m": path.mean[:, 2],
            "y_m_sd": np.sqrt(path.covariance[:, 2, 2] + shared[:, 1]),
            "z_m": np.nan if feet is None else feet.z_m,
            "z_m_sd": np.nan if feet is None else feet.z_m_sd,
            "vx_mps": path.mean[:, 1],
            "vy_mps": path.mean[:, 3],
            "vz_mps": np.nan,
            "observed": seen,
            "confidence": np.clip(confidence, 0, 1),
        }
    )

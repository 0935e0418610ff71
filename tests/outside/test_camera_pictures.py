"""The camera fit on photographs of a real camera, against that camera's published calibration.

OpenCV's samples hold pictures of a chessboard and the calibration made of all of them together.
Here each picture is fitted alone, as a court is: a plane of known points, a focal length, a pose, a
lens. The board is flat and seen once, so one picture tells the focal length to a per cent or so.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rallymill.camera import from_homography, homography_from_points
from rallymill.camera_spread import CENTRE
from rallymill.courtfit import given, solve

DATA = json.loads((Path(__file__).parent / "chessboards.json").read_text())
WIDTH, HEIGHT = DATA["width_px"], DATA["height_px"]
# Squares of one metre, laid out so that the board is seen from above.
BOARD = np.array(
    [[x, -y, 0.0] for y in range(DATA["rows"]) for x in range(DATA["columns"])], dtype=float
)
CORNER_SD_PX = 0.15
PICTURES = sorted(DATA["corners_px"])


def fitted(picture: str) -> solve.Fit:
    """Camera of one picture; only the principal point is taken from what is published."""
    corners = np.array(DATA["corners_px"][picture])
    start = from_homography(homography_from_points(BOARD, corners), WIDTH, HEIGHT)
    assert start is not None
    start = replace(start, principal_px=tuple(DATA["principal_px"]))
    free = np.full(solve.N_UNKNOWNS, np.inf)
    free[solve.NET] = 1e-6
    places = given.as_places(BOARD, corners, CORNER_SD_PX)
    found = solve.fit(start, places, solve.prior(free), rounds=60)
    assert found is not None
    return found


@pytest.mark.parametrize("picture", PICTURES)
def test_focal_length_and_lens_of_a_single_picture(picture: str) -> None:
    found = fitted(picture)
    assert found.rms_px < 0.2
    assert found.camera.focal_px == pytest.approx(DATA["focal_px"], rel=0.02)
    # The published lens has five coefficients, ours one, which stands for all of them.
    assert found.camera.k1 == pytest.approx(DATA["distortion"][0], abs=0.02)


def test_focal_length_of_all_pictures_together() -> None:
    fits = [fitted(picture) for picture in PICTURES]
    logs = np.array([np.log(fit.camera.focal_px / DATA["focal_px"]) for fit in fits])
    variances = np.array([np.linalg.inv(fit.information)[0, 0] for fit in fits])
    mean = float(np.sum(logs / variances) / np.sum(1 / variances))
    assert abs(mean) < 0.007


@pytest.mark.parametrize("picture", PICTURES)
def test_pose_agrees_with_opencv_under_the_published_calibration(picture: str) -> None:
    intrinsic = np.array([
        [DATA["focal_px"], 0, DATA["principal_px"][0]],
        [0, DATA["focal_px"], DATA["principal_px"][1]],
        [0, 0, 1.0],
    ])
    corners = np.array(DATA["corners_px"][picture])
    _, vector, translation = cv2.solvePnP(
        BOARD, corners, intrinsic, np.array(DATA["distortion"])
    )
    rotation = cv2.Rodrigues(vector)[0]
    centre = -rotation.T @ translation[:, 0]
    found = fitted(picture)
    away = np.linalg.norm(centre - BOARD.mean(axis=0))
    gap = np.linalg.norm(found.camera.centre_m - centre)
    assert gap < 0.02 * away
    turn = np.degrees(np.arccos((np.trace(found.camera.rotation @ rotation.T) - 1) / 2))
    assert turn < 0.6
    assert np.linalg.inv(found.information)[CENTRE, CENTRE].trace() ** 0.5 < 0.03 * away

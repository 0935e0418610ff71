"""How sure a rally is: errors over stated deviations, with noise and cameras that are off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rallymill.camera_spread import moved
from rallymill.flightfit import rally
from rallymill.flightfit.rally_spread import CameraSpread, noise_scale
from tests.flightfit.test_rally import CAMERA, setting, shot


@pytest.mark.parametrize("size", [0.4, 1.0, 2.5])
def test_noise_is_told_by_residuals_and_not_by_wild_ones(size):
    rng = np.random.default_rng(3)
    off = rng.normal(0, size, 4000)
    off[::100] = 60.0
    assert noise_scale(off, 0.0) == pytest.approx(size**2, rel=0.15)


def test_few_residuals_leave_what_was_expected():
    assert noise_scale(np.zeros(3), 3.0) == 1.0
    assert 0.2 < noise_scale(np.zeros(8), 0.0) < 1.0


def pulls(expected_px: float) -> np.ndarray:
    """Errors over deviations of the bounce's place and time and the first velocity."""
    times, place, velocity, spin = shot()
    found = []
    for seed in range(24):
        about = replace(setting(100 + seed), sigma_px=np.full(len(setting(0).t_s), expected_px))
        fit = rally.fit(about, times, place, velocity, spin)
        found.append([
            *((fit.place[1, :2] - place[1, :2]) / fit.place_sd[1, :2]),
            (fit.time_s[1] - times[1]) / fit.time_sd[1],
            *((fit.velocity[0] - velocity[0]) / fit.velocity_sd[0]),
        ])
    return np.array(found)


@pytest.mark.parametrize("expected_px", [0.35, 0.7, 1.4])
def test_deviations_are_honest_whatever_noise_was_expected(expected_px):
    """The noise is 0.7 px in each case."""
    square = np.mean(pulls(expected_px) ** 2)
    assert 0.4 < square < 1.7


def test_what_lasts_of_a_cameras_error_is_in_the_deviations():
    times, place, velocity, spin = shot()
    spread = np.diag(np.array([0.002, 4e-4, 4e-4, 4e-4, 0.05, 0.05, 0.05, 0.0]) ** 2)
    rng = np.random.default_rng(8)
    known, ignored = [], []
    for seed in range(16):
        about = setting(200 + seed)
        camera = moved(CAMERA, rng.normal(0, np.sqrt(np.diag(spread))))
        # The ball is seen through another camera than the one that is believed.
        matrix = camera.matrix / np.linalg.norm(camera.matrix[2, :3])
        seen = replace(about, matrix=np.repeat(matrix[None], len(about.t_s), 0))
        for kept, given in (
            (known, CameraSpread([camera] * len(about.t_s), spread)), (ignored, None)
        ):
            fit = rally.fit(replace(seen, spread=given), times, place, velocity, spin)
            kept.append((fit.place[1, :2] - place[1, :2]) / fit.place_sd[1, :2])
    assert 0.4 < np.mean(np.square(known)) < 1.9
    assert np.mean(np.square(ignored)) > 2 * np.mean(np.square(known))

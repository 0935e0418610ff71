"""Smoothing of a view's cameras, and what it is said to leave."""

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter

from rallymill.camera_spread import moved
from rallymill.courtfit import smooth
from tests.courtfit.test_solve import camera

SD = np.array([2e-4, 1e-4, 1e-4, 2e-4])


def view(rng: np.random.Generator, count: int, sway: float):
    """True and measured cameras of a view that sways, and its times."""
    times = np.arange(count) / 25
    true, seen = [], []
    for t in times:
        turn = sway * np.array([0.5 * np.sin(0.9 * t), np.sin(1.3 * t), np.sin(2.1 * t), 0.0])
        true.append(moved(camera(0.0), np.concatenate([turn, np.zeros(4)])))
        seen.append(moved(true[-1], np.concatenate([rng.normal(0, SD), np.zeros(4)])))
    return true, seen, times


def errors(found, true):
    return np.array([
        np.append(np.log(one.focal_px / two.focal_px), one.rotation[2] - two.rotation[2])
        for one, two in zip(found, true, strict=True)
    ])


@pytest.mark.parametrize("sway", [0.0, 0.02])
def test_smoothing_helps_and_says_how_much(sway):
    rng = np.random.default_rng(3)
    true, seen, times = view(rng, 80, sway)
    done = smooth.smooth(seen, [np.diag(SD**2)] * 80, times)
    before, after = errors(seen, true)[:, 0], errors(done.cameras, true)[:, 0]
    stated = np.sqrt(done.covariance[:, 0, 0])
    assert after.std() < (0.35 if sway == 0 else 0.8) * before.std()
    assert 0.2 < np.mean((after / stated) ** 2) < 3.0
    assert stated.max() < SD[0]


def test_a_missing_camera_is_filled_in_and_less_sure():
    true, seen, times = view(np.random.default_rng(1), 40, 0.02)
    seen[20] = seen[21] = None
    done = smooth.smooth(seen, [np.diag(SD**2)] * 40, times)
    assert np.abs(errors(done.cameras, true)[20, 0]) < 5 * SD[0]
    assert done.covariance[20, 0, 0] > done.covariance[5, 0, 0]


def test_a_still_camera_is_taken_for_stiller_than_a_moving_one():
    still = view(np.random.default_rng(0), 60, 0.0)
    moving = view(np.random.default_rng(0), 60, 0.05)
    noise = [np.diag(SD**2)] * 60
    quiet = smooth.smooth(still[1], noise, still[2]).jerkiness
    assert quiet < smooth.smooth(moving[1], noise, moving[2]).jerkiness


def test_likelihood_is_that_of_filterpy():
    rng = np.random.default_rng(5)
    values = [rng.normal(0, 1e-3, 4) for _ in range(12)]
    values[4] = None
    times = np.cumsum(rng.uniform(0.02, 0.06, 12))
    noise = [np.diag(SD**2) for _ in values]
    found = smooth.likelihoods(values, noise, times)
    expected = []
    for jerkiness in smooth.JERKINESS:
        kalman = KalmanFilter(dim_x=8, dim_z=4)
        kalman.H = np.hstack([np.eye(4), np.zeros((4, 4))])
        kalman.x = np.concatenate([values[0], np.zeros(4)])[:, None]
        kalman.P = np.diag([smooth.START_SD[0] ** 2] * 4 + [smooth.START_SD[1] ** 2] * 4)
        total = 0.0
        for index, value in enumerate(values):
            dt = times[index] - times[index - 1] if index else 0.0
            eye = np.eye(4)
            kalman.predict(
                F=np.block([[eye, dt * eye], [0 * eye, eye]]),
                Q=jerkiness * np.block(
                    [[dt**3 / 3 * eye, dt**2 / 2 * eye], [dt**2 / 2 * eye, dt * eye]]
                ),
            )
            if value is not None:
                kalman.update(value[:, None], R=noise[index])
                y = kalman.y[:, 0]
                total -= 0.5 * (y @ np.linalg.solve(kalman.S, y) + np.linalg.slogdet(kalman.S)[1])
        expected.append(total)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-4)

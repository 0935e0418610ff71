"""Uncertainty of a camera against cameras drawn from it."""

from __future__ import annotations

import numpy as np
import pytest

from rallymill import camera_spread as spread
from rallymill import court
from rallymill.camera import Camera

BASE = Camera.looking_at([1.0, -30.0, 10.0], [0.2, 0.5, 0.0], 1900, 1280, 720, 0.01, -0.04)
POINTS = np.array([
    [0.0, -court.HALF_LENGTH_M, 0.0], [-4.0, court.HALF_LENGTH_M, 0.0], [3.0, 2.0, 1.0],
    [-2.0, -8.0, 2.5],
])


def covariance(seed: int = 0) -> np.ndarray:
    """A covariance with deviations of a thousandth of a radian, some cm, and correlations."""
    rng = np.random.default_rng(seed)
    mix = rng.normal(size=(8, 8)) / 8**0.5
    sd = np.array([1e-3, 3e-4, 3e-4, 3e-4, 0.03, 0.05, 0.03, 1e-3])
    return np.outer(sd, sd) * (mix @ mix.T)


@pytest.fixture(scope="module")
def drawn() -> list[Camera]:
    steps = np.random.default_rng(1).multivariate_normal(np.zeros(8), covariance(), 3000)
    return [spread.moved(BASE, step) for step in steps]


def test_rates_agree_with_differences() -> None:
    _, by = spread.rates(BASE, POINTS)
    for unknown in range(spread.N_UNKNOWNS):
        step = np.zeros(8)
        step[unknown] = 1e-5
        ahead = spread.moved(BASE, step).project(POINTS)
        behind = spread.moved(BASE, -step).project(POINTS)
        assert by[:, :, unknown] == pytest.approx((ahead - behind) / 2e-5, rel=1e-4, abs=1e-2)


def test_images_spread_as_stated(drawn: list[Camera]) -> None:
    seen = np.array([one.project(POINTS) for one in drawn])
    stated = spread.image_covariance(BASE, covariance(), POINTS)
    for number in range(len(POINTS)):
        found = np.cov(seen[:, number].T)
        assert found == pytest.approx(stated[number], rel=0.1, abs=0.05 * np.trace(found))


def test_places_spread_as_stated(drawn: list[Camera]) -> None:
    image = BASE.project(POINTS)
    seen = np.array([one.ground(image, POINTS[:, 2])[:, :2] for one in drawn])
    stated = spread.ground_covariance(BASE, covariance(), POINTS)
    greatest = spread.ground_sd_m(BASE, covariance(), POINTS)
    for number in range(len(POINTS)):
        found = np.cov(seen[:, number].T)
        assert found == pytest.approx(stated[number], rel=0.1, abs=0.05 * np.trace(found))
        assert greatest[number] == pytest.approx(np.linalg.eigvalsh(found)[-1] ** 0.5, rel=0.05)


def test_heights_spread_as_stated(drawn: list[Camera]) -> None:
    image = BASE.project(POINTS)
    seen = np.array([one.height_above(POINTS, image) for one in drawn])
    stated = spread.height_sd_m(BASE, covariance(), POINTS)
    assert seen.std(axis=0) == pytest.approx(stated, rel=0.06)


def test_what_is_behind_the_camera_is_not_known() -> None:
    assert np.isnan(spread.ground_sd_m(BASE, covariance(), [[0.0, -60.0, 0.0]])).all()


def test_no_points() -> None:
    assert spread.ground_covariance(BASE, covariance(), np.zeros((0, 3))).shape == (0, 2, 2)
    assert spread.height_sd_m(BASE, covariance(), np.zeros((0, 3))).shape == (0,)


def test_packed_numbers_give_the_covariance_back() -> None:
    numbers = spread.pack(covariance())
    assert len(numbers) == spread.N_PACKED
    assert spread.unpack(numbers) == pytest.approx(covariance(), rel=1e-12)
    with pytest.raises(ValueError, match="9 numbers, need 36"):
        spread.unpack(np.zeros(9))

from __future__ import annotations

import numpy as np

from rallymill import flight
from rallymill.camera import Camera
from rallymill.flightfit import arc

CAMERA = Camera.looking_at([0.3, -30.0, 8.0], [0.0, -1.0, 0.0], 1900.0, 1280, 720)
MATRIX = CAMERA.matrix / np.linalg.norm(CAMERA.matrix[2, :3])
START = np.array([1.0, -11.8, 1.1, -1.5, 27.0, 4.0])
SPIN = np.array([180.0, 20.0])
FREE = np.full(3, np.inf)


def seen(noise_px: float, seed: int = 0) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    end_s, end = flight.fall_to(START, SPIN)
    tau = np.arange(0.02, end_s, 0.04)
    path = flight.states(START, SPIN, tau)
    noise = np.random.default_rng(seed).normal(0, noise_px, (len(tau), 2))
    return tau, end_s, CAMERA.project(path[:, :3]) + noise, end


def fit(tau: np.ndarray, end_s: float, image: np.ndarray, **more: float) -> arc.ArcFit:
    return arc.fit(
        tau, end_s, image, np.repeat(MATRIX[None], len(tau), 0), np.full(len(tau), 0.7),
        START[:3] + [0.5, -0.4, 0.2], np.array([0.9, 0.8, 0.7]),
        np.array([0, 0, flight.BALL_RADIUS_M]), np.array([np.inf, np.inf, 0.05]),
        np.array([100.0, 0.0]), np.array([200.0, 60.0]), **more,  # type: ignore[arg-type]
    )


def test_no_points_give_the_priors_back() -> None:
    empty = np.zeros(0)
    found = arc.fit(
        empty, 0.5, np.zeros((0, 2)), np.zeros((0, 3, 4)), empty, np.array([0, -12.0, 1.0]),
        np.full(3, 0.5), np.array([0, 8.0, 0.03]), np.full(3, 0.5), np.zeros(2),
        np.full(2, 50.0),
    )
    assert found.n_points == 0 and found.cost == 0
    assert np.linalg.norm(found.start[:3] - [0, -12, 1]) < 0.1


def test_flight_is_recovered_within_its_deviations() -> None:
    tau, end_s, image, end = seen(0.7)
    found = fit(tau, end_s, image)
    assert found.n_points == len(tau)
    assert abs(np.linalg.norm(found.start[3:]) / np.linalg.norm(START[3:]) - 1) < 0.04
    assert np.hypot(*(found.end[:2] - end[:2])) < 0.25
    pull = (found.end[:2] - end[:2]) / np.sqrt(np.diag(found.end_cov)[:2])
    assert (np.abs(pull) < 4).all()


def test_wild_points_do_not_carry_the_flight_away() -> None:
    tau, end_s, image, end = seen(0.7)
    image[5] += [60, -40]
    image[11] += [-80, 30]
    found = fit(tau, end_s, image)
    assert found.n_points >= len(tau) - 3
    assert np.hypot(*(found.end[:2] - end[:2])) < 0.3


def test_a_flight_through_another_ball_costs_more() -> None:
    tau, end_s, image, _ = seen(0.7)
    bent = image.copy()
    late = tau > end_s / 2
    bent[late, 1] -= 400 * (tau[late] - end_s / 2)
    assert fit(tau, end_s, bent).cost > fit(tau, end_s, image).cost + 20

from __future__ import annotations

import numpy as np

from rallymill import flight
from rallymill.camera import Camera
from rallymill.flightfit import rally

CAMERA = Camera.looking_at([0.0, -30.0, 8.0], [0.0, -1.0, 0.0], 1900.0, 1280, 720)
MATRIX = CAMERA.matrix / np.linalg.norm(CAMERA.matrix[2, :3])


def shot() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Times and places of hit, bounce and next hit, and the velocities between."""
    start = np.array([0.5, -11.9, 1.0, 1.5, 26.0, 4.5])
    spin = np.array([150.0, 0.0])
    t1, low = flight.fall_to(start, spin)
    after, spin2 = flight.bounce(low, spin, flight.SURFACES["hard"])
    end = flight.states(after, spin2, [0.35])[0]
    times = np.array([0.0, t1, t1 + 0.35])
    return (times, np.stack([start[:3], low[:3], end[:3]]), np.stack([start[3:], after[3:]]),
            np.stack([spin, spin2]))


def setting(seed: int) -> rally.Setting:
    times, place, velocity, spin = shot()
    t = np.arange(0.01, times[-1], 0.04)
    state = np.empty((len(t), 6))
    for i in range(2):
        mine = (t >= times[i]) & (t < times[i + 1])
        state[mine] = flight.states(
            np.concatenate([place[i], velocity[i]]), spin[i], t[mine] - times[i])
    rng = np.random.default_rng(seed)
    image = CAMERA.project(state[:, :3]) + rng.normal(0, 0.7, (len(t), 2))
    ground = np.array([np.inf, np.inf, 0.002])
    return rally.Setting(
        t, image, np.repeat(MATRIX[None], len(t), 0), np.full(len(t), 0.7),
        np.array([False, True, False]),
        np.array([place[0] + [0.4, 0.3, 0.1], [0, 0, flight.BALL_RADIUS_M], place[2] + 0.2]),
        np.array([[0.9, 0.8, 0.7], ground, [0.9, 0.8, 0.7]]), np.full(3, 0.1),
        np.array([[80.0, 0.0], [350.0, 0.0]]), np.array([[200.0, 60.0], [150.0, 60.0]]),
    )


def test_rally_is_recovered_from_a_rough_guess() -> None:
    times, place, velocity, spin = shot()
    errors = []
    for seed in range(6):
        found = rally.fit(setting(seed), times + [0, 0.02, 0], place + 0.3, velocity * 0.93,
                          spin * 0.5)
        assert found.meet_m.max() < 0.05
        assert abs(found.time_s[1] - times[1]) < 0.01
        errors.append(np.hypot(*(found.place[1, :2] - place[1, :2])))
        speed = np.linalg.norm(found.velocity[0]) / np.linalg.norm(velocity[0])
        assert abs(speed - 1) < 0.06
    assert np.median(errors) < 0.06


def test_deviations_cover_the_errors() -> None:
    times, place, velocity, spin = shot()
    pulls = []
    for seed in range(8):
        found = rally.fit(setting(20 + seed), times, place, velocity, spin)
        pulls += list((found.place[1, :2] - place[1, :2]) / found.place_sd[1, :2])
    assert 0.2 < np.sqrt(np.mean(np.square(pulls))) < 2.0

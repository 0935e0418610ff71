"""Which ball candidates are no ball in play, by how they move in the picture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import flight
from rallymill.camera import Camera
from rallymill.stages.flight import candidates

RADIUS_PX, SPEED_PX_PER_S = 4.5, 200.0


def seen(t_s: np.ndarray, image_px: np.ndarray) -> candidates.Candidates:
    n = len(t_s)
    return candidates.Candidates(
        np.arange(n), t_s, image_px, image_px.copy(), np.full(n, 0.5), np.full(n, 5.0)
    )


@pytest.mark.parametrize("fps", [24, 25, 50, 60])
@pytest.mark.parametrize("speed_px_per_s", [20.0, 120.0])
def test_shoes_of_someone_who_walks_are_told(fps: int, speed_px_per_s: float) -> None:
    t_s = np.arange(0, 2, 1 / fps)
    rng = np.random.default_rng(fps)
    way = np.column_stack([800 - speed_px_per_s * t_s, 340 + 2.5 * np.sin(7 * t_s)])
    kept = rng.random(len(t_s)) < 0.85
    found = candidates.walking(seen(t_s[kept], way[kept]), RADIUS_PX, SPEED_PX_PER_S)
    assert found.mean() > 0.9


CAMERAS = {
    "broadcast": Camera.looking_at([0, -32, 9], [0, -1, 0], 2100, 1280, 720),
    "tripod": Camera.looking_at([0.5, -18.5, 3.0], [0, 0, 0.6], 1000, 1280, 720),
}


@pytest.mark.parametrize("camera", CAMERAS.values(), ids=list(CAMERAS))
@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(-4, 4), vx=st.floats(-6, 6), away=st.booleans(), speed=st.floats(12, 45),
    up=st.floats(-2, 9), topspin=st.floats(-150, 350),
)
def test_most_of_a_flight_is_never_taken_for_a_walker(
    camera: Camera, x: float, vx: float, away: bool, speed: float, up: float, topspin: float
) -> None:
    sign = 1.0 if away else -1.0
    start = np.array([x, -11.0 * sign, 1.0, vx, speed * sign, up])
    fall_s, _ = flight.fall_to(start, np.array([topspin, 0.0]), limit_s=3.0)
    t_s = np.arange(0.01, fall_s if np.isfinite(fall_s) else 2.5, 1 / 25)
    states = flight.states(start, np.array([topspin, 0.0]), t_s)
    image = camera.project(states[:, :3])
    inside = np.isfinite(image).all(1)
    found = candidates.walking(seen(t_s[inside], image[inside]), RADIUS_PX, SPEED_PX_PER_S)
    assert found.mean() < 0.35 if len(found) else True


def test_nothing_is_no_walker() -> None:
    none = seen(np.zeros(0), np.zeros((0, 2)))
    assert candidates.walking(none, RADIUS_PX, SPEED_PX_PER_S).shape == (0,)

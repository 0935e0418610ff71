"""Contacts that the picture hides: at a serve, in a half-volley."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rallymill import flight
from rallymill.camera import Camera
from rallymill.stages.flight import candidates, contacts, half_volleys
from rallymill.stages.flight.rallies_end import Guess

CAMERA = Camera.looking_at([0.0, -26.0, 8.0], [0.0, -1.0, 0.0], 1300.0, 1280, 720)
MATRIX = CAMERA.matrix / np.linalg.norm(CAMERA.matrix[2, :3])
RATE = 25.0
NOBODY = contacts.Player(np.zeros(0), np.zeros((0, 2)), np.zeros((0, 4)))


def picture(frames: int) -> candidates.Picture:
    n = np.arange(frames)
    return candidates.Picture(
        n, n / RATE, np.repeat(MATRIX[None], frames, 0), np.zeros(frames),
        np.full(frames, 1300.0), 1280, 720)


def path_of(image: np.ndarray, slots: np.ndarray) -> candidates.Candidates:
    ones = np.ones(len(slots))
    return candidates.Candidates(slots, slots / RATE, image, image, 0.8 * ones, 4 * ones)


def server(t_s: np.ndarray) -> contacts.Player:
    feet = np.array([0.5, -11.9])
    low, high = CAMERA.project(np.array([[*feet, 0.0], [*feet, 1.85]]))
    box = np.array([low[0] - 20, high[1], low[0] + 20, low[1]])
    return contacts.Player(t_s, np.tile(feet, (len(t_s), 1)), np.tile(box, (len(t_s), 1)))


def test_a_serve_that_is_hidden_for_frames_may_have_been_struck_in_any_of_them() -> None:
    """Toss to 0.80 s, nothing seen until 0.92 s; the ball is struck at 0.85 s."""
    struck_s = 0.85
    up = flight.states(np.array([0.5, -11.7, 1.6, 0, 0, 6.0]), (0, 0), np.arange(21) / RATE)
    served = flight.states(
        np.array([0.5, -11.6, 2.7, -2.0, 40.0, -3.0]), (0, 0), np.arange(23, 36) / RATE - struck_s)
    slots = np.concatenate([np.arange(21), np.arange(23, 36)])
    path = path_of(CAMERA.project(np.concatenate([up, served])[:, :3]), slots)
    view = picture(60)
    found = contacts.find(
        path, np.ones(len(slots)), view, {"near": server(view.t_s), "far": NOBODY}, 0.12,
        np.zeros(len(slots), dtype=np.int64))
    serves = found.t_s[[contacts.SERVE_NEAR in kinds for kinds in found.kinds]]
    assert np.abs(serves - struck_s).min() <= 0.5 / RATE


def low_stroke() -> tuple[Guess, SimpleNamespace, float]:
    """A flight to a bounce at the feet, read as a stroke just after it, and the flight back."""
    start = np.array([1.0, 12.0, 1.0, 0.5, -24.0, 3.0])
    fall_s, low = flight.fall_to(start, (0, 0))
    place = np.array([start[:3], [low[0], low[1] - 0.8, 0.1], [-2.0, 9.0, 0.0335]])
    times = np.array([0.0, fall_s + 0.05, fall_s + 1.1])
    velocity = np.array([start[3:], [-2.0, 20.0, 5.0]])
    spin = np.zeros((2, 2))
    kinds = (contacts.HIT_FAR, contacts.HIT_NEAR, contacts.BOUNCE)
    guess = Guess(kinds, times, place, velocity, spin, np.full(3, 0.06))
    return guess, SimpleNamespace(
        time_s=times, place=place, velocity=velocity, spin=spin), float(fall_s)


def test_a_bounce_is_tried_where_the_ball_meets_the_ground_before_a_low_stroke() -> None:
    guess, fit, fall_s = low_stroke()
    assert half_volleys.suspects(guess.kinds, fit) == [1]  # type: ignore[arg-type]
    found = half_volleys.with_bounce(guess, fit, 1)  # type: ignore[arg-type]
    assert found is not None
    assert found.kinds == (
        contacts.HIT_FAR, contacts.BOUNCE, contacts.HIT_NEAR, contacts.BOUNCE)
    assert found.time_s[1] == pytest.approx(fall_s, abs=0.02)
    assert (np.diff(found.time_s) > 0).all()
    assert found.place[1, 2] == pytest.approx(flight.BALL_RADIUS_M)
    assert found.velocity[1, 2] > 0 and len(found.velocity) == len(found.spin) == 3


def test_a_stroke_at_the_hip_is_no_half_volley() -> None:
    guess, fit, _ = low_stroke()
    fit.place[1, 2] = 0.9
    assert half_volleys.suspects(guess.kinds, fit) == []  # type: ignore[arg-type]

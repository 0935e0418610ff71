from __future__ import annotations

import numpy as np

from rallymill.flightfit import segments


def kinked(noise_px: float = 0.7) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0, 1.2, 0.04)
    x = 300 + 200 * t
    y = np.where(t < 0.61, 200 + 300 * t, 200 + 183 - 350 * (t - 0.61)) + 120 * (t - 0.6) ** 2
    noise = np.random.default_rng(1).normal(0, noise_px, (len(t), 2))
    return t, np.column_stack([x, y]) + noise


def test_short_paths_have_no_cuts() -> None:
    for n in (0, 1, 2):
        assert len(segments.cuts(np.arange(n) * 0.04, np.zeros((n, 2)), np.ones(n))) == 0


def test_smooth_path_is_not_cut() -> None:
    t = np.arange(0, 1.0, 0.04)
    path = np.column_stack([300 + 250 * t - 40 * t**2, 400 - 500 * t + 450 * t**2])
    path += np.random.default_rng(0).normal(0, 0.7, path.shape)
    assert len(segments.cuts(t, path, np.ones(len(t)))) == 0


def test_kink_is_found_between_frames() -> None:
    t, path = kinked()
    found = segments.cuts(t, path, np.ones(len(t)))
    times, places = segments.meetings(t, path, found, 0.04)
    assert np.abs(times - 0.61).min() < 0.012
    assert np.abs(places[np.argmin(np.abs(times - 0.61))] - [422, 383]).max() < 6

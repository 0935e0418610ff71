"""Simulated ball boxes: as sure, as exact and as often wrong as the detector's on drawn films."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from tests.support.still_world import high_camera

from rallymill.arena.box_balls import ABOUT_BALL_PX, PERFECT, TIERS, BallLooker, BallNoise, Found

FILMS, FRAMES = 40, 60
PLAYERS = [np.array([600.0, 500.0, 680.0, 680.0]), np.array([560.0, 150.0, 585.0, 205.0])]
STEP_PX = np.array([9.0, -3.0])


def looks(noise: BallNoise) -> pd.DataFrame:
    """Every box of films whose ball flies through the picture, one frame in ten past a player."""
    rows = []
    for film in range(FILMS):
        looker = BallLooker(noise, np.random.default_rng([7, film]), (1280, 720))
        for frame in range(FRAMES):
            beside = frame % 10 == 9
            ball = np.array([640.0, 600.0]) if beside else np.array([300.0 + 9 * frame, 400.0])
            spot = looker.right(ball, ball + STEP_PX, PLAYERS)
            for right, found in (
                (True, [spot] if spot else []), (False, looker.wrong(high_camera(), ball, PLAYERS))
            ):
                rows += [(film, frame, right, one.confidence, *(one.at - ball)) for one in found]
    return pd.DataFrame(rows, columns=["film", "frame", "right", "confidence", "u_px", "v_px"])


@lru_cache(maxsize=3)
def of_tier(tier: str) -> pd.DataFrame:
    return looks(TIERS[tier])


@pytest.mark.parametrize(
    ("tier", "above_0_1", "wrong_above_0_1", "wrong_above_0_003"),
    [
        ("broadcast", 0.984, 0.122, 1.45), ("club", 0.933, 0.110, 1.71),
        ("hostile", 0.974, 0.207, 2.43),
    ],
)
def test_right_and_wrong_boxes_are_as_many_as_the_detectors(
    tier: str, above_0_1: float, wrong_above_0_1: float, wrong_above_0_003: float
) -> None:
    """As on films for validation in which the codec left the ball."""
    found, n = of_tier(tier), FILMS * FRAMES
    sure = found[found["confidence"] > 0.1]
    assert abs(sure["right"].sum() / n - above_0_1) < 0.1
    assert 1 / 2.5 < (~sure["right"]).sum() / n / wrong_above_0_1 < 2.5
    assert 1 / 2.5 < (~found["right"]).sum() / n / wrong_above_0_003 < 2.5


@pytest.mark.parametrize("tier", sorted(TIERS))
def test_confidences_are_probabilities(tier: str) -> None:
    found = of_tier(tier)
    for _, some in found.groupby(pd.cut(found["confidence"], [0, 0.03, 0.1, 0.3, 0.7, 0.9, 1.0]),
                                 observed=True):
        assert abs(some["right"].mean() - some["confidence"].mean()) < 0.2
    assert found.loc[found["confidence"] > 0.9, "right"].mean() > 0.97
    assert found.loc[found["confidence"] < 0.03, "right"].mean() < 0.05


def test_what_is_less_sure_is_less_exact_and_goes_on() -> None:
    found = of_tier("broadcast")
    right = found[found["right"] & (found["frame"] % 10 != 9)]
    off_px = right["v_px"].abs()
    sure, faint = right["confidence"] > 0.9, right["confidence"] < 0.4
    assert off_px[sure].median() < 0.25 < 0.5 < off_px[faint].median()
    odds = right["confidence"].rank().to_numpy()
    next_frame = (np.diff(right["frame"]) == 1) & (np.diff(right["film"]) == 0)
    assert 0.5 < np.corrcoef(odds[:-1][next_frame], odds[1:][next_frame])[0, 1] < 0.9


def test_balls_are_missed_and_wrong_ones_seen_as_often_as_asked_for() -> None:
    n = FILMS * FRAMES
    gone = Found(1.0, PERFECT.away.log_odds)
    assert looks(replace(PERFECT, away=gone, beside_player=gone)).empty
    half = replace(gone, missed=0.5)
    some = looks(replace(PERFECT, away=half, beside_player=half))
    assert some["right"].all() and abs(len(some) / n - 0.5) < 0.1
    more = looks(replace(PERFECT, wrong_by_ball=2.0))
    assert more["right"].sum() == n and abs((~more["right"]).sum() / n - 2.0) < 0.2
    wrong = more[~more["right"]]
    away = np.hypot(wrong["u_px"].to_numpy(), wrong["v_px"].to_numpy())
    assert (away >= ABOUT_BALL_PX[0]).all() and (away <= ABOUT_BALL_PX[1]).all()


def test_the_perfect_look_sees_every_ball_where_it_is() -> None:
    found = looks(PERFECT)
    assert len(found) == FILMS * FRAMES and found["right"].all()
    assert np.allclose(found[["u_px", "v_px"]], 0.0)

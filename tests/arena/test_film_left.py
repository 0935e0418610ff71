"""What a codec leaves of the ball decides whether the truth calls it visible."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from rallymill import tableio, tables, video
from rallymill.arena import film, film_left, film_truth

WIDTH, HEIGHT, RATE = 320, 192, Fraction(25)


def moving_ball(contrast: int, n: int = 20) -> list[tuple[np.ndarray, film_left.Box]]:
    """A ball of a contrast that crosses a textured ground, and its box in each frame."""
    rng = np.random.default_rng(0)
    ground = np.clip(rng.normal(90, 6, (HEIGHT, WIDTH, 1)), 0, 255).astype(np.uint8)
    ground = np.repeat(ground, 3, axis=2)
    made = []
    for k in range(n):
        image = ground.copy()
        x, y = 30 + 12 * k, 60 + 3 * k
        spot = image[y:y + 4, x:x + 4].astype(int)
        image[y:y + 4, x:x + 4] = np.clip(spot + [0, contrast, contrast], 0, 255)
        made.append((image, (x - 0.5, y - 0.5, x + 3.5, y + 3.5)))
    return made


def lost_share(path: Path, contrast: int, crf: int) -> float:
    left = film_left.BallsLeft(RATE)
    made = moving_ball(contrast)
    with video.Writer(path, WIDTH, HEIGHT, RATE, crf) as out:
        for k, (image, box) in enumerate(made):
            out.write(image, k / 25)
            left.add(k, 0, image, box)
    return len(left.lost(path)) / (len(made) - 2)


def test_a_clear_ball_is_left_by_a_generous_codec(tmp_path: Path) -> None:
    assert lost_share(tmp_path / "a.mp4", 120, 18) == 0.0


def test_a_faint_ball_is_lost_in_a_starved_one(tmp_path: Path) -> None:
    assert lost_share(tmp_path / "a.mp4", 10, 51) > 0.8


def test_more_compression_never_shows_more(tmp_path: Path) -> None:
    shares = [lost_share(tmp_path / f"{crf}.mp4", 25, crf) for crf in (15, 35, 51)]
    assert shares == sorted(shares) and shares[0] < shares[-1]


def test_frames_across_a_cut_are_not_compared() -> None:
    left = film_left.BallsLeft(RATE)
    for k, (image, box) in enumerate(moving_ball(120)):
        left.add(k, k // 2, image, box)
    assert not left._kept


@pytest.mark.parametrize("lost", [set(), {3}])
def test_only_the_ball_of_a_lost_frame_is_not_visible(lost: set[int]) -> None:
    rows = [
        {"frame": frame, "track_id": track, "observed": True, "visible": True}
        for frame in range(5) for track in (0, 1)
    ]
    found = film_left.without_lost(rows, lost, 0)
    hidden = [(row["frame"], row["track_id"]) for row in found if not row["visible"]]
    assert hidden == [(frame, 0) for frame in lost]


def test_a_film_is_coded_finer_until_the_ball_is_left(tmp_path: Path) -> None:
    def visible(balls_left: float) -> float:
        config = film.FilmConfig(
            name=f"left_{balls_left}", seed=300_021, width_px=640, height_px=360, crf=42,
            max_duration_s=4.5, cutaways=0.0, replays=0.0, balls_left=balls_left,
        )
        path = film.render(film.make(config), tmp_path)
        rows = tableio.read(
            path.with_suffix(".truth.tracks.parquet"), tables.TRACKS
        ).to_pandas()
        balls = rows[rows["track_id"] == film_truth.BALL_TRACK_ID]
        return float(balls["visible"].sum())

    starved, finer = visible(0.0), visible(0.9)
    assert finer > 1.5 * starved


def test_codings_get_finer_and_end() -> None:
    coding: film.FilmConfig | None = film.FilmConfig(crf=27, bits_per_pixel=0.06)
    before = [film.FilmConfig(crf=28, bits_per_pixel=0.05)]
    while coding is not None:
        assert coding.crf < before[-1].crf
        assert coding.bits_per_pixel is not None and before[-1].bits_per_pixel is not None
        assert coding.bits_per_pixel > before[-1].bits_per_pixel
        before.append(coding)
        coding = film_left.finer(coding)
    assert before[-1].crf == film_left.BEST_CRF


def test_the_share_left_is_of_balls_that_move() -> None:
    left = film_left.BallsLeft(RATE)
    for k, (image, box) in enumerate(moving_ball(120)):
        left.add(k, 0, image, box)
    assert left.share(set()) == 1.0
    assert left.share(set(range(1, 10))) == pytest.approx(0.5)
    still = film_left.BallsLeft(RATE)
    for k, (image, _) in enumerate(moving_ball(120)):
        still.add(k, 0, image, (29.5, 59.5, 33.5, 63.5))
    assert still.share(set(range(20))) == 1.0

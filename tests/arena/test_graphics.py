"""Score graphics, cards and wipes: designs by split, and what lies under them is hidden."""

from __future__ import annotations

import numpy as np
import pytest

from rallymill.arena import graphics, graphics_score, render_seen


@pytest.mark.parametrize("design", graphics_score.DESIGNS)
def test_a_design_shows_the_score_and_leaves_most_of_the_picture_free(design):
    style = graphics_score.Style(
        (80, 20, 20, 230), (90, 200, 220, 230), graphics_score.FONTS[0], 24, True, True
    )
    drawn = []
    for points in (("15", "40"), ("30", "40")):
        out = np.zeros((360, 640, 4), np.uint8)
        score = graphics_score.Score(("MARREC", "ORROW"), (2, 3), points, 1)
        graphics_score.DESIGNS[design](out, score, style)
        drawn.append(out)
        assert 0.002 < (out[..., 3] > 0).mean() < 0.12
    assert not np.array_equal(*drawn)


def test_designs_kept_for_the_test_split_come_there_alone():
    rng = np.random.default_rng(0)
    found = {
        split: {graphics_score.draw_design(rng, split) for _ in range(200)}
        for split in ("train", "validation", "test")
    }
    assert found["test"] == set(graphics_score.DESIGNS)
    for split in ("train", "validation"):
        assert found[split] == set(graphics_score.DESIGNS) - set(graphics_score.RESERVED)


def test_a_score_that_changes_keeps_its_design():
    first, second = (
        graphics.score_graphic(5, 640, 360, ("MARREC", "ORROW"), (0, 0), points, 0)
        for points in (("0", "0"), ("15", "0"))
    )
    apart = (first != second).any(-1)
    assert 0 < apart.sum() < 0.2 * (first[..., 3] > 0).sum()


def test_a_ball_under_a_graphic_is_hidden():
    graphic = np.zeros((100, 200, 4), np.uint8)
    graphic[10:30, 20:80, 3] = 220

    def ball(index: int, u: float, v: float) -> render_seen.BallSeen:
        return render_seen.BallSeen(
            index, (0, 0, 1), (0, 9, 0), (u, v), (u - 2, v - 2, u + 2, v + 2), 0.9, True
        )

    light = np.zeros((1, 1, 3), np.float32)
    picture = render_seen.Picture(light, (), (ball(0, 50, 20), ball(1, 120, 20), ball(2, -9, 500)))
    seen = graphics.hide_balls(picture, graphic)
    assert [b.visible for b in seen.balls] == [False, True, True]


@pytest.mark.parametrize("style", range(graphics.WIPES))
def test_a_wipe_goes_from_one_picture_to_the_other(style):
    first, second = np.zeros((90, 160, 3), np.uint8), np.full((90, 160, 3), 200, np.uint8)
    means = [graphics.wipe(first, second, share, style).mean() for share in (0, 0.3, 0.7, 1.0)]
    assert means == sorted(means)
    assert means[0] < 10
    assert means[-1] > 190


def test_cards_are_of_both_kinds_and_move():
    moved = []
    for seed in range(12):
        one, two = (graphics.full_screen(seed, 160, 90, t).astype(int) for t in (0.0, 0.5))
        moved.append(np.abs(one - two).max() > 10)
        assert one.shape == (90, 160, 3)
    assert all(moved)

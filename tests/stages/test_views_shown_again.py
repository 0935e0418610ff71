"""Play that is shown again: known by its content, and where it begins and ends."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rallymill.stages.views import mixing, motion, recall, shown_again
from rallymill.stages.views.motion import Piece
from rallymill.stages.views.recall import Line, Seen

RATE = 25
WIDTH, HEIGHT = recall.SIZE_PX
Picture = np.ndarray


def court(places: np.ndarray, graphic: bool = False) -> Picture:
    """A fixed camera's grey picture with two players at shares (2,) of the width."""
    picture = np.full((HEIGHT, WIDTH), 90.0)
    picture[::9] += 12.0
    x, y = np.arange(WIDTH), np.arange(HEIGHT)
    for share, row, high, wide in zip(places, (40, 17), (7, 4), (2.4, 1.5), strict=True):
        across = np.exp(-0.5 * ((x - 8 - share * 80) / wide) ** 2)
        along = np.exp(-0.5 * ((y - row) / high) ** 4)
        picture += (200 - picture) * np.outer(along, across)
    if graphic:
        picture[2:7, 5:25] = 30.0
    return picture


def walk(seed: int) -> Callable[[float], np.ndarray]:
    """Places (2,) at a time, of players who go to and fro and never twice the same way."""
    knots = np.random.default_rng(seed).uniform(0.05, 0.95, (60, 2))
    return lambda t_s: np.array([np.interp(t_s, np.arange(60), knots[:, k]) for k in range(2)])


def seen(pictures: list[Picture], noise: float = 1.5) -> list[Seen]:
    memory = shown_again.Recall()
    rng = np.random.default_rng(0)
    for k, picture in enumerate(pictures):
        noisy = (picture + rng.normal(0, noise, picture.shape)).round().clip(0, 255)
        memory.court(k / RATE)
        memory.add(k, k / RATE, np.repeat(noisy.astype(np.uint8)[..., None], 3, 2))
    return memory.finish()


def film(
    speed: float, mixed: Callable[[Picture, Picture, float], Picture] | None = None,
    graphic: bool = False,
) -> list[Picture]:
    """Live for 8 s, 4 s again, live; ``mixed`` draws the first and last ten frames of it."""
    places = walk(1)
    pictures = [court(places(k / RATE), graphic) for k in range(400)]
    for k in range(100):
        again = court(places(4.5 + speed * k / RATE))
        share = min(k + 0.5, 99.5 - k) / 10
        live = pictures[200 + k]
        pictures[200 + k] = mixed(live, again, share) if mixed and share < 1 else again
    return pictures


def fade(live: Picture, again: Picture, share: float) -> Picture:
    return (1 - share) * live + share * again


def wipe(live: Picture, again: Picture, share: float) -> Picture:
    return np.where(np.arange(WIDTH)[None] < share * WIDTH, again, live)


@pytest.mark.parametrize("speed", [0.3, 0.4, 0.6])
@pytest.mark.parametrize("graphic", [False, True])
def test_a_replay_is_known_by_its_content_alone(speed, graphic):
    found = seen(film(speed, graphic=graphic))
    assert len(found) == 1
    assert found[0].line.speed == pytest.approx(speed, rel=0.12)
    assert found[0].line.at(10.0) == pytest.approx(4.5 + 2 * speed, abs=0.1)
    assert abs(found[0].first - 200) <= 4
    assert abs(found[0].last - 299) <= 4


@pytest.mark.parametrize(("mixed", "slack"), [(fade, 2), (wipe, 5)])
def test_a_replay_takes_in_the_mixtures_at_its_ends(mixed, slack):
    found = seen(film(0.4, mixed))
    assert len(found) == 1
    assert abs(found[0].opens - 200) <= slack
    assert abs(found[0].closes - 299) <= slack
    assert found[0].opens < found[0].first
    assert found[0].last < found[0].closes


@pytest.mark.parametrize("seed", range(4))
def test_play_that_looks_like_earlier_play_is_no_replay(seed):
    # Two players go to and fro between the same few places, as in a rally; none of it twice.
    rng = np.random.default_rng(seed)
    knots = rng.choice([0.1, 0.35, 0.6, 0.9], (40, 2)) + rng.normal(0, 0.06, (40, 2))
    at = np.linspace(0, 39, 39 * RATE)
    places = np.stack([np.interp(at, np.arange(40), knots[:, k]) for k in range(2)], 1)
    assert seen([court(one) for one in places]) == []


def test_players_who_stand_still_are_no_replay():
    places = walk(2)
    moved = [court(places(k / RATE)) for k in range(200)]
    assert seen([*moved, *[moved[-1]] * 200]) == []


def test_what_differs_all_along_does_not_count():
    rng = np.random.default_rng(3)
    squares = rng.uniform(0, 9, (4, 3, 60)).astype(np.float32)
    missed, usual = recall.contrasts(squares)
    more = squares + np.array([0, 5, 50, 500], np.float32)[:, None, None]
    again, still_usual = recall.contrasts(more)
    assert np.allclose(missed, again, atol=1e-2)
    assert np.allclose(usual, still_usual, atol=1e-2)


def test_shares_of_a_mixture():
    rng = np.random.default_rng(4)
    live, again = rng.uniform(0, 255, (2, 1, HEIGHT, WIDTH)).astype(np.float32)
    share = np.linspace(1, 0, 11)[:, None, None].astype(np.float32)
    mixed = share * again + (1 - share) * live
    many = np.repeat(again, 11, 0)
    found = mixing.mixture(np.repeat(live, 5, 0), many[:5], many, many[:5], mixed)
    assert found is not None
    assert np.nanmax(np.abs(found.share - share[:, :, 0])) < 1e-3
    assert mixing.outermost(found, 11, 3) in (9, 10)
    assert mixing.mixture(live, live, live, live, live) is None


def changes(count: int) -> motion.Changes:
    made = motion.Changes()
    for k in range(count):
        made.add(k / RATE, np.zeros((27, 48, 3), np.uint8))
    return made


def test_cuts_and_wipes_that_are_known_are_the_borders():
    line = Line(4.0, 1.0, 0.4)
    cut = [Piece(0, 94), Piece(95, 105, True, True), Piece(106, 149), Piece(150, 199),
           Piece(200, 299)]
    done, again = shown_again.pieces(
        changes(300), cut, [Seen(107, 196, 99, 198, line, 0.02)]
    )
    assert [(one.first, one.last) for one in done] == [(0, 94), (95, 199), (200, 299)]
    assert list(again) == [95]
    assert "at 0.40 of the speed" in again[95]


def test_a_replay_without_a_border_reaches_back_to_the_cut():
    line = Line(4.0, 1.0, 0.4)
    cut = [Piece(0, 99), Piece(100, 299)]
    done, again = shown_again.pieces(
        changes(300), cut, [Seen(140, 190, 140, 195, line, 0.02)]
    )
    assert [(one.first, one.last) for one in done] == [(0, 99), (100, 195), (196, 299)]
    assert list(again) == [100]

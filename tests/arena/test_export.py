"""Training pictures: what they went through, and that their labels still say what they show."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rallymill.arena import (
    export,
    export_codec,
    export_labels,
    export_picture,
    film_chain,
    play,
    render,
    render_seen,
    scene,
)
from rallymill.errors import ConfigError
from rallymill.stages import detect

GREYS = tuple(np.full((8, 8), level, np.uint8) for level in (10, 100, 200))


def moving_spot(contrast: int, size: tuple[int, int] = (96, 160), ground: int = 90):
    """Three grey pictures of a spot that moves 12 px a frame, and its box in the middle one."""
    pictures = []
    for x in (60, 72, 84):
        picture = np.full(size, ground, np.uint8)
        picture[40:43, :] += 30
        picture[48:52, x : x + 4] += contrast
        pictures.append(picture)
    return pictures, (72.0, 48.0, 75.0, 51.0)


def noisy_film(n: int = 5, size: tuple[int, int] = (180, 320)) -> list[np.ndarray]:
    rng = np.random.default_rng(3)
    ground = cv2.GaussianBlur(rng.uniform(0, 255, (*size, 3)).astype(np.float32), (0, 0), 2.5)
    return [
        np.clip(ground + rng.normal(0, 4, ground.shape), 0, 255).astype(np.uint8) for _ in range(n)
    ]


def miss(frames, coded) -> float:
    return float(np.mean([np.abs(a.astype(float) - b).mean() for a, b in zip(frames, coded,
                                                                              strict=True)]))


def test_channels_are_the_frames_before_at_and_after():
    assert export.stacked(*GREYS)[0, 0].tolist() == [10, 100, 200]


def test_training_pictures_are_the_same_for_the_same_seed(tmp_path):
    for name in ("one", "two"):
        assert export.training_frames(7, 2, tmp_path / name, "broadcast", 640, 360) == 2
    one, two = (sorted((tmp_path / name).rglob("*.*")) for name in ("one", "two"))
    assert [path.name for path in one] == [path.name for path in two]
    assert len(one) == 4
    assert all(a.read_bytes() == b.read_bytes() for a, b in zip(one, two, strict=True))
    picture = cv2.imread(str(one[0]))
    assert picture.shape == (360, 640, 3)
    people = 0
    for path in one:
        if path.suffix == ".txt":
            for line in path.read_text().splitlines():
                label, x, y, w, h = line.split()
                assert label in ("0", "1")
                people += label == "0"
                assert float(x) - float(w) / 2 + 1e-6 >= 0
                assert float(y) + float(h) / 2 <= 1 + 1e-6
    assert people >= 2


def test_chains_reach_from_clean_to_starved():
    rng = np.random.default_rng(0)
    chains = [film_chain.draw_chain(rng, tier) for tier in scene.TIERS for _ in range(300)]
    assert {c.size for c in chains} >= set(film_chain.SIZES)
    assert any(c.size[1] > c.size[0] for c in chains)
    assert {c.fields for c in chains} == set(film_chain.FIELDS)
    assert {c.codings[-1].codec for c in chains} == set(film_chain.CODECS)
    assert {c.rate for c in chains} == set(film_chain.RATES_FPS)
    assert {len(c.codings) for c in chains} == {1, 2}
    assert any(c.codings[-1].starved for c in chains)
    crf = [c.codings[-1].crf for c in chains]
    assert min(crf) <= 18
    assert max(crf) >= 36
    for c in chains:
        assert 0 < c.shutter_s <= 1 / c.rate
        assert c.readout_s < 1 / c.rate
        assert not (c.readout_s and c.fields != "progressive")
        assert 0.012 < c.step / c.rate < 0.06
        assert not (c.size[0] % 2 or c.size[1] % 2)


def test_the_hostile_tier_is_mostly_small_and_the_default_mix_favours_it():
    rng = np.random.default_rng(1)
    small = {
        tier: np.mean([film_chain.draw_chain(rng, tier).size[1] <= 480 for _ in range(300)])
        for tier in scene.TIERS
    }
    assert small["hostile"] > 0.65
    assert small["easy"] < 0.3
    assert max(export.WEIGHTS, key=export.WEIGHTS.__getitem__) == "hostile"
    drawn = [export.draw_tier(rng, "mixed", {"club": 1.0, "hostile": 3.0}) for _ in range(400)]
    assert 0.68 < drawn.count("hostile") / 400 < 0.82
    assert export.draw_tier(rng, "easy", export.WEIGHTS) == "easy"


@pytest.mark.parametrize("text", ["hostile", "moon=1", "hostile=-1", "club=0", "club=x"])
def test_weights_that_cannot_stand_are_refused(text):
    with pytest.raises(ConfigError):
        export.read_weights(text)


def test_weights_are_read():
    assert export.read_weights("club=1, hostile=2.5") == {"club": 1.0, "hostile": 2.5}


@pytest.mark.parametrize("codec", film_chain.CODECS)
def test_a_harder_codec_leaves_less_and_every_frame_comes_back(codec):
    frames = noisy_film()
    fine, coarse = (
        export_codec.compressed(frames, film_chain.Coding(codec, crf, None, "ultrafast"), 25.0)
        for crf in (14, 40)
    )
    assert len(fine) == len(coarse) == len(frames)
    assert miss(frames, fine) + 2 < miss(frames, coarse)


def test_a_bounded_rate_starves_the_picture():
    frames = noisy_film()
    free, starved = (
        export_codec.compressed(frames, film_chain.Coding("h264", 18, bits), 25.0)
        for bits in (None, 0.03)
    )
    assert miss(frames, free) + 1 < miss(frames, starved)


def test_a_film_is_scaled_as_the_detector_scales_it():
    frame = noisy_film(1, (480, 854))[0]
    for source in (frame, cv2.resize(frame, (1920, 1080))):
        seen = export_labels.fitted(source, 1280, 720)
        wanted = detect.to_grey(source, 1280)
        top = (720 - wanted.shape[0]) // 2
        assert np.array_equal(seen[top : top + wanted.shape[0]], wanted)
        assert seen.shape == (720, 1280)


@pytest.mark.parametrize(("drawn", "film"), [((640, 360), (960, 540)), ((404, 720), (404, 720)),
                                             ((854, 480), (854, 480)), ((608, 1080), (608, 1080))])
def test_a_box_stays_on_what_it_bounds(drawn, film):
    width, height = drawn
    frame = np.zeros((height, width, 3), np.uint8)
    x1, y1, x2, y2 = width // 2, height // 3, width // 2 + 60, height // 3 + 40
    frame[y1:y2, x1:x2] = 255
    shown = export_labels.fitted(
        cv2.resize(frame, film, interpolation=cv2.INTER_CUBIC), 1280, 720
    )
    person = render_seen.PersonSeen(
        0, "near", (x1 - 0.5, y1 - 0.5, x2 - 0.5, y2 - 0.5), (0, 0, 0), (0, 0), 1.0
    )
    picture = render_seen.Picture(np.zeros((1, 1, 3), np.float32), (person,), ())
    line, = export_labels.label_lines(picture, export_labels.Placed(drawn, film, (1280, 720)))
    _, x, y, w, h = (float(value) for value in line.split())
    rows, columns = np.flatnonzero((shown == 255).any(1)), np.flatnonzero((shown == 255).any(0))
    assert (x - w / 2) * 1280 == pytest.approx(columns[0], abs=1.6)
    assert (x + w / 2) * 1280 == pytest.approx(columns[-1] + 1, abs=1.6)
    assert (y - h / 2) * 720 == pytest.approx(rows[0], abs=1.6)
    assert (y + h / 2) * 720 == pytest.approx(rows[-1] + 1, abs=1.6)


def test_a_ball_that_is_left_counts_and_one_that_is_wiped_out_does_not():
    raw, box = moving_spot(60)
    gone, _ = moving_spot(0)
    half, _ = moving_spot(30)
    assert export_labels.remains(raw, raw, box, True) > 0.95
    assert export_labels.remains(raw, half, box, True) == pytest.approx(0.5, abs=0.05)
    # The bright line beside the ball is still there, the ball is not.
    assert export_labels.remains(raw, gone, box, True) < 0.05


def test_a_ball_without_contrast_counts_as_lost_even_before_compression():
    raw, box = moving_spot(2)
    assert export_labels.remains(raw, raw, box, True) < 0.5
    assert export_labels.remains(raw, [raw[1]] * 3, box, True) < export_labels.LEAST_LEFT


def test_starved_films_lose_balls_and_clean_ones_do_not():
    venue = scene.make(41, "hostile", "clay")
    world = play.simulate(41, 1, surface="clay")
    studio = export_picture.Studio(41, "hostile", venue, world, render.Renderer(venue, world))
    chain = film_chain.draw_chain(np.random.default_rng(0), "easy")
    lost = {}
    for crf in (12, 45):
        coding = film_chain.Coding("h264", crf, None, "veryfast")
        hard = replace(
            chain, size=(640, 360), master=(640, 360), rate=25.0, shutter_s=0.004,
            codings=(coding,), fields="progressive", upright=None, step=1, lead=1,
        )
        lost[crf] = 0
        for k in range(4):
            shot = studio.drawn(np.random.default_rng([3, k]), k, hard, main_only=True)
            placed = export_labels.Placed(shot.size, shot.chain.size, (1280, 720))
            raw, coded = (
                [export_labels.fitted(frame, 1280, 720) for frame in frames]
                for frames in (shot.raw, shot.frames)
            )
            lost[crf] += 0 in export_labels.lost_balls(shot.pictures, placed, raw, coded)
    assert lost[12] == 0
    assert lost[45] >= 2

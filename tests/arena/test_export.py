"""Training pictures: what they went through, and that their labels still say what they show."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rallymill import motion_picture
from rallymill.arena import (
    export,
    export_codec,
    export_labels,
    export_picture,
    export_tiles,
    film_chain,
    play,
    render,
    render_seen,
    scene,
)
from rallymill.errors import ConfigError


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


def labels_of(path):
    return np.array([[float(v) for v in line.split()] for line in path.read_text().splitlines()])


def test_training_pictures_are_the_same_for_the_same_seed(tmp_path, monkeypatch):
    monkeypatch.setattr(export_picture, "N_LOOKED_AT", 2)
    for name in ("one", "two"):
        request = export.Request(7, 2, str(tmp_path / name), "broadcast")
        assert export.training_frames(request) == 2
    one, two = (sorted((tmp_path / name).rglob("*.*")) for name in ("one", "two"))
    assert [path.name for path in one] == [path.name for path in two]
    assert len(one) == 4
    assert all(a.read_bytes() == b.read_bytes() for a, b in zip(one, two, strict=True))
    pages = cv2.imreadmulti(str(one[0]), flags=cv2.IMREAD_UNCHANGED)[1]
    assert len(pages) == motion_picture.CHANNELS
    assert max(pages[0].shape) == 1280
    people = 0
    for path in one:
        if path.suffix == ".txt" and path.stat().st_size:
            rows = labels_of(path)
            assert set(rows[:, 0]) <= {0, 1}
            people += int((rows[:, 0] == 0).sum())
            assert (rows[:, 1:3] - rows[:, 3:] / 2 >= -1e-6).all()
            assert (rows[:, 1:3] + rows[:, 3:] / 2 <= 1 + 1e-6).all()
    assert people >= 2


def test_three_channels_are_the_grey_levels_before_at_and_after(tmp_path):
    three, eight = (
        next(export.training_pictures(5, 1, "easy", channels=n)) for n in (3, 8)
    )
    assert three.name == eight.name and np.array_equal(three.labels, eight.labels)
    # The middle grey level is a channel of either; its neighbours differ where something moves.
    assert np.array_equal(three.picture[..., 1], eight.picture[..., 5])
    assert any((three.picture[..., k] != three.picture[..., 1]).any() for k in (0, 2))
    (tile, labels), = export_tiles.tiles(
        three.picture, three.labels, 1, 320, np.random.default_rng(1)
    )
    for name in ("images", "labels"):
        (tmp_path / name).mkdir()
    export.write(tmp_path, export.Labelled("one", tile, labels))
    assert np.array_equal(cv2.imread(str(tmp_path / "images" / "one.png")), tile)
    assert len(labels_of(tmp_path / "labels" / "one.txt")) == len(labels)


def test_a_ball_stands_out_of_the_channels_where_its_label_says():
    sharp = balls = 0
    sets = (export.training_pictures(seed, 2, "easy") for seed in range(12, 40))
    pictures = (item for one in sets for item in one)
    while balls < 3:
        item = next(pictures)
        for _, x1, y1, x2, y2 in item.labels[item.labels[:, 0] == 1]:
            x, y = int((x1 + x2) / 2), int((y1 + y2) / 2)
            around = np.s_[max(y - 30, 0) : y + 31, max(x - 30, 0) : x + 31]
            own = np.s_[max(y - 3, 0) : y + 4, max(x - 3, 0) : x + 4]
            for channel in (2, 7):
                level = np.abs(item.picture[..., channel].astype(int) - 128)
                balls += channel == 2
                sharp += level[own].max() > 3 * max(np.median(level[around]), 3)
    assert sharp >= balls


def test_tiles_keep_boxes_on_what_they_bound():
    rng = np.random.default_rng(4)
    picture = np.full((400, 700, 8), 128, np.uint8)
    picture[150:162, 300:312] = 255
    labels = np.array([[1.0, 300, 150, 312, 162], [0.0, 10, 10, 40, 90]])
    n_balls = 0
    for tile, rows in export_tiles.tiles(picture, labels, 12, 256, rng):
        assert tile.shape == (256, 256, 8)
        assert (rows[:, 1:] >= 0).all() and (rows[:, 1:] <= 256).all()
        for _, x1, y1, x2, y2 in rows[rows[:, 0] == 1]:
            n_balls += 1
            bright = tile[int(y1) : int(np.ceil(y2)), int(x1) : int(np.ceil(x2)), 0]
            assert (bright > 190).all()
    assert n_balls >= 6


def test_a_picture_smaller_than_a_tile_is_filled_up():
    picture = np.full((100, 120, 8), 128, np.uint8)
    (tile, rows), = export_tiles.tiles(picture, np.zeros((0, 5)), 1, 256,
                                       np.random.default_rng(0))
    assert tile.shape == (256, 256, 8)
    assert not tile[100:].any() and not tile[:, 120:].any()
    assert len(rows) == 0


def test_a_tile_varies_as_other_light_and_time_run_backwards_would():
    tile = np.full((4, 4, 8), 128, np.uint8)
    tile[..., 0], tile[..., 4], tile[..., 6] = 168, 108, 100
    forwards = backwards = 0
    for seed in range(20):
        found = export_tiles.varied(tile, np.random.default_rng(seed))[0, 0].astype(int)
        assert (found[1:4] == 128).all()
        first, last = found[0] - 128, found[4] - 128
        forwards += first > 0 > last
        backwards += first < 0 < last
        assert abs(first / last) == pytest.approx(2 if first > 0 else 0.5, abs=0.25)
        assert 30 <= found[6] <= 190
    assert forwards + backwards == 20
    assert min(forwards, backwards) >= 4


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


@pytest.mark.parametrize(("drawn", "film"), [((640, 360), (960, 540)), ((404, 720), (404, 720)),
                                             ((854, 480), (854, 480)), ((608, 1080), (608, 1080))])
def test_a_box_stays_on_what_it_bounds(drawn, film):
    width, height = drawn
    frame = np.zeros((height, width, 3), np.uint8)
    x1, y1, x2, y2 = width // 2, height // 3, width // 2 + 60, height // 3 + 40
    frame[y1:y2, x1:x2] = 255
    looked_at = motion_picture.moment(
        cv2.resize(frame, film, interpolation=cv2.INTER_CUBIC), motion_picture.fitted_width(*film)
    )
    shown = looked_at.grey
    person = render_seen.PersonSeen(
        0, "near", (x1 - 0.5, y1 - 0.5, x2 - 0.5, y2 - 0.5), (0, 0, 0), (0, 0), 1.0
    )
    picture = render_seen.Picture(np.zeros((1, 1, 3), np.float32), (person,), ())
    placed = export_labels.Placed(drawn, (shown.shape[1], shown.shape[0]))
    (_, left, top, right, bottom), = export_labels.labels(picture, placed)
    rows, columns = np.flatnonzero((shown >= 250).any(1)), np.flatnonzero((shown >= 250).any(0))
    assert left == pytest.approx(columns[0], abs=1.6)
    assert right == pytest.approx(columns[-1] + 1, abs=1.6)
    assert top == pytest.approx(rows[0], abs=1.6)
    assert bottom == pytest.approx(rows[-1] + 1, abs=1.6)
    line, = export_labels.label_lines(np.array([[0, left, top, right, bottom]]), placed.out)
    x, y, w, h = (float(value) for value in line.split()[1:])
    assert ((x - w / 2) * placed.out[0], (y + h / 2) * placed.out[1]) == pytest.approx(
        (left, bottom), abs=0.01
    )


def test_a_ball_seen_by_its_colour_alone_is_not_lost():
    """Grey like the ground, but yellow."""
    yellow, box = moving_spot(120, ground=5)
    seen = [motion_picture.Moment(np.full_like(level, 90), level) for level in yellow]
    balls = [
        render_seen.BallSeen(0, (0, 0, 1), (20, 0, 0), (x, 49.5), box, 1.0, True)
        for x in (61.5, 73.5, 85.5)
    ]
    pictures = [
        render_seen.Picture(np.zeros((1, 1, 3), np.float32), (), (ball,)) for ball in balls
    ]
    placed = export_labels.Placed((160, 96), (160, 96))
    assert export_labels.lost_balls(pictures, placed, seen, seen) == set()
    grey = [motion_picture.Moment(moment.grey, moment.grey) for moment in seen]
    assert export_labels.lost_balls(pictures, placed, grey, grey) == {0}


def test_a_ball_that_is_left_counts_and_one_that_is_wiped_out_does_not():
    raw, box = moving_spot(60)
    gone, _ = moving_spot(0)
    half, _ = moving_spot(30)
    assert export_labels.remains(raw, raw, box, True) > 0.95
    assert export_labels.remains(raw, half, box, True) == pytest.approx(0.5, abs=0.05)
    # The bright line beside the ball is still there, the ball is not.
    assert export_labels.remains(raw, gone, box, True) < 0.05


def test_a_ball_at_the_edge_of_a_picture_a_row_lower_is_compared():
    raw, _ = moving_spot(60)
    lower = [picture[:51] for picture in raw]
    box = (72.0, 48.0, 75.0, 51.0)
    assert 0.9 < export_labels.remains(raw, lower, box, True) <= 1.0


def test_a_ball_without_contrast_counts_as_lost_even_before_compression():
    raw, box = moving_spot(2)
    assert export_labels.remains(raw, raw, box, True) < 0.5
    assert export_labels.remains(raw, [raw[1]] * 3, box, True) < export_labels.LEAST_LEFT


def test_starved_films_lose_balls_and_clean_ones_do_not(monkeypatch):
    monkeypatch.setattr(export_picture, "N_LOOKED_AT", 1)
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
            placed = export_labels.Placed(shot.size, (1280, 720))
            around = slice(shot.looked_at[0] - 1, shot.looked_at[0] + 2)
            raw, coded = (
                [motion_picture.moment(frame, 1280) for frame in frames[around]]
                for frames in (shot.raw, shot.frames)
            )
            lost[crf] += 0 in export_labels.lost_balls(shot.pictures[around], placed, raw, coded)
    assert lost[12] == 0
    assert lost[45] >= 2


def test_a_seed_that_cannot_be_drawn_costs_itself_alone(tmp_path, monkeypatch, caplog):
    def broken(request):
        raise ValueError("cannot convert float NaN to integer")

    monkeypatch.setattr(export, "training_frames", broken)
    request = export.Request(41, 3, str(tmp_path), "easy")
    assert export._work(request) == (41, 0)
    assert "seed 41" in caplog.text


def test_half_of_the_moments_are_between_points_with_a_ball_that_does_not_lie_still():
    rng = np.random.default_rng([4101, 80])
    studio = export.studio_of(4101, rng, "broadcast", export.WEIGHTS)
    balls = [studio.world.ball(0, studio.moment(rng)) for _ in range(200)]
    balls = [ball for ball in balls if ball is not None]
    assert len(balls) > 190
    assert 0.35 < np.mean([ball.live for ball in balls]) < 0.65
    assert not any(
        np.linalg.norm(ball.velocity_mps) < 0.5 and ball.position_m[2] < 0.06 and not ball.live
        for ball in balls
    )


@pytest.mark.parametrize(
    ("index", "height_m", "speed_mps", "live", "wanted"),
    [
        (0, 1.1, 0.0, False, True), (0, 0.03, 0.2, False, False), (0, 0.03, 0.2, True, True),
        (3, 1.1, 0.0, False, False), (3, 0.03, 2.0, False, True),
    ],
)
def test_balls_held_to_serve_are_labelled_and_balls_that_lie_about_are_not(
    index: int, height_m: float, speed_mps: float, live: bool, wanted: bool
):
    ball = render_seen.BallSeen(
        index, (0, 0, height_m), (speed_mps, 0, 0), (80.0, 50.0), (77.0, 47.0, 83.0, 53.0), 1.0,
        live,
    )
    picture = render_seen.Picture(np.zeros((1, 1, 3), np.float32), (), (ball,))
    found = export_labels.labels(picture, export_labels.Placed((160, 96), (160, 96)))
    assert (len(found) == 1) == wanted

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from rallymill import tables
from rallymill.stages import views
from rallymill.stages.base import MatchContext
from rallymill.stages.views import labels, motion
from tests.courtfit.pictures import Scene, broadcast_camera, draw
from tests.films import film

WIDTH, HEIGHT, RATE = 640, 360, 25


@lru_cache(maxsize=4)
def ground(seed: int = 1) -> np.ndarray:
    camera = broadcast_camera(np.random.default_rng(seed), WIDTH, HEIGHT)
    return draw(camera, Scene("hard", people=0, noise=0, seed=seed))


@lru_cache(maxsize=1)
def grain() -> np.ndarray:
    noise = np.random.default_rng(0).normal(0, 2, (HEIGHT + 64, WIDTH + 64, 3))
    return np.round(noise).astype(np.int16)


def wander(t_s: float, number: int) -> float:
    """A place between -1 and 1 that moves smoothly and never comes back the same way."""
    t_s = t_s / 1.6
    knots = [np.random.default_rng([number, int(t_s) + k]).uniform(-1, 1) for k in (0, 1)]
    share = 0.5 - 0.5 * np.cos(np.pi * (t_s - int(t_s)))
    return float(knots[0] + share * (knots[1] - knots[0]))


def noisy(image: np.ndarray, t_s: float) -> np.ndarray:
    """The picture with noise that differs from moment to moment."""
    y, x = np.random.default_rng(int(t_s * 1000)).integers(0, 64, 2)
    noise = grain()[y:y + HEIGHT, x:x + WIDTH]
    return cv2.add(image.astype(np.int16), noise).clip(0, 255).astype(np.uint8)


def live(t_s: float, seed: int = 1, score: bool = True) -> np.ndarray:
    """Main camera with two players who run about."""
    image = ground(seed).copy()
    places = (
        (320 + 150 * wander(t_s, 1), 285 + 15 * wander(t_s, 2), 34, (40, 40, 220)),
        (320 + 70 * wander(t_s, 3), 120 + 5 * wander(t_s, 4), 20, (230, 230, 60)),
    )
    for x, y, size, colour in places:
        cv2.ellipse(image, (int(x * 16), int(y * 16)), (size * 5, size * 16), 0, 0, 360, colour,
                    -1, cv2.LINE_AA, 4)
    if score:
        cv2.rectangle(image, (20, 24), (130, 54), (70, 30, 20), -1)
        cv2.putText(image, "15 30", (30, 46), cv2.FONT_HERSHEY_DUPLEX, 0.6, (240, 240, 240), 1)
    return noisy(image, t_s)


def elsewhere(t_s: float, seed: int = 5) -> np.ndarray:
    """A face or a crowd: something else, with soft shapes that move."""
    rng = np.random.default_rng(seed)
    cells = rng.integers(20, 220, (9, 16, 3), dtype=np.uint8)
    image = cv2.resize(cells, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    cv2.circle(image, (int(320 + 30 * np.sin(t_s)), 180), 110, (120, 150, 190), -1)
    return noisy(image, t_s)


def card(t_s: float) -> np.ndarray:
    image = np.full((HEIGHT, WIDTH, 3), (90, 40, 20), np.uint8)
    for row in range(4):
        cv2.putText(image, "POINTS WON  41", (150, 90 + 60 * row), cv2.FONT_HERSHEY_DUPLEX, 0.9,
                    (240, 240, 240), 1, cv2.LINE_AA)
    return image


def wiped(one: np.ndarray, two: np.ndarray, share: float) -> np.ndarray:
    out = one.copy()
    front = int(share * WIDTH)
    out[:, :front] = two[:, :front]
    out[:, max(0, front - 12):front + 12] = (60, 170, 200)
    return out


@dataclass
class Cutter:
    """Makes a film from stretches and remembers where each begins."""

    images: list[np.ndarray]
    starts: list[int]

    def add(self, made: list[np.ndarray]) -> None:
        self.starts.append(len(self.images))
        self.images += made


def shoot(path: Path, parts: list[list[np.ndarray]]) -> tuple[list[int], list[dict]]:
    cutter = Cutter([], [])
    for part in parts:
        cutter.add(part)
    film(path, n=len(cutter.images), rate=RATE, size=(WIDTH, HEIGHT), images=cutter.images)
    match = MatchContext("m", path)
    rows = views.STAGE.run(match, {}, views.ViewsConfig()).to_pylist()
    # Whatever the film: every frame belongs to exactly one span.
    assert rows[0]["first_frame"] == 0
    assert rows[-1]["last_frame"] == len(cutter.images) - 1
    for one, two in pairwise(rows):
        assert two["first_frame"] == one["last_frame"] + 1
        assert two["start_s"] == pytest.approx(one["end_s"])
    return cutter.starts, rows


def run(source, start_s: float, seconds: float, speed: float = 1.0) -> list[np.ndarray]:
    return [source(start_s + speed * i / RATE) for i in range(round(seconds * RATE))]


def test_no_frames_no_spans():
    assert motion.pieces(motion.Changes()) == []
    assert labels.label_all(motion.Changes(), [], [], {}) == []
    assert views.views_table("m", motion.Changes(), []).num_rows == 0


def test_one_fixed_shot_is_one_main_span(tmp_path):
    _, rows = shoot(tmp_path / "a.mp4", [run(live, 0, 3)])
    assert [row["label"] for row in rows] == ["main"]


def test_hard_cuts_are_exact_and_labelled(tmp_path):
    starts, rows = shoot(tmp_path / "a.mp4", [
        run(card, 0, 1.5), run(live, 0, 2), run(elsewhere, 0, 1.5), run(live, 10, 2),
    ])
    assert [row["label"] for row in rows] == ["graphic", "main", "other", "main"]
    assert [row["first_frame"] for row in rows] == starts


def test_a_cut_between_two_moments_of_the_same_camera(tmp_path):
    starts, rows = shoot(tmp_path / "a.mp4", [run(live, 0.0, 3), run(live, 7.3, 3)])
    assert [row["label"] for row in rows] == ["main", "main"]
    assert rows[1]["first_frame"] == starts[1]


def test_a_flash_is_no_cut(tmp_path):
    images = run(live, 0, 3)
    images[50] = np.clip(images[50].astype(int) + 70, 0, 255).astype(np.uint8)
    _, rows = shoot(tmp_path / "a.mp4", [images])
    assert len(rows) == 1


def test_slow_replay_from_the_main_camera_behind_wipes(tmp_path):
    before, after = run(live, 0, 4), run(live, 20, 2)
    slow = run(lambda t: live(t, score=False), 1.5, 4, speed=0.4)
    length = 10
    for i in range(length):
        share = (i + 0.5) / length
        slow[i] = wiped(live(4 + i / RATE), slow[i], share)
        slow[-1 - i] = wiped(slow[-1 - i], live(19.6 + (length - i) / RATE), 1 - share)
    starts, rows = shoot(tmp_path / "a.mp4", [before, slow, after])
    assert [row["label"] for row in rows] == ["main", "replay", "main"]
    # No frame of the wipes may pass for live play; a frame of it may look unwiped.
    assert abs(rows[1]["first_frame"] - starts[1]) <= 3
    assert abs(rows[2]["first_frame"] - starts[2]) <= 3


def test_replay_after_a_bare_cut_is_known_by_its_content(tmp_path):
    slow = run(lambda t: live(t, score=False), 1.5, 5, speed=0.35)
    _, rows = shoot(tmp_path / "a.mp4", [
        run(live, 0, 4), run(elsewhere, 0, 1.2), slow, run(live, 30, 2),
    ])
    assert [row["label"] for row in rows] == ["main", "other", "replay", "main"]
    assert "again at 0.3" in rows[2]["reason"]


@pytest.mark.parametrize("speed", [0.4, 0.6])
def test_replay_that_dissolves_in_and_out_of_the_same_camera(tmp_path, speed):
    # No cut to see, and nothing but the players changes: its content alone gives it away.
    before, after = run(live, 0, 6), run(live, 20, 5)
    slow = run(live, 1.5, 6, speed=speed)
    for i in range(8):
        share = (i + 0.5) / 8
        slow[i] = cv2.addWeighted(before[-1], 1 - share, slow[i], share, 0)
        slow[-1 - i] = cv2.addWeighted(after[0], 1 - share, slow[-1 - i], share, 0)
    starts, rows = shoot(tmp_path / "a.mp4", [before, slow, after])
    assert [row["label"] for row in rows] == ["main", "replay", "main"]
    assert abs(rows[1]["first_frame"] - starts[1]) <= 5
    assert abs(rows[2]["first_frame"] - starts[2]) <= 5


def test_recording_without_a_court(tmp_path):
    _, rows = shoot(tmp_path / "a.mp4", [run(elsewhere, 0, 3)])
    assert {row["label"] for row in rows} <= {"other", "graphic"}


def test_fade_is_never_live(tmp_path):
    one, two = run(live, 0, 2), run(elsewhere, 0, 2)
    blend = [
        cv2.addWeighted(one[-1], 1 - (i + 1) / 16, two[0], (i + 1) / 16, 0) for i in range(15)
    ]
    starts, rows = shoot(tmp_path / "a.mp4", [one, blend + two])
    assert rows[0]["label"] == "main"
    assert abs(rows[0]["last_frame"] - (starts[1] - 1)) <= 3
    assert all(row["label"] != "main" for row in rows[1:])


@pytest.mark.parametrize(("short_s", "expected"), [(1.0, "replay"), (3.0, "main")])
def test_a_moment_between_a_replay_and_a_wipe_is_the_replay_still(short_s, expected):
    changes = motion.Changes()
    rng = np.random.default_rng(1)
    ends = np.cumsum([4.0, 3.0, short_s, 0.4, 4.0])
    for k in range(int(ends[-1] * RATE)):
        changes.add(k / RATE, rng.integers(0, 255, (27, 48, 3), dtype=np.uint8))
    frames = [0, *(int(end * RATE) for end in ends)]
    spans = [
        labels.Span(a, b - 1, label, 0.9, "", transition, transition)
        for a, b, (label, transition) in zip(frames, frames[1:], [
            ("main", False), ("replay", False), ("main", False), ("other", True), ("main", False)
        ], strict=False)
    ]
    done = spans[:2]
    assert labels._replay_or_not(changes, spans, 2, spans[2], done).label == expected


def test_main_place_is_that_of_the_most_probes():
    from rallymill.camera import Camera
    from rallymill.stages.views.probing import Probe

    def probe(number: int, y: float) -> Probe:
        camera = Camera.looking_at([0, y, 9], [0, 0, 0], 1000, 640, 360)
        return Probe(number, number / 25, camera)

    probes = [probe(i, -30 - 0.1 * i) for i in range(5)] + [probe(9, -16.0)]
    place = labels.main_place(probes)
    assert place is not None
    assert place[1] == pytest.approx(-30.2)
    assert labels.main_place([]) is None


@pytest.mark.parametrize("near", [False, True])
def test_a_picture_in_which_a_court_all_but_was_is_searched_again(near, monkeypatch):
    from rallymill.courtfit import lock
    from rallymill.stages.views.probing import Prober

    searches = []

    def search(image: np.ndarray) -> lock.NotFound:
        searches.append(image)
        return lock.NotFound("too little of its net", near)

    monkeypatch.setattr(lock, "lock", search)
    prober = Prober()
    image = ground()
    for number in range(3):
        prober.probe(number, 0.6 * number, image, image[::8, ::8])
    assert len(searches) == (3 if near else 1)


def test_a_starved_encoder_or_a_change_of_light_cuts_nothing():
    def step(change: np.ndarray) -> list[int]:
        changes = motion.Changes()
        still = np.random.default_rng(0).integers(40, 200, (27, 48, 3)).astype(np.uint8)
        for k in range(60):
            picture = still.astype(int) + (change if k >= 30 else 0)
            changes.add(k / RATE, picture.clip(0, 255).astype(np.uint8))
        return motion.hard_cuts(changes)

    one = np.zeros((27, 48, 1), int)
    one[14:24, 20:23] = 40
    two = one.copy()
    two[6:9, 34:36] = 60
    assert step(np.full((27, 48, 1), 3)) == []
    assert step(one) == []
    assert step(two) == [30]


def test_table_follows_its_schema(tmp_path):
    _, rows = shoot(tmp_path / "a.mp4", [run(live, 0, 2)])
    assert set(rows[0]) == set(tables.VIEWS.names())

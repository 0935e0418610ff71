"""A pass over a recording that is killed goes on where it was and changes no row."""

from __future__ import annotations

import json
import logging

import numpy as np
import pytest

from rallymill.stages import views
from rallymill.stages.base import Execution, MatchContext
from rallymill.stages.views import motion, reading
from rallymill.stages.views.reading import Reading, Shelf
from rallymill.video import Frame
from tests.films import film
from tests.stages.test_views import HEIGHT, RATE, WIDTH, elsewhere, live, run, wiped

CHUNK_FRAMES = 6


class Killed(BaseException):
    """As if the process ended there."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Play, a slowed replay between wipes, play, something else, and the rows of its views."""
    before, after = run(live, 0, 3.6), run(live, 20, 2)
    slow = run(lambda t: live(t, score=False), 1.5, 4, speed=0.4)
    for i in range(10):
        slow[i] = wiped(before[-1], slow[i], (i + 1) / 11)
        slow[-1 - i] = wiped(slow[-1 - i], after[0], 1 - (i + 1) / 11)
    images = [*before, *slow, *after, *run(elsewhere, 0, 1.0)]
    path = tmp_path_factory.mktemp("shown") / "film.mp4"
    film(path, n=len(images), rate=RATE, size=(WIDTH, HEIGHT), images=images)
    rows = views.STAGE.run(MatchContext("m", path), {}, views.ViewsConfig())
    assert set(rows["label"].to_pylist()) == {"main", "replay", "other"}
    return path, len(images), rows


def read(path, scratch):
    match = MatchContext("m", path, scratch=scratch,
                         execution=Execution(chunk_frames=CHUNK_FRAMES))  # fmt: skip
    return views.STAGE.run(match, {}, views.ViewsConfig())


def test_a_kill_after_every_chunk_changes_no_row(shown, tmp_path, monkeypatch):
    path, n_frames, whole = shown
    taken = []
    take, put = Reading.take, Shelf.put
    monkeypatch.setattr(
        Reading, "take", lambda self, frame: taken.append(frame.index) or take(self, frame)
    )

    def put_and_die(self, now):
        put(self, now)
        raise Killed

    n_kills = n_frames // (views.CHUNKS * CHUNK_FRAMES)
    assert n_kills >= 5
    with monkeypatch.context() as patch:
        patch.setattr(Shelf, "put", put_and_die)
        for _ in range(n_kills):
            with pytest.raises(Killed):
                read(path, tmp_path)
    assert read(path, tmp_path).equals(whole)
    assert taken == list(range(n_frames))


@pytest.mark.parametrize("harm", ["half", "other", "gone", "none"])
def test_what_is_not_whole_is_not_used(tmp_path, caplog, harm):
    shelf, now = Shelf(tmp_path), Reading()
    for index, image in enumerate(run(live, 0, 0.8)):
        now.take(Frame(index, index / RATE, image))
        if index in (9, 19):
            shelf.put(now)
    (first, _), carried = sorted(tmp_path.glob("reading*.npz")), tmp_path / reading.CARRIED
    if harm == "half":
        carried.write_bytes(carried.read_bytes()[:-4000])
    elif harm == "other":
        said = json.dumps({"kind": "Popen", "of": {"args": "true"}}).encode()
        np.savez(carried, said=np.frombuffer(said, np.uint8))
    elif harm == "gone":
        first.unlink()
    with caplog.at_level(logging.WARNING):
        again = Shelf(tmp_path).take()
    assert again.n_frames == (20 if harm == "none" else 0)
    assert ("is not used" in caplog.text) == (harm != "none")
    if harm == "none":
        assert again.changes.step == now.changes.step
        assert np.array_equal(again.changes.rows, now.changes.rows)


def test_settled_changes_say_the_same():
    changes = motion.Changes()
    rng = np.random.default_rng(0)
    for k in range(80):
        low, high = (0, 60) if k < 40 else (150, 255)
        changes.add(k / RATE, rng.integers(low, high, (27, 48, 3), dtype=np.uint8))
    settled = changes.settled()
    assert motion.pieces(settled) == motion.pieces(changes) != []
    assert np.array_equal(settled.kept[3], changes.kept[3])
    assert motion.pieces(motion.Changes().settled()) == []

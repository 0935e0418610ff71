"""Checkpoints of the detect stage: borders change nothing, a kill costs one chunk."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from films import film
from rallymill import motion_picture, tableio, tables
from rallymill.runner.rowhash import rows_hash
from rallymill.stages import detect
from rallymill.stages.base import Execution, MatchContext
from rallymill.stages.checkpoints import Checkpoints, chunks
from rallymill.stages.detect_balls import BallLook
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_hops import HopLook
from rallymill.stages.detect_networks import DetectConfig, Networks, Picture

N_FRAMES = 64
VIEWS = ((3, 30, "main"), (31, 40, "other"), (41, 62, "main"))


class Killed(Exception):
    pass


class Network:
    """Stands for the detector: a box whose place and size tell of the moments seen."""

    def __init__(self, dies_at: int = -1) -> None:
        self.seen = 0
        self.calls: list[int] = []
        self.dies_at = dies_at

    def __call__(self, pictures: list[Picture]) -> list[list[Box]]:
        self.calls.append(len(pictures))
        found = []
        for picture in pictures:
            if self.seen == self.dies_at:
                raise Killed
            self.seen += 1
            first, before, at, after, last = (_bar(grey) for grey in greys_of(picture))
            box = Box("ball", at, before, at + 1, after, 0.5)
            person = Box("player", first, at, last, at + 1, 0.9)
            found.append([box, person])
        return found


def greys_of(picture: np.ndarray) -> list[np.ndarray]:
    """The grey levels of the five moments, back from their differences from the median.

    Exact up to a constant, which the middle moment tells, where no difference is cut off.
    """
    if picture.shape[2] == 3:
        return [picture[..., k] for k in (0, 0, 1, 2, 2)]
    still = picture[..., 5].astype(float) - (picture[..., 2].astype(float) - 128)
    return [still + picture[..., k] - 128 for k in range(5)]


def _bar(grey: np.ndarray) -> float:
    """Left edge of the white bar in a picture of the film."""
    return float(np.argmax(grey[124:148].mean(0) > 150))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film(tmp_path_factory.mktemp("film") / "a.mp4", n=N_FRAMES, rate=50)


def views_table(views=VIEWS):
    return tableio.from_rows(
        tables.VIEWS,
        [
            {"match_id": "m", "view_id": k, "first_frame": first, "last_frame": last,
             "start_s": first / 50, "end_s": (last + 1) / 50, "label": label}
            for k, (first, last, label) in enumerate(views)
        ],
    )  # fmt: skip


def run(recording, monkeypatch, network, scratch=None, chunk_frames=250, batch=4, views=VIEWS,
        channels=8, threads=1, alone=False, ball_look=None):
    networks = Networks(network, ball_look, alone=alone)
    monkeypatch.setattr(detect, "load_networks", lambda *given: networks)
    execution = Execution(batch=batch, chunk_frames=chunk_frames, threads=threads)
    shares: list[float] = []
    match = MatchContext("m", recording, scratch=scratch, execution=execution,
                         progress=shares.append)  # fmt: skip
    monkeypatch.setattr(motion_picture, "INPUT_SIZE", (240, 320))
    inputs = {"views": views_table(views), "frames": tables.FRAMES.empty()}
    config = DetectConfig(channels=channels, input_width_px=320, second_opinion=None,
                          follow_ball=ball_look is not None)  # fmt: skip
    table = detect.STAGE.run(match, inputs, config)
    assert shares == sorted(shares) and shares[-1] == 1.0
    return table


def test_every_frame_of_main_views_is_looked_at_once_with_its_neighbours(recording, monkeypatch):
    network = Network()
    table = run(recording, monkeypatch, network)
    assert network.seen == 28 + 22
    rows = table.to_pylist()
    balls = [row for row in rows if row["label"] == "ball"]
    people = {row["frame"]: row for row in rows if row["label"] == "player"}
    assert [row["frame"] for row in balls] == [*range(3, 31), *range(41, 63)]
    for row in balls:
        first, last = (3, 30) if row["frame"] <= 30 else (41, 62)
        # At 50 frames a second the moments are two frames apart; the bar moves 4 px a frame.
        at = row["frame"]
        places = [at + k if first <= at + k <= last else at for k in (-4, -2, 0, 2, 4)]
        far = people[at]
        seen = [far["x1_px"], row["y1_px"], row["x1_px"], row["y2_px"], far["x2_px"]]
        want = [4 * frame % 160 for frame in places]
        assert np.abs(np.array(seen) - want).max() <= 1.0


def test_weights_of_three_channels_look_at_three_moments(recording, monkeypatch):
    eight, three = (run(recording, monkeypatch, Network(), channels=n) for n in (8, 3))
    balls = [
        {row["frame"]: row for row in table.to_pylist() if row["label"] == "ball"}
        for table in (eight, three)
    ]
    assert balls[0].keys() == balls[1].keys()
    for frame, row in balls[0].items():
        for name in ("x1_px", "y1_px", "y2_px"):
            assert row[name] == pytest.approx(balls[1][frame][name], abs=1.0)


@pytest.mark.parametrize("chunk_frames", [1, 2, 3, 7, 22, 28, 100])
def test_borders_of_chunks_change_nothing(recording, monkeypatch, tmp_path, chunk_frames):
    whole = run(recording, monkeypatch, Network())
    cut = run(recording, monkeypatch, Network(), tmp_path, chunk_frames)
    assert rows_hash(cut) == rows_hash(whole)
    assert cut.equals(whole)


class Blinking(Network):
    """Sees the ball in two frames of three."""

    def __call__(self, pictures: list[Picture]) -> list[list[Box]]:
        found = super().__call__(pictures)
        return [
            boxes if int(boxes[0].x1_px) // 4 % 3 else boxes[1:] for boxes in found
        ]


class Look:
    """Takes what it is shown for the ball, and what it is asked for as well, less surely."""

    def looked_together(self, around, boxes):
        return [list(those) for those in boxes]

    def asked(self, moments, matrices, places_px, sizes_px):
        x, y = places_px[0]
        return [Box("ball", x, y, x + 1, y + 1, 0.45)]


def test_of_no_frames_nothing_is_asked() -> None:
    networks = Networks(lambda pictures: [], BallLook(lambda *_: 1 / 0), HopLook(lambda _: 1 / 0))
    assert networks.boxes([], DetectConfig()) == []


@pytest.mark.parametrize("chunk_frames", [1, 20, 100])
def test_the_ball_is_followed_across_frames_and_chunks_change_nothing(
    recording, monkeypatch, tmp_path, chunk_frames
):
    monkeypatch.setattr(detect, "GROUP_S", 0.4)
    blinking = run(recording, monkeypatch, Blinking()).to_pandas()
    whole = run(recording, monkeypatch, Blinking(), ball_look=Look())
    rows = whole.to_pandas()
    balls = rows[rows.label == "ball"]
    seen = blinking[blinking.label == "ball"]
    assert set(seen.frame) < set(balls.frame)
    # Of what was missed in the middle of a group, all is asked for.
    missed = {f for f in range(6, 20)} - set(seen.frame)
    assert missed and missed <= set(balls[balls.confidence < 0.48].frame)
    cut = run(
        recording, monkeypatch, Blinking(), tmp_path, chunk_frames, ball_look=Look()
    )
    assert cut.equals(whole)
    assert len(list(tmp_path.iterdir())) == (4 if chunk_frames < 100 else 2)


class Restless(Network):
    """Takes longer for some frames than for those after them."""

    def __call__(self, pictures):
        first = float(pictures[0].sum())
        time.sleep(0.02 * (first % 3 == 0))
        return super().__call__(pictures)


@pytest.mark.parametrize("alone", [False, True])
def test_threads_change_nothing(recording, monkeypatch, tmp_path, alone):
    whole = run(recording, monkeypatch, Network())
    network = Restless()
    shared = run(recording, monkeypatch, network, tmp_path, 9, threads=4, alone=alone)
    assert shared.equals(whole)
    assert max(network.calls) == (1 if alone else 4)
    assert sum(network.calls) == 50


@pytest.mark.parametrize(("chunk_frames", "dies_at"), [(7, 0), (7, 13), (7, 33), (3, 26), (1, 49)])
def test_a_kill_costs_at_most_one_chunk(
    recording, monkeypatch, tmp_path, chunk_frames, dies_at
):
    whole = run(recording, monkeypatch, Network())
    with pytest.raises(Killed):
        run(recording, monkeypatch, Network(dies_at), tmp_path, chunk_frames)
    stamps = {path: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    again = Network()
    resumed = run(recording, monkeypatch, again, tmp_path, chunk_frames)
    assert resumed.equals(whole)
    assert 50 - dies_at <= again.seen < 50 - dies_at + chunk_frames
    assert all(path.stat().st_mtime_ns == stamp for path, stamp in stamps.items())


def test_nothing_is_loaded_when_all_chunks_are_there(recording, monkeypatch, tmp_path):
    whole = run(recording, monkeypatch, Network(), tmp_path, 9)
    network = Network()
    assert run(recording, monkeypatch, network, tmp_path, 9).equals(whole)
    assert network.calls == []


@settings(max_examples=12, deadline=None)
@given(lost=st.sets(st.integers(0, 12), min_size=1))
def test_any_lost_chunks_are_made_again_and_no_others(recording, tmp_path_factory, lost):
    scratch = tmp_path_factory.mktemp("scratch")
    with pytest.MonkeyPatch.context() as patch:
        whole = run(recording, patch, Network(), scratch, 4)
        files = sorted(scratch.iterdir())
        assert len(files) == 13
        gone = [files[k] for k in lost]
        n_rows = sum(tableio.read(path, tables.DETECTIONS).num_rows for path in gone)
        for path in gone:
            path.unlink()
        network = Network()
        assert run(recording, patch, network, scratch, 4).equals(whole)
        # Two boxes a frame: only the frames of lost chunks are looked at.
        assert network.seen == n_rows / 2


def test_a_torn_chunk_is_made_again(recording, monkeypatch, tmp_path, caplog):
    whole = run(recording, monkeypatch, Network(), tmp_path, 9)
    torn = sorted(tmp_path.iterdir())[1]
    torn.write_bytes(torn.read_bytes()[:-30])
    network = Network()
    assert run(recording, monkeypatch, network, tmp_path, 9).equals(whole)
    assert network.seen == 9
    assert "is not used" in caplog.text


def test_views_that_touch_are_not_looked_at_across(recording, monkeypatch, tmp_path):
    views = ((0, 9, "main"), (10, 19, "main"))
    whole = run(recording, monkeypatch, Network(), views=views)
    apart = [
        run(recording, monkeypatch, Network(), views=(view,)).to_pylist() for view in views
    ]
    assert whole.to_pylist() == apart[0] + apart[1]
    assert run(recording, monkeypatch, Network(), tmp_path, 3, views=views).equals(whole)


def test_batches_end_with_a_chunk(recording, monkeypatch, tmp_path):
    network = Network()
    run(recording, monkeypatch, network, tmp_path, 10, batch=4)
    assert network.calls == [4, 4, 2, 4, 4, 2, 4, 4, 4, 4, 2, 4, 4, 2, 2]


def test_a_view_longer_than_the_recording_ends_with_it(recording, monkeypatch, tmp_path):
    views = ((50, 90, "main"),)
    found = run(recording, monkeypatch, Network(), tmp_path, 10, views=views)
    assert sorted(set(found["frame"].to_pylist())) == list(range(50, N_FRAMES))


def test_chunks_cover_a_view_once():
    assert chunks(5, 4, 10) == []
    cut = chunks(5, 31, 10)
    assert [(chunk.first, chunk.last) for chunk in cut] == [(5, 14), (15, 24), (25, 31)]
    assert cut[0].with_neighbours(2) == (5, 16)
    assert cut[2].with_neighbours(2) == (23, 31)


def test_without_a_folder_nothing_is_kept():
    kept = Checkpoints(None, tables.DETECTIONS)
    kept.keep("a", tables.DETECTIONS.empty())
    assert kept.read("a") is None

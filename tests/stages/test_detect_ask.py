"""When the second people network is asked, where it looks, and what is kept of its answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from films import film
from rallymill import tableio, tables
from rallymill.camera import Camera
from rallymill.stages import detect
from rallymill.stages import detect_ask as ask
from rallymill.stages.base import Execution, MatchContext
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import DetectConfig, Networks

SIZE = (480, 270)
CAMERA = Camera.looking_at((0.0, -24.0, 9.0), (0.0, -1.0, 0.0), 435.0, *SIZE)


def standing(x_m: float, y_m: float, tall_m: float = 1.8) -> tuple[float, float, float, float]:
    """Box of somebody at a place, from the picture's corner."""
    foot, head = CAMERA.project([[x_m, y_m, 0.0], [x_m, y_m, tall_m]]) + 0.5
    half = 0.2 * (foot[1] - head[1])
    return foot[0] - half, head[1], foot[0] + half, foot[1]


def player(x_m: float, y_m: float, confidence: float = 0.9) -> Box:
    return Box("player", *standing(x_m, y_m), confidence)


class Photographer:
    """Stands for the second network: sees all who stand there, within where it looks."""

    def __init__(self, *people: tuple[float, ...]) -> None:
        self.there = [(*standing(*who[:2], *who[3:]), who[2]) for who in people]
        self.looks: list[tuple[ask.Region, tuple[float, float]]] = []

    def people(self, image, region, tall_px, least):
        self.looks.append((region, tall_px))
        inside = [
            who for who in self.there
            if region[0] <= who[0] and region[1] <= who[1] and who[2] <= region[2]
            and who[3] <= region[3] and who[4] >= least
        ]
        return np.array(inside).reshape(-1, 5)


def asker(network: Photographer) -> ask.Asker:
    return ask.Asker(ask.Second(lambda: network, 0.35, 0.8))  # type: ignore[arg-type, return-value]


RHYTHM = ask.Rhythm(100, 10, 3)
IMAGE = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)


def completed(who: ask.Asker, frame: int, boxes: list[Box], camera=CAMERA) -> list[Box]:
    return who.completed(RHYTHM, frame, IMAGE, camera, boxes, 1.0)


def test_nobody_is_asked_where_both_halves_have_players() -> None:
    network = Photographer((0.0, 11.0, 0.9))
    boxes = [player(1.0, -12.0), player(-2.0, 12.5), Box("ball", 5, 5, 9, 9, 0.9)]
    assert completed(asker(network), 100, boxes) == boxes
    assert network.looks == []


def test_a_half_without_a_player_is_looked_at_and_the_other_is_not() -> None:
    network = Photographer((-2.0, 12.5, 0.7), (1.0, -12.0, 0.9))
    boxes = [player(1.0, -12.0)]
    found = completed(asker(network), 100, boxes)
    assert len(network.looks) == 1
    assert found[:1] == boxes and len(found) == 2
    added = found[1]
    assert added.label == "player" and added.confidence == pytest.approx(0.8 * 0.7)
    assert (added.x1_px, added.y2_px) == pytest.approx(standing(-2.0, 12.5)[::3], abs=1e-6)
    # Small people: smallest are those behind the far baseline, tallest those at the net.
    small, tall = network.looks[0][1]
    assert small < standing(0, 12)[3] - standing(0, 12)[1] < tall


@pytest.mark.parametrize(
    ("who", "counts"),
    [
        (player(0.0, 12.0), True), (player(5.0, 8.0), True), (player(0.0, 12.0, 0.3), False),
        (player(0.0, 17.5), False), (player(6.4, 0.5), False), (player(-8.0, 9.0), False),
        (Box("ball", *standing(0.0, 12.0), 0.9), False),
    ],
)  # fmt: skip
def test_only_somebody_sure_who_has_to_be_a_player_counts(who: Box, counts: bool) -> None:
    network = Photographer()
    completed(asker(network), 100, [player(0.0, -12.0), who])
    assert len(network.looks) == (0 if counts else 1)


def test_spectators_officials_at_the_net_and_dwarfs_are_not_added() -> None:
    network = Photographer(
        (9.9, 9.0, 0.9), (0.0, 19.5, 0.9), (6.4, 0.8, 0.9), (1.0, 10.0, 0.9, 0.5),
        (1.0, 6.0, 0.9, 3.2), (0.0, -10.0, 0.9), (3.0, 12.0, 0.36),
    )  # fmt: skip
    found = completed(asker(network), 100, [player(0.0, -12.0)])
    assert len(found) == 2
    assert found[1].confidence == pytest.approx(0.8 * 0.36)


def test_a_weak_box_of_ours_becomes_as_sure_as_the_second_opinion_and_stays_one() -> None:
    weak = player(0.0, 12.0, 0.25)
    found = completed(asker(Photographer((0.05, 12.05, 0.7))), 100, [player(0.0, -12.0), weak])
    assert len(found) == 2
    assert found[1].confidence == pytest.approx(0.56)
    assert (found[1].x1_px, found[1].y1_px) == (weak.x1_px, weak.y1_px)


def test_the_scale_of_the_boxes_is_that_of_the_looked_at_picture() -> None:
    network = Photographer((-2.0, 12.5, 0.7))
    ours = player(1.0, -12.0)
    large = Box("player", *(4 * v for v in standing(1.0, -12.0)), 0.9)
    found = asker(network).completed(RHYTHM, 100, IMAGE, CAMERA, [large], 0.25)
    assert len(network.looks) == 1 and found[0] == large != ours
    assert found[1].x1_px == pytest.approx(4 * standing(-2.0, 12.5)[0])


def test_within_a_block_it_follows_whom_it_saw_at_its_beginning_only() -> None:
    network = Photographer((-2.0, 12.5, 0.7))
    who = asker(network)
    near = [player(1.0, -12.0)]
    assert len(completed(who, 103, near)) == 1 and network.looks == []  # no beginning was seen
    assert len(completed(who, 110, near)) == 2
    assert len(completed(who, 113, near)) == 2
    whole, around = (one[0] for one in network.looks)
    assert around[2] - around[0] < 0.5 * (whole[2] - whole[0])
    assert completed(who, 117, [*near, player(-2.0, 12.4)])[1].confidence == 0.9
    assert len(network.looks) == 2
    network.there.clear()
    assert len(completed(who, 120, near)) == 1
    assert len(completed(who, 123, near)) == 1
    assert len(network.looks) == 3


def test_an_official_whom_we_see_ourselves_is_not_followed() -> None:
    judge = player(0.0, 17.0)
    network = Photographer((0.0, 17.0, 0.9))
    who = asker(network)
    boxes = [player(1.0, -12.0), judge]
    assert completed(who, 110, boxes) == boxes
    assert completed(who, 113, boxes) == boxes
    assert len(network.looks) == 1


def test_without_a_camera_nobody_is_asked() -> None:
    network = Photographer((-2.0, 12.5, 0.7))
    assert completed(asker(network), 100, [], None) == []
    assert network.looks == []


def test_a_half_that_the_picture_does_not_show_is_not_looked_at() -> None:
    camera = Camera.looking_at((0.0, -1.0, 3.0), (0.0, 12.0, 1.0), 500.0, *SIZE)
    assert ask.place_of_half(camera, 1.0) is not None
    assert ask.place_of_half(camera, -1.0) is None


@given(first=st.integers(0, 500), block=st.integers(1, 40), looks=st.integers(1, 9),
       most=st.integers(1, 300))  # fmt: skip
def test_looks_are_the_same_in_every_block_and_chunks_hold_whole_blocks(
    first: int, block: int, looks: int, most: int
) -> None:
    rhythm = ask.Rhythm.of_view(first, 0.01, 0.01 * block, looks)
    assert rhythm.block == block
    each = [
        [k for k in range(block) if rhythm.may_look(first + n * block + k)] for n in range(3)
    ]
    assert each[0] == each[1] == each[2]
    assert len(each[0]) == min(looks, block) and each[0][0] == 0
    assert rhythm.begins(first + block) and (block == 1 or not rhythm.begins(first + 1))
    chunk = rhythm.whole_blocks(most)
    assert chunk % block == 0 and (chunk <= most < chunk + block or chunk == block > most)


class Network:
    """Stands for our own network: the near player always, the far one where a frame says so."""

    def __call__(self, pictures):
        found = []
        for picture in pictures:
            at = round(float(picture[:40, :40, 1].mean()) / 4)
            boxes = [player(1.0, -12.0)]
            if at % 25 in (1, 2, 3, 10):
                boxes.append(player(-2.0, 12.5, 0.8))
            found.append(boxes)
        return found


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Frames whose top left tells their number."""
    images = []
    for k in range(56):
        image = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        image[:60, :60] = 4 * k
        images.append(image)
    return film(tmp_path_factory.mktemp("film") / "a.mp4", rate=25, size=SIZE, images=images)


class Follower(Photographer):
    """A photographer whose answer depends on the picture, and who may not be there at all."""

    def people(self, image, region, tall_px, least):
        found = super().people(image, region, tall_px, least)
        level = float(image[:40, :40].mean()) / 4
        found[:, 4] -= 0.002 * level
        return found if int(level) % 4 != 2 else found[:0]


def run(recording: Path, scratch: Path | None, chunk_frames: int, batch: int, monkeypatch,
        **options):  # fmt: skip
    network = Follower((-2.0, 12.5, 0.7))
    monkeypatch.setattr(detect, "load_networks", lambda *given: Networks(Network()))
    monkeypatch.setattr(detect.detect_second, "load", lambda *given: network)
    views = tableio.from_rows(tables.VIEWS, [
        {"match_id": "m", "view_id": 0, "first_frame": 4, "last_frame": 54, "start_s": 4 / 25,
         "end_s": 55 / 25, "label": "main"}
    ])
    frames = tableio.from_rows(tables.FRAMES, [
        {"match_id": "m", "frame": k, "t_s": k / 25, "view_id": 0, "court_status": "found",
         "camera": CAMERA.matrix.ravel().tolist(), "k1": 0.0, "width_px": SIZE[0],
         "height_px": SIZE[1], "position_sd_m": 0.01}
        for k in range(4, 55) if k != 34
    ])
    match = MatchContext("m", recording, scratch=scratch,
                         execution=Execution(batch=batch, chunk_frames=chunk_frames))
    config = DetectConfig(input_width_px=SIZE[0], follow_ball=False, **options)
    frames = frames.select(list(detect.STAGE.columns["frames"]))
    return detect.STAGE.run(match, {"views": views, "frames": frames}, config), network


def test_the_stage_adds_what_is_missing_and_chunks_change_nothing(
    recording, tmp_path, monkeypatch
) -> None:
    whole, network = run(recording, None, 250, 8, monkeypatch)
    rows = whole.to_pandas()
    added = sorted(rows[(rows.confidence < 0.75)].frame)
    # Blocks begin with 4, 14, 24 and so on; the far player is ours in 1-3 and 10 of each 25.
    may = [4 + n + k for n in (0, 10, 20, 30, 40, 50) for k in (0, 3, 7)]
    assert added and set(added) <= set(may)
    begun = {f for f in added if (f - 4) % 10 == 0}
    assert all(f - (f - 4) % 10 in begun for f in added)
    assert 34 not in added and not {1, 2, 3, 10} & {f % 25 for f in added}
    assert len(network.looks) < len(may)
    assert rows.groupby("frame").size().max() == 2
    for chunk_frames, batch in ((1, 8), (13, 3), (20, 8)):
        scratch = tmp_path / f"{chunk_frames}"
        scratch.mkdir()
        assert run(recording, scratch, chunk_frames, batch, monkeypatch)[0].equals(whole)
        kept = sorted(scratch.iterdir())
        assert len(kept) == {1: 6, 13: 6, 20: 3}[chunk_frames]
        kept[1].unlink()
        again, network = run(recording, scratch, chunk_frames, batch, monkeypatch)
        assert again.equals(whole)


def test_switched_off_nobody_is_asked_and_no_weights_are_named(recording, monkeypatch) -> None:
    table, network = run(recording, None, 250, 8, monkeypatch, second_opinion=False)
    assert network.looks == []
    assert min(table["confidence"].to_pylist()) == pytest.approx(0.8)
    on, off = DetectConfig(), DetectConfig(second_opinion=None)
    assert set(detect.STAGE.model_files(on)) - set(detect.STAGE.model_files(off)) == {
        "people_second/nanodet.onnx"
    }

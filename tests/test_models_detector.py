"""How the detector is trained: boxes stay on what they bound, it learns, its weights are read."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

MODELS = Path(__file__).resolve().parents[1] / "models"
sys.path[:0] = [str(MODELS / "detector"), str(MODELS)]
fit = pytest.importorskip("fit")


def bright_square(x: int, y: int, side: int) -> tuple[torch.Tensor, torch.Tensor]:
    picture = torch.full((1, 3, fit.TILE_PX, fit.TILE_PX), 60, dtype=torch.uint8)
    picture[:, :, y : y + side, x : x + side] = 250
    boxes = torch.full((1, fit.MOST_BOXES, 5), fit.NO_BOX)
    boxes[0, 0] = torch.tensor([0.0, x, y, x + side, y + side])
    return picture, boxes


@pytest.mark.parametrize("seed", range(12))
def test_boxes_stay_on_what_they_bound_however_a_tile_is_varied(seed: int) -> None:
    rng = torch.Generator().manual_seed(seed)
    picture, boxes = bright_square(200 + 10 * seed, 330 - 12 * seed, 60)
    seen, moved = fit.varied(picture, boxes, rng)
    found = moved[moved[..., 0] >= 0]
    bright = seen[0, 1] > (seen[0, 1].min() + seen[0, 1].max()) / 2 + 0.1
    if not len(found):
        assert bright.float().mean() < 0.01
        return
    rows, columns = torch.nonzero(bright, as_tuple=True)
    around = torch.stack([columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]).float()
    assert torch.allclose(found[0, 1:], around, atol=2.0)


def test_small_balls_get_boxes_that_can_be_learned_around_the_same_middle() -> None:
    rows = np.array([[fit.BALL, 0.5, 0.25, 5 / 640, 4 / 640], [0, 0.5, 0.5, 0.1, 0.2]])
    ball, person = fit.corners(rows)
    assert ball[1:] == pytest.approx([314, 154, 326, 166])
    assert person[1:] == pytest.approx([288, 256, 352, 384])


def test_rows_for_the_loss_say_which_picture_a_box_is_of() -> None:
    boxes = torch.full((3, fit.MOST_BOXES, 5), fit.NO_BOX)
    boxes[2, 0] = torch.tensor([1.0, 64, 128, 96, 192])
    batch = fit.batch_of(boxes)
    assert batch["batch_idx"].tolist() == [2] and batch["cls"].tolist() == [[1]]
    assert batch["bboxes"][0].tolist() == pytest.approx([0.125, 0.25, 0.05, 0.1])


@pytest.mark.slow
def test_a_few_steps_of_training_on_rendered_tiles_leave_weights_that_find_people(
    tmp_path: Path,
) -> None:
    """The whole of the script in little: render, train from the weights of the repo, read."""
    script = MODELS / "detector" / "train.py"
    environment = {**os.environ, "YOLO_OFFLINE": "true", "PYTHONPATH": "pipeline"}

    def step(*words: str) -> str:
        return subprocess.run(
            [sys.executable, str(script), *words], check=True, capture_output=True, text=True,
            env=environment, cwd=MODELS.parent, timeout=300,
        ).stdout

    step("render", "--out", str(tmp_path / "train"), "--first-seed", "3", "--pictures", "2",
         "--tiles", "2", "--workers", "1")
    step("render", "--out", str(tmp_path / "val"), "--first-seed", "100000", "--pictures", "1",
         "--tiles", "1", "--workers", "1")
    weights = tmp_path / "weights.pt"
    said = step(
        "train", "--data", str(tmp_path), "--out", str(weights), "--start",
        str(MODELS / "detector" / "weights.pt"), "--most-steps", "2", "--batch", "2",
        "--capacity", "8", "--held", "4", "--rate", "0.00001",
    )
    assert "before: balls AP" in said and "step 2" in said
    from ultralytics import YOLO

    tile = cv2.imread(str(next((tmp_path / "train" / "images").glob("*.png"))))
    found, known = (
        YOLO(str(path), task="detect").predict(tile, imgsz=640, conf=0.3, verbose=False)[0].boxes
        for path in (weights, MODELS / "detector" / "weights.pt")
    )
    assert len(known) and len(found) == pytest.approx(len(known), abs=1)
    assert weights.stat().st_size < 16 * 2**20


def test_weights_of_another_network_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="another network"):
        fit.network(MODELS / "five_moments" / "weights.pt", MODELS / "detector" / "network.yaml")


def test_weights_for_processors_find_what_the_trained_ones_find() -> None:
    pytest.importorskip("openvino")
    from rallymill import video
    from rallymill.stages import detect_exported, detect_networks, detect_stream, graphics_card
    from rallymill.stages.base import Execution
    from rallymill.stages.checkpoints import Chunk
    from rallymill.stages.detect_boxes import corners

    exported = MODELS / "detector" / "weights_openvino_model"
    assert detect_exported.eight_bits(next(exported.glob("*.xml")))
    config = detect_networks.DetectConfig(ball_look=None, hop_look=None)
    eight = detect_networks.load_detector(MODELS, config, Execution("cpu"))
    asked = detect_exported.Asked(config.ball_confidence, 0.6, 150)
    trained = detect_exported.FittedDetector(
        graphics_card.detector(MODELS / "detector" / "weights.pt", "cpu", asked.least),
        detect_networks.INPUT_SIZE, detect_networks.LABELS, asked,
    )
    n_sure = 0
    for clip in sorted((MODELS.parent / "sample_clips").glob("*.mp4"))[:2]:
        with video.frames(clip, spans=[(20, 24)]) as stream:
            whole = detect_stream.pictures(stream, [(1, Chunk(20, 24, 20, 24))], {}, 3, 1280, {})
            picture = [seen.picture for seen in whole][2]
        found, true = eight([picture])[0], trained([picture])[0]
        for one, other in ((found, true), (true, found)):
            for box in (b for b in one if b.confidence > 0.5):
                same = [b for b in other if b.label == box.label and b.confidence > 0.2]
                away = np.abs(corners(same) - corners([box])).max(axis=1)
                assert away.min() < 5.0
                n_sure += 1
    assert n_sure >= 8


def test_the_last_layers_stay_as_they_were_trained() -> None:
    openvino = pytest.importorskip("openvino")
    quantise = pytest.importorskip("quantise")
    exported = MODELS / "detector" / "weights_openvino_model"
    model = openvino.Core().read_model(next(exported.glob("*.xml")))
    kept = set(quantise.last_layers(model))
    convolutions = [op for op in model.get_ordered_ops() if "Convolution" in op.get_type_name()]
    exact = [op for op in convolutions if op.get_friendly_name() in kept]
    assert len(exact) == 6  # a box and a label at three strides
    for op in convolutions:
        weights = op.input_value(1).get_node()
        while weights.get_type_name() != "Constant":
            weights = weights.input_value(0).get_node()
        assert (weights.get_element_type().size == 1) != (op in exact)

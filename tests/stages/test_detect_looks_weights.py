"""The shipped weights of both looks: on sample clips with known truth, and in both runtimes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import video
from rallymill.stages import detect, detect_balls, detect_hops, detect_stream, onnx_network
from rallymill.stages.base import Execution
from rallymill.stages.cameras import cameras_of
from rallymill.stages.checkpoints import Chunk
from rallymill.stages.detect_boxes import Box

ROOT = Path(__file__).resolve().parents[2]
MODELS = ROOT / "models"
N_FRAMES = 70


@pytest.mark.parametrize("name", ["ball_look", "hop_look"])
def test_both_runtimes_say_the_same(name: str) -> None:
    pytest.importorskip("openvino", reason="openvino is not installed")
    path = MODELS / name / "weights.onnx"
    rng = np.random.default_rng(3)
    channels = detect_balls.CHANNELS if name == "ball_look" else detect_hops.CHANNELS
    given = [rng.uniform(0, 255, (5, channels, 48, 48)).astype(np.float32)]
    if name == "ball_look":
        given.append(rng.normal(0, 1, (5, detect_balls.FEATURES)).astype(np.float32))
    ours, theirs = onnx_network._opencv(path)(given)[0], onnx_network._openvino(path, 1)(given)[0]
    assert ours.shape == theirs.shape and len(ours) == 5
    assert np.allclose(ours, theirs, atol=2e-3 * max(1.0, np.abs(theirs).max()))
    # More places than before: nothing in the file is fixed to a number of them.
    more = [np.concatenate([part, part]) for part in given]
    assert np.allclose(onnx_network._opencv(path)(more)[0][:5], ours, atol=1e-3)


def eight_bits(name: str) -> Path:
    found = onnx_network.eight_bits_of(MODELS / name / "weights.onnx")
    if found is None:
        pytest.skip("weights in eight bits were made of other weights")
    return found


def ball_look_of(path: Path) -> detect_balls.BallLook:
    run = onnx_network._openvino(path, 1)
    return detect_balls.BallLook(lambda *given: run(given)[0])


def test_weights_in_eight_bits_say_nearly_the_same_of_balls(seen) -> None:
    pytest.importorskip("openvino", reason="openvino is not installed")
    rng = np.random.default_rng(6)
    exact, short = map(
        ball_look_of, (MODELS / "ball_look" / "weights.onnx", eight_bits("ball_look"))
    )
    away, sure = [], []
    for one in seen[0][::4]:
        rows = seen[1][(seen[1]["frame"] == one.at.frame) & seen[1]["visible"]]
        places = (rows[["u_px", "v_px"]].to_numpy(float) + 0.5) / one.at.scale
        places = np.vstack([places, rng.uniform([100, 100], [1180, 620], (3, 2))])
        boxes = [
            Box("ball", x - 4, y - 4, x + 4, y + 4, rng.uniform(0.01, 0.9)) for x, y in places
        ]
        for box in boxes:
            [one_said], [other] = (
                look.looked_together([(one.moments, one.matrices)], [[box]])[0]
                for look in (exact, short)
            )
            sure.append((one_said.confidence, other.confidence))
            if one_said.confidence > 0.3:
                away.append(np.hypot(one_said.x1_px - other.x1_px, one_said.y1_px - other.y1_px))
    found = np.array(sure)
    assert len(away) >= 8 and np.median(away) < 0.15
    assert np.abs(found[:, 0] - found[:, 1]).mean() < 0.02
    assert np.corrcoef(found.T)[0, 1] > 0.98


def test_weights_in_eight_bits_of_other_weights_are_not_used(tmp_path: Path, caplog) -> None:
    weights = tmp_path / "weights.onnx"
    weights.write_bytes(b"network")
    assert onnx_network.eight_bits_of(weights) is None
    made = onnx_network.eight_bits_path(weights)
    made.write_text(f"<net made_of='{onnx_network.digest_of(weights)}'/>")
    assert onnx_network.eight_bits_of(weights) == made
    weights.write_bytes(b"trained on")
    assert onnx_network.eight_bits_of(weights) is None
    assert "made of other weights" in caplog.text


@pytest.fixture(scope="module")
def seen() -> tuple[list[detect_stream.Seen], pd.DataFrame]:
    """Frames of a sample clip with the moments around them, and the true tracks."""
    clip = next(iter(sorted((ROOT / "sample_clips").glob("*broadcast*.mp4"))))
    truth = {
        name: pd.read_parquet(clip.with_name(f"{clip.stem}.truth.{name}.parquet"))
        for name in ("views", "frames", "tracks")
    }
    view = truth["views"][truth["views"]["label"] == "main"].iloc[0].to_dict()
    first = int(view["first_frame"])
    last = min(int(view["last_frame"]), first + N_FRAMES)
    step = detect_stream.frame_step(detect.spacing_s(view), 0.036)
    cameras = dict(zip(
        truth["frames"]["frame"], cameras_of(truth["frames"]), strict=True
    ))
    with video.frames(clip, spans=[(first, last)]) as stream:
        todo = [(step, Chunk(first, last, first, last))]
        found = list(detect_stream.pictures(stream, todo, cameras, 3, 1280, {}))
    return found, truth["tracks"]


def test_the_ball_is_told_from_other_places(seen) -> None:
    look = detect_balls.load(MODELS, "ball_look/weights", Execution("cpu", threads=1))
    rng = np.random.default_rng(4)
    right, wrong, off = [], [], []
    for one in seen[0]:
        rows = seen[1][(seen[1]["frame"] == one.at.frame) & seen[1]["visible"]]
        ball = rows[rows["track_id"] == 0]
        if not len(ball):
            continue
        spot = (ball[["u_px", "v_px"]].to_numpy(float)[0] + 0.5) / one.at.scale
        start = spot + rng.uniform(-3, 3, 2)
        people = rows[rows["track_id"] != 0][["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy(float)
        low, high = people[:, :2] / one.at.scale, people[:, 2:] / one.at.scale
        others = low + rng.uniform(-0.1, 1.1, low.shape) * (high - low)
        others = others[np.hypot(*(others - spot).T) > 16]
        boxes = [
            detect_balls.Box("ball", *(place - 6).tolist(), *(place + 6).tolist(), 0.1)
            for place in (start, *others)
        ]
        [answers] = look.looked_together([(one.moments, one.matrices)], [boxes])
        right.append(answers[0].confidence)
        wrong += [box.confidence for box in answers[1:]]
        middle = detect_balls.middles(answers[:1])[0] + 0.5
        off.append(np.hypot(*(middle - spot)))
    assert len(right) > 20 and len(wrong) > 60
    assert np.median(right) > 0.6 and np.quantile(wrong, 0.95) < 0.3
    # It was told a place up to 4 px off, 2.3 px in the mean.
    assert np.median(off) < 1.2

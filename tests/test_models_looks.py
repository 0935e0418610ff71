"""What the training scripts of small looks share: it learns, calibrates, and writes what is run."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from rallymill.stages import onnx_network

MODELS = Path(__file__).resolve().parents[1] / "models"
sys.path.insert(0, str(MODELS))
looks = pytest.importorskip("looks")


def spots(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Noise, half of it with a light in the middle of the third moment alone."""
    rng = np.random.default_rng(seed)
    seen = rng.normal(100, 6, (n, 10, 48, 48))
    right = rng.random(n) < 0.5
    seen[right, 2, 22:26, 22:26] += 60
    return np.clip(seen, 0, 255).astype(np.uint8), right.astype(np.float32)[:, None]


def test_a_look_learns_within_seconds(tmp_path: Path) -> None:
    import torch

    torch.manual_seed(0)
    looks_of = spots(192, 1)
    held = spots(128, 2)

    def loss_of(net, seen, rows, rng):
        found = net(looks.other_light(seen.float(), rng))
        return torch.nn.functional.binary_cross_entropy_with_logits(found[:, 0], rows[:, 0])

    net = looks.Look(0, 0, 2)
    out = tmp_path / "weights.pt"
    looks.train(net, *looks_of, loss_of, lambda kept: "", out, 5.0, 0.003, 16, 0, most_steps=60)
    net.load_state_dict(torch.load(out, weights_only=True))
    odds = looks.answers(net, held[0])[:, 0]
    right = held[1][:, 0] > 0
    assert np.median(odds[right]) > np.median(odds[~right]) + 0.5
    assert np.quantile(odds[~right], 0.9) < np.median(odds[right])


def test_what_is_exported_says_the_same_with_its_odds_put_right(tmp_path: Path) -> None:
    pytest.importorskip("onnx", reason="onnx is not installed")
    net = looks.Look(0, 0, 2)
    given, _ = spots(5, 5)
    odds = looks.answers(net, given)[:, 0]
    looks.export(net, 2.0, -1.0, tmp_path / "weights.onnx", 0, 0)
    found = onnx_network._opencv(tmp_path / "weights.onnx")([given.astype(np.float32)])[0]
    assert np.allclose(found[:, 0], 2 * odds - 1, atol=1e-3)


def test_log_odds_are_put_right() -> None:
    rng = np.random.default_rng(3)
    odds = rng.normal(0, 3, 40_000)
    right = rng.random(len(odds)) < 1 / (1 + np.exp(-(0.5 * odds - 1)))
    assert looks.fitted(odds, right.astype(float)) == pytest.approx((0.5, -1.0), abs=0.05)


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    seen, _ = spots(6, 4)
    assert looks.keep(tmp_path / "a.npz", [seen[:2], seen[2:]], [[k, 1.0] for k in range(6)], 2, 10)
    looks.keep(tmp_path / "b.npz", [], [], 2, 10)
    (tmp_path / "c.part.npz").write_bytes(b"half a file")
    again, rows = looks.load(tmp_path)
    assert np.array_equal(again, seen) and rows[:, 0].tolist() == [0, 1, 2, 3, 4, 5]
    assert "1.000" in looks.precision_recall(np.array([3.0, 2, 1]), np.array([1, 1, 0]))

"""What the training scripts of small looks share: it learns, calibrates, and writes what is run."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pytest

from rallymill.stages import onnx_network

MODELS = Path(__file__).resolve().parents[1] / "models"
sys.path.insert(0, str(MODELS))
looks = pytest.importorskip("looks")
look_fit = pytest.importorskip("look_fit")
shots = pytest.importorskip("shots")


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
    seen_before, rows_before = spots(96, 1)
    looks.keep(tmp_path / "looks.npz", [seen_before], list(rows_before), 1, 10)
    held = spots(64, 2)

    def loss_of(net, seen, rows, rng):
        found = net(look_fit.other_light(seen.float(), rng))
        return torch.nn.functional.binary_cross_entropy_with_logits(found[:, 0], rows[:, 0])

    net = looks.Look(0, 0, 2)
    out = tmp_path / "weights.pt"
    shelf = look_fit.Shelf([tmp_path], torch.device("cpu"))
    look_fit.train(net, shelf, loss_of, lambda kept: "", out, 5.0, 0.003, 12, 0, most_steps=40)
    net.load_state_dict(torch.load(out, weights_only=True))
    odds = look_fit.answers(net, held[0])[:, 0]
    right = held[1][:, 0] > 0
    assert np.median(odds[right]) > np.median(odds[~right]) + 0.5
    assert np.quantile(odds[~right], 0.9) < np.median(odds[right])


def mean_of(folder: Path, nets: list) -> None:
    import torch

    paths = [folder / f"{number}.pt" for number in range(len(nets))]
    for path, net in zip(paths, nets, strict=True):
        torch.save(net.state_dict(), path)
    looks.step_mean(argparse.Namespace(weights=paths, out=folder / "mean.pt"))


def test_a_mean_of_weights_lies_between_them(tmp_path: Path) -> None:
    import torch

    nets = [looks.Look(0, 0, 2) for _ in range(3)]
    mean_of(tmp_path, nets)
    between = looks.weights_in(looks.Look(0, 0, 2), tmp_path / "mean.pt")
    one, two, three = (net.head[2].weight for net in nets)
    assert torch.allclose(between.head[2].weight, (one + two + three) / 3)
    alike = nets[0].state_dict()
    mean_of(tmp_path, [nets[0], nets[0]])
    kept = torch.load(tmp_path / "mean.pt", weights_only=True)
    assert all(torch.equal(kept[name], value) for name, value in alike.items())


def test_weights_of_other_layers_have_no_mean(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"1\.pt: not of the layers"):
        mean_of(tmp_path, [looks.Look(0, 0, 2), looks.Look(0, 0, 2, looks.WIDE)])


def test_what_is_exported_says_the_same_with_its_odds_put_right(tmp_path: Path) -> None:
    pytest.importorskip("onnx", reason="onnx is not installed")
    net = looks.Look(0, 0, 2)
    given, _ = spots(5, 5)
    odds = look_fit.answers(net, given)[:, 0]
    look_fit.export(net, 2.0, -1.0, tmp_path / "weights.onnx", 0, 0)
    found = onnx_network._opencv(tmp_path / "weights.onnx")([given.astype(np.float32)])[0]
    assert np.allclose(found[:, 0], 2 * odds - 1, atol=1e-3)


def test_log_odds_are_put_right() -> None:
    rng = np.random.default_rng(3)
    odds = rng.normal(0, 3, 40_000)
    right = rng.random(len(odds)) < 1 / (1 + np.exp(-(0.5 * odds - 1)))
    assert look_fit.fitted(odds, right.astype(float)) == pytest.approx((0.5, -1.0), abs=0.05)


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    seen, _ = spots(6, 4)
    assert looks.keep(tmp_path / "a.npz", [seen[:2], seen[2:]], [[k, 1.0] for k in range(6)], 2, 10)
    looks.keep(tmp_path / "b.npz", [], [], 2, 10)
    (tmp_path / "c.part.npz").write_bytes(b"half a file")
    again, rows = look_fit.load(tmp_path)
    assert np.array_equal(again, seen) and rows[:, 0].tolist() == [0, 1, 2, 3, 4, 5]
    assert "1.000" in look_fit.precision_recall(np.array([3.0, 2, 1]), np.array([1, 1, 0]))


@pytest.mark.parametrize("stretch", [0.0, 0.2])
def test_what_is_turned_lies_where_it_is_said_to(stretch: float) -> None:
    import torch

    along = torch.arange(48.0) - 23.5
    down, right = torch.meshgrid(along, along, indexing="ij")
    spot = torch.tensor([6.0, -4.0])
    given = torch.exp(-((right - spot[0]) ** 2 + (down - spot[1]) ** 2) / 8).expand(20, 11, 48, 48)
    seen, moved = look_fit.turned(given, torch.Generator().manual_seed(0), 0.5, 0.3, stretch)
    light = seen[:, 4]
    found = torch.stack([(light * where).sum((1, 2)) for where in (right, down)], 1)
    found /= light.sum((1, 2))[:, None]
    assert torch.allclose(found, moved @ spot, atol=0.05)
    assert float((found - spot).norm(dim=1).mean()) > 0.5
    # As long along one axis as along the other, unless stretched.
    lengths = torch.linalg.svdvals(moved)
    assert torch.allclose(lengths[:, 0], lengths[:, 1], rtol=1e-4) == (stretch == 0)


def test_a_shelf_takes_files_as_they_come_until_it_is_full(tmp_path: Path) -> None:
    import torch

    seen, rows = spots(6, 1)
    looks.keep(tmp_path / "a.npz", [seen], list(rows), 1, 10)
    shelf = look_fit.Shelf([tmp_path], torch.device("cpu"), capacity=10)
    assert shelf.count == 6
    looks.keep(tmp_path / "b.npz", [seen], list(1 - rows), 1, 10)
    shelf.fill()
    shelf.fill()
    again, found = shelf.batch(torch.arange(10))
    assert shelf.count == 10
    assert np.array_equal(again.numpy(), np.concatenate([seen, seen[:4]]))
    assert np.array_equal(found.numpy(), np.concatenate([rows, 1 - rows[:4]]))
    assert shelf.share(0, 0.5) == pytest.approx(float(found.mean()))
    assert look_fit.Shelf([tmp_path, tmp_path], torch.device("cpu")).count == 24


@pytest.mark.slow
def test_shots_show_the_ball_in_the_middle_of_what_is_kept_of_it(tmp_path: Path) -> None:
    """The ball is there only in the middle moment; without a detector it is found by the truth."""
    from rallymill.stages.detect_networks import DetectConfig

    for folder in ("balls", "hops"):
        (tmp_path / folder).mkdir()
    asked = shots.Asked(70001, 2, tmp_path / "balls", tmp_path / "hops", "cpu")
    n_balls, n_hops = shots.collect(asked, lambda pictures: [[] for _ in pictures], DetectConfig())
    seen, rows = look_fit.load(tmp_path / "balls")
    players, heights = look_fit.load(tmp_path / "hops")
    assert len(rows) == n_balls and len(players) == n_hops
    right = rows[:, 1] > 0
    assert right.sum() >= 4 and players.shape[1:] == (10, 48, 48)
    assert ((heights[:, 1] > -0.01) & (heights[:, 1] < 1.2)).all()
    off = np.hypot(rows[right, 2], rows[right, 3]) * rows[right, -1]
    assert (off < 6).all() and off.max() > 1
    share = []
    for look, row in zip(seen[right].astype(float), rows[right], strict=True):
        # Against the median of the moments, what is new lies around the ball and nowhere else.
        new = np.abs(look[2] - np.median(look[:5], axis=0))
        x, y = (round(23.5 + float(value)) for value in row[2:4])
        share.append(new[y - 4:y + 5, x - 4:x + 5].mean() / (new.mean() + 1e-6))
    assert np.median(share) > 2


def test_a_head_settles_on_what_is_seen_many_times(tmp_path: Path) -> None:
    """Real looks that it takes for the ball are taken for it less, the others as before."""
    import torch
    from ball_look import settle, train  # type: ignore[import-not-found]

    torch.manual_seed(1)
    seen, right = spots(40, 6)
    seen = np.concatenate([seen, seen[:, :1]], 1)
    rows = np.zeros((40, 9), np.float32)
    rows[:, train.KIND] = right[:, 0]
    (tmp_path / "films").mkdir()
    looks.keep(tmp_path / "films" / "a.npz", [seen], list(rows), 9, 11)
    unlike = 255 - seen[:20]
    (tmp_path / "real").mkdir()
    looks.keep(tmp_path / "real" / "a.npz", [unlike], list(0 * rows[:20]), 9, 11)
    net = looks.Look(1, 4, 3)
    body = {name: value.clone() for name, value in net.near.state_dict().items()}
    before = look_fit.answers(net, unlike, rows[:20, 4:8])[:, 0]
    net = settle.settled(
        net, [tmp_path / "films"], [tmp_path / "real"], 6, 30, 0.004, 0,
        (train.KIND, train.OFFSET, train.SAID),
    )
    after = look_fit.answers(net, unlike, rows[:20, 4:8])[:, 0]
    assert after.mean() < before.mean() - 0.1
    assert all(torch.equal(body[name], value) for name, value in net.near.state_dict().items())


def test_half_of_the_shots_show_a_ball_that_is_not_in_play() -> None:
    """A world's own moments nearly all lie within points, a film's do not."""
    rng = np.random.default_rng(0)
    studio = shots.studio_of(70003, rng)
    balls = [studio.world.ball(0, studio.moment(rng)) for _ in range(400)]
    there = [ball for ball in balls if ball is not None]
    idle = [ball for ball in there if not ball.live]
    assert 0.4 < len(idle) / len(there) < 0.65
    assert not any(
        ball.position_m[2] < 0.06 and np.linalg.norm(ball.velocity_mps) < 0.5 for ball in idle
    )

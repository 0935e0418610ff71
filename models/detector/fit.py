"""Fit a detector to tiles that lie on the device, varied there, while more are being rendered.

Network and loss are ultralytics'; the loop is our own, since a small network learns from tiles some
ten times faster than processors can turn and scale them.
"""

from __future__ import annotations

import copy
import threading
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pace
import torch
from torch import nn
from torch.nn import functional

TILE_PX = 640
MOST_BOXES = 40
NO_BOX = -1.0
BALL = 1
LEAST_BALL_PX = 12.0
"""Balls get boxes of at least this side: smaller ones overlap too little to be learned well."""
LEAST_LEFT = 0.4
PAINT = 114.0
MARGIN_PX = 5.0
SETTINGS = {"box": 7.5, "cls": 1.0, "dfl": 1.5, "epochs": 100}


class Tiles:
    """Tiles (N, 3, 640, 640) of a folder and their boxes (N, MOST_BOXES, 5), on the device."""

    def __init__(self, folder: Path, device: torch.device, capacity: int) -> None:
        self.folder, self.device = folder, device
        self.pictures = torch.empty((capacity, 3, TILE_PX, TILE_PX), dtype=torch.uint8,
                                    device=device)
        self.boxes = torch.full((capacity, MOST_BOXES, 5), NO_BOX, device=device)
        self.n = 0
        self._known: set[str] = set()
        self.stopped = False

    def fill(self, once: bool = False) -> None:
        """Take in tiles of the folder, oldest first, as long as any come and there is room."""
        while not self.stopped and self.n < len(self.pictures):
            new = [p for p in (self.folder / "labels").glob("*.txt") if p.stem not in self._known]
            # What is written last may not be whole yet.
            new = sorted(new, key=lambda p: p.stat().st_mtime)
            for path in new:
                if self.n == len(self.pictures) or self.stopped:
                    break
                self._known.add(path.stem)
                picture = cv2.imread(str(self.folder / "images" / f"{path.stem}.png"))
                if picture is None or picture.shape != (TILE_PX, TILE_PX, 3):
                    continue
                self.pictures[self.n].copy_(torch.from_numpy(picture.transpose(2, 0, 1).copy()))
                rows = [line.split() for line in path.read_text().splitlines()]
                boxes = corners(np.array(rows, dtype=float).reshape(-1, 5))[:MOST_BOXES]
                self.boxes[self.n, :len(boxes)] = torch.from_numpy(boxes).float()
                self.n += 1
            if once:
                return
            time.sleep(1.0)

    def start(self) -> None:
        """Fill in the background."""
        threading.Thread(target=self.fill, daemon=True).start()


def corners(rows: np.ndarray) -> np.ndarray:
    """Label rows (class, centre, size as shares) as class and corners in pixels."""
    found = rows.copy()
    side = rows[:, 3:5] * TILE_PX
    ball = rows[:, :1] == BALL
    side = np.where(ball, np.maximum(side, LEAST_BALL_PX), side)
    middle = rows[:, 1:3] * TILE_PX
    found[:, 1:3] = middle - side / 2
    found[:, 3:5] = middle + side / 2
    return found


def varied(
    pictures: torch.Tensor, boxes: torch.Tensor, rng: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor]:
    """A batch as the network sees it in training, 0 to 1, and its boxes in pixels.

    Scaled and shifted, mirrored, backwards in time, in other light, noisier.
    """
    n, device = len(pictures), pictures.device

    def draw(low: float, high: float) -> torch.Tensor:
        return torch.rand(n, generator=rng, device=device) * (high - low) + low

    scale = torch.exp(draw(-0.45, 0.45)) * (draw(0, 1) < 0.75) + 0.0
    scale = torch.where(scale == 0, torch.ones_like(scale), scale)
    mirrored = torch.where(draw(0, 1) < 0.5, -1.0, 1.0)
    # In shares of half a tile: what is seen at x of the output lies at x / scale + shift.
    room = (1 - 1 / scale).abs()
    across, down = draw(-1, 1) * room, draw(-1, 1) * room
    theta = torch.zeros(n, 2, 3, device=device)
    theta[:, 0, 0], theta[:, 0, 2] = mirrored / scale, across
    theta[:, 1, 1], theta[:, 1, 2] = 1 / scale, down
    grid = functional.affine_grid(theta, list(pictures.shape), align_corners=False)
    seen = functional.grid_sample(
        pictures.float() - PAINT, grid, mode="bilinear", padding_mode="zeros", align_corners=False
    ) + PAINT
    half = TILE_PX / 2
    label, box = boxes[..., :1], boxes[..., 1:]
    x = (box[..., [0, 2]] / half - 1 - across[:, None, None]) * (scale * mirrored)[:, None, None]
    y = (box[..., [1, 3]] / half - 1 - down[:, None, None]) * scale[:, None, None]
    x, y = (torch.sort((side + 1) * half, dim=-1).values for side in (x, y))
    whole = (x[..., 1] - x[..., 0]) * (y[..., 1] - y[..., 0])
    x, y = x.clamp(0, TILE_PX), y.clamp(0, TILE_PX)
    left = (x[..., 1] - x[..., 0]) * (y[..., 1] - y[..., 0])
    label = torch.where((left > LEAST_LEFT * whole)[..., None], label, NO_BOX)
    box = torch.stack([x[..., 0], y[..., 0], x[..., 1], y[..., 1]], -1)
    backwards = (draw(0, 1) < 0.5)[:, None, None, None]
    seen = torch.where(backwards, seen.flip(1), seen)
    gain, shift = draw(0.7, 1.35)[:, None, None, None], draw(-25, 25)[:, None, None, None]
    flicker = torch.randn(n, 3, 1, 1, generator=rng, device=device)
    seen = (seen - PAINT) * gain + PAINT + shift + flicker
    noise = (draw(0, 6) * (draw(0, 1) < 0.3))[:, None, None, None]
    seen = seen + noise * torch.randn(seen.shape, generator=rng, device=device)
    return (seen.clamp(0, 255) / 255), torch.cat([label, box], -1)


def batch_of(boxes: torch.Tensor) -> dict[str, torch.Tensor]:
    """Boxes (N, M, 5) in pixels as the loss takes them."""
    picture, place = torch.nonzero(boxes[..., 0] >= 0, as_tuple=True)
    found = boxes[picture, place]
    middle, side = (found[:, 1:3] + found[:, 3:5]) / 2, found[:, 3:5] - found[:, 1:3]
    return {
        "batch_idx": picture.float(), "cls": found[:, :1],
        "bboxes": torch.cat([middle, side], 1) / TILE_PX,
    }


def network(start: Path, description: Path) -> nn.Module:
    """Network from weights, or from its description."""
    from types import SimpleNamespace

    from ultralytics.nn.tasks import DetectionModel, load_checkpoint

    net = DetectionModel(str(description), ch=3, nc=2, verbose=False)
    if start != description:
        found = load_checkpoint(str(start))[0].float().state_dict()
        own = net.state_dict()
        missing = [k for k in own if k not in found or found[k].shape != own[k].shape]
        if missing:
            raise SystemExit(f"{start} has no {missing[0]}: another network")
        net.load_state_dict({k: found[k] for k in own})
    net.names = {0: "player", 1: "ball"}
    net.args = SimpleNamespace(**SETTINGS)
    return net


def train(
    net: nn.Module, tiles: Tiles, judge: Callable[[nn.Module], str], minutes: float, rate: float,
    batch: int, seed: int, most_steps: int | None, wait_for: int,
) -> nn.Module:
    """Train for some minutes, or steps; gives back a running mean of the weights."""
    from ultralytics.utils.loss import v8DetectionLoss

    tiles.start()
    while tiles.n < wait_for:
        time.sleep(0.5)
    device = next(net.parameters()).device
    rng = torch.Generator(device).manual_seed(seed)
    net.train()
    net = net.to(memory_format=torch.channels_last)
    kept = copy.deepcopy(net)
    criterion = v8DetectionLoss(net)
    decayed = [p for p in net.parameters() if p.ndim > 1]
    others = [p for p in net.parameters() if p.ndim <= 1]
    optimizer = torch.optim.AdamW(
        [{"params": decayed, "weight_decay": 0.01}, {"params": others, "weight_decay": 0.0}],
        lr=rate, betas=(0.9, 0.999), fused=device.type == "cuda",
    )
    started = said = time.monotonic()
    step, spent, losses = 0, 0.0, torch.zeros(3, device=device)
    print(f"before: {judge(kept)}", flush=True)
    while True:
        spent = pace.spent_of(started, minutes, step, most_steps)
        if spent >= 1:
            break
        pace.set_rate(optimizer, rate, step, 300, spent)
        chosen = torch.randint(tiles.n, (batch,), generator=rng, device=device)
        seen, boxes = varied(tiles.pictures[chosen], tiles.boxes[chosen], rng)
        with torch.autocast(device.type, torch.bfloat16):
            found = net(seen.contiguous(memory_format=torch.channels_last))
        if isinstance(found, tuple):
            found = found[1]
        found = {
            key: [part.float() for part in value] if isinstance(value, list) else value.float()
            for key, value in found.items()
        }
        loss, parts = criterion.loss(found, batch_of(boxes))
        optimizer.zero_grad(set_to_none=True)
        (loss.sum() / batch).backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 10.0)
        optimizer.step()
        step += 1
        losses += torch.stack(list(parts.values()))
        pace.lean(kept, net, min(0.9995, (step + 1) / (step + 10)))
        if time.monotonic() - said > max(6 * minutes, 1) or step == most_steps:
            said = time.monotonic()
            mean = (losses / step).tolist()
            print(f"step {step}, {tiles.n} tiles, {spent:.2f} of the time, losses "
                  f"{mean[0]:.3f} {mean[1]:.3f} {mean[2]:.3f}; {judge(kept)}", flush=True)
    tiles.stopped = True
    print(f"step {step}, {tiles.n} tiles: {judge(kept)}", flush=True)
    return kept


def judged(net: nn.Module, held: Tiles) -> str:
    """Average precision of balls by place, recall at two levels, and recall of people."""
    from torchvision.ops import box_iou, nms

    was = net.training
    net.eval()
    scores, right, n_balls, n_people, n_found = [], [], 0, 0, 0
    with torch.no_grad(), torch.autocast(held.device.type, torch.bfloat16):
        for first in range(0, held.n, 32):
            part = slice(first, min(first + 32, held.n))
            found = net(held.pictures[part].float() / 255)[0].float()
            for one, boxes in zip(found, held.boxes[part], strict=True):
                x, y, w, h = one[:4]
                box = torch.stack([x - w / 2, y - h / 2, x + w / 2, y + h / 2], 1)
                truth = boxes[boxes[:, 0] == BALL, 1:]
                likely = one[4 + BALL] > 0.0005
                places, score = box[likely], one[4 + BALL][likely]
                chosen = nms(places, score, 0.3)[:40]
                places, score = places[chosen], score[chosen]
                hit = torch.zeros(len(score), dtype=torch.bool, device=held.device)
                for target in truth:
                    away = ((places[:, :2] + places[:, 2:]) / 2 - (target[:2] + target[2:]) / 2)
                    near = (away.norm(dim=1) <= MARGIN_PX) & ~hit
                    if near.any():
                        hit[torch.nonzero(near)[0]] = True
                scores.append(score)
                right.append(hit)
                n_balls += len(truth)
                people = boxes[boxes[:, 0] == 0, 1:]
                sure = box[one[4] > 0.2]
                n_people += len(people)
                if len(people) and len(sure):
                    n_found += int((box_iou(people, sure).max(1).values >= 0.5).sum())
    net.train(was)
    score = torch.cat(scores).cpu().numpy()
    hits = torch.cat(right).cpu().numpy()[np.argsort(-score)]
    score = np.sort(score)[::-1]
    recall = np.cumsum(hits) / max(n_balls, 1)
    precision = np.cumsum(hits) / np.arange(1, len(hits) + 1)
    average = float((precision * hits).sum() / max(n_balls, 1))
    wrong = np.cumsum(~hits) / max(held.n, 1)
    at = "/".join(f"{recall[wrong <= most].max(initial=0):.3f}" for most in (0.03, 0.3, 3, 10))
    return (f"balls AP {average:.3f}, found with .03/.3/3/10 wrong a tile {at}; "
            f"people found {n_found / max(n_people, 1):.4f}")


def save(net: nn.Module, out: Path) -> None:
    """Write weights in the form that ultralytics reads."""
    import ultralytics

    net = net.to("cpu").float().to(memory_format=torch.contiguous_format).eval()
    net.criterion = None
    net.args = {"task": "detect", "imgsz": TILE_PX}
    net.yaml["yaml_file"] = "network.yaml"
    part = out.with_suffix(".part.pt")
    torch.save({
        "model": net.half(), "ema": None, "epoch": -1, "optimizer": None, "date": None,
        "version": ultralytics.__version__, "train_args": dict(net.args),
        "license": "AGPL-3.0-or-later", "git": None,
    }, part)
    part.rename(out)

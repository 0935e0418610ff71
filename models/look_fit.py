"""Train networks for small looks, tell how good they are, make probabilities of what they say.

Everything that is learned from lies on the network's device, and is varied there.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pace
import torch
from looks import BACKWARDS, SIDE, Look
from torch import nn
from torch.nn import functional


def files_of(folder: Path) -> list[Path]:
    """Files of looks that are complete."""
    return [path for path in sorted(folder.glob("*.npz")) if not path.name.endswith(".part.npz")]


def load(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Looks and rows of all files of a folder."""
    looks, rows = [], []
    for path in files_of(folder):
        with np.load(path) as one:
            if len(one["rows"]):
                looks.append(one["looks"])
                rows.append(one["rows"])
    return np.concatenate(looks), np.concatenate(rows)


class Shelf:
    """Looks (N, channels, 48, 48) and rows on a device, which takes new files as they come.

    A folder that is named twice counts twice: so that a few real places are not lost among many.
    """

    def __init__(
        self, folders: Sequence[Path], device: torch.device, capacity: int = 0, wait_for: int = 1
    ) -> None:
        self.folders, self.device, self.count = folders, device, 0
        self._taken: set[tuple[int, Path]] = set()
        self._looks = self._rows = torch.empty(0)
        self.capacity = capacity or self._there()
        while True:
            self.fill()
            if self.count >= min(wait_for, self.capacity):
                return
            time.sleep(2)

    def _there(self) -> int:
        count = 0
        for folder in self.folders:
            for path in files_of(folder):
                with np.load(path) as one:
                    count += len(one["rows"])
        return count

    def fill(self) -> None:
        """Take the files that are new, as long as there is room."""
        every = [(k, path) for k, folder in enumerate(self.folders) for path in files_of(folder)]
        for number, path in every:
            if (number, path) in self._taken or self.count >= self.capacity:
                continue
            self._taken.add((number, path))
            with np.load(path) as one:
                looks, rows = torch.from_numpy(one["looks"]), torch.from_numpy(one["rows"])
            if not len(rows):
                continue
            if not len(self._looks):
                shape = (self.capacity, *looks.shape[1:])
                self._looks = torch.empty(shape, dtype=torch.uint8, device=self.device)
                self._rows = torch.empty((self.capacity, rows.shape[1]), device=self.device)
            n = min(len(rows), self.capacity - self.count)
            self._looks[self.count:self.count + n] = looks[:n].to(self.device)
            self._rows[self.count:self.count + n] = rows[:n].to(self.device)
            self.count += n

    def batch(self, chosen: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Looks and rows of some numbers."""
        return self._looks[chosen], self._rows[chosen]

    def share(self, column: int, above: float) -> float:
        """Share of the looks whose row has more than so much in a column."""
        return float((self._rows[:self.count, column] > above).float().mean())


def turned(
    looks: torch.Tensor, rng: torch.Generator, angle: float, growth: float, stretch: float = 0.0
) -> tuple[torch.Tensor, torch.Tensor]:
    """Looks turned about their middle by up to an angle and scaled, and what it did to places.

    Scales are even in their logarithm up to ``growth``, and so is how much more they are in one
    direction than in the other, up to twice ``stretch``: a camera higher up sees the ground so. The
    matrices (N, 2, 2) take what lies off the middle before to where it lies after.
    """
    def draw(most: float) -> torch.Tensor:
        return (torch.rand(len(looks), generator=rng, device=looks.device) * 2 - 1) * most

    turn, scale = draw(angle), draw(growth).exp()
    cos, sin = turn.cos() * scale, turn.sin() * scale
    taken = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1)
    if stretch:
        longer = draw(stretch).exp()
        taken = taken * torch.stack([longer, 1 / longer], 1)[:, None, :]
    theta = torch.cat([taken, torch.zeros_like(taken[:, :, :1])], 2)
    grid = functional.affine_grid(theta, list(looks.shape), align_corners=False)
    seen = functional.grid_sample(looks, grid, padding_mode="border", align_corners=False)
    return seen, torch.linalg.inv(taken)


def varied(
    looks: torch.Tensor, rng: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor]:
    """Looks as a network sees them in training, and which of them are mirrored.

    Half of them are mirrored, half run backwards; all are in other light.
    """
    n, device = len(looks), looks.device
    looks = looks.float()
    mirrored = torch.rand(n, generator=rng, device=device) < 0.5
    looks = torch.where(mirrored[:, None, None, None], looks.flip(3), looks)
    backwards = torch.rand(n, generator=rng, device=device) < 0.5
    order = [*BACKWARDS, *range(len(BACKWARDS), looks.shape[1])]
    looks = torch.where(backwards[:, None, None, None], looks[:, order], looks)
    return other_light(looks, rng), mirrored


def other_light(looks: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Lighter or darker, with more or less contrast, noisier; what is yellow on its own."""
    def draw(low: float, high: float) -> torch.Tensor:
        drawn = torch.rand(len(looks), 1, 1, 1, generator=rng, device=looks.device)
        return drawn * (high - low) + low

    grey = (looks[:, :10] - 112) * draw(0.75, 1.3) + 112 + draw(-20, 20)
    yellow = (looks[:, 10:] - 32) * draw(0.7, 1.3) + 32 + draw(-6, 6)
    looks = torch.cat([grey, yellow], 1)
    strength = draw(0, 5) * (draw(0, 1) < 0.3)
    noise = torch.randn(looks.shape, generator=rng, device=looks.device)
    return (looks + strength * noise).clamp(0, 255)


Loss = Callable[[nn.Module, torch.Tensor, torch.Tensor, torch.Generator], torch.Tensor]
"""Of network, looks (bytes) and rows of a batch."""


def train(
    net: nn.Module, shelf: Shelf, loss_of: Loss,
    judge: Callable[[nn.Module], str], out: Path, minutes: float, rate: float, batch: int,
    seed: int, decay: float = 0.02, most_steps: int | None = None,
) -> None:
    """Train for some minutes, or steps; the rate falls to nothing at their end.

    The network is on the shelf's device. What is kept is a running mean of the weights.
    """
    device = shelf.device
    rng = torch.Generator(device).manual_seed(seed)
    kept = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=decay)
    started = said = time.monotonic()
    step, told, spent = 0, 0, 0.0
    batch = min(batch, shelf.count)
    total = torch.zeros((), device=device)
    while True:
        shelf.fill()
        order = torch.randperm(shelf.count, generator=rng, device=device)
        net.train()
        for first in range(0, len(order) - batch + 1, batch):
            spent = pace.spent_of(started, minutes, step, most_steps)
            if spent >= 1:
                break
            pace.set_rate(optimizer, rate, step, 100, spent)
            loss = loss_of(net, *shelf.batch(order[first:first + batch]), rng)
            optimizer.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
            optimizer.step()
            step += 1
            total += loss.detach()
            pace.lean(kept, net, min(0.998, (step + 1) / (step + 10)))
        done = spent >= 1
        if done or time.monotonic() - said > 6 * minutes:
            said = time.monotonic()
            kept.eval()
            print(f"step {step}, {step * batch / shelf.count:.1f} passes over {shelf.count}, "
                  f"{spent:.2f} of the time, loss {float(total) / max(step - told, 1):.4f}, "
                  f"{judge(kept)}", flush=True)
            told = step
            total.zero_()
            out.parent.mkdir(parents=True, exist_ok=True)
            torch.save(kept.state_dict(), out)
        if done:
            return


def answers(net: nn.Module, looks: np.ndarray, said: np.ndarray | None = None) -> np.ndarray:
    """What a network says of all of some looks."""
    device = next(net.parameters()).device
    net.eval()
    found = []
    with torch.no_grad():
        for first in range(0, len(looks), 512):
            part = slice(first, first + 512)
            given = [torch.from_numpy(looks[part].astype(np.float32)).to(device)]
            if said is not None:
                given.append(torch.from_numpy(said[part]).to(device))
            found.append(net(*given).float().cpu().numpy())
    return np.concatenate(found)


def precision_recall(score: np.ndarray, right: np.ndarray) -> str:
    """Average precision, and recall at three precisions, in words."""
    order = np.argsort(-score)
    hits = np.cumsum(right[order])
    precision = hits / np.arange(1, len(order) + 1)
    recall = hits / max(right.sum(), 1)
    average = float((precision * right[order]).sum() / max(right.sum(), 1))
    at = "/".join(f"{recall[precision >= p].max(initial=0):.3f}" for p in (0.9, 0.95, 0.98))
    return f"average precision {average:.3f}, recall at precision .90/.95/.98 {at}"


def fitted(odds: np.ndarray, right: np.ndarray) -> tuple[float, float]:
    """Slope and offset with which log odds are probabilities (Platt 1999)."""
    from scipy.optimize import minimize

    def loss(given: np.ndarray) -> float:
        score = given[0] * odds + given[1]
        return float(np.mean(np.logaddexp(0, score) - right * score))

    slope, shift = minimize(loss, [1.0, 0.0], method="Nelder-Mead").x
    return float(slope), float(shift)


def export(net: Look, slope: float, shift: float, out: Path, n_more: int, n_said: int) -> None:
    """Write an ONNX file for any number of looks, the first output's log odds put right."""
    last = net.head[2]
    with torch.no_grad():
        last.weight[0] *= slope
        last.bias[0] = last.bias[0] * slope + shift
    net.eval()
    given = [torch.zeros(2, 10 + n_more, SIDE, SIDE)]
    if n_said:
        given.append(torch.zeros(2, n_said))
    names = ["first", "second"][:len(given)]
    part = out.with_suffix(".part.onnx")
    torch.onnx.export(
        net, tuple(given), str(part), dynamo=False, input_names=names, output_names=["found"],
        dynamic_axes={name: {0: "places"} for name in (*names, "found")},
    )
    part.rename(out)
    print(f"log odds times {slope:.3f} plus {shift:.3f}: {out}")

"""What the scripts that train networks for small looks share: network, loop, calibration, export.

A look is a stack of grey pictures of one place: five moments from near, five from farther off, and
sometimes another picture. The network is two small trunks, one for each distance, and a head.
"""

from __future__ import annotations

import argparse
import copy
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import torch
from torch import nn

SIDE = 48
BACKWARDS = [4, 3, 2, 1, 0, 9, 8, 7, 6, 5]
"""Order of the ten pictures of moments when time runs backwards."""


def block(n_in: int, n_out: int, stride: int) -> nn.Module:
    """A convolution with normalisation."""
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, 3, stride, 1, bias=False), nn.BatchNorm2d(n_out),
        nn.ReLU(inplace=True),
    )


def median_of_five(x: torch.Tensor) -> torch.Tensor:
    """Median over five channels (N, 5, H, W), in operations that every runtime has."""
    a, b, c, d, e = (x[:, k:k + 1] for k in range(5))
    low = torch.maximum(torch.minimum(a, b), torch.minimum(c, d))
    high = torch.minimum(torch.maximum(a, b), torch.maximum(c, d))
    return torch.maximum(torch.minimum(low, high), torch.minimum(torch.maximum(low, high), e))


NARROW, WIDE = (24, 32, 48, 64), (32, 48, 72, 96)
"""Widths of the layers of a trunk."""


class Trunk(nn.Module):
    """From pictures (N, n_in, 48, 48) to numbers, half of which know where things lie."""

    def __init__(self, n_in: int, widths: tuple[int, int, int, int] = NARROW) -> None:
        super().__init__()
        a, b, c, d = widths
        self.body = nn.Sequential(
            block(n_in, a, 2), block(a, b, 1), block(b, c, 2), block(c, c, 1),
            block(c, d, 2), block(d, d, 1),
        )
        self.weighed = nn.Conv2d(d, d, 6, groups=d)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Features of pictures."""
        x = self.body(x)
        return torch.cat([self.weighed(x).flatten(1), x.mean((2, 3))], 1)


class Look(nn.Module):
    """Looks (N, 10 + n_more, 48, 48) and features (N, n_said) to ``n_out`` numbers each.

    The first output is the log odds of what is asked. Without features it takes looks alone.
    """

    def __init__(
        self, n_more: int, n_said: int, n_out: int, widths: tuple[int, int, int, int] = NARROW
    ) -> None:
        super().__init__()
        self.near, self.far = Trunk(6 + n_more, widths), Trunk(6, widths)
        self.head = nn.Sequential(
            nn.Linear(4 * widths[-1] + n_said, 96), nn.ReLU(), nn.Linear(96, n_out)
        )

    def forward(self, looks: torch.Tensor, said: torch.Tensor | None = None) -> torch.Tensor:
        """What is said of looks."""
        parts = [[
            (grey - median_of_five(grey)) / 24, (grey[:, 2:3] - 112) / 64
        ] for grey in (looks[:, :5], looks[:, 5:10])]
        near = torch.cat([*parts[0], (looks[:, 10:] - 32) / 32], 1)
        found = [self.near(near), self.far(torch.cat(parts[1], 1))]
        return self.head(torch.cat(found if said is None else [*found, said], 1))


Step = Callable[[argparse.Namespace], None]


def add_training(
    steps: argparse._SubParsersAction, train: Step, export: Step, weights: Path, minutes: float,
    rate: float, batch: int,
) -> argparse.ArgumentParser:
    """Add the commands ``train`` and ``export`` to a script; gives back the first."""
    trained = steps.add_parser("train", help="the network")
    trained.add_argument("--looks", required=True, type=Path)
    trained.add_argument("--validation", required=True, type=Path)
    trained.add_argument("--out", required=True, type=Path, help="weights, a .pt file")
    trained.add_argument("--minutes", type=float, default=minutes)
    trained.add_argument("--rate", type=float, default=rate)
    trained.add_argument("--batch", type=int, default=batch)
    trained.add_argument("--seed", type=int, default=0)
    trained.add_argument("--threads", type=int, default=2)
    trained.add_argument("--device", default="cpu")
    trained.set_defaults(run=train)
    exported = steps.add_parser("export", help="weights as an ONNX file")
    for one in (trained, exported):
        one.add_argument("--wide", dest="widths", action="store_const", const=WIDE, default=NARROW,
                         help="wider layers")
    exported.add_argument("weights", type=Path)
    exported.add_argument("--validation", required=True, type=Path)
    exported.add_argument("--out", type=Path, default=weights)
    exported.set_defaults(run=export)
    return trained


def add_share(parser: argparse.ArgumentParser) -> None:
    """Add what lets several processes share the films of a folder, as they come."""
    parser.add_argument("--part", default="0/1", help="k/n: of every n films the one numbered k")
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--wait", action="store_true", help="go on as films come in")


def films_to_do(arguments: argparse.Namespace) -> Iterator[tuple[Path, Path]]:
    """Films of the folders that are this process's share, each with the file it is to make."""
    number, count = (int(text) for text in arguments.part.split("/"))
    arguments.out.mkdir(parents=True, exist_ok=True)
    until = time.monotonic() + 60 * arguments.minutes
    done: set[Path] = set()
    while time.monotonic() < until:
        films = [
            path for folder in arguments.films for path in sorted(folder.glob("*.mp4"))
            if path not in done and zlib.crc32(path.stem.encode()) % count == number
        ]
        if not films:
            if not arguments.wait:
                return
            time.sleep(2)
        for path in films:
            done.add(path)
            made = arguments.out / f"{path.stem}.npz"
            if not made.exists():
                yield path, made
            if time.monotonic() > until:
                return


TIERS = ("broadcast", "club", "broadcast", "hostile", "broadcast", "club", "hostile")


def render(first_seed: int, count: int, seconds: float, out: Path, workers: int) -> None:
    """Films of the tiers in ``configs/arena``, which take turns by seed, none longer than asked."""
    from dataclasses import replace

    from rallymill import benchmarks
    from rallymill.arena import film_tier
    from rallymill.config import home

    configs = []
    for seed in range(first_seed, first_seed + count):
        tier = film_tier.load_tier(home() / "configs" / "arena" / f"{TIERS[seed % 7]}.yaml")
        made = film_tier.film_of(tier, seed)
        configs.append(replace(made, max_duration_s=min(seconds, made.max_duration_s or seconds)))
    benchmarks.render_films(configs, out, workers)


def load(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Looks and rows of all files of a folder."""
    looks, rows = [], []
    for path in sorted(folder.glob("*.npz")):
        if path.name.endswith(".part.npz"):
            continue
        with np.load(path) as one:
            if len(one["rows"]):
                looks.append(one["looks"])
                rows.append(one["rows"])
    return np.concatenate(looks), np.concatenate(rows)


def keep(out: Path, looks: list[np.ndarray], rows: list, n_columns: int, channels: int) -> int:
    """Write the looks of a film at once; how many."""
    whole = np.concatenate(looks) if looks else np.empty((0, channels, SIDE, SIDE), np.uint8)
    table = np.array(rows, dtype=np.float32).reshape(-1, n_columns)
    part = out.with_suffix(".part.npz")
    np.savez(part, looks=whole, rows=table)
    part.rename(out)
    return len(table)


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
    """The ten pictures of moments lighter or darker, with more or less contrast, noisier."""
    def draw(low: float, high: float) -> torch.Tensor:
        drawn = torch.rand(len(looks), 1, 1, 1, generator=rng, device=looks.device)
        return drawn * (high - low) + low

    grey = (looks[:, :10] - 112) * draw(0.75, 1.3) + 112 + draw(-20, 20)
    looks = torch.cat([grey, looks[:, 10:]], 1)
    strength = draw(0, 5) * (draw(0, 1) < 0.3)
    noise = torch.randn(looks.shape, generator=rng, device=looks.device)
    return (looks + strength * noise).clamp(0, 255)


Loss = Callable[[nn.Module, torch.Tensor, torch.Tensor, torch.Generator], torch.Tensor]
"""Of network, looks (bytes) and rows of a batch."""


def train(
    net: nn.Module, looks: np.ndarray, rows: np.ndarray, loss_of: Loss,
    judge: Callable[[nn.Module], str], out: Path, minutes: float, rate: float, batch: int,
    seed: int, decay: float = 0.02, most_steps: int | None = None,
) -> None:
    """Train for some minutes, or steps; the rate falls to nothing at their end.

    Everything lies on the network's device. What is kept is a running mean of the weights.
    """
    device = next(net.parameters()).device
    rng = torch.Generator(device).manual_seed(seed)
    every, table = torch.from_numpy(looks).to(device), torch.from_numpy(rows).to(device)
    kept = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=decay)
    started = said = time.monotonic()
    step, spent = 0, 0.0
    batch = min(batch, len(rows))
    total = torch.zeros((), device=device)
    while True:
        order = torch.randperm(len(rows), generator=rng, device=device)
        net.train()
        for first in range(0, len(order) - batch + 1, batch):
            spent = (time.monotonic() - started) / 60 / minutes
            if most_steps is not None:
                spent = max(spent, step / most_steps)
            if spent >= 1:
                break
            for group in optimizer.param_groups:
                group["lr"] = rate * min(1.0, (step + 1) / 100) * 0.5 * (1 + np.cos(np.pi * spent))
            chosen = order[first:first + batch]
            loss = loss_of(net, every[chosen], table[chosen], rng)
            optimizer.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
            optimizer.step()
            step += 1
            total += loss.detach()
            share = min(0.998, (step + 1) / (step + 10))
            with torch.no_grad():
                for a, b in zip(kept.state_dict().values(), net.state_dict().values(), strict=True):
                    a.copy_(a * share + b * (1 - share) if a.is_floating_point() else b)
        done = spent >= 1
        if done or time.monotonic() - said > 6 * minutes:
            said = time.monotonic()
            kept.eval()
            print(f"step {step}, {step * batch / len(rows):.1f} passes, {spent:.2f} of the time, "
                  f"loss {float(total) / max(step, 1):.4f}, {judge(kept)}", flush=True)
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

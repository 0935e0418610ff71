"""What the scripts that train networks for small looks share: network, films, what is kept of them.

A look is a stack of grey pictures of one place: five moments from near, five from farther off, and
sometimes another picture. The network is two small trunks, one for each distance, and a head.
"""

from __future__ import annotations

import argparse
import sys
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
        self.forget = nn.Dropout(0.15)
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
        found = [self.forget(torch.cat(found, 1))]
        return self.head(torch.cat(found if said is None else [*found, said], 1))


def weights_in(net: Look, path: Path | None) -> Look:
    """A network with the weights of a .pt file, or as it is."""
    if path is not None:
        net.load_state_dict(torch.load(path, weights_only=True, map_location="cpu"))
    return net


def step_mean(arguments: argparse.Namespace) -> None:
    """Write the mean of the weights of networks of which each began with those of another.

    Such networks lie in one basin, so that what is between them is better than each (Wortsman et
    al. 2022, "Model soups", ICML).
    """
    given = [torch.load(path, weights_only=True, map_location="cpu") for path in arguments.weights]
    for path, one in zip(arguments.weights, given, strict=True):
        if {k: v.shape for k, v in one.items()} != {k: v.shape for k, v in given[0].items()}:
            first = arguments.weights[0]
            sys.exit(f"{path}: not of the layers of {first}; name networks of one kind")
    mean = {
        name: torch.stack([one[name] for one in given]).mean(0)
        if value.is_floating_point() else value
        for name, value in given[0].items()
    }
    torch.save(mean, arguments.out)


Step = Callable[[argparse.Namespace], None]


def add_training(
    steps: argparse._SubParsersAction, train: Step, export: Step, weights: Path, minutes: float,
    rate: float, batch: int,
) -> None:
    """Add the commands ``train``, ``mean`` and ``export`` to a script."""
    trained = steps.add_parser("train", help="the network")
    trained.add_argument("--looks", required=True, type=Path, nargs="+",
                         help="folders; one that is named twice counts twice")
    trained.add_argument("--capacity", type=int, default=0,
                         help="most looks, of files that are still to come; 0: what is there")
    trained.add_argument("--wait-for", type=int, default=1, help="begin with so many looks")
    trained.add_argument("--validation", required=True, type=Path)
    trained.add_argument("--out", required=True, type=Path, help="weights, a .pt file")
    trained.add_argument("--minutes", type=float, default=minutes)
    trained.add_argument("--rate", type=float, default=rate)
    trained.add_argument("--batch", type=int, default=batch)
    trained.add_argument("--seed", type=int, default=0)
    trained.add_argument("--threads", type=int, default=2)
    trained.add_argument("--device", default="cpu")
    trained.add_argument("--start", type=Path, help="weights to start from")
    trained.set_defaults(run=train)
    averaged = steps.add_parser("mean", help="mean of weights that began with one another")
    averaged.add_argument("weights", type=Path, nargs="+")
    averaged.add_argument("--out", required=True, type=Path)
    averaged.set_defaults(run=step_mean)
    exported = steps.add_parser("export", help="weights as an ONNX file")
    for one in (trained, exported):
        one.add_argument("--wide", dest="widths", action="store_const", const=WIDE, default=NARROW,
                         help="wider layers")
    exported.add_argument("weights", type=Path)
    exported.add_argument("--validation", required=True, type=Path)
    exported.add_argument("--out", type=Path, default=weights)
    exported.set_defaults(run=export)


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


def keep(out: Path, looks: list[np.ndarray], rows: list, n_columns: int, channels: int) -> int:
    """Write the looks of a film at once; how many."""
    whole = np.concatenate(looks) if looks else np.empty((0, channels, SIDE, SIDE), np.uint8)
    table = np.array(rows, dtype=np.float32).reshape(-1, n_columns)
    part = out.with_suffix(".part.npz")
    np.savez(part, looks=whole, rows=table)
    part.rename(out)
    return len(table)

"""Write training pictures for the detector: three moments as the channels of one picture.

Blue is the grey level of the frame before, green of the frame itself, red of the frame after, so
that what stands still is grey and what moves is coloured. Labels follow the common YOLO text
format, one line a box: class, centre x, centre y, width, height as shares of the picture; class 0
is a person on or around the court, class 1 a ball in play.

Every picture goes through a chain of its own (see ``film_chain``): drawn in the film's size,
through fields, rolling shutter and one or two codecs, then scaled as the detector scales films. Of
each seed the tier is drawn by weights, which favour small, starved films.

Run ``python -m rallymill.arena.export --out DIR --first-seed S --count N``.
"""

from __future__ import annotations

import argparse
import logging
import multiprocessing
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena import export_labels, export_picture, play, render, scene
from rallymill.errors import ConfigError

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)

WEIGHTS: dict[str, float] = {"easy": 0.06, "broadcast": 0.34, "club": 0.24, "hostile": 0.36}
"""Shares of the tiers in a mixed set; the hostile one holds most of the small, starved films."""


@dataclass(frozen=True)
class Request:
    """What one seed is to give."""

    seed: int
    n: int
    out: str
    tier: str
    width_px: int
    height_px: int
    weights: Mapping[str, float] = field(default_factory=lambda: dict(WEIGHTS))


def draw_tier(rng: np.random.Generator, tier: str, weights: Mapping[str, float]) -> str:
    """The tier itself, or one drawn by weight where it is ``mixed``."""
    if tier != "mixed":
        return tier
    names = [name for name in scene.TIERS if weights.get(name, 0.0) > 0]
    odds = np.array([weights[name] for name in names])
    return str(rng.choice(names, p=odds / odds.sum()))


def read_weights(text: str) -> dict[str, float]:
    """Weights of the tiers from text like ``broadcast=2,hostile=3``.

    Raises
    ------
    ConfigError
        A tier is not known, a weight is no number from 0 up, or all are 0.
    """
    found = {}
    for part in text.split(","):
        name, _, value = part.partition("=")
        try:
            found[name.strip()] = float(value)
        except ValueError as error:
            raise ConfigError(f"weight {part!r} has no number", "write TIER=NUMBER,...") from error
        if name.strip() not in scene.TIERS or not 0 <= found[name.strip()] < np.inf:
            raise ConfigError(
                f"weight {part!r} cannot stand", f"tiers are {', '.join(scene.TIERS)}, weights >= 0"
            )
    if not sum(found.values()):
        raise ConfigError("all weights are 0", "give one tier a weight")
    return found


def stacked(before: Bytes, at: Bytes, after: Bytes) -> Bytes:
    """Grey pictures (H, W) of three moments as the channels blue, green and red, (H, W, 3)."""
    return np.asarray(np.dstack([before, at, after]), dtype=np.uint8)


def training_frames(
    seed: int, n: int, out_dir: Path, tier: str = "mixed", width_px: int = 1280,
    height_px: int = 720, weights: Mapping[str, float] | None = None,
) -> int:
    """Write ``n`` pictures of one world with their labels; the same for the same seed.

    Pictures go to ``out_dir/images``, labels to ``out_dir/labels``; returns the number written.
    """
    rng = np.random.default_rng([seed, 80])
    tier = draw_tier(rng, tier, weights or WEIGHTS)
    venue = scene.make(seed, tier)
    world = play.simulate(
        seed, int(rng.integers(2, 5)), surface=venue.surface,
        level="club" if tier == "club" else "tour", split=scene.split_of(seed),
    )
    studio = export_picture.Studio(seed, tier, venue, world, render.Renderer(venue, world))
    images, labels = out_dir / "images", out_dir / "labels"
    images.mkdir(parents=True, exist_ok=True)
    labels.mkdir(parents=True, exist_ok=True)
    for k in range(n):
        shot = studio.shot(rng, k)
        greys = [export_labels.fitted(frame, width_px, height_px) for frame in shot.frames]
        lines: list[str] = []
        if shot.pictures:
            placed = export_labels.Placed(shot.size, shot.chain.size, (width_px, height_px))
            raw = [export_labels.fitted(frame, width_px, height_px) for frame in shot.raw]
            lost = export_labels.lost_balls(shot.pictures, placed, raw, greys)
            lines = export_labels.label_lines(shot.pictures[1], placed, lost)
        stem = f"{seed:06d}_{k:02d}"
        cv2.imwrite(
            str(images / f"{stem}.jpg"), stacked(*greys),
            # Full colour resolution: the channels are moments, not colours.
            [cv2.IMWRITE_JPEG_QUALITY, 95, cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
             cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444],
        )
        (labels / f"{stem}.txt").write_text("".join(line + "\n" for line in lines))
    return n


def _work(request: Request) -> tuple[int, int]:
    cv2.setNumThreads(1)
    n = training_frames(
        request.seed, request.n, Path(request.out), request.tier, request.width_px,
        request.height_px, request.weights,
    )
    return request.seed, n


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m rallymill.arena.export", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=1400)
    parser.add_argument("--per-seed", type=int, default=14)
    parser.add_argument("--tier", choices=("mixed", *scene.TIERS), default="mixed")
    parser.add_argument(
        "--weights", default=",".join(f"{name}={value}" for name, value in WEIGHTS.items()),
        help="weights of the tiers in a mixed set, default %(default)s",
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--height", type=int, default=720)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Write ``--count`` pictures, some to each seed from ``--first-seed`` on; exit status."""
    options = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    weights = read_weights(options.weights)
    requests = []
    left, seed = options.count, options.first_seed
    while left > 0:
        n = min(options.per_seed, left)
        requests.append(
            Request(
                seed, n, str(options.out), options.tier, options.width, options.height, weights
            )
        )
        left -= n
        seed += 1
    done = 0
    if options.workers <= 1:
        for request in requests:
            done += _work(request)[1]
            LOG.info("seed %d: %d of %d pictures", request.seed, done, options.count)
        return 0
    # One thread a process; compile once before the others start and find the compiled code.
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        done += pool.map(_work, requests[:1])[0][1]
    with context.Pool(options.workers, maxtasksperchild=40) as pool:
        for seed, n in pool.imap_unordered(_work, requests[1:]):
            done += n
            LOG.info("seed %d: %d of %d pictures", seed, done, options.count)
    return 0


if __name__ == "__main__":
    sys.exit(main())

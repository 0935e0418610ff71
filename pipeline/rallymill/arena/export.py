"""Write training pictures for the detectors: moments in the channels of one picture.

Three channels are the grey levels before, at and after, in PNG files; what eight channels are is
told in :mod:`rallymill.motion_picture`, in TIFF files of one page a channel. Labels follow the
common YOLO text format, one line a box: class, centre x, centre y, width, height as shares of the
picture; class 0 is a person on or around the court, class 1 a ball in play.

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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.arena import (
    export_labels,
    export_picture,
    export_tiles,
    play,
    render,
    scene,
    scene_life,
)
from rallymill.arena.world import World
from rallymill.camera import Camera
from rallymill.errors import ConfigError
from rallymill.motion_picture import Moment

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)

WEIGHTS: dict[str, float] = {"easy": 0.06, "broadcast": 0.34, "club": 0.24, "hostile": 0.36}
"""Shares of the tiers in a mixed set; the hostile one holds most of the small, starved films."""

UNKNOWN_CAMERAS = 0.1
"""Share of pictures whose moments are not laid over each other, as where the court is lost."""
CAMERA_SD_PX = 0.2
"""How far moments are laid beside each other, in pixels."""


@dataclass(frozen=True)
class Request:
    """What one seed is to give."""

    seed: int
    n: int
    out: str
    tier: str
    weights: Mapping[str, float] = field(default_factory=lambda: dict(WEIGHTS))
    tiles: int = 0
    tile_px: int = 640
    channels: int = motion_picture.CHANNELS


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


@dataclass(frozen=True)
class Labelled:
    """A picture (H, W, channels) under a name, with labels (N, 5): class, corners in pixels."""

    name: str
    picture: Bytes
    labels: NDArray[np.float64]


def _motion(
    cameras: Sequence[Camera | None], shades: Sequence[Moment], at: int, rng: np.random.Generator
) -> Bytes:
    """Channels of a frame of a shot, laid over as well or as badly as cameras are known."""
    width = shades[at].grey.shape[1]
    places = [at + offset for offset in motion_picture.MOMENTS]
    matrices: list[NDArray[np.float64] | None] = [None] * len(places)
    known = rng.random() >= UNKNOWN_CAMERAS
    for k, place in enumerate(places):
        matrix = motion_picture.alignment(cameras[at], cameras[place], width)
        if known and matrix is not None:
            matrices[k] = wavering(matrix, rng)
    return motion_picture.motion_picture([shades[place] for place in places], matrices)


def _greys(shades: Sequence[Moment], at: int) -> Bytes:
    """Grey levels before, at and after a frame of a shot."""
    return np.dstack([shades[place].grey for place in (at - 1, at, at + 1)])


def studio_of(
    seed: int, rng: np.random.Generator, tier: str, weights: Mapping[str, float],
    kind: type[export_picture.Studio] = export_picture.Studio,
) -> export_picture.Studio:
    """The world of a seed and what draws shots of it, of a tier or of one drawn by weight."""
    tier = draw_tier(rng, tier, weights)
    venue = scene.make(seed, tier)
    world: World = play.simulate(
        seed, int(rng.integers(2, 5)), surface=venue.surface,
        level="club" if tier == "club" else "tour", split=scene.split_of(seed),
    )
    world = scene_life.peopled(world, venue)
    return kind(seed, tier, venue, world, render.Renderer(venue, world))


def wavering(matrix: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """A homography between moments, as far off as cameras that were read from a film are."""
    shift = np.eye(3)
    shift[:2, 2] = rng.normal(0.0, CAMERA_SD_PX, 2)
    return shift @ matrix


def lost_in(
    shot: export_picture.Shot, at: int, placed: export_labels.Placed, shades: Sequence[Moment]
) -> set[int]:
    """Numbers of the balls of a frame of a shot that compression has wiped out."""
    around = (at - 1, at, at + 1)
    return export_labels.lost_balls(
        [shot.pictures[place] for place in around], placed,
        [motion_picture.moment(shot.raw[place], placed.out[0]) for place in around],
        [shades[place] for place in around],
    )


def training_pictures(
    seed: int, n: int, tier: str = "mixed", weights: Mapping[str, float] | None = None,
    channels: int = motion_picture.CHANNELS,
) -> Iterator[Labelled]:
    """Yield ``n`` pictures of one world with their labels; the same for the same seed."""
    rng = np.random.default_rng([seed, 80])
    studio = studio_of(seed, rng, tier, weights or WEIGHTS)
    done = 0
    for k in range(n):
        shot = studio.shot(rng, k)
        width = motion_picture.fitted_width(*shot.chain.size)
        shades = [motion_picture.moment(frame, width) for frame in shot.frames]
        for at in shot.looked_at:
            if done == n:
                return
            picture = (
                _greys(shades, at) if channels == 3 else _motion(shot.cameras, shades, at, rng)
            )
            found = np.zeros((0, 5))
            if shot.pictures:
                placed = export_labels.Placed(shot.size, (width, picture.shape[0]))
                found = export_labels.labels(
                    shot.pictures[at], placed, lost_in(shot, at, placed, shades)
                )
            yield Labelled(f"{seed:06d}_{done:02d}", picture, found)
            done += 1


def write(out_dir: Path, item: Labelled) -> None:
    """Write a picture to ``out_dir/images`` and its labels to ``out_dir/labels``."""
    height, width, channels = item.picture.shape
    if channels == 3:
        cv2.imwrite(
            str(out_dir / "images" / f"{item.name}.png"), item.picture,
            [cv2.IMWRITE_PNG_COMPRESSION, 1],
        )
    else:
        _write_pages(out_dir / "images" / f"{item.name}.tiff", item.picture)
    lines = export_labels.label_lines(item.labels, (width, height))
    (out_dir / "labels" / f"{item.name}.txt").write_text("".join(line + "\n" for line in lines))


def _write_pages(path: Path, picture: Bytes) -> None:
    pages = [np.ascontiguousarray(page) for page in np.moveaxis(picture, 2, 0)]
    cv2.imwritemulti(
        str(path), pages, [cv2.IMWRITE_TIFF_COMPRESSION, cv2.IMWRITE_TIFF_COMPRESSION_LZW]
    )


def training_frames(request: Request) -> int:
    """Write the pictures of one seed, or tiles of them; returns the number of pictures."""
    out_dir = Path(request.out)
    for name in ("images", "labels"):
        (out_dir / name).mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([request.seed, 81])
    done = 0
    for item in training_pictures(
        request.seed, request.n, request.tier, request.weights, request.channels
    ):
        if request.tiles:
            cut = export_tiles.tiles(item.picture, item.labels, request.tiles, request.tile_px, rng)
            for number, (tile, labels) in enumerate(cut):
                write(out_dir, Labelled(f"{item.name}_{number}", tile, labels))
        else:
            write(out_dir, item)
        done += 1
    return done


def _work(request: Request) -> tuple[int, int]:
    """Seed and number of its pictures; a seed that cannot be drawn costs itself alone."""
    cv2.setNumThreads(1)
    try:
        return request.seed, training_frames(request)
    except (ValueError, ArithmeticError) as error:
        LOG.error("seed %d cannot be drawn: %s: %s", request.seed, type(error).__name__, error)
        return request.seed, 0


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
    parser.add_argument("--tiles", type=int, default=0, help="write so many tiles of a picture")
    parser.add_argument("--tile-px", type=int, default=640, help="side of a tile")
    parser.add_argument(
        "--channels", type=int, choices=(3, motion_picture.CHANNELS),
        default=motion_picture.CHANNELS,
    )
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
                seed, n, str(options.out), options.tier, weights, options.tiles, options.tile_px,
                options.channels,
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

"""Write training pictures for the detector: three moments as the channels of one picture.

Blue is the grey level of the frame before, green of the frame itself, red of the frame after, so
that what stands still is grey and what moves is coloured. Labels follow the common YOLO text
format, one line a box: class, centre x, centre y, width, height as shares of the picture; class 0
is a person on or around the court, class 1 a ball in play.

Run ``python -m rallymill.arena.export --out DIR --first-seed S --count N``.
"""

from __future__ import annotations

import argparse
import logging
import multiprocessing
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena import (
    camera_work,
    graphics,
    play,
    render,
    render_develop,
    render_seen,
    scene,
)
from rallymill.arena.export_codec import compressed
from rallymill.arena.world import World

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)

PLAYER, BALL = 0, 1
RATES_FPS = (24.0, 25.0, 29.97, 30.0, 50.0, 59.94, 60.0)
FRAMES_AROUND = 2
MIN_BALL_BOX_PX = 8.0
MIN_PERSON_SHARE = 0.25
MIN_PERSON_PX = 6.0
MIN_BALL_SPEED_MPS = 0.5


@dataclass(frozen=True)
class Request:
    """What one seed is to give."""

    seed: int
    n: int
    out: str
    tier: str
    width_px: int
    height_px: int


def stacked(before: Bytes, at: Bytes, after: Bytes) -> Bytes:
    """Grey levels of three BGR frames as the channels blue, green and red, (H, W, 3)."""
    greys = [cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY) for frame in (before, at, after)]
    return np.asarray(np.dstack(greys), dtype=np.uint8)


def _clipped(
    box: Sequence[float], width: int, height: int, least: float
) -> tuple[float, float, float, float] | None:
    """Box grown to at least ``least`` a side, cut at the frame; None where little is left."""
    x1, y1, x2, y2 = box
    for_x = max(least - (x2 - x1), 0.0) / 2
    for_y = max(least - (y2 - y1), 0.0) / 2
    x1, x2 = max(x1 - for_x, -0.5), min(x2 + for_x, width - 0.5)
    y1, y2 = max(y1 - for_y, -0.5), min(y2 + for_y, height - 0.5)
    if x2 - x1 < 3.0 or y2 - y1 < 3.0:
        return None
    return x1, y1, x2, y2


def label_lines(picture: render_seen.Picture) -> list[str]:
    """Label lines of a picture: people that are seen, balls that are visible and move."""
    height, width = picture.light.shape[:2]
    found = []
    for person in picture.people:
        if person.visible_share < MIN_PERSON_SHARE:
            continue
        box = _clipped(person.box_px, width, height, 0.0)
        if box is not None and max(box[2] - box[0], box[3] - box[1]) >= MIN_PERSON_PX:
            found.append((PLAYER, box))
    for ball in picture.balls:
        moves = float(np.linalg.norm(ball.velocity_mps)) > MIN_BALL_SPEED_MPS
        box = _clipped(ball.box_px, width, height, MIN_BALL_BOX_PX)
        if ball.visible and (ball.live or moves) and box is not None:
            found.append((BALL, box))
    lines = []
    for label, (x1, y1, x2, y2) in found:
        # Pixel centres are at whole numbers, so the frame reaches from -0.5 to width - 0.5.
        values = (
            ((x1 + x2) / 2 + 0.5) / width, ((y1 + y2) / 2 + 0.5) / height,
            (x2 - x1) / width, (y2 - y1) / height,
        )
        lines.append(f"{label} " + " ".join(f"{value:.6f}" for value in values))
    return lines


def _moment(rng: np.random.Generator, world: World) -> float:
    """A moment of a world, mostly with the ball in play."""
    t = 1.0
    for _ in range(8):
        t = float(rng.uniform(0.3, max(world.duration_s - 0.3, 0.4)))
        ball = world.ball(0, t)
        if ball is not None and ball.live:
            break
    return t


def _tier(rng: np.random.Generator, tier: str) -> str:
    if tier != "mixed":
        return tier
    return str(rng.choice(["broadcast", "club", "hostile"], p=[0.5, 0.25, 0.25]))


def training_frames(
    seed: int, n: int, out_dir: Path, tier: str = "mixed", width_px: int = 1280,
    height_px: int = 720,
) -> int:
    """Write ``n`` pictures of one world with their labels; the same for the same seed.

    Pictures go to ``out_dir/images``, labels to ``out_dir/labels``; returns the number written.
    """
    rng = np.random.default_rng([seed, 80])
    tier = _tier(rng, tier)
    venue = scene.make(seed, tier)
    world = play.simulate(
        seed, int(rng.integers(2, 5)), surface=venue.surface,
        level="club" if tier == "club" else "tour", split=scene.split_of(seed),
    )
    renderer = render.Renderer(venue, world)
    main = camera_work.main_camera(world, seed, tier, width_px, height_px)
    how = render_develop.draw_processing(rng, tier)
    images, labels = out_dir / "images", out_dir / "labels"
    images.mkdir(parents=True, exist_ok=True)
    labels.mkdir(parents=True, exist_ok=True)
    crf_low, crf_high = {"broadcast": (17, 30), "club": (19, 33), "hostile": (26, 38)}[tier]
    for k in range(n):
        rate = float(rng.choice(RATES_FPS))
        shutter = float(np.clip(np.exp(rng.uniform(np.log(1 / 800), np.log(0.9 / rate))), 0, 0.04))
        t = _moment(rng, world)
        work: camera_work.CameraWork = main
        overlay = None
        draw = float(rng.random())
        number = int(rng.integers(0, 2**31))
        blank = False
        if draw < 0.03 and venue.slope > 0:
            work = camera_work.crowd_camera(
                number, width_px, height_px, venue.side_x_m, venue.wall_height_m, venue.slope
            )
            blank = True
        elif draw < 0.06:
            who = int(rng.integers(0, 2))
            work = camera_work.close_up(number, width_px, height_px, world, who, t)
        elif draw < 0.09:
            who = int(rng.integers(0, 2))
            work = camera_work.side_camera(number, width_px, height_px, world, who, t)
        elif draw < 0.45 and tier == "broadcast":
            overlay = graphics.score_graphic(number, width_px, height_px)
        frames: list[Bytes] = []
        lines: list[str] = []
        full_graphic = 0.09 <= draw < 0.10
        for j in range(-FRAMES_AROUND, FRAMES_AROUND + 1):
            moment = t + j / rate
            if full_graphic:
                frames.append(graphics.full_screen(number, width_px, height_px, j / rate))
                continue
            picture = renderer.picture(work.at(moment), moment, shutter)
            frame = render_develop.develop(picture.light, how, (seed, k, j + FRAMES_AROUND))
            if overlay is not None:
                graphics.lay_over(frame, overlay)
            frames.append(frame)
            if j == 0 and not blank:
                lines = label_lines(picture)
        out = compressed(frames, int(rng.integers(crf_low, crf_high + 1)), round(rate))
        middle = FRAMES_AROUND
        stem = f"{seed:06d}_{k:02d}"
        cv2.imwrite(
            str(images / f"{stem}.jpg"),
            stacked(out[middle - 1], out[middle], out[middle + 1]),
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
        request.height_px,
    )
    return request.seed, n


def main(arguments: Sequence[str] | None = None) -> int:
    """Write ``--count`` pictures, some to each seed from ``--first-seed`` on; exit status."""
    parser = argparse.ArgumentParser(prog="python -m rallymill.arena.export", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=1400)
    parser.add_argument("--per-seed", type=int, default=14)
    parser.add_argument("--tier", choices=("mixed", *scene.TIERS), default="mixed")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--height", type=int, default=720)
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    requests = []
    left, seed = options.count, options.first_seed
    while left > 0:
        n = min(options.per_seed, left)
        requests.append(
            Request(seed, n, str(options.out), options.tier, options.width, options.height)
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

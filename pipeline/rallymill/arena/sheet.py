"""A sheet of frames of many seeds in one picture, to look at what the arena draws."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena import export_picture, play, render, scene, scene_life
from rallymill.arena.world import World

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)
CELL = (480, 270)
CAPTION_PX = 18


@dataclass(frozen=True)
class Cell:
    """A frame (H, W, 3) BGR and what it is of."""

    image: Bytes
    caption: str


def frame_of(seed: int, tier: str, plain: bool = False) -> Cell:
    """A frame of a seed as it comes out of its chain, or as the camera gives it if ``plain``."""
    rng = np.random.default_rng([seed, 90])
    venue = scene.make(seed, tier)
    world: World = play.simulate(
        seed, 1, surface=venue.surface, level="club" if tier == "club" else "tour",
        split=scene.split_of(seed),
    )
    world = scene_life.peopled(world, venue)
    studio = export_picture.Studio(seed, tier, venue, world, render.Renderer(venue, world))
    shot = studio.shot(rng, 0)
    at = shot.looked_at[0]
    chain, coding = shot.chain, shot.chain.codings[-1]
    words = f"{tier} {seed} {venue.surface} {chain.size[0]}x{chain.size[1]}"
    if not plain:
        words += f" {coding.codec} {coding.crf}{' bound' if coding.starved else ''} {chain.fields}"
    return Cell((shot.raw if plain else shot.frames)[at], words)


def framed(cell: Cell) -> Bytes:
    """A cell of the sheet: the frame fitted into it with its caption below."""
    width, height = CELL
    out = np.zeros((height + CAPTION_PX, width, 3), dtype=np.uint8)
    rows, columns = cell.image.shape[:2]
    scale = min(width / columns, height / rows)
    size = (max(round(columns * scale), 1), max(round(rows * scale), 1))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    left, top = (width - size[0]) // 2, (height - size[1]) // 2
    out[top : top + size[1], left : left + size[0]] = cv2.resize(
        cell.image, size, interpolation=way
    )
    cv2.putText(
        out, cell.caption, (4, height + 13), cv2.FONT_HERSHEY_SIMPLEX, 0.4, (220, 220, 220), 1,
        cv2.LINE_AA,
    )
    return out


def write(
    path: Path, first_seed: int = 0, count: int = 48, columns: int = 6, plain: bool = False
) -> Path:
    """Write a sheet of ``count`` frames, the tiers in turn, as PNG; returns its path."""
    cells = []
    for number in range(count):
        tier = scene.TIERS[number % len(scene.TIERS)]
        cells.append(framed(frame_of(first_seed + number, tier, plain)))
        LOG.info("sheet: %d of %d", number + 1, count)
    while len(cells) % columns:
        cells.append(np.zeros_like(cells[0]))
    rows = [np.hstack(cells[i : i + columns]) for i in range(0, len(cells), columns)]
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    done = cv2.imencode(".png", np.vstack(rows))[1]
    path.write_bytes(done.tobytes())
    return path

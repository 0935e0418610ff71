"""Train the detector of players and ball on rendered frames.

Four steps, each a command (``python models/detector/train.py STEP --help``):

    render   frames and labels from the arena (seeds 0-99,999; validation 100,000-109,999)
    tiles    square cut-outs, mostly around balls and people
    train    the network on the tiles, then on whole frames
    export   the weights for two-core machines (OpenVINO)
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
TILE_PX = 640
LEAST_BALL_PX = 12
"""Ball boxes are padded to this, so that several cells of the stride-4 head learn from each."""
LEAST_VISIBLE = 0.4
"""A box that is cut by the tile's edge stays a label if this share of it is left."""


def read_labels(path: Path, width: int, height: int) -> np.ndarray:
    """Labels (N, 5) as class and x1, y1, x2, y2 in pixels."""
    rows = [line.split() for line in path.read_text().splitlines()] if path.exists() else []
    found = np.array(rows, dtype=float).reshape(-1, 5)
    centre, size = found[:, 1:3] * [width, height], found[:, 3:5] * [width, height]
    least = np.where(found[:, :1] == 1, LEAST_BALL_PX, 0)
    size = np.maximum(size, least)
    return np.column_stack([found[:, 0], centre - size / 2, centre + size / 2])


def write_labels(path: Path, labels: np.ndarray, width: int, height: int) -> None:
    """Write labels (N, 5) in pixels as class and normalised centre and size."""
    lines = []
    for kind, x1, y1, x2, y2 in labels:
        lines.append(
            f"{int(kind)} {(x1 + x2) / 2 / width:.6f} {(y1 + y2) / 2 / height:.6f} "
            f"{(x2 - x1) / width:.6f} {(y2 - y1) / height:.6f}"
        )
    path.write_text("\n".join(lines))


def cut(labels: np.ndarray, x: float, y: float, side: float) -> np.ndarray:
    """Labels within a square cut-out, clipped to it; mostly hidden ones are dropped."""
    if not len(labels):
        return labels
    moved = labels.copy()
    moved[:, [1, 3]] = np.clip(labels[:, [1, 3]] - x, 0, side)
    moved[:, [2, 4]] = np.clip(labels[:, [2, 4]] - y, 0, side)
    area = (labels[:, 3] - labels[:, 1]) * (labels[:, 4] - labels[:, 2])
    left = (moved[:, 3] - moved[:, 1]) * (moved[:, 4] - moved[:, 2])
    return moved[left > LEAST_VISIBLE * area]


def tile_one(job: tuple[Path, Path, int, int]) -> None:
    """Cut tiles out of one frame: around the ball, around people, anywhere."""
    source, out, count, seed = job
    rng = random.Random(f"{seed}/{source.stem}")
    picture = cv2.imread(str(source), cv2.IMREAD_COLOR)
    height, width = picture.shape[:2]
    labels = read_labels(
        source.parent.parent / "labels" / f"{source.stem}.txt", width, height
    )
    for index in range(count):
        kind = (1, 0, 1, -1)[index % 4]
        chosen = labels[labels[:, 0] == kind]
        side_x, side_y = min(TILE_PX, width), min(TILE_PX, height)
        if kind >= 0 and len(chosen):
            box = chosen[rng.randrange(len(chosen))]
            middle = (box[1] + box[3]) / 2, (box[2] + box[4]) / 2
            x = middle[0] - rng.uniform(0.1, 0.9) * side_x
            y = middle[1] - rng.uniform(0.1, 0.9) * side_y
        else:
            x, y = rng.uniform(0, width - side_x), rng.uniform(0, height - side_y)
        x = int(min(max(x, 0), width - side_x))
        y = int(min(max(y, 0), height - side_y))
        tile = picture[y : y + side_y, x : x + side_x]
        name = f"{source.stem}_{index}"
        cv2.imwrite(str(out / "images" / f"{name}.jpg"), tile, [cv2.IMWRITE_JPEG_QUALITY, 96])
        write_labels(
            out / "labels" / f"{name}.txt", cut(labels, x, y, TILE_PX), side_x, side_y
        )


def step_tiles(arguments: argparse.Namespace) -> None:
    """Cut all frames of a folder into tiles."""
    for name in ("images", "labels"):
        (arguments.out / name).mkdir(parents=True, exist_ok=True)
    frames = sorted(
        path for path in (arguments.frames / "images").iterdir()
        if path.suffix in (".jpg", ".png")
    )
    jobs = [(path, arguments.out, arguments.tiles, arguments.seed) for path in frames]
    with ProcessPoolExecutor(arguments.workers) as pool:
        list(pool.map(tile_one, jobs, chunksize=16))
    print(f"{len(frames)} frames, {len(frames) * arguments.tiles} tiles in {arguments.out}")


def step_render(arguments: argparse.Namespace) -> None:
    """Render training and validation frames with the arena."""
    for name, first, count in (
        ("train", 0, arguments.pictures), ("val", 100_000, max(arguments.pictures // 20, 1)),
    ):
        subprocess.run(
            [
                sys.executable, "-m", "rallymill.arena.export", "--out",
                str(arguments.out / name), "--first-seed", str(first), "--count", str(count),
                "--per-seed", "8", "--tier", "mixed", "--workers", str(arguments.workers),
            ],
            check=True,
        )


def fit(
    start: str, train: Path, val: Path, out: Path, name: str, arguments: argparse.Namespace,
    size: int, minutes: float, batch: int, rate: float, epochs: int,
) -> Path:
    """Train from a network description or weights; returns the last checkpoint."""
    from ultralytics import YOLO

    out.mkdir(parents=True, exist_ok=True)
    data = out / f"{name}.yaml"
    data.write_text(
        f"train: {train.resolve() / 'images'}\nval: {val.resolve() / 'images'}\n"
        "names: {0: player, 1: ball}\n"
    )
    YOLO(start, task="detect").train(
        data=str(data), imgsz=size, batch=batch, epochs=epochs, optimizer="AdamW", lr0=rate,
        lrf=0.02, cos_lr=True, warmup_epochs=1, mosaic=0.0, scale=0.35, translate=0.1, fliplr=0.5,
        # Swapping first and last channel is time run backwards: as good a rally as forwards.
        bgr=0.5, hsv_h=0.0, hsv_s=0.3, hsv_v=0.4, cls=1.0, workers=arguments.workers,
        cache=arguments.cache, device=arguments.device, project=str(out.resolve()), name=name,
        exist_ok=True, plots=False, seed=arguments.seed, deterministic=False, amp=True,
        max_det=100, **({"time": minutes / 60} if minutes else {}),
    )
    return out / name / "weights" / "last.pt"


def step_train(arguments: argparse.Namespace) -> None:
    """Train on tiles, then on whole frames, whose people are seen at the scale of use."""
    start = str(arguments.start or HERE / "network.yaml")
    if arguments.tile_minutes or arguments.tile_epochs:
        start = str(fit(
            start, arguments.tiles, arguments.val_tiles, arguments.out, "tiles", arguments, TILE_PX,
            arguments.tile_minutes, arguments.batch, 0.002, arguments.tile_epochs or 100,
        ))
    if arguments.frame_minutes:
        start = str(fit(
            start, arguments.frames, arguments.val, arguments.out, "frames", arguments,
            arguments.frame_size, arguments.frame_minutes, max(arguments.batch // 4, 1), 0.0005,
            100,
        ))
    shutil.copy(start, arguments.out / "weights.pt")
    print(f"weights in {arguments.out / 'weights.pt'}")


def step_export(arguments: argparse.Namespace) -> None:
    """Export weights beside themselves for OpenVINO, at the size that the stage uses."""
    import yaml
    from ultralytics import YOLO

    strip(arguments.weights)
    folder = Path(YOLO(str(arguments.weights)).export(format="openvino", imgsz=[736, 1280]))
    metadata = folder / "metadata.yaml"
    content = yaml.safe_load(metadata.read_text())
    content["description"] = "players and ball from three grey levels in time"
    metadata.write_text(yaml.safe_dump(content, sort_keys=False))
    print(folder)


def strip(weights: Path) -> None:
    """Take folders of the training machine out of a checkpoint."""
    import torch

    checkpoint = torch.load(weights, map_location="cpu", weights_only=False)
    model = checkpoint["model"]
    for options in (checkpoint["train_args"], getattr(model, "args", None)):
        if isinstance(options, dict):
            for key in ("data", "project", "save_dir", "model"):
                options.pop(key, None)
    model.pt_path = weights.name
    model.yaml["yaml_file"] = "network.yaml"
    checkpoint["git"] = None
    torch.save(checkpoint, weights)


def main() -> None:
    """Command line."""
    os.environ.setdefault("YOLO_OFFLINE", "true")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.set_defaults(seed=0)
    steps = parser.add_subparsers(required=True)
    cores = os.cpu_count() or 2

    render = steps.add_parser("render", help="render frames with the arena")
    render.add_argument("--out", type=Path, required=True)
    render.add_argument("--pictures", type=int, default=6240)
    render.add_argument("--workers", type=int, default=cores)
    render.set_defaults(step=step_render)

    tiles = steps.add_parser("tiles", help="cut frames into tiles")
    tiles.add_argument("--frames", type=Path, required=True)
    tiles.add_argument("--out", type=Path, required=True)
    tiles.add_argument("--tiles", type=int, default=2, help="tiles a frame")
    tiles.add_argument("--workers", type=int, default=cores)
    tiles.set_defaults(step=step_tiles)

    train = steps.add_parser("train", help="train the network")
    train.add_argument("--tiles", type=Path)
    train.add_argument("--val-tiles", type=Path)
    train.add_argument("--frames", type=Path)
    train.add_argument("--val", type=Path)
    train.add_argument("--out", type=Path, required=True)
    train.add_argument("--start", type=Path, help="weights to start from")
    train.add_argument("--tile-minutes", type=float, default=0.0)
    train.add_argument("--tile-epochs", type=int, default=0)
    train.add_argument("--frame-minutes", type=float, default=0.0)
    train.add_argument("--frame-size", type=int, default=1280)
    train.add_argument("--batch", type=int, default=128)
    train.add_argument("--workers", type=int, default=max(cores - 2, 1))
    train.add_argument("--cache", default=False)
    train.add_argument("--device", default=None)
    train.set_defaults(step=step_train)

    export = steps.add_parser("export", help="export weights for OpenVINO")
    export.add_argument("weights", type=Path)
    export.set_defaults(step=step_export)

    arguments = parser.parse_args()
    arguments.step(arguments)


if __name__ == "__main__":
    main()

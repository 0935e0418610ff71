"""Train the detector of players and ball that looks at five moments, on rendered frames.

Three steps, each a command (``python models/five_moments/train.py STEP --help``):

    render   cut-outs of frames from the arena, mostly around balls and people, with labels
             (seeds 0-99,999; validation 100,000-109,999)
    train    the network
    export   the weights for two-core machines (OpenVINO)
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
TILE_PX = 640
CHANNELS = 8


def step_render(arguments: argparse.Namespace) -> None:
    """Render tiles for training and validation with the arena."""
    first = arguments.first_seed
    for name, seed, count, tiles in (
        ("val", 100_000, 0 if first else max(arguments.pictures // 20, 1), 1),
        ("train", first, arguments.pictures, arguments.tiles),
    ):
        if not count:
            continue
        subprocess.run(
            [
                sys.executable, "-m", "rallymill.arena.export", "--out",
                str(arguments.out / name), "--first-seed", str(seed), "--count", str(count),
                "--per-seed", "12", "--tier", "mixed", "--tiles", str(tiles), "--tile-px",
                str(TILE_PX), "--workers", str(arguments.workers),
            ],
            check=True,
        )


def step_train(arguments: argparse.Namespace) -> None:
    """Train from the network description, or from weights to start from."""
    from ultralytics import YOLO

    out, data = arguments.out, arguments.data
    out.mkdir(parents=True, exist_ok=True)
    description = out / "tiles.yaml"
    description.write_text(
        f"train: {data.resolve() / 'train' / 'images'}\nval: {data.resolve() / 'val' / 'images'}\n"
        f"channels: {CHANNELS}\nnames: {{0: player, 1: ball}}\n"
    )
    network = YOLO(str(arguments.start or HERE / "network.yaml"), task="detect")
    if arguments.like:
        # Layers of the same shape are taken over; the first one differs.
        network.load(str(arguments.like))
    network.train(
        data=str(description), imgsz=TILE_PX, batch=arguments.batch, epochs=arguments.epochs,
        optimizer="AdamW", lr0=arguments.rate, lrf=0.02, cos_lr=True, warmup_epochs=1, mosaic=0.0,
        # Scaling eight channels on the processor takes most of an epoch, and finds more balls.
        scale=0.35, translate=0.1, fliplr=0.5, hsv_h=0.0, hsv_s=0.0, hsv_v=0.0, bgr=0.0, cls=1.0,
        cache="ram" if arguments.keep_in_memory else False,
        workers=arguments.workers, device=arguments.device, project=str(out.resolve()),
        name="tiles", exist_ok=True, plots=False, seed=arguments.seed, deterministic=False,
        amp=True, max_det=100, **({"time": arguments.minutes / 60} if arguments.minutes else {}),
    )
    weights = out / "weights.pt"
    shutil.copy(out / "tiles" / "weights" / "last.pt", weights)
    print(f"weights in {weights}")


def drop_broken(folder: Path) -> int:
    """Remove tiles that a stopped rendering left unfinished; returns how many."""
    import cv2

    broken = 0
    for path in sorted((folder / "images").glob("*.tiff")):
        whole, pages = cv2.imreadmulti(str(path), flags=cv2.IMREAD_UNCHANGED)
        if not whole or len(pages) != CHANNELS or any(p.shape != (TILE_PX,) * 2 for p in pages):
            path.unlink()
            broken += 1
    return broken


def step_export(arguments: argparse.Namespace) -> None:
    """Export weights beside themselves for OpenVINO, at the size that the stage uses."""
    import yaml
    from ultralytics import YOLO

    strip(arguments.weights)
    folder = Path(YOLO(str(arguments.weights)).export(format="openvino", imgsz=[736, 1280]))
    metadata = folder / "metadata.yaml"
    content = yaml.safe_load(metadata.read_text())
    content["description"] = "players and ball from five moments of a picture"
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
    render.add_argument("--pictures", type=int, default=9000)
    render.add_argument("--tiles", type=int, default=2, help="tiles a picture")
    render.add_argument("--first-seed", type=int, default=0, help="above 0: no validation set")
    render.add_argument("--workers", type=int, default=cores)
    render.set_defaults(step=step_render)

    train = steps.add_parser("train", help="train the network")
    train.add_argument("--data", type=Path, required=True, help="where tiles were rendered to")
    train.add_argument("--out", type=Path, required=True)
    train.add_argument("--start", type=Path, help="weights to go on from")
    train.add_argument("--like", type=Path, help="weights to take like layers from")
    train.add_argument("--minutes", type=float, default=0.0, help="stop after so long")
    train.add_argument("--epochs", type=int, default=40)
    train.add_argument("--rate", type=float, default=0.002)
    train.add_argument("--batch", type=int, default=128)
    train.add_argument("--workers", type=int, default=max(cores - 2, 1))
    train.add_argument("--device", default=None)
    train.add_argument(
        "--keep-in-memory", action="store_true", help="3.3 MB a tile; decoded once, not each epoch"
    )
    train.set_defaults(step=step_train)

    export = steps.add_parser("export", help="export weights for OpenVINO")
    export.add_argument("weights", type=Path)
    export.set_defaults(step=step_export)

    arguments = parser.parse_args()
    arguments.step(arguments)


if __name__ == "__main__":
    main()

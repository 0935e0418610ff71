"""Train the detector of players and ball, on rendered frames and on some real ones.

Four steps, each a command (``python models/detector/train.py STEP --help``):

    render   cut-outs of frames from the arena, mostly around balls and people, with labels
             (training seeds 0-99,999; validation 100,000-109,999)
    teach    cut-outs of real films without a ball; a network trained on photographs says where
             people are
    train    the network; what is rendered meanwhile is learned from as it comes
    export   the weights for two-core machines (OpenVINO)
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

TILE_PX = 640
SURE, UNSURE = 0.55, 0.25
"""The teacher's people above the first score are labels; between the two they are painted over."""
PAINT = 114


def step_render(arguments: argparse.Namespace) -> None:
    """Render tiles with the arena."""
    subprocess.run(
        [
            sys.executable, "-m", "rallymill.arena.export", "--out", str(arguments.out),
            "--first-seed", str(arguments.first_seed), "--count", str(arguments.pictures),
            "--per-seed", "12", "--tier", "mixed", "--tiles", str(arguments.tiles), "--tile-px",
            str(TILE_PX), "--channels", "3", "--workers", str(arguments.workers),
        ],
        check=True,
    )


def step_teach(arguments: argparse.Namespace) -> None:
    """Write tiles of real films in the same form; nothing in them is a ball."""
    from rallymill.arena import export, export_tiles
    from rallymill.config import home
    from rallymill.stages import detect_second
    from rallymill.stages.base import Execution

    teacher = detect_second.load(
        home() / "models", "people_second/nanodet", Execution("cpu", threads=2)
    )
    rng = np.random.default_rng(arguments.seed)
    for name in ("images", "labels"):
        (arguments.out / name).mkdir(parents=True, exist_ok=True)
    for path in arguments.films:
        for number, (picture, labels) in enumerate(taught(path, teacher, arguments.frames, rng)):
            wanted = labels[rng.integers(len(labels))] if len(labels) else None
            left, top = (
                int(rng.integers(0, max(length - TILE_PX, 0) + 1)) if wanted is None else
                int(np.clip(
                    wanted[1 + k] - rng.uniform(0.1, 0.7) * TILE_PX, 0, max(length - TILE_PX, 0)
                ))
                for k, length in ((0, picture.shape[1]), (1, picture.shape[0]))
            )
            tile = np.full((TILE_PX, TILE_PX, 3), PAINT, np.uint8)
            part = picture[top:top + TILE_PX, left:left + TILE_PX]
            tile[:part.shape[0], :part.shape[1]] = part
            cut = export_tiles.cut(labels, left, top, TILE_PX)
            export.write(
                arguments.out, export.Labelled(f"real_{path.stem}_{number:03d}", tile, cut)
            )


def taught(path: Path, teacher, n_frames: int, rng: np.random.Generator):
    """Pictures of three grey levels of a film with labels (N, 5) of its people in their pixels."""
    import cv2

    from rallymill import video
    from rallymill.arena.export_labels import PLAYER
    from rallymill.stages import detect_second
    from rallymill.stages.detect_stream import frame_step

    info = video.probe(path)
    step = frame_step(info.duration_s / info.n_frames, 0.036)
    with video.frames(path) as stream:
        frames = [frame.image for frame in stream]
    for at in np.linspace(step, len(frames) - 1 - step, n_frames).astype(int):
        image = frames[at]
        height, width = image.shape[:2]
        # So tall that one look sees the whole picture: people in it are not small.
        tall = max(height, width) * detect_second.TALL / detect_second.SIDE
        people = teacher.people(image, (0.0, 0.0, width, height), (tall, tall), UNSURE)
        ratio = 1280 / max(height, width) * float(np.exp(rng.uniform(-0.9, 0.1)))
        shrink = cv2.INTER_AREA if ratio < 1 else cv2.INTER_CUBIC
        around = (frames[at - step], image, frames[at + step])
        picture = np.dstack([
            cv2.cvtColor(
                cv2.resize(one, None, fx=ratio, fy=ratio, interpolation=shrink), cv2.COLOR_BGR2GRAY
            ) for one in around
        ])
        people[:, :4] *= ratio
        for x1, y1, x2, y2, score in people:
            if score < SURE:
                picture[int(max(y1, 0)):int(y2), int(max(x1, 0)):int(x2)] = PAINT
        sure = people[people[:, 4] >= SURE]
        yield picture, np.column_stack([np.full(len(sure), PLAYER), sure[:, :4]])


def step_train(arguments: argparse.Namespace) -> None:
    """Train on the device, where all tiles lie; the rate falls to nothing at the end."""
    import fit
    import torch

    torch.manual_seed(arguments.seed)
    device = torch.device(arguments.device)
    network = fit.network(arguments.start or HERE / "network.yaml", HERE / "network.yaml")
    held = fit.Tiles(arguments.data / "val", device, arguments.held)
    tiles = fit.Tiles(arguments.data / "train", device, arguments.capacity)
    held.fill(once=True)
    kept = fit.train(
        network.to(device), tiles, lambda net: fit.judged(net, held), arguments.minutes,
        arguments.rate, arguments.batch, arguments.seed, arguments.most_steps, arguments.wait_for,
    )
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    fit.save(kept, arguments.out)
    print(f"weights in {arguments.out}")


def step_export(arguments: argparse.Namespace) -> None:
    """Export weights beside themselves for OpenVINO, at the size that the stage uses."""
    import yaml
    from ultralytics import YOLO

    folder = Path(YOLO(str(arguments.weights)).export(format="openvino", imgsz=[736, 1280]))
    metadata = folder / "metadata.yaml"
    content = yaml.safe_load(metadata.read_text())
    content["description"] = "players and ball from three grey levels in time"
    metadata.write_text(yaml.safe_dump(content, sort_keys=False))
    if arguments.films:
        import quantise

        from rallymill.benchmark_detect import films_in

        films = [path for folder in arguments.films for path in films_in(folder)]
        pictures = quantise.pictures_of(films, arguments.frames, arguments.seed)
        print(f"eight bits, fitted to {quantise.quantise(folder, pictures)} pictures")
    print(folder)


def main() -> None:
    """Command line."""
    os.environ.setdefault("YOLO_OFFLINE", "true")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.set_defaults(seed=0)
    steps = parser.add_subparsers(required=True)

    render = steps.add_parser("render", help="cut-outs of rendered frames")
    render.add_argument("--out", type=Path, required=True)
    render.add_argument("--pictures", type=int, default=14_000)
    render.add_argument("--tiles", type=int, default=3, help="tiles a picture")
    render.add_argument("--first-seed", type=int, default=0)
    render.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    render.set_defaults(step=step_render)

    teach = steps.add_parser("teach", help="cut-outs of real films without a ball")
    teach.add_argument("films", nargs="+", type=Path)
    teach.add_argument("--out", type=Path, required=True)
    teach.add_argument("--frames", type=int, default=20, help="frames of a film")
    teach.set_defaults(step=step_teach)

    train = steps.add_parser("train", help="the network")
    train.add_argument("--data", type=Path, required=True, help="holds train and val")
    train.add_argument("--out", type=Path, required=True, help="weights, a .pt file")
    train.add_argument("--start", type=Path, help="weights to start from")
    train.add_argument("--minutes", type=float, default=20.0)
    train.add_argument("--rate", type=float, default=0.001)
    train.add_argument("--batch", type=int, default=128)
    train.add_argument("--device", default="cpu")
    train.add_argument("--capacity", type=int, default=40_000, help="most tiles, 1.2 MB each")
    train.add_argument("--held", type=int, default=1000, help="most tiles to judge by")
    train.add_argument("--wait-for", type=int, default=1, help="begin with so many tiles")
    train.add_argument("--most-steps", type=int)
    train.set_defaults(step=step_train)

    export = steps.add_parser("export", help="weights for OpenVINO")
    export.add_argument("weights", type=Path)
    export.add_argument(
        "--films", nargs="+", type=Path, default=[],
        help="folders of films for training: weights of eight bits, fitted to their frames",
    )
    export.add_argument("--frames", type=int, default=2, help="frames of a film")
    export.set_defaults(step=step_export)

    arguments = parser.parse_args()
    arguments.step(arguments)


if __name__ == "__main__":
    main()

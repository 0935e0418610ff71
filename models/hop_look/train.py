"""Train the network that sees whether a player's feet are off the ground.

Four steps, each a command (``python models/hop_look/train.py STEP --help``). Films are those that
``models/ball_look/train.py render`` makes; ``models/shots.py`` draws without them.

    collect  what is seen of the players of films with known truth
    train    the network, from what was collected or drawn by ``models/shots.py``
    mean     of the weights of networks that began with one another
    export   its weights as an ONNX file, with probabilities that fit films it was not trained on
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import look_fit
import looks as look_training
from hop_look import places

HEIGHT, TALL = 1, 2
"""Columns of what is kept besides a look: height of the feet in metres, of the box in pixels."""
OFF_GROUND_M = 0.008
"""Feet higher than this are off the ground: a hop is lower for 4 ms at either end."""
AROUND_FRAMES = 8
BASE_RATE = 0.2
"""Share of frames in the air for which probabilities hold; the people stage knows it too."""


def step_collect(arguments: argparse.Namespace) -> None:
    """Write one file of looks for each film of the folders that has none yet."""
    for path, out in look_training.films_to_do(arguments):
        if path.with_name(f"{path.stem}.truth.views.parquet").exists():
            started = time.monotonic()
            count = collect(path, out, arguments.share)
            print(f"{path.stem}: {count} looks, {time.monotonic() - started:.0f} s", flush=True)


def collect(path: Path, out: Path, share: float) -> int:
    """Looks at the players around every hop of a film, and at a share of all other moments."""
    from rallymill import benchmark_detect
    from rallymill.stages import detect, detect_hops
    from rallymill.stages.detect_networks import DetectConfig

    rng = np.random.default_rng(sum(path.stem.encode()) + 1)
    config = DetectConfig()
    cameras = detect.cameras_by_frame(benchmark_detect.truth_of(path, "frames"))
    tracks = benchmark_detect.truth_of(path, "tracks").to_pandas()
    players = tracks[tracks["role"].isin(["near", "far"])]
    rows_at = {(int(row.frame), row.role): row for row in players.itertuples()}
    wanted = set()
    for role, one in players.groupby("role"):
        in_air = one.loc[one["z_m"] > 0, "frame"].to_numpy()
        around = set((in_air[:, None] + np.arange(-AROUND_FRAMES, AROUND_FRAMES + 1)).ravel())
        wanted |= {(int(f), role) for f in one["frame"] if f in around or rng.random() < share}
    looks, rows = [], []
    spans = benchmark_detect.main_spans(path)
    for seen in benchmark_detect.seen_of(path, spans, cameras, config):
        at = seen.at
        for role in ("near", "far"):
            row = rows_at.get((at.frame, role))
            if row is None or (at.frame, role) not in wanted or not row.visible:
                continue
            box = np.array([row.x1_px, row.y1_px, row.x2_px, row.y2_px], dtype=float)
            look = places.of_player(seen, (box + 0.5) / at.scale - 0.5, rng)
            if look is not None:
                looks.append(look[0])
                rows.append((at.frame, row.z_m, look[1], at.t_s, role == "near"))
    return look_training.keep(out, looks, rows, 5, detect_hops.CHANNELS)


def step_train(arguments: argparse.Namespace) -> None:
    """Train for some minutes; the rate falls to nothing at their end."""
    import torch
    from torch.nn import functional

    torch.manual_seed(arguments.seed)
    torch.set_num_threads(arguments.threads)
    device = torch.device(arguments.device)
    shelf = look_fit.Shelf(arguments.looks, device, arguments.capacity, arguments.wait_for)
    held = look_fit.load(arguments.validation)
    print(f"{shelf.count} looks, {shelf.share(HEIGHT, OFF_GROUND_M):.3f} in the air; "
          f"validation {len(held[1])}, {int((held[1][:, HEIGHT] > OFF_GROUND_M).sum())}")

    def loss_of(net, looks, rows, rng):
        seen, _ = look_fit.varied(looks, rng)
        seen, _ = look_fit.turned(seen, rng, 0.06, 0.1)
        height = rows[:, HEIGHT]
        with torch.autocast(device.type, torch.bfloat16):
            found = net(seen)
        found = found.float()
        return (
            functional.binary_cross_entropy_with_logits(
                found[:, 0], (height > OFF_GROUND_M).float()
            ) + 0.5 * functional.smooth_l1_loss(found[:, 1], height * 10)
        )

    net = look_training.weights_in(look_training.Look(0, 0, 2, arguments.widths), arguments.start)
    look_fit.train(
        net.to(device), shelf, loss_of,
        lambda net: judged(net, held), arguments.out, arguments.minutes, arguments.rate,
        arguments.batch, arguments.seed, decay=0.05,
    )


def judged(net, held) -> str:
    """How well held looks are told apart, near and far players."""
    found = look_fit.answers(net, held[0])[:, 0]
    in_air = held[1][:, HEIGHT] > OFF_GROUND_M
    near = held[1][:, 4] > 0
    return "; ".join(
        f"{name}: {look_fit.precision_recall(found[those], in_air[those])}"
        for name, those in (("near", near), ("far", ~near))
    )


def step_export(arguments: argparse.Namespace) -> None:
    """Write the ONNX file; its log odds fit the validation films at the base rate."""
    net = look_training.Look(0, 0, 2, arguments.widths)
    look_training.weights_in(net, arguments.weights)
    looks, rows = look_fit.load(arguments.validation)
    in_air = rows[:, HEIGHT] > OFF_GROUND_M
    found = look_fit.answers(net, looks)[:, 0].astype(float)
    slope, shift = look_fit.fitted(found, in_air.astype(float))
    # From the share of these looks, which crowd around hops, to the base rate.
    share = float(in_air.mean())
    shift += np.log(BASE_RATE / (1 - BASE_RATE)) - np.log(share / (1 - share))
    look_fit.export(net, slope, float(shift), arguments.out, 0, 0)


def main() -> None:
    """Run the step that the command line names."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(required=True)
    one = steps.add_parser("collect", help="looks at players")
    one.add_argument("films", nargs="+", type=Path)
    one.add_argument("--out", required=True, type=Path)
    one.add_argument("--share", type=float, default=0.12, help="share of moments without a hop")
    look_training.add_share(one)
    one.set_defaults(run=step_collect)
    look_training.add_training(
        steps, step_train, step_export, Path(__file__).parent / "weights.onnx", 8, 0.001, 128
    )
    arguments = parser.parse_args()
    arguments.run(arguments)


if __name__ == "__main__":
    sys.exit(main())

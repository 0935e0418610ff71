"""Train the network that looks a second time at each place where a ball may be.

Six steps, each a command (``python models/ball_look/train.py STEP --help``):

    render   short films of the arena (training seeds 0-99,999, validation 100,000-109,999)
    collect  what is seen of the candidates of films with known truth, and of films without a ball
    train    the network, from what was collected or drawn by ``models/shots.py``
    mean     of the weights of networks that began with one another
    settle   its head, from films and from real pictures without a ball
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
from ball_look import places


def step_collect(arguments: argparse.Namespace) -> None:
    """Write one file of looks for each film of the folders that has none yet."""
    from rallymill import benchmark_detect

    detector, config = places.detector(arguments.device)
    for path, out in look_training.films_to_do(arguments):
        if benchmark_detect.tier_of(path) != "films" and not _has_truth(path):
            continue
        started = time.monotonic()
        count = collect(path, out, config, detector, arguments)
        print(f"{path.stem}: {count}, {time.monotonic() - started:.0f} s", flush=True)


def _has_truth(path: Path) -> bool:
    return path.with_name(f"{path.stem}.truth.views.parquet").exists()


def collect(path: Path, out: Path, config, detector, arguments: argparse.Namespace) -> str:
    """Looks of a film's candidates; a film without truth has no ball."""
    import pandas as pd

    from rallymill import benchmark_detect, video
    from rallymill.stages import detect, detect_balls
    from rallymill.stages.detect_networks import choose

    rng = np.random.default_rng(sum(path.stem.encode()))
    truth = _has_truth(path)
    if truth:
        spans = benchmark_detect.main_spans(path)
        frames = benchmark_detect.truth_of(path, "frames")
        cameras = detect.cameras_by_frame(frames)
        ratio = 720 / float(frames["height_px"][0].as_py())
        tracks = benchmark_detect.truth_of(path, "tracks").to_pandas()
        people = tracks[tracks.track_id != 0]
        balls = benchmark_detect.balls_of(path)
    else:
        info = video.probe(path)
        spacing_s = config.interval_s / arguments.step if arguments.step else 1 / float(info.rate)
        spans = [(0, info.n_frames - 1, spacing_s)]
        cameras, ratio = {}, 720 / info.height_px
        balls = pd.DataFrame(columns=["u_px", "v_px", "visible", "resting"])
    wanted = {
        int(f) for first, last, _ in spans for f in range(first, last + 1)
        if rng.random() < arguments.share
    }
    if len(wanted) > arguments.most:
        wanted = set(rng.permutation(sorted(wanted))[:arguments.most].tolist())
    bare = {
        int(f) for f in balls.index[~balls.resting]
        if f not in wanted and rng.random() < arguments.bare
    } if truth else set()
    looks, rows = [], []
    for seen in benchmark_detect.seen_of(path, spans, cameras, config):
        at = seen.at
        if at.frame not in wanted and at.frame not in bare:
            continue
        ball = None
        if at.frame in balls.index:
            row = balls.loc[at.frame]
            spot = (np.array([row.u_px, row.v_px], float) + 0.5) / at.scale - 0.5
            ball = places.Ball(spot, bool(row.visible), bool(row.resting))
        if at.frame in wanted:
            boxes = [b for b in choose(detector([seen.picture])[0], config) if b.label == "ball"]
            spots, found = places.of_candidates(boxes, ball, at.scale * ratio, rng)
        else:
            there = people[people.frame == at.frame]
            corners = there[["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy(float) / at.scale
            size = at.shades.grey.shape[::-1]
            spots, found = places.elsewhere(ball, corners, size, at.scale * ratio, rng)
        if len(spots):
            looks.append(detect_balls.looks(seen.moments, seen.matrices, spots))
            rows += [(at.frame, *row, at.scale * ratio) for row in found]
    count = look_training.keep(out, looks, rows, 9, detect_balls.CHANNELS)
    return f"{count} looks, {sum(int(row[KIND]) for row in rows)} right"


KIND, OFFSET, SAID = 1, slice(2, 4), slice(4, 8)
MORE, N_SAID, N_OUT = 1, 4, 3


def looking(arguments: argparse.Namespace, weights: Path | None) -> look_training.Look:
    """The network of the widths asked for, with some weights."""
    net = look_training.Look(MORE, N_SAID, N_OUT, arguments.widths)
    return look_training.weights_in(net, weights)


def step_train(arguments: argparse.Namespace) -> None:
    """Train for some minutes; the rate falls to nothing at their end."""
    import torch
    from torch.nn import functional

    torch.manual_seed(arguments.seed)
    torch.set_num_threads(arguments.threads)
    device = torch.device(arguments.device)
    shelf = look_fit.Shelf(arguments.looks, device, arguments.capacity, arguments.wait_for)
    held = look_fit.load(arguments.validation)
    print(f"{shelf.count} looks, {shelf.share(KIND, 0.5):.3f} of them right; "
          f"validation {len(held[1])}", flush=True)
    net = looking(arguments, arguments.start)

    def loss_of(net, looks, rows, rng):
        seen, mirrored = look_fit.varied(looks, rng)
        offset, said, kind = rows[:, OFFSET].clone(), rows[:, SAID], rows[:, KIND]
        offset[mirrored, 0] *= -1
        seen, moved = look_fit.turned(seen, rng, 0.25, 0.25, 0.12)
        offset = (moved @ offset[:, :, None])[:, :, 0]
        # What the detector says may be wanting.
        heard = torch.rand(len(rows), 1, generator=rng, device=rows.device) >= 0.15
        with torch.autocast(device.type, torch.bfloat16):
            found = net(seen, said * heard)
        found = found.float()
        loss = functional.binary_cross_entropy_with_logits(found[:, 0], kind)
        away = functional.smooth_l1_loss(found[:, 1:], offset, reduction="none").mean(1)
        return loss + 0.1 * (away * kind).sum() / kind.sum().clamp(min=1)

    look_fit.train(
        net.to(device), shelf, loss_of, lambda net: judged(net, held), arguments.out,
        arguments.minutes, arguments.rate, arguments.batch, arguments.seed,
    )


def step_settle(arguments: argparse.Namespace) -> None:
    """Train the head on; tells how it stands before and after."""
    import torch
    from ball_look import settle

    torch.set_num_threads(arguments.threads)
    net = looking(arguments, arguments.weights)
    held = look_fit.load(arguments.validation)
    print(judged(net, held), flush=True)
    net = settle.settled(
        net, arguments.films, arguments.real, arguments.weight, arguments.passes, arguments.rate,
        arguments.seed, (KIND, OFFSET, SAID),
    )
    print(judged(net, held))
    torch.save(net.state_dict(), arguments.out)


def candidates(held):
    """Looks and rows of candidates of the detector alone, without places taken besides."""
    real = held[1][:, SAID][:, 0] > 0
    return held[0][real], held[1][real]


def judged(net, held) -> str:
    """How well candidates of held films are told apart, beside the detector's own confidence."""
    looks, rows = candidates(held)
    found = look_fit.answers(net, looks, rows[:, SAID])
    kind = rows[:, KIND] > 0
    texts = [
        f"{name}: {look_fit.precision_recall(score, kind)}"
        for name, score in (("detector", rows[:, SAID][:, 1]), ("look", found[:, 0]))
    ]
    off = np.hypot(*(found[kind, 1:] - rows[kind][:, OFFSET]).T)
    before = np.hypot(*rows[kind][:, OFFSET].T)
    return "; ".join(texts) + f"; off {np.median(before):.2f} -> {np.median(off):.2f} px"


def step_export(arguments: argparse.Namespace) -> None:
    """Write the ONNX file; its log odds fit the candidates of the validation films."""
    net = looking(arguments, arguments.weights)
    looks, rows = candidates(look_fit.load(arguments.validation))
    found = look_fit.answers(net, looks, rows[:, SAID])
    slope, shift = look_fit.fitted(found[:, 0].astype(float), rows[:, KIND].astype(float))
    again, besides = arguments.again
    slope, shift = again * slope, again * shift + besides
    look_fit.export(net, slope, shift, arguments.out, MORE, N_SAID)


def step_render(arguments: argparse.Namespace) -> None:
    """Render films that are not there yet."""
    look_training.render(
        arguments.first_seed, arguments.count, arguments.seconds, arguments.out, arguments.workers
    )


def main() -> None:
    """Run the step that the command line names."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(required=True)
    one = steps.add_parser("render", help="short films of the arena")
    one.add_argument("--out", required=True, type=Path)
    one.add_argument("--first-seed", type=int, default=50_000)
    one.add_argument("--count", type=int, default=200)
    one.add_argument("--seconds", type=float, default=4.0)
    one.add_argument("--workers", type=int, default=2)
    one.set_defaults(run=step_render)
    one = steps.add_parser("collect", help="looks of candidates")
    one.add_argument("films", nargs="+", type=Path)
    one.add_argument("--out", required=True, type=Path)
    one.add_argument("--share", type=float, default=0.4, help="share of frames looked at")
    one.add_argument("--bare", type=float, default=0.0,
                     help="share of the other frames with a ball of which places are taken")
    one.add_argument("--most", type=int, default=90, help="most frames of a film")
    one.add_argument("--step", type=int, default=0,
                     help="frames from one moment to the next in films without truth; 0: by rate")
    one.add_argument("--device", default="cpu", help="where the detector runs")
    look_training.add_share(one)
    one.set_defaults(run=step_collect)
    look_training.add_training(
        steps, step_train, step_export, Path(__file__).parent / "weights.onnx", 30, 0.002, 192
    )
    steps.choices["export"].add_argument(
        "--again", type=float, nargs=2, default=(1.0, 0.0), metavar=("SLOPE", "SHIFT"),
        help="put the log odds right once more, by what the whole stage says in points of films",
    )
    one = steps.add_parser("settle", help="the head, on films and on real pictures")
    one.add_argument("weights", type=Path)
    one.add_argument("--films", required=True, type=Path, nargs="+", help="looks of films")
    one.add_argument("--real", required=True, type=Path, nargs="+",
                     help="looks of real films without a ball")
    one.add_argument("--validation", required=True, type=Path)
    one.add_argument("--out", required=True, type=Path)
    one.add_argument("--weight", type=int, default=6, help="times a real look is seen in a pass")
    one.add_argument("--passes", type=int, default=4)
    one.add_argument("--rate", type=float, default=0.0001)
    one.add_argument("--seed", type=int, default=0)
    one.add_argument("--threads", type=int, default=2)
    one.add_argument("--wide", dest="widths", action="store_const", const=look_training.WIDE,
                     default=look_training.NARROW, help="wider layers")
    one.set_defaults(run=step_settle)
    arguments = parser.parse_args()
    arguments.run(arguments)


if __name__ == "__main__":
    sys.exit(main())

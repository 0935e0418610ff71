"""Collect what both small looks learn from, from very short shots of very many worlds.

A look learns a venue by heart within minutes, so that many venues teach it more than many frames of
a few do. A shot is some ten frames, as long as the looks see in time, through a chain of size, rate
and codec of its own (see ``rallymill.arena.film_chain``); of each world there are four.

    python models/shots.py --balls DIR --hops DIR --first-seed 70000 --count 3000 --device cuda

Training seeds are 0-99,999, validation is 100,000-109,999.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
import looks as look_training
from ball_look import places as ball_places
from hop_look import places as hop_places

AT_HOPS = 0.35
"""Share of shots around a moment at which a player's feet are off the ground."""
TRIES = 60
ELSEWHERE = 0.3
"""Share of frames of which places are taken of which the detector says nothing."""


@dataclass(frozen=True)
class Asked:
    """What a worker is to do with a seed."""

    seed: int
    shots: int
    balls: Path
    hops: Path
    device: str


@dataclass(frozen=True)
class Player:
    """A player as the picture shows them: box, height of the feet, whether the near one."""

    box_px: np.ndarray
    feet_z_m: float
    near: bool


def studio_of(seed: int, rng):
    """A world to draw shots of, many of them around hops, many of them between points."""
    from rallymill.arena import export, export_picture

    class Chosen(export_picture.Studio):
        def moment(self, rng):
            if rng.random() < export_picture.BETWEEN:
                return self.between(rng)
            hop = rng.random() < AT_HOPS
            for _ in range(TRIES):
                t = self.played(rng)
                after = t + rng.uniform(0, 0.12)
                if not hop or any(self.world.person(k, after).z_m > 0 for k in range(2)):
                    break
            return t

    return export.studio_of(seed, rng, "mixed", export.WEIGHTS, Chosen)


def frames_of(shot, rng):
    """The frames of a shot that are looked at: what is seen, the ball, all people, players.

    Each comes as the stage would see it in a film (``rallymill.stages.detect_stream.Seen``).
    """
    from rallymill import motion_picture
    from rallymill.arena import export, export_labels
    from rallymill.stages import detect_stream
    from rallymill.stages.detect_networks import DetectConfig

    width = DetectConfig().input_width_px
    shades = [motion_picture.moment(frame, width) for frame in shot.frames]
    scale = shot.chain.size[0] / width
    placed = export_labels.Placed(shot.size, (width, shades[0].grey.shape[0]))
    known = rng.random() >= export.UNKNOWN_CAMERAS / 2
    for at in shot.looked_at:
        numbers = [at + offset for offset in motion_picture.MOMENTS]
        around = [
            detect_stream.Looked(n, n / shot.chain.rate, scale, shades[n], shot.cameras[n], None)
            for n in numbers
        ]
        matrices = [
            motion_picture.alignment(shot.cameras[at], shot.cameras[n], width) if known else None
            for n in numbers
        ]
        for k, matrix in enumerate(matrices):
            if matrix is not None:
                matrices[k] = export.wavering(matrix, rng)
        lost = export.lost_in(shot, at, placed, shades)
        shown = shot.pictures[at]
        seen = detect_stream.Seen(around, matrices, 3)
        people = np.array([placed.box(person.box_px) for person in shown.people]).reshape(-1, 4)
        players = [
            Player(box, person.feet_m[2], person.role == "near")
            for box, person in zip(people, shown.people, strict=True)
            if person.role in ("near", "far")
            and person.visible_share >= export_labels.MIN_PERSON_SHARE
        ]
        yield seen, _ball(shown, placed, lost), people, players


def _ball(shown, placed, lost):
    from rallymill.detect_scores import lies_still

    for ball in shown.balls:
        if ball.index == 0:
            x, y = ball.centre_px
            spot = np.array(placed.box((x, y, x, y))[:2])
            resting = lies_still(ball.velocity_mps, ball.position_m[2])
            return ball_places.Ball(spot, ball.visible and 0 not in lost, resting)
    return None


def collect(asked: Asked, detector, config) -> tuple[int, int]:
    """Write the looks of a world; how many at places and at players."""
    from rallymill.arena.film_chain import draw_chain
    from rallymill.stages import detect_balls, detect_hops
    from rallymill.stages.detect_networks import choose

    rng = np.random.default_rng([asked.seed, 82])
    studio = studio_of(asked.seed, rng)
    balls: tuple[list, list] = ([], [])
    hops: tuple[list, list] = ([], [])
    for number in range(asked.shots):
        shot = studio.drawn(rng, number, draw_chain(rng, studio.tier), main_only=True)
        to_720 = 720 / shot.chain.size[1]
        frames = list(frames_of(shot, rng))
        answers = detector([seen.picture for seen, *_ in frames])
        for (seen, ball, people, players), boxes in zip(frames, answers, strict=True):
            at = seen.at
            ratio = at.scale * to_720
            found = [b for b in choose(boxes, config) if b.label == "ball"]
            parts = [ball_places.of_candidates(found, ball, ratio, rng)]
            if ball is not None and not ball.resting and rng.random() < ELSEWHERE:
                size = at.shades.grey.shape[::-1]
                parts.append(ball_places.elsewhere(ball, people, size, ratio, rng))
            for spots, rows in parts:
                if len(spots):
                    balls[0].append(detect_balls.looks(seen.moments, seen.matrices, spots))
                    balls[1].extend((10 * number + at.frame, *row, ratio) for row in rows)
            for player in players:
                look = hop_places.of_player(seen, player.box_px, rng)
                if look is not None:
                    hops[0].append(look[0])
                    hops[1].append(
                        (10 * number + at.frame, player.feet_z_m, look[1], at.t_s, player.near)
                    )
    name = f"{studio.tier}_{asked.seed:06d}.npz"
    n_hops = look_training.keep(asked.hops / name, *hops, 5, detect_hops.CHANNELS)
    return look_training.keep(asked.balls / name, *balls, 9, detect_balls.CHANNELS), n_hops


_DETECTORS: dict[str, tuple] = {}


def _work(asked: Asked) -> str:
    import cv2

    cv2.setNumThreads(1)
    if list(asked.balls.glob(f"*_{asked.seed:06d}.npz")):
        return f"seed {asked.seed} was there"
    started = time.monotonic()
    try:
        if asked.device not in _DETECTORS:
            _DETECTORS[asked.device] = ball_places.detector(asked.device)
        n_balls, n_hops = collect(asked, *_DETECTORS[asked.device])
    except (ValueError, ArithmeticError, OSError, cv2.error) as error:
        return f"seed {asked.seed} cannot be drawn: {type(error).__name__}: {error}"
    took = time.monotonic() - started
    return f"seed {asked.seed}: {n_balls} places, {n_hops} players, {took:.1f} s"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--balls", required=True, type=Path, help="for what is seen at places")
    parser.add_argument("--hops", required=True, type=Path, help="for what is seen of players")
    parser.add_argument("--first-seed", type=int, default=70_000)
    parser.add_argument("--count", type=int, default=3000, help="worlds")
    parser.add_argument("--shots", type=int, default=4, help="shots of a world")
    parser.add_argument("--device", default="cpu", help="where the detector runs")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    for folder in (given.balls, given.hops):
        folder.mkdir(parents=True, exist_ok=True)
    asked = [
        Asked(seed, given.shots, given.balls, given.hops, given.device)
        for seed in range(given.first_seed, given.first_seed + given.count)
    ]
    # One thread a process; compile once before the others start and find the compiled code.
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        print(pool.map(_work, asked[:1])[0], flush=True)
    with context.Pool(given.workers, maxtasksperchild=60) as pool:
        for said in pool.imap_unordered(_work, asked[1:]):
            print(said, flush=True)


if __name__ == "__main__":
    sys.exit(main())

"""Compare detectors of the ball on the same frames of films with known truth.

For visible balls in play, how many have a box within 5 px (of a picture 720 pixels high) when so
many wrong boxes a frame come along. Run, say:

    python models/compare.py FILMS --frames 30 --weights detector/weights five_moments/weights:8 \
        detector/weights+ball_look/weights
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

RIGHT_PX, WRONG_PX = 5.0, 9.0
WRONG_A_FRAME = (0.03, 0.1, 0.3, 1, 3, 10)
LEAST = 0.0003


@dataclass
class Design:
    """Weights of a detector, its channels, and what looks again at its balls."""

    name: str
    right: dict[str, list[float]] = field(default_factory=dict)
    wrong: dict[str, list[float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        weights, _, look = self.name.partition("+")
        weights, _, channels = weights.partition(":")
        from rallymill.config import home
        from rallymill.stages.base import Execution
        from rallymill.stages.detect_networks import DetectConfig, load_networks

        self.config = DetectConfig(
            model=weights, channels=int(channels or 3), ball_look=look or None, hop_look=None,
            ball_confidence=LEAST, look_confidence=LEAST, looks_a_frame=60, balls_a_frame=50,
        )
        self.networks = load_networks(home() / "models", self.config, Execution(threads=2))

    def take(self, tier: str, seen, spot_px, to_720: float) -> None:
        """Look at a frame with a ball at a place in the pixels of what is looked at."""
        from rallymill.stages.detect_balls import middles

        boxes = [b for b in self.networks.boxes([seen], self.config)[0] if b.label == "ball"]
        sure = np.array([b.confidence for b in boxes])
        away = np.hypot(*(middles(boxes) - spot_px).T) * to_720
        self.right.setdefault(tier, []).append(float(sure[away <= RIGHT_PX].max(initial=0)))
        self.wrong.setdefault(tier, []).extend(sure[away > WRONG_PX].tolist())

    def row(self, tier: str) -> str:
        """Row of the table."""
        right = np.array(self.right[tier])
        wrong = np.sort(self.wrong[tier])[::-1]
        cells = []
        for most in WRONG_A_FRAME:
            at = int(most * len(right))
            least = wrong[at] if at < len(wrong) else 0.0
            cells.append(f"{(right > least).mean():.3f}" if at < len(wrong) else
                         f"({(right > 0).mean():.3f})")
        return f"| {tier} ({len(right)}) | {self.name} | {' | '.join(cells)} |"


def look_at(path: Path, designs: list[Design], n_frames: int) -> None:
    """Show the designs some frames of a film."""
    from rallymill import benchmark_detect
    from rallymill.stages import detect

    frames = benchmark_detect.truth_of(path, "frames")
    cameras = detect.cameras_by_frame(frames)
    ratio = 720 / float(frames["height_px"][0].as_py())
    balls = benchmark_detect.balls_of(path)
    in_play = balls.index[balls.visible.astype(bool) & ~balls.resting]
    rng = np.random.default_rng(sum(path.stem.encode()))
    wanted = set(rng.permutation(in_play)[:n_frames].tolist())
    spans = benchmark_detect.main_spans(path)
    for channels in sorted({design.config.channels for design in designs}):
        some = [design for design in designs if design.config.channels == channels]
        for seen in benchmark_detect.seen_of(path, spans, cameras, some[0].config):
            if seen.at.frame not in wanted:
                continue
            ball = balls.loc[seen.at.frame]
            spot = (np.array([ball.u_px, ball.v_px], float) + 0.5) / seen.at.scale - 0.5
            for design in some:
                design.take(benchmark_detect.tier_of(path), seen, spot, seen.at.scale * ratio)


def main() -> None:
    """Command line."""
    os.environ.setdefault("YOLO_OFFLINE", "true")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("films", nargs="+", type=Path, help="folders of films with their truth")
    parser.add_argument("--frames", type=int, default=30, help="frames of a film")
    parser.add_argument(
        "--weights", nargs="+", required=True,
        help="WEIGHTS[:CHANNELS][+LOOK], each under the models folder, without suffix",
    )
    arguments = parser.parse_args()
    designs = [Design(name) for name in arguments.weights]
    films = [path for folder in arguments.films for path in sorted(folder.glob("*.mp4"))]
    for path in films:
        look_at(path, designs, arguments.frames)
    print(f"| tier (balls) | design | {' | '.join(f'{n:g}' for n in WRONG_A_FRAME)} |")
    print("| --- " * (2 + len(WRONG_A_FRAME)) + "|")
    for tier in designs[0].right:
        for design in designs:
            print(design.row(tier))


if __name__ == "__main__":
    main()

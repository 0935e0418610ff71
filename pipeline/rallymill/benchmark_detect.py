"""Measure the detector alone on drawn films with known truth and on real pictures."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from rallymill import tableio, tables, video
from rallymill.detect_scores import (
    RESTING_M,
    RESTING_MPS,
    BallScores,
    PlayerScores,
    ball_scores,
    best_confidence,
    player_scores,
)
from rallymill.errors import InputError
from rallymill.scoring.clip import inside
from rallymill.scoring.rows import Goal, goal_text
from rallymill.stages import detect, detect_along, detect_second, detect_stream
from rallymill.stages.base import Execution
from rallymill.stages.checkpoints import Chunk
from rallymill.stages.detect_boxes import Box, corners, overlaps
from rallymill.stages.detect_networks import DetectConfig, Networks, choose

TIERS = ("easy", "broadcast", "club", "hostile")
WORKING_POINTS = (0.1, 0.03, 0.003)
BINS = (0.003, 0.03, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.01)
ADULT_PX = (40.0, 200.0)

Say = Callable[[str], None]
Span = tuple[int, int, float]
"""First and last frame of a stretch of a film, and seconds from one to the next."""


@dataclass(frozen=True)
class TierScores:
    """What was measured on the films of a tier."""

    ball: BallScores = field(default_factory=lambda: BallScores.joined([]))
    near: PlayerScores = field(default_factory=lambda: PlayerScores.joined([]))
    far: PlayerScores = field(default_factory=lambda: PlayerScores.joined([]))
    films: int = 0

    def __add__(self, other: TierScores) -> TierScores:
        """Both together."""
        return TierScores(
            BallScores.joined([self.ball, other.ball]),
            PlayerScores.joined([self.near, other.near]),
            PlayerScores.joined([self.far, other.far]), self.films + other.films,
        )


def tier_of(path: Path) -> str:
    """Tier that a film's name begins with, ``films`` if none."""
    head = path.stem.split("_")[0]
    return head if head in TIERS else "films"


def films_in(folder: Path) -> list[Path]:
    """Films of a folder that have their true tracks beside them.

    Raises
    ------
    InputError
        There is none.
    """
    found = [
        path for path in sorted(folder.glob("*.mp4"))
        if path.with_name(f"{path.stem}.truth.tracks.parquet").exists()
    ]
    if not found:
        raise InputError(
            f"no films with truth in {folder}", "make some with `rallymill arena render`"
        )
    return found


def truth_of(path: Path, name: str) -> pa.Table:
    """A true table of a film."""
    return tableio.read(path.with_name(f"{path.stem}.truth.{name}.parquet"), tables.ALL[name])


def moved(box: Box, scale: float) -> Box:
    """A box in stored pixels, with the middle of the first pixel at 0, as in the tables."""
    x1, y1, x2, y2 = (float(v) * scale - 0.5 for v in corners([box])[0])
    return Box(box.label, x1, y1, x2, y2, box.confidence)


def main_spans(path: Path) -> list[Span]:
    """Spans in which the main camera is on the air, by the truth of a film."""
    return [
        (row["first_frame"], row["last_frame"], detect.spacing_s(row))
        for row in truth_of(path, "views").to_pylist() if row["label"] == "main"
    ]


def balls_of(path: Path) -> pd.DataFrame:
    """Truth of the ball in play by frame, and in the column ``resting`` whether it lies still."""
    tracks = truth_of(path, "tracks").to_pandas()
    balls = tracks[tracks["track_id"] == 0].set_index("frame")
    speed = np.sqrt((balls[["vx_mps", "vy_mps", "vz_mps"]] ** 2).sum(axis=1))
    return balls.assign(resting=(speed < RESTING_MPS) & (balls["z_m"] < RESTING_M))


TOSSED_S = 1.0
"""About so long before a serve is struck its toss begins."""


def played_frames(path: Path, frames: pa.Table) -> set[int]:
    """Frames of a film's points, from the toss until the point ends."""
    numbers, t_s = (frames[name].to_numpy() for name in ("frame", "t_s"))
    points = truth_of(path, "points")
    spans = np.column_stack([points["start_s"].to_numpy() - TOSSED_S, points["end_s"].to_numpy()])
    return set(numbers[inside(t_s, spans)].tolist())


def seen_of(
    path: Path, spans: Sequence[Span], cameras: detect_stream.Cameras, config: DetectConfig
) -> Iterator[detect_stream.Seen]:
    """Every frame of spans with the moments around it, as a network of the config sees it."""
    todo = [
        (detect_stream.frame_step(spacing_s, config.interval_s), Chunk(first, last, first, last))
        for first, last, spacing_s in spans
    ]
    needed = detect_stream.merged_spans([(first, last) for first, last, _ in spans])
    with video.frames(path, spans=needed) as stream:
        yield from detect_stream.pictures(
            stream, todo, cameras, config.channels, config.input_width_px, {}
        )


def looked_at(
    path: Path, spans: Sequence[Span], cameras: detect_stream.Cameras,
    config: DetectConfig, networks: Networks,
    wanted: Callable[[int], bool], batch: int = 4,
) -> Iterator[detect_along.Followed]:
    """The wanted frames of spans with the boxes in them, in the pixels that are looked at."""
    pending: list[detect_stream.Seen] = []

    def done() -> Iterator[detect_along.Followed]:
        yield from zip(pending, networks.boxes(pending, config), strict=True)
        pending.clear()

    for seen in seen_of(path, spans, cameras, config):
        if wanted(seen.at.frame):
            pending.append(seen)
        if len(pending) == batch:
            yield from done()
    yield from done()


RUN_STEPS = 12
"""Steps in time of a run of frames that are scored together."""


def runs(span: Span, step: int, every: int, skipped: int = 0) -> tuple[list[range], int]:
    """Runs of frames of a span that are scored, one of every so many, and how far around each the
    ball has to be followed.

    Moments are ``step`` frames apart; with 0 the ball is not followed and frames are scored alone.
    So many runs are ``skipped`` at first: at the start of a span the ball is in a hand more often
    than later.
    """
    first, last, _ = span
    if not step:
        return [range(f, f + 1) for f in range(first, last + 1) if f % every == 0], 0
    around, length = detect_along.REACH_STEPS * step, RUN_STEPS * step
    starts = range(first + around + skipped * length, last + 1, length * every)
    return [range(start, min(start + length, last + 1)) for start in starts], around


def scored(
    path: Path, config: DetectConfig, networks: Networks, every: int, cameras: detect_stream.Cameras
) -> Iterator[tuple[detect_stream.Looked, list[Box]]]:
    """Boxes of the frames of a film that are scored, in stored pixels."""
    for span in main_spans(path):
        look, step = networks.ball_look, 0
        if config.follow_ball and look is not None:
            step = detect_stream.frame_step(span[2], config.interval_s)
        skipped = zlib.crc32(f"{path.stem} {span[0]}".encode()) % every
        chosen, around = runs(span, step, every, skipped)
        wanted = {f for run in chosen for f in run}
        needed = {f + k for run in chosen for f in run for k in range(-around, around + 1)}
        looked = looked_at(path, [span], cameras, config, networks, needed.__contains__)
        follower = None
        if step and look is not None:
            follower = detect_along.Follower(look, step, config.ball_confidence)
        for seen, boxes in followed(looked, follower):
            if seen.at.frame in wanted:
                yield seen.at, [moved(box, seen.at.scale) for box in boxes]


def followed(
    looked: Iterable[detect_along.Followed], follower: detect_along.Follower | None
) -> Iterator[detect_along.Followed]:
    """Frames with what a follower adds to their balls; a frame left out ends what it follows."""
    before = -1
    for seen, boxes in looked:
        if follower is None:
            yield seen, boxes
            continue
        if seen.at.frame != before + 1:
            yield from follower.rest()
        before = seen.at.frame
        yield from follower.give(seen, boxes)
    if follower is not None:
        yield from follower.rest()


def measure(
    path: Path, config: DetectConfig, networks: Networks, every: int
) -> TierScores:
    """Scores of a film, of one of every so many runs of frames of its main-camera spans."""
    frames = truth_of(path, "frames")
    cameras = detect.cameras_by_frame(frames)
    rows, seen = [], []
    for at, boxes in scored(path, config, networks, every, cameras):
        seen.append(at.frame)
        rows += [
            (at.frame, b.label, b.x1_px, b.y1_px, b.x2_px, b.y2_px, b.confidence)
            for b in choose(boxes, config)
        ]
    names = ["frame", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence"]
    found = pd.DataFrame(rows, columns=names)
    tracks = truth_of(path, "tracks").to_pandas()
    ratio = 720 / float(frames["height_px"][0].as_py())
    players = {
        role: player_scores(found, tracks, seen, ratio, role, config.player_confidence)
        for role in ("near", "far")
    }
    return TierScores(
        ball_scores(found, tracks, seen, ratio, played_frames(path, frames)), players["near"],
        players["far"], 1,
    )


def by_tier(
    paths: Sequence[Path], config: DetectConfig, networks: Networks, every: int,
    say: Say,
) -> dict[str, TierScores]:
    """Scores of films, summed by tier, in the order of the tiers."""
    sums: dict[str, TierScores] = {}
    for path in paths:
        found = measure(path, config, networks, every)
        tier = tier_of(path)
        sums[tier] = sums.get(tier, TierScores()) + found
        best = best_confidence(found.ball)
        say(f"{path.stem}: {len(found.ball.state)} frames, F1 {found.ball.f1(best):.3f} at {best}")
    return {tier: sums[tier] for tier in (*TIERS, "films") if tier in sums}


GOALS: Mapping[str, tuple[float, float]] = {
    "broadcast": (0.98, 0.95), "club": (0.97, 0.93), "hostile": (0.93, 0.85),
}
"""Precision and recall that a ball detector of today should have, by tier."""


def _cell(value: float | None, goal: Goal | None = None, count: int | None = None) -> str:
    if value is None:
        return ""
    text = f"{value:.3g}" if value < 0.1 or value >= 10 else f"{value:.3f}"
    text += f" ({count})" if count is not None else ""
    return f"**{text}**" if goal is not None and not goal.met(value) else text


def accuracy_table(found: Mapping[str, TierScores], confidence: float) -> str:
    """Markdown table with a column for each tier; bounds that are missed stand in bold type."""
    rows: list[tuple[str, list[str], str]] = []

    def add(name: str, cells: list[str], bound: str = "") -> None:
        rows.append((name, cells, bound))

    tiers, scores = list(found), list(found.values())
    none = (None, None)
    goals = [
        tuple(Goal(">=", value) for value in GOALS[tier]) if tier in GOALS else none
        for tier in tiers
    ]
    points = [one.ball.precision_recall(confidence) for one in scores]
    visible = [int((one.ball.state == 0).sum()) for one in scores]
    add("films", [str(one.films) for one in scores])
    add("frames looked at", [str(len(one.ball.state)) for one in scores])
    bounds = ["/".join(str(GOALS[tier][k]) for tier in tiers if tier in GOALS) for k in (0, 1)]
    add(f"ball, precision at {confidence:.2f}",
        [_cell(p[0], g[0]) for p, g in zip(points, goals, strict=True)], f"≥ {bounds[0]}")
    add(f"ball, recall at {confidence:.2f} (visible balls)",
        [_cell(p[1], g[1], n) for p, g, n in zip(points, goals, visible, strict=True)],
        f"≥ {bounds[1]}")
    played = [one.ball.of_points() for one in scores]
    add(f"ball, precision at {confidence:.2f} from the toss to the end of points",
        [_cell(one.precision_recall(confidence)[0]) for one in played])
    add(f"ball, recall at {confidence:.2f} from the toss to the end of points",
        [_cell(one.precision_recall(confidence)[1], None, int((one.state == 0).sum()))
         for one in played])
    hidden = Goal("<=", 0.02)
    unseen = [one.ball.false_when_hidden(confidence) for one in scores]
    add(f"false ball at {confidence:.2f} where it is hidden (frames)",
        [_cell(share, hidden, n) if n else "" for share, _, n in unseen], goal_text(hidden))
    add("the same, elsewhere than where it is hidden",
        [_cell(share) if n else "" for _, share, n in unseen])
    for least in WORKING_POINTS:
        add(f"ball among the candidates above {least:g}",
            [_cell(one.ball.candidate_recall(least)) for one in scores])
        add(f"wrong candidates above {least:g} a frame",
            [_cell(one.ball.false_a_frame(least)) for one in scores])
    for role, bound in (("near", 0.995), ("far", 0.98)):
        goal = Goal(">=", bound)
        players = [one.near if role == "near" else one.far for one in scores]
        add(f"{role} player, recall (players)",
            [_cell(one.recall, goal, len(one.found)) for one in players], goal_text(goal))
        foot = Goal("<=", 2.0)
        add(f"{role} player, foot point, median, px",
            [_cell(one.foot_median_px, foot) for one in players], goal_text(foot))
    lines = ["| quantity | " + " | ".join(tiers) + " | bound |",
             "| --- | " + "---: | " * len(tiers) + "--- |"]
    lines += [f"| {name} | " + " | ".join(cells) + f" | {bound} |" for name, cells, bound in rows]
    return "\n".join(lines) + "\n"


def reliability_table(scores: BallScores) -> str:
    """Markdown table of how often ball boxes of a confidence are right."""
    lines = ["| confidence | boxes | mean confidence | share right |",
             "| --- | ---: | ---: | ---: |"]
    for low, high, count, mean, right in scores.reliability(BINS):
        lines.append(f"| {low:g} to {min(high, 1.0):g} | {count} | {mean:.3f} | {right:.3f} |")
    return "\n".join(lines) + "\n"


def real_table(
    path: Path, labels: Path, config: DetectConfig, networks: Networks,
    models: Path, confidence: float, every: int,
) -> str:
    """Markdown table of people and false balls on real pictures without tennis.

    ``labels`` is a CSV file of people's boxes (frame and corners in px); only labelled people
    between the heights of ``ADULT_PX`` are asked for. The second network looks at whole pictures.
    """
    people = pd.read_csv(labels, comment="#")
    tall = people["y2_px"] - people["y1_px"]
    people = people[(tall >= ADULT_PX[0]) & (tall <= ADULT_PX[1])]
    frames = set(people["frame"])
    info = video.probe(path)
    span = (0, info.n_frames - 1, 1 / float(info.rate))
    second = None
    if config.second_opinion is not None:
        second = detect_second.load(models, config.second_opinion, Execution("cpu", threads=1))
    hits = {"our network": 0, "second opinion": 0, "both": 0}
    fired, n_frames = {confidence: 0, 0.1: 0}, 0
    with video.frames(path) as stream:
        images = {frame.index: frame.image for frame in stream if frame.index in frames}
    stream_of = looked_at(
        path, [span], {}, config, networks, lambda f: f % every == 0 or f in frames
    )
    for seen, looked in stream_of:
        at, boxes = seen.at, [moved(box, seen.at.scale) for box in looked]
        n_frames += 1
        balls = [box.confidence for box in boxes if box.label == "ball"]
        for least in fired:
            fired[least] += max(balls, default=0.0) >= least
        if at.frame not in frames:
            continue
        true = people[people["frame"] == at.frame][["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy()
        ours = corners([
            b for b in boxes if b.label == "player" and b.confidence >= config.player_confidence
        ])
        image = images[at.frame]
        theirs = np.empty((0, 4))
        if second is not None:
            whole = (0.0, 0.0, float(image.shape[1]), float(image.shape[0]))
            theirs = second.people(image, whole, (60.0, 160.0), config.second_confidence)[:, :4]
        for name, given in (("our network", ours), ("second opinion", theirs - 0.5),
                            ("both", np.vstack([ours, theirs - 0.5]))):
            hits[name] += int((overlaps(true, given).max(axis=1, initial=0.0) > 0.5).sum())
    goal, still = Goal(">=", 0.8), Goal("<=", 0.005)
    lines = [f"| {path.name}, {len(frames)} frames, {len(people)} people | share | bound |",
             "| --- | ---: | --- |"]
    lines += [
        f"| people found, {name} | {_cell(n / max(len(people), 1), goal)} | {goal_text(goal)} |"
        for name, n in hits.items()
    ]
    lines += [
        f"| frames with a ball above {least:.2f} ({n_frames} frames) | "
        f"{_cell(n / max(n_frames, 1), still)} | {goal_text(still)} |"
        for least, n in fired.items()
    ]
    return "\n".join(lines) + "\n"

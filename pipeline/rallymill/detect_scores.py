"""What boxes of a detector are worth beside the truth, frame by frame; sums over films.

Distances are in pixels of a picture 720 pixels high. One ball is in play at most, so the most
confident ball box of a frame is the detector's answer; the others are candidates, from which later
stages may choose.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill.stages.detect_boxes import overlaps

Array = NDArray[np.float64]

BALL_PX = 5.0
"""A ball box no further from the ball is right."""
PLAYER_IOU = 0.5
LEAST_SHARE = 0.5
"""Players of whom less can be seen are not asked for."""
CORNERS = ["x1_px", "y1_px", "x2_px", "y2_px"]
VISIBLE, HIDDEN, NO_BALL = 0, 1, 2
"""The ball in play can be seen, is fully hidden, or there is none."""
HIDDEN_SHARE = 0.02
"""Of a ball that is fully hidden no more is in sight. Where more is, yet the truth does not call it
visible, it is nearly hidden or lost in compression: a detector can be neither right nor wrong, and
the frame does not count."""
RESTING_MPS, RESTING_M = 0.5, 0.06
"""A ball slower and lower than this lies on the ground after the point. Whether a detector reports
it does not matter, so the frame does not count."""


@dataclass(frozen=True)
class BallScores:
    """F frames and B ball boxes in them.

    ``state`` (F,) is VISIBLE, HIDDEN or NO_BALL; ``answer`` (F,) the highest confidence of a box,
    0 without one, ``answer_right`` (F,) whether that box is right and ``answer_there`` (F,) whether
    it is where the ball is, seen or not; ``found`` (F,) the highest confidence of a right box, 0
    without one; ``played`` (F,) whether a point is played. ``confidence`` and ``right`` (B,) of
    every box.
    """

    state: NDArray[np.int64]
    answer: Array
    answer_right: NDArray[np.bool_]
    answer_there: NDArray[np.bool_]
    found: Array
    played: NDArray[np.bool_]
    confidence: Array
    right: NDArray[np.bool_]

    @staticmethod
    def joined(parts: Sequence[BallScores]) -> BallScores:
        """All of them together."""
        every = [ball_scores(pd.DataFrame(), pd.DataFrame(), [], 1.0), *parts]
        return BallScores(*(
            np.concatenate([getattr(part, one.name) for part in every])
            for one in fields(BallScores)
        ))

    def precision_recall(self, least: float) -> tuple[float | None, float | None]:
        """Of the answers of at least this confidence, and of the visible balls, the share that is
        right and found; None where there is nothing to be right about.
        """
        given = self.answer >= max(least, 1e-9)
        right = int((given & self.answer_right).sum())
        visible = int((self.state == VISIBLE).sum())
        n_given = int(given.sum())
        return (right / n_given if n_given else None), (right / visible if visible else None)

    def of_points(self) -> BallScores:
        """The frames of points alone; boxes stay those of all frames."""
        those = self.played
        return replace(
            self, state=self.state[those], answer=self.answer[those],
            answer_right=self.answer_right[those], answer_there=self.answer_there[those],
            found=self.found[those], played=those[those],
        )

    def f1(self, least: float) -> float:
        """Harmonic mean of precision and recall, 0 where there are none."""
        precision, recall = self.precision_recall(least)
        if not precision or not recall:
            return 0.0
        return 2 * precision * recall / (precision + recall)

    def candidate_recall(self, least: float) -> float | None:
        """Share of visible balls with any right box of at least this confidence."""
        visible = self.state == VISIBLE
        return float((self.found[visible] >= least).mean()) if visible.any() else None

    def false_a_frame(self, least: float) -> float | None:
        """Wrong boxes of at least this confidence in a frame."""
        if not len(self.state):
            return None
        return float((~self.right & (self.confidence >= least)).sum() / len(self.state))

    def false_when_hidden(self, least: float) -> tuple[float | None, float | None, int]:
        """Share of frames with a fully hidden ball that have an answer, that have one elsewhere
        than where the ball is, and how many they are."""
        hidden = self.state == HIDDEN
        if not hidden.any():
            return None, None, 0
        given = self.answer[hidden] >= least
        elsewhere = given & ~self.answer_there[hidden]
        return float(given.mean()), float(elsewhere.mean()), int(hidden.sum())

    def reliability(self, edges: Sequence[float]) -> list[tuple[float, float, int, float, float]]:
        """For each bin of confidence: its edges, number of boxes, mean confidence, share right."""
        rows = []
        for low, high in pairwise(edges):
            inside = (self.confidence >= low) & (self.confidence < high)
            count = int(inside.sum())
            if count:
                rows.append((low, high, count, float(self.confidence[inside].mean()),
                             float(self.right[inside].mean())))
        return rows


def best_confidence(scores: BallScores) -> float:
    """The confidence, in steps of 0.01, at which F1 is best; the lowest of several."""
    grid = np.arange(1, 100) / 100
    return float(grid[int(np.argmax([scores.f1(least) for least in grid]))])


def ball_scores(
    boxes: pd.DataFrame, tracks: pd.DataFrame, frames: Iterable[int], ratio: float,
    played: Collection[int] = (),
) -> BallScores:
    """Ball boxes of some frames beside the true tracks of a film.

    ``ratio`` is pixels of a picture 720 pixels high to a pixel of the film; ``played`` are the
    frames of points. The ball in play has track number 0; others that are lying about are wrong
    answers like anything else.
    """
    true: dict[int, dict[Hashable, Any]] = {}
    if len(tracks):
        in_play = tracks[(tracks["role"] == "ball") & (tracks["track_id"] == 0)]
        true = {int(row["frame"]): row for row in in_play.to_dict("records")}
    unclear = {
        frame for frame, ball in true.items()
        if (not ball["visible"] and ball["confidence"] > HIDDEN_SHARE) or _rests(ball)
    }
    wanted = sorted(set(frames) - unclear)
    state = np.full(len(wanted), NO_BALL)
    answer, found = np.zeros(len(wanted)), np.zeros(len(wanted))
    answer_right, answer_there = np.zeros(len(wanted), bool), np.zeros(len(wanted), bool)
    confidences: list[float] = []
    rights: list[bool] = []
    balls = boxes[boxes["label"] == "ball"] if len(boxes) else boxes
    groups = _by_frame(balls)
    for at, frame in enumerate(wanted):
        ball = true.get(frame)
        if ball is not None:
            state[at] = VISIBLE if ball["visible"] else HIDDEN
        group = groups.get(frame)
        if group is None:
            continue
        confidence = group["confidence"].to_numpy(float)
        there = np.zeros(len(group), bool)
        if ball is not None:
            middle = group[["x1_px", "y1_px"]].to_numpy(float) / 2
            middle = middle + group[["x2_px", "y2_px"]].to_numpy(float) / 2
            away = np.linalg.norm(middle - [ball["u_px"], ball["v_px"]], axis=1) * ratio
            there = away <= BALL_PX
        right = there & (state[at] == VISIBLE)
        best = int(np.argmax(confidence))
        answer[at], answer_right[at], answer_there[at] = confidence[best], right[best], there[best]
        found[at] = confidence[right].max(initial=0.0)
        confidences += confidence.tolist()
        rights += right.tolist()
    return BallScores(
        state, answer, answer_right, answer_there, found,
        np.array([f in played for f in wanted], bool), np.array(confidences, float),
        np.array(rights, bool),
    )


def lies_still(velocity_mps: Array | Sequence[float], height_m: float) -> bool:
    """Whether a ball with a velocity (3,) and a height lies still on the ground."""
    speed_mps = float(np.linalg.norm(np.asarray(velocity_mps)))
    return speed_mps < RESTING_MPS and float(height_m) < RESTING_M


def _rests(ball: Mapping[Hashable, Any]) -> bool:
    """Whether a ball lies still on the ground; false where its motion is not known."""
    velocity = [ball.get(name) for name in ("vx_mps", "vy_mps", "vz_mps")]
    height = ball.get("z_m")
    if height is None or any(part is None for part in velocity):
        return False
    return lies_still(np.array(velocity, dtype=float), float(height))


def _by_frame(boxes: pd.DataFrame) -> dict[int, pd.DataFrame]:
    if not len(boxes):
        return {}
    return {int(frame): group for frame, group in boxes.groupby(boxes["frame"].astype(int))}


@dataclass(frozen=True)
class PlayerScores:
    """Whether each player asked for was found (P,), and how far off the feet of those found are.

    ``foot_px`` is the distance of the bottom middles of the boxes, in pixels of a picture 720
    pixels high.
    """

    found: NDArray[np.bool_]
    foot_px: Array

    @staticmethod
    def joined(parts: Sequence[PlayerScores]) -> PlayerScores:
        """All of them together."""
        return PlayerScores(
            np.concatenate([np.zeros(0, bool), *(part.found for part in parts)]),
            np.concatenate([np.zeros(0), *(part.foot_px for part in parts)]),
        )

    @property
    def recall(self) -> float | None:
        """Share found."""
        return float(self.found.mean()) if len(self.found) else None

    @property
    def foot_median_px(self) -> float | None:
        """Median error of the foot point."""
        return float(np.median(self.foot_px)) if len(self.foot_px) else None


def player_scores(
    boxes: pd.DataFrame, tracks: pd.DataFrame, frames: Iterable[int], ratio: float, role: str,
    least: float,
) -> PlayerScores:
    """Player boxes of at least a confidence beside the true player of one side of the court."""
    wanted = set(frames)
    true = tracks[
        (tracks["role"] == role) & tracks["frame"].isin(wanted) & tracks["visible"].astype(bool)
        & (tracks["confidence"] >= LEAST_SHARE)
    ]
    players = boxes
    if len(boxes):
        players = boxes[(boxes["label"] == "player") & (boxes["confidence"] >= least)]
    groups = _by_frame(players)
    found: list[bool] = []
    foot: list[float] = []
    for frame, corners in zip(true["frame"].tolist(), true[CORNERS].to_numpy(float), strict=True):
        box = corners[None]
        group = groups.get(int(frame))
        ours = np.empty((0, 4)) if group is None else group[CORNERS].to_numpy(float)
        same = overlaps(box, ours)[0]
        found.append(bool(same.max(initial=0.0) > PLAYER_IOU))
        if found[-1]:
            best = ours[int(np.argmax(same))]
            away = [(best[0] + best[2] - box[0, 0] - box[0, 2]) / 2, best[3] - box[0, 3]]
            foot.append(float(np.hypot(*away)) * ratio)
    return PlayerScores(np.array(found, bool), np.array(foot, float))

"""All measures of the accuracy table, over all clips and clip by clip.

How things are counted. Pixels are scaled by 720 / picture height. Court: named ground points within
the true picture. Ball: rows of tracks with ``observed`` true are the predictions, bridged rows are
none; only frames in which truth has the ball visible and a point in play count for precision and
recall. Contacts: true ones in main-camera spans; found ones in any span that truth labels. Hits
pair within 2/25 s (or two frames of a slower clip), bounces within one frame of the clip; bounces
of a dead ball, between points, count neither way. Strokes pair like hits; an answer of ``unknown``
is never right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial, reduce
from operator import add
from pathlib import Path

from rallymill.scoring import contacts, findings, picture, strokes
from rallymill.scoring.clip import Clip, load
from rallymill.scoring.rows import (
    ALL_CLIPS,
    Figure,
    Goal,
    NotMeasured,
    Row,
    Sample,
    f1,
    median,
    percentile_95,
    precision,
    recall,
    share,
)


@dataclass(frozen=True)
class Measure:
    """A quantity: how it is taken from a clip, the statistic over its sample, unit and goal."""

    quantity: str
    take: Callable[[Clip], Sample | NotMeasured]
    statistic: Callable[[Sample], Figure]
    unit: str = ""
    goal: Goal | None = None


def _most(value: float) -> Goal:
    return Goal("<=", value)


def _least(value: float) -> Goal:
    return Goal(">=", value)


MEASURES: tuple[Measure, ...] = (
    Measure("views: frames called main or not as they are", picture.main_frames, share),
    Measure("court: reprojection error, median", picture.court_error, median, "px", _most(1)),
    Measure("court: reprojection error, 95th percentile", picture.court_error, percentile_95, "px"),
    Measure("court: found, of main-camera frames", picture.court_found, share, "", _least(0.99)),
    Measure("court: wrongly found, of other frames", picture.court_false, share, "", _most(0.001)),
    Measure("ball: box of the detector within 5 px", picture.ball_boxes, recall),
    Measure("ball: precision within 5 px", picture.ball_seen, precision, "", _least(0.98)),
    Measure("ball: recall within 5 px", picture.ball_seen, recall, "", _least(0.95)),
    Measure("ball: claimed where none is visible", picture.ball_where_hidden, share),
    Measure("hits: F1 within 2 frames and on the side", contacts.hits, f1, "", _least(0.97)),
    Measure("bounces: F1 within 1 frame", contacts.bounces, f1, "", _least(0.95)),
    Measure(
        "bounce place, near half, median",
        partial(contacts.bounce_place, side="near"),
        median,
        "m",
        _most(0.05),
    ),
    Measure(
        "bounce place, far half, median",
        partial(contacts.bounce_place, side="far"),
        median,
        "m",
        _most(0.12),
    ),
    Measure(
        "player's place, near, median",
        partial(picture.player_place, role="near"),
        median,
        "m",
        _most(0.10),
    ),
    Measure(
        "player's place, far, median",
        partial(picture.player_place, role="far"),
        median,
        "m",
        _most(0.20),
    ),
    Measure(
        "speed at contact, relative error, median",
        partial(strokes.number, column="speed_mps", relative=True),
        median,
        "",
        _most(0.04),
    ),
    Measure("rallies with every stroke right", strokes.rallies, share, "", _least(0.95)),
    Measure(
        "direction",
        partial(strokes.answer, column="direction", serves=False),
        share,
        "",
        _least(0.95),
    ),
    Measure(
        "serve zone",
        partial(strokes.answer, column="direction", serves=True),
        share,
        "",
        _least(0.95),
    ),
    Measure("stroke", partial(strokes.answer, column="stroke"), share, "", _least(0.90)),
    Measure("wing, serves aside", partial(strokes.answer, column="wing", serves=False), share),
    Measure("how the point ended", strokes.endings, share, "", _least(0.90)),
    Measure(
        "contact height, median error", partial(strokes.number, column="contact_z_m"), median, "m"
    ),
    Measure(
        "net clearance, median error",
        partial(strokes.number, column="net_clearance_m"),
        median,
        "m",
    ),
    Measure("split step: landing within 1 frame", contacts.split_steps, share, "", _least(0.85)),
    Measure("flags: F1 against the rules on the truth", findings.flags, f1, "", _least(0.90)),
    Measure("time: seconds of work a second of video", findings.speed, share, "", _most(1)),
)


def _row(measure: Measure, clip: str, samples: Sequence[Sample | NotMeasured]) -> Row:
    taken = [sample for sample in samples if not isinstance(sample, NotMeasured)]
    reasons = list(dict.fromkeys(s.reason for s in samples if isinstance(s, NotMeasured)))
    if not taken:
        figure = Figure(None, 0, "; ".join(reasons))
    else:
        figure = measure.statistic(reduce(add, taken))  # type: ignore[arg-type]
        if reasons:
            part = f"{len(taken)} of {len(samples)} clips; {'; '.join(reasons)}"
            figure = Figure(
                figure.value, figure.count, "; ".join(filter(None, (figure.note, part)))
            )
    met = None
    if measure.goal is not None and figure.value is not None:
        met = measure.goal.met(figure.value)
    return Row(
        measure.quantity,
        clip,
        figure.value,
        measure.unit,
        figure.count,
        measure.goal,
        met,
        figure.note,
    )


def score_clips(clips: Sequence[Clip]) -> list[Row]:
    """Rows of every measure over all clips, then of each clip; no clips give no rows."""
    if not clips:
        return []
    samples = [[measure.take(clip) for clip in clips] for measure in MEASURES]
    rows = [
        _row(measure, ALL_CLIPS, taken) for measure, taken in zip(MEASURES, samples, strict=True)
    ]
    for index, clip in enumerate(clips):
        rows += [
            _row(measure, clip.name, [taken[index]])
            for measure, taken in zip(MEASURES, samples, strict=True)
        ]
    return rows


def score(out_dir: Path, truth_dir: Path, match: str | None = None) -> list[Row]:
    """Score what a run wrote under ``out_dir`` against the truth under ``truth_dir``.

    Every row of the accuracy table is there, with its count; what could not be measured has no
    value and says why. ``match`` picks one match by its identifier or file stem.

    Raises
    ------
    InputError
        No match with truth was found.
    """
    return score_clips(load(out_dir, truth_dir, match))

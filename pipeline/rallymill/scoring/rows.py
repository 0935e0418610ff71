"""What a score is made of: samples that add up over clips, and the rows that they become.

A measure looks at one clip and returns a *sample* (errors, a tally of matches, or a share), or
:class:`NotMeasured` with the reason. Samples of the same measure add, so the row over all clips
weighs every frame, contact or stroke alike.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALL_CLIPS = "all clips"


@dataclass(frozen=True)
class Goal:
    """A bound that a value should keep: ``relation`` is ``<=`` or ``>=``."""

    relation: str
    value: float

    def met(self, value: float) -> bool:
        """Whether the value keeps the bound."""
        return value <= self.value if self.relation == "<=" else value >= self.value


@dataclass(frozen=True)
class Row:
    """One line of the score.

    ``value`` is None where nothing could be measured, and ``note`` then says why. ``count`` is the
    number of things that the value rests on. ``met`` is None without a goal or without a value.
    """

    quantity: str
    clip: str
    value: float | None
    unit: str
    count: int
    goal: Goal | None
    met: bool | None
    note: str = ""


@dataclass(frozen=True)
class NotMeasured:
    """A measure that could not be taken, with the reason in words."""

    reason: str


def _no_values() -> Array:
    return np.zeros(0)


@dataclass(frozen=True)
class Errors:
    """Absolute errors, one for each thing compared; ``n_missing`` things had none to compare."""

    values: Array = field(default_factory=_no_values)
    n_missing: int = 0

    def __add__(self, other: Errors) -> Errors:
        """Errors of both."""
        return Errors(np.concatenate([self.values, other.values]), self.n_missing + other.n_missing)


@dataclass(frozen=True)
class Tally:
    """Predictions that match the truth, that do not, and truths that nothing matches."""

    right: int = 0
    false: int = 0
    missed: int = 0

    def __add__(self, other: Tally) -> Tally:
        """Sums of both."""
        return Tally(self.right + other.right, self.false + other.false, self.missed + other.missed)


@dataclass(frozen=True)
class Share:
    """``part`` out of ``whole``; ``n_unknown`` of the whole were answered ``unknown``."""

    part: float = 0.0
    whole: float = 0.0
    n_unknown: int = 0

    def __add__(self, other: Share) -> Share:
        """Sums of both."""
        return Share(
            self.part + other.part, self.whole + other.whole, self.n_unknown + other.n_unknown
        )


Sample = Errors | Tally | Share


@dataclass(frozen=True)
class Figure:
    """The number that a statistic gives, what it rests on, and a note."""

    value: float | None
    count: int
    note: str = ""


def median(sample: Sample) -> Figure:
    """Median of errors."""
    return _quantile(sample, 0.5)


def percentile_95(sample: Sample) -> Figure:
    """95th percentile of errors."""
    return _quantile(sample, 0.95)


def _quantile(sample: Sample, share: float) -> Figure:
    assert isinstance(sample, Errors)
    note = f"{sample.n_missing} without a value" if sample.n_missing else ""
    if not len(sample.values):
        return Figure(None, 0, note or "nothing to compare")
    return Figure(float(np.quantile(sample.values, share)), len(sample.values), note)


def precision(sample: Sample) -> Figure:
    """Share of predictions that match the truth; counts predictions."""
    assert isinstance(sample, Tally)
    n = sample.right + sample.false
    return Figure(sample.right / n, n) if n else Figure(None, 0, "no predictions")


def recall(sample: Sample) -> Figure:
    """Share of truths that a prediction matches; counts truths."""
    assert isinstance(sample, Tally)
    n = sample.right + sample.missed
    return Figure(sample.right / n, n) if n else Figure(None, 0, "no truth to find")


def f1(sample: Sample) -> Figure:
    """2 TP / (2 TP + FP + FN), the harmonic mean of precision and recall; counts truths."""
    assert isinstance(sample, Tally)
    whole = 2 * sample.right + sample.false + sample.missed
    if not whole:
        return Figure(None, 0, "none in truth and none found")
    note = f"{sample.right} right, {sample.false} false, {sample.missed} missed"
    return Figure(2 * sample.right / whole, sample.right + sample.missed, note)


def share(sample: Sample) -> Figure:
    """Part of the whole; answers of ``unknown`` belong to the whole and are not right."""
    assert isinstance(sample, Share)
    note = f"{sample.n_unknown} answered unknown" if sample.n_unknown else ""
    if not sample.whole:
        return Figure(None, 0, note or "nothing to compare")
    return Figure(sample.part / sample.whole, round(sample.whole), note)


def _number(value: float | None) -> str:
    if value is None:
        return "–"
    return f"{value:.4f}" if abs(value) < 10 else f"{value:.1f}"


def goal_text(goal: Goal | None) -> str:
    """A bound as read by people; empty where there is none."""
    if goal is None:
        return ""
    return f"{'≤' if goal.relation == '<=' else '≥'} {goal.value:g}"


def _met_text(met: bool | None) -> str:
    return {None: "", True: "yes", False: "no"}[met]


def _columns(lines: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    out = []
    for line in lines:
        cells = [
            cell.ljust(width) if i == 0 else cell.rjust(width) if i < len(line) - 1 else cell
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        out.append("  ".join(cells).rstrip())
    return out


def text_table(rows: Sequence[Row]) -> str:
    """Rows over all clips as a table, then one column a clip; numbers are as in the rows."""
    if not rows:
        return "nothing was scored"
    total = [row for row in rows if row.clip == ALL_CLIPS]
    head = ("quantity", "value", "unit", "count", "goal", "met", "note")
    lines: list[Sequence[str]] = [head]
    for row in total:
        value = "not measured" if row.value is None else _number(row.value)
        lines.append(
            (
                row.quantity,
                value,
                row.unit,
                str(row.count),
                goal_text(row.goal),
                _met_text(row.met),
                row.note,
            )
        )
    text = _columns(lines)
    clips = list(dict.fromkeys(row.clip for row in rows if row.clip != ALL_CLIPS))
    if clips:
        names = [f"[{i + 1}]" for i in range(len(clips))]
        value_of = {(row.quantity, row.clip): row.value for row in rows}
        per_clip: list[Sequence[str]] = [("by clip", *names, "")]
        for row in total:
            cells = [_number(value_of.get((row.quantity, clip))) for clip in clips]
            per_clip.append((row.quantity, *cells, ""))
        text += ["", *_columns(per_clip), ""]
        text += [f"{name} {clip}" for name, clip in zip(names, clips, strict=True)]
    return "\n".join(text)


def to_json(rows: Sequence[Row]) -> str:
    """Rows as a JSON list of objects with the fields of :class:`Row`."""
    return json.dumps([asdict(row) for row in rows], indent=2, ensure_ascii=False)

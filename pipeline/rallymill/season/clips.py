"""Cut the seconds of video that rows of an answer speak of."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rallymill import video
from rallymill.errors import InputError
from rallymill.runner.store import records
from rallymill.yamlread import shown

SPANS = (("clip_start_s", "clip_end_s"), ("start_s", "end_s"))
MOMENTS = ("t_contact_s", "t_s", "t_bounce_s")
BEFORE_S, AFTER_S = 2.5, 2.5
LONGEST_S = 120.0


@dataclass(frozen=True)
class Clip:
    """A clip of a row: its file, or why there is none."""

    row: int
    match_id: str
    start_s: float
    end_s: float
    file: Path | None
    problem: str = ""


def spans(answer: pd.DataFrame) -> list[tuple[int, str, float, float]]:
    """Row number, match, start and end in seconds, of the rows that tell them.

    Raises
    ------
    InputError
        The answer has no column that tells the match, or none that tells the time.
    """
    have = set(answer.columns)
    pair = next((pair for pair in SPANS if set(pair) <= have), None)
    moment = next((name for name in MOMENTS if name in have), None)
    if "match_id" not in have or (pair is None and moment is None):
        wanted = ", ".join([*(" and ".join(pair) for pair in SPANS), *MOMENTS])
        raise InputError(
            "the rows do not tell which seconds to cut",
            f"let the question return match_id and one of {wanted}",
        )
    first, last = pair or (str(moment), str(moment))
    before_s, after_s = (0.0, 0.0) if pair else (BEFORE_S, AFTER_S)
    found = []
    for number, row in enumerate(answer.to_dict("records")):
        start, end = _seconds(row[first], first) - before_s, _seconds(row[last], last) + after_s
        if not end > start or not (math.isfinite(start) and math.isfinite(end)):
            continue
        start_s = max(start, 0.0)
        found.append((number, str(row["match_id"]), start_s, min(end, start_s + LONGEST_S)))
    return found


def _seconds(value: Any, column: str) -> float:
    """A time of an answer, NaN for none; raises :class:`InputError` where it is no number."""
    if value is None or value is pd.NaT or value is pd.NA:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal | np.number):
        raise InputError(
            f"{column} holds {shown(value)}, no seconds", "let the question return seconds there"
        )
    return float(value)


def cut(answer: pd.DataFrame, out: Path, folder: Path) -> Iterator[Clip]:
    """Cut a clip for every row of an answer; where a recording is gone, say so and go on.

    Only recordings of matches in ``out`` are cut, whatever an answer names.

    Raises
    ------
    InputError
        The answer does not tell the seconds.
    """
    wanted = spans(answer)
    known = {record.match_id: record for record in records(out)}
    folder.mkdir(parents=True, exist_ok=True)
    for row, match_id, start_s, end_s in wanted:
        record = known.get(match_id)
        if record is None:
            yield Clip(row, match_id, start_s, end_s, None, f"{out} holds no match {match_id}")
            continue
        file = folder / f"{row + 1:04d}-{record.match_id}-{start_s:.1f}s.mp4"
        try:
            n_frames = video.cut(Path(record.path), start_s, end_s, file)
        except (InputError, OSError) as error:
            yield Clip(row, match_id, start_s, end_s, None, str(error))
            continue
        if not n_frames:
            file.unlink(missing_ok=True)
            yield Clip(row, match_id, start_s, end_s, None, "the recording ends before")
            continue
        yield Clip(row, match_id, start_s, end_s, file)

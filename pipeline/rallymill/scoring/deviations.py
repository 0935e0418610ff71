"""Whether stated deviations are honest: errors divided by them, by column.

The mean square of such normalised errors is 1 where deviations are as stated, more where they are
too small. One gross mistake would drown all else, so that a square counts as ``MOST`` at most; of
normal errors that leaves out nothing to speak of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill.scoring.clip import Clip, inside
from rallymill.scoring.contacts import covered, hit_tolerance_s, match_events
from rallymill.scoring.pairing import by_time
from rallymill.scoring.strokes import matched_strokes

Array = NDArray[np.float64]

MOST = 25.0
LOW, HIGH = 0.7, 1.5
"""Bounds of the mean square of normalised errors."""
ENOUGH = 20
BESIDES = ("bounce z_m",)
"""Given, not measured: the ground is taken to be even to 2 mm."""


def pulls(clip: Clip) -> dict[str, Array]:
    """Errors divided by their stated deviations, (N,), by what was measured.

    Contacts and flights are paired like hits in time and kind, strokes in time and side. What has
    no deviation, or no truth, is left out.
    """
    found: dict[str, Array] = {}
    contacts = covered(clip)
    if not isinstance(contacts, str):
        for kind in ("hit", "bounce"):
            mine, true, _ = match_events(*contacts, kind, hit_tolerance_s(clip.frame_s()))
            found |= _of(mine, true, kind)
    arcs = clip.frames_of("arcs")
    if not isinstance(arcs, str):
        found |= _of_flights(clip, *arcs)
    strokes = matched_strokes(clip)
    if not isinstance(strokes, str):
        found |= _of(*strokes, "stroke")
    return {name: values for name, values in found.items() if name not in BESIDES}


def _of_flights(clip: Clip, mine: pd.DataFrame, true: pd.DataFrame) -> dict[str, Array]:
    """Pulls of flights that start at the same contact."""
    true = true[inside(true["start_s"].to_numpy(dtype=float), clip.main_spans())]
    found: dict[str, Array] = {}
    for kind in ("hit", "bounce"):
        own, wanted = mine[mine["start_kind"] == kind], true[true["start_kind"] == kind]
        pairs = by_time(own["start_s"], wanted["start_s"], hit_tolerance_s(clip.frame_s()))
        columns = [name for name in own.columns if name.startswith(("v", "topspin", "sidespin"))]
        found |= _of(
            own.iloc[pairs[:, 0]][columns], wanted.iloc[pairs[:, 1]][columns],
            f"flight after a {kind}",
        )
    return found


def _of(mine: pd.DataFrame, true: pd.DataFrame, what: str) -> dict[str, Array]:
    """Pulls of all columns with a companion deviation, over rows in the same order."""
    found = {}
    for name in mine.columns:
        if f"{name}_sd" not in mine.columns or name not in true.columns:
            continue
        deviation = mine[f"{name}_sd"].to_numpy(dtype=float)
        off = mine[name].to_numpy(dtype=float) - true[name].to_numpy(dtype=float)
        known = np.isfinite(off) & np.isfinite(deviation)
        found[f"{what} {name}"] = off[known] / np.maximum(deviation[known], 1e-9)
    return found


def mean_square(values: Array) -> float:
    """Mean of squares, none counted above ``MOST``; NaN of nothing."""
    return float(np.mean(np.minimum(values**2, MOST))) if len(values) else float("nan")


def table(tiers: Mapping[str, Sequence[Clip]]) -> str:
    """Markdown table: mean square, share beyond three deviations and count, by tier.

    What lies out of bounds with cases enough is bold.
    """
    found: dict[str, dict[str, Array]] = {}
    for tier, clips in tiers.items():
        for clip in clips:
            for name, values in pulls(clip).items():
                row = found.setdefault(name, {})
                row[tier] = np.concatenate([row.get(tier, np.zeros(0)), values])
    heads = " | ".join(f"{tier} | beyond 3 | count" for tier in tiers)
    lines = [
        f"| normalised errors | {heads} |",
        "| --- | " + "---: | ---: | ---: | " * len(tiers),
    ]
    for name, row in found.items():
        cells = []
        for tier in tiers:
            values = row.get(tier, np.zeros(0))
            if not len(values):
                cells.append(" | | 0")
                continue
            square = mean_square(values)
            shown = f"{square:.2f}"
            if len(values) >= ENOUGH and not LOW <= square <= HIGH:
                shown = f"**{shown}**"
            cells.append(f"{shown} | {np.mean(np.abs(values) > 3):.1%} | {len(values)}")
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(line.rstrip() for line in lines) + "\n"

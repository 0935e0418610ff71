"""Tell replays from live play: seen before, shown slowly, or framed by wipes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.views.motion import KEPT_RATE_HZ, Changes

Array = NDArray[np.float64]
Picture = NDArray[Any]

BACK_S = 60.0
"""How far back a replay's content is looked for."""
LEAST_MATCHES = 8
AGREEMENT = (0.15, 0.13, 0.42)
"""Beyond what noise makes of them, pictures along the match differ by less than a share of what
they do along other matches. The share is at least the first, grows by the second for each second
shown again, and is at most the third: a short stretch agrees with something by chance more easily.
"""
MOVING = 0.7
"""They agree better than any one earlier picture does with all of the span by this factor."""
AGREEING = 0.7
"""Least share of pictures that agree."""
LEAST_SHOWN_S = 0.5
TRIED_SPEEDS = tuple(np.round(np.geomspace(0.12, 1.1, 25), 3).tolist())
STILL_LEVELS = 0.12
"""A step below this (and below a quarter of the usual) is a repeated frame."""
LEAST_SINGLE = 0.8
"""Least share of moving frames of slowed film that stand between two repeated ones."""
BORDER = (0.18, 0.02)
"""Share of height and width at the edges that is left out: score graphics stand there."""


@dataclass(frozen=True)
class Repeat:
    """What is shown again: at what speed, from when, and what share of pictures agrees."""

    speed: float
    from_s: float
    agreeing: float


def seen_before(
    changes: Changes, first: int, last: int, live: list[tuple[int, int]]
) -> Repeat | None:
    """Earlier live content that frames ``first`` to ``last`` show again, None if none.

    Every kept picture is compared with the earlier pictures of the live stretches; those that a
    replay agrees with advance evenly, and agree much better than those of any other moment.
    """
    places = np.asarray(changes.kept_at)
    times = np.asarray(changes.t_s)[places] if len(places) else np.zeros(0)
    mine = np.flatnonzero((places >= first) & (places <= last))
    if len(mine) < LEAST_MATCHES:
        return None
    start_s = changes.t_s[first]
    is_live = np.zeros(len(places), bool)
    for low, high in live:
        if changes.t_s[high] < start_s - BACK_S:
            continue
        is_live |= (places >= low) & (places <= high)
    earlier = np.flatnonzero(is_live & (places < first) & (times > start_s - BACK_S))
    if len(earlier) < LEAST_MATCHES:
        return None
    if len(mine) > 40:
        mine = mine[np.linspace(0, len(mine) - 1, 40).astype(int)]
    memory = np.stack([inner(changes.kept[i]) for i in earlier])
    gaps = np.stack([_gaps(memory, inner(changes.kept[i])) for i in mine])
    near = [_gaps(memory[i:i + 1], memory[i + 1])[0] for i in range(len(memory) - 1)]
    # What noise and compression alone make of one and the same moment.
    floor = float(np.percentile(near, 20))
    return best_line(np.maximum(gaps - floor, 0.0), times[mine], times[earlier])


def best_line(gaps: Array, shown_s: Array, earlier_s: Array) -> Repeat | None:
    """Even advance through earlier time along which pictures agree, None if none stands out.

    ``gaps`` (M, N) are differences, less what noise makes, of the pictures shown at ``shown_s``
    (M,) from earlier ones at ``earlier_s`` (N,).
    """
    since = shown_s - shown_s[0]
    usual = np.median(gaps, axis=1)
    best: tuple[float, float, float] | None = None
    means: dict[float, Array] = {}
    rows = np.arange(len(shown_s))[:, None]
    for speed in TRIED_SPEEDS:
        wanted = earlier_s[None, :] + speed * since[:, None]
        at = np.clip(np.searchsorted(earlier_s, wanted), 0, len(earlier_s) - 1)
        missed = np.abs(earlier_s[at] - wanted) > 2.0 / KEPT_RATE_HZ
        along = np.where(missed, usual[:, None], gaps[rows, at]).mean(axis=0)
        means[speed] = along
        start = int(np.argmin(along))
        if best is None or along[start] < best[0]:
            best = (float(along[start]), speed, float(earlier_s[start]))
    assert best is not None
    mean, speed, from_s = best
    beside = means[speed][np.abs(earlier_s - from_s) > 1.0]
    least, more, most = AGREEMENT
    allowed = min(least + more * speed * float(since[-1]), most)
    if len(beside) < LEAST_MATCHES or mean > allowed * float(np.median(beside)):
        return None
    line = from_s + speed * since
    at = np.clip(np.searchsorted(earlier_s, line), 0, len(earlier_s) - 1)
    agree = gaps[rows[:, 0], at] < 0.6 * usual
    still = float(gaps.mean(axis=0).min())
    if mean > MOVING * still:
        return None
    if agree.mean() < AGREEING or speed * since[-1] < LEAST_SHOWN_S:
        return None
    return Repeat(speed, from_s, float(agree.mean()))


def inner(small: Picture) -> Array:
    """A grey small picture without its edges, where score graphics stand."""
    height, width = small.shape
    rows, columns = round(BORDER[0] * height), round(BORDER[1] * width)
    return small[rows:height - rows, columns:width - columns].astype(float)


def _gaps(memory: Array, one: Array) -> Array:
    """Differences (N,) of pictures (N, h, w) from one, with a general change of light removed."""
    difference = memory - one
    difference -= np.median(difference, axis=(1, 2), keepdims=True)
    return np.asarray(np.sqrt(np.mean(difference**2, axis=(1, 2))))


def repeated_share(changes: Changes, first: int, last: int) -> float:
    """Share of frames that only repeat the frame before, as slowed film does.

    Slowed film shows each picture a set number of times, so a frame that moves stands between two
    that do not. Strong compression also repeats frames, but where little happens, and its moving
    frames come in runs: then the share is 0.
    """
    step = np.asarray(changes.step[first + 1:last + 1])
    if len(step) < 10:
        return 0.0
    moving = float(np.percentile(step, 80))
    if moving < 2 * STILL_LEVELS:
        return 0.0
    still = step < min(STILL_LEVELS, 0.25 * moving)
    single = ~still[1:-1] & still[:-2] & still[2:]
    if single.sum() < LEAST_SINGLE * max((~still[1:-1]).sum(), 1):
        return 0.0
    return float(np.mean(still))

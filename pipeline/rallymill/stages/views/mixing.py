"""How far a replay reaches: frame by frame, and through the wipe or fade at either end.

While one picture gives way to another, frames are mixtures. Where live pictures stand still and the
replay does not look like them, its share in a frame is measured: a fade shows it growing evenly, a
wipe as it runs over such places.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.views import recall
from rallymill.stages.views.recall import Floats, Frames, Line, Picture, Seen

LONGEST_MIX_S, LIVE_S, SPARE_S = 0.85, 0.6, 0.12
"""The longest mixture; live pictures are taken for so long beyond it, and with so much to spare."""
UNSURE_S, PURE_S = 0.2, 0.6
"""Pictures that hold nothing but the replay are taken from between these times inside it."""
STILL_LEVELS, APART_LEVELS, EXPLAINED_LEVELS = 2.5, 10.0, 5.0
"""A place stands still if it wanders less than the first; it tells if live and replay differ by the
second; what a replay shows is known where it is as it was, to the third."""
ALIKE, LONG_S, FLICKER = (0.8, 0.9), 2.6, 1.5
"""Least share of the blocks that agree over more than this time, and over less; blocks that change
by less than these levels do not count."""
LEAST_PLACES = 6
WHOLE, FEW, TOGETHER = 0.93, 0.3, 0.5
"""A frame with more than the first of the replay is whole; below the second, people who walk weigh
too much. In a fade, more than the last of all places show it alike."""
LEAST_STEP, LEAST_FALL, FALL_S = 0.04, 0.15, 0.12
"""As a wipe runs over people, the share falls by the first from frame to frame and by the second
within the last."""


def reach(frames: Frames, lines: Sequence[Line], window_s: float) -> Seen | None:
    """First and last frames of a replay that was seen on these lines, None if it does not hold."""
    start_s, end_s = lines[0].shown_s, lines[-1].shown_s + window_s
    line = _fitted(frames, lines[len(lines) // 2], start_s, end_s)
    if line is None:
        return None
    whole = list(frames.all)
    times = np.array([one[1] for one in whole])
    seed = int(np.searchsorted(times, (start_s + end_s) / 2))
    first, last = (_outermost(frames, whole, line, seed, way) for way in (-1, +1))
    line = _fitted(frames, line, float(times[first]), float(times[last]))
    if line is None or not window_s <= times[last] - times[first] <= recall.LONGEST_S:
        return None
    opens = _edge(frames, whole, times, line, first, -1)
    closes = _edge(frames, whole, times, line, last, +1)
    sample = np.linspace(first, last, 12).astype(int)
    score = float(np.median([_disagreement(frames, line, whole[i])[0] for i in sample]))
    return Seen(whole[first][0], whole[last][0], whole[opens][0], whole[closes][0], line, score)


def _fitted(frames: Frames, about: Line, start_s: float, end_s: float) -> Line | None:
    """The line near another one that fits all pictures of some time best."""
    times = np.asarray(frames.times)
    mine = np.flatnonzero((times >= start_s - 1e-6) & (times <= end_s))[::2]
    if len(mine) < 4:
        return None
    centre_s = (start_s + end_s) / 2
    low = int(np.searchsorted(times, about.at(start_s) - 2.0))
    high = int(np.searchsorted(times, min(about.at(end_s) + 2.0, times[mine[0]] - 0.1)))
    if high - low < 10:
        return None
    blocks = recall.contrasts(frames.squares(frames.kept(mine), low, high))
    missed, usual = (one.sum(0) for one in blocks)
    earlier, rows = times[low:high], np.arange(len(mine))
    best: tuple[float, Line, float] | None = None
    for speed in about.speed * np.linspace(0.75, 1.33, 24):
        for shift_s in np.arange(-0.32, 0.33, 0.04):
            line = Line(centre_s, float(about.at(centre_s)) + shift_s, float(speed))
            wanted = line.at(times[mine])
            at = np.clip(np.searchsorted(earlier, wanted - 0.5 / recall.RATE_HZ), 0,
                         len(earlier) - 1)
            score = float(missed[rows, at].sum() / (usual[rows, at].sum() + 1e-6))
            if best is None or score < best[0]:
                best = (score, line, _alike(blocks[0][:, rows, at], blocks[1][:, rows, at]))
    if best is None or best[0] > recall.AGREES:
        return None
    least = ALIKE[0] if len(mine) >= LONG_S * recall.ASKED_HZ else ALIKE[1]
    return best[1] if best[2] >= least else None


def _alike(missed: Floats, usual: Floats) -> float:
    """Share of the blocks in which something moves that agree, of contrasts (B, M) along a line.

    A large player near by must not speak for all others.
    """
    change = usual.sum(1)
    agree = missed.sum(1) < recall.AGREES * change
    weight = np.sqrt(np.maximum(change - FLICKER**2 * usual.shape[1], 0.0))
    return float((weight * agree).sum() / max(float(weight.sum()), 1e-6))


def _disagreement(
    frames: Frames, line: Line, frame: tuple[int, float, Picture]
) -> tuple[float, float]:
    """A frame's disagreement with its line, and how much its line changes about that moment."""
    times = np.asarray(frames.times)
    moment = float(line.at(frame[1]))
    low = int(np.searchsorted(times, moment - recall.NEAR_S))
    high = int(np.searchsorted(times, min(moment + recall.NEAR_S, frame[1] - 0.04)))
    if high - low < recall.NEAR_S * recall.RATE_HZ:
        return 1.0, 0.0
    square = frames.squares(recall.split(frame[2])[:, None], low, high)[:, 0]
    at = int(np.clip(np.searchsorted(times[low:high], moment - 0.5 / recall.RATE_HZ), 0,
                     square.shape[1] - 1))
    here = square[:, at:at + 2].min(1)
    least = square.min(1)
    sides = square[:, :max(at, 1)], square[:, min(at + 1, square.shape[1] - 1):]
    usual = np.maximum(np.minimum(sides[0].mean(1), sides[1].mean(1)), least)
    change = float((usual - least).sum())
    return float((np.minimum(here, usual) - least).sum()) / (change + 1e-6), change


def _outermost(
    frames: Frames, whole: list[tuple[int, float, Picture]], line: Line, seed: int, way: int
) -> int:
    """Furthest frame from ``seed`` in one direction that goes on with the line."""
    usual = float(np.median([
        _disagreement(frames, line, whole[i])[1]
        for i in range(max(seed - 10, 0), min(seed + 11, len(whole)))
    ]))
    furthest, k = seed, seed
    passed: deque[tuple[float, float, float]] = deque()
    while 0 <= k < len(whole):
        off, change = _disagreement(frames, line, whole[k])
        passed.append((whole[k][1], off * change, change))
        while abs(whole[k][1] - passed[0][0]) > recall.MISS_S:
            passed.popleft()
        if change >= recall.NEUTRAL_SHARE * usual and off < recall.AGREES:
            furthest = k
        missed, told = (sum(one[i] for one in passed) for i in (1, 2))
        clear = told >= recall.NEUTRAL_SHARE * usual * len(passed)
        lost = clear and missed > recall.AGREES * told and len(passed) > 2
        since_s = abs(whole[k][1] - whole[furthest][1])
        if since_s > (recall.MISS_S if lost else recall.NEUTRAL_S):
            break
        k += way
    return furthest


@dataclass(frozen=True)
class Mixture:
    """Shares (K, N) of a replay in K frames at N places, nan where nothing tells, and weights."""

    share: Floats
    weight: Floats


def mixture(
    live: Floats, inside: Floats, shown: Floats, shown_inside: Floats, mixed: Floats
) -> Mixture | None:
    """Shares of a replay in ``mixed`` frames (K, h, w), None where too little tells.

    ``live`` (L, h, w) are pictures without it, ``inside`` (P, h, w) with nothing else, ``shown``
    (K, h, w) and ``shown_inside`` (P, h, w) the earlier pictures that it shows at those moments.
    """
    before = live.mean(0)
    still = live.std(0) < STILL_LEVELS
    explained = np.abs(inside - shown_inside).mean(0) < EXPLAINED_LEVELS
    held = (inside.std(0) < STILL_LEVELS) & ~explained
    # A score graphic is not in what is shown again: where it stood, the replay is as it is inside.
    wanted = np.where(explained, shown, inside.mean(0)[None])
    apart = wanted - before
    tells = (still & (explained | held))[None] & (np.abs(apart) > APART_LEVELS)
    if np.median(tells.sum((1, 2))) < LEAST_PLACES:
        return None
    some = tells.any(0)
    ratio = np.where(tells, (mixed - before) / np.where(tells, apart, 1.0), np.nan)[:, some]
    return Mixture(ratio, np.where(tells, np.abs(apart), 0.0)[:, some])


def _edge(
    frames: Frames, whole: list[tuple[int, float, Picture]], times: NDArray[np.float64],
    line: Line, pure: int, way: int,
) -> int:
    """Outermost frame in which a replay shows, whose outermost pure frame is about ``pure``."""
    out = way * (times - times[pure])
    inside = np.flatnonzero((out <= -UNSURE_S) & (out >= -PURE_S))
    edge = pure
    lasts_s = LONGEST_MIX_S
    # Once it is known about how long the mixture lasts, live pictures closer by are better.
    for _ in range(2):
        live = np.flatnonzero((out > lasts_s) & (out <= lasts_s + LIVE_S))
        mixed = np.flatnonzero((out >= -UNSURE_S) & (out <= lasts_s + LIVE_S))[::way]
        if len(live) < 4 or len(inside) < 3:
            return edge
        found = mixture(
            _taken(whole, live), _taken(whole, inside), _shown(frames, line, times[mixed]),
            _shown(frames, line, times[inside]), _taken(whole, mixed),
        )
        if found is None:
            return edge
        n_mixed = max(int(np.sum(out[mixed] <= lasts_s)), 2)
        few = max(round(FALL_S / max(float(np.median(np.diff(times))), 1e-3)), 2)
        edge = int(mixed[outermost(found, n_mixed, few)])
        lasts_s = min(max(1.25 * float(out[edge]), 0.0) + SPARE_S, LONGEST_MIX_S)
    return edge


def _taken(whole: list[tuple[int, float, Picture]], places: NDArray[np.int64]) -> Floats:
    return np.stack([whole[i][2] for i in places]).astype(np.float32)


def _shown(frames: Frames, line: Line, times: NDArray[np.float64]) -> Floats:
    return np.stack([frames.picture_at(float(line.at(t))) for t in times]).astype(np.float32)


def outermost(found: Mixture, n_mixed: int, few: int) -> int:
    """Place, going outwards, of the last frame in which a replay shows.

    Beyond the first ``n_mixed`` frames lie those that live pictures are taken from; ``few`` frames
    are ``FALL_S``.
    """
    median = np.array([_median(s, w) for s, w in zip(found.share, found.weight, strict=True)])
    gone = int(np.argmax(median < FEW)) if (median < FEW).any() else len(median)
    whole = int(np.flatnonzero(median[:gone] > WHOLE).max(initial=0))
    between = np.arange(whole, gone)[(median[whole:gone] > FEW) & (median[whole:gone] < WHOLE)]
    if len(between) >= 3 and _together(found, median, between) > TOGETHER:
        # A fade: everywhere alike, and evenly.
        slope, start = np.polyfit(between, median[between], 1)
        if slope < 0:
            return int(np.clip(np.floor(-start / slope), 0, len(median) - 1))
    # A wipe: the share falls from place to place, and where it has gone, whatever walks there later
    # is nothing of it.
    known = np.where(np.isnan(found.share), 1.0, np.clip(found.share, 0.0, 1.0))
    known = np.minimum.accumulate(known, axis=0)
    mean = (known * found.weight).sum(1) / np.maximum(found.weight.sum(1), 1e-6)
    return _of_wipe(mean[:n_mixed], few)


def _of_wipe(mean: NDArray[np.float64], few: int) -> int:
    """Outermost frame at which a share still falls in steps; people walking make it fall slowly."""
    step = -np.diff(mean)
    lately = np.array([mean[max(at - few + 1, 0)] - mean[at + 1] for at in range(len(step))])
    falls = np.flatnonzero((step >= LEAST_STEP) & (lately >= LEAST_FALL))
    if not len(falls):
        return int(np.flatnonzero(mean > WHOLE).max(initial=0))
    edge = int(falls[np.argmax(lately[falls])])
    for at in falls[falls > edge]:
        if at - edge > 2 * few:
            break
        edge = int(at)
    # A wipe is seen once it comes to something; by then some of it has passed unseen.
    return min(edge + few * 2 // 3, len(mean) - 1)


def _median(share: Floats, weight: Floats) -> float:
    """Weighted median of the shares that are known; that of none is none."""
    known = ~np.isnan(share)
    if not known.any():
        return 0.0
    order = np.argsort(share[known])
    upto = np.cumsum(weight[known][order])
    return float(share[known][order][np.searchsorted(upto, upto[-1] / 2)])


def _together(
    found: Mixture, median: NDArray[np.float64], places: NDArray[np.int64]
) -> float:
    """Share of the weight that is near the median, over some frames."""
    near = np.abs(found.share[places] - median[places][:, None]) < 0.15
    weight = found.weight[places]
    return float((weight * near).sum() / max(weight.sum(), 1e-6))

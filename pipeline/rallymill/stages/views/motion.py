"""Cuts, fades and wipes from how small pictures change from frame to frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[Any]

SMALL_PX = (48, 27)
"""Width and height of the pictures that are compared."""
KEPT_RATE_HZ = 12.5
"""Small pictures kept for comparing stretches of the recording."""
LAG = 5
"""Frames between the pictures that tell a lasting change from a flash."""
AROUND_S = 0.45
SHARP_RATIO, USUAL_RATIO, LEAST_STEP = 2.1, 3.0, 0.7
"""A cut changes the picture more than any frame around and than the usual one by these factors, and
by so many levels; what noise alone changes is taken off first."""
PLAIN_STEP, JUMP_LEVELS, JUMP_SHARE, JUMP_GAPS = 2.5, 2.0, 0.35, (5, 8)
"""A change below the first is a cut only where two things at least jump, more than so many columns
or rows apart: one is a swing close to a fixed camera, or where a starved encoder renews a picture
it was behind with. Things jump by so many levels, and by a share of what the greatest does."""
UNEVEN_LEVELS, UNEVEN_STEP = 2.0, 6.0
"""At a cut some columns or rows change more than the usual one by this, and below the second change
by more than it does itself; light changes all alike."""
CERTAIN_STEP, CERTAIN_RATIO = 14.0, 1.6
"""A change this large is a cut already where it stands out less."""
SLOW_S = (0.12, 1.8)
"""Least and greatest length of a gradual transition."""
SLOW_CHANGE, SLOW_STRAIGHT = 11.0, 0.62
"""A gradual transition changes the picture this much, and mostly in one direction."""

SWEEP_LEVELS, SWEEP_COVERS, SWEEP_STRAIGHT = 6.0, 0.5, 0.9
"""A wipe changes columns (or rows) by so many levels, most of them, one after the other."""


def small_picture(image: Picture) -> Picture:
    """Small colour picture (27, 48, 3) of a frame."""
    return cv2.resize(image, SMALL_PX, interpolation=cv2.INTER_AREA)


@dataclass
class Changes:
    """What a recording's frames do, one number a frame, filled as it is read.

    ``step`` is the mean change of the small picture since the frame before, ``lasting`` since
    ``LAG`` frames before, in grey levels. ``kept`` holds grey small pictures about
    ``KEPT_RATE_HZ`` a second, with their frame numbers in ``kept_at``. ``columns`` (48,) and
    ``rows`` (27,) are a frame's mean change by column and row, at most 255.
    """

    t_s: list[float] = field(default_factory=list)
    step: list[float] = field(default_factory=list)
    lasting: list[float] = field(default_factory=list)
    kept: list[Picture] = field(default_factory=list)
    kept_at: list[int] = field(default_factory=list)
    columns: list[Picture] = field(default_factory=list)
    rows: list[Picture] = field(default_factory=list)
    _recent: list[Picture] = field(default_factory=list)

    def add(self, t_s: float, small: Picture) -> None:
        """Take the next frame's small picture."""
        now = small.astype(np.int16)
        recent = self._recent
        change = np.abs(now - recent[-1]).mean(2) if recent else np.zeros(now.shape[:2])
        self.step.append(float(change.mean()))
        self.columns.append(np.minimum(change.mean(0), 255).astype(np.uint8))
        self.rows.append(np.minimum(change.mean(1), 255).astype(np.uint8))
        self.lasting.append(float(np.abs(now - recent[0]).mean()) if len(recent) == LAG else 0.0)
        self._recent = [*recent[-(LAG - 1):], now]
        if not self.kept or t_s - self.t_s[self.kept_at[-1]] >= 0.999 / KEPT_RATE_HZ:
            self.kept.append(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))
            self.kept_at.append(len(self.t_s))
        self.t_s.append(t_s)

    def settled(self) -> Changes:
        """The same in arrays, which are quicker to look at and smaller; nothing can be added."""
        made: Any = (
            np.array(self.t_s), np.array(self.step), np.array(self.lasting), _stacked(self.kept),
            np.array(self.kept_at, dtype=np.int64), _stacked(self.columns), _stacked(self.rows),
        )
        return Changes(*made)


def _stacked(pictures: list[Picture]) -> Picture:
    return np.stack(pictures) if pictures else np.zeros((0, 0), np.uint8)


@dataclass(frozen=True)
class Piece:
    """Frames ``first`` to ``last`` (included) between two cuts, or of a transition, wipe or not."""

    first: int
    last: int
    transition: bool = False
    wipe: bool = False


def _around(step: Array, at: int, reach: int) -> Array:
    low, high = max(0, at - reach), min(len(step), at + reach + 1)
    return np.concatenate([step[low:at], step[at + 1:high]])


def hard_cuts(changes: Changes) -> list[int]:
    """Frames that are the first of a new shot."""
    step = np.asarray(changes.step)
    lasting = np.asarray(changes.lasting)
    count = len(step)
    if count < 3:
        return []
    reach = max(2, round(AROUND_S / _interval_s(changes)))
    found = []
    for at in np.flatnonzero(step >= LEAST_STEP):
        others = _around(step, int(at), reach)
        if len(others) == 0:
            continue
        strongest, usual = float(others.max()), float(np.median(others))
        noise = 0.9 * float(np.percentile(others, 10))
        over = step[at] - noise
        sharp = (
            over > max(SHARP_RATIO * (strongest - noise), LEAST_STEP)
            and step[at] > USUAL_RATIO * usual
        )
        certain = step[at] > CERTAIN_STEP and step[at] > max(CERTAIN_RATIO * strongest, 6 * usual)
        if not (sharp or certain):
            continue
        if not _uneven(changes, int(at)):
            continue
        if step[at] < PLAIN_STEP and _jumps(changes, int(at)) < 2:
            continue
        # The frame LAG - 2 later still differs from the frame before the cut, unlike after a flash.
        later = min(int(at) + LAG - 2, count - 1)
        if later >= LAG and lasting[later] < 0.6 * step[at]:
            continue
        found.append(int(at))
    return found


def _jumps(changes: Changes, at: int) -> int:
    """How many separate groups of columns, or of rows, change more at a frame than around it."""
    low, high = max(at - 2, 0), min(at + 3, len(changes.t_s))
    groups = []
    for lines, gap in zip((changes.columns, changes.rows), JUMP_GAPS, strict=True):
        others = [lines[i] for i in range(low, high) if i != at]
        excess = lines[at].astype(float) - np.max(others, axis=0)
        excess -= np.median(excess)
        places = np.flatnonzero(excess >= max(JUMP_LEVELS, JUMP_SHARE * float(excess.max())))
        groups.append(int(np.sum(np.diff(places) > gap)) + 1 if len(places) else 0)
    return max(groups)


def _uneven(changes: Changes, at: int) -> bool:
    """Whether some columns or rows change more than others do, unlike under a change of light."""
    plain = changes.step[at] >= UNEVEN_STEP
    for lines in (changes.columns, changes.rows):
        usual = float(np.median(lines[at]))
        over = float(lines[at].max()) - usual
        if over >= UNEVEN_LEVELS and (plain or over > usual):
            return True
    return False


def _interval_s(changes: Changes) -> float:
    times = np.asarray(changes.t_s)
    return max(float(np.median(np.diff(times))), 1e-3) if len(times) > 1 else 0.04


def transitions(changes: Changes) -> list[Piece]:
    """Stretches in which one shot turns into another bit by bit (wipe, dissolve, fade)."""
    step = np.asarray(changes.step)
    count = len(step)
    if count < 6:
        return []
    interval = _interval_s(changes)
    most, least = round(SLOW_S[1] / interval), max(2, round(SLOW_S[0] / interval))
    window = max(5, round(4.0 / interval))
    usual = _running_median(step, window)
    busy = step > np.maximum(2.5 * usual, 1.0)
    found: list[Piece] = []
    index = 0
    while index < count:
        if not busy[index]:
            index += 1
            continue
        end = index
        quiet = 0
        while end + 1 < count and quiet <= 1:
            end += 1
            quiet = 0 if busy[end] else quiet + 1
        end = min(end, count - 1)
        while end > index and not busy[end]:
            end -= 1
        if least <= end - index + 1 <= most:
            wipe = _sweeps(changes, index, end)
            if wipe or _turns(changes, index, end):
                # Its first and last frames may hardly be touched, the first ones least, since play
                # goes on; no doubtful frame is live play.
                low = max(index - 2, found[-1].last + 1 if found else 0)
                found.append(Piece(low, min(end + 1, count - 1), True, wipe))
        index = end + 1
    return found


def _turns(changes: Changes, first: int, last: int) -> bool:
    """Whether the change over a stretch is large and mostly in one direction."""
    places = np.asarray(changes.kept_at)
    before = int(np.searchsorted(places, first, side="right")) - 1
    # The last kept picture before the stretch and the first after it.
    if before >= 0 and places[before] >= first:
        before -= 1
    after = int(np.searchsorted(places, last, side="left"))
    if before < 0 or after >= len(places):
        return False
    one = changes.kept[before].astype(np.int16)
    two = changes.kept[after].astype(np.int16)
    change = float(np.abs(two - one).mean())
    path = float(np.sum(np.asarray(changes.step)[places[before] + 1:places[after] + 1]))
    peak = float(np.max(np.asarray(changes.step)[first:last + 1]))
    # A single frame that makes most of the change is a cut, not a transition.
    return change > SLOW_CHANGE and change > SLOW_STRAIGHT * path and peak < 0.6 * path


def _sweeps(changes: Changes, first: int, last: int) -> bool:
    """Whether the change runs over the picture from side to side, or from the middle outwards."""
    for profiles in (changes.columns, changes.rows):
        change = np.stack(profiles[first:last + 1]).astype(float)
        strong = change.max(axis=0)
        if np.mean(strong > SWEEP_LEVELS) < SWEEP_COVERS:
            continue
        moment = np.argmax(change, axis=0)[strong > SWEEP_LEVELS].astype(float)
        place = np.flatnonzero(strong > SWEEP_LEVELS).astype(float)
        if np.ptp(moment) < 0.6 * (last - first):
            continue
        for along in (place, np.abs(place - (change.shape[1] - 1) / 2)):
            if abs(float(np.corrcoef(along, moment)[0, 1])) > SWEEP_STRAIGHT:
                return True
    return False


def _running_median(values: Array, window: int) -> Array:
    """Median over a centred window, taken on a grid and held between."""
    stride = max(1, window // 8)
    half = window // 2
    grid = np.arange(0, len(values), stride)
    medians = np.array([np.median(values[max(0, g - half):g + half + 1]) for g in grid])
    return np.asarray(np.interp(np.arange(len(values)), grid, medians))


def pieces(changes: Changes, extra_cuts: list[int] | None = None) -> list[Piece]:
    """Cut the recording: every frame belongs to exactly one piece, in order."""
    count = len(changes.t_s)
    if count == 0:
        return []
    slow = transitions(changes)
    starts = {0}
    covered = np.zeros(count, bool)
    for piece in slow:
        covered[piece.first:piece.last + 1] = True
        starts |= {piece.first, piece.last + 1}
    for cut in [*hard_cuts(changes), *(extra_cuts or [])]:
        if not covered[cut]:
            starts.add(cut)
    ordered = sorted(start for start in starts if start < count)
    firsts = {piece.first: piece for piece in slow}
    return [
        firsts.get(first) or Piece(first, last - 1)
        for first, last in zip(ordered, [*ordered[1:], count], strict=True)
    ]

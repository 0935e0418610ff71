"""Find play that is shown again while a recording is read, and put it among the other pieces.

The last minute and a half is remembered in small pictures. Every so often the newest stretch is
laid beside what came before; stretches that are seen on one line make a replay.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from rallymill.stages.views import mixing, recall
from rallymill.stages.views.motion import Changes, Piece
from rallymill.stages.views.recall import Seen

BEFORE_S, WITHIN_S = 1.0, 0.3
"""A cut or transition so far outside the frames that show nothing but the replay, or so far inside
them, is its border."""
UNSEEN_S = 3.0
"""Where a replay has no border there, this much further out."""


class Recall:
    """Takes the frames of a recording in order and finds what is shown again."""

    def __init__(self) -> None:
        self.frames = recall.Frames()
        self.found: list[recall.Seen] = []
        self._run: list[recall.Sight] = []
        self._last_court_s = -np.inf
        self._next_s = recall.WINDOW_S

    def court(self, t_s: float) -> None:
        """A court was seen at this time: without one, nothing is looked for."""
        self._last_court_s = t_s

    def add(self, frame: int, t_s: float, medium: recall.Picture) -> None:
        """Take the next frame's picture of :func:`medium_picture`."""
        fresh = self.frames.add(frame, t_s, cv2.cvtColor(medium, cv2.COLOR_BGR2GRAY))
        if not fresh or t_s < self._next_s:
            return
        self._next_s = t_s + recall.STRIDE_S
        if t_s - self._last_court_s <= recall.WINDOW_S:
            sight = self._look(t_s)
            if sight is not None and not self._goes_on(sight.line):
                self._close()
            if sight is not None:
                self._run.append(sight)
        if self._run and t_s - self._run[-1].line.shown_s > recall.WINDOW_S + recall.AFTER_S:
            self._close()

    def finish(self) -> list[recall.Seen]:
        """All that was found, once the recording has ended."""
        self._close()
        return self.found

    def _goes_on(self, line: recall.Line) -> bool:
        if not self._run:
            return True
        before = self._run[-1].line
        middle_s = line.shown_s + recall.WINDOW_S / 2
        return (
            line.shown_s - before.shown_s <= (recall.MISSED + 1.5) * recall.STRIDE_S
            and abs(before.at(middle_s) - line.at(middle_s)) < recall.SAME_S
        )

    def _look(self, now_s: float) -> recall.Sight | None:
        """The line on which the newest stretch is seen again."""
        times = np.asarray(self.frames.times)
        start_s = now_s - recall.WINDOW_S
        mine = np.flatnonzero(times >= start_s)[::round(recall.RATE_HZ / recall.ASKED_HZ)]
        low = int(np.searchsorted(times, start_s - recall.BACK_S))
        high = int(np.searchsorted(times, start_s - recall.APART_S))
        if high - low < 2 * round(recall.NEAR_S * recall.RATE_HZ) or len(mine) < 4:
            return None
        missed, usual = recall.contrasts(self.frames.squares(self.frames.kept(mine), low, high))
        return recall.best_line(missed.sum(0), usual.sum(0), times[mine], times[low:high])

    def _close(self) -> None:
        """Take the stretches in hand for a replay, if they are enough."""
        run, self._run = self._run, []
        if len(run) < recall.LEAST_SEEN:
            return
        seen = mixing.reach(self.frames, [one.line for one in run], recall.WINDOW_S)
        if seen is not None and (not self.found or seen.first > self.found[-1].last):
            self.found.append(seen)


def pieces(
    changes: Changes, cut: Sequence[Piece], seen: Sequence[Seen]
) -> tuple[list[Piece], dict[int, str]]:
    """Pieces with one for each replay, and what those say, by their first frames.

    A replay takes in the wipes at its ends, and cuts within it are none.
    """
    again: dict[int, str] = {}
    out = list(cut)
    for one in seen:
        first, last = _border(changes, out, one, -1), _border(changes, out, one, +1)
        out = [*_before(out, first), Piece(first, last), *_after(out, last)]
        again[first] = f"shows {one.line.at(changes.t_s[first]):.1f} s again at " \
                       f"{one.line.speed:.2f} of the speed"
    return out, again


def _before(cut: Sequence[Piece], frame: int) -> list[Piece]:
    return [
        Piece(piece.first, min(piece.last, frame - 1), piece.transition, piece.wipe)
        for piece in cut if piece.first < frame
    ]


def _after(cut: Sequence[Piece], frame: int) -> list[Piece]:
    return [
        Piece(max(piece.first, frame + 1), piece.last, piece.transition, piece.wipe)
        for piece in cut if piece.last > frame
    ]


def _border(changes: Changes, cut: Sequence[Piece], seen: Seen, way: int) -> int:
    """First frame of a replay (``way`` -1) or its last (+1)."""
    pure, edge = (seen.first, seen.opens) if way < 0 else (seen.last, seen.closes)
    times = changes.t_s

    def outside_s(frame: int) -> float:
        return way * (times[frame] - times[pure])

    found = []
    for piece in cut:
        if piece.transition:
            inner, outer = (piece.last, piece.first) if way < 0 else (piece.first, piece.last)
            if outside_s(outer) > -WITHIN_S and outside_s(inner) < BEFORE_S:
                return outer if way * (outer - edge) > 0 or outside_s(inner) > -WITHIN_S else edge
        border = piece.first if way < 0 else piece.first - 1
        if piece.first > 0 and -WITHIN_S < outside_s(border) < BEFORE_S:
            found.append(border)
    if found:
        return min(found, key=lambda frame: abs(outside_s(frame)))
    if edge != pure:
        return edge
    # It cannot have begun without anything: not all of it is recognised.
    cuts = [piece.first if way < 0 else piece.first - 1 for piece in cut if piece.first > 0]
    beyond = [frame for frame in cuts if 0 < outside_s(frame) < UNSEEN_S]
    return min(beyond, key=outside_s, default=edge)

"""Find replays that hide inside a span: shown by the live camera, and cut in without a jump.

Between two cuts, a window slides over the pictures and asks of each stretch whether earlier play is
shown again in it. Windows that say so, and agree on when and how fast, make a replay; it reaches as
far as the pictures go on agreeing, and through the wipe at either end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.views import replay
from rallymill.stages.views.motion import KEPT_RATE_HZ, Changes, Piece
from rallymill.stages.views.replay import BACK_S, Repeat

Array = NDArray[np.float64]

WINDOW_S, STRIDE_S = 3.2, 0.8
"""Length of the window, and how far it moves on: two strides, and hence three windows, fit into the
shortest replay that is worth finding."""
LEAST_WINDOWS = 2
LEAST_PIECE_S = WINDOW_S + 2.0
SLOWED = 0.75
"""Without a cut, only what is shown slower than this is a replay: at full speed rallies of the same
pattern look alike."""
SAME_SPEED, SAME_PLACE_S = 0.12, 0.35
"""Windows tell of one replay if their speeds differ by less than this share, and the moments that
they see shown again by less than this time."""
AGREES, MISSES = 0.6, 3
"""A picture agrees with its line if it differs less than this share of what it usually differs from
earlier ones; so many in a row that do not end the replay."""
BUSY, EDGE_S, INSIDE_S = 1.8, 0.8, 0.4
"""Steps of a wipe or cut are larger than the usual ones by this factor; it is looked for so far
outside the pictures that agree, and so far inside them."""


@dataclass(frozen=True)
class _Line:
    """At ``shown_s``, ``from_s`` is shown; ``speed`` seconds further for each second."""

    shown_s: float
    repeat: Repeat

    def at(self, t_s: Array) -> Array:
        return self.repeat.from_s + self.repeat.speed * (t_s - self.shown_s)

    def goes_on(self, later: _Line) -> bool:
        """Whether a later window sees the same replay."""
        ratio = later.repeat.speed / self.repeat.speed
        expected = float(self.at(np.array([later.shown_s]))[0])
        return (
            abs(np.log(ratio)) < SAME_SPEED
            and abs(later.repeat.from_s - expected) < SAME_PLACE_S
        )


class _Memory:
    """Kept pictures as vectors without their mean, so that differences are matrix products."""

    def __init__(self, changes: Changes) -> None:
        self.frames = np.asarray(changes.kept_at)
        self.times = np.asarray(changes.t_s)[self.frames]
        inner = np.stack([replay.inner(one).ravel() for one in changes.kept]).astype(np.float32)
        self.vectors = inner - inner.mean(1, keepdims=True)
        self.powers = (self.vectors**2).mean(1)
        steps = self.vectors[1:] - self.vectors[:-1]
        self.steps = np.sqrt((steps**2).mean(1)).astype(np.float64)

    def gaps(self, mine: NDArray[Any], earlier: NDArray[Any]) -> Array:
        """Root mean square differences (M, N) of pictures from earlier ones that follow each other.

        What noise alone makes of one and the same moment is taken off.
        """
        floor = float(np.percentile(self.steps[earlier[:-1]], 20))
        product = self.vectors[mine] @ self.vectors[earlier].T / self.vectors.shape[1]
        square = self.powers[mine][:, None] + self.powers[earlier][None, :] - 2 * product
        return np.maximum(np.sqrt(np.maximum(square, 0.0)).astype(np.float64) - floor, 0.0)

    def earlier(self, than: int) -> NDArray[Any]:
        """Pictures of the last minute before a frame."""
        last = int(np.searchsorted(self.frames, than))
        start_s = self.times[min(last, len(self.times) - 1)]
        return np.arange(np.searchsorted(self.times, start_s - BACK_S), last)


def replay_borders(changes: Changes, cut: list[Piece]) -> list[int]:
    """Frames at which replays begin and end inside pieces, as further cuts."""
    if len(changes.kept) < replay.LEAST_MATCHES:
        return []
    memory = _Memory(changes)
    found: list[int] = []
    for piece in cut:
        length_s = changes.t_s[piece.last] - changes.t_s[piece.first]
        if piece.transition or length_s < LEAST_PIECE_S:
            continue
        for first, last in _within(changes, memory, piece):
            found += [at for at in (first, last + 1) if piece.first < at <= piece.last]
    return found


def _within(changes: Changes, memory: _Memory, piece: Piece) -> list[tuple[int, int]]:
    """First and last frames of replays in a piece, in order."""
    times = np.asarray(changes.t_s)
    found: list[tuple[int, int]] = []
    run: list[_Line] = []
    starts = np.arange(times[piece.first], times[piece.last] - WINDOW_S + 1e-6, STRIDE_S)
    for start_s in [*starts.tolist(), None]:
        line = None if start_s is None else _seen(memory, start_s)
        if line is not None and run and run[-1].goes_on(line):
            run.append(line)
            continue
        if len(run) >= LEAST_WINDOWS:
            reach = _reach(changes, memory, piece, run)
            if reach is not None and (not found or reach[0] > found[-1][1]):
                found.append(reach)
        run = [] if line is None else [line]
    return found


def _seen(memory: _Memory, start_s: float) -> _Line | None:
    low, high = np.searchsorted(memory.times, [start_s, start_s + WINDOW_S])
    if high - low < replay.LEAST_MATCHES:
        return None
    earlier = memory.earlier(int(memory.frames[low]))
    if len(earlier) < replay.LEAST_MATCHES:
        return None
    mine = np.arange(low, high)
    gaps = memory.gaps(mine, earlier)
    repeat = replay.best_line(gaps, memory.times[mine], memory.times[earlier])
    if repeat is None or repeat.speed > SLOWED:
        return None
    return _Line(float(memory.times[low]), repeat)


def _reach(
    changes: Changes, memory: _Memory, piece: Piece, run: list[_Line]
) -> tuple[int, int] | None:
    """First and last frame of the replay that windows saw, None if it does not hold as a whole."""
    line = run[len(run) // 2]
    low, high = np.searchsorted(memory.frames, [piece.first, piece.last + 1])
    mine = np.arange(low, high)
    seed = int(np.searchsorted(memory.times, line.shown_s + WINDOW_S / 2)) - low
    earlier = memory.earlier(int(memory.frames[np.searchsorted(memory.times, run[0].shown_s)]))
    gaps = memory.gaps(mine, earlier)
    wanted = line.at(memory.times[mine])
    at = np.clip(np.searchsorted(memory.times[earlier], wanted), 0, len(earlier) - 1)
    on_line = np.abs(memory.times[earlier][at] - wanted) <= 2.0 / KEPT_RATE_HZ
    agrees = on_line & (gaps[np.arange(len(mine)), at] < AGREES * np.median(gaps, axis=1))
    first = _last_agreeing(agrees, seed, -1)
    last = _last_agreeing(agrees, seed, +1)
    from_frame, to_frame = int(memory.frames[mine[first]]), int(memory.frames[mine[last]])
    from_frame, to_frame = _at_wipes(changes, piece, from_frame, to_frame)
    live = [(0, from_frame - 1)]
    whole = replay.seen_before(changes, from_frame, to_frame, live)
    if whole is None or whole.speed > SLOWED:
        return None
    return from_frame, to_frame


def _last_agreeing(agrees: NDArray[np.bool_], seed: int, way: int) -> int:
    """Furthest agreeing picture from ``seed`` in one direction, over short misses."""
    furthest, misses, k = seed, 0, seed
    while 0 <= k < len(agrees) and misses < MISSES:
        if agrees[k]:
            furthest, misses = k, 0
        else:
            misses += 1
        k += way
    return furthest


def _at_wipes(changes: Changes, piece: Piece, first: int, last: int) -> tuple[int, int]:
    """Borders moved to where the picture changes more than usual near them: a wipe, or a cut."""
    step = np.asarray(changes.step)
    usual = float(np.median(step[piece.first + 1:piece.last + 1]))
    busy = np.flatnonzero(step > BUSY * usual)
    busy = busy[(busy > piece.first) & (busy <= piece.last)]
    runs = np.split(busy, np.flatnonzero(np.diff(busy) > MISSES) + 1)
    opening = _strongest(changes, runs, first, EDGE_S, INSIDE_S)
    closing = _strongest(changes, runs, last, INSIDE_S, EDGE_S)
    return (
        first if opening is None else int(opening[0]),
        # A step leads into its frame: the last large one leads into the live picture.
        last if closing is None else int(closing[-1]) - 1,
    )


def _strongest(
    changes: Changes, runs: list[NDArray[Any]], at: int, before_s: float, after_s: float
) -> NDArray[Any] | None:
    """Run of busy frames about a frame in which the picture changes most in all."""
    times, step = np.asarray(changes.t_s), np.asarray(changes.step)
    near = [
        run for run in runs if len(run)
        and times[run[-1]] >= times[at] - before_s and times[run[0]] <= times[at] + after_s
    ]
    return max(near, key=lambda run: float(step[run].sum()), default=None)

"""Find the stroke or point that a correction speaks of, by time and hitter. Pure functions."""

from __future__ import annotations

from collections.abc import Sequence

from rallymill.corrections.rows import TOLERANCE_S

POINT_SLACK_S = 1.0
"""How far outside its point a time may lie."""
CLEAR = 0.25
"""The nearest of several strokes is taken if it is nearer than this share of the next one's way."""
SAME_S = 0.0015
"""Times closer than this are the same; files give them in milliseconds."""

Key = tuple[float, str]


def stroke_at(keys: Sequence[Sequence[Key]], t_s: float, side: str) -> int | str:
    """Number of the stroke with a key (time, hitter's side) like this, or why there is none.

    ``keys`` holds for every stroke all keys under which it was known.
    """
    near = sorted(
        (min((abs(at - t_s) for at, who in own if who == side), default=float("inf")), number)
        for number, own in enumerate(keys)
    )
    fitting = [pair for pair in near if pair[0] <= TOLERANCE_S + 1e-9]
    if not fitting:
        return _nothing(keys, t_s, side)
    if len(fitting) > 1 and fitting[0][0] > CLEAR * fitting[1][0] + SAME_S:
        times = " and ".join(f"{_time(keys[number], t_s):.2f} s" for _, number in sorted(
            fitting[:2], key=lambda pair: _time(keys[pair[1]], t_s)))  # fmt: skip
        return f"two strokes of the {side} player fit, at {times}"
    return fitting[0][1]


def _time(own: Sequence[Key], t_s: float) -> float:
    return min((at for at, _ in own), key=lambda at: abs(at - t_s))


def _nothing(keys: Sequence[Sequence[Key]], t_s: float, side: str) -> str:
    problem = f"no stroke of the {side} player within {TOLERANCE_S:g} s of {t_s:.2f} s"
    others = sorted((abs(at - t_s), at, who) for own in keys for at, who in own)
    if others and others[0][0] <= 5.0:
        problem += f" (the nearest one is the {others[0][2]} player's at {others[0][1]:.2f} s)"
    return problem


def point_at(spans: Sequence[tuple[float, float]], t_s: float) -> int | str:
    """Number of the point (start, end, in seconds) that a time belongs to, or why there is none."""
    ways = sorted(
        (max(start - t_s, t_s - end, 0.0), abs(t_s - start), number)
        for number, (start, end) in enumerate(spans)
    )
    if not ways or ways[0][0] > POINT_SLACK_S:
        return f"no point at {t_s:.2f} s"
    return ways[0][2]

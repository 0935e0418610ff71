"""Behaviours that rules and stages look for, and how often they are meant to occur."""

from __future__ import annotations

from dataclasses import dataclass

from rallymill.arena.play_figures import played
from rallymill.arena.play_sample import PlaySample


@dataclass(frozen=True)
class Meant:
    """A kind of note in a rally's record, what it is, and its rate in 100 points, both players."""

    kind: str
    what: str
    low: float
    high: float


BEHAVIOURS: tuple[Meant, ...] = (
    Meant("split_good", "split step well timed", 150, 600),
    Meant("split_early", "split step too early", 15, 150),
    Meant("split_late", "split step too late", 15, 150),
    Meant("split_none", "no split step", 12, 120),
    Meant("recover_good", "recovery to within 0.8 m of the bisector", 130, 600),
    Meant("recover_short", "recovery that stops short of it", 10, 150),
    Meant("recover_over", "recovery beyond it", 2, 30),
    Meant("net_on", "at the net on the bisector", 10, 80),
    Meant("net_off", "at the net off the bisector", 4, 50),
    Meant("approach", "approach shot", 8, 60),
    Meant("serve_and_volley", "coming in behind the serve", 3, 20),
    Meant("short_closed", "short ball, went to the net behind the stroke", 6, 60),
    Meant("short_stayed", "short ball, stayed back", 10, 150),
    Meant("short_cross", "short ball sent across the court", 8, 100),
    Meant("short_line", "short ball sent down the line", 8, 100),
    Meant("to_open_court", "stroke into the open court", 12, 100),
    Meant("behind_runner", "stroke behind the runner", 3, 30),
    Meant("slice", "slice", 10, 60),
    Meant("drop_shot", "drop shot", 2, 25),
    Meant("lob", "lob", 2, 20),
    Meant("volley", "volley", 3, 40),
    Meant("half_volley", "half-volley", 0.5, 12),
    Meant("overhead", "overhead", 0.3, 10),
    Meant("body_serve", "serve at the body", 10, 60),
    Meant("serve_cord", "serve that touches the cord", 1, 8),
    Meant("net_cord", "stroke that touches the cord", 0.5, 8),
    Meant("let", "let serve", 0.4, 6),
    Meant("double_fault", "double fault", 2, 14),
    Meant("toss_aborted", "ball toss caught again", 1, 8),
    Meant("bounced", "ball bounced by hand before a serve", 100, 260),
    Meant("left_lying", "ball of a fault left lying while the next is played", 3, 50),
    Meant("rolled", "ball rolled along between points", 10, 60),
)


def rates(s: PlaySample) -> dict[str, float]:
    """How often each behaviour was noted in 100 points."""
    counted = max(len(played(s)), 1)
    noted = s.behaviours.kind.value_counts().to_dict() if len(s.behaviours) else {}
    ended = s.points.ended_by.value_counts().to_dict()
    noted |= {"let": ended.get("let", 0), "double_fault": ended.get("double_fault", 0)}
    return {b.kind: 100 * noted.get(b.kind, 0) / counted for b in BEHAVIOURS}

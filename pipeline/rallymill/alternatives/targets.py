"""Places that a stroke might have been aimed at: directions, depths, and the opponent's sides."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rallymill import court
from rallymill.alternatives.stroke import SERVE, Stroke
from rallymill.court_directions import CENTRE_STRIP_M, serve_direction, stroke_direction

SIDE_MARGIN_M = 1.0
"""How far inside the sideline a ball is aimed (common practice, no source)."""
DEEP_M = court.HALF_LENGTH_M - 1.6
MIDDLE_DEPTH_M = 7.9
ANGLE_M, ANGLE_MARGIN_M = 5.2, 0.7
"""Depths aimed at, and the place of a sharp angle (common practice, no source)."""
SERVE_DEPTH_M = court.SERVICE_LINE_M - 0.9
SERVE_ACROSS_M = (0.6, court.HALF_SINGLES_M / 2, court.HALF_SINGLES_M - 0.6)
"""Distances from the centre line at which serves to the T, to the body and wide are aimed."""
RUNS_MPS = 1.0
"""An opponent who is slower across than this runs nowhere."""
BEHIND_M = 1.0

PLAYED = "played"


@dataclass(frozen=True)
class Target:
    """A place aimed at, on the turned court: its name, direction and depth in the table's words.

    ``toward`` says where it lies from the opponent.
    """

    name: str
    direction: str
    depth: str
    x_m: float
    y_m: float
    toward: str


def _direction(stroke: Stroke, x_m: float) -> str:
    if stroke.family == SERVE:
        return serve_direction(x_m)
    return stroke_direction(
        float(stroke.contact[0]), float(stroke.contact[1]), x_m, stroke.wing, stroke.right_handed,
        stroke.body_x_m,
    )


def toward(stroke: Stroke, x_m: float) -> str:
    """Where a place across the court lies from the opponent.

    ``at_opponent`` is within ``BEHIND_M``, ``behind`` a running opponent where the opponent comes
    from; otherwise ``open_side`` is the wider side of the court and ``narrow_side`` the other.
    """
    at, runs = float(stroke.opponent[0]), float(stroke.opponent[2])
    if at != at:
        return "unknown"
    off = x_m - at
    if abs(off) < BEHIND_M:
        return "at_opponent"
    if abs(runs) > RUNS_MPS and off * runs < 0:
        return "behind"
    wider = -1.0 if at > 0 else 1.0
    return "open_side" if off * wider > 0 else "narrow_side"


def _target(stroke: Stroke, x_m: float, y_m: float, name: str | None = None) -> Target:
    direction, depth = _direction(stroke, x_m), court.depth_zone(y_m)
    made = direction if stroke.family == SERVE else f"{direction}_{depth}"
    return Target(name or made, direction, depth, x_m, y_m, toward(stroke, x_m))


def targets(stroke: Stroke) -> list[Target]:
    """Targets that a stroke might have had: serves three, other strokes three directions.

    Each direction is tried deep and at middle depth, across the court as a sharp angle too.
    """
    if stroke.family == SERVE:
        side = -1.0 if stroke.box_side == "deuce" else 1.0
        return [_target(stroke, side * across, SERVE_DEPTH_M) for across in SERVE_ACROSS_M]
    edge = court.HALF_SINGLES_M - SIDE_MARGIN_M
    found = [
        _target(stroke, x, depth) for x in (-edge, 0.0, edge) for depth in (DEEP_M, MIDDLE_DEPTH_M)
    ]
    found += [
        _target(stroke, side * (court.HALF_SINGLES_M - ANGLE_MARGIN_M), ANGLE_M)
        for side in (-1.0, 1.0) if side * stroke.contact[0] < CENTRE_STRIP_M
    ]
    seen: dict[str, Target] = {}
    for target in found:
        # A contact in the middle of the court has two sides of one name: the second says which.
        hand = "right" if target.x_m > 0 else "left"
        name = target.name if target.name not in seen else f"{target.name}_{hand}"
        seen[name] = replace(target, name=name)
    return list(seen.values())


def played_target(stroke: Stroke) -> Target | None:
    """Where the stroke came down, as if that had been aimed at; None if it did not."""
    if stroke.landed is None:
        return None
    target = _target(stroke, *stroke.landed, name=PLAYED)
    if stroke.direction == "unknown":
        return target
    return replace(target, direction=stroke.direction)

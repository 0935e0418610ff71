"""Planted choices of strokes: short ball, drop shot, lob, direction, return, second serve."""

from __future__ import annotations

from collections.abc import Sequence

from rallymill import court
from rallymill.plants import (
    Exchange,
    Plant,
    Planted,
    Planter,
    Rng,
    Row,
    between,
    bisector_x,
    either,
)


def _short_on_the_run(e: Exchange, rng: Rng) -> float:
    """Let the hitter meet a short ball on the run to a side."""
    side = either(rng)
    e.put(e.stroke, hitter_vx_mps=side * between(rng, 3.5, 5.0), hitter_vy_mps=2.0,
          incoming_bounce_y_m=-between(rng, 3.5, 5.5))
    e.stroke |= {"incoming_depth": "short", "hitter_state": "on_the_run",
                 "stroke": "groundstroke", "ended_point": False}
    return side


def _leaves_line(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
    e = Exchange(rows, at)
    side = _short_on_the_run(e, rng)
    e.struck(side * between(rng, 3.4, 4.2), between(rng, 7.0, 8.5), -side * 3.3, 8.0, 0.8)
    e.timed(between(rng, 1.0, 1.2))
    e.answered(-side * between(rng, 3.2, 4.0), between(rng, 11.0, 12.5))
    e.awaits(side * between(rng, 2.6, 3.6), between(rng, 8.5, 10.0))
    e.reply["direction"] = "down_the_line"
    return e.done()


def _takes_line(off_m: float) -> Planter:
    """Sends the ball down the line and is so far off the halving place at the reply."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        side = _short_on_the_run(e, rng)
        e.struck(side * between(rng, 3.2, 4.0), between(rng, 7.0, 8.5), side * 3.2, 9.5, 0.9)
        e.timed(between(rng, 1.6, 1.9))
        far, depth = (side * between(rng, 3.0, 3.6), between(rng, 11.5, 12.5)), 12.3
        e.answered(*far)
        e.awaits(bisector_x(far, depth) + off_m * between(rng, 0.9, 1.1), depth)
        return e.done()

    return plant


def _short_ball(low_mps: float, high_mps: float, back_m: float) -> Planter:
    """Meets a short ball with time, plays it at a pace and is at a distance from the net after."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        e.put(e.stroke, incoming_bounce_y_m=-between(rng, 3.0, 5.5))
        e.stroke |= {"incoming_depth": "short", "stroke": "groundstroke", "ended_point": False,
                     "speed_mps": between(rng, low_mps, high_mps), "speed_mps_sd": 0.0}
        e.set_up(between(rng, 1.4, 2.0))
        e.answered(between(rng, -2.0, 2.0), 12.0)
        e.still(e.reply, "hitter")
        e.awaits(0.0, back_m + between(rng, 0.0, 1.0))
        return e.done()

    return plant


def _drop(low_m: float, high_m: float, opponent_m: tuple[float, float], won: bool) -> Planter:
    """A drop shot from behind the baseline (negative: inside), the opponent so far behind theirs.
    """

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        depth = court.HALF_LENGTH_M + between(rng, low_m, high_m)
        e.struck(between(rng, -2.0, 2.0), depth, between(rng, -3.0, 3.0), 2.5, 1.1)
        e.opposed(between(rng, -1.0, 1.0), court.HALF_LENGTH_M + between(rng, *opponent_m))
        e.stroke["stroke"] = "drop_shot"
        return e.done(won_by_hitter=won)

    return plant


def _lob(at_m: tuple[float, float], land_m: tuple[float, float], time_s: float) -> Planter:
    """A lob with the opponent so far from the net, landing so far from it, with time to prepare."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        e.struck(between(rng, -2.0, 2.0), 12.5, between(rng, -3.0, 3.0), between(rng, *land_m), 1.6)
        e.opposed(0.0, between(rng, *at_m))
        e.set_up(time_s * between(rng, 0.95, 1.05))
        e.stroke["stroke"] = "lob"
        e.reply["stroke"] = "groundstroke"
        return e.done()

    return plant


def _hard_ball(keeps: bool) -> Planter:
    """Meets a hard cross-court ball outside and keeps or changes its direction; the line is shut.
    """

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, side = Exchange(rows, at), either(rng)
        before = e.before or {}
        before |= {"direction": "cross_court", "direction_confidence": 1.0}
        land = -side * 3.2 if keeps else side * 3.2
        depth = court.HALF_LENGTH_M + between(rng, 1.0, 2.5)
        e.struck(side * between(rng, 2.0, 3.8), depth, land, 9.0, 1.0)
        e.opposed(side * between(rng, 1.0, 2.0), 12.6)
        e.stroke |= {"stroke": "groundstroke", "incoming_speed_mps": between(rng, 23.0, 27.0),
                     "ended_point": False}
        return e.done()

    return plant


def _low_ball(low_m: float, high_m: float) -> Planter:
    """Strikes a low ball down the line with so much room over the net."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, side = Exchange(rows, at), either(rng)
        e.struck(side * between(rng, 2.5, 3.8), between(rng, 9.0, 12.5), side * 3.4, 9.0, 1.0,
                 between(rng, 0.15, 0.4))
        e.stroke |= {"stroke": "groundstroke", "ended_point": False,
                     "net_clearance_m": between(rng, low_m, high_m)}
        return e.done()

    return plant


def _return(land_x: tuple[float, float], land_y: tuple[float, float], straight: bool) -> Planter:
    """Returns a hard serve to a place; ``straight``: on the side on which it was met."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, side = Exchange(rows, at), either(rng)
        assert e.before is not None
        e.before |= {"speed_mps": between(rng, 52.0, 58.0), "speed_mps_sd": 0.0}
        x = side * between(rng, 3.0, 4.5)
        way = side if straight else -side
        e.struck(x, between(rng, 12.0, 13.5), way * between(rng, *land_x), between(rng, *land_y),
                 1.0)
        e.put(e.stroke, hitter_x_m=x - 0.7 * side)
        e.stroke["ended_point"] = False
        return e.done()

    return plant


def _jam(low_m: float, high_m: float) -> Planter:
    """Meets the ball so far beside the middle of the body; the reply is short and central."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, x = Exchange(rows, at), between(rng, -2.0, 2.0)
        e.struck(x, between(rng, 11.5, 13.0), between(rng, -1.0, 1.0), between(rng, 3.5, 5.5), 1.0)
        e.put(e.stroke, hitter_x_m=x - either(rng) * between(rng, low_m, high_m))
        return e.done()

    return plant


PLANTS: tuple[Plant, ...] = (
    Plant("open_line", "fault", "leaves the line open on the run", _leaves_line, _takes_line(2.0)),
    Plant("open_line", "credit", "takes the line on the run", _takes_line(0.2), _takes_line(2.0)),
    Plant("short_ball", "fault", "leaves a short ball unattacked",
          _short_ball(13.0, 18.0, 11.5), _short_ball(29.0, 34.0, 11.5)),
    Plant("drop_shot", "fault", "drops from too deep",
          _drop(1.2, 3.0, (-0.5, 2.0), False), _drop(-4.0, -1.5, (-0.5, 1.0), False)),
    Plant("drop_shot", "credit", "drops against an opponent far back",
          _drop(-4.0, -1.5, (3.2, 5.0), True), _drop(-4.0, -1.5, (-0.5, 1.0), True)),
    Plant("lob", "credit", "lobs a closed net",
          _lob((1.5, 2.6), (10.0, 11.5), 0.8), _lob((4.0, 6.0), (10.0, 11.5), 0.8)),
    Plant("lob", "fault", "lobs short",
          _lob((1.5, 4.5), (3.5, 5.8), 0.8), _lob((4.0, 6.0), (10.0, 11.5), 0.8)),
    Plant("lob", "fault", "lobs without need",
          _lob((11.5, 13.5), (10.0, 11.5), 1.7), _lob((11.5, 13.5), (10.0, 11.5), 0.8)),
    Plant("change_direction", "fault", "changes direction on a hard ball", _hard_ball(False),
          _hard_ball(True)),
    Plant("low_line", "fault", "sends a low ball over the high net",
          _low_ball(0.02, 0.18), _low_ball(0.5, 1.2)),
    Plant("return_choice", "credit", "returns to the middle and deep",
          _return((0.0, 1.1), (10.0, 11.5), True), _return((2.0, 3.0), (8.0, 10.0), False),
          ("return",)),
    Plant("return_choice", "fault", "returns close to the line",
          _return((3.6, 4.0), (8.0, 11.0), True), _return((2.0, 3.0), (8.0, 10.0), True),
          ("return",)),
    Plant("jammed", "fault", "is jammed", _jam(0.0, 0.18), _jam(0.6, 0.9),
          ("groundstroke", "return")),
)

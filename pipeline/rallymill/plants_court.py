"""Planted places and runs: recovery, net, closing in, open court, wrong foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

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
    off_middle,
)


def _recovery(low_m: float, high_m: float) -> Planter:
    """Meets a wide ball and stands so far short of the halving place (negative: beyond it)."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, side = Exchange(rows, at), either(rng)
        x, depth = side * between(rng, 4.7, 5.4), between(rng, 12.0, 13.5)
        e.put(e.stroke, contact_x_m=x, hitter_x_m=x - 0.5 * side, hitter_y_m=-depth)
        e.still(e.stroke, "hitter")
        e.timed(between(rng, 2.2, 2.8))
        far = (off_middle(rng, 1.5, 3.0), between(rng, 11.5, 13.0))
        e.answered(*far)
        e.awaits(bisector_x(far, depth) + side * between(rng, low_m, high_m), depth)
        return e.done()

    return plant


def _on_point_lost(planter: Planter) -> Planter:
    """The same, with the point lost by the hitter."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        return replace(planter(rows, at, rng), won_by_hitter=False)

    return plant


def _at_net(low_m: float, high_m: float) -> Planter:
    """Stands at the net so far off the line that halves the passing angles, on either side."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        far, depth = (off_middle(rng, 1.5, 3.8), between(rng, 10.5, 13.0)), between(rng, 2.0, 4.2)
        e.answered(*far)
        e.awaits(bisector_x(far, depth) + either(rng) * between(rng, low_m, high_m), depth)
        return e.done()

    return plant


def _held_net(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
    planted = _at_net(0.0, 0.25)(rows, at, rng)
    e = Exchange(planted.rows, at)
    del e.rows[at + 2:]
    e.reply["ended_point"] = True
    return e.done(won_by_hitter=True, point={"ended_by": "error_net"})


def _carried(low_mps: float, high_mps: float) -> Planter:
    """At the net about the right place, but running across as the opponent strikes."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, way = Exchange(rows, at), either(rng)
        far, depth = (off_middle(rng, 1.5, 3.8), between(rng, 10.5, 13.0)), between(rng, 2.2, 5.5)
        e.answered(*far)
        e.awaits(bisector_x(far, depth) + way * between(rng, 0.0, 0.4), depth)
        e.put(e.reply, opponent_vx_mps=way * between(rng, low_mps, high_mps))
        return e.done()

    return plant


def _waits_at(low_m: float, high_m: float) -> Planter:
    """Stands nearly still at a depth."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        e.awaits(between(rng, -1.0, 1.0), between(rng, low_m, high_m))
        e.put(e.reply, opponent_vx_mps=between(rng, -0.5, 0.5))
        return e.done()

    return plant


def _attacks(low_m: float, high_m: float) -> Planter:
    """Attacks from inside the court, moving in, and is then at a distance from the net."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        depth = between(rng, 6.2, 7.8)
        e.struck(between(rng, -2.5, 2.5), depth, 3.2 * either(rng), between(rng, 8.5, 10.5), 0.8)
        e.put(e.stroke, hitter_y_m=-depth - 0.3, hitter_vy_mps=between(rng, 2.0, 3.5))
        e.stroke |= {"speed_mps": between(rng, 29.0, 33.0), "speed_mps_sd": 0.0,
                     "stroke": "groundstroke"}
        e.timed(between(rng, 1.2, 1.6))
        e.answered(between(rng, -3.5, 3.5), between(rng, 11.0, 13.0))
        e.awaits(between(rng, -1.0, 1.0), between(rng, low_m, high_m))
        return e.done()

    return plant


def _closes(low_m: float, high_m: float) -> Planter:
    """Comes forward so far while the opponent plays a weak ball on the run."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        depth = between(rng, 11.8, 12.6)
        e.put(e.stroke, hitter_y_m=-depth)
        e.timed(between(rng, 1.3, 1.8))
        e.answered(between(rng, -4.5, 4.5), between(rng, 11.5, 13.5))
        e.put(e.reply, hitter_vx_mps=either(rng) * between(rng, 4.5, 6.0))
        e.reply |= {"speed_mps": between(rng, 11.0, 15.5), "speed_mps_sd": 0.0,
                    "stroke": "groundstroke", "hitter_state": "on_the_run"}
        e.awaits(between(rng, -1.0, 1.0), depth - between(rng, low_m, high_m))
        return e.done()

    return plant


def _opening(e: Exchange, rng: Rng) -> float:
    """Pull the opponent off the court to a side, standing, with the hitter in the middle."""
    side = either(rng)
    e.opposed(side * between(rng, 4.6, 5.6), between(rng, 12.0, 13.0))
    return side


def _into_space(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
    e = Exchange(rows, at)
    side = _opening(e, rng)
    e.struck(between(rng, -1.0, 1.0), between(rng, 9.0, 11.0), -side * between(rng, 2.4, 3.6),
             between(rng, 8.5, 10.5), between(rng, 0.65, 0.8))
    return e.done()


def _back_to_opponent(low_s: float, high_s: float) -> Planter:
    """With so much time, sends the ball back to an opponent who is off the court."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        side = _opening(e, rng)
        e.opposed(side * between(rng, 4.8, 5.1), between(rng, 12.0, 13.0))
        e.struck(between(rng, -1.0, 1.0), between(rng, 9.0, 11.0), side * between(rng, 3.8, 4.05),
                 between(rng, 8.5, 10.5), between(rng, 1.0, 1.15))
        e.set_up(between(rng, low_s, high_s))
        e.stroke["ended_point"] = False
        return e.done()

    return plant


def _behind_runner(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
    e, way = Exchange(rows, at), either(rng)
    e.opposed(way * between(rng, 0.0, 1.0), between(rng, 12.0, 13.0), way * between(rng, 3.8, 5.0))
    e.struck(between(rng, -1.0, 1.0), between(rng, 9.0, 11.0), -way * between(rng, 3.0, 3.8),
             between(rng, 8.5, 10.0), between(rng, 0.6, 0.75))
    return e.done()


def _ahead_of_runner(low_s: float, high_s: float) -> Planter:
    """With so much time, sends the ball the way the opponent runs, who gets there."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e, way = Exchange(rows, at), either(rng)
        e.opposed(way * between(rng, 0.8, 1.6), between(rng, 12.0, 12.6),
                  way * between(rng, 4.2, 5.0))
        e.struck(between(rng, -1.0, 1.0), between(rng, 10.0, 11.5), way * between(rng, 2.9, 3.6),
                 between(rng, 9.0, 10.0), between(rng, 0.85, 1.0))
        e.set_up(between(rng, low_s, high_s))
        e.stroke["ended_point"] = False
        return e.done()

    return plant


PLANTS: tuple[Plant, ...] = (
    Plant("recovery", "fault", "stands short of the place after a wide ball",
          _recovery(2.3, 3.2), _recovery(-0.7, 0.7)),
    Plant("recovery", "fault", "runs beyond it", _recovery(-3.2, -2.2), _recovery(-0.7, 0.7)),
    Plant("recovery", "credit", "is back in time", _recovery(-0.35, 0.35), _recovery(1.0, 1.05)),
    Plant("net_position", "fault", "stands off the passing angles' middle",
          _at_net(1.5, 2.5), _at_net(0.0, 0.6)),
    Plant("net_position", "credit", "stands on it and wins the point", _held_net,
          _on_point_lost(_at_net(0.0, 0.6))),
    Plant("net_momentum", "fault", "is carried past the place at the net",
          _carried(3.4, 5.0), _carried(0.0, 1.2)),
    Plant("no_mans_land", "fault", "waits between net and baseline",
          _waits_at(6.2, 9.5), _waits_at(11.0, 14.0)),
    Plant("approach_followed", "fault", "attacks and stays back",
          _attacks(8.5, 12.5), _attacks(2.5, 6.5)),
    Plant("closing_in", "fault", "waits for a weak ball", _closes(-0.8, 0.3), _closes(1.2, 2.2)),
    Plant("closing_in", "credit", "closes in", _closes(3.0, 5.0), _closes(1.2, 2.2)),
    Plant("open_court", "credit", "plays into the open court", _into_space,
          _back_to_opponent(0.4, 0.8)),
    Plant("open_court", "fault", "plays back to the opponent", _back_to_opponent(1.5, 2.2),
          _back_to_opponent(0.4, 0.8)),
    Plant("wrong_foot", "credit", "plays behind the runner", _behind_runner,
          _ahead_of_runner(0.4, 1.0)),
    Plant("wrong_foot", "note", "plays ahead of a runner", _ahead_of_runner(1.4, 2.0),
          _ahead_of_runner(0.4, 1.0)),
)

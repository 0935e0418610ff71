"""Simulate stretches of play: points, games, pauses, and everybody on court.

``simulate(seed, n_points)`` gives a :class:`PlayWorld`, which follows
:class:`rallymill.arena.world.World`. ``n_points`` counts points in the sense of the score: a point
that begins with a fault has two rallies (two rows in the truth's ``points``). Ends are not changed
within a world; the server changes with every game.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from rallymill.arena.looks import Split
from rallymill.arena.play_balls import IdleBalls, ball_in_play, idle_balls, left_lying
from rallymill.arena.play_body import BodyTrack
from rallymill.arena.play_people import Bystander, draw_bystanders
from rallymill.arena.player_motion import SAMPLE_RATE, Body, Hop
from rallymill.arena.player_profile import Level, PlayerProfile, draw_profile
from rallymill.arena.rally import play_rally
from rallymill.arena.rally_ball import BallTrack
from rallymill.arena.rally_record import OTHER_SIDE, Behaviour, Competitor, RallyRecord, Stage
from rallymill.arena.rally_serve import receiver_place, server_place
from rallymill.arena.truth import truth_tables
from rallymill.arena.world import BallState, Look, PersonState
from rallymill.errors import ConfigError
from rallymill.flight import SURFACES

Array = NDArray[np.float64]
IdleBall = Literal["rolls", "gone"]

WALK_MPS = 1.7
JOG_MPS = 3.2
FIRST_SERVE_S = 0.5
TAIL_S = 1.5
IDLE_STREAM = 77


@dataclass
class Score:
    """Points of the game in progress and who serves; only what decides who serves from where."""

    server: str
    won: dict[str, int]

    def serve_side(self) -> str:
        """Half from which the next point is served."""
        return "deuce" if sum(self.won.values()) % 2 == 0 else "ad"

    def point(self, winner: str) -> bool:
        """Count a point; true if the game is over."""
        self.won[winner] += 1
        other = self.won[OTHER_SIDE[winner]]
        if self.won[winner] >= 4 and self.won[winner] - other >= 2:
            self.server = OTHER_SIDE[self.server]
            self.won = {"near": 0, "far": 0}
            return True
        return False


class PlayWorld:
    """A simulated stretch of play; see :class:`rallymill.arena.world.World`.

    Persons 0 and 1 are the near and the far player. ``profiles`` and ``rallies`` tell what the
    world was made from.
    """

    def __init__(
        self,
        profiles: tuple[PlayerProfile, PlayerProfile],
        rallies: Sequence[RallyRecord],
        stage: Stage,
        ball: BallTrack,
        bystanders: Sequence[Bystander],
        idle: IdleBalls,
        duration_s: float,
    ) -> None:
        self.duration_s = duration_s
        self.surface = stage.surface.name
        self.profiles = profiles
        self.rallies = tuple(rallies)
        self.looks: tuple[Look, ...] = (
            profiles[0].look,
            profiles[1].look,
            *(person.look for person in bystanders),
        )
        self.roles = ("near", "far", *("other" for _ in bystanders))
        self.balls = 1 + len(idle.tracks)
        self._ball = ball
        self._idle = idle
        self._bystanders = tuple(bystanders)
        watched = _watched(ball, rallies, duration_s)
        self._players = tuple(
            BodyTrack(stage.players[side].body, duration_s, watched[side])
            for side in ("near", "far")
        )

    def person(self, index: int, t_s: float) -> PersonState:
        """State of a person: 0 near player, 1 far player, then the others."""
        if index < 2:
            return self._players[index].at(t_s)
        return self._bystanders[index - 2].at(t_s)

    def ball(self, index: int, t_s: float) -> BallState | None:
        """State of a ball, None while it is in a hand or away."""
        if index == 0:
            return self._ball.at(t_s)
        return self._idle.tracks[index - 1].at(t_s)

    def place(self, side: str, t_s: float) -> tuple[Array, Array, float]:
        """Position (2,), velocity (2,) and height of the feet of a player."""
        track = self._players[0 if side == "near" else 1]
        place, velocity = track.place(t_s)
        return place, velocity, track.height(t_s)

    def path(self, side: str, times_s: Array) -> tuple[Array, Array]:
        """Positions (N, 2) and velocities (N, 2) of a player at times (N,)."""
        return self._players[0 if side == "near" else 1].path(times_s)

    def hops(self, side: str) -> tuple[Hop, ...]:
        """Moments in which a player's feet are off the ground, in order."""
        return self._players[0 if side == "near" else 1].hops

    def behaviours(self) -> list[Behaviour]:
        """What players did that the rules look for, in time order."""
        found = [noted for rally in self.rallies for noted in rally.behaviours]
        found += self._idle.behaviours
        return sorted(found, key=lambda noted: noted.t_s)

    def truth(self) -> dict[str, pa.Table]:
        """``events``, ``shots``, ``points`` and ``arcs``; see :mod:`rallymill.arena.truth`."""
        return truth_tables(self.rallies, self.profiles, self.place)


def _watched(
    ball: BallTrack, rallies: Sequence[RallyRecord], duration_s: float
) -> dict[str, Array]:
    """What each player looks at (N, 2): the ball while it is to be seen, else across the net."""
    n = int(np.ceil(duration_s * SAMPLE_RATE)) + 2
    times = np.arange(n) / SAMPLE_RATE
    out = {"near": np.tile([0.0, 8.0], (n, 1)), "far": np.tile([0.0, -8.0], (n, 1))}
    for rally in rallies:
        for arc in rally.arcs:
            low, high = np.searchsorted(times, (arc.start_s, min(arc.end_s, rally.free_s)))
            if high > low:
                path = arc.many(times[low:high])[:, 0:2]
                for side in out:
                    out[side][low:high] = path
    return out


def _walk(body: Body, start_s: float, place: Array, within_s: float) -> float:
    """Go to a place between points; gives the time of arrival."""
    way = float(np.linalg.norm(place - body.at(start_s)[0]))
    if way < 0.02:
        return start_s
    span = max(0.5, 1.5 * way / JOG_MPS, min(within_s, 1.5 * way / WALK_MPS))
    body.move(start_s, start_s + span, place)
    return start_s + span


def _check(surface: str, start_server: str, n_points: int, idle_ball: str) -> None:
    if surface not in SURFACES:
        raise ConfigError(f"unknown surface {surface!r}", f"use one of {', '.join(SURFACES)}")
    if start_server not in OTHER_SIDE:
        raise ConfigError(f"unknown side {start_server!r}", "use near or far")
    if n_points < 1:
        raise ConfigError(f"{n_points} points asked for", "ask for 1 or more")
    if idle_ball not in ("rolls", "gone"):
        raise ConfigError(f"unknown idle ball {idle_ball!r}", "use rolls or gone")


def simulate(
    seed: int,
    n_points: int,
    *,
    surface: str = "hard",
    level: Level = "tour",
    start_server: str = "near",
    players: tuple[PlayerProfile, PlayerProfile] | None = None,
    split: Split = "any",
    pause_s: tuple[float, float] = (3.0, 6.0),
    idle_ball: IdleBall = "rolls",
    n_others: int | None = None,
    n_spare_balls: int | None = None,
    women: bool | None = None,
) -> PlayWorld:
    """Play ``n_points`` points.

    ``players`` are the near and the far player, drawn from the seed if None. ``pause_s`` bounds the
    pause between points. With ``idle_ball`` ``rolls`` the ball is seen until it rests and is then
    picked up, with ``gone`` it vanishes at its second contact after the point. ``n_others`` people
    (2 to 6) stand around the court, ``n_spare_balls`` (0 to 2) lie at its back; both are drawn from
    the seed if None. Further balls roll between points, and that of a fault may be left lying.
    ``women`` says whether the two drawn are women; the seed decides if None.

    Raises
    ------
    ConfigError
        An argument is not among what is allowed.
    """
    _check(surface, start_server, n_points, idle_ball)
    rng = np.random.default_rng(seed)
    woman = bool(rng.uniform() < 0.5)
    if women is not None:
        woman = women
    drawn = tuple(draw_profile(rng, name, level, split, woman) for name in ("A", "B"))
    near, far = players if players is not None else (drawn[0], drawn[1])
    others = draw_bystanders(rng, int(rng.integers(2, 7)) if n_others is None else n_others, split)
    n_spare = int(rng.integers(0, 3)) if n_spare_balls is None else n_spare_balls
    score = Score(start_server, {"near": 0, "far": 0})
    profiles = {"near": near, "far": far}
    first = server_place(rng, start_server, "deuce")
    receiver = OTHER_SIDE[start_server]
    starts = {
        start_server: first,
        receiver: receiver_place(rng, profiles[receiver], receiver, "deuce", first, True),
    }
    stage = Stage(
        {side: Competitor(profiles[side], Body(starts[side])) for side in ("near", "far")},
        SURFACES[surface],
    )
    rallies: list[RallyRecord] = []
    now, number, points = FIRST_SERVE_S, 1, 0
    while points < n_points:
        record = RallyRecord(score.server, score.serve_side(), number)
        play_rally(rng, stage, record, now)
        rallies.append(record)
        for competitor in stage.players.values():
            competitor.body.moods.append((record.free_s, "walk"))
        if record.won_by is None:
            number = number if record.ended_by == "let" else 2
            pause = float(rng.uniform(1.6, 2.6))
        else:
            number, points = 1, points + 1
            score.point(record.won_by)
            pause = float(rng.uniform(*pause_s))
        if points < n_points:
            now = _next_places(rng, stage, record.free_s, pause, score, number)
    duration = rallies[-1].free_s + TAIL_S
    aside = np.random.default_rng([seed, IDLE_STREAM])
    lying = left_lying(aside, rallies) if idle_ball == "rolls" else {}
    idle = idle_balls(aside, rallies, lying, n_spare, duration)
    return PlayWorld(
        (near, far), rallies, stage, ball_in_play(rallies, idle_ball), others, idle, duration
    )


def _next_places(
    rng: np.random.Generator, stage: Stage, free_s: float, pause_s: float, score: Score, number: int
) -> float:
    """Send both players to their places for the next serve; gives when it can begin."""
    server, receiver = score.server, OTHER_SIDE[score.server]
    serve_side = score.serve_side()
    place = server_place(rng, server, serve_side)
    waits = receiver_place(
        rng, stage.players[receiver].profile, receiver, serve_side, place, number == 1
    )
    there = [free_s + pause_s]
    for side, goal in ((server, place), (receiver, waits)):
        start = free_s + float(rng.uniform(0.0, 0.4))
        there.append(_walk(stage.players[side].body, start, goal, pause_s - 0.4))
    return max(there)

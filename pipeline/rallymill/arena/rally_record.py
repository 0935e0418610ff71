"""What is kept of a simulated rally."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rallymill.arena.player_motion import Body
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_ball import Arc
from rallymill.arena.rally_intent import Intent
from rallymill.flight import Surface

Array = NDArray[np.float64]
OTHER_SIDE = {"near": "far", "far": "near"}


def sign_of(side: str) -> float:
    """1 for the near side, -1 for the far one: the factor that turns a player's own frame."""
    return 1.0 if side == "near" else -1.0


@dataclass
class Competitor:
    """A player on court: profile and the body's plan."""

    profile: PlayerProfile
    body: Body


@dataclass(frozen=True)
class Stage:
    """Who plays where and on what."""

    players: dict[str, Competitor]
    surface: Surface


@dataclass(frozen=True)
class Hit:
    """A stroke as it was made; world frame. ``state`` (6,) and ``spin`` (2,) just after contact.

    ``incoming_speed_mps`` is that of the ball just before, NaN for a serve.
    """

    t_s: float
    side: str
    wing: str
    intent: Intent
    state: Array
    spin: Array
    before_bounce: bool
    pressure: float
    incoming_speed_mps: float


@dataclass(frozen=True)
class Behaviour:
    """Something a player did on purpose or by habit: when, which side, what."""

    t_s: float
    side: str
    kind: str


@dataclass
class RallyRecord:
    """A rally: strokes, the ball's arcs from the first contact on, and how it ended.

    ``arcs`` go on until the ball rests; those that start at or after ``dead_s`` are not live.
    """

    server: str
    serve_side: str
    serve_number: int
    hits: list[Hit] = field(default_factory=list)
    arcs: list[Arc] = field(default_factory=list)
    before: list[Arc] = field(default_factory=list)
    dead_s: float = 0.0
    ended_by: str = "unknown"
    won_by: str | None = None
    free_s: float = 0.0
    behaviours: list[Behaviour] = field(default_factory=list)

    def note(self, t_s: float, side: str, kind: str) -> None:
        """Keep a behaviour."""
        self.behaviours.append(Behaviour(t_s, side, kind))

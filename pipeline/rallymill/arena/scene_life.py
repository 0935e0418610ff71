"""Life around a court that is not the match: passers-by, spectators, play on the next courts.

:class:`Peopled` lays it over a world. Who is added has the role ``other``; balls that are played on
other courts come after those of the match. The next court shows the same world at another time, so
that it costs no second simulation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from rallymill.arena.looks import Split, draw_kit, draw_official_look
from rallymill.arena.scene import NEIGHBOUR_X_M, Venue, split_of
from rallymill.arena.world import BallState, Look, PersonState, World

Array = NDArray[np.float64]
STRIDE_M = 1.4
"""Ground covered in a cycle of the legs at walking pace."""


@dataclass(frozen=True)
class Passer:
    """Somebody who walks to and fro between two places, or stands where they are the same."""

    look: Look
    start_m: tuple[float, float]
    end_m: tuple[float, float]
    speed_mps: float
    phase: float

    def at(self, t_s: float) -> PersonState:
        """State at a time."""
        a, b = np.array(self.start_m), np.array(self.end_m)
        way = float(np.linalg.norm(b - a))
        if way < 0.3:
            facing = float(np.arctan2(-a[1], -a[0])) + 0.3 * float(np.sin(0.4 * t_s + self.phase))
            return PersonState(
                float(a[0]), float(a[1]), 0.0, 0.0, 0.0, facing, "stand",
                (0.1 * t_s + self.phase) % 1.0, 0.0,
            )
        gone = self.speed_mps * t_s + self.phase * 2 * way
        place = gone % (2 * way)
        ahead = place < way
        x, y = a + (b - a) / way * (place if ahead else 2 * way - place)
        vx, vy = (b - a) / way * self.speed_mps * (1.0 if ahead else -1.0)
        gait = (gone / STRIDE_M) % 1.0
        return PersonState(
            float(x), float(y), 0.0, float(vx), float(vy), float(np.arctan2(vy, vx)), "walk", gait,
            gait,
        )


def draw_passers(rng: np.random.Generator, venue: Venue, split: Split) -> list[Passer]:
    """People who walk along the fence or watch from it."""
    found = []
    for _ in range(venue.passers):
        look = draw_official_look(rng, draw_kit(rng, split), draw_kit(rng, split))
        back = float(rng.choice([1.0, 1.0, 1.0, -1.0])) * (venue.wall_y_m - rng.uniform(0.4, 1.1))
        side = float(rng.choice([-1.0, 1.0])) * min(venue.side_x_m - 0.6, rng.uniform(7.5, 10.0))
        if rng.random() < 0.6:
            x0, x1 = sorted(rng.uniform(-venue.side_x_m + 0.8, venue.side_x_m - 0.8, 2))
            start, end = (float(x0), float(back)), (float(x1), float(back))
        else:
            y0, y1 = sorted(rng.uniform(-4.0, venue.wall_y_m - 1.0, 2))
            start, end = (side, float(y0)), (side, float(y1))
        if rng.random() < 0.35:
            end = start
        found.append(
            Passer(look, start, end, float(rng.uniform(0.8, 1.7)), float(rng.uniform()))
        )
    return found


class Peopled:
    """A world with more people, and more play, around it; see :class:`World`.

    ``courts`` are offsets across, in metres, and in time, in seconds, of the next courts.
    """

    def __init__(
        self, world: World, passers: Sequence[Passer], courts: Sequence[tuple[float, float]] = ()
    ) -> None:
        self.world = world
        self.duration_s = world.duration_s
        self.surface = world.surface
        self.profiles = getattr(world, "profiles", ())
        self._passers = tuple(passers)
        self._courts = tuple(courts)
        self._players = [i for i, role in enumerate(world.roles) if role in ("near", "far")]
        # Those on the next court change shirts with shorts, so as not to be the same people.
        away = [
            replace(world.looks[i], shirt=world.looks[i].shorts, shorts=world.looks[i].shirt)
            for _ in courts for i in self._players
        ]
        self.looks = (*world.looks, *(p.look for p in passers), *away)
        self.roles = (*world.roles, *("other" for _ in (*self._passers, *away)))
        self.balls = world.balls + len(self._courts)

    def _then(self, court: int, t_s: float) -> float:
        return float((t_s + self._courts[court][1]) % max(self.duration_s, 0.1))

    def person(self, index: int, t_s: float) -> PersonState:
        """State of a person: those of the match first, then passers, then the next courts."""
        known = len(self.world.roles)
        if index < known:
            return self.world.person(index, t_s)
        if index < known + len(self._passers):
            return self._passers[index - known].at(t_s)
        court, who = divmod(index - known - len(self._passers), len(self._players))
        state = self.world.person(self._players[who], self._then(court, t_s))
        across = self._courts[court][0]
        contact = state.contact_m
        if contact is not None:
            contact = (contact[0] + across, contact[1], contact[2])
        return replace(state, x_m=state.x_m + across, contact_m=contact)

    def ball(self, index: int, t_s: float) -> BallState | None:
        """State of a ball; those of the next courts come last and are not live."""
        if index < self.world.balls:
            return self.world.ball(index, t_s)
        court = index - self.world.balls
        state = self.world.ball(0, self._then(court, t_s))
        if state is None:
            return None
        return BallState(
            state.position_m + np.array([self._courts[court][0], 0.0, 0.0]), state.velocity_mps,
            False,
        )

    def truth(self) -> dict[str, pa.Table]:
        """Truth of the match alone."""
        return self.world.truth()


def peopled(world: World, venue: Venue) -> World:
    """A world with the life that belongs to a venue; the world itself where there is none."""
    rng = np.random.default_rng([venue.seed, 86])
    passers = draw_passers(rng, venue, split_of(venue.seed))
    courts = []
    if venue.neighbours:
        for side in (-1.0, 1.0):
            if rng.random() < 0.7:
                courts.append((side * NEIGHBOUR_X_M, float(rng.uniform(3.0, 40.0))))
    return Peopled(world, passers, courts) if passers or courts else world

"""People around the court who do not play: line judges, ball kids, umpire."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rallymill import court
from rallymill.arena.looks import Split, draw_kit, draw_official_look
from rallymill.arena.world import Look, PersonState

UMPIRE_Z_M = 1.6
"""Height of the umpire's feet on the chair."""


@dataclass(frozen=True)
class Bystander:
    """Somebody who stands at a place, sways a little and looks at a point."""

    look: Look
    x_m: float
    y_m: float
    z_m: float
    sway_m: float
    sway_hz: float
    start: float
    looks_at: tuple[float, float]

    def at(self, t_s: float) -> PersonState:
        """State at a time."""
        turn = 2 * np.pi * (self.sway_hz * t_s + self.start)
        dx = self.sway_m * np.sin(turn)
        dy = 0.6 * self.sway_m * np.sin(1.7 * turn + self.start)
        vx = self.sway_m * np.cos(turn) * 2 * np.pi * self.sway_hz
        vy = 0.6 * self.sway_m * 1.7 * np.cos(1.7 * turn + self.start) * 2 * np.pi * self.sway_hz
        x, y = self.x_m + dx, self.y_m + dy
        facing = np.arctan2(self.looks_at[1] - y, self.looks_at[0] - x) + 0.15 * np.sin(0.7 * turn)
        return PersonState(
            float(x),
            float(y),
            self.z_m,
            float(vx),
            float(vy),
            float(facing),
            "stand",
            float((0.1 * t_s + self.start) % 1),
            0.0,
        )


def draw_bystanders(rng: np.random.Generator, count: int, split: Split) -> list[Bystander]:
    """``count`` people at places where officials and ball kids stand."""
    side = float(rng.choice([-1.0, 1.0]))
    post = court.DOUBLES_POST_X_M
    back = court.HALF_LENGTH_M + float(rng.uniform(4.3, 5.8))
    wide = court.HALF_DOUBLES_M + float(rng.uniform(2.0, 3.2))
    places: list[tuple[str, float, float, float, tuple[float, float]]] = [
        ("umpire", side * (post + 1.0), 0.0, UMPIRE_Z_M, (0.0, 0.0)),
        ("kid", -side * (post + 0.5), 0.4, 0.0, (0.0, 0.0)),
        ("kid", float(rng.uniform(3.5, 5.5)), back + 0.2, 0.0, (0.0, 0.0)),
        ("judge", float(rng.uniform(-4.5, -3.8)), back, 0.0, (-4.1, 0.0)),
        ("judge", wide, court.HALF_LENGTH_M, 0.0, (0.0, court.HALF_LENGTH_M)),
        ("judge", -wide, -court.HALF_LENGTH_M, 0.0, (0.0, -court.HALF_LENGTH_M)),
        ("kid", float(rng.uniform(-6.0, -4.5)), -back, 0.0, (0.0, 0.0)),
        ("judge", float(rng.uniform(-0.6, 0.6)), back, 0.0, (0.0, 0.0)),
        ("judge", side * (post + 1.2), court.SERVICE_LINE_M, 0.0, (0.0, court.SERVICE_LINE_M)),
    ]
    first = [0, *(1 + int(i) for i in rng.permutation(len(places) - 1))]
    kit = {
        "judge": (draw_kit(rng, split), draw_kit(rng, split)),
        "kid": (draw_kit(rng, split), draw_kit(rng, split)),
    }
    kit["umpire"] = kit["judge"]
    out = []
    for index in first[:count]:
        kind, x, y, z, aim = places[index]
        shirt, shorts = kit[kind]
        out.append(
            Bystander(
                draw_official_look(rng, shirt, shorts, child=kind == "kid"),
                x,
                y,
                z,
                float(rng.uniform(0.01, 0.06)) * (0.3 if z else 1.0),
                float(rng.uniform(0.05, 0.2)),
                float(rng.uniform()),
                aim,
            )
        )
    return out

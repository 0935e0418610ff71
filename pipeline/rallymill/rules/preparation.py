"""Family preparation: what the racket does on the way to the ball."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill.intervals import above
from rallymill.rules.base import (
    SPEED_SD_MPS,
    Play,
    Result,
    Rule,
    Thresholds,
    unmeasured,
)

UNSEEN = "no table holds the racket or the arms"


class RacketBackThresholds(Thresholds):
    """Thresholds of ``racket_back``."""

    run_mps: float = Field(gt=0)
    """A hitter who moves faster than this is on the run."""


def _racket_back(play: Play, bounds: RacketBackThresholds) -> Iterator[Result]:
    """Only says at which strokes it would have to look: boxes tell nothing of a racket."""
    for shot in play.shots:
        if shot.stroke not in ("groundstroke", "return", "approach"):
            continue
        if shot.hitter_vx_mps is None or shot.hitter_vy_mps is None:
            continue
        speed = float(np.hypot(shot.hitter_vx_mps, shot.hitter_vy_mps))
        if above(speed, bounds.run_mps, SPEED_SD_MPS) >= 0.5:
            yield unmeasured("racket_back", shot, UNSEEN)


RULES = (
    Rule("racket_back", "preparation", 1, {
        "club": RacketBackThresholds(run_mps=3.0),
        "college": RacketBackThresholds(run_mps=3.0),
        "tour": RacketBackThresholds(run_mps=3.0),
    }, _racket_back),
)

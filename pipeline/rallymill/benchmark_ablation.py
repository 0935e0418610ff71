"""What each part of reading the ball's flight is worth: contacts with it and without it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from rallymill import benchmark_baseline
from rallymill.arena.boxes import boxed
from rallymill.benchmark_shots import TIERS, film_of, overall
from rallymill.scoring.clip import Clip
from rallymill.scoring.rows import Row
from rallymill.scoring.run import score_clips
from rallymill.stages import events, flight
from rallymill.stages.base import MatchContext

VARIANTS: dict[str, dict[str, Any] | None] = {
    "all of it": {},
    "walkers' shoes kept": {"walking_px_per_s": 0.0},
    "unseen strokes not inferred": {"unseen_stroke_s": 0.0},
    "single flights, no joint fit": {"joint_turns": 0},
    "most confident box, no path": {"path": "confident"},
    "bends of the image path alone": None,
}
"""Options of the flight stage; None is the baseline without any physics."""
QUANTITIES = ("hits", "bounces", "bounce place")


def clips(work: tuple[int, str], longest_s: float) -> dict[str, Clip]:
    """One film's contacts in every variant, beside the truth."""
    seed, tier = work
    shown = film_of(seed, tier, longest_s)
    made = boxed(shown)
    match = MatchContext(shown.config.name, Path("none"), sheet=made.sheet)
    found = {}
    for name, options in VARIANTS.items():
        tables = dict(made.measured)
        if options is None:
            tables["events"] = benchmark_baseline.events(tables)
        else:
            tables["arcs"] = flight.STAGE.run(
                match, tables, flight.FlightConfig.model_validate(options)
            )
            tables["events"] = events.STAGE.run(
                match, tables, events.EventsConfig.model_validate({})
            )
        found[name] = Clip(match.match_id, match.match_id, tables, made.truth, {})
    return found


def run(
    first_seed: int, films: int, longest_s: float, workers: int,
    tell: Callable[[str], None] = lambda line: None,
) -> dict[str, list[Row]]:
    """Rows of the measures of contacts by variant, over ``films`` films of each tier."""
    jobs = [(seed, tier) for tier in TIERS for seed in range(first_seed, first_seed + films)]
    work = partial(clips, longest_s=longest_s)
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            made = list(pool.map(work, jobs))
    else:
        made = [work(job) for job in jobs]
    tell(f"{len(made)} films read in {len(VARIANTS)} ways")
    return {
        name: [
            row for row in overall(score_clips([one[name] for one in made]))
            if row.quantity.startswith(QUANTITIES)
        ]
        for name in VARIANTS
    }

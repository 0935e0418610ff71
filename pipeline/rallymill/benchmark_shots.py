"""Measure all that comes after detection on films that are simulated but not drawn.

Boxes come from :mod:`rallymill.arena.boxes`, those of balls with the confidences, misses and
mistakes that the detector showed on 25 drawn films for validation
(:mod:`rallymill.arena.box_balls`); the stages from ``people`` on are the real ones. A film takes
seconds, so hundreds of points can be played; figures from drawn films are those of ``rallymill
bench fresh`` and are what counts in the end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from time import process_time

from rallymill.arena import film, film_tier
from rallymill.arena.boxes import boxed
from rallymill.config import home
from rallymill.runner.registry import pipeline
from rallymill.scoring.clip import Clip
from rallymill.scoring.rows import ALL_CLIPS, Row
from rallymill.scoring.run import score_clips
from rallymill.stages.base import MatchContext

TIERS = ("broadcast", "club", "hostile")
FIRST_STAGE = "people"


def film_of(seed: int, tier: str, longest_s: float) -> film.Film:
    """A film of a tier that is play from start to end, not drawn."""
    config = film_tier.film_of(film_tier.load_tier(home() / "configs/arena" / f"{tier}.yaml"), seed)
    return film.make(
        replace(config, max_duration_s=longest_s, cutaways=0.0, replays=0.0, opening_s=0.0))


def clip(seed: int, tier: str, longest_s: float) -> Clip:
    """One film's boxes through the stages, beside its truth."""
    return clip_of(film_of(seed, tier, longest_s))


def clip_of(shown: film.Film, first_stage: str = FIRST_STAGE) -> Clip:
    """A film's boxes through the stages from ``first_stage`` on, beside its truth."""
    config, made = shown.config, boxed(shown)
    match = MatchContext(config.name, Path("none"), sheet=made.sheet)
    found = dict(made.measured)
    began = process_time()
    names = [stage.name for stage in pipeline()]
    for stage in pipeline()[names.index(first_stage):]:
        inputs = {name: found[name] for name in stage.reads if name in found}
        found[stage.name if stage.name in found else stage.writes.name] = stage.run(
            match, inputs, stage.config_class()
        )
    seconds = process_time() - began
    views = made.truth["views"].to_pylist()
    return Clip(config.name, config.name, found, made.truth, {}, views[-1]["end_s"], seconds)


def run(
    first_seed: int, films: int, longest_s: float, workers: int,
    tell: Callable[[str], None] = lambda line: None,
) -> dict[str, list[Row]]:
    """Rows of the accuracy table for each tier, over ``films`` films each."""
    read = read_films(first_seed, films, longest_s, workers, tell)
    return {tier: score_clips(clips) for tier, clips in read.items()}


def read_films(
    first_seed: int, films: int, longest_s: float, workers: int,
    tell: Callable[[str], None] = lambda line: None,
) -> dict[str, Sequence[Clip]]:
    """``films`` films of each tier, read, beside their truth."""
    found: dict[str, Sequence[Clip]] = {}
    for tier in TIERS:
        work = partial(clip, tier=tier, longest_s=longest_s)
        seeds = range(first_seed, first_seed + films)
        if workers > 1:
            with ProcessPoolExecutor(workers) as pool:
                clips: Sequence[Clip] = list(pool.map(work, seeds))
        else:
            clips = [work(seed) for seed in seeds]
        tell(f"{tier}: {len(clips)} films, {sum(one.duration_s or 0 for one in clips):.0f} s")
        found[tier] = clips
    return found


def overall(rows: Sequence[Row]) -> list[Row]:
    """Rows over all clips that were measured."""
    return [row for row in rows if row.clip == ALL_CLIPS and row.value is not None]

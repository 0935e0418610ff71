"""Flags on measured tables against the flags that the same rules give on the truth.

Measured tables come from a run over films (``rallymill process``) with truth beside them, or, at
table level, from films that are simulated but not drawn (:mod:`rallymill.benchmark_shots`). Planted
behaviour is the matter of :mod:`rallymill.benchmark_planted`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from rallymill import benchmark_shots, tableio, tables
from rallymill.arena.film import Film
from rallymill.arena.film_plan import frame_time_s
from rallymill.intervals import wilson
from rallymill.rules import calibration
from rallymill.rules.base import LEVELS
from rallymill.scoring import findings
from rallymill.scoring.clip import Clip, load
from rallymill.scoring.rows import NotMeasured, Tally
from rallymill.stages import flags, opportunities
from rallymill.stages.base import MatchContext

OVERALL_GOAL, RULE_GOAL, ENOUGH = 0.90, 0.80, 20
BIN_EDGES = (0.7, 0.8, 0.9, 0.95, 1.0)
ALL_RULES = "all rules"
READ_RULE = "split_step"
WITHOUT = f"all rules but `{READ_RULE}`"
"""What is left without the rule that asks of the picture what boxes do not tell."""


@dataclass
class Agreement:
    """Tallies by rule, and of each found flag its confidence and whether exact truth has it too.

    ``open`` counts by rule those missed flags of the truth at which the rule said on the measured
    tables that it could not tell. ``near`` counts those found flags that truth has only where it is
    taken as exact: so near a threshold that the rule, which knows of no deviations of the truth and
    takes the usual ones, does not speak on it. They are neither right nor false.
    """

    by_rule: dict[str, Tally] = field(default_factory=dict)
    open: Counter[str] = field(default_factory=Counter)
    near: Counter[str] = field(default_factory=Counter)
    judged: list[tuple[float, bool]] = field(default_factory=list)
    clips: int = 0
    left_out: list[str] = field(default_factory=list)

    def overall(self) -> Tally:
        """Tally of all rules."""
        return sum(self.by_rule.values(), Tally())

    def told(self) -> Tally:
        """Tally of all rules without what they had left open."""
        total = self.overall()
        return replace(total, missed=total.missed - self.open.total())

    def without(self, rule: str) -> Tally:
        """Tally of all rules but one."""
        return sum((tally for name, tally in self.by_rule.items() if name != rule), Tally())

    @property
    def good(self) -> bool:
        """Whether F1 keeps to its bounds, over all and for every rule with cases enough."""
        total = f1_of(self.overall())
        rules = [f1_of(t) for t in self.by_rule.values() if cases(t) >= ENOUGH]
        return total >= OVERALL_GOAL and all(value >= RULE_GOAL for value in rules)


def cases(tally: Tally) -> int:
    """Flags on the truth."""
    return tally.right + tally.missed


def f1_of(tally: Tally) -> float:
    """Harmonic mean of precision and recall; NaN where nothing is there and nothing was found."""
    whole = 2 * tally.right + tally.false + tally.missed
    return 2 * tally.right / whole if whole else float("nan")


def agreement(clips: Iterable[Clip], level: str) -> Agreement:
    """Agreement over clips of the flags of today's rules at a level of play, on both sides.

    A clip that lacks a table is named in ``left_out`` with the reason.
    """
    found = Agreement()
    config = flags.RulesConfig.model_validate({"level": level})
    for given in clips:
        absent = [name for name in flags.STAGE.reads if name not in given.predicted]
        if absent:
            found.left_out.append(f"{given.name}: no measured table {', '.join(absent)}")
            continue
        match = MatchContext(given.match_id, Path(given.name))
        inputs = {name: given.predicted[name] for name in flags.STAGE.reads}
        own = flags.STAGE.run(match, inputs, config)
        clip = replace(given, predicted={**given.predicted, "flags": own})
        frames = findings.flags_of(clip, config=config)
        sharp = findings.flags_of(clip, exact=True, config=config)
        if isinstance(frames, NotMeasured) or isinstance(sharp, NotMeasured):
            reason = frames.reason if isinstance(frames, NotMeasured) else "no exact truth"
            found.left_out.append(f"{clip.name}: {reason}")
            continue
        asked = opportunities.STAGE.run(match, inputs, config).to_pandas()
        _add(found, frames, sharp, asked[asked["outcome"] == "not_measurable"])
    return found


def _add(
    found: Agreement, frames: findings.Frames, sharp: findings.Frames, told_not: pd.DataFrame
) -> None:
    """Count a clip in."""
    mine, strokes, true, true_strokes = frames
    found.clips += 1
    right = set(findings.pair_flags(*sharp)[:, 0].tolist())
    exactly = np.array([number in right for number in range(len(mine))], dtype=bool)
    for rule in sorted({*mine["rule"], *true["rule"]}):
        here = (mine["rule"] == rule).to_numpy()
        own, wanted = mine[here], true[true["rule"] == rule]
        pairs = findings.pair_flags(own, strokes, wanted, true_strokes)
        alone = np.delete(exactly[here], pairs[:, 0])
        tally = Tally(len(pairs), int((~alone).sum()), len(wanted) - len(pairs))
        found.by_rule[rule] = found.by_rule.get(rule, Tally()) + tally
        found.near[rule] += int(alone.sum())
        abstained = told_not[told_not["rule"] == rule].assign(clip_start_s=np.nan)
        found.open[rule] += len(findings.pair_flags(abstained, strokes, wanted, true_strokes))
    found.judged += [
        (float(confidence), number in right)
        for number, confidence in enumerate(sharp[0]["confidence"])
    ]


def of_folder(out: Path, truth: Path, level: str) -> Agreement:
    """Agreement of a run's tables with the truth beside its films.

    Raises
    ------
    InputError
        There is no table or no truth.
    """
    return agreement(load(out, truth), level)


def simulated(
    first_seed: int, films: int, longest_s: float, level: str, workers: int = 1,
    tell: Callable[[str], None] = lambda line: None,
) -> Agreement:
    """Agreement over films of every tier that are simulated but not drawn."""
    return agreement(films_of(first_seed, films, longest_s, workers, tell), level)


def fitted(clips: Sequence[Clip]) -> tuple[float, ...]:
    """Shares for :mod:`rallymill.rules.calibration` from flags at all levels of play."""
    judged = [
        (calibration.own(confidence), right)
        for level in LEVELS for confidence, right in agreement(clips, level).judged
    ]
    return calibration.fit(judged)


def films_of(
    first_seed: int, films: int, longest_s: float, workers: int = 1,
    tell: Callable[[str], None] = lambda line: None,
) -> list[Clip]:
    """Films of every tier that are simulated but not drawn, read, beside their truth."""
    clips: list[Clip] = []
    for tier in benchmark_shots.TIERS:
        work = partial(clip_with_tracks, tier=tier, longest_s=longest_s)
        seeds = range(first_seed, first_seed + films)
        if workers > 1:
            with ProcessPoolExecutor(workers) as pool:
                clips += pool.map(work, seeds)
        else:
            clips += map(work, seeds)
        tell(f"{tier}: {films} films")
    return clips


def clip_with_tracks(seed: int, tier: str, longest_s: float) -> Clip:
    """One film's boxes through the stages, beside its truth with the true ways of the players."""
    shown = benchmark_shots.film_of(seed, tier, longest_s)
    clip = benchmark_shots.clip_of(shown)
    return replace(clip, truth={**clip.truth, "tracks": true_tracks(shown)})


def true_tracks(shown: Film) -> pa.Table:
    """Both players in every frame of a film's main-camera spans, as they are."""
    config = shown.config
    rows: list[dict[str, Any]] = []
    for segment in shown.segments:
        if segment.label != "main":
            continue
        start_s = frame_time_s(segment.first_frame, config.rate)
        for frame in range(segment.first_frame, segment.last_frame + 1):
            t_s = frame_time_s(frame, config.rate)
            world_s = segment.world_s + segment.speed * (t_s - start_s)
            for index, role in enumerate(("near", "far")):
                state = shown.world.person(index, world_s)
                rows.append({
                    "match_id": config.name, "frame": frame, "t_s": t_s, "track_id": index + 1,
                    "role": role, "x_m": state.x_m, "y_m": state.y_m, "z_m": state.z_m,
                    "vx_mps": state.vx_mps, "vy_mps": state.vy_mps, "x_m_sd": 0.0, "y_m_sd": 0.0,
                    "observed": True, "confidence": 1.0,
                })
    return tableio.from_rows(tables.TRACKS, rows)


def table(found: Agreement) -> str:
    """Markdown tables of agreement and of reliability; what misses its bound is bold."""
    lines = [
        "| rule | flags on truth | found | missed | of these left open | false | near | "
        "precision | recall | F1 | F1 where both decided |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
        _row(ALL_RULES, found.overall(), found.open.total(), found.near.total(), OVERALL_GOAL, 1),
        _row(WITHOUT, found.without(READ_RULE), found.open.total() - found.open[READ_RULE],
             found.near.total() - found.near[READ_RULE], OVERALL_GOAL, 1),
    ]
    lines += [
        _row(f"`{rule}`", tally, found.open[rule], found.near[rule], RULE_GOAL, ENOUGH)
        for rule, tally in sorted(found.by_rule.items())
    ]
    lines += [
        "", "| confidence | flags | mean confidence | right | 95 % interval |",
        "| --- | ---: | ---: | ---: | ---: |", *reliability(found.judged),
    ]
    return "\n".join(lines) + "\n"


def _row(
    name: str, tally: Tally, left_open: int, near: int, goal: float, enough: int
) -> str:
    told = replace(tally, missed=tally.missed - left_open)
    shares = [
        part / whole if whole else float("nan")
        for part, whole in (
            (tally.right, tally.right + tally.false), (tally.right, cases(tally)))
    ]
    shown = ["" if value != value else f"{value:.3f}" for value in (
        *shares, f1_of(tally), f1_of(told))]
    if f1_of(tally) < goal and cases(tally) >= enough:
        shown[2] = f"**{shown[2]}**"
    counts = (cases(tally), tally.right, tally.missed, left_open, tally.false, near)
    return f"| {name} | {' | '.join(str(count) for count in counts)} | {' | '.join(shown)} |"


def reliability(judged: Sequence[tuple[float, bool]]) -> list[str]:
    """Rows of the reliability table: how many flags of a confidence are right."""
    lines = []
    for low, high in pairwise(BIN_EDGES):
        last = high == BIN_EDGES[-1]
        inside = [(c, right) for c, right in judged if low <= c < high or (last and c >= high)]
        name = f"{low:g} to {high:g}"
        if not inside:
            lines.append(f"| {name} | 0 | | | |")
            continue
        n, right = len(inside), sum(ok for _, ok in inside)
        ends = wilson(right, n)
        mean = sum(c for c, _ in inside) / n
        lines.append(
            f"| {name} | {n} | {mean:.3f} | {right / n:.3f} | {ends[0]:.2f} to {ends[1]:.2f} |")
    return lines

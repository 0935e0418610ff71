"""Flags on measured tables against the flags that the same rules give on the truth.

Measured tables come from a run over films (``rallymill process``) with truth beside them, or, at
table level, from films that are simulated but not drawn (:mod:`rallymill.benchmark_shots`). Planted
behaviour is the matter of :mod:`rallymill.benchmark_planted`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
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
from rallymill.scoring import findings
from rallymill.scoring.clip import Clip, load
from rallymill.scoring.rows import NotMeasured, Tally
from rallymill.stages import flags, opportunities
from rallymill.stages.base import MatchContext

OVERALL_GOAL, RULE_GOAL, ENOUGH = 0.90, 0.80, 20
PLAYER_BOX_SD_PX = 1.5
"""Deviation of the edges of players' boxes; common practice, no source."""
BIN_EDGES = (0.7, 0.8, 0.9, 0.95, 1.0)
ALL_RULES, TOLD = "all rules", "all rules, where they could tell"


@dataclass
class Agreement:
    """Tallies by rule, and of each found flag its confidence and whether exact truth has it too.

    ``open`` counts by rule those missed flags of the truth at which the rule said on the measured
    tables that it could not tell.
    """

    by_rule: dict[str, Tally] = field(default_factory=dict)
    open: Counter[str] = field(default_factory=Counter)
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
    for rule in sorted({*mine["rule"], *true["rule"]}):
        own, wanted = mine[mine["rule"] == rule], true[true["rule"] == rule]
        tally = findings.match_flags(own, strokes, wanted, true_strokes)
        found.by_rule[rule] = found.by_rule.get(rule, Tally()) + tally
        abstained = told_not[told_not["rule"] == rule].assign(clip_start_s=np.nan)
        found.open[rule] += len(findings.pair_flags(abstained, strokes, wanted, true_strokes))
    right = set(findings.pair_flags(*sharp)[:, 0].tolist())
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
    first_seed: int, films: int, longest_s: float, level: str,
    tell: Callable[[str], None] = lambda line: None,
) -> Agreement:
    """Agreement over films of every tier that are simulated but not drawn."""
    clips = []
    for tier in benchmark_shots.TIERS:
        for seed in range(first_seed, first_seed + films):
            shown = benchmark_shots.film_of(seed, tier, longest_s)
            clip = benchmark_shots.clip_of(shown, "people", partial(_shake_boxes, seed=seed))
            clips.append(replace(clip, truth={**clip.truth, "tracks": true_tracks(shown)}))
        tell(f"{tier}: {films} films")
    return agreement(clips, level)


def _shake_boxes(measured: dict[str, pa.Table], seed: int) -> None:
    """Move the edges of players' boxes, which come exact, as a detector would."""
    boxes = measured["detections"].to_pandas()
    people = (boxes["label"] == "player").to_numpy()
    rng = np.random.default_rng([seed, 31])
    for name in ("x1_px", "y1_px", "x2_px", "y2_px"):
        boxes[name] += people * rng.normal(0, PLAYER_BOX_SD_PX, len(boxes))
    measured["detections"] = tableio.from_pandas(tables.DETECTIONS, boxes)


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
        "| rule | flags on truth | found | missed | of these left open | false | F1 |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
        _row(ALL_RULES, found.overall(), found.open.total(), OVERALL_GOAL, 1),
        _row(TOLD, found.told(), 0, OVERALL_GOAL, 1),
    ]
    lines += [
        _row(f"`{rule}`", tally, found.open[rule], RULE_GOAL, ENOUGH)
        for rule, tally in sorted(found.by_rule.items())
    ]
    lines += [
        "", "| confidence | flags | mean confidence | right | 95 % interval |",
        "| --- | ---: | ---: | ---: | ---: |", *reliability(found.judged),
    ]
    return "\n".join(lines) + "\n"


def _row(name: str, tally: Tally, left_open: int, goal: float, enough: int) -> str:
    value = f1_of(tally)
    shown = "" if value != value else f"{value:.3f}"
    if value == value and value < goal and cases(tally) >= enough:
        shown = f"**{shown}**"
    counts = (cases(tally), tally.right, tally.missed, left_open, tally.false)
    return f"| {name} | {' | '.join(str(count) for count in counts)} | {shown} |"


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

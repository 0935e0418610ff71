"""Flags: what the rules find in the shots, points and tracks of a match.

The section ``rules`` of the configuration: a level of play and a block for each rule.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Mapping
from typing import Any, ClassVar

import pyarrow as pa
from pydantic import create_model

from rallymill import tableio
from rallymill.rules.base import Finding, NotMeasurable, Play, Result
from rallymill.rules.registry import Level, all_rules, config_fields, enabled
from rallymill.stages.base import Columns, MatchContext, StageConfig
from rallymill.stages.shots_people import PLAYERS_COLUMNS, player_tracks
from rallymill.tables import FLAGS

LOG = logging.getLogger(__name__)


class _Levelled(StageConfig):
    level: Level = "club"


RulesConfig: type[StageConfig] = create_model("RulesConfig", __base__=_Levelled, **config_fields())
"""Level of play and one block a rule; see :mod:`rallymill.rules.registry`."""


RULES_VERSION = sum(rule.version for rule in all_rules())
"""A new version of any rule is a new version of the stages that ask them."""


def play_of(inputs: Mapping[str, pa.Table]) -> Play:
    """What rules may look at, from the tables ``shots``, ``points`` and ``tracks``."""
    return Play.of_rows(
        inputs["shots"].to_pylist(), inputs["points"].to_pylist(), player_tracks(inputs["tracks"])
    )


def results(play: Play, config: Any) -> list[Result]:
    """What all enabled rules say, in order of time, one result an opportunity."""
    said = [
        result for rule, thresholds in enabled(config, config.level)
        for result in rule.look(play, thresholds)
    ]
    return sorted(said, key=lambda result: (result.shot_id, result.rule))


def findings(play: Play, config: Any) -> tuple[list[Finding], list[NotMeasurable]]:
    """What all enabled rules find, in order of time, and where they could not tell."""
    said = results(play, config)
    return (
        [result for result in said if isinstance(result, Finding)],
        [result for result in said if isinstance(result, NotMeasurable)],
    )


class FlagsStage:
    """Shots, points and tracks to flags."""

    name = "flags"
    version = 2 + RULES_VERSION
    reads = ("shots", "points", "tracks")
    columns: ClassVar[Columns] = {"tracks": PLAYERS_COLUMNS}
    writes = FLAGS
    needs_video = False
    config_class = RulesConfig

    def model_files(self, config: StageConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: StageConfig
    ) -> pa.Table:
        """Table with one row a finding."""
        found, abstained = findings(play_of(inputs), config)
        for (rule, reason), count in sorted(Counter(
            (item.rule, item.reason) for item in abstained).items()):
            LOG.info("%s: not measurable at %d strokes: %s", rule, count, reason)
        rows = [
            {
                "match_id": match.match_id, "flag_id": k, "rule": item.rule, "kind": item.kind,
                "severity": item.severity, "confidence": item.confidence,
                "point_id": item.point_id, "shot_id": item.shot_id, "side": item.side,
                "player": item.player,
                "evidence": [
                    {"name": e.name, "value": float(e.value), "unit": e.unit}
                    for e in item.evidence
                ],
                "sentence": item.sentence, "clip_start_s": item.start_s,
                "clip_end_s": item.end_s,
            }
            for k, item in enumerate(found)
        ]
        return tableio.from_rows(FLAGS, rows)


STAGE = FlagsStage()

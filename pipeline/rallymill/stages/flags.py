"""Flags: what the rules find in the shots, points and tracks of a match.

The section ``rules`` of the configuration: a level of play and a block for each rule.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Mapping
from typing import Any

import pyarrow as pa
from pydantic import create_model

from rallymill import tableio
from rallymill.rules.base import Finding, NotMeasurable, Play
from rallymill.rules.registry import Level, all_rules, config_fields, enabled
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.shots_people import player_tracks
from rallymill.tables import FLAGS

LOG = logging.getLogger(__name__)


class _Levelled(StageConfig):
    level: Level = "club"


RulesConfig: type[StageConfig] = create_model("RulesConfig", __base__=_Levelled, **config_fields())
"""Level of play and one block a rule; see :mod:`rallymill.rules.registry`."""


def findings(play: Play, config: Any) -> tuple[list[Finding], list[NotMeasurable]]:
    """What all enabled rules find, in order of time, and where they could not tell."""
    found: list[Finding] = []
    abstained: list[NotMeasurable] = []
    for rule, thresholds in enabled(config, config.level):
        for result in rule.look(play, thresholds):
            if isinstance(result, Finding):
                found.append(result)
            else:
                abstained.append(result)
    found.sort(key=lambda finding: (finding.shot_id, finding.rule))
    return found, abstained


class FlagsStage:
    """Shots, points and tracks to flags."""

    name = "flags"
    # A new version of any rule is a new version of the stage.
    version = 1 + sum(rule.version for rule in all_rules())
    reads = ("shots", "points", "tracks")
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
        play = Play.of_rows(
            inputs["shots"].to_pylist(), inputs["points"].to_pylist(),
            player_tracks(inputs["tracks"]),
        )
        found, abstained = findings(play, config)
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

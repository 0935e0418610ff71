"""Opportunities: every stroke at which a rule's question arose, and what became of it.

The same rules as :mod:`rallymill.stages.flags` with the same section of the configuration, asked
for what they did not say as well: a rate needs what it is a rate of.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pyarrow as pa

from rallymill import tableio
from rallymill.rules.base import Clear, Finding, NotMeasurable, Result
from rallymill.stages import flags
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.tables import OPPORTUNITIES


def outcome(result: Result) -> str:
    """Word for a result: the kind of a finding, ``clear`` or ``not_measurable``."""
    if isinstance(result, Finding):
        return result.kind
    return "clear" if isinstance(result, Clear) else "not_measurable"


def row_of(result: Result) -> dict[str, Any]:
    """Columns of a result but for the match and the number."""
    return {
        "rule": result.rule, "point_id": result.point_id, "shot_id": result.shot_id,
        "side": result.side, "player": result.player, "outcome": outcome(result),
        "reason": result.reason if isinstance(result, NotMeasurable) else None,
        "confidence": None if isinstance(result, NotMeasurable) else result.confidence,
    }


class OpportunitiesStage:
    """Shots, points and tracks to opportunities."""

    name = "opportunities"
    section = flags.STAGE.name
    version = 2 + flags.RULES_VERSION
    reads = flags.STAGE.reads
    columns = flags.STAGE.columns
    writes = OPPORTUNITIES
    needs_video = False
    config_class = flags.RulesConfig

    def model_files(self, config: StageConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: StageConfig
    ) -> pa.Table:
        """Table with one row an opportunity, in order of strokes and rules."""
        rows = [
            {"match_id": match.match_id, "opportunity_id": k} | row_of(result)
            for k, result in enumerate(flags.results(flags.play_of(inputs), config))
        ]
        return tableio.from_rows(OPPORTUNITIES, rows)


STAGE = OpportunitiesStage()

"""People stage: everyone near the court in metres, with the two players among them.

Boxes are placed on the ground by the camera of their frame (:mod:`.ground`), linked to tracklets
(:mod:`.tracklets`), joined to two players and others (:mod:`.roles`) and smoothed (:mod:`.paths`).

The height of the players' feet comes from looks at them (:mod:`.hops`), not from boxes: the lower
edge of a box wavers by some 3 cm near and 4 cm far, as much by gait as by the detector, and in
simulated play a search for parabolas of hops (4 to 11 cm) found no more than half of its hits to be
hops. A hop moves the ground point away for a moment; the filter bears that.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa

from rallymill import tableio, tables
from rallymill.stages.base import MatchContext
from rallymill.stages.people import roles
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View, views
from rallymill.stages.people.numbering import Numbering
from rallymill.stages.people.paths import paths
from rallymill.stages.people.rows import rows_of
from rallymill.stages.people.tracklets import link

__all__ = ["STAGE", "PeopleConfig", "PeopleStage"]


class PeopleStage:
    """Tables in, table out; see the module's docstring."""

    name = "people"
    version = 4
    reads = ("detections", "frames")
    writes = tables.PEOPLE
    needs_video = False
    config_class = PeopleConfig

    def model_files(self, config: PeopleConfig) -> tuple[str, ...]:
        """None: the stage uses no weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: PeopleConfig
    ) -> pa.Table:
        """People table of a match: rows for every frame from a person's first to last box."""
        detections = tableio.to_pandas(inputs["detections"])
        frames = tableio.to_pandas(inputs["frames"])
        if detections.empty or frames.empty:
            return tables.PEOPLE.empty()
        found = views(detections, frames, config)
        tracklets = []
        for done, view in enumerate(found, 1):
            tracklets.append(link(view, config))
            match.progress(0.6 * done / len(found))
        habits = [
            [roles.habit(view, item) for item in items]
            for view, items in zip(found, tracklets, strict=True)
        ]
        haunted = roles.haunted_shares(habits)
        numbering = Numbering(config)
        parts = []
        for i, view in enumerate(found):
            scores = {
                role: [
                    roles.score(view, item, habits[i][k], sign, haunted[i][k])
                    for k, item in enumerate(tracklets[i])
                ]
                for role, sign in (("near", -1.0), ("far", 1.0))
            }
            parts.append(_rows(match.match_id, view, tracklets[i], scores, numbering, config))
            match.progress(0.6 + 0.4 * (i + 1) / len(found))
        kept = [part for part in parts if len(part)]
        if not kept:
            return tables.PEOPLE.empty()
        merged = pd.concat(kept).sort_values(["frame", "track_id"])
        return tableio.from_pandas(tables.PEOPLE, merged)


def _rows(
    match_id: str, view: View, tracklets: list, scores: dict[str, list[float]],
    numbering: Numbering, config: PeopleConfig,
) -> pd.DataFrame:
    people: list[tuple[str, list[int], float]] = []
    taken: set[int] = set()
    for role in ("near", "far"):
        free = [
            -np.inf if k in taken else value for k, value in enumerate(scores[role])
        ]
        chosen = roles.choose(view, tracklets, free, config)
        taken |= set(chosen)
        if chosen:
            boxes = [box for k in chosen for box in tracklets[k].boxes]
            weight = [len(tracklets[k].boxes) for k in chosen]
            mean = float(np.average([scores[role][k] for k in chosen], weights=weight))
            people.append((role, boxes, mean))
    for k, item in enumerate(tracklets):
        if k not in taken:
            people.append(("other", item.boxes, -max(scores["near"][k], scores["far"][k])))
    parts = []
    for role, boxes, value in people:
        for path in paths(view, boxes, config):
            number = numbering.number(view, path, role)
            certain = float(1 / (1 + np.exp(-2 * value)))
            parts.append(rows_of(match_id, view, path, number, role, certain, config))
    return pd.concat(parts) if parts else pd.DataFrame()


STAGE = PeopleStage()

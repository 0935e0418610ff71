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
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from rallymill import tableio, tables
from rallymill.stages.base import Columns, MatchContext
from rallymill.stages.by_frame import ByFrame, by_view, in_pieces
from rallymill.stages.people import roles
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View, believable, view_of
from rallymill.stages.people.numbering import Numbering
from rallymill.stages.people.paths import paths
from rallymill.stages.people.rows import rows_of
from rallymill.stages.people.tracklets import Tracklet, link

__all__ = ["STAGE", "PeopleConfig", "PeopleStage"]


class PeopleStage:
    """Tables in, table out; see the module's docstring."""

    name = "people"
    version = 8
    reads = ("detections", "frames")
    columns: ClassVar[Columns] = {
        "detections": (
            "frame", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence", "airborne",
        ),
        "frames": (
            "frame", "t_s", "view_id", "camera", "k1", "position_sd_m", "width_px", "height_px",
            "camera_covariance",
        ),
    }
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
        if not inputs["detections"].num_rows or not inputs["frames"].num_rows:
            return tables.PEOPLE.empty()
        detections = ByFrame(inputs["detections"])
        spans = in_pieces(by_view(inputs["frames"]), detections)
        # Who plays is told by all views together. Their boxes would fill the memory, so a view is
        # placed on the ground once to follow people and once more to write them down.
        found: list[_Followed] = []
        for done, frames in enumerate(spans, 1):
            view = _view(frames, detections, config)
            if believable(view, config):
                tracklets = link(view, config)
                found.append(_Followed(
                    frames, [np.array(item.boxes, np.int32) for item in tracklets],
                    [roles.habit(view, item) for item in tracklets],
                ))
            match.progress(0.7 * done / len(spans))
        haunted = roles.haunted_shares([one.habits for one in found])
        numbering = Numbering(config)
        parts = [tables.PEOPLE.empty()]
        for i, one in enumerate(found):
            view = _view(one.frames, detections, config)
            tracklets = [Tracklet(boxes.tolist()) for boxes in one.boxes]
            scores = {
                role: [
                    roles.score(view, item, one.habits[k], sign, haunted[i][k])
                    for k, item in enumerate(tracklets)
                ]
                for role, sign in (("near", -1.0), ("far", 1.0))
            }
            rows = _rows(match.match_id, view, tracklets, scores, numbering, config)
            if len(rows):
                rows = rows.sort_values(["frame", "track_id"])
                parts.append(tableio.from_pandas(tables.PEOPLE, rows))
            match.progress(0.7 + 0.3 * (i + 1) / len(found))
        return pa.concat_tables(parts)


@dataclass(frozen=True)
class _Followed:
    """Rows of a view's frames, and of each tracklet in it the numbers of its boxes and its habit.
    """

    frames: pa.Table
    boxes: list[NDArray[np.int32]]
    habits: list[roles.Habit]


def _view(frames: pa.Table, detections: ByFrame, config: PeopleConfig) -> View:
    numbers = frames["frame"]
    boxes = detections.within(numbers[0].as_py(), numbers[-1].as_py())
    return view_of(tableio.to_pandas(frames), tableio.to_pandas(boxes), config)


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

"""Cut a recording into spans and name what each shows; only main-camera spans are read further.

The recording is read once, small. Every frame's change tells the cuts; now and then a picture is
searched for the court. A span in which the court is seen from the usual place is ``main``; spans
that show earlier play again are ``replay``.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping

import numpy as np
import pyarrow as pa
from pydantic import Field

from rallymill import courtpoints, tableio, tables, video
from rallymill.corrections.rows import COURT
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.given import anchors
from rallymill.stages.views import labels, motion, shown_again
from rallymill.stages.views.probing import Probe, between
from rallymill.stages.views.reading import Shelf

logger = logging.getLogger(__name__)

CHUNKS = 8
"""The reading is put down after so many times the frames after which detection keeps what it has:
it is quick, and what it carries is some 20 MB."""
LAST = 2**62


class ViewsConfig(StageConfig):
    """Options of the views stage."""

    width_px: int = Field(640, ge=320, le=1920, description="width of the pictures looked at")


class ViewsStage:
    """Writes ``views``: spans of frames and what they show."""

    name = "views"
    version = 9
    reads: tuple[str, ...] = ()
    writes = tables.VIEWS
    needs_video = True
    beside = (courtpoints.SUFFIX,)
    corrects = (COURT,)
    config_class = ViewsConfig

    def model_files(self, config: ViewsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: ViewsConfig
    ) -> pa.Table:
        """Spans of the whole recording; every frame belongs to exactly one."""
        stated = anchors(match.video, match.corrections)
        shelf = Shelf(match.scratch)
        reading = shelf.take()
        if not reading.n_frames:
            reading.prober.know([(one.place, one.fit.camera) for one in stated])
        spans = None if not reading.n_frames else [(reading.n_frames, LAST)]
        duration_s = max(video.probe(match.video).duration_s or 0.0, 1e-3)
        with video.frames(match.video, spans, config.width_px) as stream:
            for frame in stream:
                if reading.take(frame):
                    match.progress(min(frame.t_s / duration_s, 0.99))
                if reading.n_frames % (CHUNKS * match.execution.chunk_frames) == 0:
                    shelf.put(reading)
        changes, probes = reading.changes.settled(), reading.prober.probes
        cut = motion.pieces(changes)
        further = lost_courts(changes, cut, probes)
        cut, again = shown_again.pieces(
            changes, motion.pieces(changes, further), reading.memory.finish()
        )
        named = labels.label_all(
            changes, cut, probes, reading.flatness, [one.t_s for one in stated], again
        )
        match.progress(1.0)
        return views_table(match.match_id, changes, named)


def lost_courts(
    changes: motion.Changes, cut: list[motion.Piece], probes: list[Probe]
) -> list[int]:
    """Further cuts where the court comes or goes for good within a piece: at the greatest step."""
    step = np.asarray(changes.step)
    found = []
    for piece in cut:
        mine = between(probes, piece.first, piece.last)
        for index in range(1, len(mine)):
            before, after = mine[max(0, index - 2):index], mine[index:index + 2]
            seen = {probe.camera is not None for probe in before}
            then = {probe.camera is not None for probe in after}
            if len(before) < 2 or len(after) < 2 or len(seen) != 1 or len(then) != 1:
                continue
            if seen == then:
                continue
            low, high = before[-1].frame + 1, after[0].frame
            at = low + int(np.argmax(step[low:high + 1]))
            usual = float(np.median(step[max(piece.first + 1, low - 50):high + 50]))
            if step[at] > max(3 * usual, 0.8):
                found.append(at)
    return found


def views_table(match_id: str, changes: motion.Changes, spans: list[labels.Span]) -> pa.Table:
    """Table of the spans."""
    if not spans:
        return tables.VIEWS.empty()
    times = changes.t_s
    after = times[-1] + (times[-1] - times[-2] if len(times) > 1 else 0.04)
    rows = [
        {
            "match_id": match_id, "view_id": number, "first_frame": span.first,
            "last_frame": span.last, "start_s": times[span.first],
            "end_s": times[span.last + 1] if span.last + 1 < len(times) else after,
            "label": span.label, "confidence": span.confidence, "reason": span.reason,
        }
        for number, span in enumerate(spans)
    ]
    return tableio.from_rows(tables.VIEWS, rows)


STAGE = ViewsStage()

"""Small stages for the fault campaign: they read a film and write tables as the real ones do.

Views and frames come from the pictures themselves, detections from the real detect stage with a
network that finds bright spots, so that its checkpoints are put to the test as well.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any, cast

import pyarrow as pa

from rallymill import tableio, video
from rallymill.stages import detect
from rallymill.stages.base import MatchContext, Stage, StageConfig
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import Networks
from rallymill.tables import EVENTS, FLAGS, FRAMES, POINTS, SHOTS, VIEWS

REGISTRY = "rallymill.fault_stages:STAGES"
PAUSE_S = 0.02
"""Pause in every stage, so that faults find it at work."""
FRAMES_A_SHOT = 6


class NoOptions(StageConfig):
    """These stages have no options."""


class _Small:
    name = ""
    version = 1
    reads: tuple[str, ...] = ()
    writes = VIEWS
    needs_video = False
    config_class: type[StageConfig] = NoOptions
    uses_sheet = False

    def model_files(self, config: Any) -> tuple[str, ...]:
        """None."""
        return ()

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        """The table, after a pause."""
        rows = self.rows(match, inputs)
        time.sleep(PAUSE_S)
        match.progress(1.0)
        return tableio.from_rows(self.writes, rows)

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        raise NotImplementedError


class Views(_Small):
    """One main view over the film."""

    name = "views"
    needs_video = True

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row for the film; none where nothing can be decoded."""
        times = [frame.t_s for frame in video.frames(match.video, width_px=40)]
        return [
            {"match_id": match.match_id, "view_id": 0, "first_frame": 0,
             "last_frame": len(times) - 1, "start_s": times[0], "end_s": times[-1],
             "label": "main", "confidence": 1.0}
        ] * bool(times)  # fmt: skip


class Calibrate(_Small):
    """A frame a frame, with the mean level of its picture in place of a focal length."""

    name = "calibrate"
    reads = ("views",)
    writes = FRAMES
    needs_video = True

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row a decoded frame."""
        return [
            {"match_id": match.match_id, "frame": frame.index, "t_s": frame.t_s, "view_id": 0,
             "court_status": "found", "focal_px": float(frame.image.mean())}
            for frame in video.frames(match.video, width_px=40)
        ]  # fmt: skip


class Detect(detect.DetectStage):
    """The real stage; its network finds the level of the three pictures."""

    def model_files(self, config: Any) -> tuple[str, ...]:
        """None."""
        return ()

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        """Detections by the network below."""
        detect.load_networks = lambda *given: Networks(_look)
        return super().run(match, inputs, config)


def _look(pictures: list[Any]) -> list[list[Box]]:
    time.sleep(0.002 * len(pictures))
    found = []
    for picture in pictures:
        before, at, after = (float(level) for level in picture.mean((0, 1)))
        found.append([Box("ball", before, at, after, 300.0, 0.5)])
    return found


class Events(_Small):
    """A hit every few detections."""

    name = "events"
    reads = ("detections",)
    writes = EVENTS

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row a hit."""
        times = inputs["detections"]["t_s"].to_pylist()[::FRAMES_A_SHOT]
        return [
            {"match_id": match.match_id, "event_id": k, "rally_id": 0, "t_s": t_s, "kind": "hit"}
            for k, t_s in enumerate(times)
        ]


class Shots(_Small):
    """A stroke every few detections."""

    name = "shots"
    reads = ("detections", "frames", "events")
    writes = SHOTS

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row a stroke."""
        times = inputs["detections"]["t_s"].to_pylist()[::FRAMES_A_SHOT]
        return [
            {"match_id": match.match_id, "point_id": 0, "shot_id": k, "shot_number": k + 1,
             "t_contact_s": t_s, "hitter": ("near", "far")[k % 2], "player": "AB"[k % 2],
             "opponent": "BA"[k % 2], "stroke": "groundstroke", "wing": "unknown",
             "direction": "unknown", "depth": "unknown", "ended_point": False}
            for k, t_s in enumerate(times)
        ]  # fmt: skip


class Points(_Small):
    """One point of all strokes."""

    name = "points"
    reads = ("shots",)
    writes = POINTS

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row, none without strokes."""
        times = inputs["shots"]["t_contact_s"].to_pylist()
        return [
            {"match_id": match.match_id, "point_id": 0, "start_s": times[0], "end_s": times[-1],
             "n_shots": len(times), "ended_by": "unknown"}
        ] if times else []  # fmt: skip


class Flags(_Small):
    """A note a match."""

    name = "flags"
    reads = ("shots",)
    writes = FLAGS

    def rows(self, match: MatchContext, inputs: Mapping[str, pa.Table]) -> list[dict[str, Any]]:
        """A row, none without strokes."""
        n_shots = inputs["shots"].num_rows
        return [
            {"match_id": match.match_id, "flag_id": 0, "rule": "many", "kind": "note",
             "severity": 0.5, "confidence": 1.0, "point_id": 0, "shot_id": 0,
             "sentence": f"{n_shots} strokes", "clip_start_s": 0.0, "clip_end_s": 1.0}
        ] * bool(n_shots)  # fmt: skip


STAGES = tuple(
    cast(Stage, kind())
    for kind in (Views, Calibrate, Detect, Events, Shots, Points, Flags)
)

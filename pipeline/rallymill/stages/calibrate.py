"""Fit a camera to the court in every frame of the main-camera spans.

The first picture with a court is searched with nothing known; from there the court is followed
from frame to frame. The camera's place is fitted jointly to many frames, and what one span teaches
about it helps the next. Where the court is not seen, a frame is ``lost`` and has no camera.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pydantic import Field

from rallymill import courtpoints, tableio, tables, video
from rallymill.camera import from_matrix
from rallymill.camera_spread import pack
from rallymill.corrections.rows import COURT
from rallymill.courtfit.bundle import Place
from rallymill.courtfit.follow import FrameCamera, ViewFollower
from rallymill.courtfit.model import Paint
from rallymill.errors import TableError
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.checkpoints import KEPT_CHUNK
from rallymill.stages.given import anchors

logger = logging.getLogger(__name__)

Hints = list[tuple[Place, Any]]
MOST_HINTS = 4
"""Places of earlier views that are tried before a search."""


class CalibrateConfig(StageConfig):
    """Options of the calibrate stage."""

    worst_rms_px: float = Field(
        1.5, gt=0, description="frames whose lines lie further off are lost, for 1280 px of width"
    )
    worst_sd_m: float = Field(
        1.0, gt=0, description="frames whose ground points at the far baseline are less sure are "
        "lost"
    )


class CalibrateStage:
    """Writes ``frames``: a camera for every frame of every main-camera span."""

    name = "calibrate"
    version = 7
    reads: tuple[str, ...] = ("views",)
    writes = tables.FRAMES
    needs_video = True
    beside = (courtpoints.SUFFIX,)
    corrects = (COURT,)
    config_class = CalibrateConfig

    def model_files(self, config: CalibrateConfig) -> tuple[str, ...]:
        """No weights: the court is found by geometry."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: CalibrateConfig
    ) -> pa.Table:
        """Cameras of all frames of the main-camera spans."""
        views = [row for row in inputs["views"].to_pylist() if row["label"] == "main"]
        views.sort(key=lambda row: row["first_frame"])
        parts: list[pa.Table] = []
        hints: Hints = []
        todo: list[dict[str, Any]] = []
        for view in views:
            stored = _stored(match, view["view_id"]) if not todo else None
            if stored is None:
                todo.append(view)
                continue
            parts.append(stored[0])
            hints = stored[1] or hints
        if todo:
            parts += self._follow(match, todo, hints, config, len(views))
        match.progress(1.0)
        return pa.concat_tables([tables.FRAMES.empty(), *parts]).combine_chunks()

    def _follow(
        self, match: MatchContext, views: list[dict[str, Any]], hints: Hints,
        config: CalibrateConfig, n_all: int,
    ) -> list[pa.Table]:
        spans = [(view["first_frame"], view["last_frame"]) for view in views]
        parts: list[pa.Table] = []
        stated = anchors(match.video, match.corrections)
        if len(views) == n_all:
            # Otherwise they are among the hints of the views that were done before.
            hints += [(one.place, one.fit.camera) for one in stated]

        def follower_of(view: dict[str, Any]) -> ViewFollower:
            inside = [
                one for one in stated
                if view["start_s"] - 1e-3 <= one.t_s < view["end_s"] - 1e-3
            ]
            return ViewFollower(list(hints), given=inside)

        follower = follower_of(views[0])
        at = 0
        size = (0, 0)
        begun = (n_all - len(views)) / n_all
        n_frames = sum(last - first + 1 for first, last in spans)

        def close() -> None:
            nonlocal follower, at
            done = follower.result()
            part = frames_table(match.match_id, views[at]["view_id"], done, size, config)
            for reason in follower.reasons[-1:]:
                logger.info("view %s: %s", views[at]["view_id"], reason)
            self._learn(hints, follower, done)
            # As they are read from a checkpoint, to the last bit, so that a run that goes on from
            # there gives what an uninterrupted one gives.
            text = _written(hints)
            hints[:] = _read(text)
            _store(match, views[at]["view_id"], part, text)
            parts.append(part)
            at += 1
            follower = follower_of(views[min(at, len(views) - 1)])

        with video.frames(match.video, spans=spans) as stream:
            for number, frame in enumerate(stream):
                # A camera that never moves gives one view of hours: its frames are what is told.
                match.progress(begun + (1.0 - begun) * number / n_frames)
                while at < len(views) and frame.index > views[at]["last_frame"]:
                    close()
                size = (frame.image.shape[1], frame.image.shape[0])
                follower.add(frame.index, frame.t_s, frame.image)
        while at < len(views):
            close()
        return parts

    @staticmethod
    def _learn(hints: Hints, follower: ViewFollower, done: list[FrameCamera]) -> None:
        """Keep the place of a view for the next ones; an agreeing older one is replaced."""
        last = [one.camera for one in done if one.camera is not None]
        if follower.place is None or not last:
            return
        hints[:] = [
            (place, camera) for place, camera in hints if place.differs(follower.place) > 3.0
        ][-(MOST_HINTS - 1):]
        hints.append((follower.place, last[-1]))


def frames_table(
    match_id: str, view_id: int, done: list[FrameCamera], size: tuple[int, int],
    config: CalibrateConfig,
) -> pa.Table:
    """Rows of the frames table for one view; doubtful frames become ``lost``."""
    scale = max(size[0] / 1280, 1.0)
    rows: list[dict[str, Any]] = []
    for one in done:
        row: dict[str, Any] = {
            "match_id": match_id, "frame": one.frame, "t_s": one.t_s, "view_id": view_id,
            "court_status": "lost", "width_px": size[0], "height_px": size[1],
        }
        doubtful = (
            one.camera is None
            or (one.rms_px is not None and one.rms_px > config.worst_rms_px * scale)
            or (one.position_sd_m is not None and one.position_sd_m > config.worst_sd_m)
        )
        if one.camera is not None and not doubtful:
            row |= {
                "camera": [float(value) for value in one.camera.matrix.ravel()],
                "k1": float(one.camera.k1), "focal_px": one.camera.focal_px,
                "court_rms_px": one.rms_px, "court_status": one.status,
                "position_sd_m": one.position_sd_m,
                "camera_covariance": None if one.covariance is None else pack(one.covariance),
            }
        rows.append(row)
    return tableio.from_rows(tables.FRAMES, rows)


def _checkpoint(match: MatchContext, view_id: int) -> Path | None:
    return None if match.scratch is None else match.scratch / f"view{view_id:05d}.parquet"


def _written(hints: Hints) -> str:
    return json.dumps([
        {
            "centre_m": place.centre_m.tolist(), "k1": place.k1, "net_m": place.net_m,
            "information": place.information.tolist(), "paint": asdict(place.paint),
            "by_bias": place.by_bias.tolist(), "rest": place.rest.tolist(),
            "deviations": place.deviations,
            "camera": camera.matrix.tolist(), "size": [camera.width_px, camera.height_px],
        }
        for place, camera in hints
    ])


def _read(text: str) -> Hints:
    return [
        (
            Place(
                np.array(one["centre_m"]), one["k1"], one["net_m"], np.array(one["information"]),
                Paint(**one["paint"]), np.array(one["by_bias"]), np.array(one["rest"]),
                tuple(one["deviations"]),
            ),
            from_matrix(one["camera"], one["size"][0], one["size"][1], one["k1"]),
        )
        for one in json.loads(text)
    ]


def _store(match: MatchContext, view_id: int, part: pa.Table, hints: str) -> None:
    path = _checkpoint(match, view_id)
    if path is not None:
        tableio.write(path, tables.FRAMES, part, {"rallymill.places": hints})
        logger.debug(KEPT_CHUNK, path.stem)


def _stored(match: MatchContext, view_id: int) -> tuple[pa.Table, Hints] | None:
    path = _checkpoint(match, view_id)
    if path is None or not path.exists():
        return None
    try:
        table = tableio.read(path, tables.FRAMES)
    except TableError as error:
        logger.warning("checkpoint of view %s is not used: %s", view_id, error)
        return None
    return table, _read(tableio.read_metadata(path).get("rallymill.places", "[]"))


STAGE = CalibrateStage()

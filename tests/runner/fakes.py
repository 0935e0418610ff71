"""Small stages for tests of the runner: they compute something, note that they ran, and misbehave.

Every run of a stage is written to the file named in RALLYMILL_TEST_LEDGER: ``<match> <stage>
start`` and ``... end``, so that a test can count what really ran, across processes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from rallymill import tableio, video
from rallymill.errors import InputError
from rallymill.stages import detect
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import Networks
from rallymill.tables import DETECTIONS, FLAGS, FRAMES, SHOTS, VIEWS

LEDGER = "RALLYMILL_TEST_LEDGER"
DIES_WITH = "RALLYMILL_TEST_DIES_WITH"
ASKED_FOR = 0.45
"""Confidence of a ball that was found only where it was asked for."""
BAR_STEP_PX = 8
"""How far the bar of the tests' films moves from frame to frame, in pictures 320 pixels wide."""


def note(match: MatchContext, stage: str, what: str) -> None:
    if ledger := os.environ.get(LEDGER):
        with open(ledger, "a", encoding="utf-8") as out:
            out.write(f"{match.match_id} {stage} {what}\n")


class Nested(StageConfig):
    threshold: float = 0.5


class Options(StageConfig):
    """``trouble`` is none, raise, kill, kill_once or hang; it befalls only ``trouble_for``."""

    confidence: float = 0.25
    wait_s: float = 0.0
    trouble: str = "none"
    trouble_for: str = ""
    nested: Nested = Nested()


class Fake:
    name = ""
    version = 1
    reads: tuple[str, ...] = ()
    writes = VIEWS
    needs_video = False
    config_class = Options
    uses_sheet = False
    weights: tuple[str, ...] = ()

    def model_files(self, config: Any) -> tuple[str, ...]:
        return self.weights

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        note(match, self.name, "start")
        table = self.compute(match, inputs, config)
        match.progress(0.5)
        if config.trouble != "none" and config.trouble_for in match.match_id:
            self.misbehave(match, config.trouble)
        time.sleep(config.wait_s)
        note(match, self.name, "end")
        return table

    def misbehave(self, match: MatchContext, trouble: str) -> None:
        assert match.scratch is not None
        mark = match.scratch / "tried"
        if trouble == "raise":
            raise ZeroDivisionError("as the test asks")
        if trouble == "kill" or (trouble == "kill_once" and not mark.exists()):
            mark.touch()
            os.kill(os.getpid(), 9)
        if trouble == "hang":
            time.sleep(600)

    def compute(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        raise NotImplementedError


class Views(Fake):
    name = "views"
    needs_video = True

    def compute(self, match, inputs, config):
        times = [frame.t_s for frame in video.frames(match.video, width_px=40)]
        row = {
            "match_id": match.match_id, "view_id": 0, "first_frame": 0,
            "last_frame": len(times) - 1, "start_s": times[0], "end_s": times[-1],
            "label": "other" if "blank" in match.match_id else "main", "confidence": 1.0,
        }  # fmt: skip
        return tableio.from_rows(VIEWS, [row])


class Calibrate(Fake):
    name = "calibrate"
    reads = ("views",)
    writes = FRAMES
    needs_video = True

    def compute(self, match, inputs, config):
        rows = []
        for view in inputs["views"].to_pylist():
            if view["label"] == "main":
                for frame in range(view["first_frame"], view["last_frame"] + 1):
                    lost = "hazy" in match.match_id and frame % 4
                    rows.append(
                        {"match_id": match.match_id, "frame": frame, "t_s": frame / 25,
                         "view_id": 0, "court_status": "lost" if lost else "found"}
                    )  # fmt: skip
        return tableio.from_rows(FRAMES, rows)


class Detect(Fake):
    name = "detect"
    reads = ("views",)
    writes = DETECTIONS
    needs_video = True
    weights = ("fake.onnx",)

    def compute(self, match, inputs, config):
        rows = [
            {"match_id": match.match_id, "frame": k, "t_s": k / 25, "label": "ball",
             "x1_px": k, "y1_px": 0, "x2_px": k + 1, "y2_px": 1, "confidence": (k + 1) / 10}
            for k in range(10)
            if (k + 1) / 10 >= config.confidence
        ]  # fmt: skip
        return tableio.from_rows(DETECTIONS, rows)


class Shots(Fake):
    name = "shots"
    reads = ("detections", "frames")
    writes = SHOTS
    uses_sheet = True

    def compute(self, match, inputs, config):
        if match.sheet.get("score", "") == "99-0, 15-0":
            raise InputError("the score cannot occur", "correct it")
        near = (match.sheet.get("players") or {}).get("near")
        rows = [
            {"match_id": match.match_id, "point_id": 0, "shot_id": k, "shot_number": k + 1,
             "t_contact_s": float(k), "hitter": "near", "stroke": "groundstroke",
             "wing": "unknown", "player": near["code"] if near else "A",
             "direction": "unknown", "depth": "unknown", "ended_point": False}
            for k in range(inputs["detections"].num_rows)
        ]  # fmt: skip
        return tableio.from_rows(SHOTS, rows)


class Flags(Fake):
    name = "flags"
    reads = ("shots",)
    writes = FLAGS

    def compute(self, match, inputs, config):
        rows = [
            {"match_id": match.match_id, "flag_id": 0, "rule": "many", "kind": "note",
             "severity": config.nested.threshold, "confidence": 1.0, "point_id": 0,
             "shot_id": 0, "sentence": f"{inputs['shots'].num_rows} shots",
             "clip_start_s": 0.0, "clip_end_s": 1.0}
        ]  # fmt: skip
        return tableio.from_rows(FLAGS, rows)


class SlowDetect(detect.DetectStage):
    """The real stage with a network that takes its time and finds the frame's own level."""

    def model_files(self, config: Any) -> tuple[str, ...]:
        return ()

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        detect.load_networks = lambda *given: self.networks(config)  # type: ignore[assignment]
        return super().run(match, inputs, config)

    def networks(self, config: Any) -> Networks:
        return Networks(self.look)

    @staticmethod
    def look(pictures: list[Any]) -> list[list[Box]]:
        time.sleep(0.03 * len(pictures))
        return [
            [Box("ball", *(float(p[..., k].mean()) for k in (0, 1, 2)), 300.0, 0.5)]
            for p in pictures
        ]


class FourViews(Views):
    """Main-camera views of unequal length, with another one between them."""

    def compute(self, match, inputs, config):
        times = [frame.t_s for frame in video.frames(match.video, width_px=40)]
        after = [*times[1:], 2 * times[-1] - times[-2]]
        spans = [(0, 9, "main"), (10, 29, "main"), (30, 34, "other"), (35, 54, "main"),
                 (55, len(times) - 1, "main")]  # fmt: skip
        return tableio.from_rows(VIEWS, [
            {"match_id": match.match_id, "view_id": k, "first_frame": first, "last_frame": last,
             "start_s": times[first], "end_s": after[last], "label": label, "confidence": 1.0}
            for k, (first, last, label) in enumerate(spans)
        ])  # fmt: skip


class Believing:
    """A look that takes every proposal for the ball, and finds it wherever it is asked for."""

    def looked_together(self, around: Any, boxes: list[list[Box]]) -> list[list[Box]]:
        return [list(those) for those in boxes]

    def asked(self, moments: Any, matrices: Any, places_px: Any, sizes_px: Any) -> list[Box]:
        x, y = places_px[0]
        return [Box("ball", float(x), float(y), float(x) + 1, float(y) + 1, ASKED_FOR)]


class NotedDetect(SlowDetect):
    """Notes each process and the views that it was given; dies once if it is asked to.

    Where the ball is followed, it takes the white bar for it, and misses it in a frame of three.
    """

    def networks(self, config: Any) -> Networks:
        if not config.follow_ball:
            return Networks(self.look)
        return Networks(self.look_at_bar, Believing())  # type: ignore[arg-type]

    @staticmethod
    def look_at_bar(pictures: list[Any]) -> list[list[Box]]:
        time.sleep(0.03 * len(pictures))
        found = []
        for picture in pictures:
            left = int(picture[picture.shape[0] // 2 + 8, :, 1].argmax())
            seen = left // BAR_STEP_PX % 3 > 0
            found.append([Box("ball", left, 40.0, left + 4, 44.0, 0.5)] if seen else [])
        return found

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any) -> pa.Table:
        views = inputs["views"].filter(pc.equal(inputs["views"]["label"], "main"))
        given = ",".join(map(str, views["view_id"].to_pylist()))
        assert match.scratch is not None
        note(match, f"{given}/{os.getpid()}", f"{len(list(match.scratch.glob('*.parquet')))}")
        if os.environ.get(DIES_WITH) == given:
            os.kill(os.getpid(), 9)
        return super().run(match, inputs, config)


STAGES = (Views(), Calibrate(), Detect(), Shots(), Flags())
NAMES = tuple(stage.name for stage in STAGES)
REGISTRY = "fakes:STAGES"
CHUNKED = (Views(), Calibrate(), SlowDetect())
CHUNKED_REGISTRY = "fakes:CHUNKED"
SPANNED = (FourViews(), Calibrate(), NotedDetect())
SPANNED_REGISTRY = "fakes:SPANNED"


def ledger_lines(path: Path) -> list[tuple[str, str, str]]:
    """Match, stage and what, of all that is noted."""
    if not path.exists():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    return [tuple(line.split()) for line in lines]  # type: ignore[misc]

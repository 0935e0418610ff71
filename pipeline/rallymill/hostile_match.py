"""A small match to hold hostile inputs against: simulated contacts, real tables, a short film."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, cast

import av
import numpy as np
import pyarrow as pa

from rallymill import config as configuration
from rallymill import matchsheet, tableio
from rallymill.arena.play import simulate
from rallymill.fault_stages import Calibrate, Views
from rallymill.runner import morning
from rallymill.runner.fingerprint import gather
from rallymill.runner.night import Night
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchRecord, MatchStore
from rallymill.runner.summary import NOTHING_FOUND, match_row, update_matches
from rallymill.stages.base import MatchContext, Stage
from rallymill.tables import ALL

MATCH_ID = "quay-12345678"
SEED, N_POINTS = 100_020, 2
BEHIND = ("shots", "points", "corrected_shots", "corrected_points", "corrections", "flags",
          "opportunities")  # fmt: skip
CLIP = ("clip.mp4", "clip.avi", "clip.mkv", "clip.ts")
SHEET = """\
event: Lantern Quay Open
venue: Quay Hall
date: 2026-08-14
surface: hard
players:
  near: {name: Ilva Marrec, code: MAR, hand: right}
  far: {name: Tamsin Orrow, code: ORR, hand: left}
first_server: near
score: 3-2, 15-30
notes: windy
"""
SMALL_STAGES = cast(tuple[Stage, ...], (Views(), Calibrate()))


@cache
def _truth() -> dict[str, pa.Table]:
    truth: dict[str, pa.Table] = simulate(SEED, N_POINTS).truth()
    found = {}
    for name in ("events", "arcs"):
        table = truth[name].to_pandas()
        table["match_id"] = MATCH_ID
        found[name] = tableio.from_pandas(ALL[name], table)
    return found


def make_match(out: Path, given_sheet: Mapping[str, Any], write: bool) -> dict[str, pa.Table]:
    """Tables of a match under a match sheet, from the contacts on; written into a folder or not."""
    found = {name: spec.empty() for name, spec in ALL.items()} | _truth()
    context = MatchContext(MATCH_ID, Path("none.mp4"), given_sheet)
    for stage in load_stages("rallymill.runner.registry:pipeline"):
        if stage.name in BEHIND:
            inputs = {name: found[name] for name in stage.reads}
            found[stage.writes.name] = stage.run(context, inputs, stage.config_class())
    if write:
        _write(out, given_sheet, found)
    return found


def _write(out: Path, given_sheet: Mapping[str, Any], found: Mapping[str, pa.Table]) -> None:
    store = MatchStore(out, MATCH_ID)
    store.folder.mkdir(parents=True, exist_ok=True)
    found_row = {"view_id": 0, "first_frame": 0, "last_frame": 9, "start_s": 0.0, "end_s": 9.0}
    views = tableio.from_rows(ALL["views"], [
        {"match_id": MATCH_ID, "label": "main", "confidence": 1.0, **found_row}])
    frames = tableio.from_rows(ALL["frames"], [
        {"match_id": MATCH_ID, "frame": 0, "t_s": 0.0, "view_id": 0, "court_status": "found"}])
    detections = tableio.from_rows(ALL["detections"], [
        {"match_id": MATCH_ID, "frame": 0, "t_s": 0.0, "label": "ball", "confidence": 0.9}])
    whole = {**found, "views": views, "frames": frames, "detections": detections}
    for stage in load_stages("rallymill.runner.registry:pipeline"):
        ingredients = gather(stage, stage.config_class(), Path("models"), "", "", {}) if not (
            stage.needs_video) else None  # fmt: skip
        table = whole[stage.writes.name]
        if ingredients is None:
            tableio.write(store.table_path(stage.writes.name), stage.writes, table)
        else:
            store.write_table(stage.writes, table, ingredients, 0.0)
    sheet = matchsheet.MatchSheet.model_validate(dict(given_sheet)).model_dump()
    clip = (out.parent / "clips" / CLIP[0]).resolve()
    about = {"width_px": 1280, "height_px": 720, "duration_s": 60.0}
    record = MatchRecord(MATCH_ID, "quay.mp4", str(clip), "12345678" * 8, about, sheet)
    store.write_record(record)
    update_matches(out, [match_row(out, record)])


def make_clip(folder: Path) -> None:
    """A film of a second in each container, as small as can be."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in CLIP:
        with av.open(str(folder / name), "w") as out:
            stream = out.add_stream("mpeg4" if name.endswith("avi") else "libx264", rate=20)
            stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
            stream.codec_context.gop_size = 6
            for k in range(20):
                image = np.full((48, 64, 3), 60, np.uint8)
                image[20:28, 3 * k : 3 * k + 6] = 250
                out.mux(stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")))
            out.mux(stream.encode(None))


def read_folder(films: Path, out: Path) -> int:
    """Read a folder of films with small stages, as far as the morning's summary; how many were not.

    That there is nobody in them does not count.
    """
    config = configuration.build(
        {"execution": {"copying_wait_s": 0}}, SMALL_STAGES, films, None)
    from rallymill.cli.processing import say_result

    result = Night(films, out, config, registry="rallymill.hostile_match:SMALL_STAGES",
                   isolated=False).run()  # fmt: skip
    morning.write(result, out, films, "rallymill process films")
    say_result(result, out)
    return sum(row["reason"] != NOTHING_FOUND for row in result.unread)

"""A picture of each main view with the court drawn over it, so that everyone can check it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import pyarrow.compute as pc

from rallymill import tableio, tables
from rallymill.errors import RallymillError, TableError
from rallymill.report import overlay, words
from rallymill.report.content import Row
from rallymill.video import frames

log = logging.getLogger(__name__)

WIDTH_PX = 640
JPEG_QUALITY = 80


@dataclass(frozen=True)
class ViewPicture:
    """A picture beside the page: its address, the words under it and the words for it."""

    address: str
    caption: str
    description: str


def _wanted(views: Sequence[Row], rows: Sequence[dict[str, Any]]) -> list[tuple[Row, dict]]:
    """For each main view, the frame with the court found that is nearest to its middle."""
    wanted = []
    for view in views:
        if view["label"] != "main":
            continue
        middle = (view["first_frame"] + view["last_frame"]) / 2
        own = [row for row in rows if row["view_id"] == view["view_id"]]
        if own:
            wanted.append((view, min(
                own, key=lambda row: (row["court_status"] == "lost", abs(row["frame"] - middle))
            )))
    return wanted


def write(
    out_dir: Path, match_id: str, views: Sequence[Row], recording: Path | None, folder: Path
) -> list[ViewPicture]:
    """Write ``view-<id>.jpg`` for each main view into ``folder``; pictures of before go.

    No pictures where the recording, the frames table or a frame of it cannot be read: the page does
    without and the log says why.
    """
    for old in folder.glob("view-*.jpg"):
        old.unlink()
    if recording is None or not recording.is_file():
        return []
    try:
        table = tableio.read(
            out_dir / "matches" / match_id / "frames.parquet", tables.FRAMES
        )
    except TableError as error:
        log.info("%s: no pictures of views: %s", match_id, error)
        return []
    main = [view["view_id"] for view in views if view["label"] == "main"]
    rows = table.filter(pc.is_in(table["view_id"], pc.cast(main, "int32"))).to_pylist() if main \
        else []
    wanted = {int(row["frame"]): (view, row) for view, row in _wanted(views, rows)}
    if not wanted:
        return []
    folder.mkdir(parents=True, exist_ok=True)
    pictures = []
    try:
        spans = [(frame, frame) for frame in sorted(wanted)]
        for frame in frames(recording, spans=spans):
            view, row = wanted[frame.index]
            pictures.append(_write_one(frame.image, view, row, folder))
    except RallymillError as error:
        log.warning("%s: pictures of views: %s", match_id, error)
    return pictures


def _write_one(image: Any, view: Row, row: dict[str, Any], folder: Path) -> ViewPicture:
    drawn = overlay.draw(image, row, [])
    height = round(image.shape[0] * WIDTH_PX / image.shape[1])
    small = cv2.resize(drawn, (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
    name = f"view-{view['view_id']}.jpg"
    cv2.imwrite(str(folder / name), small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    span = f"{words.clock(view['start_s'])} to {words.clock(view['end_s'])}"
    if row["court_status"] == "lost":
        said = "the court was not found in this view"
    else:
        said = f"court lines {words.number(row['court_rms_px'], 1, 'px')} from the model"
    at = words.clock(row["t_s"], tenths=True)
    return ViewPicture(
        f"{folder.name}/{name}", f"{span}: {said}",
        f"Frame at {at} with the court model drawn over it; {said}.",
    )

"""A picture of each main view with the court drawn over it, so that everyone can check it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import pyarrow as pa
import pyarrow.compute as pc

from rallymill import tableio, tables
from rallymill.errors import RallymillError
from rallymill.report import overlay, words
from rallymill.report.content import Row
from rallymill.report.stills import still

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
    by_view: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        by_view.setdefault(int(row["view_id"]), []).append(row)
    wanted = []
    for view in views:
        middle = (view["first_frame"] + view["last_frame"]) / 2
        if own := by_view.get(int(view["view_id"])):
            wanted.append((view, min(
                own, key=lambda row: (row["court_status"] == "lost", abs(row["frame"] - middle))
            )))
    return wanted


def write(
    out_dir: Path, match_id: str, views: Sequence[Row], recording: Path | None, folder: Path
) -> list[ViewPicture]:
    """Write ``view-<id>-<frame>.jpg`` for each main view into ``folder``.

    A picture that is newer than the recording and the frames table is kept; those of other views
    go. No pictures where the recording or the frames table cannot be read: the page does without
    and the log says why.
    """
    pictures: list[ViewPicture] = []
    if recording is not None and recording.is_file():
        try:
            pictures = _pictures(out_dir / "matches" / match_id, views, recording, folder)
        except RallymillError as error:
            log.warning("%s: no pictures of views: %s", match_id, error)
    kept = {Path(picture.address).name for picture in pictures}
    for old in folder.glob("view-*.jpg"):
        if old.name not in kept:
            old.unlink()
    return pictures


def _pictures(
    match_folder: Path, views: Sequence[Row], recording: Path, folder: Path
) -> list[ViewPicture]:
    table_path = match_folder / "frames.parquet"
    table = tableio.read(table_path, tables.FRAMES)
    main = pa.array([view["view_id"] for view in views if view["label"] == "main"], pa.int32())
    rows = table.filter(pc.is_in(table["view_id"], main)).to_pylist()
    folder.mkdir(parents=True, exist_ok=True)
    made_of = max(table_path.stat().st_mtime, recording.stat().st_mtime)
    pictures = []
    for view, row in _wanted(views, rows):
        path = folder / f"view-{view['view_id']}-{row['frame']}.jpg"
        if not path.exists() or path.stat().st_mtime < made_of:
            image = still(recording, float(row["t_s"]))
            if image is None:
                log.info("%s: no frame at %.2f s", recording.name, row["t_s"])
                continue
            _draw(image, row, path)
        pictures.append(_described(view, row, f"{folder.name}/{path.name}"))
    return pictures


def _draw(image: Any, row: dict[str, Any], path: Path) -> None:
    drawn = overlay.draw(image, row, [])
    height = round(image.shape[0] * WIDTH_PX / image.shape[1])
    small = cv2.resize(drawn, (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(path), small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])


def _described(view: Row, row: dict[str, Any], address: str) -> ViewPicture:
    span = f"{words.clock(view['start_s'])} to {words.clock(view['end_s'])}"
    if row["court_status"] == "lost":
        said = "the court was not found in this view"
    else:
        said = f"court lines {words.number(row['court_rms_px'], 1, 'px')} from the model"
    at = words.clock(row["t_s"], tenths=True)
    return ViewPicture(
        address, f"{span}: {said}",
        f"Frame at {at} with the court model drawn over it; {said}.",
    )

"""How long a run will take and how much room it needs, before it starts.

Times rest on what earlier matches of the same output folder took per frame, stage by stage; where
there are none, on a short piece of a recording that is read for that; else on reference figures.
The plan says which.
"""

from __future__ import annotations

import logging
import os
import shutil
import statistics
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from rallymill import video
from rallymill.config import AppConfig
from rallymill.errors import RallymillError
from rallymill.runner.match import Job, MatchRun
from rallymill.runner.store import MATCHES_FOLDER, MatchRecord, MatchStore, records
from rallymill.stages.base import Stage

log = logging.getLogger(__name__)

REFERENCE_S = {
    "views": 0.011, "calibrate": 0.013, "detect": 0.19, "people": 0.004, "flight": 0.008,
}  # fmt: skip
"""Seconds a frame of a 1280x720 recording on two slow cores without a GPU, sample clips."""
OTHER_STAGE_S = 0.0005
REFERENCE_BYTES = 2500
"""Bytes of tables and page a frame, sample clips."""
SPARE_BYTES = 200_000_000
"""Room that a run leaves free."""
UNSURE_REFERENCE = (0.3, 2.5)
UNSURE_PROBE = (0.6, 1.6)
UNSURE_ONE_MATCH = (0.7, 1.4)
PROBE_S = (0.5, 2.0)
"""Lengths of the two pieces that a probe reads; what both take alike is no cost of a frame."""
LEAST_FRAMES = 3000
"""Recordings with fewer frames together are not worth a probe."""


class NoRoomError(RallymillError):
    """The disk has not enough room for what a run will write."""


@dataclass(frozen=True)
class Speeds:
    """Seconds a frame by stage: least, most likely and most; and where they come from."""

    by_stage: Mapping[str, tuple[float, float, float]]
    source: str

    def of(self, stage: str) -> tuple[float, float, float]:
        """Seconds a frame of a stage; a reference figure where it was never measured."""
        if stage in self.by_stage:
            return self.by_stage[stage]
        seconds = REFERENCE_S.get(stage, OTHER_STAGE_S)
        return seconds * UNSURE_REFERENCE[0], seconds, seconds * UNSURE_REFERENCE[1]


@dataclass(frozen=True)
class Work:
    """What is to be done for a match: ``stages`` that must run, and how many frames it has."""

    file: str
    path: Path
    n_frames: int
    stages: tuple[str, ...]


@dataclass(frozen=True)
class Estimate:
    """Seconds that a run will take: at least, likely, at most; ``source`` says from what."""

    low_s: float
    likely_s: float
    high_s: float
    source: str


def frames_of(found: Mapping[str, Any]) -> int:
    """Frames of a recording, from what a survey of it found."""
    if found.get("packets"):
        return int(found["packets"])
    return round(float(found.get("duration_s") or 0.0) * float(Fraction(found.get("rate", "25"))))


def measured(out: Path) -> Speeds | None:
    """Speeds of earlier matches; None if there are none."""
    rates: dict[str, list[float]] = {}
    counted = 0
    for record in records(out):
        n_frames = frames_of(record.video)
        taken = {
            stage: seconds / n_frames
            for stage, seconds in record.finished.items()
            if n_frames and stage not in record.resumed
        }
        counted += bool(taken)
        for stage, rate in taken.items():
            rates.setdefault(stage, []).append(rate)
    if not rates:
        return None
    by_stage = {}
    for stage, values in rates.items():
        likely = statistics.median(values)
        spread = (min(values), max(values)) if len(values) > 1 else tuple(
            likely * factor for factor in UNSURE_ONE_MATCH
        )  # fmt: skip
        by_stage[stage] = (spread[0], likely, spread[1])
    matches = "1 earlier match" if counted == 1 else f"{counted} earlier matches"
    return Speeds(by_stage, f"from the speed of {matches} here")


def probe(works: Sequence[Work], stages: Sequence[Stage], config: AppConfig) -> Speeds | None:
    """Speeds of a short piece from the middle of the longest recording; None if it fails."""
    longest = max(works, key=lambda work: work.n_frames)
    try:
        duration_s = video.probe(longest.path).duration_s or 0.0
        with tempfile.TemporaryDirectory(prefix="rallymill-probe-") as place:
            taken = []
            for number, length_s in enumerate(PROBE_S):
                piece = Path(place) / f"piece{number}.mp4"
                start_s = 0.45 * duration_s
                n_frames = video.cut(longest.path, start_s, start_s + length_s, piece)
                taken.append((n_frames, _seconds(piece, Path(place), stages, config)))
    except (RallymillError, OSError) as error:
        log.info("no probe: %s", error)
        return None
    (n_short, short), (n_long, long) = taken
    if n_long <= n_short or not short or not long:
        return None
    by_stage = {}
    for stage in long:
        likely = max(long[stage] - short.get(stage, 0.0), 0.0) / (n_long - n_short)
        by_stage[stage] = (likely * UNSURE_PROBE[0], likely, likely * UNSURE_PROBE[1])
    return Speeds(by_stage, f"from {PROBE_S[1]:g} s of {longest.file} that were read for it")


def _seconds(
    piece: Path, place: Path, stages: Sequence[Stage], config: AppConfig
) -> dict[str, float]:
    """Seconds that each stage takes for a piece."""
    taken: dict[str, float] = {}

    def emit(event: Mapping[str, Any]) -> None:
        if event["event"] == "done" and event["stage"] != "report":
            taken[event["stage"]] = event["seconds"]

    job = Job(piece, piece.name, piece.stem, piece.stem, place / "out")
    MatchRun(job, stages, config, emit, with_report=False).run()
    return taken


def speeds(
    out: Path, works: Sequence[Work], stages: Sequence[Stage], config: AppConfig, may_probe: bool
) -> Speeds:
    """The best speeds that there are."""
    found = measured(out)
    if found is None and may_probe and sum(work.n_frames for work in works) >= LEAST_FRAMES:
        found = probe(works, stages, config)
    return found or Speeds({}, "from reference figures of two slow cores, so quite unsure")


def estimate(works: Sequence[Work], found: Speeds, config: AppConfig) -> Estimate:
    """Seconds that all of it takes; workers share the cores that there are."""
    totals = [0.0, 0.0, 0.0]
    longest = [0.0, 0.0, 0.0]
    for work in works:
        for k in range(3):
            seconds = sum(found.of(stage)[k] for stage in work.stages) * work.n_frames
            totals[k] += seconds
            longest[k] = max(longest[k], seconds)
    cores = os.cpu_count() or 1
    side_by_side = max(1, min(config.execution.workers, cores // config.execution.threads))
    low, likely, high = (max(totals[k] / side_by_side, longest[k]) for k in range(3))
    return Estimate(low, likely, high, found.source)


def bytes_a_frame(out: Path) -> float:
    """Bytes of tables and page that earlier matches took a frame; else a reference figure."""
    found = []
    for record in records(out):
        n_frames = frames_of(record.video)
        if n_frames and record.finished:
            folder = MatchStore(out, record.match_id).folder
            size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
            found.append(size / n_frames)
    return max([REFERENCE_BYTES, *found])


def room_needed(files: Sequence[Path], out: Path, stages: Sequence[Stage]) -> int:
    """Bytes that a run over recordings will write, those that were read before left out."""
    done: dict[str, MatchRecord] = {record.path: record for record in records(out)}
    names = {stage.name for stage in stages}
    n_frames = 0
    for path in files:
        record = done.get(str(path.resolve()))
        if record is not None and names <= set(record.finished):
            continue
        try:
            info = video.probe(path)
        except Exception:
            # Whatever is wrong with a file is told when its turn comes; it must not end the night.
            log.info("%s cannot be reckoned with", path, exc_info=True)
            continue
        n_frames += frames_of({"duration_s": info.duration_s, "rate": str(info.rate)})
    return round(n_frames * bytes_a_frame(out))


def room_free(out: Path) -> int:
    """Bytes that are free where an output folder is or will be."""
    place = out.resolve()
    while not place.exists():
        place = place.parent
    return shutil.disk_usage(place).free


def require_room(needed: int, out: Path) -> None:
    """Raise :class:`NoRoomError` unless the disk has room for so many bytes and some to spare."""
    free = room_free(out)
    if needed + SPARE_BYTES > free:
        raise NoRoomError(
            f"the run needs about {size(needed + SPARE_BYTES)}, {out} has {size(free)} free",
            f"make room, take old matches out of {out / MATCHES_FOLDER}, or give another --out",
        )


def size(n_bytes: float) -> str:
    """A number of bytes in the unit that suits it."""
    for unit in ("B", "kB", "MB"):
        if n_bytes < 999.5:
            return f"{n_bytes:.3g} {unit}"
        n_bytes /= 1000
    return f"{n_bytes:.3g} GB"

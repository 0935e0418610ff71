"""Measure how fast the detect stage is beside decoding alone and the library's own prediction."""

from __future__ import annotations

import multiprocessing
import os
import platform
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rallymill import tableio, tables, video
from rallymill.benchmark_detect import truth_of
from rallymill.stages import detect
from rallymill.stages.base import Execution, MatchContext
from rallymill.stages.detect_networks import INPUT_SIZE, DetectConfig, as_input, weights_path
from rallymill.stages.graphics_card import card_of

WARM_FRAMES = 25
"""Frames before the clock starts: compiled code is loaded and buffers are made."""


SIZE = (1280, 720)
"""Size of the pictures for which speeds are told."""


def of_usual_size(paths: Sequence[Path]) -> Path:
    """The first film whose pictures have the size for which speeds are told; else the first."""
    for path in paths:
        info = video.probe(path)
        if (info.width_px, info.height_px) == SIZE:
            return path
    return paths[0]


@dataclass(frozen=True)
class Clocked:
    """Frames done, when the clock started and ended (s, the same clock in all processes of a
    machine), and processor seconds that were spent."""

    frames: float
    began_s: float
    ended_s: float
    work_s: float


def rate_of(parts: Sequence[Clocked]) -> tuple[float, float]:
    """Frames a second and processor milliseconds a frame of what ran side by side, NaN of nothing.

    The clock runs from the first start to the last end.
    """
    frames = sum(part.frames for part in parts)
    if frames < 1:
        return float("nan"), float("nan")
    wall_s = max(part.ended_s for part in parts) - min(part.began_s for part in parts)
    return frames / wall_s, 1000 * sum(part.work_s for part in parts) / frames


def speed_table(
    path: Path, config: DetectConfig, models: Path, n_frames: int, execution: Execution,
    workers: int = 1,
) -> str:
    """Markdown table of frames a second on a film with truth: decoding, the library, the stage.

    With several ``workers`` there is another row, of the stage in so many processes side by side,
    as `process` runs several matches.
    """
    clocked = {
        "decoding alone": [_clocked(_decode(path), n_frames)],
        "ultralytics' predict in a stream, same weights": [
            _clocked(_predict(path, config, models, execution), n_frames)
        ],
        "the stage, decoding and second opinion included": [
            _stage(path, config, models, n_frames, execution)
        ],
    }
    if workers > 1:
        clocked[f"the stage in {workers} processes, all together"] = _side_by_side(
            path, config, models, n_frames, execution, workers
        )
    info = video.probe(path)
    lines = [f"| {path.name}, {info.width_px}x{info.height_px}, {n_frames} frames after "
             f"{WARM_FRAMES} | frames a second | "
             "processor time a frame, ms |", "| --- | ---: | ---: |"]
    for name, parts in clocked.items():
        rate, spent_ms = rate_of(parts)
        lines.append(f"| {name} | {rate:.1f} | {spent_ms:.0f} |")
    return "\n".join(lines) + "\n"


def _clocked(items: Iterator[object], n_frames: int) -> Clocked:
    """The clock of items, one a frame, after the first ones."""
    began = spent = 0.0
    taken = -WARM_FRAMES
    for _ in items:
        taken += 1
        if taken == 0:
            began, spent = time.perf_counter(), time.process_time()
        if taken == n_frames:
            break
    return Clocked(max(taken, 0), began, time.perf_counter(), time.process_time() - spent)


def _decode(path: Path) -> Iterator[object]:
    with video.frames(path) as stream:
        yield from stream


def _predict(
    path: Path, config: DetectConfig, models: Path, execution: Execution
) -> Iterator[object]:
    os.environ.setdefault("YOLO_OFFLINE", "true")
    from ultralytics import YOLO

    weights = weights_path(models, config.model, execution.device)
    network = YOLO(str(weights), task="detect")
    card = card_of(execution.device)
    given: dict[str, Any] = {
        "imgsz": list(INPUT_SIZE), "iou": 0.6, "max_det": 100, "verbose": False,
        "conf": min(config.player_confidence, config.ball_confidence),
        # In half precision on a card, as the stage does.
        "device": card or "cpu", "quantize": None if card is None else 16,
    }
    if config.channels == 3:
        yield from network.predict(str(path), stream=True, **given)
        return
    # Its own reader knows no pictures of more channels: those of a frame are repeated.
    with video.frames(path) as stream:
        for frame in stream:
            image = cv2.resize(frame.image, (1280, 720))
            picture = np.dstack([image] * 3)[..., : config.channels].astype(np.uint8)
            yield network.predict(as_input([picture]), **given)


def _side_by_side(
    path: Path, config: DetectConfig, models: Path, n_frames: int, execution: Execution,
    workers: int,
) -> list[Clocked]:
    """The stage on the same film in several processes, whose clocks start when all are warm."""
    context = multiprocessing.get_context("spawn")
    # No more threads in all than there are cores.
    most = max((os.cpu_count() or 1) // workers, 1)
    alone = replace(execution, threads=min(execution.threads, most))
    with ProcessPoolExecutor(workers, context, _meet_at, (context.Barrier(workers),)) as pool:
        parts = [
            pool.submit(_stage_of_many, path, config, models, n_frames, alone)
            for _ in range(workers)
        ]
        return [part.result() for part in parts]


_MEETING: list[Any] = []


def _meet_at(barrier: Any) -> None:
    _MEETING.append(barrier)


WARM_WITHIN_S = 300.0
"""A process that is not warm by then has failed, and the others are not kept waiting."""


def _stage_of_many(
    path: Path, config: DetectConfig, models: Path, n_frames: int, execution: Execution
) -> Clocked:
    # As the process of a match does.
    video.set_threads(execution.threads)
    cv2.setNumThreads(execution.threads)
    return _stage(
        path, config, models, n_frames, execution, lambda: _MEETING[0].wait(WARM_WITHIN_S)
    )


def _stage(
    path: Path, config: DetectConfig, models: Path, n_frames: int, execution: Execution,
    warm: Callable[[], object] = lambda: None,
) -> Clocked:
    """The clock of the stage by its own progress; ``warm`` is called after the first chunk."""
    frames = truth_of(path, "frames")
    first, t_s = int(frames["frame"][0].as_py()), frames["t_s"].to_pylist()
    last = first + min(n_frames + WARM_FRAMES, len(t_s)) - 1
    spacing_s = (t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1)
    views = tableio.from_rows(tables.VIEWS, [
        {"match_id": "m", "view_id": 0, "first_frame": first, "last_frame": last, "label": "main",
         "start_s": t_s[0], "end_s": t_s[0] + spacing_s * (last - first + 1)}
    ])
    marks: list[tuple[float, float, float]] = []

    def mark(share: float) -> None:
        if len(marks) == 1:
            warm()
        marks.append((share, time.perf_counter(), time.process_time()))

    match = MatchContext(
        "m", path, models=models, progress=mark,
        execution=Execution(execution.device, execution.batch, execution.threads, WARM_FRAMES),
    )
    detect.STAGE.run(match, {"views": views, "frames": frames}, config)
    (share, wall, work), (_, end_wall, end_work) = marks[1], marks[-1]
    return Clocked((1 - share) * (last - first + 1), wall, end_wall, end_work - work)


def machine(device: str) -> str:
    """Processor and cores of this machine in a few words, and the graphics card that is used."""
    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                name = line.split(":", 1)[1].strip()
                break
    found = f"{name}, {os.cpu_count()} cores"
    card = card_of(device)
    if card is None:
        return found
    import torch

    return f"{found}, {torch.cuda.get_device_name(card)}"

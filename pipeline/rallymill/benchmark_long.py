"""What a match of hours takes: seconds of work for a second of film, and memory while it goes on.

A film is made as long as one likes: a rendered film and cutaways after it, over and over. The reel
is encoded once; its packets are then copied with times that go on, so that two hours are made in
seconds. The reel is longer than replays are looked for, so that no loop passes for one.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import psutil
from numpy.typing import NDArray

from rallymill import video
from rallymill.runner.store import LOG_NAME, MATCHES_FOLDER, records
from rallymill.stages.views.replay import BACK_S

CUTAWAY_S = 8.0
"""Least length of the cutaways after each round of play (common practice, no source)."""
PIECE = 4
"""Cutaways show a piece of the stands, so many times enlarged."""
POLL_S = 0.25
MEMORY_GOAL_MIB = 4096.0
STARTED = re.compile(r"stage (\S+) starts$", re.MULTILINE)

Say = Callable[[str], None]


def _stands(image: NDArray[Any], share: float) -> NDArray[Any]:
    """A piece of the top of a picture, enlarged; ``share`` (0 to 1) is where along it."""
    height, width = image.shape[:2]
    left = round(share * (width - width // PIECE))
    piece = image[:height // PIECE, left:left + width // PIECE]
    return np.asarray(cv2.resize(piece, (width, height), interpolation=cv2.INTER_CUBIC))


def write_reel(source: Path, path: Path) -> float:
    """Encode a film and cutaways of its stands after it; the length in seconds.

    Raises
    ------
    InputError
        The film cannot be read.
    """
    info = video.probe(source)
    step_s = float(1 / info.rate)
    with video.Writer(path, info.width_px, info.height_px, info.rate) as writer:
        t_s = 0.0
        with video.frames(source) as stream:
            for frame in stream:
                t_s = frame.t_s
                writer.write(frame.image, t_s)
        film_s = t_s + step_s
        left_s = max(CUTAWAY_S, BACK_S + 4.0 - film_s)
        added_s = 0.0
        while added_s < left_s:
            with video.frames(source) as stream:
                for frame in stream:
                    at_s = added_s + frame.t_s
                    if at_s >= left_s:
                        break
                    writer.write(_stands(frame.image, at_s / left_s), film_s + at_s)
                    t_s = film_s + at_s
            added_s = t_s + step_s - film_s
    return t_s + step_s


def loop(reel: Path, length_s: float, path: Path) -> float:
    """Copy a film's packets one round after the other until a length; the length in seconds."""
    rounds = 0
    with av.open(str(reel)) as probed:
        stream = probed.streams.video[0]
        assert stream.duration is not None and stream.time_base is not None
        ticks = int(stream.duration)
        round_s = float(ticks * stream.time_base)
    with av.open(str(path), "w", format="mp4") as out:
        to = None
        while rounds * round_s < length_s:
            with av.open(str(reel)) as source:
                stream = source.streams.video[0]
                if to is None:
                    to = out.add_stream_from_template(stream)
                for packet in source.demux(stream):
                    if packet.dts is None or packet.pts is None:
                        continue
                    packet.pts += rounds * ticks
                    packet.dts += rounds * ticks
                    packet.stream = to
                    out.mux(packet)
            rounds += 1
    return rounds * round_s


@dataclass(frozen=True)
class Sample:
    """Memory and processor time of a process and all below it, and the stage that runs."""

    at_s: float
    stage: str
    memory_mib: float
    cpu_s: float


def _tree(process: psutil.Process) -> Iterator[psutil.Process]:
    yield process
    yield from process.children(recursive=True)


def _sample(process: psutil.Process, began: float, stage: str, spent: dict[int, float]) -> Sample:
    """A sample; ``spent`` keeps what processes had used that are gone by now."""
    memory = 0.0
    for one in _tree(process):
        try:
            with one.oneshot():
                memory += one.memory_info().rss / 2**20
                times = one.cpu_times()
                spent[one.pid] = times.user + times.system
        except psutil.Error:
            continue
    return Sample(time.monotonic() - began, stage, memory, sum(spent.values()))


def _stage(out: Path) -> str:
    for log in (out / MATCHES_FOLDER).glob(f"*/{LOG_NAME}"):
        found = STARTED.findall(log.read_text(encoding="utf-8", errors="replace"))
        if found:
            return str(found[-1])
    return "start"


def run_sampled(film: Path, out: Path) -> list[Sample]:
    """Read a film by ``rallymill process`` in a process of its own, and watch it.

    Raises
    ------
    RuntimeError
        The run failed.
    """
    began = time.monotonic()
    command = [sys.executable, "-m", "rallymill.cli", "process", str(film), "--out", str(out)]
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=dict(os.environ)
    )
    watched, spent = psutil.Process(process.pid), dict[int, float]()
    samples: list[Sample] = []
    while process.poll() is None:
        try:
            samples.append(_sample(watched, began, _stage(out), spent))
        except psutil.NoSuchProcess:
            break
        time.sleep(POLL_S)
    if process.wait() != 0:
        raise RuntimeError(f"the run failed, see {out / MATCHES_FOLDER}/*/{LOG_NAME}")
    return samples


@dataclass(frozen=True)
class StageFigures:
    """What a stage took: seconds by the clock and of processors, peak memory by thirds of it."""

    name: str
    wall_s: float
    cpu_s: float
    peaks_mib: tuple[float, float, float]


def figures_of(samples: list[Sample]) -> list[StageFigures]:
    """Figures of each stage, in the order in which they ran."""
    found = []
    for name in dict.fromkeys(sample.stage for sample in samples):
        mine = [k for k, sample in enumerate(samples) if sample.stage == name]
        first, last = mine[0], mine[-1] + 1
        end = samples[min(last, len(samples) - 1)]
        peaks = [
            max((one.memory_mib for one in part), default=0.0)
            for part in (
                [samples[k] for k in part] for part in np.array_split(np.array(mine), 3)
            )
        ]
        found.append(StageFigures(
            name, end.at_s - samples[first].at_s, end.cpu_s - samples[first].cpu_s,
            (peaks[0], peaks[1] or peaks[0], peaks[2] or peaks[1] or peaks[0]),
        ))  # fmt: skip
    return found


@dataclass(frozen=True)
class LongReport:
    """What reading a long film took."""

    film_s: float
    source: str
    size: str
    stages: list[StageFigures]
    found: str
    cores: int = field(default_factory=lambda: os.cpu_count() or 1)

    @property
    def peak_mib(self) -> float:
        """The most memory that the processes held together."""
        return max(max(stage.peaks_mib) for stage in self.stages)

    @property
    def good(self) -> bool:
        """Whether it was read faster than it plays, within the memory that is allowed."""
        wall_s = sum(stage.wall_s for stage in self.stages)
        return wall_s <= self.film_s and self.peak_mib <= MEMORY_GOAL_MIB

    def text(self) -> str:
        """The report as a Markdown table."""
        wall_s = sum(stage.wall_s for stage in self.stages)
        cpu_s = sum(stage.cpu_s for stage in self.stages)
        lines = [
            f"{self.film_s / 60:.1f} minutes of {self.size}, {self.source} over and over, on "
            f"{self.cores} cores: {self.found}", "",
            "| stage | by the clock | of processors | of processors a second of film | "
            "peak memory in its first, second, last third |",
            "| --- | ---: | ---: | ---: | ---: |",
        ]
        for one in self.stages:
            peaks = ", ".join(f"{peak:.0f}" for peak in one.peaks_mib)
            lines.append(
                f"| {one.name} | {one.wall_s:.1f} s | {one.cpu_s:.1f} s | "
                f"{one.cpu_s / self.film_s:.3f} s | {peaks} MiB |"
            )
        lines += [
            f"| all | {wall_s:.1f} s | {cpu_s:.1f} s | {cpu_s / self.film_s:.3f} s | "
            f"{self.peak_mib:.0f} MiB |", "",
            f"{wall_s / self.film_s:.2f} s by the clock for a second of film (goal 1 on two idle "
            f"cores), peak memory {self.peak_mib:.0f} MiB (goal {MEMORY_GOAL_MIB:.0f} MiB)",
        ]
        return "\n".join(lines) + "\n"


def run(source: Path, minutes: float, folder: Path, say: Say) -> LongReport:
    """Make a film of ``minutes`` from ``source``, read it, and tell what that took."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    reel, film, out = folder / "reel.mp4", folder / "long match.mp4", folder / "outputs"
    reel_s = write_reel(source, reel)
    film_s = loop(reel, minutes * 60.0, film)
    say(f"made {film_s / 60:.1f} minutes of rounds of {reel_s:.1f} s")
    samples = run_sampled(film, out)
    info = video.probe(film)
    (record,) = records(out)
    rows = {name: _rows(out / MATCHES_FOLDER / record.match_id / f"{name}.parquet")
            for name in ("frames", "points", "shots")}  # fmt: skip
    found = (
        f"{rows['frames']} frames from the main camera, {rows['points']} points, "
        f"{rows['shots']} strokes"
    )
    size = f"{info.width_px}x{info.height_px} at {float(info.rate):g} frames a second"
    return LongReport(film_s, source.name, size, figures_of(samples), found)


def _rows(path: Path) -> int:
    import pyarrow.parquet as pq

    return int(pq.read_metadata(path).num_rows)

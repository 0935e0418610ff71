"""Measure the views and calibrate stages on fresh films, tier by tier.

Films are those of the tiers in ``configs/arena`` with unused seeds. No detector runs.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from rallymill import benchmarks, tableio, tables, video
from rallymill.courtfit import lock
from rallymill.courtfit.follow import ViewFollower
from rallymill.scoring import court_errors
from rallymill.scoring.court_errors import CourtErrors
from rallymill.scoring.rows import Goal, goal_text
from rallymill.stages import calibrate, views
from rallymill.stages.base import MatchContext

TIERS = ("broadcast", "club", "hostile")
BOUNDARY_FRAMES = 3
TIMED_FRAMES = 100
TIMED_FILMS = 9


@dataclass(frozen=True)
class FilmResult:
    """What was measured on one film or several: errors, and pairs of part and whole."""

    errors: CourtErrors = field(default_factory=CourtErrors.none)
    counts: dict[str, tuple[int, int]] = field(default_factory=dict)
    follow_ms: tuple[float, ...] = ()
    finish_ms: tuple[float, ...] = ()
    lock_s: tuple[float, ...] = ()

    def __add__(self, other: FilmResult) -> FilmResult:
        """Both together."""
        names = self.counts.keys() | other.counts.keys()
        none = (0, 0)
        counts = {
            name: (
                self.counts.get(name, none)[0] + other.counts.get(name, none)[0],
                self.counts.get(name, none)[1] + other.counts.get(name, none)[1],
            )
            for name in names
        }
        return FilmResult(
            self.errors + other.errors, counts, self.follow_ms + other.follow_ms,
            self.finish_ms + other.finish_ms, self.lock_s + other.lock_s,
        )


def measure(path: Path) -> FilmResult:
    """Run both stages on a film and compare with its truth."""
    match = MatchContext(path.stem, path)
    spans = views.STAGE.run(match, {}, views.ViewsConfig.model_validate({}))
    usual = calibrate.CalibrateConfig.model_validate({})
    cameras = calibrate.STAGE.run(match, {"views": spans}, usual)
    true = {
        name: tableio.read(path.with_name(f"{path.stem}.truth.{name}.parquet"), tables.ALL[name])
        for name in ("views", "frames")
    }
    return compare(
        spans.to_pandas(), cameras.to_pandas(), true["views"].to_pandas(),
        true["frames"].to_pandas(),
    )


def compare(
    found_views: pd.DataFrame, found: pd.DataFrame, true_views: pd.DataFrame, true: pd.DataFrame
) -> FilmResult:
    """Errors and counts of found spans and cameras against the true ones."""
    errors = court_errors.court_errors(found, true)
    placed = set(found[found["court_status"] != "lost"]["frame"])
    main = set(true["frame"])
    others = court_errors.labelled(true_views, "other", "replay", "graphic") - main
    replayed = court_errors.labelled(true_views, "replay") - main
    cuts, given = court_errors.boundaries(true_views), court_errors.boundaries(found_views)
    return FilmResult(errors, {
        "found": (len(placed & main), len(main)),
        "false": (len(placed & others), len(others)),
        "false, no replay": (len(placed & (others - replayed)), len(others - replayed)),
        "wrong": (int(np.sum(errors.frame_px > court_errors.WRONG_PX)), len(errors.frame_px)),
        "cuts": (court_errors.near_one(cuts, given, BOUNDARY_FRAMES), len(cuts)),
        "false cuts": (
            len(given) - court_errors.near_one(given, cuts, BOUNDARY_FRAMES), len(given)
        ),
        "replays": court_errors.replays_as_play(found_views, true_views),
        "main frames": (
            len(court_errors.labelled(found_views, "main") & main), len(main)
        ),
    })


def timed(path: Path) -> FilmResult:
    """Time of the first search and of following, on the first live stretch of a film.

    Processor time of one thread, which does all of this; decoding runs in others. A busy machine
    changes it little.
    """
    cv2.setNumThreads(1)
    true = tableio.read(path.with_name(f"{path.stem}.truth.frames.parquet"), tables.FRAMES)
    frames = true.to_pandas()
    if frames.empty:
        return FilmResult()
    start = int(frames["frame"].iloc[0])
    follower = ViewFollower()
    each: list[float] = []
    with video.frames(path, spans=[(start, start + TIMED_FRAMES - 1)]) as stream:
        for frame in islice(stream, TIMED_FRAMES):
            if not each:
                lock.lock(frame.image)  # compiled code is loaded before the clock runs
            began = time.thread_time()
            follower.add(frame.index, frame.t_s, frame.image)
            each.append(time.thread_time() - began)
    began = time.thread_time()
    follower.result()
    finish = 1000 * (time.thread_time() - began) / max(len(each), 1)
    return FilmResult(
        follow_ms=tuple(1000 * seconds for seconds in each[1:]), finish_ms=(finish,),
        lock_s=tuple(each[:1]),
    )


def _quiet_worker() -> None:
    """Workers share the cores: each stays on one."""
    cv2.setNumThreads(1)


def results(paths: Sequence[Path], workers: int) -> Iterator[FilmResult]:
    """Result of each film, in order."""
    if workers <= 1:
        yield from map(measure, paths)
        return
    with ProcessPoolExecutor(workers, initializer=_quiet_worker) as pool:
        yield from pool.map(measure, paths)


@dataclass(frozen=True)
class Line:
    """A row of the table: a quantity, its bound and the cell of each column."""

    quantity: str
    goal: Goal | None
    cells: tuple[str, ...]


def _value(values: np.ndarray, share: float) -> tuple[float | None, int]:
    return (float(np.quantile(values, share)), len(values)) if len(values) else (None, 0)


def _share(result: FilmResult, name: str) -> tuple[float | None, int]:
    part, whole = result.counts.get(name, (0, 0))
    return (part / whole if whole else None), whole


def _spread(result: FilmResult) -> tuple[float | None, int]:
    values = result.errors.normalised
    return (float(np.mean(values**2)), len(values)) if len(values) else (None, 0)


Measure = Callable[[FilmResult], tuple[float | None, int]]
MEASURES: tuple[tuple[str, str, Goal | None, Measure], ...] = (
    ("reprojection, median", "px", Goal("<=", 1.0), lambda r: _value(r.errors.reprojection_px, .5)),
    ("reprojection, 95th percentile", "px", Goal("<=", 3.0),
     lambda r: _value(r.errors.reprojection_px, .95)),
    ("ground at near baseline, median", "m", Goal("<=", 0.04),
     lambda r: _value(r.errors.near_m, .5)),
    ("ground at near baseline, 95th percentile", "m", Goal("<=", 0.15),
     lambda r: _value(r.errors.near_m, .95)),
    ("ground at far baseline, median", "m", Goal("<=", 0.04), lambda r: _value(r.errors.far_m, .5)),
    ("ground at far baseline, 95th percentile", "m", Goal("<=", 0.15),
     lambda r: _value(r.errors.far_m, .95)),
    ("height of 1 m at the baselines, median", "m", Goal("<=", 0.05),
     lambda r: _value(r.errors.height_m, .5)),
    ("found in main-camera frames, broadcast", "", Goal(">=", 0.99), lambda r: _share(r, "found")),
    ("found in main-camera frames, club", "", Goal(">=", 0.97), lambda r: _share(r, "found")),
    ("found in main-camera frames, hostile", "", Goal(">=", 0.90), lambda r: _share(r, "found")),
    ("found in frames of other views", "", Goal("<=", 0.001), lambda r: _share(r, "false")),
    ("  of these, not replays", "", None, lambda r: _share(r, "false, no replay")),
    ("wrong by more than 20 px yet reported", "", Goal("<=", 0.0), lambda r: _share(r, "wrong")),
    ("view boundaries within 3 frames", "", Goal(">=", 0.98), lambda r: _share(r, "cuts")),
    ("boundaries where there is none", "", None, lambda r: _share(r, "false cuts")),
    ("replays taken for play", "", Goal("<=", 0.02), lambda r: _share(r, "replays")),
    ("main-camera frames in main spans", "", None, lambda r: _share(r, "main frames")),
    ("mean square of error over stated deviation", "", None, _spread),
    ("processor time a frame while following, median", "ms", Goal("<=", 6.0),
     lambda r: _value(np.array(r.follow_ms), .5)),
    ("and at the end of a view, for each of its first 100 frames", "ms", None,
     lambda r: _value(np.array(r.finish_ms), .5)),
    ("processor time of the first search, longest", "s", Goal("<=", 1.5),
     lambda r: _value(np.array(r.lock_s), 1.0)),
)


def lines(by_tier: dict[str, FilmResult]) -> list[Line]:
    """Rows of the table, a column for each tier and one for all."""
    total = FilmResult()
    for one in by_tier.values():
        total = total + one
    columns = {**by_tier, "all": total}
    rows = []
    for quantity, unit, goal, figure in MEASURES:
        only = next((tier for tier in TIERS if quantity.endswith(f", {tier}")), None)
        cells = []
        for tier, result in columns.items():
            value, count = figure(result)
            if value is None or (only is not None and tier != only):
                cells.append("")
                continue
            missed = goal is not None and not goal.met(value)
            text = f"{value:.4g}{' ' + unit if unit else ''} ({count})"
            cells.append(f"**{text}**" if missed else text)
        rows.append(Line(quantity.strip(), goal, tuple(cells)))
    return rows


def table(by_tier: dict[str, FilmResult], n_films: int) -> str:
    """Markdown table of all measures; bounds that are missed stand in bold type."""
    out = [
        f"{n_films} films. In brackets how many points, frames or spans a figure rests on; bold: "
        "the bound is missed.",
        "",
        "| quantity | " + " | ".join([*by_tier, "all"]) + " | bound |",
        "| --- | " + "---: | " * (len(by_tier) + 1) + "--- |",
    ]
    for line in lines(by_tier):
        out.append(
            f"| {line.quantity} | " + " | ".join(line.cells) + f" | {goal_text(line.goal)} |"
        )
    return "\n".join(out) + "\n"


def run(
    first_seed: int, n_films: int, seconds: float, workers: int, folder: Path,
    keep_films: bool, say: Callable[[str], None],
) -> str:
    """Render films, run both stages on them and return the table; ``say`` takes progress.

    Raises
    ------
    ValueError
        Seeds outside the range that is kept for tests.
    """
    configs = benchmarks.fresh_configs(first_seed, n_films, seconds)
    paths = benchmarks.render_films(configs, folder, workers)
    by_tier = {tier: FilmResult() for tier in TIERS}
    for config, path, found in zip(configs, paths, results(paths, workers), strict=True):
        by_tier[config.tier] += found
        px = found.errors.reprojection_px
        middle = f"{np.median(px):.2f} px" if len(px) else "no court"
        counts = ", ".join(f"{name} {a}/{b}" for name, (a, b) in sorted(found.counts.items()))
        say(f"{path.stem}: {middle}; {counts}")
    for config, path in list(zip(configs, paths, strict=True))[:TIMED_FILMS]:
        # One at a time, so that nothing else runs while the clock does.
        by_tier[config.tier] += timed(path)
    if not keep_films:
        shutil.rmtree(folder)
    return table({tier: found for tier, found in by_tier.items() if found.counts}, n_films)

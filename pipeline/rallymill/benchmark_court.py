"""Measure the views and calibrate stages on fresh films, tier by tier.

Films are simulated matches with unused seeds. Live play between the cuts is shortened, so that a
few seconds hold several views; nothing else is changed. No detector runs.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from rallymill import tableio, tables, video
from rallymill.arena import film
from rallymill.arena.film_config import FilmConfig
from rallymill.arena.film_plan import Segment
from rallymill.courtfit import lock
from rallymill.courtfit.follow import ViewFollower
from rallymill.scoring import court_errors
from rallymill.scoring.court_errors import CourtErrors
from rallymill.scoring.rows import Goal, goal_text
from rallymill.stages import calibrate, views
from rallymill.stages.base import MatchContext

FIRST_SEED, LAST_SEED = 200_040, 209_999
TIERS = ("broadcast", "club", "hostile")
RATES = (Fraction(25), Fraction(30), Fraction(50), Fraction(24), Fraction(30000, 1001))
MAIN_S = 3.6
"""Live play kept before a cut, in seconds: as long as a replay shows again, and its run-up."""
SIZES = {"broadcast": (1280, 720), "club": (1280, 720), "hostile": (854, 480)}
BOUNDARY_FRAMES = 3
TIMED_FRAMES = 100


def config(seed: int) -> FilmConfig:
    """Configuration of the film of a seed; tiers take turns."""
    tier = TIERS[seed % len(TIERS)]
    rng = np.random.default_rng([seed, 91])
    rate = RATES[int(rng.integers(len(RATES)))]
    width, height = SIZES[tier]
    if tier == "broadcast" and rng.random() < 0.2:
        width, height = 1920, 1080
    hostile = tier == "hostile"
    return FilmConfig(
        name=f"court_{seed}", seed=seed, tier=tier, n_points=3, width_px=width, height_px=height,
        rate=rate, shutter_s=0.012 if hostile else 0.006, crf=31 if hostile else 22,
        cutaways=0.6, replays=0.4, score_graphic=tier != "club", pause_s=(6.0, 9.0),
        opening_s=0.8 if rng.random() < 0.3 else 0.0,
    )


def condensed(segments: Sequence[Segment], rate: Fraction, seconds: float) -> list[Segment]:
    """The last ``MAIN_S`` of each stretch of live play (the first of the last), all else whole.

    The result is cut after ``seconds``.
    """
    keep, most = max(1, round(MAIN_S * rate)), max(1, round(seconds * rate))
    done: list[Segment] = []
    at = 0
    for index, segment in enumerate(segments):
        length = segment.last_frame - segment.first_frame + 1
        dropped = max(0, length - keep) if segment.label == "main" else 0
        last = index == len(segments) - 1
        world_s = segment.world_s + (0.0 if last else float(dropped / rate) * segment.speed)
        length = min(length - dropped, most - at)
        if length > 0:
            done.append(replace(
                segment, first_frame=at, last_frame=at + length - 1, world_s=world_s
            ))
            at += length
    return done


def render(seed: int, seconds: float, folder: Path) -> Path:
    """Render the film of a seed unless it is there; its path."""
    path = folder / f"court_{seed}_{seconds:g}s.mp4"
    if not path.exists():
        made = film.make(config(seed))
        made = replace(made, segments=tuple(condensed(made.segments, made.config.rate, seconds)))
        unfinished = path.with_name(f"unfinished_{seed}.mp4")
        film.render(made, unfinished)
        for part in folder.glob(f"{unfinished.stem}.truth.*"):
            part.rename(part.with_name(part.name.replace(unfinished.stem, path.stem, 1)))
        unfinished.with_suffix(".sheet.yaml").unlink()
        unfinished.rename(path)
    return path


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


def _one(seed: int, seconds: float, folder: Path) -> tuple[int, FilmResult]:
    return seed, measure(render(seed, seconds, folder))


def _quiet_worker() -> None:
    """Workers share the cores: each stays on one."""
    cv2.setNumThreads(1)


def results(
    seeds: Sequence[int], seconds: float, workers: int, folder: Path
) -> Iterator[tuple[int, FilmResult]]:
    """Result of each seed's film, in order of the seeds."""
    folder.mkdir(parents=True, exist_ok=True)
    task = partial(_one, seconds=seconds, folder=folder)
    if workers <= 1:
        yield from map(task, seeds)
        return
    with ProcessPoolExecutor(workers, initializer=_quiet_worker) as pool:
        yield from pool.map(task, seeds)


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
    if not FIRST_SEED <= first_seed <= first_seed + n_films - 1 <= LAST_SEED:
        raise ValueError(f"seeds for this are {FIRST_SEED} to {LAST_SEED}")
    seeds = range(first_seed, first_seed + n_films)
    by_tier = {tier: FilmResult() for tier in TIERS}
    paths = []
    for seed, found in results(seeds, seconds, workers, folder):
        tier = config(seed).tier
        by_tier[tier] = by_tier[tier] + found
        paths.append((tier, folder / f"court_{seed}_{seconds:g}s.mp4"))
        px = found.errors.reprojection_px
        middle = f"{np.median(px):.2f} px" if len(px) else "no court"
        counts = ", ".join(f"{name} {a}/{b}" for name, (a, b) in sorted(found.counts.items()))
        say(f"{seed} {tier}: {middle}; {counts}")
    for tier, path in paths[: 3 * len(TIERS)]:
        # One at a time, so that nothing else runs while the clock does.
        by_tier[tier] = by_tier[tier] + timed(path)
    if not keep_films:
        shutil.rmtree(folder)
    return table({tier: found for tier, found in by_tier.items() if found.counts}, n_films)

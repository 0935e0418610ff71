"""The tables of a clip side by side: what the run wrote and what is true."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from rallymill import tableio, tables
from rallymill.errors import InputError, TableError

log = logging.getLogger(__name__)

TRUTH_TABLES = ("views", "frames", "tracks", "arcs", "events", "shots", "points")
PREDICTED_TABLES = (*TRUTH_TABLES, "flags", "detections")


@dataclass(frozen=True)
class Clip:
    """Tables of one clip; a table that is not there is absent and ``missing`` says why.

    Keys of ``missing`` are ``truth <table>`` and ``predicted <table>``. ``seconds`` is the time
    that the run took for the clip and ``duration_s`` its length, None where not recorded.
    """

    name: str
    match_id: str
    predicted: Mapping[str, pa.Table]
    truth: Mapping[str, pa.Table]
    missing: Mapping[str, str]
    duration_s: float | None = None
    seconds: float | None = None

    def frames_of(self, name: str) -> tuple[pd.DataFrame, pd.DataFrame] | str:
        """Predicted and true table as data frames, or the reason why one is not there."""
        for source, found in (("truth", self.truth), ("predicted", self.predicted)):
            if name not in found:
                return self.missing.get(f"{source} {name}", f"no {source} table {name}")
        return self.predicted[name].to_pandas(), self.truth[name].to_pandas()

    def frame_s(self) -> float:
        """Length of a frame in seconds, from the true frames; 1/25 s where there are none."""
        if "frames" not in self.truth or self.truth["frames"].num_rows < 2:
            return 1 / 25
        frames = self.truth["frames"].to_pandas().sort_values("frame")
        steps = np.diff(frames["t_s"]) / np.diff(frames["frame"])
        return float(np.median(steps))

    def main_spans(self) -> NDArray[np.float64]:
        """Start and end of each true main-camera span, shape (N, 2), in seconds."""
        if "frames" not in self.truth or not self.truth["frames"].num_rows:
            return np.zeros((0, 2))
        times = self.truth["frames"].to_pandas().groupby("view_id")["t_s"].agg(["min", "max"])
        spans = times.to_numpy(dtype=float, copy=True)
        spans[:, 1] += self.frame_s()
        return spans

    def known_spans(self) -> NDArray[np.float64]:
        """Spans that truth speaks about, whatever they show, shape (N, 2), in seconds.

        A contact that is found in a span which truth says is no main view is a false one.
        """
        if "views" not in self.truth or not self.truth["views"].num_rows:
            return self.main_spans()
        return self.truth["views"].to_pandas()[["start_s", "end_s"]].to_numpy(dtype=float)


def inside(times_s: NDArray[np.float64], spans: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each time (N,) lies in one of the spans (M, 2), ends included."""
    times = np.asarray(times_s, dtype=float)[:, None]
    held = (times >= spans[:, 0] - 1e-9) & (times <= spans[:, 1] + 1e-9)
    return np.asarray(held.any(axis=1))


def _read(path: Path, name: str) -> pa.Table | str:
    if not path.is_file():
        return f"no file {path.name}"
    try:
        return tableio.read(path, tables.ALL[name])
    except TableError as error:
        return f"{path.name}: {error.problem}"


def _seconds(folder: Path) -> float | None:
    """Time that the stages took, summed over the metadata of their tables; None if not recorded."""
    found = []
    for name in (*PREDICTED_TABLES, "people"):
        recorded = tableio.read_metadata(folder / f"{name}.parquet").get("rallymill.seconds")
        if recorded is not None:
            found.append(float(recorded))
    return sum(found) if found else None


def _truth_files(truth_dir: Path) -> dict[str, dict[Path, dict[str, Path]]]:
    """Truth files by stem, by folder relative to the truth's, and by table."""
    found: dict[str, dict[Path, dict[str, Path]]] = {}
    for path in sorted(truth_dir.rglob("*.truth.*.parquet")):
        stem, table = path.name.removesuffix(".parquet").rsplit(".truth.", 1)
        folder = path.parent.relative_to(truth_dir)
        found.setdefault(stem, {}).setdefault(folder, {})[table] = path
    return found


def _truth_of(
    file: Path, found: Mapping[str, Mapping[Path, Mapping[str, Path]]]
) -> Mapping[str, Path]:
    """Truth files of a recording: from the same folder if there are some, else the first ones."""
    folders = found.get(file.stem, {})
    if file.parent in folders:
        return folders[file.parent]
    return next(iter(folders.values()), {})


def load(out_dir: Path, truth_dir: Path, match: str | None = None) -> list[Clip]:
    """Clips of a run for which there is truth, in the order of their file names.

    ``out_dir`` holds ``matches.parquet`` and ``matches/<match_id>/<table>.parquet``; ``truth_dir``
    holds, at any depth, ``<stem>.truth.<table>.parquet``. ``match`` picks one by its identifier or
    by the stem of its file.

    Raises
    ------
    InputError
        No match, or none with truth.
    """
    try:
        matches = tableio.read(out_dir / "matches.parquet", tables.MATCHES).to_pandas()
    except TableError as error:
        raise InputError(error.problem, error.remedy) from error
    all_files = _truth_files(truth_dir)
    stems = [Path(str(file)).stem for file in matches["file"]]
    clips = []
    for row in matches.sort_values("file").itertuples():
        stem = Path(str(row.file)).stem
        if match is not None and match not in (row.match_id, stem):
            continue
        truth_files = _truth_of(Path(str(row.file)), all_files)
        if not truth_files:
            log.info("%s: no truth under %s, not scored", row.file, truth_dir)
            continue
        folder = out_dir / "matches" / str(row.match_id)
        predicted, truth, missing = {}, {}, {}
        for name in PREDICTED_TABLES:
            found = _read(folder / f"{name}.parquet", name)
            if isinstance(found, str):
                missing[f"predicted {name}"] = found
            else:
                predicted[name] = found
        for name in TRUTH_TABLES:
            if name not in truth_files:
                missing[f"truth {name}"] = f"no truth table {name}"
                continue
            found = _read(truth_files[name], name)
            if isinstance(found, str):
                missing[f"truth {name}"] = found
            else:
                truth[name] = found
        duration = float(row.duration_s) if pd.notna(row.duration_s) else None
        whole = Path(str(row.file)).with_suffix("").as_posix()
        clips.append(
            Clip(
                stem if stems.count(stem) == 1 else whole,
                str(row.match_id),
                predicted,
                truth,
                missing,
                duration,
                _seconds(folder),
            )
        )
    if not clips:
        wanted = f"match {match}" if match is not None else "any match"
        raise InputError(
            f"no truth for {wanted} of {out_dir} under {truth_dir}",
            "truth files are named <video stem>.truth.<table>.parquet",
        )
    return clips

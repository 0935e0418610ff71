from __future__ import annotations

from fractions import Fraction
from functools import lru_cache, partialmethod
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
import yaml

from rallymill import camera_spread, court, tableio, tables, video
from rallymill.camera import Camera, from_matrix
from rallymill.courtfit import solve
from rallymill.courtfit.follow import ViewFollower
from rallymill.courtfit.lock import NotFound
from rallymill.errors import InputError
from rallymill.scoring.court_errors import whitened
from rallymill.stages import calibrate, cameras
from rallymill.stages import views as looking
from rallymill.stages.base import MatchContext
from tests.courtfit.pictures import Scene, broadcast_camera, draw

WIDTH, HEIGHT, RATE = 640, 360, 25
CORNERS = np.array([p for p in court.named_points().values() if p[2] == 0])
CONFIG = calibrate.CalibrateConfig()


def moving_camera(frame: int) -> Camera:
    """A camera that pans, tilts and zooms from one place."""
    t = frame / RATE
    step = np.zeros(solve.N_UNKNOWNS)
    step[:4] = 0.06 * np.sin(2 * t), 0.01 * np.sin(3 * t), 0.06 * np.sin(1.7 * t), 0.0
    return camera_spread.moved(broadcast_camera(np.random.default_rng(3), WIDTH, HEIGHT), step)


@lru_cache(maxsize=1)
def pictures() -> list[np.ndarray]:
    scene = Scene("clay", noise=2.0, people=2, quality=100, seed=1)
    return [draw(moving_camera(frame), scene) for frame in range(24)]


def shoot(path: Path, images: list[np.ndarray]) -> Path:
    with video.Writer(path, WIDTH, HEIGHT, Fraction(RATE)) as out:
        for image in images:
            out.write(image)
    return path


def spans(*rows: tuple[int, int, str]) -> pa.Table:
    return tableio.from_rows(tables.VIEWS, [
        {"match_id": "m", "view_id": number, "first_frame": first, "last_frame": last,
         "start_s": first / RATE, "end_s": (last + 1) / RATE, "label": label}
        for number, (first, last, label) in enumerate(rows)
    ])


def errors_px(row: dict, truth: Camera) -> np.ndarray:
    found = from_matrix(row["camera"], row["width_px"], row["height_px"], row["k1"])
    seen = truth.project(CORNERS)
    inside = (seen > 0).all(1) & (seen < [WIDTH, HEIGHT]).all(1)
    return np.linalg.norm(found.project(CORNERS) - seen, axis=1)[inside]


def test_no_main_span_no_frames(tmp_path):
    path = shoot(tmp_path / "a.mp4", pictures()[:3])
    match = MatchContext("m", path)
    for views in (tables.VIEWS.empty(), spans((0, 2, "other"))):
        table = calibrate.STAGE.run(match, {"views": views}, CONFIG)
        assert table.num_rows == 0
        tableio.check(tables.FRAMES, table)


def test_camera_is_followed_through_pan_and_zoom(tmp_path):
    path = shoot(tmp_path / "a.mp4", pictures())
    table = calibrate.STAGE.run(MatchContext("m", path), {"views": spans((0, 23, "main"))}, CONFIG)
    rows = table.to_pylist()
    assert [row["frame"] for row in rows] == list(range(24))
    assert {row["court_status"] for row in rows} == {"found", "tracked"}
    errors = [np.median(errors_px(row, moving_camera(row["frame"]))) for row in rows]
    assert np.median(errors) < 0.1
    assert max(errors) < 0.3
    # One place for all frames, and the true one: heights depend on it.
    centres = np.array([
        from_matrix(row["camera"], WIDTH, HEIGHT, row["k1"]).centre_m for row in rows
    ])
    assert np.ptp(centres, axis=0).max() < 1e-6
    assert np.linalg.norm(centres[0] - moving_camera(0).centre_m) < 0.3


def test_stated_ground_deviation_is_about_the_error(tmp_path):
    path = shoot(tmp_path / "a.mp4", pictures())
    table = calibrate.STAGE.run(MatchContext("m", path), {"views": spans((0, 23, "main"))}, CONFIG)
    errors = []
    for row in table.to_pylist():
        found = from_matrix(row["camera"], WIDTH, HEIGHT, row["k1"])
        off = (found.ground(moving_camera(row["frame"]).project(CORNERS)) - CORNERS)[:, :2]
        stated = camera_spread.unpack(row["camera_covariance"])
        errors.append(whitened(off, camera_spread.ground_covariance(found, stated, CORNERS)))
        far_m = camera_spread.ground_sd_m(found, stated, [[0.0, court.HALF_LENGTH_M, 0.0]])
        assert row["position_sd_m"] == pytest.approx(far_m[0], rel=1e-3)
        assert row["position_sd_m"] < 0.05
    # These pictures have nothing of what real ones err by, and what stays is one draw of it.
    assert 0.01 < np.mean(np.square(errors)) < 3.0


def test_covered_court_is_lost_and_found_again(tmp_path):
    images = list(pictures())
    noise = np.random.default_rng(0)
    for frame in range(8, 17):
        images[frame] = noise.integers(0, 255, images[frame].shape, dtype=np.uint8)
    path = shoot(tmp_path / "a.mp4", images)
    table = calibrate.STAGE.run(MatchContext("m", path), {"views": spans((0, 23, "main"))}, CONFIG)
    rows = table.to_pylist()
    for row in rows[8:17]:
        assert row["court_status"] == "lost"
        assert row["camera"] is None
    for row in [*rows[:8], *rows[17:]]:
        assert row["court_status"] != "lost"
        assert np.median(errors_px(row, moving_camera(row["frame"]))) < 0.5


def test_late_start_is_filled_backwards(tmp_path):
    images = list(pictures())
    # Half of the first pictures is hidden, so that no first lock is made on them.
    for frame in range(4):
        images[frame] = images[frame].copy()
        images[frame][:, 250:] = (60, 40, 30)
    path = shoot(tmp_path / "a.mp4", images)
    table = calibrate.STAGE.run(MatchContext("m", path), {"views": spans((0, 23, "main"))}, CONFIG)
    status = [row["court_status"] for row in table.to_pylist()]
    assert "lost" not in status[4:]
    assert status.count("found") == 1


def test_resumes_from_the_spans_that_were_done(tmp_path):
    path = shoot(tmp_path / "a.mp4", pictures())
    views = spans((0, 11, "main"), (12, 14, "other"), (15, 23, "main"))
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    shares: list[float] = []
    match = MatchContext("m", path, scratch=scratch, progress=shares.append)
    whole = calibrate.STAGE.run(match, {"views": views}, CONFIG)
    assert sorted(file.name for file in scratch.iterdir()) == [
        "view00000.parquet", "view00002.parquet",
    ]
    (scratch / "view00002.parquet").unlink()
    # Told frame by frame, since a view may last for hours.
    assert shares == sorted(shares) and len(shares) > 20 and shares[-1] == 1.0
    shares.clear()
    again = calibrate.STAGE.run(match, {"views": views}, CONFIG)
    assert shares[0] == 0.5
    # To the last bit, or the stages after it would have to run again.
    assert again.equals(whole)
    # A damaged checkpoint is made again, not believed.
    (scratch / "view00000.parquet").write_bytes(b"no parquet")
    third = calibrate.STAGE.run(match, {"views": views}, CONFIG)
    assert third.num_rows == whole.num_rows


def test_doubtful_frames_become_lost():
    camera = moving_camera(0)
    from rallymill.courtfit.follow import FrameCamera

    def spread(sd_m: float) -> np.ndarray:
        covariance = np.zeros((8, 8))
        covariance[4, 4] = sd_m**2
        return covariance

    done = [
        FrameCamera(0, 0.0, "tracked", camera, 0.3, spread(0.01)),
        FrameCamera(1, 0.04, "tracked", camera, 9.0, spread(0.01)),
        FrameCamera(2, 0.08, "tracked", camera, 0.3, spread(5.0)),
        FrameCamera(3, 0.12, "lost"),
    ]
    table = calibrate.frames_table("m", 0, done, (WIDTH, HEIGHT), CONFIG)
    assert table.column("court_status").to_pylist() == ["tracked", "lost", "lost", "lost"]
    assert table.column("camera").null_count == 3
    assert table.column("position_sd_m").to_pylist()[0] == pytest.approx(0.01, rel=1e-6)
    kept = cameras.covariances_of(table.to_pandas())
    assert kept[0] == pytest.approx(spread(0.01))
    assert kept[1:] == (None, None, None)


def given_points(path: Path, frame: int) -> None:
    """Write the points that the true camera sees in a frame beside a film."""
    known = court.named_points()
    camera = moving_camera(frame)
    seen = {name: camera.project(known[name]) for name in known}
    points = {
        name: [round(float(value), 1) for value in place] for name, place in seen.items()
        if (place > 0).all() and (place < [WIDTH - 1, HEIGHT - 1]).all()
    }
    content = {"frames": [{"at_s": frame / RATE, "points": points}]}
    path.with_name(f"{path.stem}.court.yaml").write_text(yaml.safe_dump(content))


def test_given_points_find_a_court_that_no_search_finds(tmp_path, monkeypatch):
    monkeypatch.setattr(
        "rallymill.courtfit.lock.lock", lambda image: NotFound("no search in this test")
    )
    monkeypatch.setattr(ViewFollower, "__init__", partialmethod(
        ViewFollower.__init__, find=lambda image: NotFound("no search in this test")
    ))
    path = shoot(tmp_path / "a.mp4", pictures()[:8])
    views_in = {"views": spans((0, 7, "main"))}
    before = calibrate.STAGE.run(MatchContext("m", path), views_in, CONFIG)
    assert set(before.column("court_status").to_pylist()) == {"lost"}
    given_points(path, 3)
    rows = calibrate.STAGE.run(MatchContext("m", path), views_in, CONFIG).to_pylist()
    assert "lost" not in {row["court_status"] for row in rows}
    assert np.median([np.median(errors_px(r, moving_camera(r["frame"]))) for r in rows]) < 0.2
    labelled = looking.STAGE.run(MatchContext("m", path), {}, looking.ViewsConfig()).to_pylist()
    assert [row["label"] for row in labelled] == ["main"]


def test_given_points_that_cannot_be_are_refused(tmp_path):
    path = shoot(tmp_path / "a.mp4", pictures()[:3])
    given_points(path, 40)
    with pytest.raises(InputError, match=r"a\.court\.yaml: no frame at 1\.6 s"):
        calibrate.STAGE.run(MatchContext("m", path), {"views": spans((0, 2, "main"))}, CONFIG)

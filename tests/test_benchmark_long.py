"""Films of any length, and what is told of a run over one."""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np
import psutil
import pyarrow as pa
import pytest

from rallymill import (
    benchmark_long,
    benchmark_long_memory,
    benchmark_long_tables,
    tableio,
    tables,
    video,
)
from rallymill.benchmark_long import LongReport, Sample
from rallymill.benchmark_long_memory import Held
from rallymill.stages.views.replay import BACK_S
from tests.films import film


def test_rounds_follow_each_other_without_a_gap(tmp_path):
    source = film(tmp_path / "source.mp4", n=30, rate=25)
    length_s = benchmark_long.loop(source, 5.0, tmp_path / "long.mp4")
    assert length_s == pytest.approx(6.0)
    with video.frames(tmp_path / "long.mp4") as stream:
        found = list(stream)
    n_rounds = round(length_s / 1.2)
    assert len(found) == 30 * n_rounds
    assert np.allclose(np.diff([frame.t_s for frame in found]), 0.04, atol=1e-4)
    assert not any(frame.repaired for frame in found)
    for frame in found[30:]:
        assert np.array_equal(frame.image, found[frame.index % 30].image)


def test_a_reel_is_too_long_for_its_play_to_pass_for_a_replay(tmp_path):
    source = film(tmp_path / "source.mp4", n=40, rate=2)
    length_s = benchmark_long.write_reel(source, tmp_path / "reel.mp4")
    assert length_s > BACK_S + 2.0
    with video.frames(tmp_path / "reel.mp4") as stream:
        times = [frame.t_s for frame in stream]
    assert np.allclose(np.diff(times), 0.5, atol=1e-3)
    assert times[-1] + 0.5 == pytest.approx(length_s)


def test_stages_and_thirds():
    samples = [
        Sample(k * 1.0, stage, memory, cpu)
        for k, (stage, memory, cpu) in enumerate([
            ("start", 50.0, 0.0), ("views", 100.0, 1.0), ("views", 300.0, 2.0),
            ("views", 200.0, 3.0), ("detect", 900.0, 4.0), ("detect", 950.0, 6.0),
            ("detect", 940.0, 8.0),
        ])
    ]  # fmt: skip
    start, views, detect = benchmark_long.figures_of(samples)
    assert (views.wall_s, views.cpu_s, views.peaks_mib) == (3.0, 3.0, (100.0, 300.0, 200.0))
    assert (detect.wall_s, detect.cpu_s) == (2.0, 4.0)
    report = LongReport(7.0, "a.mp4", "1280x720", [start, views, detect], "nothing", 2)
    assert report.peak_mib == 950.0
    assert report.good
    assert not LongReport(5.0, "a.mp4", "1280x720", [start, views, detect], "nothing", 2).good
    assert "| views | 3.0 s | 3.0 s | 0.429 s | 100, 300, 200 MiB |" in report.text()


def test_what_a_process_and_its_children_hold_and_use():
    script = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; held = bytearray(80 << 20);"
        " time.sleep(60)'])\n"
        "try:\n    sys.stdin.readline()\nfinally:\n    child.kill()\n    child.wait()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script], stdin=subprocess.PIPE)
    spent: dict[int, float] = {}
    try:
        watched, deadline = psutil.Process(process.pid), time.monotonic() + 30
        while True:
            sample = benchmark_long._sample(watched, 0.0, "views", spent)
            if sample.memory_mib > 80 or time.monotonic() > deadline:
                break
            time.sleep(0.05)
        assert 80 < sample.memory_mib < 400
        assert len(spent) == 2
        assert sample.cpu_s == pytest.approx(sum(spent.values()))
    finally:
        process.communicate(b"\n")


def test_laid_out_tables_keep_apart_what_is_apart():
    def rows(spec, **columns):
        ids = [benchmark_long_tables.MATCH_ID] * len(next(iter(columns.values())))
        return tableio.from_columns(spec, {"match_id": ids, **columns})

    one = {
        "views": rows(tables.VIEWS, view_id=[0, 1], first_frame=[0, 50], last_frame=[49, 99],
                      start_s=[0.0, 2.0], end_s=[2.0, 4.0], label=["main", "other"],
                      confidence=[1.0, 1.0], reason=["", ""]),
        "people": pa.table({"frame": [1, 2], "track_id": [3, 4]}),
        "arcs": pa.table({"arc_id": [0, 1], "rally_id": [0, 0], "start_s": [0.1, 0.9]}),
    }  # fmt: skip
    made = benchmark_long_tables.laid_out([one], 3, ("views", "people", "arcs"), False)
    views = made["views"].to_pydict()
    assert views["view_id"] == list(range(6))
    assert views["first_frame"] == [0, 50, 100, 150, 200, 250]
    assert views["start_s"] == pytest.approx([0, 2, 4, 6, 8, 10])
    assert made["people"]["track_id"].to_pylist() == [3, 4, 8, 9, 13, 14]
    assert made["arcs"]["arc_id"].to_pylist() == list(range(6))
    assert made["arcs"]["rally_id"].to_pylist() == [0, 0, 1, 1, 2, 2]
    assert made["arcs"]["start_s"].to_pylist() == pytest.approx([0.1, 0.9, 4.1, 4.9, 8.1, 8.9])
    whole = benchmark_long_tables.laid_out([one], 2, ("views",), True)
    assert set(whole["views"]["view_id"].to_pylist()) == {0}


def test_memory_of_two_hours_is_told_by_the_growth():
    found = {
        10.0: [Held("people", 200.0, 300.0), Held("track", 210.0, 250.0)],
        30.0: [Held("people", 200.0, 340.0), Held("track", 230.0, 250.0)],
    }
    assert benchmark_long_memory.told_mib(found) == [("people", 520.0), ("track", 250.0)]
    assert benchmark_long_memory.good(found)
    assert "| people | 200, 300 MiB | 200, 340 MiB | 520 MiB |" in benchmark_long_memory.text(found)
    found[30.0][1] = Held("track", 230.0, 1250.0)
    assert not benchmark_long_memory.good(found)


def test_memory_is_measured_in_a_process_of_its_own():
    one = {
        name: tables.ALL[name].empty() for name in ("detections", "people", "arcs")
    } | {
        "views": tableio.from_rows(tables.VIEWS, [{
            "match_id": benchmark_long_tables.MATCH_ID, "view_id": 0, "first_frame": 0,
            "last_frame": 49, "start_s": 0.0, "end_s": 120.0, "label": "main",
        }]),
        "frames": tableio.from_rows(tables.FRAMES, [{
            "match_id": benchmark_long_tables.MATCH_ID, "frame": k, "t_s": k / 25, "view_id": 0,
            "camera": None if k == 3 else [float(n + 1) for n in range(12)],
            "court_status": "lost", "width_px": 1280, "height_px": 720,
        } for k in range(50)]),
    }  # fmt: skip
    apart = benchmark_long_memory.one_camera_a_frame(one["frames"])["camera"].to_pylist()
    assert apart[3] is None and len({tuple(each) for each in apart if each}) == 49
    assert np.allclose(apart[49], one["frames"]["camera"][49].as_py(), rtol=1e-7)
    found = benchmark_long_memory.measure(lambda line: None, [one], {}, (1, 2))
    assert list(found) == [2.0, 4.0]
    for held in found.values():
        assert [each.stage for each in held][:3] == ["people", "track", "events"]
        assert all(50 < each.before_mib < 2000 for each in held)
        assert all(each.most_mib > each.before_mib - 1 for each in held)

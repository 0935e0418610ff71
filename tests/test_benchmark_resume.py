"""The measurement of killed runs, with a network that stands for the real one."""

from __future__ import annotations

import os
from pathlib import Path

from films import film
from rallymill import benchmark_resume
from rallymill.benchmark_resume import KillReport

FAKES = Path(__file__).parent / "runner"


def test_kills_lose_no_finished_table_or_chunk(tmp_path, monkeypatch):
    paths = [str(FAKES), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(path for path in paths if path))
    monkeypatch.syspath_prepend(str(FAKES))
    monkeypatch.setenv("RALLYMILL_STAGES", "fakes:CHUNKED")
    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")
    monkeypatch.setenv("RALLYMILL_HOME", str(tmp_path))
    films = tmp_path / "films"
    films.mkdir()
    film(films / "a.mp4", n=240)
    said: list[str] = []
    report = benchmark_resume.kill_and_resume(
        films, tmp_path / "bench", 1, 3, said.append, chunk_frames=10
    )
    assert report.good, report.text()
    assert len(report.kill_times_s) == 1
    assert report.tables == 3
    # Five chunks of two seconds, the least, some of which the kill left for the next run to do.
    assert report.chunks == 5
    assert report.chunks_at_kill[0] < 5
    assert "made again after they were finished: none" in report.text()
    assert not list((tmp_path / "bench" / "killed").rglob(".scratch"))


def test_what_was_made_twice_is_not_good():
    clean = KillReport((1.0,), (1,), (3,), 3, 5, (), (), ())
    assert clean.good
    for fault in ({"different": ("a",)}, {"again": ("a",)}, {"chunks_again": ("a",)}):
        assert not KillReport(**{**vars(clean), **fault}).good
    assert not KillReport((1.0,), (1,), (3,), 0, 0, (), (), ()).good


def test_chunks_are_counted_by_the_log(tmp_path):
    log = tmp_path / "matches" / "m-1" / "log.txt"
    log.parent.mkdir(parents=True)
    line = "2026-11-25 16:00:00,000 DEBUG rallymill.stages.checkpoints: chunk {} is kept\n"
    log.write_text(line.format("a") + line.format("b") + line.format("a"))
    assert benchmark_resume.finished_chunks(tmp_path) == {"m-1/a": 2, "m-1/b": 1}

"""What a run says before it starts: time, room, and files that are still being copied."""

from __future__ import annotations

import os
import threading
import time

import fakes
import pytest

from films import film
from rallymill import config as configuration
from rallymill.runner import copying, folder, plan
from rallymill.runner.store import MatchRecord, MatchStore, read_record

STAGES = fakes.STAGES


def keep(out, match_id, finished, packets=1000, resumed=()):
    record = MatchRecord(match_id, f"{match_id}.mp4", f"/{match_id}.mp4", match_id)
    record.finished, record.resumed = finished, list(resumed)
    record.video = {"packets": packets}
    MatchStore(out, match_id).write_record(record)


def config(root, **execution):
    return configuration.build({"execution": execution}, STAGES, root, None)


def work(n_frames, stages=("views", "detect"), file="a.mp4"):
    return plan.Work(file, None, n_frames, stages)


def test_nothing_to_do_takes_no_time(tmp_path):
    found = plan.estimate([], plan.Speeds({}, "x"), config(tmp_path))
    assert (found.low_s, found.likely_s, found.high_s) == (0.0, 0.0, 0.0)
    assert plan.measured(tmp_path) is None
    assert plan.room_needed([], tmp_path, STAGES) == 0


def test_speeds_are_those_of_earlier_matches(tmp_path):
    keep(tmp_path, "a", {"views": 10.0, "detect": 100.0})
    keep(tmp_path, "b", {"views": 30.0, "detect": 200.0})
    keep(tmp_path, "c", {"views": 20.0, "detect": 1.0}, resumed=["detect"])
    found = plan.measured(tmp_path)
    assert found.source == "from the speed of 3 earlier matches here"
    assert found.of("views") == (0.01, 0.02, 0.03)
    # What was begun by an earlier run does not count: it looks faster than it is.
    assert found.of("detect") == pytest.approx((0.1, 0.15, 0.2))
    low, likely, high = found.of("flags")
    assert low < likely < high
    time_of = plan.estimate([work(2000)], found, config(tmp_path))
    assert time_of.likely_s == pytest.approx(2000 * (0.02 + 0.15))
    assert (time_of.low_s, time_of.high_s) == pytest.approx((2000 * 0.11, 2000 * 0.23))


def test_one_match_leaves_a_span(tmp_path):
    keep(tmp_path, "a", {"views": 10.0})
    low, likely, high = plan.measured(tmp_path).of("views")
    assert low < likely == 0.01 < high


def test_workers_share_cores_and_the_longest_match_bounds(tmp_path, monkeypatch):
    speeds = plan.Speeds({"views": (1.0, 1.0, 1.0)}, "x")
    works = [work(n, ("views",)) for n in (30, 10, 10, 10)]
    monkeypatch.setattr(os, "cpu_count", lambda: 4)

    def likely(**execution):
        return plan.estimate(works, speeds, config(tmp_path, **execution)).likely_s

    assert likely(workers=1) == 60
    assert likely(workers=2, threads=2) == 30
    assert likely(workers=4, threads=2) == 30
    assert likely(workers=4, threads=1) == 30
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert likely(workers=4, threads=2) == 60


def test_probe_measures_the_cost_of_a_frame(world, monkeypatch):
    film(world.films / "long.mp4", n=150)
    given = configuration.build({}, fakes.CHUNKED, world.root, None)
    works = [plan.Work("long.mp4", world.films / "long.mp4", 150, ("views", "detect"))]
    assert plan.speeds(world.out, works, fakes.CHUNKED, given, True).source.startswith("from ref")
    monkeypatch.setattr(plan, "LEAST_FRAMES", 100)
    found = plan.speeds(world.out, works, fakes.CHUNKED, given, True)
    assert found.source == "from 2 s of long.mp4 that were read for it"
    # The network of the fakes takes 0.03 s a frame.
    low, likely, high = found.of("detect")
    assert low < likely < high
    # Two threads look at 0.03 s a frame each; other work may stand in the way.
    assert 0.0125 < likely < 0.3
    assert not world.out.exists()
    assert plan.speeds(world.out, works, fakes.CHUNKED, given, False).source.startswith("from ref")


def test_probe_that_fails_falls_back(world, monkeypatch):
    (world.films / "broken.mp4").write_text("not a film")
    works = [plan.Work("broken.mp4", world.films / "broken.mp4", 99_999, ("views",))]
    found = plan.speeds(world.out, works, STAGES, world.config(), True)
    assert found.source.startswith("from reference figures")


def test_room_is_asked_for_before_anything_starts(world, monkeypatch):
    film(world.films / "a.mp4", n=50)
    film(world.films / "b.mp4", n=50)
    needed = plan.room_needed(sorted(world.films.iterdir()), world.out, STAGES)
    assert needed == pytest.approx(100 * plan.REFERENCE_BYTES, rel=0.05)
    monkeypatch.setattr(plan, "room_free", lambda out: needed)
    with pytest.raises(plan.NoRoomError, match=r"needs about 200 MB, .* has 250 kB free") as caught:
        world.run()
    assert "--out" in caught.value.remedy
    assert world.ran() == []
    monkeypatch.undo()
    monkeypatch.setenv(fakes.LEDGER, str(world.ledger))
    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")


def test_a_file_that_nobody_can_look_at_does_not_end_the_night(world, monkeypatch):
    film(world.films / "a.mp4", n=20)

    def probe(path):
        raise ZeroDivisionError("as the test asks")

    monkeypatch.setattr(plan.video, "probe", probe)
    assert plan.room_needed(list(world.films.iterdir()), world.out, STAGES) == 0


def test_a_film_of_an_unknown_codec_is_listed(world):
    path = film(world.films / "a.mp4", n=20)
    path.write_bytes(path.read_bytes().replace(b"avc1", b"zzzz"))
    (row,) = world.run().rows
    assert row["status"] == "not_read"
    assert "no picture in it" in row["reason"] and row["remedy"]


def test_room_is_not_asked_for_what_was_read_before(world, monkeypatch):
    film(world.films / "a.mp4", n=50)
    world.run()
    assert plan.room_needed(list(world.films.iterdir()), world.out, STAGES) == 0
    film(world.films / "b.mp4", n=50)
    assert plan.room_needed(list(world.films.iterdir()), world.out, STAGES) > 0
    assert plan.room_free(world.root / "not" / "there") > 0
    assert [plan.size(n) for n in (12, 1234, 5e6, 12e9)] == ["12 B", "1.23 kB", "5 MB", "12 GB"]


def test_old_files_are_not_watched(tmp_path):
    path = tmp_path / "a.mp4"
    path.touch()
    assert copying.young(path)
    os.utime(path, (time.time() - 3600, time.time() - 3600))
    assert not copying.young(path)
    began = time.monotonic()
    assert copying.still_growing([path, tmp_path / "gone.mp4"], 5.0) == set()
    assert time.monotonic() - began < 1.0


def growing(path, seconds, data=b""):
    """Write to a file for some seconds, then leave ``data`` in it."""

    def write():
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            with open(path, "ab") as out:
                out.write(b"x")
            time.sleep(0.02)
        if data:
            path.write_bytes(data)

    thread = threading.Thread(target=write)
    thread.start()
    time.sleep(0.05)
    return thread


def test_file_that_grows_waits_for_the_next_run(world):
    film(world.films / "a.mp4", n=20)
    whole = film(world.root / "whole.mp4", n=30).read_bytes()
    thread = growing(world.films / "b.mp4", 4.0, whole)
    result = world.run({"execution": {"copying_wait_s": 0.2}})
    assert result.waiting == ["b.mp4"]
    assert [row["file"] for row in result.rows] == ["a.mp4"]
    thread.join()
    result = world.run({"execution": {"copying_wait_s": 0.2}})
    assert result.waiting == []
    assert [row["status"] for row in result.rows] == ["read", "read"]


def test_file_that_is_whole_by_the_end_is_read_in_the_same_run(world):
    film(world.films / "a.mp4", n=20)
    whole = film(world.root / "whole.mp4", n=30).read_bytes()
    thread = growing(world.films / "b.mp4", 0.3, whole)
    result = world.run({"execution": {"copying_wait_s": 0.2}, "views": {"wait_s": 1.0}})
    thread.join()
    assert result.waiting == []
    assert [row["file"] for row in result.rows] == ["a.mp4", "b.mp4"]


def test_file_that_changes_while_it_is_hashed_waits(world, monkeypatch):
    film(world.films / "a.mp4", n=20)

    def changed(path):
        with open(path, "ab") as out:
            out.write(b"x")
        return "0" * 64

    monkeypatch.setattr(folder, "content_hash", changed)
    result = world.run()
    assert (result.waiting, result.rows) == (["a.mp4"], [])
    assert world.ran() == []


def test_resumed_stage_is_noted(one):
    (row,) = one.run({"detect": {"trouble": "kill_once"}}, isolated=True).rows
    record = read_record(one.out / "matches" / row["match_id"])
    assert record.resumed == ["detect"]
    one.run({"detect": {"confidence": 0.6}})
    record = read_record(one.out / "matches" / row["match_id"])
    assert record.resumed == []


def test_row_of_a_match_is_told(one):
    (row,) = one.run().rows
    (told,) = [event for _, event in one.events if event["event"] == "row"]
    assert told["status"] == row["status"] == "read"


def test_times_are_kept_by_match(one):
    result = one.run()
    assert set(result.took_s) == {row["match_id"] for row in result.rows}
    assert 0 < sum(result.took_s.values()) <= result.all_took_s
    assert result.started <= result.ended

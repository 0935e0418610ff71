"""Several processes for one match make the tables that one makes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

import fakes
import numpy as np
import psutil
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from films import film
from rallymill import config as configuration
from rallymill import tableio, video
from rallymill.runner.job import Job, job_to_json
from rallymill.runner.match import MatchRun
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.spans import shared_out
from rallymill.runner.store import LOG_NAME, SCRATCH_NAME, MatchStore
from rallymill.tables import DETECTIONS, VIEWS

N_FRAMES = 80


def views_of(lengths):
    ends = np.cumsum(lengths)
    return tableio.from_rows(VIEWS, [
        {"match_id": "m", "view_id": k, "first_frame": int(end - length),
         "last_frame": int(end) - 1, "start_s": 0.0, "end_s": 1.0,
         "label": "other" if k % 3 == 2 else "main"}
        for k, (length, end) in enumerate(zip(lengths, ends, strict=True))
    ])  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(lengths=st.lists(st.integers(1, 400), max_size=30), most=st.integers(1, 6),
       least=st.integers(1, 300))
def test_every_view_is_in_one_share(lengths, most, least):
    shares = shared_out(views_of(lengths), most, least)
    main = [k for k in range(len(lengths)) if k % 3 != 2]
    assert shares == [] or 2 <= len(shares) <= most
    assert not shares or [view for share in shares for view in share] == main
    frames = [sum(lengths[view] for view in share) for share in shares]
    if shares:
        # No view is cut, so a share may hold half of one too much at either end.
        even = sum(frames) / min(most, sum(frames) // least)
        assert max(frames) <= even + max(lengths)


def test_a_short_match_is_not_shared_out():
    assert shared_out(views_of([40, 40, 5, 30]), 4, 60) == []
    assert shared_out(views_of([40, 40, 5, 30]), 4, 50) == [[0], [1, 3]]


@pytest.fixture
def job(world):
    # Slow, so that a group of frames that are followed together is ten of them.
    path = film(world.films / "a.mp4", n=N_FRAMES, rate=5)
    return Job(path, "a.mp4", video.content_hash(path), "a-00000000", world.out)


def run(world, job, out, span_workers, follow_ball=False):
    """Run a match here with helpers; its detections, what was told of progress, and its log."""
    config = configuration.build(
        {"execution": {"span_workers": span_workers, "chunk_frames": 8, "batch": 4},
         "detect": {"second_opinion": None, "input_width_px": 320, "channels": 3,
                    "follow_ball": follow_ball}},
        fakes.SPANNED, world.root, None,
    )  # fmt: skip
    told = []
    job = Job(job.path, job.file, job.content_hash, job.match_id, out)

    def emit(event):
        if event["event"] == "progress" and event["stage"] == "detect":
            told.append(event["share"])

    assert MatchRun(job, fakes.SPANNED, config, emit, registry=fakes.SPANNED_REGISTRY).run()
    store = MatchStore(out, job.match_id)
    assert not (store.folder / SCRATCH_NAME).exists()
    return store.read_table(DETECTIONS), told, (store.folder / LOG_NAME)


def looks(world):
    """Views, process and chunks found, of every run of the stage."""
    return [
        (*stage.split("/"), int(what))
        for _, stage, what in fakes.ledger_lines(world.ledger) if "/" in stage
    ]


@pytest.mark.parametrize(("follow_ball", "n_chunks"), [
    (False, 2 + 3 + 3 + 4),  # views of 10, 20, 20 and 25 frames, in chunks of at most 8
    (True, 1 + 2 + 2 + 3),  # in chunks of a group of 10
])  # fmt: skip
def test_shared_views_make_the_same_table(world, job, follow_ball, n_chunks):
    alone, _, _ = run(world, job, world.root / "alone", 1, follow_ball)
    assert [row[::2] for row in looks(world)] == [("0,1,3,4", 0)]
    world.clear()
    shared, told, log = run(world, job, world.root / "shared", 2, follow_ball)
    assert rows_hash(shared) == rows_hash(alone)
    *helpers, last = looks(world)
    assert {row[0] for row in helpers} == {"0,1", "3,4"}
    assert len({row[1] for row in (*helpers, last)}) == 3
    # Nothing is left to be done for the one who puts it together.
    assert last[0] == "0,1,3,4" and last[2] == n_chunks
    assert told == sorted(told) and told[-1] == 1.0
    # A helper goes straight to its views.
    assert "counting again" not in log.read_text()
    asked_for = np.isclose(shared["confidence"].to_numpy(), fakes.ASKED_FOR)
    assert asked_for.sum() > 15 if follow_ball else not asked_for.any()


def test_what_a_dead_helper_leaves_is_done(world, job, monkeypatch):
    alone, _, _ = run(world, job, world.root / "alone", 1)
    world.clear()
    monkeypatch.setenv(fakes.DIES_WITH, "3,4")
    shared, _, _ = run(world, job, world.root / "shared", 2)
    assert rows_hash(shared) == rows_hash(alone)
    assert looks(world)[-1][2] == 5  # the chunks of the other


def test_stamps_that_are_kept_spare_the_way_to_a_span(job, tmp_path):
    store = MatchStore(tmp_path, "m")
    assert not store.tell_stamps(job.content_hash, job.path)
    store.keep_stamps(job.content_hash, job.path)
    assert not (store.folder / SCRATCH_NAME).exists()
    with video.frames(job.path) as stream:
        images = [frame.image for frame in stream]
    store.keep_stamps(job.content_hash, job.path)
    script = (
        "import sys\nfrom pathlib import Path\nfrom rallymill import video\n"
        "from rallymill.runner.store import MatchStore\n"
        "store = MatchStore(Path(sys.argv[1]), 'm')\n"
        "print(store.tell_stamps(sys.argv[2], Path(sys.argv[3])))\n"
        "print(len(video.known_stamps(Path(sys.argv[3]))))\n"
        "with video.frames(Path(sys.argv[3]), spans=[(70, 72)]) as stream:\n"
        "    print([(frame.index, int(frame.image.sum())) for frame in stream])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path), job.content_hash, str(job.path)],
        check=True, capture_output=True, text=True,
    )
    told, n_stamps, frames = done.stdout.splitlines()
    assert (told, int(n_stamps)) == ("True", N_FRAMES)
    assert json.loads(frames.replace("(", "[").replace(")", "]")) == [
        [k, int(images[k].sum())] for k in (70, 71, 72)]
    kept = next(store.folder.glob(f"{SCRATCH_NAME}/stamps/*.npy"))
    for damage in (b"", kept.read_bytes()[:-5], b"\x93NUMPY what", b"PK\x03\x04"):
        kept.write_bytes(damage)
        assert not store.tell_stamps(job.content_hash, job.path)


@pytest.mark.parametrize("stamps", [[], [[1, 2]], [3, 2], [1, 1], [1.0, 2.0]])
def test_what_cannot_be_stamps_is_not_taken_for_them(job, stamps):
    assert not video.tell_stamps(job.path, np.array(stamps))


def test_a_helper_goes_with_its_parent(world, job):
    order = {"job": job_to_json(job, world.config(), fakes.SPANNED_REGISTRY), "stage": "detect",
             "scratch": str(world.root), "views": [0]}  # fmt: skip
    helper = subprocess.Popen(
        [sys.executable, "-c", "import sys, time\nfrom rallymill.runner import spans\n"
         "spans.help_with = lambda order, tell: time.sleep(60)\nsys.exit(spans.main())"],
        stdin=subprocess.PIPE, text=True, env=dict(os.environ),
    )  # fmt: skip
    assert helper.stdin is not None
    helper.stdin.write(json.dumps(order) + "\n")
    helper.stdin.flush()
    time.sleep(0.2)
    assert psutil.pid_exists(helper.pid)
    helper.stdin.close()
    assert helper.wait(timeout=30) == 3

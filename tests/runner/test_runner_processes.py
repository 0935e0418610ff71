"""Processes and threads: crashes, stand-stills, interrupts and the lock."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time

import psutil
import pytest

from films import film
from rallymill.runner.child import Stopped
from rallymill.runner.lock import FolderBusyError, folder_lock

HOLD = """
import sys, time
from pathlib import Path
from rallymill.runner.lock import folder_lock
with folder_lock(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_crash_loses_that_match_only_after_a_second_try(world):
    film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=30)
    given = {
        "detect": {"trouble": "kill", "trouble_for": "a-"},
        "execution": {"workers": 2},
    }
    rows = {row["file"]: row for row in world.run(given, isolated=True).rows}
    assert rows["b.mp4"]["status"] == "read"
    assert rows["a.mp4"]["status"] == "not_read"
    assert "SIGKILL in stage detect" in rows["a.mp4"]["reason"]
    assert "--workers" in rows["a.mp4"]["remedy"]
    warnings = [event for _, event in world.events if event["event"] == "warning"]
    assert len(warnings) == 1
    assert world.ran().count("detect") == 3


def test_stand_still_is_ended(world):
    film(world.films / "a.mp4", n=20)
    given = {"detect": {"trouble": "hang"}, "execution": {"stall_minutes": 4 / 60}}
    started = time.monotonic()
    (row,) = world.run(given, isolated=True).rows
    assert time.monotonic() - started < 60
    assert row["status"] == "not_read"
    assert "stage detect made no progress" in row["reason"]
    assert world.ran().count("detect") == 2


def test_stop_ends_the_workers_soon(world):
    film(world.films / "a.mp4", n=20)
    night = world.night({"detect": {"trouble": "hang"}}, isolated=True)
    before = {child.pid for child in psutil.Process().children()}
    threading.Timer(3.0, night._stop.set).start()
    started = time.monotonic()
    with pytest.raises(Stopped):
        night.run()
    assert time.monotonic() - started < 6
    assert {child.pid for child in psutil.Process().children()} <= before


def test_worker_goes_with_its_parent(world):
    film(world.films / "a.mp4", n=20)
    script = (
        "import sys, fakes\nfrom pathlib import Path\nfrom rallymill import config\n"
        "from rallymill.runner.night import Night\nroot = Path(sys.argv[1])\n"
        "given = {'detect': {'trouble': 'hang'}}\n"
        "Night(root / 'films', root / 'out', config.build(given, fakes.STAGES, root, None), "
        "registry=fakes.REGISTRY).run()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script, str(world.root)])
    end = time.monotonic() + 20
    while "detect" not in world.ran() and time.monotonic() < end:
        time.sleep(0.05)
    (worker,) = psutil.Process(process.pid).children()
    process.kill()
    process.wait()
    assert worker.wait(timeout=5) is not None or not worker.is_running()
    # Nothing holds the folder any more.
    with folder_lock(world.out, wait_s=2.0):
        pass


def test_second_run_is_refused_while_the_first_holds_the_folder(world):
    film(world.films / "a.mp4", n=20)
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(world.out)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with (
            pytest.raises(FolderBusyError, match=f"process {holder.pid}"),
            folder_lock(world.out, wait_s=0.2),
        ):
            pass
        # A dry run writes nothing, so it need not wait.
        world.night().run(dry=True)
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        world.run()
    finally:
        holder.kill()
        holder.wait()
        if holder.stdout:
            holder.stdout.close()


def test_lock_is_free_after_use(tmp_path):
    for _ in range(2):
        with folder_lock(tmp_path, wait_s=0.0):
            assert int((tmp_path / ".lock").read_text()) == os.getpid()


def test_isolated_and_direct_runs_agree(world):
    film(world.films / "a.mp4", n=20)
    direct = world.run().rows
    night = world.night(isolated=True)
    night.out = world.root / "apart"
    assert night.run().rows == direct

"""What is run again and why; kills at any moment; edits and damage of the outputs."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import fakes
import pandas as pd
import pyarrow.parquet as pq
import pytest

from films import film
from rallymill import tableio
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import SCRATCH_NAME, MatchStore

ALL_KEPT = dict.fromkeys(fakes.NAMES, "kept")


def folder_of(world) -> Path:
    (found,) = (world.out / "matches").iterdir()
    return found


def rows_of(world) -> dict[str, str]:
    return {
        path.name: rows_hash(pq.read_table(path)) for path in folder_of(world).glob("*.parquet")
    }


def test_first_run_is_new_and_second_keeps_all(one):
    one.run()
    assert one.reasons() == dict.fromkeys(fakes.NAMES, "new")
    assert one.ran() == list(fakes.NAMES)
    one.clear()
    one.run()
    assert one.reasons() == ALL_KEPT
    assert one.ran() == []


def test_changed_threshold_runs_only_its_stage(one):
    one.run()
    one.clear()
    one.run({"flags": {"nested": {"threshold": 0.8}}})
    assert one.ran() == ["flags"]
    assert one.reasons()["flags"] == "config changed: flags.nested.threshold 0.5 -> 0.8"
    flags = pq.read_table(folder_of(one) / "flags.parquet").to_pylist()
    assert flags[0]["severity"] == 0.8


def test_changed_detector_runs_what_depends_on_it(one):
    one.run()
    one.clear()
    one.run({"detect": {"confidence": 0.45}})
    assert one.ran() == ["detect", "shots", "flags"]
    reasons = one.reasons()
    assert reasons["detect"] == "config changed: detect.confidence 0.25 -> 0.45"
    assert reasons["shots"] == "input changed: detections"
    assert reasons["calibrate"] == "kept"


def test_same_rows_stop_the_wave(one):
    one.run()
    one.clear()
    # 0.25 and 0.21 let the same boxes through, so what reads them need not run.
    one.run({"detect": {"confidence": 0.21}})
    assert one.ran() == ["detect"]


def test_there_and_back_recomputes(one):
    one.run()
    first = rows_of(one)
    one.run({"detect": {"confidence": 0.45}})
    assert rows_of(one) != first
    one.clear()
    one.run()
    assert one.ran() == ["detect", "shots", "flags"]
    assert rows_of(one) == first


def test_execution_options_run_nothing(one):
    one.run()
    one.clear()
    one.run({"execution": {"batch": 2, "threads": 1, "device": "cpu"}})
    assert one.ran() == []


def test_missing_table_is_made_again(one):
    one.run()
    before = rows_of(one)
    (folder_of(one) / "detections.parquet").unlink()
    one.clear()
    one.run()
    assert one.reasons()["detect"] == "output missing"
    assert one.ran() == ["detect"]
    assert rows_of(one) == before


@pytest.mark.parametrize("how", ["pandas", "metadata kept", "bytes", "text"])
def test_edited_table_is_made_again(one, how):
    one.run()
    before = rows_of(one)
    path = folder_of(one) / "detections.parquet"
    if how == "pandas":
        frame = pd.read_parquet(path)
        frame["confidence"] = 0.9
        frame.to_parquet(path)
    elif how == "metadata kept":
        table = pq.read_table(path)
        pq.write_table(table.slice(1), path)
    elif how == "bytes":
        data = bytearray(path.read_bytes())
        data[20:60] = os.urandom(40)
        path.write_bytes(data)
    else:
        path.write_text("not a table")
    one.clear()
    one.run()
    assert one.reasons()["detect"] == "output edited"
    assert one.ran() == ["detect"]
    assert rows_of(one) == before


def test_forced_stage_runs_and_others_follow_only_if_it_differs(one):
    one.run()
    one.clear()
    one.run(force=["detect"])
    assert one.reasons()["detect"] == "forced"
    assert one.ran() == ["detect"]
    one.clear()
    one.run(force=["all"])
    assert one.ran() == list(fakes.NAMES)


def test_changed_weights_run_their_stage(one):
    one.run()
    one.clear()
    (one.root / "models" / "fake.onnx").write_bytes(b"better weights")
    one.run()
    assert one.reasons()["detect"] == "model changed: fake.onnx"
    assert one.ran() == ["detect"]


def test_missing_weights_name_the_file(one):
    (one.root / "models" / "fake.onnx").unlink()
    (row,) = one.run().rows
    assert row["status"] == "not_read"
    assert "weights fake.onnx are not in" in row["reason"]
    assert row["remedy"]


def test_changed_sheet_runs_only_what_knows_it(one):
    one.run()
    one.clear()
    sheet = one.films / "Day one.sheet.yaml"
    sheet.write_text("players: {near: Ilva Marrec}\n")
    (row,) = one.run().rows
    assert one.ran() == ["shots", "flags"] or one.ran() == ["shots"]
    assert one.reasons()["shots"] == "match sheet changed"
    assert pq.read_table(folder_of(one) / "shots.parquet")["player"][0].as_py() == "MAR"
    assert row["player_near"] == "Ilva Marrec"
    # A comment changes the file but not what it says.
    sheet.write_text("# near is on the left\nplayers: {near: Ilva Marrec}\n")
    one.clear()
    one.run()
    assert one.ran() == []


def test_stage_version_runs_it_again(one, monkeypatch):
    one.run()
    monkeypatch.setattr(fakes.Detect, "version", 2)
    one.night().run(dry=True)
    assert one.reasons()["detect"] == "stage version 1 -> 2"


def test_dry_run_says_the_same_and_writes_nothing(one):
    before = sorted(one.root.rglob("*"))
    one.night().run(dry=True)
    assert one.reasons() == dict.fromkeys(fakes.NAMES, "new")
    assert sorted(one.root.rglob("*")) == before
    one.run()
    stamp = {path: path.stat().st_mtime_ns for path in one.out.rglob("*")}
    changed = {"detect": {"confidence": 0.45}}
    one.night(changed).run(dry=True)
    planned = one.reasons()
    assert {path: path.stat().st_mtime_ns for path in one.out.rglob("*")} == stamp
    one.run(changed)
    assert one.reasons() == planned


def test_renamed_recording_keeps_its_match(one):
    one.run()
    (one.films / "Day one.mp4").rename(one.films / "Court 2.mp4")
    one.clear()
    (row,) = one.run().rows
    assert one.ran() == []
    assert row["file"] == "Court 2.mp4"
    assert row["match_id"].startswith("day-one-")


def test_temporary_files_and_old_checkpoints_go(one):
    one.run()
    folder = folder_of(one)
    (folder / ".flags.parquet.abc.part").write_bytes(b"half")
    stale = folder / SCRATCH_NAME / "flags" / "0123456789abcdef"
    stale.mkdir(parents=True)
    (stale / ".frames.parquet.abc.part").write_bytes(b"half")
    one.run({"flags": {"confidence": 0.5}})
    assert not list(folder.rglob(".*.part"))
    assert not (folder / SCRATCH_NAME).exists()


def test_checkpoints_go_that_outlived_their_table(one):
    one.run()
    # As after a kill between the table and the removal of its checkpoints.
    left = folder_of(one) / SCRATCH_NAME / "detect" / "0123456789abcdef"
    left.mkdir(parents=True)
    (left / "frames.parquet").write_bytes(b"a chunk")
    one.night().run(dry=True)
    assert left.exists()
    one.clear()
    one.run()
    assert one.ran() == []
    assert not (folder_of(one) / SCRATCH_NAME).exists()


def test_checkpoints_of_another_fingerprint_are_not_used(one):
    store = MatchStore(one.out, "m")
    first = store.scratch("detect", "a" * 64)
    (first / "frames.parquet").write_bytes(b"a chunk")
    assert store.scratch("detect", "a" * 64) == first and list(first.iterdir())
    assert list(store.scratch("detect", "b" * 64).iterdir()) == []
    assert not first.exists()


def test_resolved_config_is_saved(one):
    one.run({"detect": {"confidence": 0.45}})
    saved = json.loads((folder_of(one) / "config.json").read_text())
    assert saved["detect"]["confidence"] == 0.45
    assert saved["flags"]["nested"]["threshold"] == 0.5


SCRIPT = """
import sys
from pathlib import Path
import fakes
from rallymill import config
from rallymill.runner.night import Night
root = Path(sys.argv[1])
given = {name: {"wait_s": 0.12} for name in fakes.NAMES}
given["execution"] = {"workers": 2}
Night(root / "films", root / "out", config.build(given, fakes.STAGES, root, None),
      registry=fakes.REGISTRY).run()
"""


KILLS = 4


def start_run(world) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", SCRIPT, str(world.root)],
        start_new_session=True,
        env=dict(os.environ),
    )


def test_killed_at_any_moment_then_run_again(world):
    for k in range(2):
        film(world.films / f"court {k}.mp4", n=20 + k)
    rng = random.Random(7)
    for number in range(KILLS):
        process = start_run(world)
        # Each attempt gets a little further, then is killed a random moment later.
        wanted = len(fakes.ledger_lines(world.ledger)) + rng.randint(1, 3)
        end = time.monotonic() + 60
        while len(fakes.ledger_lines(world.ledger)) < wanted:
            assert process.poll() is None
            assert time.monotonic() < end
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 0.2))
        # By turns the parent alone, whose workers must notice, and all at once.
        if number % 2:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
        process.wait()
    assert start_run(world).wait(timeout=120) == 0
    lines = fakes.ledger_lines(world.ledger)
    for match_id in {line[0] for line in lines}:
        for stage in fakes.NAMES:
            ends = [line for line in lines if line == (match_id, stage, "end")]
            # At most one end too many: killed after the work but before the table was in place.
            assert 1 <= len(ends) <= 1 + KILLS
        # A stage starts only once the table before it is in place; from then on none of those
        # before it may start again.
        begun = [fakes.NAMES.index(line[1]) for line in lines if line[::2] == (match_id, "start")]
        assert begun == sorted(begun)
    killed = {path.name: tables_of(path) for path in (world.out / "matches").iterdir()}
    fresh = world.root / "fresh"
    world.clear()
    night = world.night({name: {"wait_s": 0.12} for name in fakes.NAMES})
    night.out = fresh
    night.run()
    assert killed == {path.name: tables_of(path) for path in (fresh / "matches").iterdir()}
    assert len(killed) == 2


def tables_of(folder: Path) -> dict[str, str]:
    assert not list(folder.glob(".*.part"))
    return {path.name: rows_hash(pq.read_table(path)) for path in folder.glob("*.parquet")}


@pytest.mark.parametrize("name", ["views", "detect", "flags"])
def test_killed_in_a_stage_then_run_again(one, name):
    # kill_once leaves its mark in the checkpoint folder, so the second attempt gets through.
    (row,) = one.run({name: {"trouble": "kill_once"}}, isolated=True).rows
    assert row["status"] == "read"
    started = one.ran()
    assert started.count(name) == 2
    for other in fakes.NAMES:
        if other != name:
            assert started.count(other) == 1


def test_metadata_tells_what_a_table_was_made_from(one):
    one.run()
    metadata = tableio.read_metadata(folder_of(one) / "detections.parquet")
    made_from = json.loads(metadata["rallymill.ingredients"])
    assert made_from["config"]["confidence"] == 0.25
    assert set(made_from["inputs"]) == {"views"}
    assert list(made_from["models"]) == ["fake.onnx"]
    assert len(metadata["rallymill.fingerprint"]) == 64

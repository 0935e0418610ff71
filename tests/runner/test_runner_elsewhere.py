"""Recordings and output in storage that is no file system of this machine."""

from __future__ import annotations

import json
import os
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import fakes
import pyarrow.parquet as pq
import pytest
import yaml
from click.testing import CliRunner

from films import film
from rallymill.cli.processing import process
from rallymill.errors import InputError
from rallymill.runner import mirror as mirrors
from rallymill.runner import plan
from rallymill.runner.folder import VIDEO_SUFFIXES
from rallymill.runner.lock import FolderBusyError
from rallymill.runner.mirror import Mirror
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.staged_night import StagedNight
from rallymill.runner.storage import Entry, Storage, place_of

fsspec = pytest.importorskip("fsspec")
KEPT = dict.fromkeys(fakes.NAMES, "kept")


@pytest.fixture
def url() -> Iterator[str]:
    """A folder of fsspec's storage in memory."""
    root = f"test-{uuid.uuid4().hex}"
    yield f"memory://{root}"
    files = fsspec.filesystem("memory")
    if files.exists(f"/{root}"):
        files.rm(f"/{root}", recursive=True)


@pytest.fixture(autouse=True)
def memory_is_kept(monkeypatch):
    """To look for what may be given back takes longer than these stages do."""
    monkeypatch.setattr("rallymill.runner.match.give_back", lambda: None)


def storage_of(url: str) -> Storage:
    found = place_of(url)
    assert isinstance(found, Storage)
    return found


def give(url: str, path: Path, name: str) -> None:
    storage_of(url).put(path, name)


def tables_of(out: Path) -> dict[str, str]:
    return {
        f"{path.parent.name}/{path.name}": rows_hash(pq.read_table(path))
        for path in sorted(out.glob("matches/*/*.parquet"))
    }


@pytest.fixture
def remote(world, url):
    """A world whose recordings are in storage; one has a sheet. ``brought`` are those fetched."""
    film(world.films / "a.mp4", n=12)
    film(world.films / "deep.mp4", n=20)
    give(url, world.films / "a.mp4", "a.mp4")
    give(url, world.films / "deep.mp4", "day/deep.mp4")
    (world.films / "a.sheet.yaml").write_text(yaml.safe_dump({"near": {"code": "K"}}))
    give(url, world.films / "a.sheet.yaml", "a.sheet.yaml")
    (world.films / "other.yaml").write_text("{}")
    give(url, world.films / "other.yaml", "other.yaml")
    give(url, world.films / "other.yaml", ".hidden/b.mp4")
    return world


@pytest.fixture
def brought(monkeypatch) -> list[str]:
    """Names that are fetched."""
    names: list[str] = []
    fetch = Storage.fetch

    def noted(self: Storage, entry: Entry, to: Path) -> None:
        names.append(entry.name)
        fetch(self, entry, to)

    monkeypatch.setattr(Storage, "fetch", noted)
    return names


def night(world, url: str, given=None, **options) -> StagedNight:
    world.events = []
    return StagedNight(
        storage_of(url), world.out, world.config(given), registry=fakes.REGISTRY,
        **{"listen": lambda match_id, event: world.events.append((match_id, dict(event))),
           "isolated": False, **options},
    )  # fmt: skip


# recordings


def test_what_is_read_is_what_would_be_read_here(remote, url, tmp_path):
    most = 0

    def look(match_id, event):
        nonlocal most
        here = [p for p in remote.out.rglob("*") if p.suffix.lower() in VIDEO_SUFFIXES]
        most = max(most, len(here))

    result = night(remote, url, listen=look).run()
    assert most == 1 and not list(remote.out.glob(".staged"))
    assert [row["file"] for row in result.rows] == ["a.mp4", "day/deep.mp4"]
    assert not result.unread, result.unread
    here = tmp_path / "here"
    (here / "day").mkdir(parents=True)
    os.rename(remote.films / "a.mp4", here / "a.mp4")
    os.rename(remote.films / "a.sheet.yaml", here / "a.sheet.yaml")
    os.rename(remote.films / "deep.mp4", here / "day" / "deep.mp4")
    found = tables_of(remote.out)
    os.rename(remote.out, tmp_path / "out-elsewhere")
    os.rename(remote.films, tmp_path / "films-before")
    os.rename(here, remote.films)
    remote.run()
    assert len(found) >= 2 * len(fakes.NAMES) and tables_of(remote.out) == found


def test_nothing_is_brought_again_that_was_read(remote, url, brought):
    night(remote, url).run()
    assert sorted(brought) == ["a.mp4", "a.sheet.yaml", "day/deep.mp4"]
    brought.clear()
    remote.clear()
    night(remote, url).run()
    assert brought == ["a.sheet.yaml"] and remote.ran() == []
    assert remote.reasons() == KEPT
    # A changed option is reason enough, a new recording too.
    brought.clear()
    film(remote.films / "new.mp4", n=8)
    give(url, remote.films / "new.mp4", "new.mp4")
    night(remote, url).run()
    assert brought == ["a.sheet.yaml", "new.mp4"]
    brought.clear()
    night(remote, url, {"flags": {"nested": {"threshold": 0.8}}}).run()
    assert sorted(brought) == ["a.mp4", "a.sheet.yaml", "day/deep.mp4", "new.mp4"]


def test_a_recording_that_is_written_anew_is_read_anew(remote, url, brought):
    night(remote, url).run()
    film(remote.films / "other.mp4", n=15, rate=30)
    give(url, remote.films / "other.mp4", "a.mp4")
    brought.clear()
    result = night(remote, url).run()
    assert "a.mp4" in brought and "day/deep.mp4" not in brought
    assert [row["file"] for row in result.rows] == ["a.mp4", "day/deep.mp4"]


def test_a_dry_run_brings_no_recording_and_leaves_nothing(remote, url, brought):
    result = night(remote, url).run(dry=True)
    assert brought == ["a.sheet.yaml"] and not remote.out.exists()
    assert [work.file for work in result.works] == ["a.mp4", "day/deep.mp4"]
    assert all(work.stages == tuple(fakes.NAMES) for work in result.works)
    night(remote, url).run()
    brought.clear()
    result = night(remote, url).run(dry=True)
    assert brought == ["a.sheet.yaml"]
    assert [work.stages for work in result.works] == [(), ()]


def test_a_recording_that_breaks_off_is_not_read_and_the_others_are(remote, url, monkeypatch):
    files = fsspec.filesystem("memory")
    get_file = type(files).get_file

    def broken(self, path, to, **more):
        get_file(self, path, to, **more)
        if path.endswith("a.mp4"):
            os.truncate(to, 100)

    monkeypatch.setattr(type(files), "get_file", broken)
    result = night(remote, url).run()
    (unread,) = result.unread
    assert unread["file"] == "a.mp4" and "100 of" in unread["reason"]
    assert [row["status"] != "not_read" for row in result.rows] == [False, True]
    monkeypatch.undo()


def test_without_room_for_a_recording_it_is_not_brought(remote, url, monkeypatch, brought):
    size = (remote.films / "deep.mp4").stat().st_size
    monkeypatch.setattr(plan, "room_free", lambda out: plan.SPARE_BYTES + size - 1)
    monkeypatch.setattr(plan, "bytes_a_frame", lambda out: 0)
    with pytest.raises(plan.NoRoomError):
        night(remote, url).run()
    monkeypatch.setattr(StagedNight, "_room_needed", lambda *given: 0)
    result = night(remote, url).run()
    assert [row["file"] for row in result.unread] == ["day/deep.mp4"]
    assert "free" in result.unread[0]["reason"] and "day/deep.mp4" not in brought


def test_a_single_recording_is_read_with_its_sheet(remote, url, brought):
    give(url, remote.films / "a.mp4", "another.mp4")
    result = night(remote, f"{url}/a.mp4").run()
    assert [row["file"] for row in result.rows] == ["a.mp4"] and not result.unread
    assert sorted(brought) == ["a.mp4", "a.sheet.yaml"]
    for _ in range(2):  # the second time nothing is brought
        result = night(remote, f"{url}/another.mp4").run()
        assert [row["file"] for row in result.rows] == ["another.mp4"]


def test_storage_without_recordings_or_out_of_reach_says_so(world, url, monkeypatch):
    with pytest.raises(InputError, match="holds no recording"):
        night(world, url).run()
    files = type(fsspec.filesystem("memory"))

    def gone(*given, **more):
        raise ConnectionError("no route")

    monkeypatch.setattr(files, "find", gone)
    with pytest.raises(InputError, match="ConnectionError: no route"):
        night(world, url).run()


def test_a_clusters_workers_do_not_see_storage(remote, url):
    with pytest.raises(InputError, match="cluster"):
        night(remote, url, cluster="tcp://127.0.0.1:1").run()


# files


def test_a_file_is_put_as_a_whole_or_not_at_all(url, tmp_path, monkeypatch):
    storage = storage_of(url)
    (tmp_path / "old").write_bytes(b"old")
    (tmp_path / "new").write_bytes(b"newer")
    storage.put(tmp_path / "old", "deep/table.parquet")
    files = type(fsspec.filesystem("memory"))

    def fails(*given, **more):
        raise OSError("quota")

    for step in ("put_file", "mv"):
        with monkeypatch.context() as patch:
            patch.setattr(files, step, fails)
            with pytest.raises(InputError, match="quota"):
                storage.put(tmp_path / "new", "deep/table.parquet")
        (entry,) = storage.entries()
        assert (entry.name, entry.size) == ("deep/table.parquet", 3)
    before = storage.entry("deep/table.parquet")
    time.sleep(0.01)
    after = storage.put(tmp_path / "new", "deep/table.parquet")
    assert after.size == 5 and after.mark != before.mark


# output


def mirror(url: str, place: Path, **options) -> Mirror:
    return Mirror(storage_of(url), place, **options)


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(mirrors, "SETTLE_S", 0.0)


def test_another_machine_goes_on_from_what_was_written(one, url, tmp_path, quick):
    with mirror(url, one.out) as first:
        one.run(done=first.push_match)
    made = tables_of(one.out)
    names = [entry.name for entry in storage_of(url).entries()]
    assert not [name for name in names if "scratch" in name or "lock" in name or "part" in name]
    assert {f"matches/{name}" for name in made} <= set(names) and "matches.parquet" in names
    os.rename(one.out, tmp_path / "first")
    one.clear()
    with mirror(url, one.out):
        assert tables_of(one.out) == made
        one.run()
    assert one.reasons() == KEPT and one.ran() == []


def test_tables_are_written_before_the_record_that_speaks_of_them(one, url, quick, monkeypatch):
    names: list[str] = []
    put = Storage.put
    monkeypatch.setattr(
        Storage, "put", lambda self, path, name: (names.append(name), put(self, path, name))[1]
    )
    with mirror(url, one.out) as open_:
        one.run(done=open_.push_match)
        match = [name for name in names if name.startswith("matches/")]
        assert match[-1].endswith("/match.json") and len(match) > len(fakes.NAMES)
        assert "matches.parquet" not in names
    assert "matches.parquet" in names and len(set(names)) == len(names)


def test_what_storage_lost_is_there_after_the_next_run(one, url, quick, monkeypatch, tmp_path):
    files = type(fsspec.filesystem("memory"))
    put_file, count = files.put_file, 0

    def failing(self, *given, **more):
        nonlocal count
        count += 1
        if count > 4:
            raise OSError("connection reset")
        return put_file(self, *given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(files, "put_file", failing)
        with pytest.raises(InputError, match="connection reset"), mirror(url, one.out) as open_:
            result = one.run(done=open_.push_match)
            assert not result.unread  # the night itself goes on
    assert not any(e.name.endswith("match.json") for e in storage_of(url).entries())
    one.clear()
    with mirror(url, one.out) as open_:
        one.run(done=open_.push_match)
    assert one.ran() == []
    with mirror(url, tmp_path / "second"):
        assert tables_of(tmp_path / "second") == tables_of(one.out)


def test_what_is_gone_in_one_place_goes_in_the_other(one, url, quick, tmp_path):
    with mirror(url, one.out):
        one.run()
    (match,) = (one.out / "matches").iterdir()
    storage_of(url).remove(f"matches/{match.name}/flags.parquet")
    one.clear()
    with mirror(url, one.out):
        assert not (match / "flags.parquet").exists()
        one.run()
        assert one.ran() == ["flags"]
        (match / "shots.parquet").unlink()
    names = [entry.name for entry in storage_of(url).entries()]
    assert f"matches/{match.name}/flags.parquet" in names
    assert f"matches/{match.name}/shots.parquet" not in names


def test_one_run_at_a_time(url, tmp_path, quick):
    with mirror(url, tmp_path / "a"):
        for dry in (False, True):
            with pytest.raises(FolderBusyError, match="another run"), mirror(
                url, tmp_path / "b", dry=dry
            ):
                pass
    with mirror(url, tmp_path / "b"):
        pass


@pytest.mark.parametrize(("held", "over"), [
    ({"time_s": -3600.0, "machine": "elsewhere", "process": 1}, True),
    ({"time_s": -60.0, "machine": "elsewhere", "process": 1}, False),
    ({"time_s": -60.0, "machine": None, "process": os.getpid()}, False),
    ({"time_s": -60.0, "machine": None, "process": 2**22 + 1}, True),
])
def test_the_lock_of_a_run_that_is_no_more_is_taken_over(held, over, url, tmp_path, quick):
    machine = held["machine"] or mirrors.socket.gethostname()
    lock = {**held, "machine": machine, "owner": "x", "time_s": time.time() + held["time_s"]}
    (tmp_path / "lock").write_text(json.dumps(lock))
    storage_of(url).put(tmp_path / "lock", mirrors.LOCK_NAME)
    if over:
        with mirror(url, tmp_path / "a"):
            pass
        assert not storage_of(url).entries()
    else:
        with pytest.raises(FolderBusyError), mirror(url, tmp_path / "a"):
            pass


# the command


def test_the_command_reads_from_storage_and_writes_to_it(remote, url, quick, monkeypatch, tmp_path):
    monkeypatch.setenv("RALLYMILL_STAGES", fakes.REGISTRY)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    options = tmp_path / "options.yaml"
    options.write_text(f"execution: {{copying_wait_s: 0}}\nmodels: {remote.root / 'models'}\n")
    out = f"{url}-out"
    given = [url, "--out", out, "--config", str(options)]
    dry = CliRunner().invoke(process, [*given, "--dry-run"], standalone_mode=False)
    assert dry.exception is None and "2 recordings to read" in dry.output
    assert not storage_of(out).entries()
    done = CliRunner().invoke(process, [*given, "--debug"], standalone_mode=False)
    assert done.exception is None and done.return_value == 0, done.output
    assert f"written to {out}" in done.output
    names = {entry.name.split("/")[-1] for entry in storage_of(out).entries()}
    assert {"matches.parquet", "summary.html", "summary.json", "shots.parquet"} <= names
    again = CliRunner().invoke(process, [*given, "--debug"], standalone_mode=False)
    assert again.return_value == 0
    fsspec.filesystem("memory").rm(storage_of(out).path_of(""), recursive=True)

"""Hostile inputs: a small seeded sample of each kind, and that the campaign sees what it must."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from rallymill import benchmark_hostile, hostile_worker
from rallymill.errors import ConfigError, InputError
from rallymill.hostile_kinds import KINDS, command, hostile_name, prepare
from rallymill.hostile_mutations import spoiled_bytes, spoiled_text, spoiled_tree
from rallymill.runner.folder import is_text, match_id_for, printable
from tests.support import badly

COUNTS = {
    "container": 25, "match sheet": 25, "configuration": 12, "court points": 25, "correction": 20,
    "SQL": 30, "named question": 6, "clip of a row": 6, "season and event": 1, "file name": 6,
}  # fmt: skip


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sandbox = tmp_path_factory.mktemp("hostile")
    (sandbox / "outside").mkdir()
    (sandbox / "outside" / "kept.txt").write_text("kept")
    folder = sandbox / "inside"
    folder.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        prepare("court points", folder)
    return folder


@pytest.fixture(scope="module")
def watch(inside: Path) -> hostile_worker.Watch:
    return hostile_worker.Watch(inside, may_start=False)


@pytest.mark.parametrize("kind", COUNTS)
def test_a_sample_of_each_kind_does_no_harm(kind, inside, watch, monkeypatch):
    monkeypatch.chdir(inside)
    faults = {}
    for number in range(500_000, 500_000 + COUNTS[kind]):
        chance = random.Random(f"0 {kind} {number}")
        _, fault = hostile_worker.tried(KINDS[kind], chance, inside, watch)
        if fault:
            faults[number] = fault
    assert not faults


def test_kinds_are_those_that_are_shared_out():
    assert set(benchmark_hostile.SHARES) == set(KINDS) == {*COUNTS, "command line"}
    counts = benchmark_hostile.counts_of(10_000)
    assert sum(counts.values()) == 10_000 and min(counts.values()) >= 40


@pytest.mark.parametrize(
    ("trial", "words"),
    [
        (lambda chance, inside: 1 // 0, "ZeroDivisionError at "),
        (lambda chance, inside: (inside.parent / "outside" / "new.txt").write_text("x"), "wrote"),
        (lambda chance, inside: os.rename(inside.parent / "outside" / "kept.txt",
                                          inside.parent / "outside" / "gone.txt"), "wrote"),
        (lambda chance, inside: os.system("true"), "started"),
        (lambda chance, inside: command("query", "SELECT 1", "--out", "/nowhere") and 1 // 0,
         "ZeroDivisionError"),
    ],
    ids=["raises", "writes", "renames", "starts", "after a command"],
)
def test_the_watch_sees(trial, words, inside, watch):
    _, fault = hostile_worker.tried(trial, random.Random(0), inside, watch)
    assert words in fault
    kept = inside.parent / "outside" / "kept.txt"
    for path in (inside.parent / "outside").iterdir():
        path.rename(kept) if path.name == "gone.txt" else None
    (inside.parent / "outside" / "new.txt").unlink(missing_ok=True)


def test_what_is_allowed_is_not_seen(inside, watch):
    def writes_inside(chance: random.Random, folder: Path) -> bool:
        (folder / "mine.txt").write_text("x")
        raise InputError("refused", "otherwise")

    assert hostile_worker.tried(writes_inside, random.Random(0), inside, watch) == (False, "")


def test_a_process_that_dies_or_hangs_is_one_fault(tmp_path, monkeypatch):
    """Run in processes of their own: each input with which one is lost counts, and it goes on."""
    monkeypatch.setattr(benchmark_hostile, "serve", badly.serve)
    report = benchmark_hostile.run(tmp_path / "b", {"SQL": 4}, 0, lambda line: None)
    tally = report.tallies["SQL"]
    assert tally.tried == 4 and set(tally.faults) == {1}
    assert "ended with code" in tally.faults[1] and not report.good
    assert "| SQL | 4 | 3 | 0 | 1 |" in report.text()


def test_mutations_are_seeded_and_change_something():
    content, text = bytes(range(256)) * 8, "surface: hard\nplayers:\n  near: Ilva Marrec\n"
    for number in range(30):
        first, again = random.Random(number), random.Random(number)
        assert spoiled_bytes(first, content) == spoiled_bytes(again, content)
        assert spoiled_text(first, text) == spoiled_text(again, text)
        assert repr(spoiled_tree(first, {"a": [1, 2]})) == repr(spoiled_tree(again, {"a": [1, 2]}))
    changed = [spoiled_text(random.Random(k), text) != text.encode() for k in range(50)]
    assert sum(changed) > 40


def test_names_never_lead_elsewhere():
    for number in range(300):
        name = os.fsdecode(hostile_name(random.Random(number)))
        assert "/" not in name and "\0" not in name
        match_id = match_id_for(Path(name), "0123456789abcdef")
        assert match_id.isascii() and set(match_id) <= set(
            "abcdefghijklmnopqrstuvwxyz0123456789-")
        assert printable(name).encode() and "\n" not in printable(name)
    assert printable("Finale Ünye 💥.mp4") == "Finale Ünye 💥.mp4"
    assert printable("a\u202egnp.mp4") == "a\ufffdgnp.mp4"
    assert not is_text("caf\udce9.mp4") and is_text("café.mp4")


# What was found by the campaign, each mended where it arose.


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"find: {\x08}\n", "is not YAML in line 1: a character"),
        (b"? {a: 1}\n: 2\n", "a list or section stands for a name"),
        (b"detect: !file {a: 1}\n", "names no file"),
        (b"detect: !file default.yaml\n", "draws itself in"),
        (b"detect: !file .\n", "no file"),
        (b"detect: !file /dev/zero\n", "no file"),
        (b'detect: !file "a\\0b"\n', "cannot be read"),
        (b"a: &a [*a]\n", "refers to itself"),
        (b"a: " + b"[" * 400 + b"]" * 400, "nests too deep"),
        (b"a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]\n" + b"".join(
            b"a%d: &a%d [%s]\n" % (k, k, b", ".join([b"*a%d" % (k - 1)] * 10))
            for k in range(1, 9)), "stands for more than"),
        (b"detect: 2026-02-30\n", "a value that cannot be: day is out of range"),
        (b"detect: " + b"9" * 5000, "holds"),
        (b"\xff\xfe", "not a text file in UTF-8"),
    ],
)  # fmt: skip
def test_configurations_that_were_not_told_plainly(tmp_path, text, words):
    from rallymill.config import load
    from rallymill.runner.registry import PIPELINE, load_stages

    path = tmp_path / "default.yaml"
    path.write_bytes(text)
    with pytest.raises(ConfigError) as caught:
        load(path, load_stages(PIPELINE))
    assert words in caught.value.problem and "\n" not in caught.value.problem
    assert len(caught.value.problem) < 500


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"frames:\n  - at_s: \xff", "not a text file in UTF-8"),
        (b"frames:\n  - at_s: \x00", "is not YAML in line 2"),
        (b"frames:\n - at_s: 1\n  points:\n", "is not YAML in line"),
        (b"frames: []\n7: x\na: b\n", "7: not known"),
        (b"frames: [{at_s: 1, width_px: " + b"9" * 900 + b"}]", "no width"),
        (b"frames: [{at_s: 1, points: {near_t: [1" + b"0" * 40 + b", 1]}}]", "two numbers"),
        (b"frames: [{at_s: 1" + b"0" * 40 + b"}]", "at_s must be the time"),
        (b"frames: [{at_s: .nan}]", "at_s must be the time"),
        (b"frames: [{at_s: 1, points: {near_t: |\n   a\n   b\n  }}]", "YAML"),
    ],
)
def test_court_points_that_were_not_told_plainly(tmp_path, text, words):
    from rallymill import courtpoints

    courtpoints.path_for(tmp_path / "f.mp4").write_bytes(text)
    with pytest.raises(InputError) as caught:
        courtpoints.for_video(tmp_path / "f.mp4")
    assert words in caught.value.problem and "\n" not in caught.value.problem
    assert len(caught.value.problem) < 300


@pytest.mark.parametrize(
    "value",
    ["TIME '00:00:01'", "'soon'", "[0.1]", "DATE '2026-08-14'", "INTERVAL 1 SECOND", "TRUE"],
)
def test_times_of_clips_that_are_no_seconds(value, inside, capsys):
    from rallymill.cli.main import run

    code = run(["query", f"SELECT 'x' AS match_id, {value} AS t_s", "--clips",
                str(inside / "cut"), "--out", str(inside / "outputs")])  # fmt: skip
    assert code == 2
    assert "t_s holds" in capsys.readouterr().err


def test_a_name_that_is_no_text_is_told_and_the_others_are_read(tmp_path, monkeypatch):
    from films import film
    from rallymill.hostile_match import read_folder
    from rallymill.runner.summary import read_matches

    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")
    films = tmp_path / "films"
    films.mkdir()
    film(films / "good.mp4", n=10)
    try:
        os.rename(film(films / "bad.mp4", n=12), os.path.join(os.fsencode(films), b"caf\xe9.mp4"))
    except OSError:
        pytest.skip("the disk takes no such name")
    assert read_folder(films, tmp_path / "out") >= 1
    rows = {row["file"]: row for row in read_matches(tmp_path / "out").to_pylist()}
    assert "not UTF-8" in rows["caf?.mp4"]["reason"]
    assert rows["caf?.mp4"]["remedy"] == "give it another name"
    assert "good.mp4" in rows


def test_no_question_that_writes_or_reads_elsewhere_is_taken(inside):
    from rallymill.errors import RallymillError
    from rallymill.hostile_sql import WRITING
    from rallymill.season.query import ask, connect

    connection = connect(inside / "outputs")
    kept = str(inside.parent / "outside" / "kept.txt")
    files = [path for path in inside.parent.rglob("*") if path.is_file()]
    before = {path: path.stat().st_mtime_ns for path in files}
    taken = set()
    for question in WRITING:
        try:
            ask(connection, question.replace("{place}", kept))
        except RallymillError:
            continue
        taken.add(question)
    # Of what is asked in that list, these read from memory alone.
    assert taken <= {
        "SELECT write_log('x')", "SELECT txid_current()", "SELECT * FROM query_table('shots')",
    }
    after = {path: path.stat().st_mtime_ns for path in inside.parent.rglob("*") if path.is_file()}
    assert after == before

"""The command line: exit codes, what goes where, and help that helps."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from films import film
from rallymill import doctor
from rallymill.cli.asking import as_text
from rallymill.cli.looking import match_by_start
from rallymill.cli.main import commands, run
from rallymill.cli.progress import Display
from rallymill.errors import InputError

FAKES = Path(__file__).parent / "runner"
CONFIG = "detect: {confidence: 0.25}\nexecution: {copying_wait_s: 0}\n"


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Working folder with recordings, weights, a configuration, and small stages."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "films").mkdir()
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "fake.onnx").write_bytes(b"weights")
    (tmp_path / "configs").mkdir()
    (tmp_path / "configs" / "default.yaml").write_text(CONFIG)
    monkeypatch.setenv("RALLYMILL_HOME", str(tmp_path))
    monkeypatch.setenv("RALLYMILL_STAGES", "fakes:STAGES")
    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")
    monkeypatch.setenv("PYTHONPATH", str(FAKES))
    monkeypatch.syspath_prepend(str(FAKES))
    film(tmp_path / "films" / "Day one.mp4", n=20, size=(192, 108))
    return tmp_path


def process(*more):
    return run(["process", "films", "--debug", *more])


def test_all_read_is_zero_and_lists_the_match(place, capsys):
    assert process() == 0
    said = capsys.readouterr().out
    assert "detect           new" in said
    assert "read         Day one.mp4: 0 points, 8 shots, 1 flags: no match sheet" in said
    assert "1 read, 0 partly read, 0 not read; tables and pages in outputs" in said


def test_unread_match_is_one_with_reason_remedy_log_and_retry(place, capsys, monkeypatch):
    (place / "films" / "broken one.mp4").write_text("not a film")
    monkeypatch.setattr(sys, "argv", ["rallymill", "process", "films"])
    assert process() == 1
    said = capsys.readouterr()
    assert "not read     broken one.mp4: broken one.mp4 is not a video: it holds text" in said.out
    assert "give the recording itself" in said.out
    (log,) = [line.split("log: ")[1] for line in said.out.splitlines() if "log: " in line]
    assert Path(log).is_file()
    assert "go on with: rallymill process films" in said.err
    assert "1 read, 0 partly read, 1 not read" in said.out


def test_summary_is_left_for_the_morning(place, capsys, monkeypatch):
    films = place / "films"
    (films / "broken <one>.mp4").write_text("not a film")
    (films / "twice.mp4").write_bytes((films / "Day one.mp4").read_bytes())
    monkeypatch.setattr(sys, "argv", ["rallymill", "process", "films"])
    assert process() == 1
    said = capsys.readouterr().out
    assert "court found 100 %, ball seen –, took" in said
    assert "same as      Day one.mp4: twice.mp4" in said
    assert "summary in outputs/summary.html" in said
    summary = json.loads((place / "outputs" / "summary.json").read_text())
    assert summary["counts"] == {"read": 1, "partly_read": 0, "not_read": 1}
    assert summary["doubles"] == {"twice.mp4": "Day one.mp4"}
    assert summary["again"] == "rallymill process films"
    assert summary["started"] <= summary["ended"] and summary["took_s"] > 0
    by_file = {one["file"]: one for one in summary["matches"]}
    assert by_file["Day one.mp4"]["took_s"] > 0
    assert by_file["Day one.mp4"]["coverage"] == 1.0
    broken = by_file["broken <one>.mp4"]
    assert broken["remedy"] and (place / "outputs" / broken["log"]).is_file()
    page = (place / "outputs" / "summary.html").read_text()
    assert "broken &lt;one&gt;.mp4" in page and "broken <one>" not in page
    for words in ("it holds text", "rallymill process films", "twice.mp4 is Day one.mp4"):
        assert words in page


def test_plan_says_time_room_and_from_what(place, capsys):
    assert process("--dry-run") == 0
    said = capsys.readouterr().out
    assert "1 recording to read or read on, 0 as it is" in said
    assert "with 1 worker, from reference figures of two slow cores" in said
    assert "of disk" in said and "are free" in said
    process()
    capsys.readouterr()
    assert process("--dry-run") == 0
    assert "0 recordings to read or read on, 1 as it is" in capsys.readouterr().out
    assert process("--dry-run", "--force", "detect", "--json") == 0
    planned = json.loads(capsys.readouterr().out)
    # What detect will give is not known yet, so what reads it is reckoned with too.
    stages = ["detect", "shots", "flags"]
    assert planned["works"] == [{"file": "Day one.mp4", "frames": 20, "stages": stages}]
    assert planned["time"]["source"] == "from the speed of 1 earlier match here"
    low, likely, high = (planned["time"][name] for name in ("low_s", "likely_s", "high_s"))
    assert 0 < low < likely < high < 5


def test_json_stands_alone_on_standard_output(place, capsys):
    assert process("--json") == 0
    said = capsys.readouterr()
    (row,) = json.loads(said.out)["matches"]
    assert row["status"] == "read"
    assert "detect           new" in said.err


def test_dry_run_and_force(place, capsys):
    assert process("--dry-run") == 0
    assert "detect           new" in capsys.readouterr().out
    assert not (place / "outputs").exists()
    process()
    capsys.readouterr()
    assert process("--dry-run", "--force", "detect") == 0
    said = capsys.readouterr().out
    assert "views            kept" in said
    assert "detect           forced" in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["process", "nowhere"], "nowhere: no such folder"),
        (["process", "films", "--force", "detekt"], "did you mean detect?"),
        (["process", "films", "--workers", "0"], "--workers"),
        (["process", "films", "--config", "gone.yaml"], "gone.yaml cannot be read"),
        (["process"], "Missing argument"),
        (["proces"], "No such command"),
        (["query"], "give SQL or the name of a question"),
        (["query", "shrt-balls"], "no question is called shrt-balls"),
        (["status"], "outputs holds no matches"),
        (["report", "nobody"], "no match begins with nobody"),
        (["score", "nowhere", "films"], "nowhere"),
    ],
)
def test_wrong_usage_is_two_and_says_what(place, capsys, arguments, words):
    assert run(arguments) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""


def test_wrong_config_is_two_and_names_the_option(place, capsys):
    (place / "configs" / "default.yaml").write_text("detect: {confidense: 0.3}\n")
    assert process() == 2
    said = capsys.readouterr().err
    assert "detect.confidense is not an option" in said
    assert "did you mean confidence?" in said


def test_status_tells_what_was_read(place, capsys):
    (place / "films" / "broken.mp4").touch()
    process()
    capsys.readouterr()
    assert run(["status"]) == 1
    said = capsys.readouterr().out
    assert "day-one-" in said and "broken.mp4 is empty" in said
    assert run(["status", "--json"]) == 1
    rows = json.loads(capsys.readouterr().out)["matches"]
    assert {row["status"] for row in rows} == {"read", "not_read"}


def test_status_shows_a_match_that_was_begun(place, capsys):
    process()
    (place / "outputs" / "matches.parquet").unlink()
    capsys.readouterr()
    assert run(["status"]) == 0
    assert "begun        Day one.mp4: 5 of 5 stages done" in capsys.readouterr().out


def test_query_as_text_csv_and_json(place, capsys):
    process()
    capsys.readouterr()
    sql = "SELECT player, count(*) AS n FROM shots GROUP BY ALL"
    assert run(["query", sql]) == 0
    assert capsys.readouterr().out.split() == ["player", "n", "A", "8"]
    assert run(["query", sql, "--csv"]) == 0
    assert capsys.readouterr().out == "player,n\nA,8\n"
    assert run(["query", sql, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == [{"player": "A", "n": 8}]
    assert run(["query", "COPY shots TO 'x.csv'"]) == 1
    assert "questions only read" in capsys.readouterr().err
    assert not (place / "x.csv").exists()


def test_named_question(place, capsys):
    folder = place / "configs" / "questions"
    folder.mkdir()
    (folder / "how-many.yaml").write_text("question: How many?\nsql: SELECT 42 AS answer\n")
    process()
    capsys.readouterr()
    assert run(["query", "--list"]) == 0
    assert "how-many" in capsys.readouterr().out
    assert run(["query", "how-many"]) == 0
    assert capsys.readouterr().out.split() == ["answer", "42"]


def test_tables_are_listed_with_units(place, capsys):
    assert run(["query", "--tables"]) == 0
    said = capsys.readouterr().out
    assert "speed_mps" in said and "[m/s]" in said


def test_config_prints_every_option(place, capsys):
    assert run(["config"]) == 0
    said = capsys.readouterr().out
    assert "confidence: 0.25" in said and "threshold: 0.5" in said and "workers: 1" in said


def test_doctor_finds_weights_and_misses_them(place, capsys, monkeypatch):
    # Asking the inference library for its devices takes seconds; that is not what is looked at.
    monkeypatch.setattr(doctor, "devices", lambda: [doctor.Check("device", "cpu")])
    run(["doctor", "--json"])
    checks = {check["name"]: check for check in json.loads(capsys.readouterr().out)}
    assert checks["weights of detect"]["ok"]
    assert checks["write H.264"]["ok"]
    shutil.rmtree(place / "models")
    assert run(["doctor"]) == 1
    assert "! weights of detect" in capsys.readouterr().out


@pytest.mark.parametrize("name", [None, *commands.commands])
def test_help_of_every_command(capsys, name):
    assert run([*([name] if name else []), "--help"]) == 0
    said = capsys.readouterr().out
    assert len(said.splitlines()) > 4
    assert max(len(line) for line in said.splitlines()) <= 100


def test_matches_by_the_start_of_their_name():
    ids = ["day-one-11111111", "day-two-22222222"]
    assert match_by_start("day-t", ids) == "day-two-22222222"
    with pytest.raises(InputError, match="several matches"):
        match_by_start("day", ids)


def test_empty_answer_names_its_columns():
    import pandas as pd

    assert as_text(pd.DataFrame({"a": [], "b": []})) == "no rows: a, b"


def test_bar_reaches_its_end_and_goes(capsys):
    display = Display(["views", "detect"], as_json=False, terminal=True)
    display("m", {"event": "start", "file": "m.mp4"})
    display("m", {"event": "stage", "stage": "views", "reason": "kept"})
    display("m", {"event": "stage", "stage": "detect", "reason": "new"})
    display("m", {"event": "progress", "stage": "detect", "share": 0.5})
    half = display.bars["m"].n
    display("m", {"event": "done", "stage": "detect", "rows": 3, "seconds": 1.0})
    bar = display.bars["m"]
    assert display.weights["views"] < half < bar.total
    assert bar.n == bar.total
    display("m", {"event": "row", "status": "read"})
    assert display.bars == {}
    display.close()
    said = capsys.readouterr()
    assert "detect           new" in said.out
    assert "left" in said.err


def test_interrupt_is_130_and_leaves_no_process(place):
    config = "detect: {trouble: hang}\n"
    (place / "configs" / "default.yaml").write_text(config)
    ledger = place / "ledger.txt"
    process = subprocess.Popen(
        [sys.executable, "-c", "from rallymill.cli import main; main()", "process", "films"],
        env={**os.environ, "RALLYMILL_TEST_LEDGER": str(ledger)},
        start_new_session=True,
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    end = time.monotonic() + 30
    while not (ledger.exists() and "detect start" in ledger.read_text()):
        assert time.monotonic() < end
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=10)
    assert process.returncode == 130
    assert "run the same command again to go on" in said
    with pytest.raises(ProcessLookupError):
        for _ in range(50):
            os.killpg(process.pid, 0)
            time.sleep(0.05)

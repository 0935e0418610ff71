"""``rallymill correct`` as somebody would use it."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from rallymill.cli.main import run
from rallymill.season.privacy import use_codes
from tests.corrections import machine
from tests.corrections.conftest import Read


@pytest.fixture
def place(read: Read, monkeypatch: pytest.MonkeyPatch) -> Read:
    monkeypatch.chdir(read.root)
    monkeypatch.setenv("RALLYMILL_STAGES", machine.REGISTRY)
    return read


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = run([*arguments, "--out", "out"])
    out, err = capsys.readouterr()
    return code, out, err


def test_from_template_to_agreement(place: Read, capsys) -> None:
    code, out, _ = told(capsys, "correct", "final")
    path = place.root / f"{place.match_id}.corrections.csv"
    assert code == 0 and path.name in out
    code, _, err = told(capsys, "correct", "final")
    assert code == 2 and "there already" in err
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    assert [row["what"] for row in rows[:3]] == ["players", "point", "shot"]
    assert rows[2]["player"] == "MAR" and rows[2]["clock"] == "0:00:04"
    for number, row in enumerate(rows):
        if row["what"] == "shot":
            row["do"] = "right" if number > 5 else ""
    rows[2]["direction"] = "wide"
    with open(path, "w", encoding="utf-8", newline="") as out_file:
        # As a spreadsheet of another country would save it.
        writer = csv.DictWriter(out_file, list(rows[0]), delimiter=";")
        writer.writeheader()
        writer.writerows(
            {name: cell.replace(".", ",") if name.endswith("_m") or name == "t_s" else cell
             for name, cell in row.items()} for row in rows
        )  # fmt: skip
    n_rows = sum(row["what"] == "shot" and row["do"] == "right" for row in rows) + 1
    code, out, _ = told(capsys, "correct", "final", str(path), "--dry-run")
    assert code == 0 and "would change shot at 4.02 s near: direction wide" in out
    code, out, err = told(capsys, "correct", "final", str(path), "--by", "TB")
    assert code == 0 and "applied as number 1" in out and "corrected_shots made anew" in err
    assert f"of {n_rows} strokes looked at 1 were wrong: 4%" in out
    code, out, _ = told(capsys, "correct", "final", str(path))
    assert code == 0 and "nothing new" in out
    code, out, _ = told(capsys, "status")
    assert f"of {n_rows} strokes looked at 1 were wrong" in out
    assert "1 cell corrected by hand" in out
    code, out, _ = told(capsys, "status", "--json")
    shares = json.loads(out)["agreement"][place.match_id]["shots"]
    assert shares["columns"]["direction"]["wrong"] == 1 and shares["changed"]["low"] > 0
    code, out, _ = told(capsys, "query", "SELECT status, cell, value FROM corrections "
                        "WHERE cell IS NOT NULL", "--csv")  # fmt: skip
    assert out == "status,cell,value\nstands,direction,wide\n"
    code, out, _ = told(capsys, "correct", "final", "--list")
    assert code == 0 and f" by TB: {n_rows} rows of" in out
    code, out, _ = told(capsys, "correct", "final", "--take-back", "1")
    assert code == 0 and "taken back" in out
    assert place.rows("shots") == place.rows("machine_shots")
    code, out, err = told(capsys, "correct", "final", "--take-back", "7")
    assert code == 2 and "no corrections 7" in err


def test_faults_are_lines_and_nothing_is_applied(place: Read, capsys) -> None:
    path = place.file("what,t_s,side,stroke\nshot,13.09,near,lob\nshot,13.09,near,smash\n")
    code, out, err = told(capsys, "correct", "final", str(path))
    assert code == 2 and not place.correcting.kept().files
    assert "said.csv, row 3: stroke is 'smash'; it may be serve" in err
    assert "none was" in err and "--partly" in err and "Traceback" not in err
    code, out, err = told(capsys, "correct", "final", str(path), "--partly", "--json")
    plain = json.loads(out)
    assert code == 1 and len(plain["faults"]) == 1
    assert plain["applied"]["rows"][0]["values"] == {"stroke": "lob"}
    code, _, err = told(capsys, "correct", "quarter-final", str(path))
    assert code == 2 and "no match begins with quarter-final" in err
    code, _, err = told(capsys, "correct", "final", "none.csv")
    assert code == 2 and "none.csv cannot be read" in err


def test_a_recording_that_is_away_keeps_the_sheet_in_force(place: Read, capsys) -> None:
    video = place.root / "films" / "final.mp4"
    video.rename(place.root / "elsewhere.mp4")
    path = place.file("what,t_s,side,stroke\nshot,13.09,near,lob\n")
    code, out, _ = told(capsys, "correct", "final", str(path))
    assert code == 0 and "the recording is not at" in out and "rallymill process" in out
    assert place.rows("shots")[3]["stroke"] != "lob"
    (place.root / "elsewhere.mp4").rename(video)
    place.process()
    assert place.rows("shots")[3]["stroke"] == "lob"
    assert {row["player"] for row in place.rows("shots")} == {"MAR", "ORR"}


def test_names_in_notes_are_replaced_by_codes(place: Read, capsys) -> None:
    text = "what,t_s,side,stroke,by,note\nshot,13.09,near,lob,Marrec,Ilva Marrec told me so\n"
    code, *_ = told(capsys, "correct", "final", str(place.file(text)))
    assert code == 0
    use_codes(place.out, None)
    left = [path for path in (place.store.folder / "corrections").iterdir()
            if b"Marrec" in path.read_bytes()]  # fmt: skip
    assert not left
    (row,) = place.correcting.kept().rows
    assert (row.by, row.note) == ("MAR", "MAR told me so")
    assert not any(b"Marrec" in path.read_bytes() for path in Path(place.store.folder).rglob(
        "*.parquet"))  # fmt: skip


def test_a_corrected_match_joins_a_season(place: Read, capsys) -> None:
    """Also where a stroke in the middle was taken out, so that the opponent's was not seen."""
    middle = place.rows("shots")[4]
    text = f"what,do,t_s,side\nshot,remove,{middle['t_contact_s']:.3f},{middle['hitter']}\n"
    code, *_ = told(capsys, "correct", "final", str(place.file(text)))
    assert code == 0 and place.rows("points")[1]["n_shots"] == 7
    assert sum(row["point_id"] == 1 for row in place.rows("shots")) == 6
    code, out, err = told(capsys, "season", "add", "--season-dir", "season")
    assert code == 0, out + err
    code, out, _ = told(capsys, "query", "SELECT count(*) AS n FROM shots", "--csv",
                        "--season-dir", "season")  # fmt: skip
    assert out.split() == ["n", str(len(place.rows("shots")))]

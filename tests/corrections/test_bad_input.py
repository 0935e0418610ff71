"""Whatever is wrong with a file is said in a line: which file, which row, what, what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from rallymill.corrections.reading import Fault, read
from rallymill.corrections.rows import WHATS
from rallymill.errors import InputError
from rallymill.runner.correct import CorrectionError
from tests.corrections.conftest import Read


def written(tmp_path: Path, content: str | bytes, name: str = "said.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def faults(tmp_path: Path, text: str) -> list[Fault]:
    return list(read(written(tmp_path, text)).faults)


@pytest.mark.parametrize(
    ("content", "name", "problem"),
    [
        (b"", "a.csv", "a.csv is empty"),
        (b" \n\n", "a.csv", "is empty"),
        (b"what,do,t_s,side\n", "a.csv", "holds no row below the column names"),
        (b"what,t_s,stroke\nshot,1,na\xefve\n", "a.csv", r"not UTF-8 \(row 2\)"),
        (b"what,t_s,stroke\nshot,1,a\0b\n", "a.csv", "no text file"),
        (b"PK\x03\x04rubbish", "a.csv", "a workbook with the name of a text file"),
        (b"PK\x03\x04rubbish", "a.xlsx", "cannot be read as a workbook"),
        (b"what,t_s,strok\nshot,1,lob\n", "a.csv", "unknown column strok"),
        (b"what,t_s,stroke,stroke\nshot,1,lob,lob\n", "a.csv", "stroke stands twice"),
        (b"what,stroke\nshot,lob\n", "a.csv", "no column t_s"),
        (b"\xff\xd8\xff\xe0 a picture", "a.csv", "not UTF-8"),
    ],
)
def test_a_file_that_cannot_be_used(tmp_path, content, name, problem):
    with pytest.raises(InputError, match=problem) as caught:
        read(written(tmp_path, content, name))
    assert name in caught.value.problem and caught.value.remedy


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"none\.csv cannot be read"):
        read(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read(tmp_path)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("shoot,,1,near,,,,", "what is 'shoot'"),
        ("shot,delete,1,near,,,,", "do is 'delete'"),
        ("shot,,soon,near,lob,,,", "'soon' is no number"),
        ("shot,,,near,lob,,,", "t_s: '' is no number"),
        ("shot,,-3,near,lob,,,", "-3 s is no time"),
        ("shot,,nan,near,lob,,,", "'nan' is no number"),
        ("shot,,1,,lob,,,", "side is empty"),
        ("shot,,1,left,lob,,,", "side is 'left'"),
        ("shot,,1,near,smash,,,", "stroke is 'smash'; it may be serve, return"),
        ("shot,,1,near,,99,,", "bounce_y_m is 99; it must lie within -60 and 60"),
        ("shot,,1,near,,1e400,,", "no number"),
        ("shot,,1,near,,-5,,", "not on the opponent's side of the net"),
        ("shot,,1,near,none,,,", "stroke cannot be empty; write unknown"),
        ("shot,,1,near,,,winner,", "ended_by does not belong to a shot row"),
        ("point,,1,,lob,,,", "stroke does not belong to a point row"),
        ("point,add,1,,,,,", "a point cannot be added"),
        ("point,,1,,,,lost,", "ended_by is 'lost'"),
        ("point,,1,,,,,,,,", ""),
        ("players,,1,,,,,", "neither near nor far"),
        ("players,,1,,,,,MAR;DROP", "no code of a player"),
        ("court,,1,,,,,", "no court_point, no x_px, no y_px"),
        ('shot,,1,near,lob,"1,5",,', "bounce_y_m is '1,5', no number"),
        ("shot,,1,near,lob,,,,,5", "10 cells under 8 columns"),
    ],
)
def test_a_row_that_cannot_be_used(tmp_path, line, problem):
    text = f"what,do,t_s,side,stroke,bounce_y_m,ended_by,near\nshot,,2,near,lob,,,\n{line}\n"
    found = read(written(tmp_path, text))
    if not problem:
        assert not found.faults
        return
    (fault,) = found.faults
    assert fault.row == 3
    said = fault.text("said.csv")
    assert said.startswith("said.csv, row 3: ") and problem in said and fault.remedy
    # The good row is read all the same.
    assert [row.row for row in found.rows] == [2]


@pytest.mark.parametrize(
    "text",
    [
        "what;t_s;side;bounce_x_m;stroke\nshot;13,09;near;-3,5;Drop Shot\n",
        "what\tt_s\tside\tbounce_x_m\tstroke\nshot\t13,09\tnear\t-3,5\tdrop-shot\n",
        "what,t_s,side,bounce_x_m,stroke\nshot,13.09,near,-3.5,DROP_SHOT\n",
        "\ufeffWhat,t_s,Side,bounce_x_m,stroke,\r\n\r\n"
        "SHOT,13.09,Near,−3.50,drop shot,\r\n# a remark\n",
        'what,t_s,side,bounce_x_m,stroke\n"shot","13.09","near","-3.5","drop_shot"',
    ],
    ids=["semicolons", "tabs", "commas", "marks", "quotes"],
)
def test_what_spreadsheets_write(tmp_path, text):
    (row,) = read(written(tmp_path, text)).rows
    assert (row.t_s, row.side) == (13.09, "near")
    assert row.values == {"bounce_x_m": -3.5, "stroke": "drop_shot"}
    for encoding in ("utf-16", "utf-8-sig"):
        path = written(tmp_path, text.removeprefix("\ufeff").encode(encoding))
        assert read(path).rows[0].values == row.values


@pytest.mark.parametrize("ending", [".xlsx", ".ods"])
def test_workbooks_are_read(ending):
    (row, other) = read(Path(__file__).parent / f"said{ending}").rows
    assert (row.what, row.t_s, row.side, row.row) == ("shot", 13.09, "near", 2)
    assert row.values == {"bounce_x_m": -3.5, "stroke": "drop_shot", "in_court": True}
    assert (other.what, other.values) == ("point", {"serve_number": 2})


def test_faults_of_rows_that_do_not_fit_the_match(read: Read):
    shots = read.rows("shots")
    t_s = shots[4]["t_contact_s"]
    text = (
        "what,do,t_s,side,stroke,ended_by,near,score\n"
        f"shot,,{t_s:.3f},far,lob,,,\n"
        f"shot,,{t_s:.3f},far,volley,,,\n"
        f"shot,,{t_s:.3f},near,volley,,,\n"
        f"shot,add,{t_s + 0.1:.3f},far,volley,,,\n"
        "shot,remove,5000,near,,,,\n"
        "point,,5000,,,winner,,\n"
        "players,,20,,,,ZZZ,\n"
        "point,,10.9,,,,,30-15\n"
    )
    with pytest.raises(CorrectionError, match="none was") as caught:
        read.apply(text)
    said = caught.value.faults
    assert [line.split(":")[0] for line in said] == [f"said.csv, row {k}" for k in range(3, 10)]
    for line, words in zip(said, (
        "contradicts row 2", "no stroke of the near player", "there is a stroke of the far player",
        "no stroke of the near player", "no point at 5000.00 s", "the match sheet has MAR, ORR",
        "'30-15' is no score",
    ), strict=True):  # fmt: skip
        assert words in line and ";" in line, line
    assert not read.correcting.kept().files
    done = read.apply(text, partly=True)
    assert done.applied is not None and [row.row for row in done.applied.rows] == [2]
    assert read.rows("shots")[4]["stroke"] == "lob"


def test_two_strokes_that_fit_are_told(read: Read):
    t_s = read.rows("shots")[4]["t_contact_s"]
    read.apply(f"what,do,t_s,side\nshot,add,{t_s + 0.36:.3f},far\n")
    with pytest.raises(CorrectionError) as caught:
        read.apply(f"what,t_s,side,stroke\nshot,{t_s + 0.18:.3f},far,lob\n")
    assert "two strokes of the far player fit, at 14.30 s and 14.66 s" in caught.value.faults[0]


def test_court_points_of_which_no_camera_can_be_made(read: Read):
    text = (
        "what,t_s,court_point,x_px,y_px\n"
        "court,0.4,near_left_doubles_corner,10,100\ncourt,0.4,near_right_doubles_corner,150,100\n"
    )
    with pytest.raises(CorrectionError) as caught:
        read.apply(text)
    assert "2 points on the ground, need 4" in caught.value.faults[0]
    text += "court,0.4,far_left_doubles_corner,50,40\ncourt,0.4,far_right_doubles_corner,110,40\n"
    done = read.apply(text)
    # The recording must be looked at again, which is left to the next night.
    assert done.applied is not None and done.stages == []
    assert done.waiting[0] == "views" and "look at the recording again" in done.why_waiting


def test_kinds_of_rows_are_those_of_the_table():
    from rallymill.corrections.rows import ACTIONS
    from rallymill.tables import CORRECTED, CORRECTING

    assert (WHATS, ACTIONS) == (CORRECTED, CORRECTING)


def test_a_broken_file_in_the_folder_is_named_and_the_rest_holds(read: Read):
    read.apply("what,t_s,side,stroke\nshot,13.09,near,approach\n")
    folder = read.store.folder / "corrections"
    (folder / "0002.json").write_text('{"format": 1, "number": 2, "rows": [{"what"', "utf-8")
    read.process()
    from rallymill.runner.summary import read_matches

    (row,) = read_matches(read.out).to_pylist()
    assert row["status"] == "partly_read"
    assert "corrections/0002.json cannot be read" in row["reason"]
    assert [shot["stroke"] for shot in read.rows("shots")][3] == "approach"
    # The next number is a new one, nothing is written over.
    done = read.apply("what,t_s,side,stroke\nshot,13.09,near,lob\n")
    assert done.applied is not None and done.applied.number == 3

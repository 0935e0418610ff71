"""Match sheets: what they may say, and what is said about wrong ones."""

from __future__ import annotations

import pytest

from rallymill import matchsheet
from rallymill.errors import InputError

FULL = """
event: Lantern Quay Open
date: 2026-08-14
surface: hard
players:
  near: {name: Ilva Marrec, hand: left}
  far: Tamsin Orrow
first_server: far
"""


def test_no_sheet_and_empty_sheet_are_empty(tmp_path):
    assert matchsheet.for_video(tmp_path / "a.mp4") == {}
    assert matchsheet.parse("", "a.sheet.yaml") == {}


def test_full_sheet(tmp_path):
    video = tmp_path / "Final, day 3.mp4"
    matchsheet.path_for(video).write_text(FULL)
    assert matchsheet.path_for(video).name == "Final, day 3.sheet.yaml"
    sheet = matchsheet.for_video(video)
    assert sheet["players"]["near"] == {"name": "Ilva Marrec", "code": "MAR", "hand": "left"}
    assert sheet["players"]["far"] == {"name": "Tamsin Orrow", "code": "ORR", "hand": None}
    assert (sheet["date"], sheet["surface"], sheet["first_server"]) == ("2026-08-14", "hard", "far")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("surfaces: hard", "surfaces: unknown key, did you mean surface"),
        ("players: {near: {nam: A}}", "players.near.nam: unknown key, did you mean name"),
        ("surface: ice", "surface: Input should be 'hard'"),
        ("date: 14/08/2026", "not a date like"),
        ("players: {near: Dov, far: dov}", "both players are called Dov"),
        ("a: [1", "not YAML in line"),
        ("- a\n- b", "no keys and values"),
        ("first_server: Dov", "first_server: Input should be 'near' or 'far'"),
    ],
)
def test_wrong_sheets_say_what_is_wrong(text, match):
    with pytest.raises(InputError, match=match) as caught:
        matchsheet.parse(text, "x.sheet.yaml")
    assert "x.sheet.yaml" in caught.value.problem
    assert caught.value.remedy


def test_all_faults_are_listed_at_once():
    with pytest.raises(InputError, match=r"surface.*first_server"):
        matchsheet.parse("surface: ice\nfirst_server: up", "x")


def test_bytes_that_are_not_utf8(tmp_path):
    path = tmp_path / "a.sheet.yaml"
    path.write_bytes(b"event: \xff\xfe\xff")
    with pytest.raises(InputError, match="UTF-8"):
        matchsheet.load(path)


def test_codes_differ_and_need_no_latin_letters():
    sheet = matchsheet.parse("players: {near: Dov Kestrell, far: Mia Kestrell}", "x")
    codes = {sheet["players"][side]["code"] for side in ("near", "far")}
    assert len(codes) == 2
    assert matchsheet.code_for("Łucja Ørsted") == "ORS"
    assert matchsheet.code_for("李") == "XXX"


def test_saved_sheet_comes_back(tmp_path):
    path = tmp_path / "a.sheet.yaml"
    sheet = matchsheet.MatchSheet.model_validate(
        {"surface": "clay", "players": {"far": {"name": "Renzo Alamay", "hand": "right"}}}
    )
    matchsheet.save(sheet, path)
    read = matchsheet.load(path)
    assert read["surface"] == "clay"
    assert read["players"]["near"] is None
    assert read["players"]["far"]["hand"] == "right"

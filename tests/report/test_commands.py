from __future__ import annotations

import json
from pathlib import Path

import pytest

from rallymill.cli.main import run
from rallymill.report import films
from tests.report import by_hand


def test_report_cuts_clips_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = by_hand.film(tmp_path / "lantern.mp4")
    by_hand.write(tmp_path)
    record = tmp_path / "matches" / by_hand.MATCH / "match.json"
    record.write_text(json.dumps({"path": str(film)}), encoding="utf-8")
    page = tmp_path / "matches" / by_hand.MATCH / "page"
    assert run(["report", "lan", "--out", str(tmp_path)]) == 0
    assert capsys.readouterr().out.strip() == str(page / "index.html")
    assert not (page / films.FOLDER).exists()
    assert run(["report", "lan", "--out", str(tmp_path), "--clips"]) == 0
    said = capsys.readouterr()
    assert said.out.strip() == str(page / "index.html")
    assert "clips: 1 of points, 3 of flags" in said.err
    assert 'data-src="clips/flag-0001.mp4"' in (page / "index.html").read_text("utf-8")


def test_a_recording_that_is_gone_is_told_with_a_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_hand.write(tmp_path)
    assert run(["report", by_hand.MATCH, "--out", str(tmp_path), "--clips"]) == 2
    said = capsys.readouterr().err
    assert "not where it was read" in said and "bring it back" in said


def test_a_season_that_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["season", "page", "--season-dir", str(tmp_path / "none")]) == 2
    assert "Traceback" not in capsys.readouterr().err

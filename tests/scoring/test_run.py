from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from rallymill import tableio, tables
from rallymill.errors import InputError
from rallymill.scoring import findings, score
from rallymill.scoring.rows import ALL_CLIPS, NotMeasured, Tally
from rallymill.scoring.run import MEASURES, score_clips
from tests.scoring import by_hand

BETTER_LOW = ("error", "wrongly", "claimed", "place", "time")


def _write(folder: Path, stem: str, match_id: str, leave: str = "") -> dict[str, object]:
    for name, table in by_hand.truth().items():
        tableio.write(folder / f"truth/{stem}.truth.{name}.parquet", tables.ALL[name], table)
        if name != leave:
            tableio.write(
                folder / f"out/matches/{match_id}/{name}.parquet", tables.ALL[name], table
            )
    return {
        "match_id": match_id,
        "file": f"day one/{stem}.mp4",
        "status": "read",
        "duration_s": 5.0,
    }


def _matches(folder: Path, rows: list[dict[str, object]]) -> None:
    tableio.write(
        folder / "out/matches.parquet", tables.MATCHES, tableio.from_rows(tables.MATCHES, rows)
    )


def test_no_clips_no_rows() -> None:
    assert score_clips([]) == []


def test_truth_against_itself_is_perfect_in_every_row(make_clip) -> None:
    rows = [row for row in score_clips([make_clip()]) if row.clip == ALL_CLIPS]
    assert len(rows) == len(MEASURES)
    for row in rows:
        if row.value is None or row.quantity.startswith("time"):
            continue
        low = any(word in row.quantity for word in BETTER_LOW)
        assert row.value == pytest.approx(0.0 if low else 1.0), row.quantity
        assert row.count > 0 and row.met is not False
    unmeasured = {row.quantity for row in rows if row.value is None}
    assert unmeasured <= {
        "ball: claimed where none is visible",
        "flags: F1 against the rules on the truth",
    } | {row.quantity for row in rows if "wrongly" in row.quantity}


def test_files_are_found_by_stem_and_counted_together(tmp_path: Path) -> None:
    _matches(tmp_path, [_write(tmp_path, "a b", "m1"), _write(tmp_path, "c", "m2", leave="tracks")])
    rows = {(row.quantity, row.clip): row for row in score(tmp_path / "out", tmp_path / "truth")}
    hits = "hits: F1 within 2 frames and on the side"
    assert rows[hits, ALL_CLIPS].count == 6 and rows[hits, "a b"].count == 3
    ball = rows["ball: recall within 5 px", ALL_CLIPS]
    assert ball.value == 1.0 and "1 of 2 clips" in ball.note and "tracks.parquet" in ball.note
    alone = rows["ball: recall within 5 px", "c"]
    assert alone.value is None and alone.met is None and "tracks.parquet" in alone.note
    picked = score(tmp_path / "out", tmp_path / "truth", match="c")
    assert {row.clip for row in picked} == {ALL_CLIPS, "c"}
    assert picked == score(tmp_path / "out", tmp_path / "truth", match="m2")


def test_truth_of_the_same_folder_goes_before_that_of_the_same_name(tmp_path: Path) -> None:
    for day, later in (("day one", 0.0), ("day two", 0.5)):
        for name, table in (by_hand.truth() | {"events": by_hand.events(later)}).items():
            tableio.write(
                tmp_path / f"truth/{day}/a.truth.{name}.parquet", tables.ALL[name], table
            )
            tableio.write(tmp_path / f"out/matches/{day}/{name}.parquet", tables.ALL[name], table)
    _matches(tmp_path, [
        {"match_id": day, "file": f"{day}/a.mp4", "status": "read", "duration_s": 5.0}
        for day in ("day one", "day two")
    ])
    hits = [
        row for row in score(tmp_path / "out", tmp_path / "truth") if row.quantity.startswith("hit")
    ]
    assert [row.value for row in hits] == [1.0, 1.0, 1.0]
    assert [row.clip for row in hits] == [ALL_CLIPS, "day one/a", "day two/a"]


def test_nothing_to_score_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such table"):
        score(tmp_path, tmp_path)
    _matches(tmp_path, [_write(tmp_path, "a", "m1")])
    with pytest.raises(InputError, match="no truth for match z"):
        score(tmp_path / "out", tmp_path / "truth", match="z")


def _flags(*rows: tuple[str, int, str]) -> pd.DataFrame:
    return tableio.from_rows(
        tables.FLAGS,
        [
            {
                "match_id": "m",
                "flag_id": i,
                "rule": rule,
                "kind": "fault",
                "severity": 0.5,
                "confidence": 0.9,
                "point_id": 0,
                "shot_id": shot,
                "side": side,
                "sentence": "s",
                "clip_start_s": 0.0,
                "clip_end_s": 1.0,
            }
            for i, (rule, shot, side) in enumerate(rows)
        ],
    ).to_pandas()


def test_flags_pair_by_rule_side_and_stroke() -> None:
    shots = by_hand.shots().to_pandas()
    # Numbered differently in the run: its stroke 10 is the true stroke 0.
    found_shots = shots.assign(shot_id=shots["shot_id"] + 10)
    true = _flags(("late", 0, "near"), ("late", 1, "far"), ("deep", 2, "near"))
    found = _flags(("late", 10, "near"), ("late", 11, "near"), ("late", 12, "near"))
    assert findings.match_flags(found, found_shots, true, shots) == Tally(1, 2, 2)
    assert findings.match_flags(found.iloc[:0], found_shots, true, shots) == Tally(0, 0, 3)


def test_strokes_of_points_that_a_cut_interrupts_are_left_out(make_clip) -> None:
    true = by_hand.truth()
    # Truth has three hits but only the strokes of the first two.
    true["shots"] = true["shots"].slice(0, 2)
    clip = make_clip(true=true)
    found, wanted = (t["shots"].to_pandas() for t in (clip.predicted, clip.truth))
    assert findings._of_cut_points(clip, found, wanted).tolist() == [False, False, True]
    whole = make_clip()
    assert not findings._of_cut_points(whole, found, found).any()


def test_flags_without_a_table_say_so(make_clip) -> None:
    clip = replace(make_clip(), missing={"predicted flags": "no file flags.parquet"})
    assert findings.flags(clip) == NotMeasured("no file flags.parquet")


def test_speed_is_work_over_length(make_clip) -> None:
    row = next(r for r in score_clips([make_clip()]) if r.quantity.startswith("time"))
    assert row.value == pytest.approx(0.4) and row.met
    slow = replace(make_clip(), seconds=None)
    assert isinstance(findings.speed(slow), NotMeasured)

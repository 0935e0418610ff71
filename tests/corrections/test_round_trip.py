"""Corrections hold when the match is read again by a detector that sees it a little otherwise."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from rallymill.runner.rowhash import rows_hash
from rallymill.tables import ALL
from tests.corrections.conftest import Read

FRAME_S = 0.04


def edited(read: Read) -> tuple[str, list[tuple[str, float, str, dict[str, Any]]]]:
    """The template with twenty rows changed, and what each is to come to: kind of row, time, side
    and values."""
    rows = list(csv.DictReader(io.StringIO(read.correcting.template())))
    strokes = [row for row in rows if row["what"] == "shot"]
    points = [row for row in rows if row["what"] == "point"]
    wanted: list[tuple[str, float, str, dict[str, Any]]] = []

    def change(row: dict[str, str], **values: Any) -> None:
        for name, value in values.items():
            row[name] = str(value).lower() if isinstance(value, bool) else str(value)
        wanted.append((row["what"], float(row["t_s"]), row["side"], values))

    change(strokes[3], stroke="approach")
    change(strokes[4], stroke="volley", wing="backhand")
    change(strokes[5], direction="down_the_line")
    change(strokes[10], wing="forehand", stroke="lob")
    change(strokes[11], depth="short")
    change(strokes[12], stroke="drop_shot", direction="cross_court")
    change(strokes[17], bounce_x_m=3.2, bounce_y_m=-10.9)
    change(strokes[18], speed_mps=31.5)
    change(strokes[19], in_court=True)
    change(strokes[21], hitter_x_m=1.25)
    change(strokes[22], contact_z_m=0.61)
    change(strokes[23], opponent_state="on_the_run")
    change(strokes[0], direction="body")
    change(points[1], ended_by="forced_error", won_by="far")
    change(points[3], ended_by="unforced_error")
    change(points[5], score="2-3, 15-30")
    change(points[8], won_by="far")
    strokes[13]["do"] = "remove"
    wanted.append(("gone", float(strokes[13]["t_s"]), strokes[13]["side"], {}))
    strokes[1]["do"] = "right"
    wanted.append(("right", float(strokes[1]["t_s"]), strokes[1]["side"], {}))
    added = {"what": "shot", "do": "add", "t_s": "38.400", "side": "near", "stroke": "volley"}
    rows.append(added)  # type: ignore[arg-type]
    wanted.append(("shot", 38.4, "near", {"stroke": "volley"}))
    assert len(wanted) == 20
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue(), wanted


def standing(read: Read, wanted: list[Any], later_s: float = 0.0) -> int:
    """How many corrections stand in the tables; the others fail the test."""
    shots, points = read.rows("shots"), read.rows("points")
    count = 0
    for what, t_s, side, values in wanted:
        t_s = t_s if what == "shot" and t_s == 38.4 else t_s + later_s
        at = [row for row in shots
              if abs(row["t_contact_s"] - t_s) < 0.03 and row["hitter"] == side]  # fmt: skip
        if what == "gone":
            assert not at, (what, t_s)
        elif what == "point":
            (row,) = (row for row in points if abs(row["start_s"] - t_s) < 0.03)
            for name, value in values.items():
                assert row[name] == value, (t_s, name)
        else:
            (row,) = at
            for name, value in values.items():
                same = row[name] == (pytest.approx(value) if isinstance(value, float) else value)
                assert same, (t_s, name, row[name])
        count += 1
    return count


def test_twenty_corrected_rows_stand_when_another_detector_reads_the_match(read: Read) -> None:
    text, wanted = edited(read)
    machine = rows_hash(read.store.read_table(ALL["machine_shots"]))
    done = read.apply(text)
    assert done.applied is not None and len(done.applied.rows) == 20 and not done.problem
    assert standing(read, wanted) == 20
    assert rows_hash(read.store.read_table(ALL["machine_shots"])) == machine
    before = {row["shot_id"]: row["t_contact_s"] for row in read.rows("shots")}

    read.process(later_s=FRAME_S, rally_more=True)
    assert rows_hash(read.store.read_table(ALL["machine_shots"])) != machine
    assert standing(read, wanted, FRAME_S) == 20
    after = {row["shot_id"]: row["t_contact_s"] for row in read.rows("shots")}
    assert len(after) == len(before) + 1, "the new detector found a rally more"
    assert after[5] == pytest.approx(before[4] + FRAME_S), "numbers moved up by one"
    status = read.frame("corrections")["status"]
    assert set(status) == {"stands"}, read.frame("corrections")[status != "stands"]

    # What was read before is kept: nothing runs again without a reason.
    assert set(read.process(later_s=FRAME_S, rally_more=True).values()) == {"kept"}


def test_a_row_that_no_longer_fits_is_reported(read: Read) -> None:
    text, wanted = edited(read)
    read.apply(text)
    lost_s = wanted[1][1]
    read.process(without_s=lost_s)
    table = read.frame("corrections")
    unfit = table[table.status == "unfit"]
    assert list(unfit.cell) == ["stroke", "wing"] and unfit.t_s.round(3).unique() == [lost_s]
    assert "no stroke of the" in unfit.reason.iloc[0]
    assert standing(read, [wanted[0], *wanted[2:]]) == 19
    from rallymill.runner.summary import read_matches

    (row,) = read_matches(read.out).to_pylist()
    assert "2 corrections no longer fit" in row["reason"]
    assert "--list" in row["remedy"]
    # The old detector comes back, and with it the row.
    read.process()
    assert set(read.frame("corrections").status) == {"stands"}


def test_what_the_machine_says_by_now_agrees(read: Read) -> None:
    """A stroke put in by hand that a newer detector finds itself is not doubled."""
    lost_s = read.rows("machine_shots")[4]["t_contact_s"]
    side = read.rows("machine_shots")[4]["hitter"]
    read.process(without_s=lost_s)
    shots_before = len(read.rows("shots"))
    read.apply(f"what,do,t_s,side\nshot,add,{lost_s + 0.05:.3f},{side}\n")
    assert len(read.rows("shots")) == shots_before + 1
    read.process()
    assert len(read.rows("shots")) == shots_before + 1
    assert len(read.rows("machine_shots")) == shots_before + 1
    at = [row for row in read.rows("shots") if abs(row["t_contact_s"] - lost_s) < 0.3]
    assert len(at) == 1 and at[0]["t_contact_s"] == pytest.approx(lost_s)


def test_only_what_depends_on_a_correction_runs_again(read: Read) -> None:
    done = read.apply("what,t_s,ended_by\npoint,10.87,winner\n")
    assert done.stages == ["corrected_points", "corrections", "flags"]
    done = read.apply("what,do,t_s,side\nshot,right,10.87,near\n")
    assert done.stages == ["corrected_shots", "corrected_points", "corrections"]
    done = read.apply("what,t_s,side,stroke\nshot,13.09,near,approach\n")
    assert done.stages == ["corrected_shots", "corrected_points", "corrections", "flags"]


def test_taking_corrections_back_brings_the_machines_tables_back(read: Read) -> None:
    before = {name: rows_hash(read.store.read_table(ALL[name]))
              for name in ("shots", "points", "flags")}  # fmt: skip
    assert before["shots"] == rows_hash(read.store.read_table(ALL["machine_shots"]))
    text, _ = edited(read)
    read.apply(text)
    read.apply("what,t_s,near,far\nplayers,50,ORR,MAR\n")
    assert rows_hash(read.store.read_table(ALL["shots"])) != before["shots"]
    read.take_back(1)
    assert {row["what"] for row in read.rows("corrections")} == {"players"}
    read.take_back(2)
    for name, old in before.items():
        assert rows_hash(read.store.read_table(ALL[name])) == old, name
    # Nothing was deleted, and what was taken back can be taken up again.
    assert [file.number for file in read.correcting.kept().files] == [1, 2, 3, 4]
    read.take_back(3)
    assert len(read.rows("corrections")) > 20


def test_the_same_file_again_is_nothing_new(read: Read) -> None:
    text, wanted = edited(read)
    read.apply(text)
    once = {name: rows_hash(read.store.read_table(ALL[name])) for name in ("shots", "points")}
    again = read.apply(text)
    assert again.applied is None
    assert read.apply(read.correcting.template()).applied is None
    assert once == {name: rows_hash(read.store.read_table(ALL[name])) for name in once}
    assert standing(read, wanted) == 20


def test_players_change_ends(read: Read) -> None:
    read.apply("what,t_s,near,far\nplayers,27.3,ORR,MAR\n")
    shots, points = read.frame("shots"), read.frame("points")
    early, late = shots[shots.t_contact_s < 27], shots[shots.t_contact_s > 27]
    assert set(early[early.hitter == "near"].player) == {"MAR"}
    assert set(late[late.hitter == "near"].player) == {"ORR"}
    assert set(late[late.hitter == "near"].opponent) == {"MAR"}
    assert set(points[points.start_s > 27].server_player) == {"ORR"}
    flags = read.frame("flags")
    later = flags[(flags.clip_start_s > 27) & (flags.side == "near")]
    assert set(later.player) <= {"ORR"}

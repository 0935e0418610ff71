"""The listing of a match: what was got out of it, and when that is not enough."""

from __future__ import annotations

import pytest

from rallymill import tableio
from rallymill.runner.store import MatchRecord, MatchStore
from rallymill.runner.summary import Yield, ball_coverage, court_coverage, match_row, verdict
from rallymill.tables import ALL, FRAMES, POINTS, TRACKS, VIEWS

RECORD = MatchRecord("a-1", "a.mp4", "/a.mp4", "1")
GOOD = {"main_views": 3, "coverage": 0.98, "n_detections": 900, "n_shots": 12, "ball_coverage": 0.9}


def frames_table(n, lost=()):
    return tableio.from_rows(
        FRAMES,
        [
            {"match_id": "a-1", "frame": k, "t_s": k / 25, "view_id": 0,
             "court_status": "lost" if k in lost else "found"}
            for k in range(n)
        ],
    )  # fmt: skip


def test_nothing_gives_no_coverage():
    assert court_coverage(FRAMES.empty()) is None
    assert ball_coverage(FRAMES.empty(), TRACKS.empty(), POINTS.empty()) is None
    assert ball_coverage(frames_table(10), TRACKS.empty(), POINTS.empty()) is None


@pytest.mark.parametrize(
    ("change", "status", "words"),
    [
        ({}, "read", ""),
        ({"main_views": 0, "coverage": None}, "not_read", "no court in sight"),
        ({"coverage": 0.0}, "not_read", "the court was found in 0%"),
        ({"coverage": 0.3}, "partly_read", "the court was found in 30%"),
        ({"n_detections": 0, "n_shots": 0}, "not_read", "neither a player nor the ball"),
        ({"n_shots": 0, "ball_coverage": None}, "partly_read", "no stroke was found"),
        ({"ball_coverage": 0.2}, "partly_read", "the ball was seen in 20%"),
    ],
)
def test_verdict_says_what_is_missing(change, status, words):
    found, reasons, remedies = verdict(RECORD, Yield(**{**GOOD, **change}))
    assert found == status
    assert words in "; ".join(reasons)
    assert bool(remedies) == (status != "read")


def test_same_remedy_is_given_once():
    record = MatchRecord("a-1", "a.mp4", "/a.mp4", "1")
    record.video = {"truncated": True, "duration_s": 9.0, "read_s": 5.0, "packets": 100,
                    "bad_packets": 7}  # fmt: skip
    _, reasons, remedies = verdict(record, Yield(**GOOD))
    assert reasons == [
        "cut off: the last 4 s are missing",
        "damaged: 7% of the frames cannot be decoded",
    ]
    assert len(remedies) == 1


def test_coverages_are_shares_of_frames():
    frames = frames_table(100, lost=range(10))
    assert court_coverage(frames) == pytest.approx(0.9)
    points = [
        {"match_id": "a-1", "point_id": k, "start_s": start, "end_s": end, "n_shots": 1,
         "ended_by": "unknown"}
        for k, (start, end) in enumerate([(0.4, 0.76), (2.0, 2.36)])
    ]  # fmt: skip
    # Frames 10 to 19 and 50 to 59 are in play; the ball is seen in five of the first ten.
    ball = [
        {"match_id": "a-1", "frame": frame, "t_s": frame / 25, "track_id": 9, "role": "ball",
         "observed": frame < 15}
        for frame in range(5, 20)
    ]  # fmt: skip
    player = [
        {"match_id": "a-1", "frame": frame, "t_s": frame / 25, "track_id": 1, "role": "near",
         "observed": True}
        for frame in range(100)
    ]  # fmt: skip
    share = ball_coverage(
        frames, tableio.from_rows(TRACKS, ball + player), tableio.from_rows(POINTS, points)
    )
    assert share == pytest.approx(0.25)


def test_failed_match_shows_nothing_of_earlier_tables(tmp_path):
    store = MatchStore(tmp_path, "a-1")
    view = {"match_id": "a-1", "view_id": 0, "first_frame": 0, "last_frame": 9, "start_s": 0.0,
            "end_s": 4.0, "label": "main"}  # fmt: skip
    for name, spec in ALL.items():
        if name != "matches":
            table = tableio.from_rows(VIEWS, [view]) if spec is VIEWS else spec.empty()
            tableio.write(store.table_path(name), spec, table)
    record = MatchRecord("a-1", "a.mp4", "/a.mp4", "1", problem="no room", remedy="make room")
    row = match_row(tmp_path, record)
    assert (row["status"], row["reason"], row["remedy"]) == ("not_read", "no room", "make room")
    assert row["in_view_s"] is None and row["n_shots"] is None
    record.problem = record.remedy = ""
    assert match_row(tmp_path, record)["in_view_s"] == 4.0

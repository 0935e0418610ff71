"""The simulated season: matches that keep to the score, to their schemas and to each other."""

from __future__ import annotations

from collections import Counter

from rallymill import benchmark_season, simulated_season
from rallymill.benchmark_season import Figure, SeasonReport
from rallymill.runner.store import MatchStore
from rallymill.runner.summary import read_matches
from rallymill.stages.points_score import Score
from rallymill.tables import POINTS, SHOTS


def test_points_follow_the_score(played):
    for row in read_matches(played).to_pylist():
        points = MatchStore(played, row["match_id"]).read_table(POINTS).to_pylist()
        score = Score("near", (0, 0), (0, 0))
        for point in points:
            assert (point["server"], point["score"]) == (score.server, score.text())
            if point["won_by"] is not None:
                score = score.after(point["won_by"])
        starts = [point["start_s"] for point in points]
        assert starts == sorted(starts)


def test_strokes_belong_to_the_players_of_the_sheet(played):
    meetings = Counter()
    for row in read_matches(played).to_pylist():
        store = MatchStore(played, row["match_id"])
        players = store.read_record().sheet["players"]
        codes = {players["near"]["code"], players["far"]["code"]}
        shots = store.read_table(SHOTS)
        assert set(shots["player"].to_pylist()) == codes
        assert row["n_shots"] == shots.num_rows > 20
        meetings[frozenset(codes)] += 1
    assert len(meetings) == 3


def test_players_have_codes_of_their_own():
    codes = [player["code"] for player in simulated_season.players(40)]
    assert len(set(codes)) == 40


def test_a_figure_above_its_goal_is_not_good():
    slow = Figure("question", 0.31, "s", 0.3)
    report = SeasonReport(100, 50_000, (Figure("size", 900.0, "MiB", None), slow))
    assert not report.good
    assert "| question | 0.31 s | <= 0.3 s |" in report.text()
    assert SeasonReport(100, 50_000, report.figures[:1]).good
    assert benchmark_season.QUESTION_GOAL_S == {100: 0.3, 1000: 1.0}

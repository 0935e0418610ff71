from __future__ import annotations

import re
from pathlib import Path

import pytest
from statsmodels.stats.proportion import proportion_confint

from rallymill.report import content, courtmaps, figures, scorestate
from rallymill.season import rollup
from tests.report import by_hand


@pytest.fixture
def match(tmp_path: Path) -> content.Match:
    far = by_hand.SHOTS[0] | {
        "point_id": 2, "shot_id": 4, "t_contact_s": 12.0, "hitter": "far", "player": "ORR",
        "opponent": "MAR", "contact_y_m": 11.9, "bounce_x_m": 3.5, "bounce_y_m": -5.2,
        "recovery_error_m": 1.4, "speed_mps": 40.0,
    }
    point = by_hand.POINTS[0] | {
        "point_id": 2, "start_s": 12.0, "end_s": 12.6, "server": "far", "server_player": "ORR",
        "n_shots": 1, "ended_by": "ace", "won_by": "far", "won_by_player": "ORR",
    }
    by_hand.write(tmp_path, shots=[*by_hand.SHOTS, far], points=[*by_hand.POINTS, point])
    return content.load(tmp_path, by_hand.MATCH)


def test_shares_have_the_intervals_of_another_library() -> None:
    for part, whole in ((0, 4), (3, 7), (41, 97)):
        low, high = proportion_confint(part, whole, method="wilson")
        numbers = [int(n) for n in re.findall(r"\d+", figures.Share(part, whole).text)]
        assert numbers == [round(100 * part / whole), round(100 * low), round(100 * high)]
    assert figures.Share(0, 0).text == "–" and figures.Share(0, 0).said == "none measured"


def test_a_match_without_strokes_has_figures_that_say_so(tmp_path: Path) -> None:
    by_hand.write(tmp_path, shots=[], points=[])
    match = content.load(tmp_path, by_hand.MATCH)
    for item in figures.of_players(match):
        assert item.serve_map is None and item.serve_said == "No serves were read."
    assert figures.length_words(match) == "No points were read."


def test_serves_are_counted_by_half_and_place(match: content.Match) -> None:
    near, far = (figures.zones(match, player) for player in match.players)
    assert [(z.half, z.zone, z.serves, z.went_in, z.won) for z in near] == [
        ("deuce", "wide", 1, figures.Share(1, 1), figures.Share(0, 1))]
    assert [(z.half, z.zone, z.serves, z.went_in, z.won) for z in far] == [
        ("deuce", "wide", 1, figures.Share(1, 1), figures.Share(1, 1))]
    assert "First serves in: 1 of 1" in figures.serve_words(match, match.players[0])


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def test_the_far_player_is_turned_to_the_bottom(match: content.Match) -> None:
    # The far serve is the near one turned by half a turn, so its mark stands at the same place.
    marks = [courtmaps.serves(match, player, "") for player in match.players]
    x, y = courtmaps.SERVES.at((-3.5, 5.2))
    assert marks[0] is not None and f'cx="{_short(x)}" cy="{_short(y)}"' in marks[0]
    half = 0.9 * courtmaps.MARK_PX
    assert marks[1] is not None and f'x="{_short(x - half)}" y="{_short(y - half)}"' in (
        marks[1])
    # An error to the right in the picture is one to the far player's left.
    assert [off for _, off in figures.errors(match, match.players[1])] == [pytest.approx(-1.4)]


def test_lengths_hold_every_point_once(match: content.Match) -> None:
    columns = figures.lengths(match)
    assert [len(column.units) for column in columns] == [1, 0, 1]
    assert {unit.point for column in columns for unit in column.units} == {1, 2}


def test_marks_carry_what_the_filters_ask_for(match: content.Match) -> None:
    drawn = courtmaps.serves(match, match.players[0], "")
    assert drawn is not None
    assert 'class="m" data-p="MAR" data-s="serve" data-n="1"' in drawn


CALLS = ("0-0", "15-0", "0-40", "40-40", "40-AD", "AD-40", "30-40", "40-30", "15-30", "30-15")


def test_the_state_of_the_score_is_that_of_the_season() -> None:
    import duckdb

    words = {"game point": "game", "break point": "break", "server ahead": "ahead",
             "server behind": "behind", "unknown": "unknown"}  # fmt: skip
    scores = [f"3-2, {calls}" for calls in CALLS] + ["6-6, 3-2", None]
    connection = duckdb.connect()
    connection.execute("CREATE TABLE points (match_id TEXT, point_id INT, score TEXT)")
    connection.executemany(
        "INSERT INTO points VALUES ('m', ?, ?)", [[k, score] for k, score in enumerate(scores)])
    rows = connection.execute(f"{rollup.STATES} ORDER BY point_id").fetchall()
    for score, (_, _, state) in zip(scores, rows, strict=True):
        assert scorestate.state(score) == words.get(state, state), score

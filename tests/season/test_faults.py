"""Rates of faults over a season, against those of a match, and seasons older than the table."""

from __future__ import annotations

import logging

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest

from rallymill import rates, tableio
from rallymill.config import home
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import MatchStore
from rallymill.season import database, faults, joining, questions
from rallymill.season.faults import FAULT_RATES
from rallymill.season.query import ask, connect, connect_season
from rallymill.season.store import SeasonStore
from rallymill.tables import OPPORTUNITIES

NAMED = questions.load(home() / "configs" / "questions")
QUESTION = NAMED["costly-faults"]


def rolled(root) -> pd.DataFrame:
    return pq.read_table(root / "rollup" / "fault_rates.parquet").to_pandas()


def by_rows(connection, where="TRUE"):
    """Rates from the rows themselves, without any counting in SQL."""
    rows = [
        ask(connection, f"SELECT {columns} FROM {table} JOIN matches USING (match_id) "
            f"WHERE {where}").astype(object).where(lambda one: one.notna(), None).to_dict("records")
        for table, columns in (
            ("opportunities", "match_id, point_id, player, rule, outcome"),
            ("points", "match_id, point_id, won_by_player, ended_by, serve_number, server_player"),
            ("shots", "match_id, point_id, player, opponent"),
        )
    ]  # fmt: skip
    return rates.fault_rates(*rows)


def as_frame(found):
    frame = pd.DataFrame([vars(one) for one in found]).drop(columns=["sentence", "notes"])
    return frame.sort_values(["player", "rule"], ignore_index=True)


def assert_same(frame, wanted):
    assert len(frame) == len(wanted) > 0
    pd.testing.assert_frame_equal(
        frame[wanted.columns].reset_index(drop=True), wanted, check_dtype=False)


def test_rolled_up_rates_are_those_of_the_rows(played, joined):
    frame = rolled(joined)
    connection = connect(played)
    whole = frame[(frame.season == "all") & (frame.dimension == "all")]
    assert_same(whole.sort_values(["player", "rule"]), as_frame(by_rows(connection)))
    surface = frame[(frame.season == "2026") & (frame.dimension == "surface")]
    for value, rows in surface.groupby("value"):
        wanted = as_frame(by_rows(connection, f"surface = '{value}'"))
        assert_same(rows.sort_values(["player", "rule"]), wanted)


def test_cuts_by_opponent_and_month_add_up(joined):
    frame = rolled(joined)
    own = frame[frame.season == "all"]
    whole = own[own.dimension == "all"].set_index(["player", "rule"])
    for dimension in ("opponent", "month", "surface"):
        cut = own[own.dimension == dimension]
        assert cut.value.notna().all()
        summed = cut.groupby(["player", "rule"])[["faults", "opportunities"]].sum()
        assert summed.equals(whole.loc[summed.index, ["faults", "opportunities"]])


def test_only_new_matches_are_counted_and_gone_ones_forgotten(out, root, tmp_path, monkeypatch):
    whole = pq.read_table(root / "rollup" / "fault_rates.parquet")
    first, second, third = sorted(SeasonStore(root).matches())
    grown = tmp_path / "grown"
    joining.add(out, grown, [first, second])
    joining.roll_up(grown)
    joining.add(out, grown, [third])
    counted = []
    real = faults.counting_sql
    monkeypatch.setattr(faults, "counting_sql", lambda chosen: counted.append(chosen) or real(
        chosen))  # fmt: skip
    assert joining.roll_up(grown)[0] == len(counted) == 1
    assert rows_hash(pq.read_table(grown / "rollup" / "fault_rates.parquet")) == rows_hash(whole)
    joining.remove(grown, [third])
    joining.roll_up(grown)
    assert rolled(grown).n_matches.max() <= 2
    assert pq.read_table(grown / "rollup" / "fault_rates.parquet").schema.equals(
        FAULT_RATES.schema(), check_metadata=False)


def test_question_answers_as_the_rates_do(played, joined):
    plain, season = connect(played), connect_season(joined)
    try:
        found = ask(plain, QUESTION.sql, QUESTION.values())
        assert found.equals(ask(season, QUESTION.sql, QUESTION.values()))
        wanted = [one for one in by_rows(plain) if one.faults]
    finally:
        season.close()
    assert [(row.player, row.rule) for row in found.itertuples()] == [
        (one.player, one.rule) for one in wanted]
    for row, one in zip(found.itertuples(), wanted, strict=True):
        assert (row.faults, row.chances) == (one.faults, one.opportunities)
        assert (row.rate_low, row.rate_high) == pytest.approx(
            (one.rate_low, one.rate_high), abs=6e-4)
        if one.cost_enough:
            assert (row.points_lost_per_match, row.lost_low, row.lost_high) == pytest.approx(
                (one.points_lost_per_match, one.points_lost_low, one.points_lost_high), abs=6e-3)
            assert row.won_with == pytest.approx(one.share_won_with_fault, abs=6e-4)
    assert {"not sure that it costs", "too few points to say what it costs"} & set(found.said)


def test_question_gives_no_rate_of_few_chances(played):
    found = ask(connect(played), QUESTION.sql, QUESTION.values(["least=100000"]))
    assert len(found) and found.rate.isna().all() and found.points_lost_per_match.isna().all()
    assert (found.said == "too few chances to call it a habit").all()


def test_months_are_those_of_the_roll_up(played, joined):
    question = NAMED["faults-by-month"]
    found = ask(connect(played), question.sql, question.values(["least=0"]))
    frame = rolled(joined)
    months = frame[(frame.season == "all") & (frame.dimension == "month")]
    wanted = months[months.opportunities > 0].sort_values(["player", "rule", "value"])
    assert found[["player", "rule", "month", "faults", "chances"]].values.tolist() == wanted[
        ["player", "rule", "value", "faults", "opportunities"]].values.tolist()
    assert found.rate_high.to_numpy() == pytest.approx(wanted.rate_high.to_numpy(), abs=6e-4)
    assert found.rate_low.to_numpy() == pytest.approx(wanted.rate_low.to_numpy(), abs=6e-4)


@pytest.fixture
def older(out, tmp_path):
    """A season, and matches, as they were before opportunities were kept."""
    for path in out.glob("matches/*/opportunities.parquet"):
        path.unlink()
    root = tmp_path / "older"
    joining.add(out, root)
    for path in (root / "opportunities").rglob("*.parquet"):
        path.unlink()
    with duckdb.connect(str(database.path_of(root))) as connection:
        for name in ("fault_table", "opportunities", "fault_rates"):
            connection.execute(f"DROP VIEW {name}")
        for name in ("opportunities", "fault_rates", "fault_counts"):
            connection.execute(f"DROP TABLE stored.{name}")
    return root


def test_older_season_opens_and_says_what_it_lacks(older, caplog):
    with caplog.at_level(logging.WARNING):
        connection = connect_season(older)
    assert "before there was opportunities, fault_rates" in caplog.text
    assert ask(connection, "SELECT count(*) AS n FROM shots")["n"][0] > 0
    assert len(ask(connection, QUESTION.sql, QUESTION.values())) == 0
    connection.close()


def test_older_season_rolls_up_and_takes_newer_matches(played, out, older):
    assert joining.migrate(older) == 0
    result = joining.add(out, older)
    assert (result.added, result.refused) == ([], {})
    joining.roll_up(older)
    assert rolled(older).empty
    first = result.kept[0]
    table = MatchStore(played, first).read_table(OPPORTUNITIES)
    tableio.write(MatchStore(out, first).table_path("opportunities"), OPPORTUNITIES, table)
    assert joining.add(out, older).added == [first]
    assert joining.roll_up(older)[0] == 1
    found = rolled(older)
    measured = found[(found.season == "all") & (found.dimension == "all")]
    asked = sum(outcome != "not_measurable" for outcome in table["outcome"].to_pylist())
    assert measured.opportunities.sum() == asked
    assert len(joining.remove(older, [first])) == 1
    connection = connect_season(older)
    assert ask(connection, "SELECT count(*) AS n FROM opportunities")["n"][0] == 0
    connection.close()

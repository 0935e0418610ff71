"""Questions over all matches: what they see, and that they can change nothing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import tableio
from rallymill.config import home
from rallymill.errors import ConfigError, InputError
from rallymill.season import questions
from rallymill.season.query import QueryError, ask, connect, json_text
from rallymill.tables import ALL, FLAGS, MATCHES, POINTS, SHOTS


def shot(match_id, shot_id, **more):
    row = {
        "match_id": match_id, "point_id": 0, "shot_id": shot_id, "shot_number": shot_id + 1,
        "t_contact_s": float(shot_id), "hitter": ("near", "far")[shot_id % 2],
        "player": ("MAR", "KES")[shot_id % 2], "opponent": ("KES", "MAR")[shot_id % 2],
        "stroke": "groundstroke", "wing": "unknown", "direction": "cross_court",
        "depth": "unknown", "ended_point": False,
    }  # fmt: skip
    return {**row, **more}


@pytest.fixture
def out(tmp_path):
    """Two matches that were read and one that was not."""
    rows = [
        {"match_id": "a-1", "file": "a.mp4", "status": "read"},
        {"match_id": "b-2", "file": "b.mp4", "status": "partly_read"},
        {"match_id": "c-3", "file": "c.mp4", "status": "not_read"},
    ]
    tableio.write(tmp_path / "matches.parquet", MATCHES, tableio.from_rows(MATCHES, rows))
    shots = {
        "a-1": [
            shot("a-1", 0, direction="wide", stroke="serve", opponent_x_m=3.0, opponent_y_m=12.885),
            shot("a-1", 1, incoming_depth="short"),
            shot("a-1", 2),
            shot("a-1", 3, incoming_depth="short"),
        ],
        "b-2": [shot("b-2", 0, incoming_depth="short", direction="middle")],
        "c-3": [shot("c-3", 0)],
    }
    for match_id, match_rows in shots.items():
        path = tmp_path / "matches" / match_id / "shots.parquet"
        tableio.write(path, SHOTS, tableio.from_rows(SHOTS, match_rows))
    points = [
        {"match_id": "a-1", "point_id": 0, "start_s": 0.0, "end_s": 4.0, "n_shots": 4,
         "ended_by": "winner", "won_by_player": "KES", "serve_side": "deuce"},
    ]  # fmt: skip
    names = set(POINTS.names())
    points = [{key: value for key, value in row.items() if key in names} for row in points]
    path = tmp_path / "matches" / "a-1" / "points.parquet"
    tableio.write(path, POINTS, tableio.from_rows(POINTS, points))
    path = tmp_path / "matches" / "b-2" / "flags.parquet"
    tableio.write(path, FLAGS, FLAGS.empty())
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_no_matches_says_so(tmp_path):
    with pytest.raises(InputError, match="holds no matches"):
        connect(tmp_path)


def test_tables_hold_all_matches_that_were_read(out):
    connection = connect(out)
    answer = ask(connection, "SELECT match_id, count(*) AS n FROM shots GROUP BY ALL ORDER BY 1")
    assert answer.values.tolist() == [["a-1", 4], ["b-2", 1]]
    assert ask(connection, "SELECT count(*) AS n FROM matches")["n"].tolist() == [3]
    for name in ALL:
        ask(connection, f"SELECT count(*) FROM {name}")


def test_nulls_stay_nulls(out):
    answer = ask(connect(out), "SELECT count(opponent_x_m) AS n FROM shots")
    assert answer["n"].tolist() == [1]


def test_broken_and_old_tables_are_left_out(out, caplog):
    (out / "matches" / "a-1" / "shots.parquet").write_text("not a table")
    path = out / "matches" / "b-2" / "shots.parquet"
    tableio.write(path, FLAGS, FLAGS.empty())
    answer = ask(connect(out), "SELECT count(*) AS n FROM shots")
    assert answer["n"].tolist() == [0]
    assert "is not a whole table" in caplog.text
    assert "of another version" in caplog.text


WRITES = [
    "COPY shots TO '{out}/stolen.csv'",
    "COPY (SELECT 1) TO '{out}/matches.parquet' (FORMAT parquet)",
    "EXPLAIN ANALYZE COPY (SELECT 1) TO '{out}/stolen.csv'",
    "ATTACH '{out}/new.db' AS other",
    "INSTALL httpfs",
    "LOAD httpfs",
    "SET enable_external_access = true",
    "RESET enable_external_access",
    "PRAGMA enable_object_cache",
    "EXPORT DATABASE '{out}/dump'",
    "CREATE TABLE mine AS SELECT 1",
    "DROP VIEW shots",
    "DELETE FROM shots",
    "UPDATE shots SET player = 'X'",
    "INSERT INTO shots SELECT * FROM shots",
    "CALL pragma_version()",
    "SELECT 1; COPY shots TO '{out}/stolen.csv'",
    "SELECT * FROM read_csv('{out}/notes.csv')",
    "SELECT * FROM read_parquet('{out}/matches.parquet')",
    "SELECT * FROM '{out}/notes.csv'",
    "SELECT * FROM read_text('/etc/hostname')",
    "SELECT * FROM glob('{out}/*')",
    "SELECT * FROM shots WHERE nonsense = 1",
    "SELEKT 1",
    "",
]


@pytest.mark.parametrize("sql", WRITES)
def test_nothing_can_be_written_or_read_elsewhere(out, sql):
    (out / "notes.csv").write_text("a,b\n1,2\n")
    connection = connect(out)
    before = contents(out)
    with pytest.raises(QueryError):
        ask(connection, sql.format(out=out))
    assert contents(out) == before
    # The connection is of use after a refusal.
    assert ask(connection, "SELECT count(*) AS n FROM shots")["n"].tolist() == [5]


@pytest.mark.parametrize("sql", WRITES[:6])
def test_connection_itself_refuses_without_our_look_at_the_statement(out, sql):
    connection = connect(out)
    before = contents(out)
    with pytest.raises(Exception, match=r"disabled|denied|not allowed|Permission|locked"):
        connection.execute(sql.format(out=out))
    assert contents(out) == before


@pytest.mark.parametrize(
    ("sql", "value"),
    [
        ("uuid()", str), ("'101'::BIT", str), ("'\\xFF'::BLOB", "ff"), ("INTERVAL 3 MONTH", str),
        ("'infinity'::TIMESTAMP", str), ("TIMESTAMP '2026-08-14 12:00:00'", "2026-08-14T12:00:00"),
        ("DATE '2026-08-14'", str), ("TIME '12:00'", "12:00:00"), ("'nan'::DOUBLE", None),
        ("'inf'::DOUBLE", None), ("[1, NULL, 3]", [1, None, 3]), ("{'a': [1]}", {"a": [1]}),
        ("map{'a': 1}", {"a": 1}), ("1.5::DECIMAL(38,10)", 1.5), ("NULL", None), ("true", True),
        ("170141183460469231731687303715884105727::HUGEINT", None), ("'é'", "é"),
    ],
)  # fmt: skip
def test_every_kind_of_value_has_a_place_in_json(out, sql, value):
    (row,) = json.loads(json_text(ask(connect(out), f"SELECT {sql} AS v")))
    if isinstance(value, type):
        assert isinstance(row["v"], value) and row["v"]
    elif value is not None or "HUGEINT" not in sql:
        assert row["v"] == value


def test_memory_is_bounded_and_nothing_is_spilled(out):
    connection = connect(out)
    before = contents(out)
    with pytest.raises(QueryError, match=r"(?i)memory"):
        ask(connection, "SELECT len(array_agg(range)) FROM range(500000000)")
    assert contents(out) == before


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=60) | st.lists(st.sampled_from(
    ["SELECT", "FROM", "shots", "points", "*", "(", ")", ",", "WHERE", "JOIN", "COPY", "TO",
     "'x.csv'", "ATTACH", "SET", "PRAGMA", "UNION", "ALL", "1", "count(*)", ";", "$a", "?", "--",
     "GROUP", "BY", "read_csv('x')", "player", "\x00", "é", "NULL", "::INT", "[", "]", "{", "}"]
), max_size=12).map(" ".join))  # fmt: skip
def test_whatever_is_asked_gives_rows_or_a_reason(tmp_path_factory, sql):
    # One connection for all, as after a refusal it must be of use.
    connection = _anybody(tmp_path_factory)
    try:
        json_text(ask(connection, sql))
    except QueryError as error:
        assert error.problem


def _anybody(tmp_path_factory, kept=[]):  # noqa: B006
    if not kept:
        folder = tmp_path_factory.mktemp("anybody")
        tableio.write(folder / "matches.parquet", MATCHES, MATCHES.empty())
        kept.append(connect(folder))
    return kept[0]


def test_local_python_variables_are_not_tables(out):
    secret = tableio.from_rows(SHOTS, [])  # noqa: F841
    with pytest.raises(QueryError):
        ask(connect(out), "SELECT * FROM secret")


def test_named_questions_all_answer(out):
    known = questions.load(home() / "configs" / "questions")
    assert len(known) >= 4
    connection = connect(out)
    for question in known.values():
        assert question.question
        ask(connection, question.sql, question.values())


def test_short_balls_cross_court_that_came_back(out):
    known = questions.load(home() / "configs" / "questions")
    question = known["short-balls-cross-court"]
    answer = ask(connect(out), question.sql, question.values())
    # KES met two short balls cross-court: strokes 1 and 3; only the first was answered.
    assert answer.values.tolist() == [["KES", 2, 1, 0.5]]


def test_where_was_she_measures_from_the_baseline(out):
    known = questions.load(home() / "configs" / "questions")
    question = known["where-was-she"]
    (row,) = ask(connect(out), question.sql, question.values()).to_dict("records")
    assert (row["waiting"], row["hitting"], row["stroke"]) == ("KES", "MAR", "serve")
    assert (row["behind_baseline_m"], row["off_middle_m"]) == (1.0, 3.0)


def test_question_files_are_checked(tmp_path):
    assert questions.load(tmp_path / "gone") == {}
    (tmp_path / "a.yaml").write_text("question: Why?\nsqll: SELECT 1\n")
    with pytest.raises(ConfigError, match=r"a\.yaml must hold"):
        questions.load(tmp_path)

"""Questions over a season: what they see, their arguments, and that they can change nothing."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from tests.season.test_query import WRITES, contents

from films import film
from rallymill.cli.main import run
from rallymill.config import home
from rallymill.errors import ConfigError, InputError
from rallymill.runner.store import MatchStore, read_record, write_json
from rallymill.season import clips, export, questions
from rallymill.season.database import SeasonBusyError
from rallymill.season.query import QueryError, ask, connect, connect_season
from rallymill.season.store import SeasonStore

NAMED = questions.load(home() / "configs" / "questions")


@pytest.fixture(scope="module")
def attacked(joined, tmp_path_factory):
    """A season that questions try to change, its connection, and what it held before."""
    root = Path(shutil.copytree(joined, tmp_path_factory.mktemp("attacked") / "season"))
    (root / "notes.csv").write_text("a,b\n1,2\n")
    found = connect_season(root)
    yield root, found, contents(root)
    found.close()


@pytest.fixture
def connection(joined):
    found = connect_season(joined)
    yield found
    found.close()


@pytest.mark.parametrize("sql", [
    *WRITES,
    "CREATE TEMP TABLE mine AS SELECT 1",
    "INSERT INTO stored.shots SELECT * FROM stored.shots",
    "ALTER TABLE stored.shots DROP COLUMN speed_mps",
    "CHECKPOINT",
    "CALL force_checkpoint()",
    "PRAGMA database_size",
    "PRAGMA memory_limit='8GB'",
    "SET temp_directory = '{out}/spill'",
    "VACUUM",
    "USE memory",
    "BEGIN",
    "DETACH season",
    "IMPORT DATABASE '{out}/dump'",
    "SELECT * FROM '{out}/shots/**/*.parquet'",
    "SELECT * FROM parquet_scan('{out}/shots/**/*.parquet')",
    "SELECT * FROM read_blob('{out}/season.json')",
    "SELECT * FROM read_json('{out}/season.json')",
    "SELECT * FROM sniff_csv('{out}/season.json')",
])  # fmt: skip
def test_a_season_cannot_be_written_nor_left(attacked, sql):
    root, connection, before = attacked
    with pytest.raises(QueryError):
        ask(connection, sql.format(out=root))
    assert ask(connection, "SELECT count(*) AS n FROM matches")["n"][0] == 3
    assert contents(root) == before


@pytest.mark.parametrize("sql", [
    "COPY shots TO '{out}/stolen.csv'", "ATTACH '{out}/new.db' AS other", "INSTALL httpfs",
    "INSERT INTO stored.shots SELECT * FROM stored.shots", "DROP TABLE stored.shots",
    "SET enable_external_access = true", "PRAGMA threads=8",
    "SELECT * FROM read_parquet('{out}/shots/**/*.parquet')",
])  # fmt: skip
def test_the_season_connection_itself_refuses(attacked, sql):
    root, connection, before = attacked
    with pytest.raises(duckdb.Error):
        connection.execute(sql.format(out=root))
    assert contents(root) == before


def test_an_answer_too_large_for_memory_is_refused_without_spilling(attacked):
    root, connection, before = attacked
    with pytest.raises(QueryError, match=r"(?i)memory"):
        ask(connection, "SELECT len(array_agg(range)) FROM range(300000000)")
    assert contents(root) == before


def test_a_writer_keeps_readers_out_for_that_moment(root):
    script = (
        "import duckdb, sys, time\nc = duckdb.connect(sys.argv[1])\n"
        "print('held', flush=True)\ntime.sleep(60)\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(root / "season.duckdb")], stdout=subprocess.PIPE
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline() == b"held\n"
        with pytest.raises(SeasonBusyError, match="being written"):
            connect_season(root)
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()


def test_there_are_ten_questions_and_most_take_arguments():
    assert len(NAMED) >= 10
    assert sum(bool(question.arguments) for question in NAMED.values()) >= 9


@pytest.mark.parametrize("name", sorted(NAMED))
def test_named_questions_answer_alike_over_matches_and_season(played, connection, name):
    question = NAMED[name]
    sql = "SELECT player FROM flags WHERE kind = 'fault' GROUP BY 1 ORDER BY count(*) DESC, 1"
    player = ask(connection, sql)["player"][0]
    texts = [f"player={player}"] if "player" in question.arguments else []
    plain = connect(played)
    for given in ([], texts):
        values = question.values(given)
        answer = ask(connection, question.sql, values)
        assert answer.equals(ask(plain, question.sql, values))
        # No break point need occur in three short matches.
        assert len(answer) or name == "break-points"
    if texts:
        column = "won_by_player" if name == "rally-lengths" else "player"
        everybody = ask(connection, question.sql, question.values())
        mine = everybody[everybody[column] == player]
        assert set(answer[column]) <= {player}
        assert len(answer) >= len(mine)


def test_arguments_are_bound_not_pasted(connection):
    question = NAMED["flags-by-rule"]
    hostile = "x' OR 1=1; DROP VIEW shots; --"
    assert ask(connection, question.sql, question.values([f"player={hostile}"])).empty


def test_arguments_are_checked():
    question = NAMED["serve-and-return"]
    assert question.values(["since=2026-02-01"])["since"] == "2026-02-01"
    assert question.values() == dict.fromkeys(("player", "surface", "since", "until"))
    with pytest.raises(InputError, match="not a date"):
        question.values(["since=last week"])
    with pytest.raises(InputError, match="has no argument plaier") as caught:
        question.values(["plaier=MAR"])
    assert caught.value.remedy == "did you mean player?"
    with pytest.raises(InputError, match="is no argument"):
        question.values(["MAR"])
    assert NAMED["flagged-strokes"].values(["most=5"])["most"] == 5.0
    with pytest.raises(InputError, match="not a number"):
        NAMED["flagged-strokes"].values(["most=few"])


@pytest.mark.parametrize("arguments", [
    "player", "{player: code}", "{player: {about: x, kind: colour}}", "{player: {abuot: x}}",
    "{'a b': {about: x}}",
])  # fmt: skip
def test_wrong_arguments_in_files_are_named(tmp_path, arguments):
    (tmp_path / "a.yaml").write_text(f"question: Why?\nsql: SELECT 1\narguments: {arguments}\n")
    with pytest.raises(ConfigError, match=r"a\.yaml"):
        questions.load(tmp_path)


def test_time_arguments_cut_the_season(connection):
    question = NAMED["serve-and-return"]
    days = ask(connection, "SELECT date FROM matches ORDER BY date")["date"].tolist()
    whole = ask(connection, question.sql, question.values())
    first = ask(connection, question.sql, question.values([f"until={days[0]}"]))
    assert 0 < first["on_serve"].sum() < whole["on_serve"].sum()
    assert set(first["month"]) == {days[0][:7]}


def test_no_season_says_so(tmp_path):
    with pytest.raises(InputError, match="holds no season"):
        connect_season(tmp_path)


def test_export_writes_what_is_there_and_no_formulas(joined, connection, tmp_path):
    written = export.to_csv(connection, tmp_path / "csv")
    assert [path.stem for path in written] == list(export.TABLES)
    shots = pd.read_csv(tmp_path / "csv" / "shots.csv")
    n_shots = ask(connection, "SELECT count(*) AS n, sum(speed_mps) AS v FROM shots")
    assert len(shots) == n_shots["n"][0]
    assert shots["speed_mps"].sum() == pytest.approx(n_shots["v"][0])
    flags = pd.read_csv(tmp_path / "csv" / "flags.csv")
    assert flags["evidence"][0].startswith('[{"name": "distance"')
    assert export.harmless("=1+1") == "'=1+1"
    assert export.harmless("@SUM(A1)") == "'@SUM(A1)"
    assert export.harmless("MAR") == "MAR"
    assert export.harmless(-3.0) == -3.0


def test_workbook_holds_the_same_or_says_what_it_needs(connection, tmp_path, monkeypatch):
    pytest.importorskip("openpyxl")
    path = export.to_workbook(connection, tmp_path)
    assert len(pd.read_excel(path, "matches")) == 3
    monkeypatch.setattr(export, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="openpyxl") as caught:
        export.to_workbook(connection, tmp_path)
    assert "CSV" in caught.value.remedy


def test_clips_hold_the_seconds_of_their_rows(out, tmp_path, capsys):
    match_id = sorted(path.name for path in (out / "matches").iterdir())[0]
    folder = MatchStore(out, match_id).folder
    recording = film(tmp_path / "a.mp4", n=200, keyframe_every=25)
    write_json(folder / "match.json", {**vars(read_record(folder)), "path": str(recording)})
    answer = pd.DataFrame({
        "match_id": [match_id, match_id, "../../escape", match_id],
        "start_s": [2.0, 7.5, 1.0, 900.0], "end_s": [4.0, None, 2.0, 901.0],
    })  # fmt: skip
    made = list(clips.cut(answer, out, tmp_path / "clips"))
    assert [clip.row for clip in made] == [0, 2, 3]
    assert made[0].file is not None and made[0].file.name == f"0001-{match_id}-2.0s.mp4"
    assert "holds no match ../../escape" in made[1].problem
    assert made[2].problem == "the recording ends before"
    assert [path.name for path in (tmp_path / "clips").iterdir()] == [made[0].file.name]
    from rallymill import video

    times = [frame.t_s for frame in video.frames(made[0].file)]
    assert len(times) == pytest.approx(50, abs=1)
    moments = clips.spans(pd.DataFrame({"match_id": ["m"], "t_contact_s": [1.0]}))
    assert moments == [(0, "m", 0.0, 3.5)]
    with pytest.raises(InputError, match="do not tell which seconds"):
        clips.spans(pd.DataFrame({"match_id": ["m"]}))


def test_commands_from_adding_to_asking(out, tmp_path, capsys):
    season = str(tmp_path / "season")
    where = ["--out", str(out), "--season-dir", season]
    assert run(["season", "add", *where]) == 0
    assert "3 added, 0 there already, 0 refused" in capsys.readouterr().out
    assert run(["season", "add", *where]) == 0
    assert "0 added, 3 there already" in capsys.readouterr().out
    assert run(["season", "rollup", "--season-dir", season]) == 0
    assert "3 matches counted" in capsys.readouterr().out
    code = run(["query", "SELECT count(*) AS n FROM player_table", "--csv", *where])
    assert code == 0
    assert int(capsys.readouterr().out.split()[1]) > 20
    assert run(["query", "opponents", "surface=hard", "--json", *where]) == 0
    assert capsys.readouterr().out.startswith("[{")
    assert run(["query", "opponents", "colour=red", *where]) == 2
    assert "no argument colour" in capsys.readouterr().err
    assert run(["query", "SELECT 1", "a=b", *where]) == 2
    assert run(["query", "SELECT count(*) FROM shots", "--clips", str(tmp_path / "c"), *where]) == 2
    assert "which seconds to cut" in capsys.readouterr().err
    assert run(["season", "export", "--to", str(tmp_path / "e"), "--season-dir", season]) == 0
    assert (tmp_path / "e" / "shots.csv").exists()
    capsys.readouterr()
    assert run(["query", "--list"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in NAMED)
    first = next(iter(SeasonStore(Path(season)).matches()))
    assert run(["season", "remove", first, "--season-dir", season]) == 0
    assert first not in SeasonStore(Path(season)).matches()

"""Matches join a season whole, once, checked, and whatever moment a kill comes."""

from __future__ import annotations

import os
import shutil

import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from rallymill import tableio, tables, tables_columns
from rallymill.errors import InputError, TableError
from rallymill.runner.store import MatchStore, read_record, write_json
from rallymill.runner.summary import read_matches
from rallymill.season import checks, joining, layout, store
from rallymill.season.layout import SEASON_TABLES, Partition
from rallymill.season.match import load, prepare
from rallymill.season.query import ask, connect, connect_season
from rallymill.season.store import SeasonStore, SeasonVersionError
from rallymill.tables import EVENTS, FLAGS, MATCHES, POINTS, SHOTS


class Killed(BaseException):
    """As if the process ended there."""


def ids(out):
    return [row["match_id"] for row in read_matches(out).to_pylist()]


def counts(root):
    connection = connect_season(root)
    try:
        return {
            name: ask(connection, f"SELECT count(*) AS n FROM {name}")["n"][0]
            for name in SEASON_TABLES
        }
    finally:
        connection.close()


def rows_on_disk(root, table):
    return sum(
        SeasonStore(root).read(partition, table).num_rows
        for partition in SeasonStore(root).matches().values()
    )


def change(out, match_id, table, column, value, row=0):
    """Set one value of a table of a match."""
    spec = tables.ALL[table]
    found = MatchStore(out, match_id).read_table(spec).to_pylist()
    if column == "shot_number":
        row = next(k for k, one in enumerate(found) if one["shot_number"] != value)
    found[row][column] = value
    tableio.write(MatchStore(out, match_id).table_path(table), spec,
                  tableio.from_rows(spec, found))  # fmt: skip


def test_empty_matches_join_too(tmp_path):
    row = {"match_id": "a-1", "file": "a.mp4", "status": "read"}
    empty = {spec.name: spec.empty() for spec in (POINTS, SHOTS, FLAGS, EVENTS)}
    found = prepare("a-1", {**empty, "matches": tableio.from_rows(MATCHES, [row])}, {})
    season = SeasonStore(tmp_path)
    with season.changing():
        assert season.add(found)
        assert not season.add(found)
    assert found.partition == Partition(None, None, "a-1")
    assert (tmp_path / "shots" / "season=__HIVE_DEFAULT_PARTITION__").is_dir()


def test_season_holds_what_the_matches_hold(played, joined):
    connection = connect(played)
    for name in ("matches", "points", "shots", "flags", "opportunities", "events"):
        there = ask(connection, f"SELECT count(*) AS n FROM {name}")["n"][0]
        assert counts(joined)[name] == there == rows_on_disk(joined, name) > 0
    season = connect_season(joined)
    sql = "SELECT match_id, shot_id, player, speed_mps FROM shots ORDER BY ALL"
    assert ask(season, sql).equals(ask(connection, sql))
    season.close()


def test_second_add_changes_nothing_and_a_changed_match_is_replaced(out, root):
    before = {path: path.stat().st_mtime_ns for path in root.rglob("*.parquet")}
    result = joining.add(out, root)
    assert (result.added, sorted(result.kept)) == ([], sorted(ids(out)))
    assert {path: path.stat().st_mtime_ns for path in root.rglob("*.parquet")} == before
    first = ids(out)[0]
    change(out, first, "shots", "speed_mps", 33.25)
    result = joining.add(out, root, [first])
    assert (result.added, result.kept) == ([first], [])
    connection = connect_season(root)
    answer = ask(connection, f"SELECT count(*) AS n FROM shots WHERE match_id = '{first}' "
                 "AND speed_mps = 33.25")  # fmt: skip
    connection.close()
    assert answer["n"][0] == 1
    assert rows_on_disk(root, "shots") == counts(root)["shots"]


def test_a_match_that_moves_to_another_event_leaves_its_old_place(out, root):
    first = ids(out)[0]
    rows = read_matches(out).to_pylist()
    for row in rows:
        if row["match_id"] == first:
            row["event"] = "Lantern/Quay: Épreuve №3"
    tableio.write(out / "matches.parquet", MATCHES, tableio.from_rows(MATCHES, rows))
    before = counts(root)
    joining.add(out, root)
    assert counts(root) == before
    partition = SeasonStore(root).matches()[first]
    assert partition.event == "Lantern/Quay: Épreuve №3"
    assert len(list(root.glob(f"shots/*/*/match={first}"))) == 1
    connection = connect_season(root)
    answer = ask(connection, f"SELECT DISTINCT event FROM points WHERE match_id = '{first}'")
    connection.close()
    assert answer["event"].tolist() == ["Lantern/Quay: Épreuve №3"]


@pytest.mark.parametrize(
    "value", ["..", ".", "", "a/../../b", "x=y", "%2E", "日本 オープン", "a\nb"]
)
def test_no_event_leads_out_of_the_season(tmp_path, value):
    place = Partition("2026", value, "m-1").file("shots")
    assert len(place.parts) == 5 and ".." not in place.parts
    assert (tmp_path / place).resolve().is_relative_to(tmp_path.resolve())
    name = place.parts[2].removeprefix("event=")
    assert layout.unescape(name) == (value.strip() or None)


def test_other_readers_take_the_folders_as_they_stand(joined):
    n_shots = counts(joined)["shots"]
    frame = pd.read_parquet(joined / "shots")
    assert len(frame) == n_shots and {"season", "event", "match"} <= set(frame.columns)
    assert set(frame["season"].astype(str)) == {"2026"}
    scanned = pl.scan_parquet(joined / "shots" / "**" / "*.parquet", hive_partitioning=True)
    assert scanned.select(pl.len()).collect().item() == n_shots
    assert len(pd.read_parquet(joined / "matches")) == 3


def test_rows_say_where_they_come_from(played, joined):
    connection = connect_season(joined)
    answer = ask(connection, "SELECT DISTINCT s.recording_sha256 = m.content_hash AS same, "
                 "s.software_version, s.schema_version, length(s.table_sha256) AS n FROM shots "
                 "AS s JOIN matches AS m USING (match_id)")  # fmt: skip
    connection.close()
    assert answer.values.tolist() == [[True, "0.1.0", tables.SCHEMA_VERSION, 64]]


def test_columns_carry_comments(joined):
    connection = connect_season(joined)
    found = dict(connection.execute(
        "SELECT column_name, comment FROM duckdb_columns() WHERE table_name = 'shots' "
        "AND comment IS NOT NULL"
    ).fetchall())  # fmt: skip
    row = connection.execute(
        "SELECT comment FROM duckdb_views() WHERE view_name = 'shots'"
    ).fetchone()
    connection.close()
    assert set(found) >= set(SHOTS.names())
    assert found["speed_mps"] == "speed of the ball just after contact [m/s]"
    assert row == ("a row is one stroke",)


FAULTS = [
    ("shots", "point_id", 9999, "strokes of points that are not in points"),
    ("shots", "speed_mps", 400.0, "400 is not within 0 to 90"),
    ("shots", "t_contact_s", 1e6, "outside the time of their point"),
    ("shots", "shot_number", 1, "stand twice in a point"),
    ("points", "n_shots", 77, "is not the number of their strokes"),
    ("points", "end_s", 0.0, "1 rows end before they start"),
    ("flags", "shot_id", 123456, "findings about strokes or points that are not there"),
    ("flags", "match_id", "b-2", "flags holds rows of b-2"),
    ("opportunities", "shot_id", 123456, "opportunities about strokes or points that are not"),
]


@pytest.mark.parametrize(("table", "column", "value", "words"), FAULTS)
def test_a_match_that_does_not_fit_is_refused(out, table, column, value, words):
    row = read_matches(out).to_pylist()[0]
    load(out, row)
    change(out, row["match_id"], table, column, value)
    with pytest.raises(TableError, match=words) as caught:
        load(out, row)
    assert caught.value.remedy


def test_a_refused_match_stays_as_it_was_and_the_others_join(out, root):
    first, second, _ = ids(out)
    before = counts(root)
    change(out, first, "shots", "speed_mps", 400.0)
    change(out, second, "shots", "speed_mps", 33.25)
    result = joining.add(out, root)
    assert (list(result.refused), result.added) == ([first], [second])
    assert counts(root) == before


def test_broken_missing_and_unread_matches_are_refused(out, tmp_path):
    first, second, third = ids(out)
    MatchStore(out, first).table_path("shots").write_bytes(b"not a table")
    MatchStore(out, second).table_path("flags").unlink()
    rows = read_matches(out).to_pylist()
    for row in rows:
        if row["match_id"] == third:
            row["status"], row["reason"], row["remedy"] = "not_read", "no court", "film it"
    tableio.write(out / "matches.parquet", MATCHES, tableio.from_rows(MATCHES, rows))
    result = joining.add(out, tmp_path / "new", [first, second, third])
    assert set(result.refused) == {first, second, third}
    assert result.refused[third] == (f"{third} was not read: no court", "film it")
    assert joining.add(out, tmp_path / "new").refused.keys() == {first, second}
    with pytest.raises(InputError, match="holds no match nobody"):
        joining.add(out, tmp_path / "new", ["nobody"])


def test_one_code_for_two_people_is_refused(out, tmp_path):
    first, second, _ = ids(out)
    for match_id, name in ((first, "Ilva Marrec"), (second, "Imre Marsten")):
        folder = MatchStore(out, match_id).folder
        record = read_record(folder)
        sheet = dict(record.sheet)
        sheet["players"] = {"near": {"name": name, "code": "MAR", "hand": None}, "far": None}
        write_json(folder / "match.json", {**vars(record), "sheet": sheet})
    result = joining.add(out, tmp_path / "new", [first, second])
    assert result.added == [first]
    assert "the code MAR stands for Imre Marsten" in result.refused[second][0]


def test_nameless_players_of_two_matches_are_not_one(out, tmp_path):
    first = ids(out)[0]
    row = next(row for row in read_matches(out).to_pylist() if row["match_id"] == first)
    found = {name: MatchStore(out, first).read_table(spec)
             for name, spec in layout.SOURCES.items() if name != "matches"}  # fmt: skip
    codes = sorted(set(found["shots"]["player"].to_pylist()))
    swap = dict(zip(codes, "AB", strict=True))
    for name, columns in {"shots": ("player", "opponent"), "flags": ("player",),
                          "points": ("server_player", "won_by_player")}.items():  # fmt: skip
        for column in columns:
            values = [swap.get(value) for value in found[name][column].to_pylist()]
            at = found[name].column_names.index(column)
            found[name] = found[name].set_column(at, SHOTS.schema().field("player").with_name(
                column), pa.array(values, pa.string()))  # fmt: skip
    match = prepare(first, {**found, "matches": tableio.from_rows(MATCHES, [row])}, {})
    assert set(match.tables["shots"]["player"].to_pylist()) == {f"{first}:A", f"{first}:B"}
    players = match.tables["players"].to_pylist()
    assert [(p["player"], p["side_at_start"]) for p in players] == [
        (f"{first}:A", "near"), (f"{first}:B", "far"),
    ]
    assert match.tables["points"]["won_by_player"].null_count == found["points"][
        "won_by_player"].null_count


def test_limits_hold_columns_that_exist():
    for table, limits in checks.LIMITS.items():
        assert set(limits) <= set(SEASON_TABLES[table].names())


def _kill_at(monkeypatch, name, number):
    """Let a function of the os module end the process at its n-th call from here."""
    real, left = getattr(os, name), [number]

    def maybe(*given, **more):
        if left[0] == 0:
            raise Killed
        left[0] -= 1
        return real(*given, **more)

    monkeypatch.setattr(os, name, maybe)


@pytest.mark.parametrize("number", [0, 6, 7, 8, 12, 14, 15, 16])
def test_a_kill_at_any_rename_leaves_the_old_match_or_the_new_one(
    out, root, monkeypatch, number
):
    first = ids(out)[0]
    old = counts(root)
    change(out, first, "shots", "speed_mps", 33.25)
    change(out, first, "points", "confidence", 0.125)
    with monkeypatch.context() as patch:
        _kill_at(patch, "replace", number)
        try:
            joining.add(out, root, [first])
            killed = False
        except Killed:
            killed = True
    assert killed == (number < 16)
    interrupted = SeasonStore(root).interrupted()
    if interrupted:
        with pytest.raises(InputError, match="behind the files"):
            connect_season(root)
    # Whatever comes next finishes what was begun, or finds nothing begun.
    joining.add(out, root, [ids(out)[1]])
    assert not (root / layout.STAGING_NAME).exists()
    assert not list(root.rglob(".*.part")) or number < 16
    assert counts(root) == old
    connection = connect_season(root)
    sql = f"SELECT count(*) AS n FROM {{}} WHERE match_id = '{first}' AND {{}}"
    fast = ask(connection, sql.format("shots", "speed_mps = 33.25"))["n"][0]
    unsure = ask(connection, sql.format("points", "confidence = 0.125"))["n"][0]
    connection.close()
    # All tables of the match are the new ones, or none is.
    assert fast == unsure
    assert fast == 1 or not interrupted


def test_removed_match_is_gone_from_files_and_database(root):
    first, *others = sorted(SeasonStore(root).matches())
    assert joining.remove(root, [first, "nobody"]) == [first]
    assert sorted(SeasonStore(root).matches()) == others
    assert not list(root.rglob(f"*{first}*"))
    assert first.encode() not in (root / "season.duckdb").read_bytes()
    assert counts(root)["matches"] == len(others)


def test_deleted_database_is_made_again(out, root):
    before = counts(root)
    (root / "season.duckdb").unlink()
    with pytest.raises(InputError, match="holds no season"):
        connect_season(root)
    joining.add(out, root)
    assert counts(root) == before


def test_versions_are_never_mixed(out, root, monkeypatch):
    before = counts(root)
    monkeypatch.setattr(tables_columns, "SCHEMA_VERSION", tables.SCHEMA_VERSION + 1)
    monkeypatch.setattr(tables, "SCHEMA_VERSION", tables.SCHEMA_VERSION + 1)
    with pytest.raises(SeasonVersionError, match="never mixes them") as caught:
        joining.add(out, root)
    assert "season migrate" in caught.value.remedy
    with pytest.raises(SeasonVersionError):
        connect_season(root)
    # A match that an older version wrote does not join a new season either.
    row = read_matches(out).to_pylist()[0]
    ours = tables.SCHEMA_VERSION
    with pytest.raises(TableError, match=f"has schema version {ours - 1}, a season takes {ours}"):
        load(out, row)
    monkeypatch.undo()
    assert counts(root) == before
    write_json(root / "season.json", {"schema_version": 99, "generation": 3})
    with pytest.raises(SeasonVersionError, match="newer rallymill"):
        joining.add(out, root)
    with pytest.raises(SeasonVersionError, match="newer rallymill"):
        joining.migrate(root)


def test_migration_brings_every_match_forward(root, monkeypatch):
    before = counts(root)
    assert joining.migrate(root) == 0
    monkeypatch.setattr(tables_columns, "SCHEMA_VERSION", tables.SCHEMA_VERSION + 1)
    monkeypatch.setattr(tables, "SCHEMA_VERSION", tables.SCHEMA_VERSION + 1)
    with pytest.raises(SeasonVersionError, match="nothing is known"):
        joining.migrate(root)

    def faster(name, table):
        if name != "shots":
            return table
        at = table.column_names.index("speed_mps")
        return table.set_column(at, table.schema.field(at), pc.multiply(table["speed_mps"], 2.0))

    monkeypatch.setitem(store.MIGRATIONS, tables.SCHEMA_VERSION - 1, faster)
    connection_before = SeasonStore(root)
    (first, *_) = connection_before.matches().values()
    assert joining.migrate(root) == 1
    assert counts(root) == before
    metadata = tableio.read_metadata(root / first.file("shots"))
    assert metadata["rallymill.schema_version"] == str(tables.SCHEMA_VERSION)
    connection = connect_season(root)
    answer = ask(connection, "SELECT max(speed_mps) AS v, min(schema_version) AS s FROM shots")
    assert answer["v"][0] > 100 and answer["s"][0] == tables.SCHEMA_VERSION
    connection.close()


def test_journal_cannot_lead_out_of_the_season(root):
    write_json(root / layout.JOURNAL_NAME, {
        "moves": [], "gone": ["../victim/part-0.parquet"], "generation": 5, "schema_version": 1,
    })  # fmt: skip
    victim = root.parent / "victim" / "part-0.parquet"
    victim.parent.mkdir()
    victim.write_text("mine")
    with pytest.raises(InputError, match="the journal"):
        joining.remove(root, [])
    assert victim.read_text() == "mine"


def test_two_changes_at_a_time_wait_for_each_other(out, root):
    copy = shutil.copytree(root, root.parent / "copy")
    with SeasonStore(root).changing():
        joining.add(out, copy)

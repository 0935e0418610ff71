"""Names become codes everywhere; a deleted player leaves no row, page or clip."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from rallymill import matchsheet
from rallymill.cli.main import run
from rallymill.errors import InputError
from rallymill.runner.store import MatchStore, read_record, records, write_json
from rallymill.runner.summary import read_matches
from rallymill.season import joining, privacy
from rallymill.season.query import ask, connect_season
from rallymill.season.store import SeasonStore


@pytest.fixture(autouse=True)
def quick_pages(monkeypatch):
    """A page that tells what it was made from; the real one takes a second."""

    def build(out, match_id):
        (row,) = [r for r in read_matches(out).to_pylist() if r["match_id"] == match_id]
        path = MatchStore(out, match_id).folder / "page" / "index.html"
        path.parent.mkdir()
        path.write_text(f"<h1>{row['player_near']}</h1>")
        return path

    monkeypatch.setattr("rallymill.report.page.build", build)


@pytest.fixture
def world(out, root, tmp_path):
    """Output folder, season and sheets beside recordings, with names in all of them."""
    films = tmp_path / "films"
    films.mkdir()
    for record in records(out):
        path = films / record.file
        path.write_bytes(b"pictures")
        near = record.sheet["players"]["near"]["name"]
        sheet = {**record.sheet, "notes": f"{near} had a sore knee; {near.split()[1]} won."}
        sheet_path = matchsheet.path_for(path)
        matchsheet.save(matchsheet.MatchSheet.model_validate(sheet), sheet_path)
        sheet_path.write_text(f"# filmed by the aunt of {near}\n" + sheet_path.read_text())
        folder = MatchStore(out, record.match_id).folder
        write_json(folder / "match.json",
                   {**vars(record), "path": str(path), "sheet": matchsheet.load(sheet_path)})
        (folder / "log.txt").write_text(f"WARNING both players are called {near.upper()}\n")
    (out / "summary.json").write_text(f"both players are called {near}, in {record.match_id}")
    # One page is enough to see that pages are made again.
    (folder / "page").mkdir()
    (folder / "page" / "index.html").write_text(f"<h1>{near}</h1>")
    return out, root, films


def names(out) -> dict[str, str]:
    return privacy.codes_of(out)


def showing(folders, words) -> list[str]:
    """Files that hold one of the words, in their name or anywhere in their bytes."""
    found = []
    for folder in folders:
        for path in folder.rglob("*"):
            data = path.read_bytes().lower() if path.is_file() else b""
            if any(word.lower().encode() in data or word.lower() in path.name.lower()
                   for word in words):  # fmt: skip
                found.append(str(path))
    return found


def words_of(people) -> list[str]:
    return [*people, *(word for name in people for word in name.split())]


def test_names_stand_everywhere_at_first(world):
    out, _root, _films = world
    found = showing(world, words_of(names(out)))
    assert any("season.duckdb" in path for path in found)
    assert any("matches.parquet" in path for path in found)
    assert any("sheet.yaml" in path for path in found)


def test_codes_take_the_place_of_names_in_every_file(world, tmp_path):
    out, root, _films = world
    people = names(out)
    rows = {r["match_id"]: r for r in read_matches(out).to_pylist()}
    result = privacy.use_codes(out, root, tmp_path / "key.csv")
    assert sorted(result.matches) == sorted(rows)
    assert showing(world, words_of(people)) == []
    assert result.still_named == []
    assert len(list(out.glob("matches/*/page/index.html"))) == 1
    with open(tmp_path / "key.csv", encoding="utf-8") as given:
        key = {row["name"]: row["code"] for row in csv.DictReader(given)}
    assert key == people
    for row in read_matches(out).to_pylist():
        assert row["player_near"] == people[rows[row["match_id"]]["player_near"]]
    for record in records(out):
        sheet = matchsheet.for_video(Path(record.path))
        assert sheet == record.sheet
        assert sheet["players"]["near"]["name"] == sheet["players"]["near"]["code"]
        assert "had a sore knee" in sheet["notes"]
    connection = connect_season(root)
    answer = ask(connection, "SELECT count(*) AS n, count(DISTINCT player) AS p FROM shots")
    assert answer["n"][0] > 100 and answer["p"][0] == len(people)
    assert ask(connection, "SELECT count(*) AS n FROM player_rates")["n"][0] > 0
    connection.close()
    # The next add finds the season as it should be: nothing is added again.
    assert joining.add(out, root).added == []
    assert privacy.use_codes(out, root).matches == []


def test_matches_that_are_in_the_season_alone_are_coded_too(world):
    out, root, _ = world
    people = names(out)
    first = read_matches(out).to_pylist()[0]["match_id"]
    (MatchStore(out, first).folder / "shots.parquet").unlink()
    privacy.use_codes(out, root)
    assert showing([root], words_of(people)) == []
    assert first in SeasonStore(root).matches()


def test_names_in_file_names_are_told(world, tmp_path):
    out, root, films = world
    record = next(iter(records(out)))
    name = record.sheet["players"]["near"]["name"]
    path = films / f"{name.split()[1].lower()}_final.mp4"
    Path(record.path).rename(path)
    folder = MatchStore(out, record.match_id).folder
    write_json(folder / "match.json", {**vars(record), "path": str(path)})
    assert privacy.use_codes(out, root).still_named == [path]


def test_key_is_not_kept_beside_the_codes_nor_over_another_file(world, tmp_path):
    out, root, _ = world
    for place in (out / "key.csv", root / "deep" / "key.csv"):
        with pytest.raises(InputError, match="beside the codes"):
            privacy.use_codes(out, root, place)
    (tmp_path / "key.csv").write_text("mine")
    with pytest.raises(InputError, match="cannot be written"):
        privacy.use_codes(out, root, tmp_path / "key.csv")
    assert showing([out], words_of(names(out)))


def test_codes_that_are_not_unique_are_refused(world):
    out, root, _ = world
    first, second, *_ = records(out)
    folder = MatchStore(out, first.match_id).folder
    sheet = dict(first.sheet)
    code = second.sheet["players"]["near"]["code"]
    sheet["players"] = {"near": {"name": "Imre Marsten", "code": code, "hand": None}, "far": None}
    write_json(folder / "match.json", {**vars(read_record(folder)), "sheet": sheet})
    with pytest.raises(InputError, match=f"the code {code} stands for"):
        privacy.use_codes(out, root)


@pytest.mark.parametrize("by", ["code", "name"])
def test_a_deleted_player_leaves_no_row_page_or_clip(world, tmp_path, by):
    out, root, _films = world
    people = names(out)
    name, code = next(
        (n, c) for n, c in sorted(people.items())
        if len(privacy.matches_with(out, root, c)) < len(records(out))
    )  # fmt: skip
    gone = privacy.matches_with(out, root, code)
    kept = [row["match_id"] for row in read_matches(out).to_pylist()
            if row["match_id"] not in gone]  # fmt: skip
    clips = tmp_path / "clips"
    clips.mkdir()
    for match_id in (*gone, *kept):
        (clips / f"0001-{match_id}-2.0s.mp4").write_bytes(b"clip")
    result = privacy.forget(out, root, code if by == "code" else name.lower(), [clips])
    assert sorted(result.matches) == sorted(gone)
    assert sorted(path.name for path in clips.iterdir()) == [f"0001-{m}-2.0s.mp4" for m in kept]
    # Not a byte of the player, of the codes, nor of the matches is left.
    assert showing([out, root, clips], [*words_of([name]), *gone]) == []
    connection = connect_season(root)
    for table, column in (("shots", "player"), ("shots", "opponent"), ("players", "player"),
                          ("player_rates", "player"), ("points", "server_player")):  # fmt: skip
        sql = f"SELECT count(*) AS n FROM {table} WHERE {column} = '{code}'"
        assert ask(connection, sql)["n"][0] == 0
    assert ask(connection, "SELECT count(*) AS n FROM matches")["n"][0] == len(kept)
    connection.close()
    assert [row["match_id"] for row in read_matches(out).to_pylist()] == kept
    # Recordings are the user's own: named, not touched.
    assert len(result.recordings) == 2 * len(gone)
    assert all(path.exists() for path in result.recordings)


def test_recordings_go_too_where_that_is_asked(world):
    out, root, films = world
    code = sorted(names(out).values())[0]
    gone = privacy.matches_with(out, root, code)
    for film in list(films.glob("*.mp4")):
        (films / f"{film.stem}.court-1.png").write_bytes(b"her picture")
    result = privacy.forget(out, root, code, recordings=True)
    assert result.recordings == []
    assert len(list(films.glob("*.png"))) == 3 - len(gone)
    assert len(list(films.glob("*.mp4"))) == 3 - len(gone) == len(SeasonStore(root).matches())


def test_unknown_player_deletes_nothing(world):
    out, root, _ = world
    with pytest.raises(InputError, match="no match with nobody"):
        privacy.forget(out, root, "nobody")
    assert len(records(out)) == 3


def test_commands_ask_before_they_change(world, capsys, monkeypatch):
    out, root, _ = world
    code = sorted(names(out).values())[0]
    where = ["--out", str(out), "--season-dir", str(root)]
    monkeypatch.setattr("sys.stdin.readline", lambda *given: "n\n", raising=False)
    assert run(["season", "forget", code, *where]) == 130
    assert len(records(out)) == 3
    assert run(["season", "codes", "--yes", *where]) == 0
    assert "names replaced in 3 matches" in capsys.readouterr().out
    assert run(["season", "forget", code, "--yes", *where]) == 0
    said = capsys.readouterr().out
    assert "deleted" in said and "still there:" in said

"""A folder as people have it: broken, odd, doubled and badly named recordings."""

from __future__ import annotations

import shutil
from fractions import Fraction

import fakes
import numpy as np
import pyarrow.parquet as pq
import pytest

from films import cut_short, film, sound_only
from rallymill.errors import InputError
from rallymill.runner import folder as folders
from rallymill.runner import summary
from rallymill.runner.store import MatchStore
from rallymill.runner.summary import MATCHES_NAME
from rallymill.tables import MATCHES
from rallymill.video import content_hash

SHEET = "surface: clay\nplayers: {near: Dov Kestrell, far: Renzo Alamay}\n"


def row_of(result, file):
    (row,) = [row for row in result.rows if row["file"] == file]
    return row


@pytest.fixture
def messy(world):
    """One of everything; the fake stages find a main view in all but what is called blank."""
    films = world.films
    film(films / "good.mp4", n=20, size=(192, 108))
    (films / "good.sheet.yaml").write_text(SHEET)
    (films / "notes.mp4").write_text("Shopping list: strings, grips\n" * 20)
    (films / "zero.mkv").touch()
    whole = film(world.root / "whole.mp4", n=200)
    cut_short(whole, 0.6, films / "cut.mp4")
    late = film(world.root / "late.mp4", n=100, faststart=False)
    cut_short(late, 0.8, films / "no index.mp4")
    hurt = bytearray(whole.read_bytes())
    hurt[len(hurt) // 2 : len(hurt) // 2 + 2000] = bytes(2000)
    (films / "hurt.mp4").write_bytes(hurt)
    film(films / "phone.mp4", n=20, rotation_deg=90)
    times = np.concatenate([[0], np.cumsum(np.random.default_rng(5).uniform(0.02, 0.08, 29))])
    film(films / "vfr.mp4", n=30, times_s=times)
    film(films / "old tape.mp4", n=22, size=(160, 120), interlaced="tff")
    film(films / "anamorphic.mp4", n=23, size=(176, 144), aspect=Fraction(12, 11))
    film(films / "Łódź – kort №3 (决赛).mp4", n=24)
    (films / "日本語").mkdir()
    film(films / "日本語" / "試合.mp4", n=25)
    film(films / "blank wall.mp4", n=26)
    film(films / "hazy.mp4", n=27)
    film(films / "bad sheet.mp4", n=28)
    (films / "bad sheet.sheet.yaml").write_text("surfase: hard\n")
    sound_only(films / "radio.mp4")
    (films / "zz copy of good.mp4").write_bytes((films / "good.mp4").read_bytes())
    (films / ".hidden.mp4").write_text("hidden")
    (films / "good.truth.shots.parquet").write_bytes(b"")
    (films / "readme.txt").write_text("not listed")
    return world


def test_every_file_gets_its_line(messy):
    result = messy.run()
    status = {row["file"]: row["status"] for row in result.rows}
    assert status == {
        "good.mp4": "read",
        "notes.mp4": "not_read",
        "zero.mkv": "not_read",
        "cut.mp4": "partly_read",
        "hurt.mp4": "partly_read",
        "no index.mp4": "not_read",
        "phone.mp4": "read",
        "vfr.mp4": "read",
        "old tape.mp4": "read",
        "anamorphic.mp4": "read",
        "Łódź – kort №3 (决赛).mp4": "read",
        "日本語/試合.mp4": "read",
        "blank wall.mp4": "not_read",
        "hazy.mp4": "partly_read",
        "bad sheet.mp4": "partly_read",
        "radio.mp4": "not_read",
    }
    assert result.doubles == {"zz copy of good.mp4": "good.mp4"}
    for row in result.rows:
        if row["status"] != "read":
            assert row["reason"] and row["remedy"], row["file"]
    expected = {
        "notes.mp4": "holds text",
        "zero.mkv": "is empty",
        "cut.mp4": "cut off: the last",
        "no index.mp4": "cut off",
        "hurt.mp4": "% of the frames cannot be decoded",
        "phone.mp4": "turned by 90 degrees",
        "vfr.mp4": "variable frame rate",
        "old tape.mp4": "interlaced",
        "anamorphic.mp4": "pixels 12/11 wide made square; picture 4:3",
        "日本語/試合.mp4": "no match sheet, players are called A and B",
        "blank wall.mp4": "no court in sight",
        "hazy.mp4": "the court was found in 26% of the frames",
        "bad sheet.mp4": "surfase: unknown key, did you mean surface",
        "radio.mp4": "no picture",
    }
    for file, words in expected.items():
        assert words in row_of(result, file)["reason"], file
    assert row_of(result, "good.mp4")["reason"] is None


def test_matches_table_follows_its_schema_and_counts(messy):
    result = messy.run()
    table = pq.read_table(messy.out / MATCHES_NAME)
    assert table.schema.names == list(MATCHES.names())
    assert table.num_rows == len(result.rows)
    good = row_of(result, "good.mp4")
    assert good["duration_s"] == pytest.approx(20 / 25)
    assert good["in_view_s"] == pytest.approx(19 / 25)
    assert good["coverage"] == 1.0
    assert (good["n_shots"], good["n_flags"]) == (8, 1)
    assert (good["player_near"], good["player_far"], good["surface"]) == (
        "Dov Kestrell",
        "Renzo Alamay",
        "clay",
    )
    assert good["content_hash"] == content_hash(messy.films / "good.mp4")
    hazy = row_of(result, "hazy.mp4")
    assert hazy["coverage"] == pytest.approx(7 / 27)
    unread = row_of(result, "notes.mp4")
    assert unread["n_shots"] is None and unread["coverage"] is None
    cut = row_of(result, "cut.mp4")
    assert 2 < cut["duration_s"] < 7


def test_second_run_reads_nothing_again(messy):
    first = messy.run()
    messy.clear()
    second = messy.run()
    assert messy.ran() == []
    assert second.rows == first.rows


def test_match_names_are_safe(messy):
    for row in messy.run().rows:
        assert row["match_id"].replace("-", "").isalnum()
        assert row["match_id"].isascii()
        assert row["match_id"].endswith(row["content_hash"][:8])


def test_replaced_file_drops_its_unread_row(world):
    path = world.films / "a.mp4"
    path.touch()
    assert [row["status"] for row in world.run().rows] == ["not_read"]
    film(path, n=20)
    world.run()
    table = pq.read_table(world.out / MATCHES_NAME)
    assert table["status"].to_pylist() == ["read"]


def read_other(world, name):
    """Read another folder, which holds one film, into the same output folder."""
    other = world.root / "other"
    other.mkdir()
    film(other / name, n=30)
    night = world.night()
    night.folder = other
    return night.run()


def test_rows_of_other_folders_stay(world):
    film(world.films / "a.mp4", n=20)
    world.run()
    assert len(read_other(world, "b.mp4").rows) == 1
    assert pq.read_table(world.out / MATCHES_NAME)["file"].to_pylist() == ["a.mp4", "b.mp4"]


def test_replaced_recording_drops_its_row_until_it_comes_back(world):
    path = film(world.films / "a.mp4", n=20)
    (first,) = world.run().rows
    data = path.read_bytes()
    film(path, n=30)
    (second,) = world.run().rows
    assert pq.read_table(world.out / MATCHES_NAME).to_pylist() == [second]
    assert second["match_id"] != first["match_id"]
    world.clear()
    path.write_bytes(data)
    world.run()
    assert pq.read_table(world.out / MATCHES_NAME).to_pylist() == [first]
    assert world.ran() == []


def test_renamed_recording_stays_when_another_takes_its_name(world):
    path = film(world.films / "a.mp4", n=20)
    (first,) = world.run().rows
    path.rename(world.films / "b.mp4")
    film(path, n=30)
    world.run()
    rows = pq.read_table(world.out / MATCHES_NAME).to_pylist()
    assert [row["file"] for row in rows] == ["a.mp4", "b.mp4"]
    assert rows[1]["match_id"] == first["match_id"]


def test_same_file_name_in_another_folder_replaces_nothing(world):
    film(world.films / "a.mp4", n=20)
    world.run()
    read_other(world, "a.mp4")
    assert pq.read_table(world.out / MATCHES_NAME)["file"].to_pylist() == ["a.mp4", "a.mp4"]


def test_row_goes_with_its_folder(world):
    path = film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=30)
    (first, second) = world.run().rows
    shutil.rmtree(world.out / "matches" / first["match_id"])
    assert summary.read_matches(world.out).to_pylist() == [second]
    path.unlink()
    world.run()
    assert pq.read_table(world.out / MATCHES_NAME).to_pylist() == [second]


def test_tables_that_cannot_be_summed_up_lose_that_match_only(world, monkeypatch):
    film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=30)
    original = summary.spans_s

    def spans_s(table, start, end):
        if table.num_rows and table["match_id"][0].as_py().startswith("a-"):
            raise ZeroDivisionError("as the test asks")
        return original(table, start, end)

    monkeypatch.setattr(summary, "spans_s", spans_s)
    result = world.run()
    assert row_of(result, "b.mp4")["status"] == "read"
    bad = row_of(result, "a.mp4")
    assert bad["status"] == "not_read"
    assert "cannot be summed up: ZeroDivisionError" in bad["reason"]


def test_broken_list_is_made_again_from_the_folders(world):
    film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=30)
    whole = {row["file"]: row for row in world.run().rows}
    (world.out / MATCHES_NAME).write_bytes(b"not a table")
    night = world.night()
    night.folder = world.films / "a.mp4"
    night.run()
    found = pq.read_table(world.out / MATCHES_NAME).to_pylist()
    assert {row["file"]: row for row in found} == whole


def test_films_in_the_output_folder_are_no_recordings(world):
    film(world.films / "a.mp4", n=20)
    night = world.night()
    night.out = world.films / "results"
    night.run()
    film(night.out / "matches" / "clip.mp4", n=20)
    again = world.night()
    again.out = night.out
    assert [row["file"] for row in again.run().rows] == ["a.mp4"]


def test_fault_in_a_stage_loses_that_match_only(world):
    film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=30)
    given = {"detect": {"trouble": "raise", "trouble_for": "a-"}}
    result = world.run(given)
    bad, good = row_of(result, "a.mp4"), row_of(result, "b.mp4")
    assert (bad["status"], good["status"]) == ("not_read", "read")
    assert "stage detect failed: ZeroDivisionError: as the test asks" in bad["reason"]
    assert "log.txt" in bad["remedy"]
    # What was done before the fault is kept, and the next run goes on from there.
    world.clear()
    result = world.run()
    lines = [line for line in fakes.ledger_lines(world.ledger) if line[0].startswith("a-")]
    assert [line[1] for line in lines if line[2] == "start"] == ["detect", "shots", "flags"]
    assert row_of(result, "a.mp4")["status"] == "read"


def test_sheet_that_a_stage_refuses_is_left_out(world):
    film(world.films / "a.mp4", n=20)
    sheet = world.films / "a.sheet.yaml"
    sheet.write_text("surface: hard\nscore: 99-0, 15-0\nplayers: {near: Dov}\n")
    (row,) = world.run().rows
    assert row["status"] == "partly_read"
    assert "read without its sheet: the score cannot occur" in row["reason"]
    assert row["n_shots"] == 8
    world.clear()
    (again,) = world.run().rows
    assert again == row
    assert world.ran() == []
    sheet.write_text("surface: hard\nscore: 3-0, 15-0\nplayers: {near: Dov}\n")
    (row,) = world.run().rows
    assert (row["status"], row["player_near"]) == ("read", "Dov")


def test_empty_folder_and_missing_folder_say_so(tmp_path):
    with pytest.raises(InputError, match="no such folder"):
        folders.recordings(tmp_path / "gone")
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(InputError, match="holds no recording"):
        folders.recordings(tmp_path)


def test_single_file_stands_for_itself(world):
    path = film(world.films / "a.mp4", n=20)
    film(world.films / "b.mp4", n=20)
    night = world.night()
    night.folder = path
    assert [row["file"] for row in night.run().rows] == ["a.mp4"]


def test_link_to_nowhere_is_listed(world):
    film(world.films / "a.mp4", n=20)
    (world.films / "gone.mp4").symlink_to(world.root / "nowhere.mp4")
    result = world.run()
    row = row_of(result, "gone.mp4")
    assert row["status"] == "not_read"
    assert "cannot be read" in row["reason"]


@pytest.mark.parametrize(
    ("stem", "expected"),
    [
        ("Day One_court 2", "day-one-court-2"),
        ("Łódź Ørsted", "lodz-orsted"),
        ("試合", "match"),
        ("../../etc", "etc"),
        ("a" * 90, "a" * 40),
    ],
)
def test_slugs(stem, expected):
    assert folders.slug(stem) == expected


def test_store_has_no_match_outside_its_folder(tmp_path):
    store = MatchStore(tmp_path, "a-12345678")
    assert store.table_path("shots") == tmp_path / "matches" / "a-12345678" / "shots.parquet"

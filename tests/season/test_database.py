"""The database of a season comes up to its files in pieces, of which a kill loses one."""

from __future__ import annotations

import pyarrow as pa
import pytest

from rallymill.errors import InputError
from rallymill.runner.store import MatchStore
from rallymill.runner.summary import read_matches
from rallymill.season import database, joining
from rallymill.season.layout import SEASON_TABLES, SOURCES
from rallymill.season.match import prepare
from rallymill.season.query import ask, connect_season
from rallymill.season.store import SeasonStore
from rallymill.tables import MATCHES

COPIES = 12


class Killed(BaseException):
    """As if the process ended there."""


def copy_of(out, match_id, name):
    """A match once more under another name."""
    found = {table: MatchStore(out, match_id).read_table(SOURCES[table])
             for table in SOURCES if table != MATCHES.name}  # fmt: skip
    found[MATCHES.name] = read_matches(out).take([0])
    for table, rows in found.items():
        at = rows.column_names.index("match_id")
        names = pa.array([name] * rows.num_rows, pa.string())
        found[table] = rows.set_column(at, rows.schema.field(at), names)
    return prepare(name, found, {})


@pytest.fixture(scope="module")
def many(played, tmp_path_factory):
    """Files of a season of some copies of a match, of which no database knows."""
    root = tmp_path_factory.mktemp("many")
    first = read_matches(played)["match_id"][0].as_py()
    store = SeasonStore(root)
    with store.changing():
        for number in range(COPIES):
            store.add(copy_of(played, first, f"copy-{number:02d}"))
    return root


def test_what_is_held_while_matches_go_in_does_not_grow_with_them(many, monkeypatch):
    held = []
    real = database._insert

    def insert(connection, store, partition):
        real(connection, store, partition)
        held.append(pa.total_allocated_bytes())

    monkeypatch.setattr(database, "BATCH", 2)
    monkeypatch.setattr(database, "_insert", insert)
    before = pa.total_allocated_bytes()
    assert database.refresh(many, from_scratch=True) == COPIES
    held = [n_bytes - before for n_bytes in held]
    # A match that a transaction holds is a good part of what two of them are.
    assert max(held[COPIES // 2:]) < 1.3 * max(held[:COPIES // 2])
    assert held[1] > 1.3 * held[0]


def test_a_kill_between_pieces_is_told_and_made_good(played, joined, tmp_path, monkeypatch):
    root = tmp_path / "season"
    real, left = database._insert, [2]

    def insert(connection, store, partition):
        if not left[0]:
            raise Killed
        left[0] -= 1
        real(connection, store, partition)

    with monkeypatch.context() as patch:
        patch.setattr(database, "BATCH", 1)
        patch.setattr(database, "_insert", insert)
        with pytest.raises(Killed):
            joining.add(played, root)
    with pytest.raises(InputError, match="behind the files"):
        connect_season(root)
    made = []
    monkeypatch.setattr(database, "_insert", lambda *given: made.append(given) or real(*given))
    joining.add(played, root)
    assert len(made) == 1  # the two that were in it stayed
    found = []
    for place in (root, joined):
        connection = connect_season(place)
        found.append({
            name: ask(connection, f"SELECT * FROM {name} ORDER BY ALL").to_csv()
            for name in SEASON_TABLES
        })  # fmt: skip
        connection.close()
    assert found[0] == found[1]

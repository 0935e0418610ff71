"""Add matches of an output folder to a season, and say of each what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa

from rallymill.errors import InputError, TableError
from rallymill.runner.summary import read_matches
from rallymill.season import database, match
from rallymill.season.layout import PLAYERS
from rallymill.season.match import SeasonMatch
from rallymill.season.store import SeasonStore


@dataclass
class Joined:
    """What came of it: identifiers of matches, and for refused ones the problem and remedy."""

    added: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    refused: dict[str, tuple[str, str]] = field(default_factory=dict)


def add(
    out: Path, root: Path, match_ids: Sequence[str] = (), season: str | None = None
) -> Joined:
    """Add matches of ``out``; without ``match_ids`` all that were read.

    A match that does not keep to the rules of :mod:`rallymill.season.checks` is refused, the others
    are added all the same. What an interrupted change left undone is done first.

    Raises
    ------
    InputError
        ``match_ids`` names one that is not in ``out``.
    SeasonVersionError
        The season has another schema version.
    """
    store = SeasonStore(root)
    store.require_version()
    rows = {row["match_id"]: row for row in read_matches(out).to_pylist()}
    unknown = [match_id for match_id in match_ids if match_id not in rows]
    if unknown:
        raise InputError(f"{out} holds no match {unknown[0]}", "see rallymill status")
    chosen = match_ids or [name for name, row in rows.items() if row["status"] != "not_read"]
    result = Joined()
    with store.changing():
        database.refresh(root)
        names = database.names_by_code(root)
        for match_id in chosen:
            try:
                found = match.load(out, rows[match_id], season)
                check_names(found, names)
                where = result.added if store.add(found) else result.kept
                where.append(match_id)
            except (InputError, TableError) as error:
                result.refused[match_id] = (error.problem, error.remedy)
        database.refresh(root, changed=result.added)
    return result


def check_names(found: SeasonMatch, names: dict[str, set[str]]) -> None:
    """Take note of a match's players; one code for two people would mix them up.

    Raises
    ------
    TableError
        A code stands for somebody else in another match.
    """
    players: pa.Table = found.tables[PLAYERS.name]
    for row in players.to_pylist():
        others = names.get(row["player"], set()) - {row["name"]}
        if row["name"] and others:
            raise TableError(
                f"the code {row['player']} stands for {row['name']} in {row['match_id']} and for "
                f"{sorted(others)[0]} in another match",
                "give one of them another code in the match sheet and run rallymill process",
            )
    for row in players.to_pylist():
        if row["name"]:
            names.setdefault(row["player"], set()).add(row["name"])


def remove(root: Path, match_ids: Sequence[str]) -> list[str]:
    """Take matches out of a season, from its files and from its database; those that were there."""
    store = SeasonStore(root)
    with store.changing():
        gone = store.remove(match_ids)
        database.refresh(root, from_scratch=True)
    return gone


def roll_up(root: Path) -> tuple[int, pa.Table]:
    """Sum up the players' tables; how many matches were counted anew, and the rates.

    Raises
    ------
    InputError
        There is no season.
    """
    store = SeasonStore(root)
    store.require_version()
    if not store.matches() and not database.path_of(root).exists():
        raise InputError(f"{root} holds no season", "run rallymill season add first")
    with store.changing():
        database.refresh(root)
        return database.roll_up(root)


def migrate(root: Path) -> int:
    """Bring a season into this rallymill's schema version; the number of versions gone through.

    Raises
    ------
    SeasonVersionError
        No way is known from the version that it has.
    """
    store = SeasonStore(root)
    with store.changing():
        steps = store.migrate()
        database.refresh(root, from_scratch=bool(steps))
    return steps

"""Replace players' names by codes, and delete a player, in an output folder and its season.

A match shows both its players in every table and picture. To delete a player therefore deletes the
matches that the player took part in, as a whole; other matches of the opponents stay.
"""

from __future__ import annotations

import csv
import glob
import logging
import os
import re
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pyarrow as pa

from rallymill import matchsheet, tableio
from rallymill.corrections import store as correction_files
from rallymill.errors import InputError, RallymillError, TableError
from rallymill.runner.lock import folder_lock
from rallymill.runner.morning import HTML_NAME, JSON_NAME
from rallymill.runner.store import LOG_NAME, MatchRecord, MatchStore, records
from rallymill.runner.summary import MATCHES_NAME, read_matches
from rallymill.season import database, match
from rallymill.season.layout import PLAYERS, ROLLUP_FOLDER, SEASON_TABLES
from rallymill.season.match import SeasonMatch, names_of
from rallymill.season.store import SeasonStore
from rallymill.tables import MATCHES

log = logging.getLogger(__name__)

PAGE_FOLDER = "page"
NAME_COLUMNS = ("player_near", "player_far")


@dataclass
class Coded:
    """Matches whose names were replaced, and paths that still show a name."""

    matches: list[str] = field(default_factory=list)
    still_named: list[Path] = field(default_factory=list)


@dataclass
class Forgotten:
    """Matches that were deleted, clips with them, and recordings that are still there."""

    matches: list[str] = field(default_factory=list)
    clips: list[Path] = field(default_factory=list)
    recordings: list[Path] = field(default_factory=list)


def codes_of(out: Path) -> dict[str, str]:
    """Code by name, over all match sheets of an output folder.

    Raises
    ------
    InputError
        One code stands for two names, so that codes alone would mix them up.
    """
    found: dict[str, str] = {}
    for record in records(out):
        found |= {name: code for code, name in names_of(record).items() if name != code}
    people: dict[str, str] = {}
    for name, code in found.items():
        if people.setdefault(code, name) != name:
            raise InputError(
                f"the code {code} stands for {people[code]} and for {name}",
                "give one of them another code in the match sheets and run rallymill process",
            )
    return found


def use_codes(out: Path, root: Path | None, key: Path | None = None) -> Coded:
    """Replace names by codes in match sheets, tables, pages, logs and the season.

    ``key`` names a new file that keeps which code is who; without it nobody can tell any more.
    Comments in match sheets go, since they may hold names.

    Raises
    ------
    InputError
        Codes are not unique, a sheet cannot be written, or the key would stand in the folders.
    """
    codes = codes_of(out)
    known = [record for record in records(out) if set(names_of(record).values()) & set(codes)]
    _can_write(known)
    if key is not None:
        _write_key(key, codes, [folder for folder in (out, root) if folder])
    result = Coded()
    with folder_lock(out):
        for record in known:
            _code_match(out, record, codes)
            result.matches.append(record.match_id)
        table = read_matches(out)
        tableio.write(out / MATCHES_NAME, MATCHES, _coded_names(table, codes))
        for record in known:
            _page_again(out, record.match_id)
        _drop_summary(out)
    if root is not None and SeasonStore(root).matches():
        _code_season(out, root, codes)
    paths = [Path(record.path) for record in known]
    result.still_named = [path for path in paths if _shows(path.stem, codes)]
    return result


def _can_write(known: Iterable[MatchRecord]) -> None:
    for record in known:
        sheet = matchsheet.path_for(Path(record.path))
        if sheet.exists() and not (os.access(sheet, os.W_OK) and os.access(sheet.parent, os.W_OK)):
            raise InputError(f"{sheet} cannot be written", "allow it, and run this again")


def _write_key(key: Path, codes: Mapping[str, str], folders: Sequence[Path]) -> None:
    if any(folder.resolve() in key.resolve().parents for folder in folders):
        raise InputError(f"{key} would stand beside the codes", "keep the key somewhere else")
    try:
        with open(key, "x", encoding="utf-8", newline="") as out:
            os.chmod(key, 0o600)
            writer = csv.writer(out)
            writer.writerow(["code", "name"])
            writer.writerows(sorted((code, name) for name, code in codes.items()))
    except OSError as error:
        raise InputError(f"{key} cannot be written: {error.strerror}", "name a new file") from error


def without_names(text: str, codes: Mapping[str, str]) -> str:
    """A text with every full name and every word of three letters or more of a name replaced."""
    for name, code in sorted(codes.items(), key=lambda item: -len(item[0])):
        for part in [name, *(word for word in name.split() if len(word) > 2)]:
            text = re.sub(rf"\b{re.escape(part)}\b", code, text, flags=re.IGNORECASE)
    return text


def _shows(text: str, codes: Mapping[str, str]) -> bool:
    spaced = re.sub(r"[_\W]+", " ", text)
    words = {word.lower() for name in codes for word in name.split() if len(word) > 2}
    return bool(words & set(spaced.lower().split()))


def _coded_sheet(sheet: Mapping[str, Any], codes: Mapping[str, str]) -> dict[str, Any]:
    players = {
        side: {**player, "name": codes.get(player["name"], player["name"])} if player else None
        for side, player in (sheet.get("players") or {}).items()
    }
    notes = sheet.get("notes")
    return {**sheet, "players": players, "notes": without_names(notes, codes) if notes else notes}


def _code_match(out: Path, record: MatchRecord, codes: Mapping[str, str]) -> None:
    path = matchsheet.path_for(Path(record.path))
    if path.exists():
        coded = _coded_sheet(matchsheet.load(path), codes)
        matchsheet.save(matchsheet.MatchSheet.model_validate(coded), path)
    store = MatchStore(out, record.match_id)
    store.write_record(replace(
        record, sheet=_coded_sheet(record.sheet, codes),
        sheet_problem=without_names(record.sheet_problem, codes),
    ))  # fmt: skip
    correction_files.replace_texts(store.folder, lambda text: without_names(text, codes))
    log_path = store.folder / LOG_NAME
    if log_path.exists():
        text = log_path.read_text(encoding="utf-8", errors="replace")
        log_path.write_text(without_names(text, codes), encoding="utf-8")


def _coded_names(table: pa.Table, codes: Mapping[str, str]) -> pa.Table:
    for column in {*NAME_COLUMNS, "name"} & set(table.column_names):
        values = [codes.get(name, name) for name in table[column].to_pylist()]
        at = table.column_names.index(column)
        table = table.set_column(at, table.schema.field(at), pa.array(values, pa.string()))
    return table


def _drop_summary(out: Path) -> None:
    """Take the last run's summary away, which may quote names; the next run writes another."""
    for name in (JSON_NAME, HTML_NAME):
        (out / name).unlink(missing_ok=True)


def _page_again(out: Path, match_id: str) -> None:
    """Make the page again; a page that cannot be made is not left with names on it."""
    folder = MatchStore(out, match_id).folder / PAGE_FOLDER
    if not folder.exists():
        return
    shutil.rmtree(folder)
    from rallymill.report import page

    try:
        page.build(out, match_id)
    except (RallymillError, OSError) as error:
        log.warning("%s has no page now: %s", match_id, error)


def _code_season(out: Path, root: Path, codes: Mapping[str, str]) -> None:
    """Join the coded matches again; those that are in the season alone are coded where they are."""
    store = SeasonStore(root)
    rows = {row["match_id"]: row for row in read_matches(out).to_pylist()}
    with store.changing():
        for partition in store.matches().values():
            try:
                store.add(match.load(out, rows[partition.match_id], partition.season))
                continue
            except (KeyError, InputError, TableError) as error:
                log.info("%s is coded in the season: %s", partition.match_id, error)
            tables = {
                name: _coded_names(store.read(partition, name), codes) for name in SEASON_TABLES
            }
            store.add(SeasonMatch(partition, tables, match.identity_of(partition, tables)))
        _database_again(root)


def _database_again(root: Path) -> None:
    """Make the database from scratch, so that no old row is left in its free blocks."""
    database.refresh(root, from_scratch=True)
    if (root / ROLLUP_FOLDER).exists():
        shutil.rmtree(root / ROLLUP_FOLDER)
        database.roll_up(root)


def matches_with(out: Path, root: Path | None, player: str) -> list[str]:
    """Matches in which a player takes part, named by code or by full name."""
    wanted = player.casefold()
    found = {
        record.match_id
        for record in records(out)
        if any(wanted in (code.casefold(), name.casefold())
               for code, name in names_of(record).items())
    }  # fmt: skip
    for row in read_matches(out).to_pylist():
        if wanted in {str(row[column]).casefold() for column in NAME_COLUMNS if row[column]}:
            found.add(row["match_id"])
    if root is not None:
        store = SeasonStore(root)
        for partition in store.matches().values():
            for row in store.read(partition, PLAYERS.name).to_pylist():
                if wanted in (row["player"].casefold(), (row["name"] or "").casefold()):
                    found.add(partition.match_id)
    return sorted(found)


def forget(
    out: Path, root: Path | None, player: str, clip_folders: Sequence[Path] = (),
    recordings: bool = False,
) -> Forgotten:
    """Delete all matches that a player took part in, with every row, page and clip.

    ``clip_folders`` are searched, besides ``out``, for clips that questions have cut. Recordings
    and the files beside them that bear their name are named in the answer, and deleted only with
    ``recordings``.

    Raises
    ------
    InputError
        No match is known with that player.
    """
    found = matches_with(out, root, player)
    if not found:
        raise InputError(f"no match with {player} is known", "give a code or a full name")
    result = Forgotten(matches=found)
    paths = {record.match_id: Path(record.path) for record in records(out)}
    with folder_lock(out):
        for match_id in found:
            shutil.rmtree(MatchStore(out, match_id).folder, ignore_errors=True)
        table = read_matches(out)
        left = [row for row in table.to_pylist() if row["match_id"] not in found]
        tableio.write(out / MATCHES_NAME, MATCHES, tableio.from_rows(MATCHES, left))
        _drop_summary(out)
        for folder in (out, *clip_folders):
            for match_id in found:
                for clip in folder.rglob(f"*-{match_id}-*.mp4"):
                    clip.unlink()
                    result.clips.append(clip)
    if root is not None and SeasonStore(root).matches():
        store = SeasonStore(root)
        with store.changing():
            store.remove(found)
            _database_again(root)
    for path in (paths[match_id] for match_id in found if match_id in paths):
        # Sheets, pictures with court points and whatever else carries the recording's name.
        for file in sorted(path.parent.glob(glob.escape(path.stem) + ".*")):
            if recordings:
                file.unlink()
            else:
                result.recordings.append(file)
    return result

"""The match sheet: who plays, from which side, with which hand; a small YAML beside the recording.

Everything in it may be left out. ``<stem>.sheet.yaml`` beside ``<stem>.mp4``::

    event: Lantern Quay Open
    date: 2026-08-14
    surface: hard
    players:
      near: {name: Ilva Marrec, code: MAR, hand: right}
      far: {name: Tamsin Orrow, hand: left}
    first_server: near
    score: 3-2, 15-0

``near`` and ``far`` are the sides on which the players stand when the recording starts. A player
may be given by name only (``near: Ilva Marrec``). ``code`` is the short name in the tables; left
out, it is made from the name. ``score`` is the score at the start of the recording, games and
points with the server of ``first_server`` first.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from pathlib import Path
from typing import Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError, field_validator, model_validator

from rallymill.errors import InputError, did_you_mean
from rallymill.yamlread import document, read_text

SUFFIX = ".sheet.yaml"
CODE_LENGTH = 3

Side = Literal["near", "far"]


class Player(BaseModel):
    """A player: name, short code for the tables, and playing hand (None: not known)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    code: str = ""
    hand: Literal["right", "left"] | None = None

    @model_validator(mode="before")
    @classmethod
    def _name_alone(cls, given: Any) -> Any:
        return {"name": given} if isinstance(given, str) else given

    @field_validator("name", "code", mode="before")
    @classmethod
    def _as_text(cls, given: Any) -> Any:
        return str(given).strip() if isinstance(given, str | int) else given

    @field_validator("name")
    @classmethod
    def _not_empty(cls, given: str) -> str:
        if not given:
            raise ValueError("a name is missing")
        return given


class Players(BaseModel):
    """The two players by the side on which they stand when the recording starts."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    near: Player | None = None
    far: Player | None = None


class MatchSheet(BaseModel):
    """What a match sheet may say; see the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    event: str | None = None
    venue: str | None = None
    date: str | None = None
    surface: Literal["hard", "clay", "grass", "carpet", "other"] | None = None
    players: Players = Players()
    first_server: Side | None = None
    score: str | None = None
    notes: str | None = None

    @field_validator("date", mode="before")
    @classmethod
    def _iso_date(cls, given: Any) -> Any:
        if isinstance(given, datetime.datetime):
            return given.date().isoformat()
        if isinstance(given, datetime.date):
            return given.isoformat()
        if isinstance(given, str):
            try:
                return datetime.date.fromisoformat(given.strip()).isoformat()
            except ValueError as error:
                raise ValueError(f"{given!r} is not a date like 2026-08-14") from error
        return given

    @model_validator(mode="after")
    def _two_people(self) -> MatchSheet:
        near, far = self.players.near, self.players.far
        if near and far and near.name.casefold() == far.name.casefold():
            raise ValueError(f"both players are called {near.name}")
        if near and far and near.code and near.code.casefold() == far.code.casefold():
            raise ValueError(f"both players have the code {near.code}")
        return self


def path_for(video: Path) -> Path:
    """Where the match sheet of a recording stands."""
    return video.with_name(video.stem + SUFFIX)


_WITHOUT_ACCENT = str.maketrans(
    {
        "ø": "o",
        "Ø": "O",
        "ł": "l",
        "Ł": "L",
        "đ": "d",
        "Đ": "D",
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "ı": "i",
        "þ": "th",
        "Þ": "Th",
        "ð": "d",
    }
)


def plain_letters(text: str) -> str:
    """Text in plain Latin letters: accents dropped, letters of other scripts left out."""
    bare = unicodedata.normalize("NFKD", text.translate(_WITHOUT_ACCENT))
    return bare.encode("ascii", "ignore").decode()


def code_for(name: str, taken: str = "") -> str:
    """Three capital letters for a player from the last word of the name, other than ``taken``."""
    words = re.findall(r"[A-Za-z]+", plain_letters(name)) or ["X"]
    spread = words[-1] + "".join(words[:-1])
    code = spread[:CODE_LENGTH].upper().ljust(CODE_LENGTH, "X")
    if code != taken:
        return code
    return (code[:-1] + "2") if taken[-1] != "2" else (code[:-1] + "3")


def parse(text: str, file_name: str) -> dict[str, Any]:
    """Match sheet as a dictionary: every key of :class:`MatchSheet`, codes filled in.

    ``players`` holds ``near`` and ``far``, each None or a dictionary of ``name``, ``code``,
    ``hand``. An empty sheet gives an empty dictionary.

    Raises
    ------
    InputError
        The text is not YAML, or says something that a match sheet cannot say; every fault is
        listed.
    """
    given = document(text, f"match sheet {file_name}", "see the example in the documentation")
    if given is None:
        return {}
    if not isinstance(given, dict):
        raise InputError(
            f"match sheet {file_name} holds no keys and values",
            "write lines such as `surface: hard`",
        )
    try:
        sheet = MatchSheet.model_validate(given)
    except ValidationError as error:
        faults = "; ".join(_fault(item) for item in error.errors())
        raise InputError(
            f"match sheet {file_name}: {faults}", "correct it, or take it away to run without"
        ) from error
    filled = sheet.model_dump()
    taken = ""
    for side in ("near", "far"):
        player = filled["players"][side]
        if player and not player["code"]:
            player["code"] = code_for(player["name"], taken)
        taken = player["code"] if player else ""
    return filled


def _fault(item: Any) -> str:
    place = ".".join(str(part) for part in item["loc"]) or "sheet"
    if item["type"] != "extra_forbidden":
        return f"{place}: {item['msg'].removeprefix('Value error, ')}"
    known = {
        0: list(MatchSheet.model_fields),
        1: list(Players.model_fields),
        2: list(Player.model_fields),
    }.get(len(item["loc"]) - 1, [])
    return f"{place}: unknown key, {did_you_mean(item['loc'][-1], known)}"


def load(path: Path) -> dict[str, Any]:
    """Read a match sheet; see :func:`parse`.

    Raises
    ------
    InputError
        The file cannot be read or is not a match sheet.
    """
    text = read_text(path, f"match sheet {path.name}")
    return parse(text, path.name)


def for_video(video: Path) -> dict[str, Any]:
    """Match sheet that stands beside a recording, empty where there is none.

    Raises
    ------
    InputError
        There is one, but it cannot be read.
    """
    path = path_for(video)
    return load(path) if path.exists() else {}


def save(sheet: MatchSheet, path: Path) -> None:
    """Write a match sheet as YAML, without what is not known."""
    text = yaml.safe_dump(sheet.model_dump(exclude_none=True), sort_keys=False, allow_unicode=True)
    path.write_text(text, encoding="utf-8")

"""What a correction may say: kinds of rows, their columns and values, and the row as data."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

from rallymill import court
from rallymill.tables import POINTS, SHOTS, SIDES, Column

WHATS = ("shot", "point", "players", "court")
ACTIONS = ("change", "add", "remove", "right")
KEY_COLUMNS = ("what", "do", "t_s", "side")
TEXT_COLUMNS = ("by", "note")
TEMPLATE_COLUMN = "template"
UNREAD_COLUMNS = ("clock", "player")
"""Columns of the template that only help the reader."""
NONE_WORDS = ("none", "null")

TOLERANCE_S = 0.2
"""A stroke is found again within this of its time; one player never strikes twice in 0.35 s."""
LONGEST_S = 1e6
MAX_TEXT = 500
CODE = re.compile(r"\w[\w.-]{0,15}")

STROKE_CHANGING, PLAYERS, POINT, COURT = "strokes", "players", "points", "court"
"""What a correction bears upon; a stage names in ``corrects`` what it must know."""

SHOT_COLUMNS = (
    "t_contact_s", "hitter", "stroke", "wing", "direction", "depth", "in_court",
    "contact_x_m", "contact_y_m", "contact_z_m", "bounce_x_m", "bounce_y_m", "t_bounce_s",
    "hitter_x_m", "hitter_y_m", "hitter_state", "opponent_x_m", "opponent_y_m", "opponent_state",
    "speed_mps", "net_clearance_m", "topspin_radps",
)  # fmt: skip
POINT_COLUMNS = ("server", "serve_number", "serve_side", "ended_by", "won_by", "score")
PLAYERS_COLUMNS = ("near", "far")
COURT_COLUMNS = ("court_point", "x_px", "y_px", "width_px")
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "shot": SHOT_COLUMNS, "point": POINT_COLUMNS, "players": PLAYERS_COLUMNS,
    "court": COURT_COLUMNS,
}  # fmt: skip
NEVER_NONE = ("t_contact_s", "hitter", "stroke", "wing", "direction", "depth", "ended_by",
              *PLAYERS_COLUMNS, *COURT_COLUMNS)  # fmt: skip

LIMITS: Mapping[str, tuple[float, float]] = {
    "contact_x_m": (-25, 25), "contact_y_m": (-30, 30), "contact_z_m": (-0.5, 6),
    "hitter_x_m": (-25, 25), "hitter_y_m": (-30, 30),
    "opponent_x_m": (-25, 25), "opponent_y_m": (-30, 30),
    "bounce_x_m": (-40, 40), "bounce_y_m": (-60, 60),
    "t_contact_s": (0, LONGEST_S), "t_bounce_s": (0, LONGEST_S),
    "speed_mps": (0, 90), "net_clearance_m": (-1.2, 20), "topspin_radps": (-1000, 1000),
    "serve_number": (1, 2), "x_px": (-20_000, 20_000), "y_px": (-20_000, 20_000),
    "width_px": (16, 20_000),
}  # fmt: skip
"""What can occur on a court at all (common practice, no source)."""

_TABLES = {"shot": SHOTS, "point": POINTS}
_SPECS: Mapping[str, Column] = {
    column.name: column
    for what, spec in _TABLES.items()
    for column in spec.columns
    if column.name in COLUMNS[what]
}
_TRUE, _FALSE = ("true", "yes", "1", "in"), ("false", "no", "0", "out")

Value = str | float | int | bool | None


@dataclass(frozen=True)
class Correction:
    """A row: what it is about, what to do, and the values by column.

    ``number`` and ``row`` say in which applied file and which of its lines it stands, ``template``
    from which template the line came, 0 for none.
    """

    what: str
    action: str
    t_s: float
    side: str | None = None
    values: Mapping[str, Value] = field(default_factory=dict)
    by: str = ""
    note: str = ""
    number: int = 0
    row: int = 0
    template: int = 0

    @property
    def bears_upon(self) -> str:
        """What changes with it, see :data:`STROKE_CHANGING`."""
        if self.what == "shot" or (self.what == "point" and self.action == "remove"):
            return STROKE_CHANGING
        return {"players": PLAYERS, "court": COURT}.get(self.what, POINT)

    def plain(self) -> dict[str, Any]:
        """The row as plain data."""
        return {
            "row": self.row, "what": self.what, "do": self.action, "t_s": self.t_s,
            "side": self.side, "values": dict(self.values), "by": self.by, "note": self.note,
        }  # fmt: skip

    @classmethod
    def of_plain(cls, given: Mapping[str, Any], number: int) -> Correction:
        """The row again.

        Raises
        ------
        ValueError
            The data are not such a row; the text says what is wrong.
        """
        try:
            what, action = str(given["what"]), str(given["do"])
            t_s, side = time_of(given["t_s"]), given["side"]
            values = dict(given["values"])
            if what not in WHATS or action not in ACTIONS or side not in (None, *SIDES):
                raise ValueError("what, do or side is none that is known")
            if wrong := set(values) - set(COLUMNS[what]):
                raise ValueError(f"{sorted(wrong)[0]} is no column of a {what}")
            checked = {
                name: None if value is None else value_of(name, text_of(value))
                for name, value in values.items()
            }
            return cls(what, action, t_s, side, checked, str(given.get("by", "")),
                       str(given.get("note", "")), number, int(given.get("row", 0)))  # fmt: skip
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"a row lacks {error}") from error

    def said(self) -> str:
        """The row in words, for listings."""
        place = f"{self.what} at {self.t_s:.2f} s" + (f" {self.side}" if self.side else "")
        told = ", ".join(f"{name} {text_of(value)}" for name, value in self.values.items())
        return f"{self.action} {place}" + (f": {told}" if told else "")


def bearing_upon(rows: Iterable[Correction], kinds: Iterable[str]) -> tuple[Correction, ...]:
    """Corrections that bear upon one of these, in their order."""
    wanted = set(kinds)
    return tuple(row for row in rows if row.bears_upon in wanted)


def number_of(text: str, decimal_comma: bool = False) -> float:
    """A number from a cell.

    Raises
    ------
    ValueError
        The text is none, or not finite.
    """
    text = text.strip().replace("\u2212", "-")
    if decimal_comma and "." not in text:
        text = text.replace(",", ".", 1)
    try:
        number = float(text) if "_" not in text else math.nan
    except ValueError as error:
        raise ValueError(f"{text!r} is no number") from error
    if not math.isfinite(number):
        raise ValueError(f"{text!r} is no number")
    return number


def time_of(given: Any) -> float:
    """A time in seconds; raises ``ValueError`` where it is none."""
    number = number_of(str(given))
    if not 0 <= number <= LONGEST_S:
        raise ValueError(f"{number:g} s is no time of a recording")
    return number


def value_of(column: str, text: str, decimal_comma: bool = False) -> Value:
    """What a cell of a column says, with the column's type; None for the word ``none``.

    Raises
    ------
    ValueError
        It cannot stand there; the text says what may.
    """
    text = text.strip()
    if text.casefold() in NONE_WORDS:
        if column in NEVER_NONE:
            raise ValueError(f"{column} cannot be empty" + (
                "; write unknown" if "unknown" in _words(column) else ""))
        return None
    if words := _words(column):
        word = re.sub(r"[\s_-]+", "_", text.casefold())
        if word not in words:
            raise ValueError(f"{column} is {text!r}; it may be {', '.join(words)}")
        return word
    if column == "in_court":
        if text.casefold() in _TRUE or text.casefold() in _FALSE:
            return text.casefold() in _TRUE
        raise ValueError(f"in_court is {text!r}; it may be true or false")
    if column in LIMITS:
        return _measured(column, text, decimal_comma)
    if column in PLAYERS_COLUMNS and not CODE.fullmatch(text):
        raise ValueError(f"{column} is {text[:40]!r}, no code of a player; write one such as MAR")
    if len(text) > MAX_TEXT:
        raise ValueError(f"{column} has {len(text)} letters")
    return text


def _words(column: str) -> tuple[str, ...]:
    if column == "court_point":
        return tuple(court.named_points())
    return _SPECS[column].values if column in _SPECS else ()


def _measured(column: str, text: str, decimal_comma: bool) -> float | int:
    try:
        number = number_of(text, decimal_comma)
    except ValueError as error:
        raise ValueError(f"{column} is {text!r}, no number") from error
    low, high = LIMITS[column]
    if not low <= number <= high:
        raise ValueError(f"{column} is {number:g}; it must lie within {low:g} and {high:g}")
    whole = column == "width_px" or (column in _SPECS and pa.types.is_integer(
        _SPECS[column].dtype))
    if whole and number != int(number):
        raise ValueError(f"{column} is {number:g}; it must be a whole number")
    return int(number) if whole else number


def text_of(value: Value) -> str:
    """A value as it stands in a cell."""
    if value is None:
        return NONE_WORDS[0]
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)

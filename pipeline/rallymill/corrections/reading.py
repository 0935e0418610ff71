"""Read a correction file: text or workbook to rows, and every fault in it with its place."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rallymill.corrections.rows import (
    ACTIONS,
    COLUMNS,
    KEY_COLUMNS,
    MAX_TEXT,
    TEMPLATE_COLUMN,
    TEXT_COLUMNS,
    UNREAD_COLUMNS,
    WHATS,
    Correction,
    number_of,
    time_of,
    value_of,
)
from rallymill.errors import InputError, did_you_mean
from rallymill.tables import SIDES

WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
DELIMITERS = ";\t,"
MAX_BYTES = 20_000_000
MAX_ROWS = 100_000
REACH_OVER_M = 0.5
"""How far over the net somebody may reach or a place be off (common practice, no source)."""
KNOWN = (*KEY_COLUMNS, *TEXT_COLUMNS, *UNREAD_COLUMNS, TEMPLATE_COLUMN,
         *dict.fromkeys(name for names in COLUMNS.values() for name in names))  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """What is wrong with a row of a file (0: with the file), and what to do."""

    row: int
    problem: str
    remedy: str

    def text(self, file: str) -> str:
        """One line that names file and row."""
        place = f"{file}, row {self.row}" if self.row else file
        return f"{place}: {self.problem}; {self.remedy}"


@dataclass(frozen=True)
class Read:
    """Rows of a file that can be used as such, and faults of the others."""

    rows: tuple[Correction, ...]
    faults: tuple[Fault, ...]


@dataclass(frozen=True)
class _Line:
    number: int
    cells: Mapping[str, str]


def read(path: Path, templates: Mapping[int, str] | None = None) -> Read:
    """Corrections of a file. Rows count from 1, the line of column names included.

    ``templates`` are the texts of those that were written, by number: what a row of one says as
    the template did was not changed, and so is no correction.

    Raises
    ------
    InputError
        The file as a whole cannot be used: not there, no table, no known columns.
    """
    cells, decimal_comma = _cells(path)
    lines, faults = _lines(path.name, cells)
    rows = []
    origins: dict[int, _Origins] = {}
    for line in lines:
        try:
            row = _correction(line, decimal_comma)
        except _RowError as error:
            faults.append(Fault(line.number, error.problem, error.remedy))
            continue
        if row.template in (templates or {}) and row.template not in origins:
            origins[row.template] = _origins((templates or {})[row.template])
        changed = _changed(row, origins.get(row.template, {}))
        if changed is not None:
            rows.append(changed)
    if not lines and not faults:
        raise InputError(f"{path.name} holds no row below the column names", "write one")
    return Read(tuple(rows), tuple(sorted(faults, key=lambda fault: fault.row)))


_Origins = Mapping[tuple[str, float, str | None], Correction]


def _origins(text: str) -> _Origins:
    """Rows of a template as it was written, by what they are about."""
    lines, _ = _lines("template", _text("template", text.encode())[0])
    rows = [_correction(line, False) for line in lines]
    return {(row.what, round(row.t_s, 3), row.side): row for row in rows}


def _changed(row: Correction, origins: _Origins) -> Correction | None:
    """A row without the cells that its template had already; None where it changes nothing."""
    origin = origins.get((row.what, round(row.t_s, 3), row.side))
    if origin is None or row.action not in ("change", "add"):
        return row
    values = {
        name: value for name, value in row.values.items()
        if name not in origin.values or value != origin.values[name]
    }
    return replace(row, values=values) if values or row.action == "add" else None


class _RowError(Exception):
    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem, remedy)
        self.problem, self.remedy = problem, remedy


def _cells(path: Path) -> tuple[Sequence[Sequence[str]], bool]:
    """Cells of a file as text, and whether a comma may be a decimal one."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise InputError(
                f"{path.name} has {size / 1e6:.0f} MB, a correction file at most "
                f"{MAX_BYTES / 1e6:.0f}", "is it the right file?",
            )  # fmt: skip
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read: {error.strerror}", "check the path and its permissions"
        ) from error
    if not content.strip():
        raise InputError(f"{path.name} is empty", "write a line of column names and rows under it")
    if path.suffix.lower() in WORKBOOKS:
        return _workbook(path.name, content), True
    return _text(path.name, content)


def _text(name: str, content: bytes) -> tuple[Sequence[Sequence[str]], bool]:
    if content[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise InputError(
            f"{name} is a workbook with the name of a text file",
            "give it its own ending, .xlsx or .ods",
        )
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(
            f"{name} is not UTF-8 (row {line})", "save it as CSV with the encoding UTF-8"
        ) from error
    if "\0" in text:
        raise InputError(f"{name} is no text file", "save it as CSV with the encoding UTF-8")
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(DELIMITERS, key=first.count)
    if not first.count(delimiter):
        delimiter = ","
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise InputError(f"{name} is no table: {error}", "save it as CSV again") from error
    return rows, delimiter != ","


def _workbook(name: str, content: bytes) -> Sequence[Sequence[str]]:
    """Cells of the first sheet of a workbook."""
    try:
        import python_calamine
    except ModuleNotFoundError as error:
        raise InputError(
            f"{name}: reading workbooks needs python-calamine",
            "install it with pip install python-calamine, or save the sheet as CSV",
        ) from error
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        rows = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
    except (python_calamine.CalamineError, OSError, ValueError, IndexError) as error:
        raise InputError(
            f"{name} cannot be read as a workbook: {error}", "save it again, or save it as CSV"
        ) from error
    return [[_cell(value) for value in row] for row in rows]


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _lines(name: str, cells: Sequence[Sequence[str]]) -> tuple[list[_Line], list[Fault]]:
    """Rows with their cells by column; rows that do not fit the columns are faults."""
    filled = [
        (number, [cell.strip() for cell in row])
        for number, row in enumerate(cells, 1)
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    if not filled:
        raise InputError(f"{name} is empty", "write a line of column names and rows under it")
    if len(filled) > MAX_ROWS:
        raise InputError(f"{name} has {len(filled)} rows", f"give at most {MAX_ROWS} at a time")
    header = [column.casefold().replace(" ", "_") for column in filled[0][1]]
    while header and not header[-1]:
        header.pop()
    unknown = [column for column in header if column not in KNOWN]
    if unknown:
        listed = ", ".join(column[:40] or "(no name)" for column in unknown[:8])
        raise InputError(
            f"{name}: unknown {'column' if len(unknown) == 1 else 'columns'} {listed}",
            did_you_mean(
                unknown[0], KNOWN, "the first line must name the columns: "
                + ", ".join(KEY_COLUMNS) + " and those to be corrected",
            ),
        )  # fmt: skip
    doubled = [column for column in dict.fromkeys(header) if header.count(column) > 1]
    if doubled:
        raise InputError(f"{name}: column {doubled[0]} stands twice", "keep one of them")
    missing = [column for column in ("what", "t_s") if column not in header]
    if missing:
        raise InputError(
            f"{name}: no column {' and no column '.join(missing)}",
            "every row must say what it is about and at which time",
        )
    lines, faults = [], []
    for number, row in filled[1:]:
        if any(row[len(header):]):
            faults.append(Fault(
                number, f"{len(row)} cells under {len(header)} columns",
                "put texts with commas in quotes, and write decimal points",
            ))  # fmt: skip
            continue
        lines.append(_Line(number, dict(zip(header, row, strict=False))))
    return lines, faults


def _chosen(word: str, words: Sequence[str], column: str, otherwise: str = "") -> str:
    word = word.casefold() or otherwise
    if word not in words:
        raise _RowError(
            f"{column} is {word!r}" if word else f"{column} is empty",
            f"write {', '.join(words[:-1])} or {words[-1]}",
        )
    return word


def _correction(line: _Line, decimal_comma: bool) -> Correction:
    cells = {name: cell for name, cell in line.cells.items() if cell}
    what = _chosen(cells.pop("what", ""), WHATS, "what")
    action = _chosen(cells.pop("do", ""), ACTIONS, "do", "change")
    try:
        t_s = time_of(number_of(cells.pop("t_s", ""), decimal_comma))
    except ValueError as error:
        raise _RowError(f"t_s: {error}", "write the seconds of the recording, such as 73.48"
                        ) from error
    side = cells.pop("side", "").casefold() or None
    if side is not None or what == "shot":
        side = _chosen(side or "", SIDES, "side")
    by, note = (cells.pop(name, "")[:MAX_TEXT] for name in TEXT_COLUMNS)
    for name in UNREAD_COLUMNS:
        cells.pop(name, None)
    template = cells.pop(TEMPLATE_COLUMN, "0")
    if not template.isdecimal() or len(template) > 6:
        raise _RowError(f"template is {template[:40]!r}", "leave that cell as it was, or empty")
    # The template names the side of a point and the like for the reader; only shots need it.
    values = {}
    for name, cell in cells.items():
        if name not in COLUMNS[what]:
            owner = next(kind for kind, names in COLUMNS.items() if name in names)
            raise _RowError(f"{name} does not belong to a {what} row",
                            f"write it in a row with what = {owner}")  # fmt: skip
        try:
            values[name] = value_of(name, cell, decimal_comma)
        except ValueError as error:
            raise _RowError(str(error), "correct the cell") from error
    row = Correction(what, action, t_s, side if what == "shot" else None, values, by, note,
                     row=line.number, template=int(template))  # fmt: skip
    _check(row)
    return row


def _check_sides(row: Correction) -> None:
    """Places must lie on the side of whoever is said to strike, a bounce on the other one."""
    hitter = row.values.get("hitter") or row.side
    own = -1.0 if hitter == "near" else 1.0
    for name, sign, who in (
        ("contact_y_m", own, "the hitter's"), ("hitter_y_m", own, "the hitter's"),
        ("bounce_y_m", -own, "the opponent's"), ("opponent_y_m", -own, "the opponent's"),
    ):
        value = row.values.get(name)
        if isinstance(value, float) and value * sign < -REACH_OVER_M:
            raise _RowError(
                f"{name} is {value:g}, which is not on {who} side of the net",
                "y is negative on the camera's side; for a ball into the net write the point's "
                "ended_by",
            )


def _check(row: Correction) -> None:
    """Raise :class:`_RowError` unless the row makes sense in itself."""
    values = row.values
    if row.what == "point" and row.action == "add":
        raise _RowError("a point cannot be added", "add its strokes")
    if row.what in ("players", "court") and row.action == "right":
        raise _RowError(f"do = right says nothing of {row.what}", "mark shots or points with it")
    if row.what == "players" and row.action == "remove":
        raise _RowError("players cannot be removed", "write who stands there instead")
    if row.what == "shot" and row.action != "remove" and "t_contact_s" in values and abs(
            float(str(values["t_contact_s"])) - row.t_s) > 1.0:
        raise _RowError(
            f"t_contact_s is {values['t_contact_s']:g}, more than a second from t_s",
            "remove the stroke and add it where it was",
        )
    if row.what == "shot" and row.action == "add" and values.get("hitter") not in (None, row.side):
        raise _RowError("hitter and side differ", "write the hitter's side in both or leave hitter")
    if row.what == "shot":
        _check_sides(row)
    if row.what == "players":
        if not values:
            raise _RowError("neither near nor far is given", "write the players' codes")
        if values.get("near") and values.get("near") == values.get("far"):
            raise _RowError("near and far are the same player", "write two codes")
    if row.what == "court":
        needed = ["court_point", *(["x_px", "y_px"] if row.action != "remove" else [])]
        missing = [name for name in needed if name not in values]
        if missing:
            raise _RowError(f"no {', no '.join(missing)}", "name a point and its place")


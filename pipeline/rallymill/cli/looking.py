"""Commands that look at what was read: ``status``, ``query``, ``report``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import pandas as pd

from rallymill.cli.options import json_option, out_option
from rallymill.cli.processing import row_line
from rallymill.config import hint, home
from rallymill.errors import InputError
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchRecord, records
from rallymill.runner.summary import read_matches
from rallymill.season import questions as named
from rallymill.season.query import ask, connect
from rallymill.tables import ALL


@click.command()
@out_option
@json_option
def status(out: Path, as_json: bool) -> int:
    """Say which matches were read, which were not and why.

    Exit code: 0 all read, 1 some match could not be read.
    """
    rows = read_matches(out).to_pylist()
    listed = {row["match_id"] for row in rows}
    known = records(out)
    in_place = {record.path for record in known if record.match_id in listed}
    begun = [
        record
        for record in known
        if record.match_id not in listed and record.path not in in_place
    ]
    if as_json:
        content = {"matches": rows, "begun": [_begun(record) for record in begun]}
        click.echo(json.dumps(content, indent=2, ensure_ascii=False))
    else:
        if not rows and not begun:
            raise InputError(f"{out} holds no matches", "run rallymill process first")
        for row in rows:
            click.echo(f"{row['match_id']}  {row_line(row)}")
            if row["remedy"]:
                click.echo(f"    {row['remedy']}")
        for record in begun:
            done, n_stages = len(record.finished), len(load_stages())
            click.echo(
                f"{record.match_id}  begun        {record.file}: {done} of {n_stages} stages done"
            )
    return 1 if any(row["status"] == "not_read" for row in rows) else 0


def _begun(record: MatchRecord) -> dict[str, Any]:
    return {"match_id": record.match_id, "file": record.file, "finished": record.finished}


@click.command()
@click.argument("question", required=False)
@out_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
@json_option
@click.option("--list", "list_named", is_flag=True, help="List the questions that have a name.")
@click.option("--tables", "list_tables", is_flag=True, help="List the tables and their columns.")
def query(
    question: str | None,
    out: Path,
    as_csv: bool,
    as_json: bool,
    list_named: bool,
    list_tables: bool,
) -> int:
    """Ask QUESTION of all matches: SQL, or the name of a question.

    The tables (shots, points, flags, matches and the others) hold every match that was read.
    Questions only read; nothing on disk can be changed.

    \b
    Examples:
      rallymill query --list
      rallymill query short-balls-cross-court
      rallymill query "SELECT player, avg(speed_mps) FROM shots GROUP BY player" --csv
    """
    known = named.load(home() / "configs" / "questions")
    if list_named:
        for item in known.values():
            click.echo(f"{item.name:<28} {item.question}")
        return 0
    if list_tables:
        _say_tables()
        return 0
    if not question:
        raise click.UsageError("give SQL or the name of a question, or --list")
    if question in known:
        sql = known[question].sql
    elif len(question.split()) == 1:
        raise click.UsageError(f"no question is called {question}; {hint(question, known)}")
    else:
        sql = question
    answer = ask(connect(out), sql)
    if as_csv:
        click.echo(answer.to_csv(index=False), nl=False)
    elif as_json:
        click.echo(answer.to_json(orient="records", force_ascii=False, date_format="iso"))
    else:
        click.echo(as_text(answer))
    return 0


def _say_tables() -> None:
    for spec in ALL.values():
        click.echo(f"{spec.name}: {spec.row}")
        for column in spec.columns:
            unit = f" [{column.unit}]" if column.unit else ""
            click.echo(f"    {column.name:<28} {column.doc}{unit}")


def as_text(answer: pd.DataFrame) -> str:
    """An answer as columns of text; an empty one says so."""
    if answer.empty:
        return "no rows: " + ", ".join(answer.columns)
    return str(answer.to_string(index=False, na_rep="", max_colwidth=80))


@click.command()
@click.argument("match")
@out_option
def report(match: str, out: Path) -> int:
    """Make the page of MATCH again and say where it is.

    MATCH is the identifier of a match, or enough of its start to tell it from the others.
    """
    from rallymill.report import page

    match_ids = [row["match_id"] for row in read_matches(out).to_pylist()]
    click.echo(page.build(out, match_by_start(match, match_ids)))
    return 0


def match_by_start(start: str, match_ids: list[str]) -> str:
    """The one match whose identifier begins so.

    Raises
    ------
    InputError
        None does, or several do.
    """
    if start in match_ids:
        return start
    found = [match_id for match_id in match_ids if match_id.startswith(start)]
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(f"several matches begin with {start}", ", ".join(sorted(found)))
    raise InputError(f"no match begins with {start}", hint(start, match_ids))

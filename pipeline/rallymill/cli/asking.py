"""``rallymill query``: ask questions of all matches, or of a season."""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from rallymill.cli.options import json_option, out_option
from rallymill.config import home
from rallymill.errors import did_you_mean
from rallymill.season import clips as cutting
from rallymill.season import questions as named
from rallymill.season.faults import FAULT_RATES
from rallymill.season.layout import PLAYERS, SEASON_TABLES
from rallymill.season.query import ask, connect, connect_season, json_text
from rallymill.season.rollup import RATES
from rallymill.tables import ALL, TableSpec


@click.command()
@click.argument("question", required=False)
@click.argument("arguments", nargs=-1)
@out_option
@click.option("--season-dir", type=click.Path(path_type=Path, file_okay=False),
              help="Ask the season in this folder instead of the matches of the output folder.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
@json_option
@click.option("--clips", type=click.Path(path_type=Path, file_okay=False),
              help="Cut the seconds that the rows tell into clips in this folder.")
@click.option("--list", "list_named", is_flag=True, help="List the questions that have a name.")
@click.option("--tables", "list_tables", is_flag=True, help="List the tables and their columns.")
def query(
    question: str | None,
    arguments: tuple[str, ...],
    out: Path,
    season_dir: Path | None,
    as_csv: bool,
    as_json: bool,
    clips: Path | None,
    list_named: bool,
    list_tables: bool,
) -> int:
    """Ask QUESTION of all matches: SQL, or the name of a question with ARGUMENTS name=value.

    The tables (shots, points, flags, matches and the others) hold every match that was read, or
    with --season-dir every match of a season. Questions only read; nothing on disk can be changed.
    With --clips the rows must tell match_id and times: clip_start_s and clip_end_s, start_s and
    end_s, or t_contact_s.

    \b
    Examples:
      rallymill query --list
      rallymill query short-balls-cross-court player=MAR
      rallymill query flagged-strokes rule=recovery most=5 --clips clips
      rallymill query serve-and-return surface=clay --season-dir outputs/season
      rallymill query "SELECT player, avg(speed_mps) FROM shots GROUP BY player" --csv
    """
    known = named.load(home() / "configs" / "questions")
    if list_named:
        for item in known.values():
            click.echo(f"{item.name:<28} {item.question}")
            for argument in item.arguments.values():
                default = "" if argument.default is None else f" (left out: {argument.default})"
                click.echo(f"{'':<30} {argument.name + '=' + argument.kind:<16} "
                           f"{argument.about}{default}")  # fmt: skip
        return 0
    if list_tables:
        season_only = (PLAYERS, RATES, FAULT_RATES)
        _say_tables(
            (*SEASON_TABLES.values(), RATES, FAULT_RATES) if season_dir else tuple(ALL.values()))
        if not season_dir:
            names = ", ".join(spec.name for spec in season_only)
            click.echo(f"a season has besides: {names} (--tables --season-dir)")
        return 0
    if not question:
        raise click.UsageError("give SQL or the name of a question, or --list")
    sql, values = question, {}
    if question in known:
        sql, values = known[question].sql, known[question].values(arguments)
    elif len(question.split()) == 1:
        raise click.UsageError(f"no question is called {question}; {did_you_mean(question, known)}")
    elif arguments:
        raise click.UsageError(f"SQL takes no arguments, but {arguments[0]} was given")
    connection = connect_season(season_dir) if season_dir else connect(out)
    try:
        answer = ask(connection, sql, values)
    finally:
        connection.close()
    if clips is not None:
        cutting.spans(answer)
    if as_csv:
        click.echo(answer.to_csv(index=False), nl=False)
    elif as_json:
        click.echo(json_text(answer))
    else:
        click.echo(as_text(answer))
    return 0 if clips is None else _cut(answer, out, clips)


def _cut(answer: pd.DataFrame, out: Path, folder: Path) -> int:
    failed = 0
    for clip in cutting.cut(answer, out, folder):
        failed += clip.file is None
        where = f"{clip.match_id} at {clip.start_s:.1f} s"
        click.echo(clip.file or f"{where}: {clip.problem}", err=True)
    return 1 if failed else 0


def _say_tables(specs: tuple[TableSpec, ...]) -> None:
    for spec in specs:
        click.echo(f"{spec.name}: {spec.row}")
        for column in spec.columns:
            unit = f" [{column.unit}]" if column.unit else ""
            click.echo(f"    {column.name:<28} {column.doc}{unit}")


def as_text(answer: pd.DataFrame) -> str:
    """An answer as columns of text; an empty one says so."""
    if answer.empty:
        return "no rows: " + ", ".join(answer.columns)
    return str(answer.to_string(index=False, na_rep="", max_colwidth=80))

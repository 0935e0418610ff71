"""``rallymill correct``: put right by hand what the machine read, and take it back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rallymill.cli.looking import match_by_start
from rallymill.cli.options import config_option, json_option, out_option
from rallymill.errors import InputError
from rallymill.runner.agreeing import agreement_of
from rallymill.runner.registry import load_stages
from rallymill.runner.store import records
from rallymill.tables import ALL

if TYPE_CHECKING:
    from rallymill.runner.correct import Correcting, Done

TEMPLATE_SUFFIX = ".corrections.csv"
EXIT_NOT_ALL = 1


@click.command()
@click.argument("match")
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@out_option
@config_option
@click.option("--partly", is_flag=True,
              help="Apply the rows without a fault; left out, all or none.")
@click.option("--by", default="", metavar="NAME", help="Who says so; initials are enough.")
@click.option("--dry-run", is_flag=True, help="Only say what would be applied.")
@click.option("--take-back", "numbers", multiple=True, type=click.IntRange(min=1), metavar="NUMBER",
              help="Take the corrections of this number back; may be given again.")
@click.option("--list", "list_them", is_flag=True,
              help="List what was applied, and what of it does not fit any more.")
@json_option
def correct(
    match: str, file: Path | None, out: Path, config_path: Path | None, partly: bool, by: str,
    dry_run: bool, numbers: tuple[int, ...], list_them: bool, as_json: bool,
) -> int:
    """Correct strokes, points, players, score or court of MATCH by the rows of FILE.

    Without FILE, a table with every point and stroke of the match is written to
    MATCH.corrections.csv in the working folder: change in it what is wrong, write `right` under
    `do` for rows that you looked at and found right, and give it to this command. CSV, .xlsx and
    .ods are read. Cells that were not changed correct nothing.

    Corrections are kept in the match's folder, numbered, and hold when the match is read again:
    strokes are found by their time and hitter. What depends on them is made anew at once, the
    match page too, except where the recording must be looked at again; then the next rallymill
    process does it.

    Exit code: 0 done, 1 some rows do not fit, 2 the file cannot be used.

    \b
    Examples:
      rallymill correct final                      # writes final-….corrections.csv
      rallymill correct final final-….corrections.csv --by TB
      rallymill correct final --list
      rallymill correct final --take-back 2
    """
    # Loads the stages, which takes longer than other commands take altogether.
    from rallymill.runner.correct import Correcting, CorrectionError

    name = match_by_start(match, [record.match_id for record in records(out)])
    correcting = Correcting(out, name)
    if list_them:
        return _list(out, name, correcting, as_json)
    if file is None and not numbers:
        return _write_template(correcting, name)
    stages = load_stages()
    config = correcting.config(stages, config_path)
    if file is None:
        done = correcting.withdraw(numbers, stages, config, _say_stage(as_json), by)
        return _say_done(done, out, name, as_json, ())
    if numbers:
        raise click.UsageError("give FILE or --take-back, not both")
    found = correcting.examine(file)
    faults = [fault.text(file.name) for fault in found.faults]
    for line in faults:
        click.echo(line, err=True)
    if dry_run:
        if as_json:
            click.echo(json.dumps({"rows": [row.plain() for row in found.rows], "faults": faults},
                                  indent=2, ensure_ascii=False))  # fmt: skip
        else:
            for row in found.rows:
                click.echo(f"would {row.said()}")
            click.echo(f"{_n(len(found.rows), 'row')} would be applied, {len(faults)} cannot be")
        return EXIT_NOT_ALL if faults else 0
    try:
        done = correcting.apply(file, stages, config, _say_stage(as_json), partly, by)
    except CorrectionError as error:
        # Its lines were said above.
        raise InputError(error.problem, error.remedy) from error
    return _say_done(done, out, name, as_json, faults)


def _n(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def _write_template(correcting: Correcting, name: str) -> int:
    path = Path(name + TEMPLATE_SUFFIX)
    try:
        # Someone may have worked in a file of that name, so it is never written over.
        with open(path, "x", encoding="utf-8-sig", newline="") as out:
            out.write(correcting.template())
    except FileExistsError as error:
        raise InputError(
            f"{path} is there already",
            f"apply it with rallymill correct {name} {path}, or move it away to get a new one",
        ) from error
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         "go to a folder where you may write") from error  # fmt: skip
    click.echo(f"{path}: change what is wrong, then run rallymill correct {name} {path}")
    return 0


def _say_stage(as_json: bool) -> Any:
    def say(event: Mapping[str, Any]) -> None:
        if event["event"] == "done":
            click.echo(f"  {event['stage']} made anew", err=True)
        elif event["event"] == "warning":
            click.echo(f"  {event['problem']}: {event['remedy']}", err=True)

    return (lambda event: None) if as_json else say


def _say_done(done: Done, out: Path, name: str, as_json: bool, faults: Any) -> int:
    found = agreement_of(out, name)
    if as_json:
        plain = asdict(done) | {
            "applied": done.applied.plain() if done.applied else None, "faults": list(faults),
            "agreement": found.plain() if found else None,
        }  # fmt: skip
        click.echo(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        _say_words(done)
        for line in found.sentences() if found else []:
            click.echo(line)
    return EXIT_NOT_ALL if faults or done.problem else 0


def _say_words(done: Done) -> None:
    if done.applied is None:
        click.echo("nothing new: the tables say all of that already")
        return
    if done.applied.withdraws:
        taken = ", ".join(map(str, done.applied.withdraws))
        click.echo(f"corrections {taken} were taken back (number {done.applied.number})")
    else:
        click.echo(f"{_n(len(done.applied.rows), 'row')} applied as number {done.applied.number}")
    if done.waiting:
        click.echo(f"{done.why_waiting}: rallymill process does the rest")
    if done.problem:
        click.echo(f"{done.problem}\n  {done.remedy}", err=True)


def _list(out: Path, name: str, correcting: Correcting, as_json: bool) -> int:
    kept = correcting.kept()
    store = correcting.store
    rows = []
    if store.table_path("corrections").exists():
        rows = store.read_table(ALL["corrections"]).to_pylist()
    found = agreement_of(out, name)
    unfit = [row for row in rows if row["status"] == "unfit"]
    if as_json:
        click.echo(json.dumps({
            "files": [file.plain() for file in kept.files], "taken_back": sorted(kept.withdrawn),
            "broken": list(kept.broken), "rows": rows,
            "agreement": found.plain() if found else None,
        }, indent=2, ensure_ascii=False))  # fmt: skip
        return EXIT_NOT_ALL if unfit or kept.broken else 0
    for file in kept.files:
        who = f" by {file.by}" if file.by else ""
        gone = ", taken back" if file.number in kept.withdrawn else ""
        what = (f"takes back {', '.join(map(str, file.withdraws))}" if file.withdraws
                else f"{_n(len(file.rows), 'row')} of {file.source}")  # fmt: skip
        click.echo(f"{file.number}  {file.applied_at}{who}: {what}{gone}")
    for line in kept.broken:
        click.echo(line)
    for row in unfit:
        click.echo(
            f"does not fit any more: number {row['application_number']}, row "
            f"{row['file_row_number']}: {row['action']} {row['what']} at {row['t_s']:.2f} s"
            f"{' ' + row['side'] if row['side'] else ''}: {row['reason']}"
        )
    for line in found.sentences() if found else []:
        click.echo(line)
    if not kept.files and not kept.broken:
        click.echo(f"nobody has corrected {name}")
    return EXIT_NOT_ALL if unfit or kept.broken else 0

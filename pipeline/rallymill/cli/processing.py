"""``rallymill process``: read a folder of recordings."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import click

from rallymill import config as configuration
from rallymill.cli.options import config_option, json_option, out_option
from rallymill.cli.progress import Display
from rallymill.runner.match import FORCE_ALL
from rallymill.runner.night import Night, NightResult
from rallymill.runner.registry import load_stages
from rallymill.runner.store import LOG_NAME, MATCHES_FOLDER

STATUS_WORDS = {"read": "read", "partly_read": "partly read", "not_read": "not read"}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@out_option
@click.option("--workers", type=click.IntRange(min=1), help="Matches read at the same time.")
@click.option("--device", help="auto, cpu, or a device name such as cuda:0.")
@config_option
@click.option("--dry-run", is_flag=True, help="Only say what would be run and why.")
@click.option(
    "--force",
    multiple=True,
    metavar="STAGE",
    help="Run this stage whatever its inputs; may be given again. `all` means each of them.",
)
@json_option
@click.option("--debug", is_flag=True, help="Run in this process, where a debugger can look in.")
def process(
    folder: Path,
    out: Path,
    workers: int | None,
    device: str | None,
    config_path: Path | None,
    dry_run: bool,
    force: tuple[str, ...],
    as_json: bool,
    debug: bool,
) -> int:
    """Read every recording in FOLDER and below, and write tables and a page for each.

    What was read before is kept unless the recording, the match sheet, an option, the weights or
    the software changed; each line says why a stage runs. A run that was interrupted goes on where
    it was. A match sheet is a file NAME.sheet.yaml beside NAME.mp4; it may be left out.

    Exit code: 0 all read, 1 some match could not be read (listed), 2 wrong usage.

    \b
    Examples:
      rallymill process recordings
      rallymill process recordings --workers 4 --out season
      rallymill process recordings --dry-run
      rallymill process "recordings/day one.mp4" --force detect
    """
    stages = load_stages()
    forceable = [*(stage.name for stage in stages), "report", FORCE_ALL]
    for name in force:
        if name not in forceable:
            problem = f"{name} is not a stage; {configuration.hint(name, forceable)}"
            raise click.BadParameter(problem, param_hint="--force")
    config = configuration.load(config_path, stages)
    config = config.with_execution(workers=workers, device=device)
    terminal = sys.stderr.isatty()
    display = Display([stage.name for stage in stages], as_json, terminal)
    night = Night(folder, out, config, force, listen=display, isolated=not debug)
    try:
        result = night.run(dry=dry_run)
    finally:
        display.close()
    if as_json:
        click.echo(json.dumps(result_json(result), indent=2, ensure_ascii=False))
    elif not dry_run:
        say_result(result, out)
    if result.unread and not as_json:
        again = shlex.join(["rallymill", *sys.argv[1:]])
        click.echo(f"Once mended, go on with: {again}", err=True)
    return 1 if result.unread else 0


def result_json(result: NightResult) -> dict[str, Any]:
    """A result as plain data."""
    return {"matches": result.rows, "doubles": result.doubles}


def say_result(result: NightResult, out: Path) -> None:
    """List what came of each recording, and count."""
    click.echo()
    for row in result.rows:
        click.echo(row_line(row))
        if row["remedy"]:
            click.echo(f"             {row['remedy']}")
        if row["status"] == "not_read":
            click.echo(f"             log: {out / MATCHES_FOLDER / row['match_id'] / LOG_NAME}")
    counts = [
        f"{sum(row['status'] == status for row in result.rows)} {words}"
        for status, words in STATUS_WORDS.items()
    ]
    click.echo(f"\n{', '.join(counts)}; tables and pages in {out}")


def row_line(row: dict[str, Any]) -> str:
    """One line about a match: status, file, what was found, and why if something is missing."""
    parts = [f"{STATUS_WORDS[row['status']]:<12} {row['file']}"]
    if row["status"] != "not_read":
        parts.append(f"{row['n_points']} points, {row['n_shots']} shots, {row['n_flags']} flags")
    if row["reason"]:
        parts.append(row["reason"])
    return ": ".join(parts)

"""``rallymill process``: read a folder of recordings."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from rallymill import config as configuration
from rallymill.cli.options import Place, config_option, json_option, out_option_of
from rallymill.cli.progress import Display
from rallymill.config import AppConfig
from rallymill.errors import InputError, did_you_mean
from rallymill.report import words
from rallymill.runner import morning, plan
from rallymill.runner.match import FORCE_ALL
from rallymill.runner.mirror import Mirror
from rallymill.runner.night import Night, NightResult
from rallymill.runner.registry import load_stages
from rallymill.runner.staged_night import StagedNight
from rallymill.runner.storage import MOUNT, Storage, without_password
from rallymill.runner.store import LOG_NAME, MATCHES_FOLDER
from rallymill.stages.base import Stage

STATUS_WORDS = {"read": "read", "partly_read": "partly read", "not_read": "not read"}


@click.command()
@click.argument("folder", type=Place(elsewhere=True))
@out_option_of(Place(elsewhere=True, file_okay=False))
@click.option("--workers", type=click.IntRange(min=1), help="Matches read at the same time.")
@click.option("--cluster", metavar="ADDRESS",
              help="Dask scheduler whose workers read the matches, e.g. tcp://10.0.0.5:8786.")
@click.option("--device", help="auto, cpu, or a device name such as cuda:0.")
@config_option
@click.option("--dry-run", is_flag=True,
              help="Only say what would be run and why, how long it takes and what room it needs.")
@click.option(
    "--force",
    multiple=True,
    metavar="STAGE",
    help="Run this stage whatever its inputs; may be given again. `all` means each of them.",
)
@json_option
@click.option("--debug", is_flag=True, help="Run in this process, where a debugger can look in.")
def process(
    folder: Path | Storage,
    out: Path | Storage,
    workers: int | None,
    cluster: str | None,
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

    Files that are still being copied are left for the next run. The disk is checked for room
    first. With --cluster, workers on other machines read the matches; they need the same paths to
    recordings, output and weights. FOLDER and --out may be URLs: of file systems that are mounted,
    such as file:///data/recordings, or, without --cluster, of storage elsewhere that fsspec has a
    package for, such as s3://bucket/recordings. A recording from there is on this disk only while
    it is read; output is made below ~/.cache/rallymill and written there match by match. What the
    night came to is in summary.html and summary.json of the output folder.

    Exit code: 0 all read, 1 some match could not be read (listed) or is still being copied, 2 wrong
    usage.

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
            problem = f"{name} is not a stage; {did_you_mean(name, forceable)}"
            raise click.BadParameter(problem, param_hint="--force")
    config = configuration.load(config_path, stages)
    config = config.with_execution(workers=workers, device=device)
    terminal = sys.stderr.isatty()
    display = Display([stage.name for stage in stages], as_json, terminal)
    again = shlex.join(["rallymill", *map(without_password, sys.argv[1:])])
    with ExitStack() as held:
        options: dict[str, Any] = {
            "listen": display, "isolated": not debug, "cluster": cluster,
        }
        storage = out if isinstance(out, Storage) else None
        if isinstance(out, Storage):
            if cluster:
                raise InputError(f"{out} is not seen by all workers of a cluster", MOUNT)
            mirror = held.enter_context(Mirror(out, dry=dry_run))
            out, options["done"] = mirror.place, mirror.push_match
        make = StagedNight if isinstance(folder, Storage) else Night
        night = make(folder, out, config, force, **options)  # type: ignore[arg-type]
        try:
            result = night.run(dry=dry_run)
        finally:
            display.close()
        _say(result, folder, out, stages, config, dry_run, as_json, again)
    if storage is not None and not dry_run and not as_json:
        click.echo(f"written to {storage}")
    if (result.unread or result.waiting) and not as_json:
        click.echo(f"Once mended, go on with: {again}", err=True)
    return 1 if result.unread or result.waiting else 0


def _say(
    result: NightResult, folder: Path | Storage, out: Path, stages: Sequence[Stage],
    config: AppConfig, dry_run: bool, as_json: bool, again: str,
) -> None:
    """Tell what a run came to or would do, and write the summary."""
    if dry_run:
        planned = Planned.of(result, out, stages, config)
        if as_json:
            click.echo(json.dumps(planned.plain(result), indent=2, ensure_ascii=False))
        else:
            click.echo("\n" + planned.text())
    else:
        page = morning.write(result, out, folder, again)
        if as_json:
            content = morning.content(result, out, folder, again)
            # Every column of the matches, beside what the summary tells.
            click.echo(json.dumps({**content, "matches": result.rows}, indent=2,
                                  ensure_ascii=False))  # fmt: skip
        else:
            say_result(result, out)
            click.echo(f"took {words.duration(result.all_took_s)}; summary in {page}")


@dataclass(frozen=True)
class Planned:
    """What a dry run found: work, time and room."""

    works: Sequence[plan.Work]
    n_files: int
    time: plan.Estimate
    needed: int
    free: int
    workers: int

    @classmethod
    def of(
        cls, result: NightResult, out: Path, stages: Sequence[Stage], config: AppConfig
    ) -> Planned:
        """Estimate from the best speeds that there are."""
        works = [work for work in result.works if work.stages and work.n_frames]
        found = plan.speeds(out, works, stages, config, may_probe=bool(works))
        fresh = sum(work.n_frames for work in works if "detect" in work.stages)
        needed = round(fresh * plan.bytes_a_frame(out)) + plan.SPARE_BYTES * bool(works)
        return cls(works, len(result.works), plan.estimate(works, found, config), needed,
                   plan.room_free(out), config.execution.workers)  # fmt: skip

    def text(self) -> str:
        """The plan in lines."""
        kept = self.n_files - len(self.works)
        head = f"{words.count(len(self.works), 'recording')} to read or read on, {kept} as it is"
        if not self.works:
            return head
        time = self.time
        lines = [
            head,
            f"about {words.duration(time.likely_s)} ({words.duration(time.low_s)} to "
            f"{words.duration(time.high_s)}) with {words.count(self.workers, 'worker')}, "
            f"{time.source}",
            f"about {plan.size(self.needed)} of disk, {plan.size(self.free)} are free",
        ]
        if self.needed > self.free:
            lines.append("there is NOT enough room: make some, or give another --out")
        return "\n".join(lines)

    def plain(self, result: NightResult) -> dict[str, Any]:
        """The plan as plain data."""
        works = [
            {"file": work.file, "frames": work.n_frames, "stages": list(work.stages)}
            for work in self.works
        ]
        return {
            "matches": result.rows, "doubles": result.doubles, "works": works,
            "time": vars(self.time), "bytes_needed": self.needed, "bytes_free": self.free,
        }  # fmt: skip


def say_result(result: NightResult, out: Path) -> None:
    """List what came of each recording, and count."""
    click.echo()
    for row in result.rows:
        took_s = result.took_s.get(row["match_id"])
        click.echo(row_line(row))
        if row["status"] != "not_read" and took_s is not None:
            click.echo(f"             court found {words.percent(row['coverage'])}, ball seen "
                       f"{words.percent(row['ball_coverage'])}, took "
                       f"{words.duration(took_s)}")  # fmt: skip
        if row["remedy"]:
            click.echo(f"             {row['remedy']}")
        if row["status"] == "not_read":
            click.echo(f"             log: {out / MATCHES_FOLDER / row['match_id'] / LOG_NAME}")
    counts = [
        f"{sum(row['status'] == status for row in result.rows)} {words}"
        for status, words in STATUS_WORDS.items()
    ]
    for file, first in result.doubles.items():
        click.echo(f"same as      {first}: {file}")
    for file in result.waiting:
        click.echo(f"left         {file}: still being copied, it grew while it was looked at")
    click.echo(f"\n{', '.join(counts)}; tables and pages in {out}")


def row_line(row: dict[str, Any]) -> str:
    """One line about a match: status, file, what was found, and why if something is missing."""
    parts = [f"{STATUS_WORDS[row['status']]:<12} {row['file']}"]
    if row["status"] != "not_read":
        parts.append(f"{row['n_points']} points, {row['n_shots']} shots, {row['n_flags']} flags")
    if row["reason"]:
        parts.append(row["reason"])
    return ": ".join(parts)

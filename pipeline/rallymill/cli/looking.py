"""Commands that look at what was read: ``status``, ``report``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click
from tqdm import tqdm

from rallymill.cli.options import json_option, out_option
from rallymill.cli.processing import row_line
from rallymill.errors import InputError, did_you_mean
from rallymill.runner.agreeing import agreement_of
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchRecord, records
from rallymill.runner.summary import read_matches


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
    corrected = ((match_id, agreement_of(out, match_id)) for match_id in sorted(listed))
    agreed = {match_id: found for match_id, found in corrected if found is not None}
    if as_json:
        content = {
            "matches": rows, "begun": [_begun(record) for record in begun],
            "agreement": {name: found.plain() for name, found in agreed.items()},
        }  # fmt: skip
        click.echo(json.dumps(content, indent=2, ensure_ascii=False))
    else:
        if not rows and not begun:
            raise InputError(f"{out} holds no matches", "run rallymill process first")
        for row in rows:
            click.echo(f"{row['match_id']}  {row_line(row)}")
            if row["remedy"]:
                click.echo(f"    {row['remedy']}")
            if row["match_id"] in agreed:
                for line in agreed[row["match_id"]].sentences():
                    click.echo(f"    {line}")
        for record in begun:
            done, n_stages = len(record.finished), len(load_stages())
            click.echo(
                f"{record.match_id}  begun        {record.file}: {done} of {n_stages} stages done"
            )
    return 1 if any(row["status"] == "not_read" for row in rows) else 0


def _begun(record: MatchRecord) -> dict[str, Any]:
    return {"match_id": record.match_id, "file": record.file, "finished": record.finished}


@click.command()
@click.argument("match")
@out_option
@click.option("--clips", is_flag=True,
              help="Cut films for the page first: points with flags, flags, and a reel a rule.")
def report(match: str, out: Path, clips: bool) -> int:
    """Make the pages of MATCH again and say where they are.

    MATCH is the identifier of a match, or enough of its start to tell it from the others. The
    folder of the page can be sent as it is; films are in it once they were cut by --clips.
    """
    from rallymill.report import page

    match_ids = [row["match_id"] for row in read_matches(out).to_pylist()]
    match_id = match_by_start(match, match_ids)
    if clips:
        from rallymill.report import clips as cutting

        with tqdm(total=1.0, desc="clips", unit="", disable=None, file=sys.stderr,
                  bar_format="{desc}: {percentage:3.0f}% |{bar}| {remaining} left") as bar:
            counts = cutting.build(out, match_id, lambda share: _advance(bar, share))
        said = ", ".join(f"{n} of {kind}s" for kind, n in counts.items() if n) or "none"
        click.echo(f"clips: {said}", err=True)
    click.echo(page.build(out, match_id))
    return 0


def _advance(bar: Any, share: float) -> None:
    """Bring a progress bar to a share of its work."""
    bar.update(max(share - bar.n, 0.0))


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
    raise InputError(f"no match begins with {start}", did_you_mean(start, match_ids))

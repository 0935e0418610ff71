"""Commands beside the pipeline: ``score``, ``config``, ``doctor``, ``arena``."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click
import yaml

from rallymill import config as configuration
from rallymill.cli.arena import arena
from rallymill.cli.options import config_option, json_option, out_option
from rallymill.runner.registry import load_stages

__all__ = ["arena", "config_command", "doctor", "score"]


@click.command()
@click.argument("out", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.argument("truth", type=click.Path(path_type=Path, exists=True))
@json_option
def score(out: Path, truth: Path, as_json: bool) -> int:
    """Compare the tables in OUT with the true ones in TRUTH.

    TRUTH is the folder of the recordings, with files NAME.truth.TABLE.parquet beside them.
    """
    from rallymill import scoring

    rows = scoring.score(out, truth)
    click.echo(scoring.to_json(rows) if as_json else scoring.text_table(rows))
    return 0


@click.command("config")
@config_option
def config_command(config_path: Path | None) -> int:
    """Print every option with its value."""
    config = configuration.load(config_path, load_stages())
    click.echo(yaml.safe_dump(config.resolved(), sort_keys=False, allow_unicode=True), nl=False)
    return 0


@click.command()
@out_option
@config_option
@json_option
def doctor(out: Path, config_path: Path | None, as_json: bool) -> int:
    """Say what is installed, which device is used and whether the weights are there.

    Exit code: 0 all is well, 1 something is missing.
    """
    from rallymill.doctor import examine

    stages = load_stages()
    checks = examine(configuration.load(config_path, stages), stages, out)
    if as_json:
        click.echo(json.dumps([asdict(check) for check in checks], indent=2))
    else:
        for check in checks:
            mark = "  " if check.ok else "! "
            click.echo(f"{mark}{check.name:<22} {check.found}")
            if not check.ok and check.remedy:
                click.echo(f"{'':<25}{check.remedy}")
    return 0 if all(check.ok for check in checks) else 1

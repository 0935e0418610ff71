"""Commands of ``rallymill``: thin, each hands over to the package that does the work.

Exit codes: 0 all read; 1 some match could not be read (they are listed); 2 wrong usage or
configuration; 130 interrupted. Results go to standard output, progress to standard error.
"""

from __future__ import annotations

import logging
import sys

import click

import rallymill
from rallymill.cli.asking import query
from rallymill.cli.bench import bench
from rallymill.cli.calibrating import calibrate
from rallymill.cli.correcting import correct
from rallymill.cli.looking import report, status
from rallymill.cli.processing import process
from rallymill.cli.season import season
from rallymill.cli.tools import arena, config_command, doctor, score
from rallymill.errors import ConfigError, InputError, RallymillError

EXIT_UNREAD = 1
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(rallymill.__version__, prog_name="rallymill")
def commands() -> None:
    """From recorded tennis matches to shot tables with flagged positioning and shot choice.

    \b
    A first evening:
      rallymill doctor                        is everything installed?
      rallymill process recordings            read a folder of matches
      rallymill status                        what was read, and what was not and why
      rallymill query where-was-she           a question that has a name
      rallymill query "SELECT count(*) FROM shots"
    """


for command in (process, status, query, report, correct, season, calibrate, score, config_command,
                doctor, arena, bench):
    commands.add_command(command)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with its code."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s: %(message)s")
    for handler in logging.getLogger().handlers:
        # While a match has its log, our loggers say more; the terminal is not for that.
        handler.setLevel(logging.WARNING)
    sys.exit(run(arguments))


def run(arguments: list[str] | None = None) -> int:
    """Run the command line; its exit code."""
    try:
        code = commands.main(arguments, prog_name="rallymill", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("interrupted; run the same command again to go on", err=True)
        return EXIT_INTERRUPTED
    except click.ClickException as error:
        error.show()
        return EXIT_USAGE
    except RallymillError as error:
        click.echo(f"rallymill: {error.problem}", err=True)
        if error.remedy:
            click.echo(f"  {error.remedy}", err=True)
        return EXIT_USAGE if isinstance(error, InputError | ConfigError) else EXIT_UNREAD
    return int(code or 0)

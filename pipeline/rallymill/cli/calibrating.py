"""``rallymill calibrate``: pictures with numbered court points, and a file to fill in."""

from __future__ import annotations

from pathlib import Path

import click

from rallymill import handmade
from rallymill.courtpoints import path_for


@click.command()
@click.argument("video", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--at", "at_s", type=click.FloatRange(min=0.0), multiple=True, metavar="SECONDS",
              help="Take the frame at this time; may be given again. Left out, a frame a camera.")
@click.option("--anew", is_flag=True, help="Write the file anew even if there is one.")
def calibrate(video: Path, at_s: tuple[float, ...], anew: bool) -> int:
    """Show where the court is taken to be in VIDEO, and let it be corrected.

    Writes NAME.court-1.png, a frame with numbered court points, for each camera that shows the
    court, and NAME.court.yaml, beside the recording. Where a picture is wrong, fill in points in
    the YAML file and run this again: the pictures then show the court as it is refined from them.
    The next rallymill process takes it from there.

    Exit code: 0 done, 2 the points in the file cannot be used; each fault is named.
    """
    path = path_for(video)
    if path.exists() and not anew:
        written = handmade.show_given(video)
        click.echo(f"{path} is read")
    else:
        written = handmade.propose(video, at_s)
        click.echo(f"{path} is to be filled in")
    for picture, words in written:
        click.echo(f"{picture}: {words}")
    return 0

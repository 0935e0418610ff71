"""``rallymill season``: matches become a data set that can be asked."""

from __future__ import annotations

import json
from pathlib import Path

import click

from rallymill.cli.looking import match_by_start
from rallymill.cli.options import json_option, out_option, season_option
from rallymill.errors import InputError
from rallymill.runner.summary import read_matches


@click.group()
def season() -> None:
    """Collect matches into a season, sum up players, export, and care for privacy."""


@season.command()
@click.argument("matches", nargs=-1)
@out_option
@season_option
@click.option("--season", "name", help="Name of the season; left out, the year of the match.")
@json_option
def add(
    matches: tuple[str, ...], out: Path, season_dir: Path, name: str | None, as_json: bool
) -> int:
    """Add MATCHES, or all that were read, to the season; a match that is there is replaced whole.

    A MATCH is an identifier, or enough of its start. Every match is checked first: keys, ranges,
    and that strokes, points and findings belong together.

    Exit code: 0 all added or there already, 1 some match was refused (listed).
    """
    from rallymill.season import joining

    known = [row["match_id"] for row in read_matches(out).to_pylist()]
    if not known:
        raise InputError(f"{out} holds no matches", "run rallymill process first")
    chosen = [match_by_start(match, known) for match in matches]
    result = joining.add(out, season_dir, chosen, name)
    if as_json:
        click.echo(json.dumps(vars(result), indent=2, ensure_ascii=False))
    else:
        for match_id, (problem, remedy) in result.refused.items():
            click.echo(f"{match_id}  refused: {problem}")
            click.echo(f"    {remedy}")
        for match_id in result.added:
            click.echo(f"{match_id}  added")
        click.echo(
            f"{len(result.added)} added, {len(result.kept)} there already, "
            f"{len(result.refused)} refused; season in {season_dir}"
        )
    return 1 if result.refused else 0


@season.command()
@season_option
def rollup(season_dir: Path) -> int:
    """Sum up players: rates with 95 % intervals by surface, month, opponent and score.

    Only matches that are new or changed are counted again. The result is the table player_rates,
    and fault_rates for how often each fault is made and what it costs; player_table and fault_table
    hold whole seasons: rallymill query "SELECT * FROM player_table" --season-dir outputs/season
    """
    from rallymill.season import joining

    counted, rates = joining.roll_up(season_dir)
    players = len(set(rates["player"].to_pylist()))
    click.echo(f"{counted} matches counted; {rates.num_rows} rates of {players} players")
    return 0


@season.command()
@season_option
def page(season_dir: Path) -> int:
    """Make the pages of the season: trends with intervals, player against player.

    They open from disk. Sum the players up first: rallymill season rollup.
    """
    from rallymill.report import seasonpage

    click.echo(seasonpage.build(season_dir))
    return 0


@season.command()
@season_option
@click.option("--to", "folder", type=click.Path(path_type=Path, file_okay=False), required=True,
              help="Folder for the files.")
@click.option("--excel", is_flag=True, help="Write a workbook instead of CSV files.")
def export(season_dir: Path, folder: Path, excel: bool) -> int:
    """Write the season as CSV files, or as a workbook with --excel."""
    from rallymill.season import export as exporting
    from rallymill.season.query import connect_season

    connection = connect_season(season_dir)
    try:
        if excel:
            click.echo(exporting.to_workbook(connection, folder))
        else:
            for path in exporting.to_csv(connection, folder):
                click.echo(path)
    finally:
        connection.close()
    return 0


@season.command()
@season_option
def migrate(season_dir: Path) -> int:
    """Bring a season that an older rallymill wrote into this one's schema version."""
    from rallymill.season import joining

    steps = joining.migrate(season_dir)
    click.echo(f"{steps} versions forward" if steps else "nothing to do")
    return 0


@season.command()
@click.argument("matches", nargs=-1, required=True)
@season_option
def remove(matches: tuple[str, ...], season_dir: Path) -> int:
    """Take MATCHES out of the season; their own folders stay."""
    from rallymill.season import joining
    from rallymill.season.store import SeasonStore

    known = list(SeasonStore(season_dir).matches())
    for match_id in joining.remove(season_dir, [match_by_start(one, known) for one in matches]):
        click.echo(f"{match_id}  removed")
    _drop_pages(season_dir)
    return 0


def _drop_pages(season_dir: Path) -> None:
    """Take the season's pages away, since they may still show what has just gone."""
    from rallymill.report import seasonpage

    if seasonpage.drop(season_dir):
        click.echo("the season's pages are gone; rallymill season page makes them again", err=True)


@season.command()
@out_option
@season_option
@click.option("--key", type=click.Path(path_type=Path, dir_okay=False),
              help="New file that keeps which code is who, outside the folders.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def codes(out: Path, season_dir: Path, key: Path | None, yes: bool) -> int:
    """Replace players' names by their codes: in match sheets, tables, pages, logs and season."""
    from rallymill.season import privacy

    found = privacy.codes_of(out)
    for name, code in sorted(found.items()):
        click.echo(f"{name} -> {code}", err=True)
    if not found:
        click.echo("no names are there")
        return 0
    if not yes:
        click.confirm("Replace these names, in the match sheets too?", abort=True, err=True)
    result = privacy.use_codes(out, season_dir, key)
    _drop_pages(season_dir)
    click.echo(f"{len(found)} names replaced in {len(result.matches)} matches")
    for path in result.still_named:
        click.echo(f"the file's own name still shows one: {path}")
    return 0


@season.command()
@click.argument("player")
@out_option
@season_option
@click.option("--clips", "clip_folders", multiple=True,
              type=click.Path(path_type=Path, file_okay=False, exists=True),
              help="Another folder with clips that questions have cut; may be given again.")
@click.option("--recordings", is_flag=True, help="Delete the recordings and their sheets too.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def forget(
    player: str, out: Path, season_dir: Path, clip_folders: tuple[Path, ...], recordings: bool,
    yes: bool,
) -> int:
    """Delete PLAYER, a code or a full name, with every row, page and clip.

    A match shows both its players in every table and picture, so the matches that PLAYER took part
    in go as a whole; other matches of the opponents stay.
    """
    from rallymill.season import privacy

    found = privacy.matches_with(out, season_dir, player)
    for match_id in found:
        click.echo(match_id, err=True)
    if found and not yes:
        click.confirm(f"Delete these {len(found)} matches?", abort=True, err=True)
    result = privacy.forget(out, season_dir, player, clip_folders, recordings)
    _drop_pages(season_dir)
    click.echo(f"{len(result.matches)} matches and {len(result.clips)} clips deleted")
    for path in result.recordings:
        click.echo(f"still there: {path}")
    if result.recordings:
        click.echo("the next run reads these again unless they are moved or deleted")
    return 0

"""The season page: who played, how they fare against each other, and a page a player with trends.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from markupsafe import Markup

from rallymill import intervals
from rallymill.report import cards, files, page, plots, seasondata, words
from rallymill.report.figures import Share
from rallymill.report.seasondata import Season, SeasonPlayer, Trend

FOLDER = "page"
MOST_IN_TABLE = 12
"""Players up to whom everybody is shown against everybody in one table."""


def draw(trend: Trend, identifier: str, name: str, names: dict[str, str]) -> Markup | None:
    """A trend as a small plot; None where no match has a date."""
    moments = []
    last = None
    for one in trend.dated:
        assert one.day is not None
        at = float(one.day.toordinal())
        # Two matches of one day stand beside each other.
        at = max(at, last + 0.4) if last is not None else at
        last = at
        low, value, high = bounds(one.share)
        who = names.get(one.opponent or "", one.opponent or "unknown opponent")
        moments.append(plots.Moment(
            at, value, low, high, f"{one.day.isoformat()}, against {who}: {one.share.said}",
        ))
    if not moments:
        return None
    said = f"{words.title(trend.measure)} of {name}, match by match: " + "; ".join(
        moment.label for moment in moments
    )
    return plots.trend(moments, identifier, words.title(trend.measure), said)


def bounds(share: Share) -> tuple[float, float, float]:
    """Lower end, value and upper end of a share with trials."""
    low, high = (float(end) for end in intervals.wilson(share.part, share.whole))
    return low, share.part / share.whole, high


def file_of(number: int) -> str:
    """Name of a player's page; it holds no name."""
    return f"player-{number:03d}.html"


def build(root: Path) -> Path:
    """Write the pages of a season to ``<root>/page/``; returns the first.

    Raises
    ------
    InputError
        There is no season, or its players have not been summed up.
    """
    season = seasondata.read(root)
    folder = root / FOLDER
    templates = page.environment()
    names = {player.code: player.name for player in season.players}
    rules = {row["rule"] for player in season.players for row in player.faults}
    shared = {
        "season": season, "names": names, "cards": cards.of_rules(sorted(rules)),
        "heading": heading(season), "bounds": bounds,
        "pages": {player.code: file_of(k) for k, player in enumerate(season.players, 1)},
    }
    for name in ("style.css", "print.css"):
        files.write(folder / name, files.asset(name))
    template = templates.get_template("season_player.html.j2")
    written = []
    for k, player in enumerate(season.players, 1):
        drawn = [
            (trend, draw(trend, f"trend-{trend.measure}", player.name, names))
            for trend in player.trends
        ]
        written.append(files.write(
            folder / file_of(k), template.render(player=player, drawn=drawn, **shared)
        ))
    files.sweep(folder, "player-*.html", written)
    text = templates.get_template("season.html.j2").render(
        table=season.players[:MOST_IN_TABLE] if len(season.players) > 2 else (),
        against=against(season.players), most=MOST_IN_TABLE, **shared,
    )
    return files.write(folder / "index.html", text)


def drop(root: Path) -> bool:
    """Take the pages of a season away, which may name who was removed; whether there were any."""
    folder = root / FOLDER
    there = folder.is_dir()
    shutil.rmtree(folder, ignore_errors=True)
    return there


def against(players: tuple[SeasonPlayer, ...]) -> dict[tuple[str, str], seasondata.Against]:
    """Who against whom, by codes."""
    return {(player.code, one.opponent): one for player in players for one in player.against}


def heading(season: Season) -> str:
    """Name of the season."""
    if len(season.seasons) == 1:
        return f"Season {season.seasons[0]}"
    return f"Seasons {season.seasons[0]} to {season.seasons[-1]}" if season.seasons else "Season"

"""The score of a game, a set and a tie-break. ITF Rules of Tennis, rules 5 to 7, 14 and 18.

A score is written as it is called, the server first: ``games-games, points-points``, for example
``3-2, 15-30``, ``5-4, AD-40`` or, in a tie-break, ``6-6, 3-2``. Sets are not counted: after a set
the games start again at ``0-0``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from rallymill.errors import InputError

CALLS = ("0", "15", "30", "40")
PATTERN = re.compile(r"\s*(\d+)-(\d+)\s*,\s*(\w+)-(\w+)\s*", re.IGNORECASE)
OTHER = {"near": "far", "far": "near"}
GAMES_IN_SET = 6
TIE_BREAK_POINTS = 7


@dataclass(frozen=True)
class Score:
    """Score before a point. ``server`` serves it; games and points are by side.

    ``first_in_tie_break`` is the side that served the first point of the tie-break being played.
    """

    server: str
    games: tuple[int, int]
    points: tuple[int, int]
    first_in_tie_break: str | None = None

    @property
    def tie_break(self) -> bool:
        """Whether a tie-break is being played."""
        return self.games == (GAMES_IN_SET, GAMES_IN_SET)

    @property
    def serve_side(self) -> str:
        """Half from which the point is served: deuce after an even number of points."""
        return "ad" if sum(self.points) % 2 else "deuce"

    def _of(self, pair: tuple[int, int], side: str) -> int:
        return pair[0] if side == "near" else pair[1]

    def text(self) -> str:
        """The score as it is called, the server first."""
        receiver = OTHER[self.server]
        games = f"{self._of(self.games, self.server)}-{self._of(self.games, receiver)}"
        own, other = self._of(self.points, self.server), self._of(self.points, receiver)
        if self.tie_break:
            return f"{games}, {own}-{other}"
        if own >= 3 and other >= 3:
            calls = "40-40" if own == other else "AD-40" if own > other else "40-AD"
        else:
            calls = f"{CALLS[own]}-{CALLS[other]}"
        return f"{games}, {calls}"

    def after(self, winner: str) -> Score:
        """Score after a point won by a side."""
        gain = (1, 0) if winner == "near" else (0, 1)
        points = (self.points[0] + gain[0], self.points[1] + gain[1])
        needed = TIE_BREAK_POINTS if self.tie_break else 4
        own, other = max(points), min(points)
        if own >= needed and own - other >= 2:
            return self._game_to(winner)
        if self.tie_break and self.first_in_tie_break is not None:
            # Served A, BB, AA, ...: the server changes after every odd number of points.
            first = self.first_in_tie_break
            server = first if ((sum(points) + 1) // 2) % 2 == 0 else OTHER[first]
            return replace(self, points=points, server=server)
        return replace(self, points=points)

    def _game_to(self, winner: str) -> Score:
        gain = (1, 0) if winner == "near" else (0, 1)
        games = (self.games[0] + gain[0], self.games[1] + gain[1])
        own, other = max(games), min(games)
        server = OTHER[self.first_in_tie_break or self.server]
        if (own >= GAMES_IN_SET and own - other >= 2) or own > GAMES_IN_SET:
            return Score(server, (0, 0), (0, 0))
        first = server if games == (GAMES_IN_SET, GAMES_IN_SET) else None
        return Score(server, games, (0, 0), first)


def parse(text: str, server: str) -> Score:
    """Score of a call such as ``3-2, 15-30``, the server first.

    Raises
    ------
    InputError
        The text is not a score, or the score cannot occur.
    """
    problem = f"match sheet: score is {text!r}"
    remedy = "write games and points with the server first, such as 3-2, 15-30"
    matched = PATTERN.fullmatch(text)
    if matched is None:
        raise InputError(problem, remedy)
    games = (int(matched[1]), int(matched[2]))
    calls = (matched[3].upper(), matched[4].upper())
    points: tuple[int, int]
    first = None
    if games == (GAMES_IN_SET, GAMES_IN_SET):
        if not (calls[0].isdigit() and calls[1].isdigit()):
            raise InputError(problem, "in a tie-break points are counted 0, 1, 2")
        points = (int(calls[0]), int(calls[1]))
        first = server if ((sum(points) + 1) // 2) % 2 == 0 else OTHER[server]
    elif calls in (("AD", "40"), ("40", "AD")):
        points = (4, 3) if calls[0] == "AD" else (3, 4)
    elif calls[0] in CALLS and calls[1] in CALLS:
        points = (CALLS.index(calls[0]), CALLS.index(calls[1]))
    else:
        raise InputError(problem, remedy)
    if max(games) > GAMES_IN_SET:
        raise InputError(problem, "a set that is won starts the games again at 0-0")
    if server == "far":
        games, points = games[::-1], points[::-1]
    return Score(server, games, points, first)

"""What a rule is, what it is given and what it finds.

A rule looks at the strokes of a match. Wherever its question arises it yields one result: a
finding, that there was nothing to say, or why it could not tell. So every rate has a denominator.
It is a pure function of tables and thresholds: no video, no files, no randomness.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from importlib import resources
from math import sqrt
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from rallymill import court, tactics
from rallymill.court_directions import RUN_FROM_MPS
from rallymill.intervals import above
from rallymill.rules.calibration import calibrated
from rallymill.tactics_motion import PlayerTrack

LEVELS = ("club", "college", "tour")
SPEED_SD_MPS = 0.3
"""Deviation of a player's velocity, which the tables do not carry."""
VELOCITY_SD_MPS = {
    ("hitter", "x"): 0.35, ("hitter", "y"): 0.5, ("opponent", "x"): 0.3, ("opponent", "y"): 0.3,
}
"""The same by whose and along which axis, where the place is sure: at the own stroke, where arm and
racket move the box about and the run ends, errors are larger (films for validation)."""
SPEED_SD_PER_S = 2.0
"""What the deviation of a place adds to it: smoothing lets an unsure place through as unsure speed,
which shows along the court, where a place is less sure than across (films for validation: 0.45 m/s
at 0.1 m, 0.65 at 0.27)."""
OTHER = {"near": "far", "far": "near"}


class Thresholds(BaseModel):
    """Numbers of a rule at one level of play; each rule adds its own.

    A rule speaks, and says that there was nothing to say, only from ``least_confidence`` on.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    least_confidence: float = Field(default=0.7, ge=0.0, le=1.0)


@dataclass(frozen=True)
class Evidence:
    """A named number that a finding rests on."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True)
class Finding:
    """What a rule found about one player at one stroke."""

    rule: str
    kind: str
    severity: float
    confidence: float
    point_id: int
    shot_id: int
    side: str
    player: str
    evidence: tuple[Evidence, ...]
    sentence: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Clear:
    """A stroke at which a rule's question arose for a player, and there was nothing to say."""

    rule: str
    point_id: int
    shot_id: int
    side: str
    player: str
    confidence: float


@dataclass(frozen=True)
class NotMeasurable:
    """Why a rule could not tell about a player at a stroke."""

    rule: str
    point_id: int
    shot_id: int
    side: str
    player: str
    reason: str


Result = Finding | Clear | NotMeasurable
TOO_NEAR = "too near the threshold for what was measured"
TOO_UNSURE = "stroke or its labels read with too little confidence"


class Shot:
    """A row of the shots table by attribute; nulls are None. ``sd`` gives a companion deviation."""

    def __init__(self, row: Mapping[str, Any]) -> None:
        self._row = row

    def __getattr__(self, name: str) -> Any:
        try:
            return self._row[name]
        except KeyError as error:
            raise AttributeError(name) from error

    def sd(self, name: str, fallback: float) -> float:
        """Standard deviation of a column, or a fallback where it was not measured."""
        value = self._row[f"{name}_sd"]
        return fallback if value is None else float(value)

    @property
    def sign(self) -> float:
        """+1 for the near hitter, -1 for the far one: turns the court so that the hitter is near.
        """
        return 1.0 if self._row["hitter"] == "near" else -1.0

    @property
    def depth_m(self) -> float | None:
        """Distance of the contact from the net."""
        y = self._row["contact_y_m"]
        return None if y is None else abs(float(y))

    def lacks(self, *names: str) -> str | None:
        """Reason why the shot cannot be judged on some columns, None if all were measured."""
        missing = [name for name in names if self._row[name] is None]
        return f"not measured: {', '.join(missing)}" if missing else None


@dataclass(frozen=True)
class Play:
    """All that rules may look at: shots and points of a match, in order, and the players' tracks.
    """

    shots: Sequence[Shot]
    points: Mapping[int, Mapping[str, Any]]
    tracks: Mapping[str, PlayerTrack] = field(default_factory=dict)

    @staticmethod
    def of_rows(
        shots: Iterable[Mapping[str, Any]], points: Iterable[Mapping[str, Any]],
        tracks: Mapping[str, PlayerTrack] | None = None,
    ) -> Play:
        """Play of table rows as dictionaries."""
        ordered = sorted(shots, key=lambda row: row["shot_id"])
        return Play(
            [Shot(row) for row in ordered], {row["point_id"]: row for row in points}, tracks or {}
        )

    @cached_property
    def _place(self) -> dict[int, int]:
        return {shot.shot_id: k for k, shot in enumerate(self.shots)}

    def _neighbour(self, shot: Shot, step: int) -> Shot | None:
        k = self._place[shot.shot_id] + step
        if not 0 <= k < len(self.shots):
            return None
        found = self.shots[k]
        same = found.point_id == shot.point_id
        return found if same and found.shot_number == shot.shot_number + step else None

    def next(self, shot: Shot) -> Shot | None:
        """Opponent's reply in the same point, None if there is none or it was not seen."""
        return self._neighbour(shot, 1)

    def previous(self, shot: Shot) -> Shot | None:
        """Opponent's stroke before, None if there is none or it was not seen."""
        return self._neighbour(shot, -1)

    def outcome(self, shot: Shot) -> str:
        """``won``, ``lost`` or ``unknown``: the point, for the hitter of a stroke."""
        point = self.points.get(shot.point_id)
        if point is None or point["won_by"] is None:
            return "unknown"
        return "won" if point["won_by"] == shot.hitter else "lost"

    def ending(self, shot: Shot) -> str:
        """How the point of a stroke ended."""
        point = self.points.get(shot.point_id)
        return "unknown" if point is None else str(point["ended_by"])


@dataclass(frozen=True)
class Cover:
    """How the player who awaits a stroke covers the court: distance across from the best place.

    ``error_m`` is the player's x less ``place_x_m``, the place that halves the striker's angles at
    the player's depth; ``sd_m`` its standard deviation.
    """

    place_x_m: float
    error_m: float
    sd_m: float


def cover(strike: Shot) -> Cover | str:
    """Cover of a stroke's opponent at its contact, or why it could not be told."""
    lack = strike.lacks("contact_x_m", "contact_y_m", "opponent_x_m", "opponent_y_m")
    if lack:
        return lack
    contact = (strike.contact_x_m, strike.contact_y_m)
    place = tactics.recovery_place_m(*contact, strike.opponent_y_m)
    place_sd = tactics.recovery_place_sd_m(
        *contact, strike.opponent_y_m, strike.sd("contact_x_m", 0.2),
        strike.sd("contact_y_m", 0.2), strike.sd("opponent_y_m", 0.2),
    )
    own_sd = strike.sd("opponent_x_m", 0.2)
    return Cover(place, strike.opponent_x_m - place, sqrt(place_sd**2 + own_sd**2))


RuleFunction = Callable[[Play, Any], Iterable[Result]]


@dataclass(frozen=True)
class Rule:
    """A rule: its name, family, thresholds by level, and the function that looks.

    Its card is ``rules/cards/<name>.md``.
    """

    name: str
    family: str
    version: int
    thresholds: Mapping[str, Thresholds]
    look: RuleFunction

    @property
    def card(self) -> str:
        """Text of the rule's card, Markdown."""
        return (resources.files("rallymill.rules") / "cards" / f"{self.name}.md").read_text("utf-8")


def least(*confidences: float | None) -> float:
    """The least of some confidences; one that is missing counts as none."""
    return min((value or 0.0) for value in confidences)


def velocity_sd_mps(shot: Shot, who: str, axis: str) -> float:
    """Deviation of a velocity of the ``hitter`` or ``opponent``, along axis ``x`` or ``y``."""
    of_place = SPEED_SD_PER_S * shot.sd(f"{who}_{axis}_m", 0.0)
    return float(np.hypot(VELOCITY_SD_MPS[who, axis], of_place))


def speed_of(shot: Shot, who: str) -> tuple[float, float]:
    """Speed of the ``hitter`` or ``opponent`` at contact and its deviation, m/s.

    The deviation is that along the way of the run; both components must have been measured.
    """
    velocity = np.array([getattr(shot, f"{who}_vx_mps"), getattr(shot, f"{who}_vy_mps")])
    spread = np.array([velocity_sd_mps(shot, who, axis) for axis in "xy"])
    speed = float(np.hypot(*velocity))
    if speed < spread.max():
        return speed, float(spread.max())
    return speed, float(np.hypot(*(velocity / speed * spread)))


def runs(shot: Shot, who: str = "hitter") -> float:
    """Probability that the ``hitter`` or ``opponent`` is on the run at contact, by the speed.

    The table's word for it holds where the speed was not measured or says otherwise: a person may
    have corrected it.
    """
    named = getattr(shot, f"{who}_state") == "on_the_run"
    if getattr(shot, f"{who}_vx_mps") is None or getattr(shot, f"{who}_vy_mps") is None:
        return float(named)
    speed, deviation = speed_of(shot, who)
    chance = above(speed, RUN_FROM_MPS, deviation)
    return chance if named == (chance >= 0.5) else float(named)


def spare_sd_s(place_sd_m: float) -> float:
    """Deviation of a time to spare from that of the runner's place and the usual one of a speed.

    A metre of place is worth about a fifth of a second of running, a metre a second of speed as
    much (both by the acceleration of :class:`rallymill.tactics.Mover`), and the ball's flight adds
    as much as the runner's speed.
    """
    return float(np.linalg.norm([0.2 * place_sd_m, 0.2 * SPEED_SD_MPS, 0.2 * SPEED_SD_MPS]))


def known_mps(speed: float | None) -> float:
    """A speed, 0 where it was not measured."""
    return 0.0 if speed is None else float(speed)


def grade(value: float, bound: float, worst: float) -> float:
    """Severity: 0.3 at the bound, growing evenly to 1 at ``worst``."""
    share = (value - bound) / (worst - bound)
    return min(max(0.3 + 0.7 * share, 0.0), 1.0)


def finding(
    rule: str, kind: str, shot: Shot, *, severity: float, confidence: float,
    evidence: Sequence[Evidence], sentence: str, of_opponent: bool = False,
    until_s: float | None = None,
) -> Finding:
    """Finding about a stroke's hitter, or its opponent; the clip spans it to ``until_s``.

    ``confidence`` is the rule's own; the finding has the calibrated one.
    """
    side, player = concerned(shot, of_opponent)
    return Finding(
        rule, kind, min(max(severity, 0.0), 1.0), calibrated(min(max(confidence, 0.0), 1.0)),
        shot.point_id, shot.shot_id, side, player, tuple(evidence), sentence,
        max(shot.t_contact_s - CLIP_BEFORE_S, 0.0),
        (until_s if until_s is not None else shot.t_contact_s + 1.0) + CLIP_AFTER_S,
    )


def concerned(shot: Shot, of_opponent: bool) -> tuple[str, str]:
    """Side and code of a stroke's hitter, or of its opponent; a side without a code names itself.
    """
    side = OTHER[shot.hitter] if of_opponent else shot.hitter
    return side, (shot.opponent if of_opponent else shot.player) or side


def clear(rule: str, shot: Shot, confidence: float, *, of_opponent: bool = False) -> Clear:
    """Nothing to say about a stroke's hitter, or its opponent."""
    return Clear(
        rule, shot.point_id, shot.shot_id, *concerned(shot, of_opponent),
        min(max(confidence, 0.0), 1.0),
    )


def unmeasured(rule: str, shot: Shot, reason: str, *, of_opponent: bool = False) -> NotMeasurable:
    """Not to be told about a stroke's hitter, or its opponent, for a reason."""
    return NotMeasurable(
        rule, shot.point_id, shot.shot_id, *concerned(shot, of_opponent), reason
    )


def settle(
    rule: str, shot: Shot, bounds: Thresholds, *, chance: float, sure: float,
    of_opponent: bool = False,
) -> Clear | NotMeasurable:
    """Result where no finding was made: clear only if that is as sure as a finding must be.

    ``chance`` is the probability, by the deviations of what was measured, that what the rule looks
    for was there; ``sure`` the confidence that stroke and labels were read rightly.
    """
    if (1 - chance) * sure >= bounds.least_confidence:
        return clear(rule, shot, (1 - chance) * sure, of_opponent=of_opponent)
    reason = TOO_UNSURE if sure < bounds.least_confidence else TOO_NEAR
    return unmeasured(rule, shot, reason, of_opponent=of_opponent)


CLIP_BEFORE_S = 2.0
CLIP_AFTER_S = 1.5


def beyond_baseline_m(depth_m: float) -> float:
    """Distance behind the baseline of a place at a distance from the net; negative: inside."""
    return depth_m - court.HALF_LENGTH_M

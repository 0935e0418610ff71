"""Family shot choice: the soft balls, drop shot and lob."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from rallymill.intervals import above
from rallymill.rules.base import (
    Evidence,
    Finding,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    beyond_baseline_m,
    finding,
    grade,
    known_mps,
    least,
    runs,
    settle,
    unmeasured,
    velocity_sd_mps,
)

CALM = ("set", "recovering", "on_the_run")
"""States in which the speed says whether there was time; in the air or unknown it does not."""


class DropShotThresholds(Thresholds):
    """Thresholds of ``drop_shot``."""

    behind_m: float
    """Distance behind the baseline (negative: inside the court) from which it is too deep."""
    far_back_m: float = Field(gt=0)
    """An opponent this far behind the baseline has a long way to come in."""
    backing_mps: float = Field(gt=0)
    """An opponent who goes back faster than this is going the wrong way."""
    opponent_deep_m: float = 3.0
    """With the opponent this far behind the other baseline a deep drop shot can be right."""


def _drop_shot(play: Play, bounds: DropShotThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke != "drop_shot":
            continue
        lack = shot.lacks("contact_y_m", "opponent_y_m")
        yield unmeasured("drop_shot", shot, lack) if lack else _judge_drop(play, shot, bounds)


def _judge_drop(play: Play, shot: Shot, bounds: DropShotThresholds) -> Result:
    behind = beyond_baseline_m(abs(shot.contact_y_m))
    opponent = beyond_baseline_m(abs(shot.opponent_y_m))
    own_sd, other_sd = shot.sd("contact_y_m", 0.3), shot.sd("opponent_y_m", 0.3)
    too_deep = above(behind, bounds.behind_m, own_sd)
    chance = too_deep * (1 - above(opponent, bounds.opponent_deep_m, other_sd))
    sure = least(shot.stroke_confidence, shot.confidence)
    backing = shot.sign * known_mps(shot.opponent_vy_mps)
    evidence = [
        Evidence("contact behind the baseline", behind, "m"),
        Evidence("opponent behind the baseline", opponent, "m"),
        Evidence("speed of the opponent going back", backing, "m/s"),
    ]
    if chance * sure >= bounds.least_confidence:
        return _too_deep(play, shot, behind, opponent, chance * sure, evidence, bounds)
    surprised = max(
        above(opponent, bounds.far_back_m, other_sd),
        above(backing, bounds.backing_mps, velocity_sd_mps(shot, "opponent", "y")),
    )
    good = surprised * (1 - too_deep) if play.outcome(shot) == "won" else 0.0
    if good * sure >= bounds.least_confidence:
        moving = (
            f", still going back at {backing:.1f} m/s" if backing > bounds.backing_mps else "")
        return finding(
            "drop_shot", "credit", shot, confidence=good * sure,
            severity=grade(opponent, 0.0, bounds.far_back_m + 2), evidence=evidence,
            sentence=(
                f"Drop shot from {_where(behind)} the baseline against an opponent "
                f"{_where(opponent)} the other{moving}: a surprise, and the point was won."
            ),
        )
    return settle("drop_shot", shot, bounds, chance=chance, sure=sure)


def _where(behind_m: float) -> str:
    return f"{abs(behind_m):.1f} m {'behind' if behind_m >= 0 else 'inside'}"


def _too_deep(
    play: Play, shot: Shot, behind: float, opponent: float, confidence: float,
    evidence: list[Evidence], bounds: DropShotThresholds,
) -> Finding:
    won = play.outcome(shot) == "won"
    return finding(
        "drop_shot", "note" if won else "fault", shot, confidence=confidence,
        severity=grade(behind, bounds.behind_m, bounds.behind_m + 3) * (0.5 if won else 1.0),
        evidence=evidence,
        sentence=(
            f"Drop shot from {_where(behind)} the baseline with the opponent {_where(opponent)} "
            "the other: the ball is long in the air and the opponent has time to come in."
        ),
    )


class LobThresholds(Thresholds):
    """Thresholds of ``lob``."""

    close_m: float = Field(gt=0)
    """An opponent nearer the net than this has closed it and has the lob behind."""
    stayed_m: float = Field(gt=0)
    """An opponent farther from the net than this was not at the net."""
    deep_m: float = Field(gt=0)
    """A lob that lands at least this far from the net is deep."""
    short_m: float = Field(gt=0)
    """A lob that lands nearer the net than this is short."""
    time_s: float = 1.2
    """With this much time to prepare nothing asked for a lob."""


def _lob(play: Play, bounds: LobThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke != "lob":
            continue
        lack = shot.lacks("opponent_y_m")
        yield unmeasured("lob", shot, lack) if lack else _judge_lob(play, shot, bounds)


def _judge_lob(play: Play, shot: Shot, bounds: LobThresholds) -> Result:
    opponent = abs(shot.opponent_y_m)
    opponent_sd = shot.sd("opponent_y_m", 0.3)
    closed = above(bounds.close_m, opponent, opponent_sd)
    at_net = above(bounds.stayed_m, opponent, opponent_sd)
    sure = least(shot.stroke_confidence, shot.confidence)
    short = closed_and_deep = 0.0
    evidence = [Evidence("opponent from the net", opponent, "m")]
    reply = play.next(shot)
    struck_down = reply is not None and reply.stroke == "overhead"
    if shot.bounce_y_m is not None and shot.in_court:
        bounce, bounce_sd = abs(shot.bounce_y_m), shot.sd("bounce_y_m", 0.3)
        evidence.append(Evidence("landing from the net", bounce, "m"))
        short = at_net * above(bounds.short_m, bounce, bounce_sd)
        closed_and_deep = closed * above(bounce, bounds.deep_m, bounce_sd)
    if struck_down:
        short = max(short, at_net * least(reply.stroke_confidence if reply else None))
    unneeded = 0.0
    if shot.time_to_prepare_s is not None and shot.time_to_prepare_s >= bounds.time_s:
        evidence.append(Evidence("time to prepare", shot.time_to_prepare_s, "s"))
        calm = 1 - runs(shot) if shot.hitter_state in CALM else 0.0
        unneeded = (1 - at_net) * calm
    chances = {"credit": closed_and_deep, "short": short, "unneeded": unneeded}
    what = max(chances, key=lambda name: chances[name])
    chance = chances[what]
    if chance * sure < bounds.least_confidence:
        return settle("lob", shot, bounds, chance=chance, sure=sure)
    if what == "credit":
        sentence = (
            f"Lob over a closed net: the opponent was {opponent:.1f} m from the net and the ball "
            f"landed {abs(shot.bounce_y_m):.1f} m behind it."
        )
    elif what == "short":
        fell = "was struck down overhead" if struck_down else (
            f"came down {abs(shot.bounce_y_m):.1f} m behind it")
        sentence = (
            f"Lob too short: the opponent was {opponent:.1f} m from the net, the ball {fell}."
        )
    else:
        sentence = (
            f"Lob without need: {shot.time_to_prepare_s:.1f} s to prepare, and the opponent was "
            f"not at the net ({opponent:.1f} m from it)."
        )
    return finding(
        "lob", "credit" if what == "credit" else "fault", shot, confidence=chance * sure,
        severity=0.5, evidence=evidence, sentence=sentence,
    )


RULES = (
    Rule("drop_shot", "shot_choice", 3, {
        "club": DropShotThresholds(behind_m=-0.5, far_back_m=1.5, backing_mps=1.5),
        "college": DropShotThresholds(behind_m=0.0, far_back_m=2.0, backing_mps=1.5),
        "tour": DropShotThresholds(behind_m=0.5, far_back_m=2.5, backing_mps=1.5),
    }, _drop_shot),
    Rule("lob", "shot_choice", 2, {
        "club": LobThresholds(close_m=3.5, stayed_m=7.0, deep_m=8.5, short_m=6.4),
        "college": LobThresholds(close_m=3.2, stayed_m=7.0, deep_m=9.0, short_m=7.0),
        "tour": LobThresholds(close_m=3.0, stayed_m=7.0, deep_m=9.5, short_m=7.5),
    }, _lob),
)

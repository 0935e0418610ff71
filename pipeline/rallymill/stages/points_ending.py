"""How a rally ended, from its last stroke. Pure functions.

ITF Rules of Tennis: a point ends when the ball bounces twice, lands out or does not clear the net
(rule 24); two faults lose the point (rule 16); a serve that touches the net and lands good is a let
(rule 22).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from rallymill import court, flight
from rallymill.stages.shots_people import OTHER
from rallymill.stages.shots_rally import Rally, Stroke
from rallymill.stages.shots_strokes import (
    Landing,
    StrokeConfig,
    in_probability,
    landing,
)

PLAYED_ON_ODDS = 50.0
"""How much likelier a good ball is than a bad one to be played on in a rally; common practice, no
source. Faulted serves are often hit back, so for a serve it is ``SERVE_PLAYED_ON_ODDS``."""
SERVE_PLAYED_ON_ODDS = 5.0
WIDEST_LANDING_SD_M = 2.0
"""A flight carried on whose landing is less sure than this tells nothing."""
REPEATED_ODDS = 30.0
"""How much likelier a serve is to be repeated from the same half after a fault than after a good
serve; it never should be after a good one, but a half can be misread."""

UNSEEN_LET_CONFIDENCE = 0.7
TOUCHED_PACE, UNTOUCHED_PACE = 0.42, 0.49
"""Mean speed along the ground from a good serve's bounce to the next contact, as a share of that
before the bounce. Below the first the net took some of it, above the second it did not: aces of
simulated play for validation keep 0.53 to 0.58, lets 0.35 to 0.54, and the slowest clay takes 0.08
more than the ground there (level speed kept in a bounce: 0.6 for 0.7, from memory)."""


@dataclass(frozen=True)
class Ending:
    """How a rally ended, which side won it (None where none did or it is not known)."""

    kind: str
    won_by: str | None
    confidence: float


def _weigh(probability: float, odds: float) -> float:
    """Probability after evidence that multiplies its odds."""
    good = probability * odds
    return good / (good + 1 - probability) if good + 1 - probability > 0 else probability


def serve_good(
    rally: Rally, half: str | None, repeated: bool | None, config: StrokeConfig
) -> float | None:
    """Probability that the rally's serve was good, None where its landing is not known.

    ``repeated`` tells for a first serve whether it was served again from the same half; None for a
    second serve, after which it never is.
    """
    serve = rally.strokes[0]
    said = serve.hit.stated.get("in_court")
    if said is not None:
        return 0.995 if said else 0.005
    place = landing(serve, config)
    if serve.own_bounce is not None or (serve.net is not None and serve.bounce is None):
        return 0.02
    if place is None or half is None:
        probability = 0.5 if len(rally.strokes) > 1 else None
    else:
        probability = in_probability(place, serve, half)
    if probability is None:
        return None
    # A measured place cannot be surer than its calibration: keep clear of 0 and 1.
    probability = min(max(probability, 0.005), 0.995)
    if len(rally.strokes) > 2:
        return _weigh(probability, PLAYED_ON_ODDS)
    if len(rally.strokes) == 2:
        probability = _weigh(probability, SERVE_PLAYED_ON_ODDS)
    if repeated is not None:
        probability = _weigh(probability, 1 / REPEATED_ODDS if repeated else REPEATED_ODDS)
    return probability


def of_rally(
    rally: Rally, shots: Sequence[Mapping[str, Any]], serve_number: int | None,
    repeated: bool | None, config: StrokeConfig,
) -> Ending:
    """Ending of a rally whose rows of the shots table are ``shots``.

    ``repeated`` tells whether the next rally is served again from the same half.
    """
    last = rally.strokes[-1]
    certain = last.hit.confidence
    if rally.starts_with_serve and len(rally.strokes) <= 2:
        serve = rally.strokes[0]
        feet = shots[0]["hitter_x_m"]
        x = feet if feet is not None else serve.hit.x_m
        half = court.serve_side(x, -serve.sign) if x == x else None
        again = repeated if serve_number == 1 else None
        good = serve_good(rally, half, again, config)
        if good is None:
            return Ending("unknown", None, 0.0)
        if good < 0.5:
            return _fault(serve, serve_number, (1 - good) * certain)
        if len(rally.strokes) == 1:
            if serve.net is not None:
                return Ending("let", None, good * serve.net.confidence)
            if repeated:
                # Served again from there although it was good: a let whose touch was not seen.
                return Ending("let", None, good * UNSEEN_LET_CONFIDENCE)
            pace = kept_pace(serve)
            if not followed(serve) or TOUCHED_PACE <= pace < UNTOUCHED_PACE:
                return Ending("unknown", None, 0.3)
            if pace < TOUCHED_PACE:
                return Ending("let", None, good * UNSEEN_LET_CONFIDENCE)
            return Ending("ace", last.hit.side, good * certain)
        certain *= good
    ending = _of_last(last, config)
    return Ending(ending.kind, ending.won_by, ending.confidence * certain)


def followed(last: Stroke) -> bool:
    """Whether the ball was seen after it bounced in the other half.

    Lost at its bounce it may have been played on (films for validation: four of eight were, none
    of the 40 that were followed).
    """
    bounce = last.bounce
    return bounce is not None and (bounce.arc_after is not None or last.events[-1].t_s > bounce.t_s)


def kept_pace(serve: Stroke) -> float:
    """Share of its mean speed along the ground that a serve keeps after its bounce.

    NaN where the bounce or the next contact was not seen. Nobody may have struck it since.
    """
    contacts = [event for event in serve.events if event.kind in ("bounce", "out_of_play")]
    if len(contacts) < 2 or contacts[0].kind != "bounce":
        return float("nan")
    paces = [
        float(np.hypot(after.x_m - before.x_m, after.y_m - before.y_m)) / (after.t_s - before.t_s)
        for before, after in pairwise([serve.hit, *contacts[:2]]) if after.t_s > before.t_s
    ]
    return paces[1] / paces[0] if len(paces) == 2 and paces[0] > 0 else float("nan")


def _fault(serve: Stroke, serve_number: int | None, confidence: float) -> Ending:
    if serve_number == 2:
        return Ending("double_fault", OTHER[serve.hit.side], confidence)
    return Ending("fault", None, confidence)


def _of_last(last: Stroke, config: StrokeConfig) -> Ending:
    """Ending by the last stroke of a rally that was played."""
    hitter, receiver = last.hit.side, OTHER[last.hit.side]
    said = last.hit.stated.get("in_court")
    if said:
        return Ending("winner", hitter, 1.0)
    if last.own_bounce is not None:
        sure = last.own_bounce.confidence * (1.0 if last.net is not None else 0.8)
        return Ending("error_net", receiver, sure)
    if last.net is not None and last.bounce is None:
        return Ending("error_net", receiver, last.net.confidence * 0.9)
    fixture = next((event for event in last.events if event.kind == "out_of_play"), None)
    if fixture is not None and last.bounce is None:
        # A ball that meets a fixture before the ground is out (ITF rule 24).
        long = abs(fixture.y_m) > court.HALF_LENGTH_M
        kind = "error_long" if long else "error_wide"
        return Ending(kind, receiver, fixture.confidence * 0.95)
    place = landing(last, config)
    if place is None:
        return Ending("unknown", receiver if said is False else None, 0.0)
    good = in_probability(place, last, None)
    if said is False:
        return _out(place, last, 1.0)
    if last.bounce is not None:
        if good < 0.5:
            return _out(place, last, (1 - good) * last.bounce.confidence)
        if not followed(last):
            return Ending("unknown", None, 0.0)
        return Ending("winner", hitter, good * last.bounce.confidence)
    return _unseen(last, place, good)


def _unseen(last: Stroke, place: Landing, good: float) -> Ending:
    """Ending where the ball was lost before any contact: by the flight carried on.

    A ball that would not clear the net is an error in the net. A ball that lands out is taken for
    an error with less confidence; one that lands in leaves the ending unknown. None of it counts
    for more than the flight itself.
    """
    arc = last.after
    if arc is None or max(place.x_m_sd, place.y_m_sd) > WIDEST_LANDING_SD_M:
        return Ending("unknown", None, 0.0)
    sure = arc.confidence
    if np.isfinite(arc.start).all():
        times = np.linspace(0.0, 2.0, 80)
        states = flight.states(arc.start, arc.spin_radps, times)
        past = np.flatnonzero(states[:, 1] * last.sign >= 0)
        low = len(past) and states[past[0], 2] < court.net_height_m(states[past[0], 0]) - 0.1
        if low or place.y_m * last.sign <= 0:
            return Ending("error_net", OTHER[last.hit.side], 0.8 * sure)
    if good < 0.5:
        return _out(place, last, (1 - good) * 0.85 * sure)
    return Ending("unknown", None, 0.0)


def _out(place: Landing, last: Stroke, confidence: float) -> Ending:
    """Error long where the ball landed beyond the baseline, else wide."""
    long = place.y_m * last.sign > court.HALF_LENGTH_M + court.BALL_RADIUS_M
    kind = "error_long" if long else "error_wide"
    return Ending(kind, OTHER[last.hit.side], confidence)


def dead_s(last: Stroke, kind: str) -> float:
    """Time at which the ball is dead: net, out, second bounce or fixture, else last contact seen.

    A ball that is lost on its way from the last stroke was in play for as long as it was seen.
    """
    if kind == "error_net" and last.net is not None:
        return last.net.t_s
    if kind in ("fault", "double_fault") and last.net is not None:
        return last.net.t_s
    contacts = [event for event in last.events if event.kind in ("bounce", "out_of_play")]
    if contacts and kind not in ("winner", "ace", "unknown"):
        return contacts[0].t_s
    if len(contacts) > 1:
        return contacts[1].t_s
    seen_s = last.after.end_s if last.after is not None and not last.events else last.hit.t_s
    return max([last.hit.t_s, seen_s, *(event.t_s for event in last.events)])

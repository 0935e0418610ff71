"""Bounces before strokes that were read as strokes of a ball on the full.

Half-volleys: a bounce and a stroke so soon after each other that they were read as one contact.

Seen from behind a court, a ball that is picked up just after its bounce turns back near the ground
within two or three frames. The path has one cut there, and a stroke at the height of the ankles
explains it nearly as well; where it does, a bounce just before it is tried. So it is for whatever
is struck after a serve, which has to bounce first (ITF rule 24, from memory).
"""

from __future__ import annotations

import numpy as np

from rallymill import court, flight
from rallymill.flightfit import rally
from rallymill.stages.flight.contacts import BOUNCE, HITS, SERVES
from rallymill.stages.flight.rallies_end import Guess

ANKLE_M = 0.45
"""A ball met lower than this may have bounced just before."""
RISE_S = 0.10
"""Usual time from such a bounce to the stroke, for a first guess."""
KEPT = (0.7, 0.7, -0.78)
"""Share of each component of velocity that a bounce leaves, for a first guess."""


def suspects(kinds: tuple[int, ...], fit: rally.RallyFit) -> list[int]:
    """Contacts that are strokes of a ball on the full, low or of a serve."""
    return [
        k for k in range(1, len(kinds) - 1)
        if kinds[k] in HITS and kinds[k] not in SERVES and kinds[k - 1] in HITS
        and (fit.place[k, 2] < ANKLE_M or kinds[k - 1] in SERVES)
    ]


def with_bounce(guess: Guess, fit: rally.RallyFit, k: int) -> Guess | None:
    """First guess of the same contacts and a bounce before stroke ``k``; None without room for it.
    """
    start = np.concatenate([fit.place[k - 1], fit.velocity[k - 1]])
    fall_s, state = flight.fall_to(start, fit.spin[k - 1], limit_s=4.0)
    at_s = float(fit.time_s[k - 1] + fall_s)
    if not np.isfinite(at_s) or at_s > fit.time_s[k] + RISE_S:
        return None
    at_s = min(at_s, float(fit.time_s[k]) - 0.02)
    struck_s = max(float(fit.time_s[k]), at_s + 0.6 * RISE_S)
    if at_s <= fit.time_s[k - 1] + 0.1 or struck_s >= fit.time_s[k + 1] - 0.05:
        return None
    bounce = np.array([state[0], state[1], court.BALL_RADIUS_M])
    rising = state[3:] * np.array(KEPT)
    met = flight.states(np.concatenate([bounce, rising]), (0.0, 0.0), [struck_s - at_s])[0, :3]
    time, place = fit.time_s.copy(), fit.place.copy()
    time[k], place[k] = struck_s, met
    return Guess(
        (*guess.kinds[:k], BOUNCE, *guess.kinds[k:]), np.insert(time, k, at_s),
        np.insert(place, k, bounce, axis=0), np.insert(fit.velocity, k, rising, axis=0),
        np.insert(fit.spin, k, (350.0, 0.0), axis=0), np.insert(guess.time_sd_s, k, 0.06),
    )

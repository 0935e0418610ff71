"""What a candidate's confidence is worth in the reading of a path.

The second look's answers are probabilities that a box is the ball (``models/ball_look/card.md``
holds them against the truth), so that a candidate weighs by its odds: on the path it earns by them,
left out of a flight it costs what its being false costs, -log(1 - p), and in a fit a doubtful one
pulls less.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST, MOST = 0.001, 0.995
"""No confidence is taken for less or more than this."""
EVEN_ODDS, GAIN, LEAST_GAIN = 2.0, 0.8, -1.0
"""Log odds against a candidate that its place on a smooth path makes up for, what a unit of log
odds beyond them earns, and the least that a candidate earns."""
FALSE_COST, FULL_COST, LEAST_WORTH = 1.0, 3.0, 0.15
"""What a false candidate costs that nobody took for the ball, the cost at which a candidate is
worth the usual price of a point left out, and the least share of it. All of these were tried on
drawn films for validation and on simulated boxes with confidences like theirs."""
DOUBTFUL_ODDS = 4.0
"""Log odds against a candidate at which its deviation in a fit counts twice."""


def log_odds(confidence: Array) -> Array:
    """Log odds (N,) of confidences (N,)."""
    p = np.clip(confidence, LEAST, MOST)
    return np.asarray(np.log(p / (1 - p)))


def gain(confidence: Array) -> Array:
    """What the search for the path earns (N,) by each candidate."""
    return np.maximum(GAIN * (log_odds(confidence) + EVEN_ODDS), LEAST_GAIN)


def worth(confidence: Array) -> Array:
    """Share (N,) of the usual price that calling a candidate false costs."""
    price = FALSE_COST - np.log(1 - np.clip(confidence, LEAST, MOST))
    return np.asarray(np.clip(price / FULL_COST, LEAST_WORTH, 1.0))


def looseness(confidence: Array) -> Array:
    """Factor (N,) of a candidate's deviation in a fit, 1 to 2."""
    return np.asarray(1 + np.clip(-log_odds(confidence) / DOUBTFUL_ODDS, 0, 1))

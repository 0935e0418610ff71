"""What a stroke was: landing, whether it was in, kind of stroke, wing and direction.

Pure functions of strokes and stances. Every label comes with the probability that it is right,
from the standard deviations of what it rests on taken as independent and normal.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from rallymill import court, court_directions, flight
from rallymill.intervals import above
from rallymill.stages.base import StageConfig
from rallymill.stages.shots_rally import Arc, Event, Stroke
from rallymill.tactics_motion import Stance

NAN = float("nan")
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
NODES, WEIGHTS = _NODES, _WEIGHTS / _WEIGHTS.sum()
BODY_NODES, BODY_WEIGHTS = np.sqrt(3) * np.array([-1.0, 0.0, 1.0]), np.array([1, 4, 1]) / 6
BODY_CENTRE_SD_M = 0.15
"""How far the middle of the body may lie from over the feet; common practice, no source."""


class StrokeConfig(StageConfig):
    """Bounds between kinds of stroke. Common practice, no source, where nothing else is said."""

    overhead_height_m: float = 2.0
    volley_depth_m: float = 8.0
    drop_shot_depth_m: float = 4.5
    drop_shot_speed_mps: float = 18.0
    """Drop shots leave the racket at 40 to 65 km/h."""
    drop_shot_descent_deg: float = 25.0
    lob_apex_m: float = 4.5
    lob_elevation_deg: float = 40.0
    lob_over_m: float = 2.8
    """A ball this high over an opponent at the net is out of reach: a lob whatever its apex."""
    net_zone_m: float = 6.0
    """A hitter who gets nearer the net than this has approached, one who was there already not."""
    approach_mps: float = 1.3
    approach_inside_m: float = 1.0
    """So far inside the baseline a hitter who comes in would be a second on."""
    least_wing_confidence: float = 0.6
    least_in_confidence: float = 0.7
    """in_court is null where neither answer is this likely."""
    landing_share_sd: float = 0.05
    """Deviation of an extrapolated landing as a share of the distance flown."""


@dataclass(frozen=True)
class Landing:
    """Where a ball first came down beyond the net, or would have: place, deviation, time."""

    x_m: float
    y_m: float
    x_m_sd: float
    y_m_sd: float
    t_s: float
    descent_deg: float
    seen: bool


def known(value: float, fallback: float) -> float:
    """The value, or a fallback where it is NaN."""
    return value if value == value else fallback


def descent_deg(arc: Arc | None, after_s: float) -> float:
    """Angle below the horizontal at which a flight moves a time after its start, NaN if unknown."""
    if arc is None or not np.isfinite(arc.start).all():
        return NAN
    state = flight.states(arc.start, arc.spin_radps, [max(after_s, 0.0)])[0]
    return float(np.degrees(np.arctan2(-state[5], np.hypot(state[3], state[4]))))


def landing(stroke: Stroke, config: StrokeConfig) -> Landing | None:
    """First bounce beyond the net; where none was seen, the end of the flight carried on."""
    bounce = stroke.bounce
    if bounce is not None and np.isfinite([bounce.x_m, bounce.y_m]).all():
        angle = descent_deg(stroke.after, bounce.t_s - stroke.hit.t_s)
        return Landing(
            bounce.x_m, bounce.y_m, known(bounce.x_m_sd, 0.1), known(bounce.y_m_sd, 0.1),
            bounce.t_s, angle, True,
        )
    arc = stroke.after
    if arc is None or not np.isfinite(arc.start).all():
        return None
    time, state = flight.fall_to(arc.start, arc.spin_radps)
    if not np.isfinite(time):
        return None
    flown = float(np.hypot(state[0] - arc.start[0], state[1] - arc.start[1]))
    share = config.landing_share_sd * flown
    angle = float(np.degrees(np.arctan2(-state[5], np.hypot(state[3], state[4]))))
    # A velocity that is a little off carries on for the whole flight.
    drift = [known(arc.start_sd[k], 0.5) * float(time) for k in (3, 4)]
    return Landing(
        float(state[0]), float(state[1]),
        float(np.linalg.norm([share / 2, known(arc.end_sd_m[0], 0.1), drift[0]])),
        float(np.linalg.norm([share, known(arc.end_sd_m[1], 0.2), drift[1]])),
        stroke.hit.t_s + float(time), angle, False,
    )


def _between(value: float, deviation: float, low: float, high: float) -> float:
    return max(above(value, low, deviation) - above(value, high, deviation), 0.0)


def in_probability(place: Landing, stroke: Stroke, box_side: str | None) -> float:
    """Probability that a landing is in: in the singles court, or in the diagonal service box.

    ``box_side`` is ``deuce`` or ``ad`` for a serve, None for other strokes.
    """
    radius = court.BALL_RADIUS_M
    depth = place.y_m * stroke.sign
    if box_side is None:
        half = court.HALF_SINGLES_M + radius
        return _between(place.x_m, place.x_m_sd, -half, half) * _between(
            depth, place.y_m_sd, 0.0, court.HALF_LENGTH_M + radius)
    across = place.x_m * stroke.sign * (-1.0 if box_side == "deuce" else 1.0)
    return _between(
        across, place.x_m_sd, -court.LINE_WIDTH_M / 2 - radius, court.HALF_SINGLES_M + radius
    ) * _between(depth, place.y_m_sd, 0.0, court.SERVICE_LINE_M + radius)


def apex_m(arc: Arc | None) -> float:
    """Greatest height of a flight, NaN where it is not known."""
    if arc is None or not np.isfinite(arc.start).all():
        return NAN
    times = np.linspace(0.0, max(arc.end_s - arc.start_s, 1e-3), 40)
    return float(flight.states(arc.start, arc.spin_radps, times)[:, 2].max())


@dataclass(frozen=True)
class Setting:
    """What the kind of a stroke is judged on besides the stroke itself."""

    is_serve: bool
    is_return: bool
    bounced_before: bool | None
    opponent: Stance | None
    landing: Landing | None
    speed_mps: float
    later: Stance | None
    """The hitter when the opponent makes the next contact, or when the point is over."""


def kind(stroke: Stroke, setting: Setting, config: StrokeConfig) -> tuple[str, float]:
    """Kind of a stroke and the probability that it is right.

    In this order: serve, return, overhead, drop shot, volley, lob, approach, groundstroke. Each
    kind that is tried takes its probability out of what is left for the later ones.
    """
    hit = stroke.hit
    if setting.is_serve:
        high = above(hit.z_m, 1.6, known(hit.z_m_sd, 0.2))
        return "serve", float(np.clip(0.5 + 0.5 * high, 0.0, 1.0)) * hit.confidence
    if setting.is_return:
        return "return", hit.confidence
    unbounced = {True: 0.05, False: 0.95, None: 0.3}[setting.bounced_before]
    depth = abs(hit.y_m)
    front = above(-depth, -config.volley_depth_m, known(hit.y_m_sd, 0.2))
    over = above(hit.z_m, config.overhead_height_m, known(hit.z_m_sd, 0.15))
    place = setting.landing
    shares = [
        ("overhead", over * (1.0 if setting.bounced_before is False else 0.7)),
        ("drop_shot", _drop_shot(place, setting.speed_mps, stroke, config)),
        ("volley", unbounced * front),
        ("lob", _lob(stroke, place, setting.opponent, config)),
        ("approach", _approach(setting, depth, config)),
    ]
    left = 1.0
    scores: dict[str, float] = {}
    for name, share in shares:
        scores[name] = left * share
        left *= 1 - share
    scores["groundstroke"] = left
    best = max(scores, key=lambda name: scores[name])
    return best, scores[best] * hit.confidence


def _drop_shot(
    place: Landing | None, speed_mps: float, stroke: Stroke, config: StrokeConfig
) -> float:
    if place is None:
        return 0.0
    depth = place.y_m * stroke.sign
    if depth <= 0:
        return 0.0
    steep = above(place.descent_deg, config.drop_shot_descent_deg, 3.0)
    slow = 1 - above(speed_mps, config.drop_shot_speed_mps, 1.0)
    return (1 - above(depth, config.drop_shot_depth_m, place.y_m_sd)) * slow * steep


def _lob(
    stroke: Stroke, place: Landing | None, opponent: Stance | None, config: StrokeConfig
) -> float:
    """Probability of a lob: steep, high and deep, or over the reach of an opponent at the net."""
    if place is None:
        return 0.0
    arc = stroke.after
    if arc is None or not np.isfinite(arc.start).all():
        return 0.0
    high = above(apex_m(arc), config.lob_apex_m, 0.2)
    steep = above(-descent_deg(arc, 0.0), config.lob_elevation_deg, 1.0)
    deep = above(place.y_m * stroke.sign, court.SERVICE_LINE_M, place.y_m_sd)
    return max(high * steep, _over(arc, opponent, stroke, config)) * deep


def _over(arc: Arc, opponent: Stance | None, stroke: Stroke, config: StrokeConfig) -> float:
    """Probability that a flight passes an opponent at the net out of reach overhead."""
    if opponent is None or abs(opponent.y_m) > config.net_zone_m:
        return 0.0
    states = flight.states(arc.start, arc.spin_radps, np.linspace(0.0, 4.0, 120))
    past = np.flatnonzero((states[:, 1] - opponent.y_m) * stroke.sign >= 0)
    if not len(past):
        return 0.0
    return above(float(states[past[0], 2]), config.lob_over_m, 0.2)


def _approach(setting: Setting, depth_m: float, config: StrokeConfig) -> float:
    """Probability that the hitter comes in after a stroke met ``depth_m`` from the net.

    Either within the net zone by the opponent's contact, or then moving forward so that a second on
    would be well inside the baseline.
    """
    later = setting.later
    if later is None or later.vy_mps != later.vy_mps:
        return 0.0
    outside = above(depth_m, config.net_zone_m, 0.2)
    forward = -later.vy_mps * np.sign(later.y_m)
    reached = above(-abs(later.y_m), -config.net_zone_m, 0.25)
    bound = court.HALF_LENGTH_M - config.approach_inside_m
    coming = above(float(forward), config.approach_mps, 0.3) * above(
        float(forward) - abs(later.y_m), -bound, 0.4)
    return outside * max(reached, coming)


def wing(
    stroke: Stroke, hitter: Stance | None, right_handed: float | None, config: StrokeConfig
) -> tuple[str, float | None]:
    """Forehand or backhand from the contact's place beside the body, and its probability.

    ``right_handed`` is the probability that the hitter plays with the right hand, None if unknown.
    """
    if hitter is None or right_handed is None or stroke.hit.x_m != stroke.hit.x_m:
        return "unknown", None
    offset = (stroke.hit.x_m - hitter.x_m) * stroke.sign
    spread = float(np.sqrt(
        known(stroke.hit.x_m_sd, 0.1) ** 2 + known(hitter.x_m_sd, 0.1) ** 2
        + BODY_CENTRE_SD_M**2
    ))
    right = above(offset, 0.0, spread)
    forehand = right * right_handed + (1 - right) * (1 - right_handed)
    name, share = ("forehand", forehand) if forehand >= 0.5 else ("backhand", 1 - forehand)
    if share < config.least_wing_confidence:
        return "unknown", share
    return name, share


def _direction_end(
    stroke: Stroke, place: Landing | None, is_serve: bool, following: Event | None
) -> tuple[float, float] | None:
    """x that tells the direction and its deviation: of the bounce, else of the straight line.

    The line leads from the contact through the next contact of the ball (``following``), or else
    through where the flight was last seen, to the opponent's baseline (a serve: the service line).
    """
    hit = stroke.hit
    if place is not None and place.seen:
        return place.x_m, place.x_m_sd
    through: tuple[float, float, float] | None = None
    if following is not None and np.isfinite([following.x_m, following.y_m]).all():
        through = following.x_m, following.y_m, known(following.x_m_sd, 0.1)
    elif stroke.after is not None and np.isfinite(stroke.after.end_m[:2]).all():
        end, end_sd = stroke.after.end_m, stroke.after.end_sd_m
        through = end[0], end[1], known(end_sd[0], 0.1)
    if through is None or hit.y_m != hit.y_m:
        return None
    line_y = court_directions.opponent_baseline_y_m(hit.y_m)
    if is_serve:
        line_y = court.SERVICE_LINE_M * stroke.sign
    x = court_directions.line_end_x_m(hit.x_m, hit.y_m, through[0], through[1], line_y)
    if x is None:
        return None
    # A side deviation at the second point grows in proportion to the distance.
    stretch = abs((line_y - hit.y_m) / (through[1] - hit.y_m))
    return x, float(np.hypot(through[2] * stretch, 0.1 * abs(stretch - 1)))


def direction(
    stroke: Stroke, place: Landing | None, is_serve: bool, following: Event | None,
    wing_name: str, right_handed: float | None, hitter: Stance | None,
) -> tuple[str, float]:
    """Direction of a stroke (:mod:`rallymill.court_directions`) and its probability.

    The label is that of the measured values; its probability is the weight of the nodes at which
    the label is the same: 5-point Gauss-Hermite rules over the x of end and contact, a 3-point rule
    over that of the body.
    """
    end = _direction_end(stroke, place, is_serve, following)
    hit = stroke.hit
    if end is None or hit.x_m != hit.x_m:
        return "unknown", 0.0
    handed = None if right_handed is None else right_handed >= 0.5

    def label(end_x_m: float, contact_x_m: float, body_x_m: float | None) -> str:
        if is_serve:
            return court_directions.serve_direction(end_x_m)
        return court_directions.stroke_direction(
            contact_x_m, hit.y_m, end_x_m, wing_name, handed, body_x_m)

    best = label(end[0], hit.x_m, None if hitter is None else hitter.x_m)
    contact_sd = known(hit.x_m_sd, 0.1)
    share = 0.0
    for (node, weight), (at, at_weight), (by, by_weight) in product(
        zip(NODES, WEIGHTS, strict=True), zip(NODES, WEIGHTS, strict=True),
        zip(BODY_NODES, BODY_WEIGHTS, strict=True),
    ):
        body = None if hitter is None else hitter.x_m + by * float(np.hypot(
            known(hitter.x_m_sd, 0.1), BODY_CENTRE_SD_M))
        same = label(end[0] + node * end[1], hit.x_m + at * contact_sd, body) == best
        share += weight * at_weight * by_weight * same
    return best, float(share)

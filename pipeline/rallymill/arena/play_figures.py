"""Figures of simulated play beside published ones: what is counted, how, and what it should be.

Ranges are those of tour play. Where a source gives a median alone, the range is that median within
5 % (speeds) or within 6 points (shares) unless its own spread is given. ``from memory`` marks
figures whose source was not at hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rallymill import court
from rallymill.arena.play_sample import PlaySample, share

RPM = 30 / np.pi
KMH = 3.6
FORCED_FROM = 0.5
"""An error under more pressure than this is counted as forced. Both forced and not are judgements;
the simulator's pressure (reach, haste, pace, height, time) stands in for the scorer's."""

Range = tuple[float, float]
Measure = Callable[[PlaySample], float]

KR = "Kovalchik & Reid 2017, table 4"


@dataclass(frozen=True)
class Quantity:
    """A figure: name, unit, ranges for men and women, source, and how it is measured."""

    name: str
    unit: str
    men: Range
    women: Range
    source: str
    measure: Measure
    digits: int = 1

    def range_of(self, woman: bool) -> Range:
        """Published range for a sex."""
        return self.women if woman else self.men


def _around(value: float, part: float) -> Range:
    return value * (1 - part), value * (1 + part)


def _points(value: float, by: float = 6.0) -> Range:
    return max(0.0, value - by), value + by


def played(s: PlaySample) -> pd.DataFrame:
    """Rows of points that counted: neither faults nor lets."""
    return s.points[~s.points.ended_by.isin(("fault", "let"))]


def _serves(s: PlaySample, number: int | None = None) -> pd.DataFrame:
    rows = s.shots[(s.shots.stroke == "serve") & (s.shots.ended_by != "let")]
    return rows if number is None else rows[rows.serve_number == number]


def drives(s: PlaySample, wing: str | None = None) -> pd.DataFrame:
    """Topspin or flat strokes after the bounce from the back, returns not counted."""
    rows = s.shots[
        s.shots.stroke.isin(("groundstroke", "approach"))
        & s.shots.action.isin(("forehand", "backhand"))
        & (s.shots.contact_y_m.abs() > 8.0)
    ]
    return rows if wing is None else rows[rows.wing == wing]


def _good(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows.in_court == True]  # noqa: E712


def rally_lengths(s: PlaySample) -> pd.Series:
    """Balls that landed in court in each point: 0 for a double fault, 1 for a missed return."""
    points = played(s)
    return points.n_shots - (~points.ended_by.isin(("ace", "winner"))).astype(int)


def _between(low: int, high: int) -> Measure:
    return lambda s: 100 * share(rally_lengths(s).between(low, high))


def _ending(*kinds: str) -> Measure:
    return lambda s: 100 * share(played(s).ended_by.isin(kinds))


def _errors(forced: bool) -> Measure:
    def measure(s: PlaySample) -> float:
        last = s.shots[s.shots.ended_point & s.shots.ended_by.str.startswith("error")]
        under = last.pressure > FORCED_FROM
        own = 0 if forced else int((played(s).ended_by == "double_fault").sum())
        return 100 * (int((under == forced).sum()) + own) / max(len(played(s)), 1)

    return measure


def _placed(number: int, where: str) -> Measure:
    def measure(s: PlaySample) -> float:
        return 100 * share(_good(_serves(s, number)).direction == where)

    return measure


def _won(number: int) -> Measure:
    def measure(s: PlaySample) -> float:
        points = played(s)
        points = points[points.serve_number == number]
        return 100 * share(points.won_by == points.server)

    return measure


def _speed(wing: str) -> Measure:
    return lambda s: KMH * float(drives(s, wing).speed_mps.median())


def _spin(wing: str) -> Measure:
    return lambda s: RPM * float(drives(s, wing).topspin_radps.mean())


def _clearance(wing: str) -> Measure:
    return lambda s: 100 * float(_good(drives(s, wing)).net_clearance_m.median())


def _first_in(s: PlaySample) -> float:
    first = s.points[(s.points.serve_number == 1) & (s.points.ended_by != "let")]
    return 100 * share(first.ended_by != "fault")


def _slices(s: PlaySample) -> float:
    rows = s.shots[(s.shots.action == "slice") & s.shots.stroke.isin(("groundstroke", "return"))]
    return -RPM * float(rows.topspin_radps.mean())


def _depth(s: PlaySample) -> float:
    return court.HALF_LENGTH_M - float(_good(drives(s)).bounce_y_m.abs().median())


def _serve_height(s: PlaySample) -> float:
    serves = _serves(s)
    return float((serves.contact_z_m / serves.stature_m).median())


def _net(s: PlaySample) -> float:
    return 100 * share(s.runs.net)


def _net_won(s: PlaySample) -> float:
    return 100 * share(s.runs[s.runs.net].won)


def _drop(s: PlaySample) -> float:
    return 100 * share(s.shots.stroke == "drop_shot")


def _distance(serves: bool) -> Measure:
    return lambda s: float(s.runs[s.runs.serves == serves].distance_m.median())


def _a_stroke(s: PlaySample) -> float:
    return float(s.runs.distance_m.sum() / max((s.shots.ended_by != "fault").sum(), 1))


def _within(s: PlaySample) -> float:
    ways = s.shots.stretch_m.dropna()
    return 100 * share(ways <= 2.5)


def _lateral(s: PlaySample) -> float:
    run = s.runs[["lateral_m", "forward_m", "back_m"]].sum()
    return 100 * float(run.lateral_m / run.sum())


def _interval(s: PlaySample) -> float:
    points = played(s)
    return float((points.end_s - points.start_s).sum() / points.n_shots.sum())


def _returns_of_serve(s: PlaySample) -> pd.DataFrame:
    return s.splits[s.splits.first_serve & s.splits.hop]


def _take_off(s: PlaySample) -> float:
    return 1000 * float(_returns_of_serve(s).take_off_s.median())


def _landing(s: PlaySample) -> float:
    return 1000 * float(_returns_of_serve(s).landing_s.median())


def _air(s: PlaySample) -> float:
    return 1000 * float(s.splits[s.splits.hop].air_s.median())


def _peak_speed(s: PlaySample) -> float:
    return float(np.percentile(s.runs.peak_mps, 99))


def _peak_acceleration(s: PlaySample) -> float:
    return float(np.percentile(s.runs.peak_mps2, 90))


def _kept(s: PlaySample) -> float:
    """Share of its speed that a drive keeps to the opponent's stroke from behind the baseline."""
    before = s.shots.shift(1)
    rows = (
        (before.point_id == s.shots.point_id)
        & before.stroke.eq("groundstroke")
        & before.action.isin(("forehand", "backhand"))
        & ~s.shots.before_bounce.astype(bool)
        & (s.shots.contact_y_m.abs() > court.HALF_LENGTH_M - 0.5)
    )
    return float((s.shots.incoming_speed_mps / before.speed_mps)[rows].median())


def _lets(s: PlaySample) -> float:
    serves = s.shots[s.shots.stroke == "serve"]
    return 100 * share(serves.ended_by == "let")


def _height(s: PlaySample) -> float:
    return float(drives(s).contact_z_m.median())


MEMORY = "from memory: "
QUANTITIES: tuple[Quantity, ...] = (
    Quantity("serve speed, median", "km/h", _around(179, 0.05), _around(153, 0.05), KR,
             lambda s: KMH * float(_serves(s).speed_mps.median())),
    Quantity("first serve speed, median", "km/h", (178, 200), (150, 170),
             MEMORY + "means of Grand Slam play", lambda s: KMH * float(
                 _serves(s, 1).speed_mps.median())),
    Quantity("second serve speed, median", "km/h", (142, 165), (122, 146),
             MEMORY + "means of Grand Slam play", lambda s: KMH * float(
                 _serves(s, 2).speed_mps.median())),
    Quantity("first serves in", "%", (58, 66), (58, 66), MEMORY + "tour season means",
             _first_in),
    Quantity("first serves wide", "%", _points(45.7), _points(36.3), KR, _placed(1, "wide")),
    Quantity("first serves to the body", "%", _points(7.4), _points(16.0), KR,
             _placed(1, "body")),
    Quantity("first serves to the T", "%", _points(46.9), _points(47.7), KR, _placed(1, "t")),
    Quantity("second serves wide", "%", _points(32.0), _points(23.8), KR, _placed(2, "wide")),
    Quantity("second serves to the body", "%", _points(31.3), _points(35.1), KR,
             _placed(2, "body")),
    Quantity("second serves to the T", "%", _points(36.7), _points(41.0), KR, _placed(2, "t")),
    Quantity("aces of points", "%", (6, 13), (2.5, 7), MEMORY + "tour season means",
             _ending("ace")),
    Quantity("double faults of points", "%", (2.5, 5), (3.5, 7), MEMORY + "tour season means",
             _ending("double_fault")),
    Quantity("let serves of serves", "%", (0.5, 4), (0.5, 4), MEMORY + "a few in a set", _lets),
    Quantity("first-serve points won", "%", (68, 76), (61, 69),
             "Prieto-Lage 2022, 2023 (69 to 75; 62.4 to 67.5)", _won(1)),
    Quantity("second-serve points won", "%", (48, 57), (46, 58),
             "Prieto-Lage 2022, 2023 (about 55; 5.5 to 14.5 points below the first)", _won(2)),
    Quantity("forehand speed, median", "km/h", _around(119, 0.05), _around(111, 0.05), KR,
             _speed("forehand")),
    Quantity("backhand speed, median", "km/h", _around(108, 0.05), _around(106, 0.05), KR,
             _speed("backhand")),
    Quantity("speed kept to the stroke behind the baseline", "", (0.40, 0.52), (0.32, 0.52),
             KR + " (0.50, 0.42; 0.49, 0.32)", _kept, 2),
    Quantity("forehand topspin, mean", "rpm", (2000, 3200), (1500, 2500),
             MEMORY + "film studies of tour players", _spin("forehand"), 0),
    Quantity("backhand topspin, mean", "rpm", (1250, 2382), (999, 1429), "Yandell 1997-2010",
             _spin("backhand"), 0),
    Quantity("slice spin, mean", "rpm", (2800, 4200), (2800, 4200),
             "Yandell 1997-2010 (mean about 3500, to 5000)", _slices, 0),
    Quantity("forehand net clearance, median", "cm", (91, 117), (65, 91),
             KR + " (women: 78, the men's spread)", _clearance("forehand"), 0),
    Quantity("backhand net clearance, median", "cm", (59, 84), (33, 59),
             KR + " (women: 46, the men's spread)", _clearance("backhand"), 0),
    Quantity("bounce of drives before the baseline, median", "m", (2.0, 3.6), (2.0, 3.6),
             MEMORY + "rough, no table at hand", _depth),
    Quantity("contact height of drives, median", "m", (0.85, 1.15), (0.85, 1.15),
             MEMORY + "about hip height", _height, 2),
    Quantity("serve contact over stature", "", (1.45, 1.55), (1.45, 1.55), "Mendes 2013",
             _serve_height, 2),
    Quantity("points of 0 to 4 balls in court", "%", (64, 77), (60, 72),
             "AO 2016 (70, 66) and Prieto-Lage 2023 (65 to 77 by surface)", _between(0, 4)),
    Quantity("points of 5 to 8 balls", "%", (15, 25), (18, 28), "AO 2016 (20, 23)",
             _between(5, 8)),
    Quantity("points of 9 balls or more", "%", (7, 14), (7, 15),
             "AO 2016 (10, 11), US Open 2024 (9.5)", _between(9, 999)),
    Quantity("points of one ball", "%", (24, 35), (20, 33), "match reports (about 30)",
             _between(1, 1)),
    Quantity("balls in court a point, mean", "", (3.5, 5.0), (3.5, 5.0),
             "match reports 3.7 to 3.8; Carboch 2019 4.07; Kovalchik & Reid 2017 5.0, 4.6",
             lambda s: float(rally_lengths(s).mean())),
    Quantity("time of a point, mean", "s", (4.9, 6.3), (4.7, 6.0),
             "Carboch 2018 (5.93, 5.44), 2019 (5.30)",
             lambda s: float((played(s).end_s - played(s).start_s).mean())),
    Quantity("time of a point over its strokes", "s", (1.15, 1.37), (1.15, 1.37),
             "Carboch 2018 (5.93 s for 4.85 strokes: 1.22), 2019 (1.22 to 1.35 by event)",
             _interval, 2),
    Quantity("points ended by winner or ace", "%", (28, 40), (25, 37),
             MEMORY + "Grand Slam totals", _ending("winner", "ace")),
    Quantity("points ended by forced error", "%", (25, 42), (22, 40),
             MEMORY + "Grand Slam totals; forced is a judgement", _errors(True)),
    Quantity("points ended by unforced error", "%", (24, 40), (28, 46),
             MEMORY + "Grand Slam totals, double faults included", _errors(False)),
    Quantity("points at the net, a player", "%", (8, 16), (6, 14), MEMORY + "Grand Slam totals",
             _net),
    Quantity("points won at the net", "%", (58, 72), (58, 72), MEMORY + "Grand Slam totals",
             _net_won),
    Quantity("drop shots of strokes", "%", (1.0, 3.0), (1.0, 3.0),
             "analysis of Roland Garros 2025 (clay 2.3)", _drop),
    Quantity("way in a point, serving, median", "m", _around(5.2, 0.4), _around(5.2, 0.4),
             "Pereira 2017 (5.2, quartiles 6.7 apart)", _distance(True)),
    Quantity("way in a point, returning, median", "m", _around(6.2, 0.4), _around(6.2, 0.4),
             "Pereira 2017 (6.2, quartiles 7.7 apart)", _distance(False)),
    Quantity("way a stroke, both players", "m", (3.0, 5.0), (3.0, 5.0),
             "Fernandez 2006 (3); Armstrong 2024 (4.2 to 4.5 between own strokes)", _a_stroke),
    Quantity("strokes within 2.5 m of the place of readiness", "%", (70, 90), (70, 90),
             "Ferrauti & Weber 2001 (80)", _within),
    Quantity("way that is sideways", "%", (60, 85), (60, 85), "Weber 2007 (over 70)", _lateral),
    Quantity("split step at first serves, take-off after contact, median", "ms", (-25, 35),
             (-25, 35), "Navia 2022 (+5)", _take_off, 0),
    Quantity("split step at first serves, landing after contact, median", "ms", (108, 158),
             (108, 158), "Navia 2022 (+133)", _landing, 0),
    Quantity("split steps, time in the air, median", "ms", (100, 190), (100, 190),
             "Navia 2022 (128 at the serve)", _air, 0),
    Quantity("peak speed in a point, 99 of 100", "m/s", (5.0, 8.0), (4.6, 6.6),
             "match data (women 5.4 to 6.4); Whiteside & Reid 2017; limit 8", _peak_speed),
    Quantity("peak acceleration in a point, 90 of 100", "m/s2", (4.0, 8.0), (4.0, 8.0),
             MEMORY + "short sprints of good players (7)", _peak_acceleration),
)

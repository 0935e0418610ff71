"""The ball in three dimensions: from ball candidates in the picture to flights between contacts.

Steps, for each view: candidates, undistorted and court-stabilised
(:mod:`~rallymill.stages.flight.candidates`), each with the weight of its confidence
(:mod:`~rallymill.stages.flight.trust`); the best path through them
(:mod:`~rallymill.stages.flight.path`); moments at which the ball may have met something
(:mod:`~rallymill.stages.flight.contacts`); free flights between any two of them
(:mod:`~rallymill.stages.flight.hypotheses`); the cheapest reading of the path as flights that
follow each other (:mod:`~rallymill.stages.flight.grammar`), with strokes where only a stroke can
have turned the ball (:mod:`~rallymill.stages.flight.stitching`) and serves that only their toss
tells of (:mod:`~rallymill.stages.flight.unseen_serves`); the joint fit of each rally
(:mod:`~rallymill.stages.flight.rallies`, :mod:`rallymill.flightfit.rally`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import ClassVar, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pydantic import Field

from rallymill import tableio, tables
from rallymill.flightfit import rally
from rallymill.stages.base import Columns, MatchContext, StageConfig
from rallymill.stages.by_frame import ByFrame, by_view, in_pieces
from rallymill.stages.flight import (
    candidates,
    contacts,
    grammar,
    hypotheses,
    path,
    rallies,
    rows,
    trust,
)

Array = NDArray[np.float64]


class FlightConfig(StageConfig):
    """Options of the flight stage."""

    min_confidence: float = Field(0.05, description="least confidence of a ball box")
    per_frame: int = Field(6, description="most ball boxes taken in a frame")
    path: Literal["whole", "confident"] = Field(
        "whole", description="best path over a view, or the most confident box of each frame"
    )
    joint_turns: int = Field(25, ge=0, description="most turns of the joint fit; 0: single flights")
    point_sd_px: float = Field(1.0, description="standard deviation of a ball's centre, px")
    streak_sd: float = Field(0.08, description="more of it along fast flights, share of a step")
    fixed_radius_px: float = Field(3.0, description="a spot this still is no ball in play, px")
    fixed_least: int = Field(8, description="so many times within 15 s")
    walking_radius_px: float = Field(4.5, description="a walker's way is so straight, px")
    walking_px_per_s: float = Field(200.0, description="and no faster than this, px/s")
    reach_grid_s: float = Field(0.12, description="step of stroke times near a player, s")
    one_stroke_s: float = Field(0.3, description="strokes of one player closer are one, s")
    unseen_stroke_s: float = Field(
        0.9, description="longest loss of the ball over which a stroke is inferred, s; 0: none"
    )
    dead_gap_s: float = Field(3.2, description="longest loss of the ball within a rally, s")
    serve_height_m: float = Field(2.65, description="usual height of a serve's contact, m")
    out_margin_m: float = Field(0.15, description="out by so much and 3 sd: the rally is over, m")
    gate_px: float = Field(3.0, description="distance within which a box belongs to a flight, px")
    restitution: float = Field(0.78, description="usual vertical restitution of the ground")
    speed_ratio: float = Field(0.70, description="usual share of level speed kept in a bounce")


class FlightStage:
    """Free flights of the ball between its contacts."""

    name = "flight"
    version = 13
    reads: tuple[str, ...] = ("detections", "frames", "people")
    columns: ClassVar[Columns] = {
        "detections": ("frame", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence"),
        "frames": (
            "frame", "t_s", "view_id", "camera", "k1", "focal_px", "width_px", "height_px",
            "camera_covariance",
        ),
        "people": ("frame", "t_s", "role", "x1_px", "y1_px", "x2_px", "y2_px", "x_m", "y_m"),
    }
    writes = tables.ARCS
    needs_video = False
    config_class: type[StageConfig] = FlightConfig

    def model_files(self, config: FlightConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: FlightConfig
    ) -> pa.Table:
        """Arcs of all main-camera views, in time order."""
        found: list[rallies.Rally] = []
        if inputs["frames"].num_rows and inputs["detections"].num_rows:
            # By frame, so that a view's rows are found without a look at those of all others.
            detections, people = ByFrame(inputs["detections"]), ByFrame(inputs["people"])
            views = in_pieces(by_view(inputs["frames"]), detections)
            for number, frames in enumerate(views):
                span = frames["frame"][0].as_py(), frames["frame"][-1].as_py()
                found += solve_view(
                    tableio.to_pandas(frames), tableio.to_pandas(detections.within(*span)),
                    tableio.to_pandas(people.within(*span)), config,
                )
                match.progress((number + 1) / len(views))
        found.sort(key=lambda item: float(item.fit.time_s[0]))
        found = rallies.number_rallies(found, config.dead_gap_s)
        found = rallies.without_lone_strokes(found)
        return tableio.from_rows(tables.ARCS, rows.arc_rows(match.match_id, found))


def solve_view(
    frames: pd.DataFrame, detections: pd.DataFrame, people: pd.DataFrame, config: FlightConfig
) -> list[rallies.Rally]:
    """Fitted rallies of one view, from its rows of the three tables in order of frames."""
    view = candidates.picture(frames)
    if len(view.frame) < 5 or not np.isfinite(view.matrix[:, 0, 0]).any():
        return []
    balls = candidates.gather(
        detections, view, config.min_confidence, config.per_frame
    )
    scale = view.width_px / 1280
    still = candidates.fixed(balls, config.fixed_radius_px * scale, config.fixed_least)
    balls = balls.take(~still)
    walkers = candidates.walking(
        balls, config.walking_radius_px * scale, config.walking_px_per_s * scale
    )
    balls = balls.take(~walkers)
    who = contacts.players(people)
    if config.path == "whole":
        chosen, chain = path.best_path(
            balls, view.t_s, trust.gain(balls.confidence), path.PathCosts(), scale
        )
    else:
        chosen, chain = path.most_confident(balls)
    options = rallies.FitOptions(
        config.serve_height_m, config.point_sd_px * scale, config.streak_sd,
        config.gate_px * scale, config.out_margin_m,
        rally.BouncePrior(restitution=config.restitution, speed_ratio=config.speed_ratio),
        config.joint_turns,
    )
    found = []
    whole = balls.take(chosen)
    for part in _stretches(whole.t_s, config.dead_gap_s):
        stretch = whole.take(part)
        sigma = contacts.point_sigma(
            stretch, view.period_s, options.floor_px, options.streak
        ) * trust.looseness(stretch.confidence)
        moments = contacts.find(stretch, sigma, view, who, config.reach_grid_s, chain[part])
        single = hypotheses.flights(stretch, view.matrix[stretch.slot], sigma, moments, who,
                                    view.period_s, serve_height_m=config.serve_height_m)
        unread = grammar.unread_costs(
            stretch, view.matrix[stretch.slot]
        ) * trust.worth(stretch.confidence)
        readings = grammar.read(single, moments, unread)
        for reading in grammar.merge(
            readings, moments, config.one_stroke_s, config.unseen_stroke_s
        ):
            found += rallies.fit_reading(reading, moments, stretch, sigma, balls, view, who,
                                         options)
    return found


def _stretches(t_s: Array, gap_s: float) -> Iterator[NDArray[np.int64]]:
    """Indices of the parts of a path between long losses of the ball."""
    breaks = np.flatnonzero(np.diff(t_s) > gap_s) + 1
    for part in np.split(np.arange(len(t_s)), breaks):
        if len(part) >= 6:
            yield part


STAGE = FlightStage()

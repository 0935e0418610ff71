"""What a coach would draw at the moment of a contact: passing lines, bisector, the open space.

All in metres of the court frame, by the geometry of :mod:`rallymill.tactics`. A moment shows how
the player who waits stands to what may come; what could not be measured is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court, tactics
from rallymill.report.words import is_missing

Array = NDArray[np.float64]
Place = tuple[float, float]

MOVER = tactics.Mover()
CELL_M = 0.25
FINER = 6
"""Parts into which a cell is cut for the outline of the open space."""
LEAST_AREA_M2 = 0.4
"""An open patch smaller than this is left out: the figures are not that sure."""
BEYOND_M = 1.2
"""How far beyond the baseline the lines are drawn where the player who waits stands inside it."""
GROUND_SHARE = 0.85
"""Ground speed over the flight as a share of the speed at contact, where no bounce was measured;
that of drag over a baseline stroke, as the open court share has it."""


@dataclass(frozen=True)
class Moment:
    """The moment of a contact, seen by the player who waits.

    ``passing`` are the two outermost ways (start and end), ``bisector`` halves their angle up to
    the depth of the player who waits, ``best`` is its end there and ``off_m`` how far across from
    it the player stands, positive to the right in the picture. ``open_m`` are outlines (N, 2) of
    the ground that the player could not reach in time; None where it could not be worked out.
    ``spare_s`` is the time that the player had left for the ball that was played, negative if none.
    """

    shot_id: int
    contact: Place
    waits: Place
    passing: tuple[tuple[Place, Place], tuple[Place, Place]]
    bisector: tuple[Place, Place]
    best: Place
    off_m: float
    open_m: tuple[Array, ...] | None
    open_share: float | None
    spare_s: float | None


def _place(shot: Mapping[str, Any], prefix: str) -> Place | None:
    x, y = shot.get(f"{prefix}_x_m"), shot.get(f"{prefix}_y_m")
    return None if is_missing(x) or is_missing(y) else (float(x), float(y))  # type: ignore[arg-type]


def _velocity(shot: Mapping[str, Any]) -> Place:
    vx, vy = shot.get("opponent_vx_mps"), shot.get("opponent_vy_mps")
    if is_missing(vx) or is_missing(vy):
        return (0.0, 0.0)
    return (float(vx), float(vy))  # type: ignore[arg-type]


def threat_of(shot: Mapping[str, Any]) -> tactics.Threat | None:
    """The stroke as a threat to the player who waits; None where place or pace is not known."""
    contact, waits = _place(shot, "contact"), _place(shot, "opponent")
    if contact is None or waits is None:
        return None
    bounce, flight_s = _place(shot, "bounce"), shot.get("flight_time_s")
    if bounce and not is_missing(flight_s) and float(flight_s) > 0.1:  # type: ignore[arg-type]
        run = np.hypot(bounce[0] - contact[0], bounce[1] - contact[1])
        ground = float(run / float(flight_s))  # type: ignore[arg-type]
    elif not is_missing(shot.get("speed_mps")):
        ground = GROUND_SHARE * float(shot["speed_mps"])
    else:
        return None
    height = shot.get("contact_z_m")
    return tactics.Threat(
        contact, ground, waits, _velocity(shot),
        1.0 if is_missing(height) else float(height),  # type: ignore[arg-type]
    )


def service_box_x_m(contact: Place) -> tuple[float, float]:
    """Edges across of the box that a serve has to find, left and right in the picture."""
    half = court.serve_side(*contact)
    far = contact[1] < 0
    left = (half == "deuce") == far
    return (-court.HALF_SINGLES_M, 0.0) if left else (0.0, court.HALF_SINGLES_M)


def outermost(shot: Mapping[str, Any], contact: Place) -> tuple[Place, Place]:
    """Ground points through which the outermost balls pass, left and right in the picture.

    For a serve, the corners of its box at the service line (common practice, no source).
    """
    if shot.get("stroke") != "serve":
        return tactics.extremes(*contact)
    toward = 1.0 if contact[1] < 0 else -1.0
    left, right = service_box_x_m(contact)
    depth = toward * court.SERVICE_LINE_M
    return (left, depth), (right, depth)


def build(shot: Mapping[str, Any]) -> Moment | None:
    """The moment of a stroke's contact; None where contact or the player who waits is unknown."""
    contact, waits = _place(shot, "contact"), _place(shot, "opponent")
    if contact is None or waits is None or contact[1] * waits[1] >= 0:
        return None
    toward = 1.0 if contact[1] < 0 else -1.0
    ends = outermost(shot, contact)
    deep = max(toward * waits[1], court.HALF_LENGTH_M + BEYOND_M) * toward
    lines = tuple((contact, _through(contact, end, deep)) for end in ends)
    best = (court.bisector_x_m(*contact, *ends, waits[1]), waits[1])
    threat = threat_of(shot)
    outlines, share, spare = None, None, None
    if threat is not None:
        # How a returner reads a serve is not in the model of the run, so it would say too much.
        if shot.get("stroke") != "serve":
            outlines, share = open_space(threat)
        bounce = _place(shot, "bounce")
        if bounce and shot.get("stroke") != "serve":
            spare = float(tactics.spare_time_s(threat, [bounce], MOVER)[0])
    return Moment(
        int(shot["shot_id"]), contact, waits, (lines[0], lines[1]), (contact, best), best,
        waits[0] - best[0], outlines, share, spare,
    )


def _through(start: Place, point: Place, y_m: float) -> Place:
    """Where the line from ``start`` through a point meets a depth."""
    share = (y_m - start[1]) / (point[1] - start[1])
    return (start[0] + share * (point[0] - start[0]), y_m)


def open_space(threat: tactics.Threat) -> tuple[tuple[Array, ...], float]:
    """Outlines (N, 2) of the ground out of reach in time, and its share of what could be played.

    What counts is the singles court from the least depth into which a ball of this pace can be
    brought.
    """
    toward = 1.0 if threat.contact_m[1] < 0 else -1.0
    low, high = -court.HALF_SINGLES_M, court.HALF_SINGLES_M
    near, far = tactics.least_depth_m(threat), court.HALF_LENGTH_M
    x = np.linspace(low, high, max(round((high - low) / CELL_M), 2) + 1)
    depth = np.linspace(near, far, max(round((far - near) / CELL_M), 2) + 1)
    grid = np.stack(np.meshgrid(x, toward * depth), -1)
    spare = tactics.spare_time_s(threat, grid.reshape(-1, 2), MOVER).reshape(grid.shape[:2])
    return _outlines(spare, x, depth, toward), float(np.mean(spare < 0))


def _outlines(spare: Array, x: Array, depth: Array, toward: float) -> tuple[Array, ...]:
    """Outlines of the cells with no time left; the grid is refined to get smooth ones."""
    shape = ((len(x) - 1) * FINER + 1, (len(depth) - 1) * FINER + 1)
    columns = np.interp(np.arange(shape[0]) / FINER, np.arange(len(x)), x)
    rows = np.interp(np.arange(shape[1]) / FINER, np.arange(len(depth)), depth)
    at = np.meshgrid(np.arange(shape[0]) / FINER, np.arange(shape[1]) / FINER)
    fine = cv2.remap(
        spare.astype(np.float32), at[0].astype(np.float32), at[1].astype(np.float32),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
    )
    # The few meeting points that are tried leave steps in the grid that are none of the game's.
    fine = cv2.GaussianBlur(fine, (0, 0), FINER, borderType=cv2.BORDER_REPLICATE)
    mask = np.pad((fine < 0).astype(np.uint8), 1)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cell = (columns[1] - columns[0]) * (rows[1] - rows[0])
    outlines = []
    for outline in found:
        if cv2.contourArea(outline) * cell < LEAST_AREA_M2:
            continue
        corners = cv2.approxPolyDP(outline, 1.0, closed=True).reshape(-1, 2) - 1
        if len(corners) > 2:
            outlines.append(
                np.column_stack([columns[corners[:, 0]], toward * rows[corners[:, 1]]])
            )
    return tuple(outlines)


def words_of(moment: Moment) -> list[str]:
    """What a moment shows, in words."""
    said = []
    off = abs(moment.off_m)
    if off < 0.25:
        said.append("the player who waits stands on the bisector")
    else:
        side = "right" if moment.off_m > 0 else "left"
        said.append(f"the player who waits stands {off:.1f} m to the {side} of the bisector")
    if moment.spare_s is not None:
        if moment.spare_s < 0:
            said.append(f"the ball was out of reach by {-moment.spare_s:.1f} s")
        else:
            said.append(f"{moment.spare_s:.1f} s to spare for the ball")
    if moment.open_share is not None:
        said.append(f"{100 * moment.open_share:.0f} % of what could be played was out of reach")
    return said

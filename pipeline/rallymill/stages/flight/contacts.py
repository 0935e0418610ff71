"""Moments at which the ball may have met something, and what it can have met there.

Two sources: cuts of the image path (a bounce, a stroke, the net all bend it), and a coarse grid of
times while the ball is within a player's reach in the picture. The second is needed because a
stroke at the far end, seen from behind the near one, can leave the path in the picture smooth: the
reversal is along the line of sight and shows only in how the picture moves afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill import court
from rallymill.flightfit import segments
from rallymill.stages.flight.candidates import Candidates, Picture

Array = NDArray[np.float64]

(
    HIT_NEAR, HIT_FAR, SERVE_NEAR, SERVE_FAR, BOUNCE, NET, LOST, HAND_NEAR, HAND_FAR, OUT_NEAR,
    OUT_FAR, OUT_LEFT, OUT_RIGHT,
) = KINDS = range(13)
HITS = (HIT_NEAR, HIT_FAR, SERVE_NEAR, SERVE_FAR)
NEAR_HITS = (HIT_NEAR, SERVE_NEAR)
SERVES = (SERVE_NEAR, SERVE_FAR)
HANDS = (HAND_NEAR, HAND_FAR)
"""The hand from which a ball is bounced or tossed."""
OUTS = (OUT_NEAR, OUT_FAR, OUT_LEFT, OUT_RIGHT)
"""Fences and what stands before them."""
NEAR_KINDS = (HIT_NEAR, SERVE_NEAR, HAND_NEAR)
KIND_NAMES = (
    "hit", "hit", "hit", "hit", "bounce", "net", "lost", "hand", "hand", *["out_of_play"] * 4
)
RUN_BACK_M = court.HALF_LENGTH_M + 6.4
SIDE_RUN_M = court.HALF_DOUBLES_M + 3.66
"""Where fences stand on courts for international play (ITF Technical Booklet 2015, table 5)."""
SIDE_ROLES = ("near", "far")
MOST_HIDDEN_S = 0.13
"""A served ball is not seen for so long before or after it is met at most."""
LONG_GAP = 4.5
"""Periods without a point after which the ball may have been lost."""
FREE = np.inf


@dataclass(frozen=True)
class Player:
    """A player's feet (N, 2) in metres and boxes (N, 4) in undistorted pixels over time."""

    t_s: Array
    feet_m: Array
    box_px: Array

    def at(self, t_s: float, most_s: float = 0.6) -> tuple[Array, Array] | None:
        """Feet and box at a time, None if no observation is within ``most_s``."""
        if not len(self.t_s):
            return None
        after = int(np.searchsorted(self.t_s, t_s))
        nearest = min(abs(self.t_s[max(after - 1, 0)] - t_s),
                      abs(self.t_s[min(after, len(self.t_s) - 1)] - t_s))
        if nearest > most_s:
            return None
        low, high = max(after - 1, 0), min(after, len(self.t_s) - 1)
        span = self.t_s[high] - self.t_s[low]
        share = 0.0 if span <= 0 else float(np.clip((t_s - self.t_s[low]) / span, 0, 1))
        feet = self.feet_m[low] * (1 - share) + self.feet_m[high] * share
        box = self.box_px[low] * (1 - share) + self.box_px[high] * share
        return feet, box


def players(people: pd.DataFrame) -> dict[str, Player]:
    """The near and the far player of a data frame with the columns of the ``people`` table."""
    found = {}
    for role in SIDE_ROLES:
        rows = people[people["role"] == role]
        rows = rows[rows[["x_m", "y_m"]].notna().all(axis=1)].sort_values("t_s")
        box = rows[["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy(dtype=float)
        found[role] = Player(
            rows["t_s"].to_numpy(dtype=float), rows[["x_m", "y_m"]].to_numpy(dtype=float), box
        )
    return found


@dataclass(frozen=True)
class Contacts:
    """Possible contacts in time order.

    ``index`` is that of the first path point at or after each; ``kinds`` the kinds possible there;
    ``kink`` tells cuts of the path from grid times; ``image_px`` (K, 2) where the ball is then,
    ``matrix`` (K, 3, 4) the camera and ``slack_s`` (K,) how far off the time may be;
    ``rough`` times are not those of a cut itself.
    """

    t_s: Array
    index: NDArray[np.int64]
    image_px: Array
    matrix: Array
    kink: NDArray[np.bool_]
    slack_s: Array
    rough: NDArray[np.bool_]
    kinds: tuple[tuple[int, ...], ...]

    def __len__(self) -> int:
        """Number of contacts."""
        return len(self.t_s)


def point_sigma(path: Candidates, period_s: float, floor_px: float, streak: float) -> Array:
    """Standard deviations (N,) of path points: a floor, and a share of the streak of fast ones."""
    if len(path) < 2:
        return np.full(len(path), floor_px)
    speed = np.linalg.norm(np.diff(path.steady_px, axis=0), axis=1) / np.diff(path.t_s)
    # The slower neighbour, so that one wild point does not excuse itself.
    slower = np.minimum(np.append(speed, np.inf), np.insert(speed, 0, np.inf))
    return np.hypot(floor_px, streak * slower * period_s)


def ground_point(matrix: Array, image_px: Array, height_m: float = court.BALL_RADIUS_M) -> Array:
    """Place (2,) at a height that a camera sees at an image point (2,)."""
    plane = np.column_stack([
        matrix[:, 0], matrix[:, 1], matrix[:, 2] * height_m + matrix[:, 3]
    ])
    h = np.linalg.solve(plane, np.append(image_px, 1.0))
    if h[2] <= 0:
        return np.full(2, np.nan)
    place: Array = h[:2] / h[2]
    return place


def upright_point(matrix: Array, image_px: Array, axis: int = 1, at_m: float = 0.0) -> Array:
    """Place (other level axis, z) that a camera sees at an image point (2,) in an upright plane.

    The plane is x = ``at_m`` for axis 0, y = ``at_m`` for axis 1; without more, that of the net.
    """
    plane = np.column_stack([
        matrix[:, 1 - axis], matrix[:, 2], matrix[:, axis] * at_m + matrix[:, 3]
    ])
    h = np.linalg.solve(plane, np.append(image_px, 1.0))
    if h[2] <= 0:
        return np.full(2, np.nan)
    place: Array = h[:2] / h[2]
    return place


def _at_net(matrix: Array, image_px: Array, margin_m: float = 0.0) -> bool:
    """Whether the net is seen at an image point, give or take a margin above it."""
    x, z = upright_point(matrix, image_px)
    return bool(
        np.isfinite(x) and abs(x) < court.DOUBLES_POST_X_M
        and -0.1 < z < court.NET_POST_M + margin_m
    )


def within_reach(box_px: Array, image_px: Array) -> bool:
    """Whether an image point can be struck by a player with this box: arm and racket added."""
    height = box_px[3] - box_px[1]
    across = 0.9 * height
    return bool(
        box_px[0] - across <= image_px[0] <= box_px[2] + across
        and box_px[1] - 0.9 * height <= image_px[1] <= box_px[3] + 0.25 * height
    )


def _kinds(
    t_s: float, image_px: Array, matrix: Array, kink: bool, loose: bool,
    who: dict[str, Player],
) -> tuple[int, ...]:
    kinds: list[int] = []
    for role, hit, serve, hand in (
        ("near", HIT_NEAR, SERVE_NEAR, HAND_NEAR), ("far", HIT_FAR, SERVE_FAR, HAND_FAR)
    ):
        found = who[role].at(t_s)
        if found is None:
            if kink:
                kinds.append(hit)
            continue
        feet, box = found
        if within_reach(box, image_px):
            kinds.append(hit)
            if abs(feet[1]) > court.HALF_LENGTH_M - 1.0:
                kinds.extend((serve, hand) if kink else (hand,))
    if kink:
        x, y = ground_point(matrix, image_px)
        if np.isfinite(x) and abs(x) < 10.0 and abs(y) < 25.0:
            kinds.append(BOUNCE)
    if _at_net(matrix, image_px, 0.3 if kink else 0.0):
        kinds.append(NET)
    for out, axis, at_m, most in (
        (OUT_NEAR, 1, -RUN_BACK_M, SIDE_RUN_M), (OUT_FAR, 1, RUN_BACK_M, SIDE_RUN_M),
        (OUT_LEFT, 0, -SIDE_RUN_M, RUN_BACK_M), (OUT_RIGHT, 0, SIDE_RUN_M, RUN_BACK_M),
    ):
        if not kink and out != OUT_FAR:
            # The fence behind the far player can stop a ball without a cut to be seen.
            continue
        along, z = upright_point(matrix, image_px, axis, at_m)
        if np.isfinite(z) and abs(along) < most and -0.3 < z < 4.0:
            kinds.append(out)
    if loose:
        kinds.append(LOST)
    return tuple(kinds)


def find(
    path: Candidates, sigma_px: Array, view: Picture, who: dict[str, Player], grid_s: float,
    chain: NDArray[np.int64],
) -> Contacts:
    """Possible contacts along a path, its two ends included (as lost, or what fits there).

    ``chain`` (N,) tells which points the search for the path held together: the ball may be lost
    or found where one chain gives way to another, or after a gap.
    """
    period = view.period_s
    broken = (np.diff(chain) != 0) | (np.diff(path.t_s) > LONG_GAP * period)
    breaks_s = np.concatenate([
        path.t_s[[0, -1]], path.t_s[:-1][broken], path.t_s[1:][broken]
    ])
    starts = segments.cuts(path.t_s, path.steady_px, sigma_px)
    met_s, met_px = segments.meetings(path.t_s, path.steady_px, starts, view.period_s)
    half = view.period_s / 2
    times = np.concatenate([[path.t_s[0] - half], met_s, [path.t_s[-1] + half]])
    steady = np.concatenate([path.steady_px[:1], met_px, path.steady_px[-1:]])
    kink = np.ones(len(times), dtype=bool)
    grid = []
    for t_s in np.arange(path.t_s[0], path.t_s[-1], grid_s):
        if np.abs(times - t_s).min() < 0.6 * grid_s:
            continue
        place = _steady_at(t_s, path)
        image, matrix = in_picture(t_s, place, view)
        if _at_net(matrix, image):
            grid.append((t_s, place))
            continue
        for role in SIDE_ROLES:
            found = who[role].at(t_s, 0.3)
            if found is not None and within_reach(found[1], image):
                grid.append((t_s, place))
                break
    served = _serve_times(times, path, view, who)
    low = _low_kinks(times, steady, view, who) + served
    gaps = np.diff(path.t_s) > LONG_GAP * period
    lost = [
        (float(t_s), _steady_at(float(t_s), path))
        for t_s in (*(path.t_s[:-1][gaps] + half), *(path.t_s[1:][gaps] - half))
    ]
    grid += [(t_s, _steady_at(t_s, path)) for t_s in low] + lost
    times = np.concatenate([times, [t_s for t_s, _ in grid]])
    steady = np.concatenate([steady, *[place[None] for _, place in grid]])
    kink = np.concatenate([kink, np.zeros(len(grid) - len(low) - len(lost), dtype=bool),
                           np.ones(len(low), dtype=bool), np.zeros(len(lost), dtype=bool)])
    losing = np.arange(len(times)) >= len(times) - len(lost)
    order = np.argsort(times, kind="stable")
    kept: list[int] = []
    images, matrices = [], []
    kinds: list[tuple[int, ...]] = []
    for k in order:
        if kept and times[k] - times[kept[-1]] < 0.2 * view.period_s:
            if losing[k] and LOST not in kinds[-1]:
                kinds[-1] = (*kinds[-1], LOST)
            continue
        image, matrix = in_picture(float(times[k]), steady[k], view)
        kept.append(int(k))
        images.append(image)
        matrices.append(matrix)
        loose = bool(
            losing[k] or (kink[k] and np.abs(breaks_s - times[k]).min() <= 2.5 * period))
        able = _kinds(float(times[k]), image, matrix, bool(kink[k]), loose, who)
        if times[k] in served and not losing[k]:
            able = tuple(kind for kind in able if kind in SERVES)
        kinds.append(able)
    times, kink = times[kept], kink[kept]
    index = np.searchsorted(path.t_s, times).astype(np.int64)
    inner = np.clip(index, 1, len(path) - 1)
    slack = 0.5 * np.maximum(path.t_s[inner] - path.t_s[inner - 1], period)
    rough = ~kink | np.isin(times, low)
    slack = np.where(rough, np.maximum(slack, grid_s / 3), slack)
    return Contacts(
        times, index, np.array(images), np.array(matrices), kink, np.minimum(slack, 0.08), rough,
        tuple(kinds),
    )


def _low_kinks(times: Array, steady: Array, view: Picture, who: dict[str, Player]) -> list[float]:
    """Times just before and after cuts near a player's feet: one may be a bounce and a stroke.

    A half-volley is struck so soon after the bounce that few points lie between the two.
    """
    found: list[float] = []
    for k in range(len(times)):
        apart = np.abs(times - times[k])
        if (apart[apart > 0] < 0.12).any():
            continue
        image, matrix = in_picture(float(times[k]), steady[k], view)
        place = ground_point(matrix, image)
        for role in SIDE_ROLES:
            known = who[role].at(float(times[k]), 0.3)
            if known is not None and np.abs(place - known[0]).max() < 3.0:
                found += [float(times[k]) - 0.07, float(times[k]) + 0.07]
                break
    return found


def _serve_times(times: Array, path: Candidates, view: Picture, who: dict[str, Player]
                 ) -> list[float]:
    """Times between the last point before and the first after a cut that may be a serve.

    A served ball flies a metre and more from one frame to the next, and where racket and body hide
    it for some frames the cut does not tell well when it was struck.
    """
    found: list[float] = []
    for t_s in times:
        image, _ = in_picture(float(t_s), _steady_at(float(t_s), path), view)
        for role in SIDE_ROLES:
            known = who[role].at(float(t_s), 0.3)
            if known is None or not _may_serve(*known, image):
                continue
            after = int(np.clip(np.searchsorted(path.t_s, t_s), 1, len(path) - 1))
            low, high = path.t_s[max(after - 2, 0)], path.t_s[min(after + 1, len(path) - 1)]
            low, high = max(low, t_s - MOST_HIDDEN_S), min(high, t_s + MOST_HIDDEN_S)
            near = path.t_s[max(after - 3, 0) : after + 3]
            if np.diff(near).max() < 1.5 * view.period_s:
                continue  # nothing is hidden
            found += [
                float(time) for time in np.arange(low, high, max(0.75 * view.period_s, 0.025))
                if np.abs(times - time).min() > 0.4 * view.period_s
            ]
            break
    return found


def _may_serve(feet_m: Array, box_px: Array, image_px: Array) -> bool:
    """Whether an image point lies over a player at the baseline, where serves are met."""
    tall = box_px[3] - box_px[1]
    behind = abs(feet_m[1]) > court.HALF_LENGTH_M - 1.0
    return bool(
        behind and box_px[0] - 0.5 * tall <= image_px[0] <= box_px[2] + 0.5 * tall
        and box_px[1] - 0.9 * tall <= image_px[1] <= box_px[1] + 0.2 * tall
    )


def _steady_at(t_s: float, path: Candidates) -> Array:
    """Stabilised place of the ball, interpolated between path points."""
    return np.array([np.interp(t_s, path.t_s, path.steady_px[:, axis]) for axis in range(2)])


def in_picture(t_s: float, steady_px: Array, view: Picture) -> tuple[Array, Array]:
    """Image point of a stabilised one in the frame nearest to a time, and that frame's camera."""
    slot = view.nearest(t_s)
    reference = view.ground[view.known[len(view.known) // 2]]
    h = view.ground[slot] @ np.linalg.solve(reference, np.append(steady_px, 1.0))
    return h[:2] / h[2], view.matrix[slot]

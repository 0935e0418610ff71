"""How wide the paint is and whether the net hangs from singles sticks, seen in a picture.

The rules give the outer edges of the lines and allow widths of 2.5 to 5 cm (baselines to 10 cm), so
the middle of a baseline may be 2.5 cm from where it is usual: more than a pixel for a near camera.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera
from rallymill.courtfit import look, model, profile
from rallymill.courtfit.model import Paint

Array = NDArray[np.float64]
Picture = NDArray[Any]

WIDTHS_M = {"baseline": np.arange(0.04, 0.1301, 0.01), "line": np.arange(0.03, 0.0701, 0.005)}
"""Widths tried."""
WIDTH_SD_PX = {"baseline": 0.18, "line": 0.10}
"""Standard deviations of widths that are seen clearly, as rendered films have them."""
TRANSFER = 2.0
"""Power by which grey levels become light: blurred edges are even in light, not in grey levels."""
BLURS_PX = (0.6, 0.85, 1.1, 1.4, 1.8)
LEAST_HALF_PX = {"baseline": 1.0, "line": 1.6}
"""Half widths in the picture below which paint does not show its width. Other lines are thin, and
a wrong width of theirs moves their middles less than a wrong reading would."""
LEAST_PLACES = 12


def estimate(white: Picture, camera: Camera, paint: Paint, net_m: float) -> Paint:
    """Paint as seen by a camera that is nearly right; what is not seen clearly stays as it was."""
    light = (255.0 * (np.arange(256) / 255.0) ** TRANSFER)[white]
    at = look.expected(camera, paint, 0.25, net=False)
    names = model.line_points(paint, 0.25).names
    is_base = np.isin(at.number, [i for i, name in enumerate(names) if "baseline" in name])
    baseline = _width(light, camera, at.take(is_base), "baseline", paint.baseline_width_m)
    line = _width(light, camera, at.take(~is_base), "line", paint.line_width_m)
    found = paint
    if baseline is not None:
        found = replace(found, baseline_width_m=baseline[0], baseline_sd_m=baseline[1])
    if line is not None:
        found = replace(found, line_width_m=line[0], line_sd_m=line[1])
    return replace(
        found, blur_px=_blur(white, camera, at), sticks=_has_sticks(white, camera, paint, net_m)
    )


def _blur(white: Picture, camera: Camera, at: look.Expected) -> float:
    """Blur (px) of the edges that explains the profiles best."""
    at = at.take(at.inside(camera, 8.0))
    costs = []
    for blur in BLURS_PX:
        errors = profile.misfit(white, at.centre_px, at.normal, at.half_px, at.half_px, blur)
        seen = errors[np.isfinite(errors)]
        costs.append(float(np.median(seen)) if len(seen) >= LEAST_PLACES else np.inf)
    best = int(np.argmin(costs))
    return BLURS_PX[best] if np.isfinite(costs[best]) else profile.BLUR_PX


def _width(
    light: Picture, camera: Camera, at: look.Expected, kind: str, usual_m: float
) -> tuple[float, float] | None:
    """Width (m) that explains the profiles best and its deviation, None where it cannot be told."""
    widths_m = WIDTHS_M[kind]
    at = at.take(
        (at.half_px > LEAST_HALF_PX[kind])
        & at.inside(camera, 8.0 + float(at.half_px.max(initial=0.0)))
    )
    if len(at.number) < LEAST_PLACES:
        return None
    widest = at.half_px * widths_m[-1] / usual_m
    costs = np.full((len(BLURS_PX), len(widths_m)), np.inf)
    for row, blur in enumerate(BLURS_PX):
        for column, width in enumerate(widths_m):
            errors = profile.misfit(
                light, at.centre_px, at.normal, at.half_px * width / usual_m, widest, blur
            )
            seen = errors[np.isfinite(errors)]
            if len(seen) >= LEAST_PLACES and len(seen) > 0.5 * len(errors):
                costs[row, column] = float(np.median(seen))
    best = np.unravel_index(int(np.argmin(costs)), costs.shape)
    row, column = int(best[0]), int(best[1])
    if not np.isfinite(costs[row, column]):
        return None
    width = float(widths_m[column])
    if 0 < column < len(widths_m) - 1:
        low, mid, high = costs[row, column - 1:column + 2]
        bend = low - 2 * mid + high
        if np.isfinite(bend) and bend > 0:
            width += float(0.5 * (low - high) / bend * (widths_m[1] - widths_m[0]))
    per_metre = float(np.median(2 * at.half_px / usual_m))
    return width, WIDTH_SD_PX[kind] / per_metre


def _has_sticks(white: Picture, camera: Camera, paint: Paint, net_m: float) -> bool:
    """Whether the net's top rises to singles sticks rather than to the doubles posts."""
    plain = replace(paint, sticks=False)
    at = look.expected(camera, plain, 1.0, net=True, net_m=net_m)
    at = at.take(at.net)
    at = at.take(at.inside(camera, 4.0))
    seen = at.measure(white, 4.0)
    found = seen.found
    if found.sum() < LEAST_PLACES:
        return paint.sticks
    scale = camera.pixels_per_metre(at.points_m[found])
    # Normals of the band point down or up; the rise is upwards.
    rise_m = -seen.offset_px[found] * np.sign(at.normal[found, 1]) / scale
    x = np.abs(at.points_m[found, 0])
    slope, offset = np.polyfit(x, rise_m, 1)
    rest = rise_m - slope * x - offset
    sd = 1.4826 * float(np.median(np.abs(rest))) / max(float(np.std(x)) * np.sqrt(len(x)), 1e-9)
    expected = (court.NET_POST_M - court.NET_CENTRE_M) * (
        1 / court.SINGLES_POST_X_M - 1 / court.DOUBLES_POST_X_M
    )
    if sd > 0.3 * expected:
        return paint.sticks
    return bool(slope > 0.5 * expected)

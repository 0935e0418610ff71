"""Court pictures with a known camera, drawn from polygons: no outside renderer is needed.

They are made to be awkward rather than pretty: other colours, faded and shaded lines, a net, stands
with texture, boards with bright edges, people-like blobs, noise and compression.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera

Picture = NDArray[np.uint8]
GROUNDS = {
    "hard": ((150, 95, 60), (90, 110, 60)),
    "clay": ((70, 105, 185), (65, 98, 172)),
    "grass": ((70, 140, 95), (60, 125, 85)),
    "hard_plain": ((120, 110, 70), (120, 110, 70)),
}


@dataclass(frozen=True)
class Scene:
    """How a court picture looks."""

    ground: str = "hard"
    line: float = 235.0
    opacity: float = 0.95
    noise: float = 3.0
    blur_px: float = 0.6
    shadow: bool = False
    doubles: bool = True
    net: bool = True
    people: int = 2
    boards: bool = True
    stands: bool = True
    quality: int = 85
    seed: int = 0


def broadcast_camera(rng: np.random.Generator, width: int = 1280, height: int = 720) -> Camera:
    """A main camera high behind the court, framed so that the whole court is seen."""
    centre = np.array([rng.uniform(-1.5, 1.5), -rng.uniform(24, 40), rng.uniform(7, 16)])
    return framed(rng, centre, width, height, rng.uniform(0.6, 0.8))


def tripod_camera(rng: np.random.Generator, width: int = 1280, height: int = 720) -> Camera:
    """A club tripod or fence mount, low behind the near baseline, near corners cut."""
    x, behind, height_m = rng.uniform(-2.0, 2.0), rng.uniform(4.5, 9.0), rng.uniform(2.2, 4.5)
    centre = np.array([x, -court.HALF_LENGTH_M - behind, height_m])
    return framed(rng, centre, width, height, rng.uniform(0.85, 1.15), tilt_share=0.62)


def framed(
    rng: np.random.Generator,
    centre: NDArray[np.float64],
    width: int,
    height: int,
    share: float,
    tilt_share: float = 0.5,
) -> Camera:
    """Camera at a place whose near baseline (or its like) takes ``share`` of the width."""
    target = np.array([rng.uniform(-0.7, 0.7), -2.0 + rng.uniform(-1.5, 1.5), 0.0])
    depth = abs(centre[1]) - court.HALF_LENGTH_M
    slant = np.hypot(depth, centre[2])
    focal = share * width * slant / court.DOUBLES_WIDTH_M
    camera = Camera.looking_at(
        centre, target, focal, width, height, roll_rad=rng.normal(0, 0.006),
        k1=float(rng.uniform(-0.06, 0.0)) if tilt_share > 0.5 else 0.0,
    )
    points = camera.project([[0, -court.HALF_LENGTH_M, 0], [0, court.HALF_LENGTH_M, 0]])
    middle = points[:, 1].mean()
    shift = (middle - tilt_share * height) / focal
    turn = cv2.Rodrigues(np.array([shift, 0.0, 0.0]))[0]
    rotation = turn @ camera.rotation
    return Camera(
        focal, rotation, centre, width, height, camera.principal_px, camera.k1
    )


def _outline(camera: Camera, corners: NDArray[np.float64], steps: int = 24) -> NDArray[np.float64]:
    """Image outline of a polygon in the court frame, cut at a plane before the camera."""
    closed = np.vstack([corners, corners[:1]])
    shares = np.linspace(0, 1, steps, endpoint=False)[:, None]
    points = np.vstack(
        [a + shares * (b - a) for a, b in pairwise(closed)]
    )
    depth = camera.depth_m(points)
    return camera.project(points[depth > 0.8])


def _fill(
    canvas: NDArray[np.float32], outline: NDArray[np.float64], colour: object, opacity: float = 1.0
) -> None:
    """Blend a polygon into a picture with true edges (sub-pixel, antialiased by area)."""
    if len(outline) < 3 or not np.isfinite(outline).all():
        return
    height, width = canvas.shape[:2]
    low = np.clip(np.floor(outline.min(0)) - 1, 0, [width, height]).astype(int)
    high = np.clip(np.ceil(outline.max(0)) + 2, 0, [width, height]).astype(int)
    if (high <= low).any():
        return
    factor = 8 if (high - low).prod() < 400_000 else 4
    size = (high - low) * factor
    mask = np.zeros((size[1], size[0]), np.uint8)
    local = np.clip((outline - low + 0.5) * factor - 0.5, -20_000, 20_000)
    cv2.fillPoly(mask, [np.round(local * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    cover = cv2.resize(mask, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    share = (cover.astype(np.float32) * (opacity / 255))[..., None]
    part = canvas[low[1]:high[1], low[0]:high[0]]
    part += share * (np.asarray(colour, np.float32) - part)


def draw(camera: Camera, scene: Scene) -> Picture:
    """Draw a court as the camera sees it: (H, W, 3) uint8 BGR."""
    rng = np.random.default_rng(scene.seed)
    width, height = camera.width_px, camera.height_px
    inner, outer = (np.array(c, np.float32) for c in GROUNDS[scene.ground])
    canvas = np.empty((height, width, 3), np.float32)
    canvas[:] = (40, 45, 40)
    if scene.stands:
        cells = rng.uniform(20, 190, (height // 6 + 1, width // 6 + 1, 3)).astype(np.float32)
        canvas[:] = cv2.resize(cells, (width, height), interpolation=cv2.INTER_NEAREST)
    canvas[_is_ground(camera)] = outer
    if scene.boards:
        wall = np.array([[-16, 18.5, 0], [16, 18.5, 0], [16, 18.5, 1.2], [-16, 18.5, 1.2]], float)
        _fill(canvas, _outline(camera, wall), (90, 50, 30))
        for x in np.arange(-14, 14, 5.0):
            board = np.array(
                [[x, 18.4, 0.3], [x + 3.6, 18.4, 0.3], [x + 3.6, 18.4, 0.9], [x, 18.4, 0.9]]
            )
            _fill(canvas, _outline(camera, board), (230, 230, 230))
            _fill(canvas, _outline(camera, board + [0, 0, -0.0]) * 1.0, (60, 60, 170), 0.6)
    x, y = court.HALF_DOUBLES_M, court.HALF_LENGTH_M
    _fill(canvas, _outline(camera, np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0.0]])),
          inner)
    for line in court.lines(doubles=scene.doubles):
        _fill(canvas, _outline(camera, line.corners()), (scene.line,) * 3, scene.opacity)
    if scene.shadow:
        shade = np.array([[-20, -4, 0], [3, -9, 0], [9, 30, 0], [-20, 30, 0]], float)
        cover = np.zeros_like(canvas)
        _fill(cover, _outline(camera, shade, 100), (1, 1, 1))
        canvas *= 1 - 0.55 * cover
    if scene.net:
        _draw_net(canvas, camera)
    for _ in range(scene.people):
        _draw_person(canvas, camera, rng)
    canvas = cv2.GaussianBlur(canvas, (0, 0), scene.blur_px)
    canvas += rng.normal(0, scene.noise, canvas.shape).astype(np.float32)
    image = np.clip(np.round(canvas), 0, 255).astype(np.uint8)
    if scene.quality < 100:
        packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, scene.quality])[1]
        image = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    return image


def _is_ground(camera: Camera) -> NDArray[np.bool_]:
    """Pixels (H, W) that see the run-off; made at a quarter of the size."""
    u, v = np.meshgrid(np.arange(2, camera.width_px, 4), np.arange(2, camera.height_px, 4))
    seen = camera.ground(np.stack([u, v], -1))
    with np.errstate(invalid="ignore"):
        small = (np.abs(seen[..., 0]) < 16) & (seen[..., 1] < 18.5)
    full = cv2.resize(
        small.astype(np.uint8), (camera.width_px, camera.height_px), interpolation=cv2.INTER_NEAREST
    )
    return full.astype(bool)


def _draw_net(canvas: NDArray[np.float32], camera: Camera) -> None:
    xs = np.linspace(-court.DOUBLES_POST_X_M, court.DOUBLES_POST_X_M, 41)
    top = court.net_height_m(xs)

    def strip(low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
        ring = np.vstack(
            [np.stack([xs, 0 * xs, low], 1), np.stack([xs, 0 * xs, high], 1)[::-1]]
        )
        return camera.project(ring)

    _fill(canvas, strip(0 * xs, top), (30, 30, 30), 0.4)
    _fill(canvas, strip(top - 0.06, top), (235, 235, 235), 0.95)
    for x in (-court.DOUBLES_POST_X_M, court.DOUBLES_POST_X_M):
        low, high = x - 0.05, x + 0.05
        post = np.array([[low, 0, 0], [high, 0, 0], [high, 0, 1.07], [low, 0, 1.07]])
        _fill(canvas, _outline(camera, post), (40, 60, 40))


def _draw_person(
    canvas: NDArray[np.float32], camera: Camera, rng: np.random.Generator
) -> None:
    foot = np.array([rng.uniform(-5, 5), rng.choice([-1, 1]) * rng.uniform(9, 13), 0.0])
    local = np.array([[-0.3, 0], [0.3, 0], [0.35, 1.2], [0.12, 1.75], [-0.12, 1.75], [-0.35, 1.2]])
    ring = np.stack([foot[0] + local[:, 0], np.full(6, foot[1]), local[:, 1]], 1)
    if camera.depth_m(foot) > 1.5:
        _fill(canvas, _outline(camera, ring), rng.uniform(20, 240, 3))

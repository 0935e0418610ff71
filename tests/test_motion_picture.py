"""What the detector looks at: alignment, medians, shades."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rallymill import motion_picture
from rallymill.camera import Camera

WIDTH, HEIGHT = 320, 180


def _camera(pan_m: float = 0.0, zoom: float = 1.0, k1: float = 0.0) -> Camera:
    return Camera.looking_at(
        (0, -24, 8), (pan_m, 0, 0), 400 * zoom, WIDTH, HEIGHT, k1=k1
    )


def _texture(seed: int) -> motion_picture.Picture:
    noise = np.random.default_rng(seed).uniform(60, 190, (HEIGHT, WIDTH)).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(noise, (0, 0), 3) * 3 - 250).clip(0, 255).astype(np.uint8)


@given(
    st.lists(st.binary(min_size=12, max_size=12), min_size=5, max_size=5)
)
def test_medians_agree_with_numpy(raw: list[bytes]) -> None:
    levels = [np.frombuffer(values, np.uint8).reshape(3, 4) for values in raw]
    assert (motion_picture.median_of_five(levels) == np.median(levels, axis=0)).all()
    assert (motion_picture.median_of_three(*levels[:3]) == np.median(levels[:3], axis=0)).all()


@given(pan_m=st.floats(-3, 3), zoom=st.floats(0.8, 1.25), k1=st.sampled_from([0.0, -0.05]))
def test_ground_points_fall_on_each_other(pan_m: float, zoom: float, k1: float) -> None:
    at, other = _camera(k1=k1), _camera(pan_m, zoom, k1)
    matrix = motion_picture.alignment(at, other, WIDTH * 2)
    ground = np.array([(x, y, 0.0) for x in (-4, 0, 4) for y in (-11, 0, 11)])
    # Twice the width: pixel centres go from x to 2 x + 0.5.
    from_px, to_px = other.project(ground) * 2 + 0.5, at.project(ground) * 2 + 0.5
    if matrix is not None:
        from_px = cv2.perspectiveTransform(from_px[None], matrix)[0]
    assert np.abs(from_px - to_px).max() < (1.5 if k1 else motion_picture.LEAST_SHIFT_PX + 0.01)


def test_unknown_still_and_wild_cameras_are_not_aligned() -> None:
    at = _camera()
    assert motion_picture.alignment(None, at, WIDTH) is None
    assert motion_picture.alignment(at, None, WIDTH) is None
    assert motion_picture.alignment(at, replace(at), WIDTH) is None
    away = Camera.looking_at((0, 24, 8), (0, 0, 0), 400, WIDTH, HEIGHT)
    assert motion_picture.alignment(at, away, WIDTH) is None


def test_a_pan_leaves_only_what_moved() -> None:
    """A textured ground under a panning camera, with one blob that moves over it."""
    at = _camera()
    cameras = [_camera(0.25 * step) for step in motion_picture.MOMENTS]
    ground = _texture(3)
    moments = []
    for step, camera in zip(motion_picture.MOMENTS, cameras, strict=True):
        there = camera.homography @ np.linalg.inv(at.homography)
        grey = cv2.warpPerspective(ground, there, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
        u, v = camera.project([0.8 * step, 2.0, 0.0])
        cv2.circle(grey, (round(u), round(v)), 2, 255, -1)
        moments.append(motion_picture.Moment(grey, grey))
    moved = [motion_picture.alignment(at, camera, WIDTH) for camera in cameras]
    aligned = motion_picture.motion_picture(moments, moved)
    plain = motion_picture.motion_picture(moments, [None] * 5)
    assert aligned.shape == (HEIGHT, WIDTH, motion_picture.CHANNELS)
    inside = (slice(30, 150), slice(40, 280))
    off = [np.abs(p[..., 2].astype(int) - 128)[inside] for p in (aligned, plain)]
    blob = at.project([0.0, 2.0, 0.0]).round().astype(int) - [40, 30]
    assert off[0][blob[1], blob[0]] > 60
    off[0][blob[1] - 4 : blob[1] + 5, blob[0] - 4 : blob[0] + 5] = 0
    assert np.percentile(off[0], 99) <= 6
    assert np.percentile(off[1], 99) > 3 * np.percentile(off[0], 99)


def test_where_a_moment_does_not_reach_nothing_moves() -> None:
    moments = [motion_picture.Moment(_texture(k), _texture(k)) for k in range(5)]
    away = np.array([[1.0, 0, WIDTH - 20], [0, 1, 0], [0, 0, 1]])
    found = motion_picture.motion_picture(moments, [away, away, None, away, away])
    assert (found[:, : WIDTH - 21, :5] == motion_picture.ZERO).all()


@pytest.mark.parametrize(
    ("name", "bgr", "least", "most"),
    [
        ("ball", (60, 230, 205), 120, 255), ("white line", (240, 240, 240), 0, 5),
        ("clay", (70, 95, 185), 0, 40), ("blue court", (150, 90, 40), 0, 5),
        ("skin", (120, 150, 200), 0, 40),
    ],
)
def test_yellow_tells_a_ball_from_its_surroundings(
    name: str, bgr: tuple[int, int, int], least: int, most: int
) -> None:
    shades = motion_picture.moment(np.full((4, 4, 3), bgr, np.uint8), 4)
    assert least <= shades.yellow[0, 0] <= most, name


@pytest.mark.parametrize(
    ("size", "width"),
    [((1280, 720), 1280), ((1920, 1080), 1280), ((640, 360), 1280), ((720, 576), 920),
     ((608, 1080), 414)],
)
def test_frames_fit_into_what_the_network_takes(size: tuple[int, int], width: int) -> None:
    assert motion_picture.fitted_width(*size) == width
    height = round(size[1] * width / size[0])
    assert width <= motion_picture.INPUT_SIZE[1] and height <= motion_picture.INPUT_SIZE[0]


def test_moments_are_brought_to_the_width() -> None:
    shades = motion_picture.moment(np.zeros((90, 160, 3), np.uint8), 320)
    assert shades.grey.shape == shades.yellow.shape == (180, 320)

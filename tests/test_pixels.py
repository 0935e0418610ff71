"""What lies around places, beside what a library cuts out of the same picture."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import pixels

SIDE = 12
BEYOND = 16
def coordinate(length: int) -> st.SearchStrategy[float]:
    """Coordinates of places at which a part of a picture of that length is seen."""
    return st.one_of(
        st.floats(-4, length + 3, width=32), st.integers(-4, length + 3).map(float),
        st.integers(-8, 2 * length + 6).map(lambda k: k / 2),
    )


@settings(deadline=None)
@given(
    places=st.lists(st.tuples(coordinate(80), coordinate(60)), max_size=6),
    seed=st.integers(0, 99),
)
def test_what_lies_around_places_is_what_opencv_cuts_out(
    places: list[tuple[float, float]], seed: int
) -> None:
    picture = np.random.default_rng(seed).integers(0, 256, (60, 80)).astype(np.uint8)
    # OpenCV is asked well inside: where rows and columns end at once it goes on otherwise.
    wide = np.pad(picture, BEYOND, mode="edge")
    into = np.full((len(places), 3, SIDE, SIDE), 7, np.uint8)
    pixels.around(picture, np.array(places, dtype=float).reshape(-1, 2), into, 1)
    for one, (x, y) in zip(into, places, strict=True):
        theirs = cv2.getRectSubPix(wide, (SIDE, SIDE), (x + BEYOND, y + BEYOND))
        assert np.abs(one[1].astype(int) - theirs).max() <= 1
        assert (one[[0, 2]] == 7).all()


def test_a_place_between_pixels_is_their_mean() -> None:
    picture = np.arange(0, 200, 10, dtype=np.uint8)[None].repeat(20, axis=0)
    into = np.empty((1, 1, 2, 2), np.uint8)
    pixels.around(picture, np.array([[5.25, 8.0]]), into, 0)
    # Pixels 4.75 and 5.75 of ten levels each.
    assert into[0, 0].tolist() == [[48, 58], [48, 58]]


def test_far_from_the_picture_its_nearest_pixels_go_on() -> None:
    picture = np.arange(20, dtype=np.uint8).reshape(4, 5)
    into = np.empty((2, 1, 3, 3), np.uint8)
    pixels.around(picture, np.array([[-50.0, 1.0], [3.0, 90.5]]), into, 0)
    assert into[0, 0].tolist() == [[0] * 3, [5] * 3, [10] * 3]
    assert into[1, 0].tolist() == [[17, 18, 19]] * 3

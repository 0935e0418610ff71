"""Points given by hand: what they make, and what is said of mistakes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from rallymill import court, courtpoints
from rallymill.camera import Camera
from rallymill.errors import InputError

TRUE = Camera.looking_at((1.0, -30, 9), (0, -1, 0), 1500, 1280, 720, roll_rad=0.01)
KNOWN = court.named_points()
SEEN = ("near_left_doubles_corner", "near_right_doubles_corner", "far_left_doubles_corner",
        "far_right_doubles_corner", "near_t", "far_left_service_corner", "net_centre_top")


def given(names: tuple[str, ...] = SEEN, **moved: tuple[float, float]) -> courtpoints.GivenFrame:
    image = np.array([TRUE.project(KNOWN[name]) for name in names])
    for name, step in moved.items():
        image[names.index(name)] += step
    return courtpoints.GivenFrame(1.0, names, image)


def content(**points: object) -> dict[str, object]:
    return {"frames": [{"at_s": 1.0, "points": points}]}


def test_no_file_or_nothing_filled_in_gives_nothing(tmp_path: Path) -> None:
    video = tmp_path / "clip.mp4"
    assert courtpoints.for_video(video).frames == ()
    text = courtpoints.to_yaml([(1.5, 1280, {"near_t": np.array([3.0, 4.0])})], True)
    (tmp_path / "clip.court.yaml").write_text(text)
    assert "near_t:  # 7, found at [3.0, 4.0]" in text
    assert courtpoints.for_video(video).frames == ()
    (tmp_path / "clip.court.yaml").write_text("")
    assert courtpoints.for_video(video).frames == ()


def test_what_is_filled_in_is_read(tmp_path: Path) -> None:
    text = courtpoints.to_yaml([(1.5, 1280, {})], False)
    path = tmp_path / "clip.court.yaml"
    path.write_text(text.replace("near_t:", "near_t: [600, 410.5]"))
    found = courtpoints.for_video(tmp_path / "clip.mp4")
    assert not found.doubles
    frame = found.frames[0]
    assert (frame.at_s, frame.width_px, frame.names) == (1.5, 1280, ("near_t",))
    assert frame.image_px.tolist() == [[600.0, 410.5]]
    # Every point stands in the file, in the order of its number.
    assert list(yaml.safe_load(text)["frames"][0]["points"]) == list(courtpoints.NAMES)


def test_points_make_the_camera() -> None:
    found = courtpoints.camera_of(given(), 1280, 720)
    everything = np.array(list(KNOWN.values()))
    assert found.project(everything) == pytest.approx(TRUE.project(everything), abs=0.5)


def test_points_of_a_smaller_picture_are_scaled() -> None:
    half = given()
    small = courtpoints.GivenFrame(1.0, half.names, (half.image_px + 0.5) / 2 - 0.5, 640)
    found = courtpoints.camera_of(small, 1280, 720)
    assert found.focal_px == pytest.approx(TRUE.focal_px, rel=0.01)


@pytest.mark.parametrize(
    ("points", "complaint"),
    [
        ({"near_tee": [1, 2]}, "near_tee is no point of the court, did you mean near_t?"),
        ({"near_t": 5}, "near_t must be two numbers in brackets, found 5"),
        ({"near_t": [1, "x"]}, "near_t must be two numbers"),
        ({"near_t": [1, 2, 3]}, "near_t must be two numbers"),
    ],
)
def test_slips_of_the_pen_are_named(points: dict[str, object], complaint: str) -> None:
    with pytest.raises(InputError, match=r"clip\.court\.yaml.*frame 1") as caught:
        courtpoints.parse(content(**points), "clip.court.yaml")
    assert complaint in caught.value.problem


def test_all_faults_are_named_at_once() -> None:
    with pytest.raises(InputError, match=r"far_tee.*near_tee|near_tee.*far_tee"):
        courtpoints.parse(content(near_tee=[1, 2], far_tee=[3, 4]), "f")
    with pytest.raises(InputError, match=r"at_s must be the time.*colour: not known"):
        courtpoints.parse({"frames": [{"points": {}}], "colour": 1}, "f")
    with pytest.raises(InputError, match="no list of frames"):
        courtpoints.parse([1, 2], "f")


def test_too_few_points() -> None:
    few = given((*SEEN[:3], "net_centre_top"))
    with pytest.raises(InputError, match="3 points on the ground, need 4"):
        courtpoints.camera_of(few, 1280, 720)


def test_points_in_a_line() -> None:
    line = given(("near_left_doubles_corner", "near_left_singles_corner", "near_centre_mark",
                  "near_right_singles_corner"))
    with pytest.raises(InputError, match="the points lie in a line"):
        courtpoints.camera_of(line, 1280, 720)


def test_a_mirror_image() -> None:
    seen = given(SEEN[:4])
    swapped = courtpoints.GivenFrame(1.0, seen.names, seen.image_px[[1, 0, 3, 2]])
    with pytest.raises(InputError, match="mirror image") as caught:
        courtpoints.camera_of(swapped, 1280, 720)
    assert "left and right" in caught.value.remedy


def test_near_taken_for_far() -> None:
    seen = given(SEEN[:4])
    turned = courtpoints.GivenFrame(1.0, seen.names, seen.image_px[[3, 2, 1, 0]])
    with pytest.raises(InputError, match="stands on its head"):
        courtpoints.camera_of(turned, 1280, 720)


def test_a_point_that_does_not_fit_the_others_is_named() -> None:
    names = (*SEEN, "far_t", "near_left_service_corner", "near_right_service_corner")
    with pytest.raises(InputError, match=r"near_t is up to \d+ px from where the others put it"):
        courtpoints.camera_of(given(names, near_t=(45.0, 30.0)), 1280, 720)


def test_a_point_outside_the_picture() -> None:
    with pytest.raises(InputError, match="near_t is outside the picture"):
        courtpoints.camera_of(given(near_t=(2000.0, 0.0)), 1280, 720)

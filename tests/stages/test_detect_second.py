"""The second people network: reading its output, tiles, and people who are seen in two of them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.errors import ModelMissingError
from rallymill.stages import detect_second as second
from rallymill.stages import onnx_network
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import overlaps

MODELS = Path(__file__).resolve().parents[2] / "models"
GRIDS = {stride: second.SIDE // stride for stride in second.STRIDES}


def outputs(rng: np.random.Generator | None = None) -> list[np.ndarray]:
    """Outputs of the network, in an order of their own: nobody, or whatever chance gives."""
    found = []
    for n in (13, 52, 26):
        if rng is None:
            found.append(np.zeros((1, n * n, 80), np.float32))
            found.insert(0, np.zeros((1, n * n, 44), np.float32))
        else:
            found.append(rng.uniform(0, 0.6, (1, n * n, 80)).astype(np.float32))
            found.insert(0, rng.normal(0, 3, (1, n * n, 44)).astype(np.float32))
    return found


def slowly(given: list[np.ndarray], least: float) -> set[tuple[float, ...]]:
    """The same by the definition, number by number."""
    found = set()
    for stride, n in GRIDS.items():
        score = next(a for a in given if a.shape[1:] == (n * n, 80))[0]
        sides = next(a for a in given if a.shape[1:] == (n * n, 44))[0]
        for row in range(n):
            for column in range(n):
                place = row * n + column
                if score[place, 0] < least:
                    continue
                lengths = []
                for side in range(4):
                    powers = [math.exp(value) for value in sides[place, 11 * side : 11 * side + 11]]
                    mean = sum(k * power for k, power in enumerate(powers)) / sum(powers)
                    lengths.append(mean * stride)
                x, y = (column + 0.5) * stride, (row + 0.5) * stride
                box = (x - lengths[0], y - lengths[1], x + lengths[2], y + lengths[3])
                found.add(tuple(round(v, 3) for v in (*box, float(score[place, 0]))))
    return found


def test_output_is_read_as_defined() -> None:
    given = outputs(np.random.default_rng(4))
    found = second.decoded(given, 0.59)
    assert 20 < len(found) < 200
    assert {tuple(round(v, 3) for v in row) for row in found.tolist()} == slowly(given, 0.59)


def test_a_person_of_known_place() -> None:
    given = outputs()
    score = next(a for a in given if a.shape[1:] == (26 * 26, 80))
    sides = next(a for a in given if a.shape[1:] == (26 * 26, 44))
    score[0, 10 * 26 + 4, 0] = 0.75
    score[0, 3, 17] = 0.9  # a horse
    for side, cells in enumerate((1, 3, 2, 5)):
        sides[0, 10 * 26 + 4, 11 * side + cells] = 60.0
    assert second.decoded(given, 0.35) == pytest.approx(
        np.array([[72 - 16, 168 - 48, 72 + 32, 168 + 80, 0.75]])
    )
    assert len(second.decoded(given, 0.8)) == 0


@given(
    low=st.tuples(st.floats(-50, 1900), st.floats(-50, 1000)),
    size=st.tuples(st.floats(1, 2100), st.floats(1, 1200)),
    side=st.floats(20, 2500), overlap=st.floats(0, 600),
    at=st.tuples(st.floats(0, 1), st.floats(0, 1)),
)  # fmt: skip
def test_tiles_cover_a_region_and_hold_what_is_no_larger_than_their_overlap(
    low, size, side, overlap, at
) -> None:
    width, height = 1920, 1080
    region = (low[0], low[1], low[0] + size[0], low[1] + size[1])
    tiles = second.tiles(region, side, (overlap, overlap), width, height)
    left, top = max(region[0], 0), max(region[1], 0)
    right, bottom = min(region[2], width), min(region[3], height)
    if right <= left or bottom <= top:
        assert tiles == []
        return
    for tile in tiles:
        assert 0 <= tile[0] < tile[2] <= width and 0 <= tile[1] < tile[3] <= height
        assert tile[2] - tile[0] == min(round(side), width)
        assert tile[3] - tile[1] == min(round(side), height)
    # Any box in the region, a pixel smaller than the overlap, is whole in one of them.
    small = max(min(overlap, side / 2, 540) - 2, 0)
    x = left + at[0] * max(right - left - small, 0)
    y = top + at[1] * max(bottom - top - small, 0)
    x2, y2 = min(x + small, right), min(y + small, bottom)
    assert any(t[0] <= x and t[1] <= y and x2 <= t[2] and y2 <= t[3] for t in tiles)


def marked(seen: np.ndarray) -> list[np.ndarray]:
    """Stands for the network: a person where the picture is white, in a box of that size."""
    white = seen[0, 0] > 1.5
    given = outputs()
    if not white.any():
        return given
    rows, columns = np.flatnonzero(white.any(1)), np.flatnonzero(white.any(0))
    x1, x2, y1, y2 = columns[0], columns[-1] + 1, rows[0], rows[-1] + 1
    stride = 32
    n = GRIDS[stride]
    column, row = int((x1 + x2) / 2 // stride), int((y1 + y2) / 2 // stride)
    middle = (stride * (column + 0.5), stride * (row + 0.5))
    score = next(a for a in given if a.shape[1:] == (n * n, 80))
    sides = next(a for a in given if a.shape[1:] == (n * n, 44))
    score[0, row * n + column, 0] = 0.8
    lengths = (middle[0] - x1, middle[1] - y1, x2 - middle[0], y2 - middle[1])
    for side, length in enumerate(lengths):
        whole = int(length / stride)
        part = length / stride - whole
        cell = sides[0, row * n + column, 11 * side : 11 * side + 11]
        cell[:] = -60.0
        cell[whole] = math.log(max(1 - part, 1e-9))
        cell[whole + 1] = math.log(max(part, 1e-9))
    return given


def test_someone_in_the_overlap_is_found_once_and_where_they_stand() -> None:
    image = np.zeros((500, 900, 3), np.uint8)
    image[210:290, 425:455] = 255
    network = second.PeopleNetwork(marked)
    tiles = second.tiles((0, 0, 900, 500), 416 * 80 / 70, (64, 104), 900, 500)
    holding = [t for t in tiles if t[0] <= 425 and t[2] >= 455 and t[1] <= 210 and t[3] >= 290]
    assert len(holding) >= 2
    found = network.people(image, (0, 0, 900, 500), (80, 80), 0.35)
    assert found == pytest.approx(np.array([[425, 210, 455, 290, 0.8]]), abs=2)


def test_someone_cut_by_a_tile_is_left_out_but_by_the_picture_is_not() -> None:
    network = second.PeopleNetwork(marked)
    image = np.zeros((500, 900, 3), np.uint8)
    image[200:280, 440:500] = 255
    # One tile around this region ends at about x = 475.
    region = (100.0, 150.0, 400.0, 400.0)
    (tile,) = second.tiles(region, 416.0, (60, 90), 900, 500)
    assert 440 < tile[2] < 500
    assert len(network.people(image, region, (70, 70), 0.35)) == 0
    image[:] = 0
    image[430:500, 200:230] = 255
    found = network.people(image, (100.0, 200.0, 400.0, 500.0), (70, 70), 0.35)
    assert found[:, :4] == pytest.approx(np.array([[200, 430, 230, 500]]), abs=1.5)


def test_what_is_seen_keeps_its_shape() -> None:
    tile = np.zeros((100, 200, 3), np.uint8)
    tile[:] = (103, 116, 124)
    tile[20:40, 60:80] = 255
    seen, ratio = second.prepared(tile)
    assert ratio == pytest.approx(2.08)
    white = seen[0, 0] > 1.5
    assert np.flatnonzero(white.any(0))[[0, -1]] == pytest.approx([125, 166], abs=2)
    assert np.flatnonzero(white.any(1))[[0, -1]] == pytest.approx([42, 83], abs=2)
    assert not seen[:, :, 209:].any()


def test_missing_weights_name_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ModelMissingError, match="set that to off to do without"):
        second.load(tmp_path, "people_second/nanodet", Execution("cpu"))


def test_weights_that_are_torn_say_so(tmp_path: Path) -> None:
    (tmp_path / "a.onnx").write_bytes(b"not a network")
    with pytest.raises(ModelMissingError, match="cannot be read"):
        second.load(tmp_path, "a", Execution("cpu"))


def test_both_runtimes_find_the_same() -> None:
    pytest.importorskip("openvino", reason="openvino is not installed")
    path = MODELS / "people_second" / "nanodet.onnx"
    rng = np.random.default_rng(8)
    seen = rng.normal(0, 1, (1, 3, 416, 416)).astype(np.float32)
    ours, theirs = onnx_network._opencv(path)([seen]), onnx_network._openvino(path, 1)([seen])
    by_shape = {a.shape: a for a in ours}
    assert len(by_shape) == len(theirs) == 6
    for one in theirs:
        assert np.allclose(one, by_shape[one.shape], atol=2e-3 * max(1.0, np.abs(one).max()))


BUS = [(56, 386, 227, 896), (688, 402, 813, 878), (223, 402, 347, 847), (2, 569, 76, 868)]
"""People in ultralytics' picture of a bus, as this network had them in another runtime (tensorflow,
with a preparation of its own); noted when it was converted, by eye they are right."""


def test_people_on_a_photograph_are_found_in_eight_bits_too() -> None:
    pytest.importorskip("openvino", reason="openvino is not installed")
    import cv2
    from ultralytics.utils import ASSETS

    image = cv2.imread(str(ASSETS / "bus.jpg"))
    assert image is not None and image.shape == (1080, 810, 3)
    found = []
    for file in ("nanodet.onnx", "nanodet_eight_bits.xml"):
        run = onnx_network._openvino(MODELS / "people_second" / file, 2)
        network = second.PeopleNetwork(lambda seen, run=run: run([seen]), 2)
        # So tall that the whole picture is one tile.
        people = network.people(image, (0.0, 0.0, 810.0, 1080.0), (190.0, 400.0), 0.3)
        assert len(people) == len(BUS)
        assert (overlaps(np.array(BUS, float), people[:, :4]).max(axis=1) > 0.65).all()
        found.append(people)
    exact, eight = found
    same = overlaps(exact[:, :4], eight[:, :4])
    assert (same.max(axis=1) > 0.9).all()
    assert np.abs(exact[:, 4] - eight[same.argmax(axis=1), 4]).max() < 0.08


def test_eight_bits_were_made_of_these_weights() -> None:
    weights = MODELS / "people_second" / "nanodet.onnx"
    assert onnx_network.eight_bits_of(weights) == weights.with_name("nanodet_eight_bits.xml")


@settings(max_examples=30)
@given(st.lists(st.tuples(*[st.integers(0, 30)] * 4), min_size=1, max_size=4))
def test_overlaps_count_cells(rows) -> None:
    boxes = np.array([(x, y, x + w, y + h) for x, y, w, h in rows], float)
    cells = [{(i, j) for i in range(x, x + w) for j in range(y, y + h)} for x, y, w, h in rows]
    for i, a in enumerate(cells):
        for j, b in enumerate(cells):
            share = len(a & b) / len(a | b) if a | b else 0.0
            assert overlaps(boxes, boxes)[i, j] == pytest.approx(share)

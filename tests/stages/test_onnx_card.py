"""Networks of ONNX files as a card runs them, asked of the processor, beside other runtimes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rallymill.config import home
from rallymill.errors import ModelMissingError
from rallymill.stages import detect_balls, detect_hops, graphics_card, onnx_card, onnx_network
from rallymill.stages.base import Execution

onnx = pytest.importorskip("onnx")
MODELS = home() / "models"


@pytest.mark.parametrize("name", ["ball_look", "hop_look"])
@pytest.mark.parametrize("count", [1, 7, 8, 9])
def test_looks_say_what_another_runtime_says(name: str, count: int) -> None:
    path = MODELS / name / "weights.onnx"
    rng = np.random.default_rng(5)
    channels = detect_balls.CHANNELS if name == "ball_look" else detect_hops.CHANNELS
    given: list[Any] = [rng.integers(0, 256, (count, channels, 48, 48)).astype(np.uint8)]
    if name == "ball_look":
        given.append(rng.normal(0, 1, (count, detect_balls.FEATURES)).astype(np.float32))
    ours = onnx_card.onnx_on(path, "cpu")(given)
    theirs = onnx_network._opencv(path)(given)
    assert len(ours) == len(theirs) == 1
    assert ours[0].shape == theirs[0].shape
    assert np.allclose(ours[0], theirs[0], atol=1e-3 * max(1.0, np.abs(theirs[0]).max()))


def test_the_second_people_network_says_what_another_runtime_says() -> None:
    path = MODELS / "people_second" / "nanodet.onnx"
    seen = np.random.default_rng(2).normal(0, 1, (1, 3, 416, 416)).astype(np.float32)
    ours = onnx_card.onnx_on(path, "cpu")([seen])
    theirs = onnx_network._opencv(path)([seen])
    of_shape = {one.shape: one for one in theirs}
    assert len(ours) == len(of_shape) == 6
    for one in ours:
        assert np.allclose(one, of_shape[one.shape], atol=1e-3)


def network(path: Path, *nodes: Any, **constants: np.ndarray) -> Path:
    """A file with a network from ``x`` (1, 2, 6, 7) to ``y``."""
    shape = [1, 2, 6, 7]
    kind = onnx.TensorProto.FLOAT
    graph = onnx.helper.make_graph(
        list(nodes), "small", [onnx.helper.make_tensor_value_info("x", kind, shape)],
        [onnx.helper.make_tensor_value_info("y", kind, None)],
        [onnx.numpy_helper.from_array(value, name) for name, value in constants.items()],
    )
    onnx.save(onnx.helper.make_model(graph), path)
    return path


def node(kind: str, *names: str, **how: Any) -> Any:
    return onnx.helper.make_node(kind, list(names), ["y"], **how)


X = np.random.default_rng(9).normal(0, 1, (1, 2, 6, 7)).astype(np.float32)
STEPS = {
    "pad": (node("Pad", "x", "p", "v"), {
        "p": np.array([0, 0, 1, 0, 0, 0, 2, 3]), "v": np.array(-2.5, np.float32)}),
    "halve": (node("Resize", "x", "", "s", mode="linear"), {
        "s": np.array([1, 1, 0.5, 0.5], np.float32)}),
    "double": (node("Resize", "x", "", "s", mode="linear"), {
        "s": np.array([1, 1, 2, 2], np.float32)}),
    "most": (node("MaxPool", "x", kernel_shape=[3, 3], strides=[2, 2], pads=[1, 1, 1, 1]), {}),
    "turn": (node("Transpose", "x", perm=[0, 2, 3, 1]), {}),
    "mean": (node("ReduceMean", "x", "a", keepdims=1), {"a": np.array([2, 3])}),
    "slice": (node("Slice", "x", "b", "e", "a", "s"), {
        "b": np.array([1, -5]), "e": np.array([5, 7]), "a": np.array([2, 3]),
        "s": np.array([2, 1])}),
    "shape": (node("Reshape", "x", "n"), {"n": np.array([1, -1, 7])}),
    "leak": (node("LeakyRelu", "x", alpha=0.2), {}),
}


@pytest.mark.parametrize("name", sorted(STEPS))
def test_operations_are_those_of_the_standard(tmp_path: Path, name: str) -> None:
    """Beside the standard's own reference runtime, ``onnx.reference``."""
    from onnx.reference import ReferenceEvaluator

    made, constants = STEPS[name]
    path = network(tmp_path / "small.onnx", made, **constants)
    [ours] = onnx_card.onnx_on(path, "cpu")([X])
    [theirs] = ReferenceEvaluator(onnx.load(path)).run(None, {"x": X})
    assert ours.shape == theirs.shape
    assert np.allclose(ours, theirs, atol=1e-5)


@pytest.mark.parametrize(("made", "constants"), [
    (node("Tan", "x"), {}),
    (node("Resize", "x", "", "s", mode="nearest"), {"s": np.array([1, 1, 2, 2], np.float32)}),
    (node("Pad", "x", "p", mode="edge"), {"p": np.array([0, 0, 1, 0, 0, 0, 2, 3])}),
    (node("MaxPool", "x", kernel_shape=[3, 3], strides=[2, 2], pads=[0, 0, 1, 1]), {}),
    (node("Slice", "x", "b", "e", "a", "s"), {
        "b": np.array([5]), "e": np.array([0]), "a": np.array([2]), "s": np.array([-1])}),
    (node("Slice", "x", "b", "e"), {"b": np.array([5]), "e": np.array([0])}),
])
def test_what_is_not_known_is_said_at_once(
    tmp_path: Path, made: Any, constants: dict[str, np.ndarray]
) -> None:
    path = network(tmp_path / "small.onnx", made, **constants)
    with pytest.raises(NotImplementedError):
        onnx_card.onnx_on(path, "cpu")


def test_a_network_that_a_card_cannot_run_is_left_to_the_processor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    network(tmp_path / "small.onnx", node("Tan", "x"))
    monkeypatch.setattr(graphics_card, "card_of", lambda device: "cpu")
    monkeypatch.setattr(onnx_network, "_opencv", lambda path: f"processor, {path.name}")
    monkeypatch.setattr(onnx_network, "_openvino", lambda path, _: f"processor, {path.name}")
    execution = Execution("cuda")
    given = tmp_path, "small", execution, "a purpose", "an_option"
    assert onnx_network.open_network(*given) == "processor, small.onnx"
    run = onnx_network.open_network(MODELS, "hop_look/weights", execution, "feet", "hop_look")
    assert run([np.zeros((2, detect_hops.CHANNELS, 48, 48), np.uint8)])[0].shape == (2, 2)


def test_torn_weights_say_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.onnx").write_bytes(b"not a network")
    monkeypatch.setattr(graphics_card, "card_of", lambda device: "cpu")
    with pytest.raises(ModelMissingError, match="cannot be read"):
        onnx_network.open_network(tmp_path, "a", Execution("cuda"), "a purpose", "an_option")

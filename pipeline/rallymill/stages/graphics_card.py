"""Networks on a graphics card: the detector's trained weights, and small networks of ONNX files.

What goes up are levels of eight bits, a quarter of the bytes; they are made numbers there. What
comes down is what is asked for alone: of the detector, the few places that say something.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import torch

Levels = NDArray[np.uint8]
Output = NDArray[np.float32]

Detect = Callable[[Levels], list[Output]]
"""From levels (N, C, H, W) to what is said of places, one array (4 + labels, places) a picture."""


def card_of(device: str) -> str | None:
    """Name of the graphics card that stands for a device in the configuration; None for none.

    ``auto`` is the first card where there is one.
    """
    if device == "auto":
        import torch

        return "cuda:0" if torch.cuda.is_available() else None
    if device.isdigit():
        return f"cuda:{device}"
    return device if device.startswith("cuda") else None


def detector(weights: Path, device: str, least: float) -> Detect:
    """The library's backend with trained weights (a ``.pt`` file), several pictures at a time.

    It reckons in half precision on a card, in full precision on processors. Places of which no
    label is more likely than ``least`` stay there. Several threads may call it.
    """
    import torch
    from ultralytics.nn.autobackend import AutoBackend

    place = torch.device(device)
    half = place.type == "cuda"
    network = AutoBackend(str(weights), place, fp16=half, verbose=False)
    network.eval()
    own = threading.local()
    # Its last layer keeps the places of the shape that it saw first.
    one_at_a_time = threading.Lock()

    def above(given: Levels) -> list[Output]:
        if half:
            # Memory that the card reads by itself, while this thread goes on.
            if getattr(own, "shape", None) != given.shape:
                own.shape = given.shape
                own.pinned = torch.empty(given.shape, dtype=torch.uint8, pin_memory=True)
            levels = own.pinned.copy_(torch.from_numpy(given)).to(place, non_blocking=True)
        else:
            levels = torch.from_numpy(given)
        with torch.inference_mode():
            with one_at_a_time:
                said = network((levels.half() if half else levels.float()) / 255)
            said = said[0] if isinstance(said, list | tuple) else said
            picture, place_in = (said[:, 4:].amax(1) > least).nonzero(as_tuple=True)
            rows = said[picture, :, place_in].float()
            found = torch.cat([picture[:, None].float(), rows], 1).cpu().numpy()
        return [found[found[:, 0] == k, 1:].T for k in range(len(given))]

    return above


LEAST_ITEMS = 8
"""Items that small networks are given at least; what is missing is filled up."""

Tensors = dict[str, Any]
Step = Callable[[Tensors], Any]


def onnx_on(path: Path, device: str) -> Callable[[Sequence[NDArray[Any]]], list[Output]]:
    """A small network of an ONNX file as operations on a device, for several threads at a time.

    It knows the operations that our own looks consist of (Open Neural Network Exchange, operator
    set 20: https://onnx.ai/onnx/operators).

    Raises
    ------
    ImportError
        The package ``onnx`` is not installed.
    NotImplementedError
        The file holds another operation.
    """
    import onnx
    import torch
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    place = torch.device(device)
    fixed: Tensors = {
        one.name: torch.from_numpy(numpy_helper.to_array(one).copy()).to(place)
        for one in graph.initializer
    }
    steps: list[tuple[str, Step]] = []
    numbers: dict[str, NDArray[Any]] = {}
    for node in graph.node:
        how = {one.name: onnx.helper.get_attribute_value(one) for one in node.attribute}
        if node.op_type == "Constant":
            value = numpy_helper.to_array(how["value"])
            numbers[node.output[0]] = value
            # Single numbers stay with the processor: no operation has to wait for them.
            alone = value.reshape(()) if value.size == 1 else value
            fixed[node.output[0]] = torch.from_numpy(alone.copy())
            continue
        if node.op_type not in _OPERATIONS:
            raise NotImplementedError(f"{path}: operation {node.op_type} is not known")
        steps.append((node.output[0], _OPERATIONS[node.op_type](list(node.input), how, numbers)))
    asked = [one.name for one in graph.input]
    answers = [one.name for one in graph.output]

    def run(given: Sequence[NDArray[Any]]) -> list[Output]:
        count = len(given[0])
        # A card gets ready for every number of items that it sees, so it sees few.
        more = max(LEAST_ITEMS, 1 << (count - 1).bit_length()) - count
        with torch.inference_mode():
            known = dict(fixed)
            for name, one in zip(asked, given, strict=True):
                filled = np.concatenate([one, np.zeros((more, *one.shape[1:]), one.dtype)])
                known[name] = torch.from_numpy(filled).to(place).float()
            for name, step in steps:
                known[name] = step(known)
            return [known[name][:count].cpu().numpy() for name in answers]

    return run


Make = Callable[[list[str], Mapping[str, Any], Mapping[str, NDArray[Any]]], Step]
"""From names of inputs, attributes and constants to a step."""


def _convolution(names: list[str], how: Mapping[str, Any], _: Mapping[str, Any]) -> Step:
    from torch.nn import functional

    top, left, bottom, right = how["pads"]
    if (top, left) != (bottom, right):
        raise NotImplementedError("a convolution is padded on one side more than on the other")

    def step(known: Tensors) -> torch.Tensor:
        return functional.conv2d(
            known[names[0]], known[names[1]], known[names[2]] if len(names) > 2 else None,
            stride=how["strides"], padding=(top, left), dilation=how["dilations"],
            groups=how["group"],
        )

    return step


def _slice(names: list[str], _: Mapping[str, Any], numbers: Mapping[str, NDArray[Any]]) -> Step:
    begins, ends, axes, strides = (numbers[name].tolist() for name in names[1:5])
    part = [slice(None)] * (max(axes) + 1)
    for begin, end, axis, stride in zip(begins, ends, axes, strides, strict=True):
        part[axis] = slice(begin, end, stride)
    return lambda known: known[names[0]][tuple(part)]


def _joined(names: list[str], how: Mapping[str, Any], _: Mapping[str, Any]) -> Step:
    import torch

    return lambda known: torch.cat([known[name] for name in names], how["axis"])


def _mean(names: list[str], how: Mapping[str, Any], numbers: Mapping[str, NDArray[Any]]) -> Step:
    axes = numbers[names[1]].tolist()
    return lambda known: known[names[0]].mean(axes, keepdim=bool(how.get("keepdims", 1)))


def _linear(names: list[str], how: Mapping[str, Any], _: Mapping[str, Any]) -> Step:
    import torch

    if how.get("transA", 0) or not how.get("transB", 0):
        raise NotImplementedError("a product of matrices other than with rows of weights")
    return lambda known: torch.addmm(
        known[names[2]], known[names[0]], known[names[1]].T,
        beta=how.get("beta", 1.0), alpha=how.get("alpha", 1.0),
    )


def _plain(name: str) -> Make:
    def make(names: list[str], _: Mapping[str, Any], __: Mapping[str, Any]) -> Step:
        import torch

        operation = getattr(torch, name)
        return lambda known: operation(*(known[one] for one in names))

    return make


def _flat(names: list[str], how: Mapping[str, Any], _: Mapping[str, Any]) -> Step:
    return lambda known: known[names[0]].flatten(how.get("axis", 1))


_OPERATIONS: Mapping[str, Make] = {
    "Concat": _joined, "Conv": _convolution, "Div": _plain("div"), "Flatten": _flat,
    "Gemm": _linear, "Max": _plain("maximum"), "Min": _plain("minimum"), "ReduceMean": _mean,
    "Relu": _plain("relu"), "Slice": _slice, "Sub": _plain("sub"),
}

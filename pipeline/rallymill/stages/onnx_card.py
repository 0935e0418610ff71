"""Networks of ONNX files on a graphics card, as operations of the library that the detector uses.

It knows the operations of which our own looks and the second people network consist (Open Neural
Network Exchange, operator sets 17 to 20: https://onnx.ai/onnx/operators). No other runtime for
cards has to be installed, and all networks of a process share the card's memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.graphics_card import Recorded

Output = NDArray[np.float32]
Tensors = dict[str, Any]
Step = Callable[[Tensors], Any]
Numbers = Mapping[str, NDArray[Any]]
"""What stands in the file itself: weights and constants."""

LEAST_ITEMS = 8
"""Items that a network of any number of them is given at least; what is missing is filled up."""


def onnx_on(path: Path, device: str) -> Callable[[Sequence[NDArray[Any]]], list[Output]]:
    """The network of an ONNX file on a device, from inputs to outputs, in the file's order.

    Inputs may be levels or numbers. Several threads may use it.

    Raises
    ------
    ImportError
        The package ``onnx`` is not installed.
    NotImplementedError
        The file holds an operation, or a form of one, that is not known here.
    RuntimeError
        It is no such file, or torn.
    """
    import onnx
    import torch
    from google.protobuf.message import DecodeError
    from onnx import numpy_helper

    try:
        graph = onnx.load(str(path)).graph
    except DecodeError as error:
        raise RuntimeError(str(error)) from error
    place = torch.device(device)
    numbers = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    steps: list[tuple[list[str], Step]] = []
    for node in graph.node:
        how = {one.name: onnx.helper.get_attribute_value(one) for one in node.attribute}
        if node.op_type == "Constant":
            numbers[node.output[0]] = numpy_helper.to_array(how["value"])
        elif node.op_type in _OPERATIONS:
            make = _OPERATIONS[node.op_type]
            try:
                steps.append((list(node.output), make(list(node.input), how, numbers)))
            except (KeyError, IndexError, ValueError) as error:
                raise NotImplementedError(
                    f"{path.name}: this form of {node.op_type} is not known"
                ) from error
        else:
            raise NotImplementedError(f"{path.name}: operation {node.op_type} is not known")
    # Single numbers stay with the processor: no operation has to wait for them.
    fixed: Tensors = {
        name: torch.from_numpy(value.reshape(()).copy()) if value.size == 1
        else torch.from_numpy(value.copy()).to(place)
        for name, value in numbers.items()
    }
    asked = [one.name for one in graph.input]
    answers = [one.name for one in graph.output]
    of_any_number = not graph.input[0].type.tensor_type.shape.dim[0].HasField("dim_value")

    def computed(*given: torch.Tensor) -> list[torch.Tensor]:
        known = dict(fixed)
        known.update({name: one.float() for name, one in zip(asked, given, strict=True)})
        for names, step in steps:
            made = step(known)
            known.update(zip(names, made if len(names) > 1 else (made,), strict=True))
        return [known[name] for name in answers]

    recorded = Recorded(computed, place)

    def run(given: Sequence[NDArray[Any]]) -> list[Output]:
        count = len(given[0])
        # A card gets ready for every number of items that it sees, so it sees few.
        more = max(LEAST_ITEMS, 1 << (count - 1).bit_length()) - count if of_any_number else 0
        filled = [
            np.concatenate([one, np.zeros((more, *one.shape[1:]), one.dtype)]) for one in given
        ]
        with recorded.lock:
            return [one[:count].cpu().numpy() for one in recorded(*filled)]

    return run


Make = Callable[[list[str], Mapping[str, Any], Numbers], Step]
"""From names of inputs, attributes and what stands in the file to a step."""


def _same_on_both_sides(pads: Sequence[int]) -> list[int]:
    """How far a picture goes on above and at the left, which is as far as on the other sides."""
    if list(pads[: len(pads) // 2]) != list(pads[len(pads) // 2 :]):
        raise NotImplementedError("a picture goes on on one side more than on the other")
    return list(pads[: len(pads) // 2])


def _convolution(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    from torch.nn import functional

    padding = _same_on_both_sides(how.get("pads", [0, 0, 0, 0]))
    return lambda known: functional.conv2d(
        known[names[0]], known[names[1]], known[names[2]] if len(names) > 2 else None,
        stride=how["strides"], padding=padding, dilation=how["dilations"], groups=how["group"],
    )


def _most(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    from torch.nn import functional

    padding = _same_on_both_sides(how.get("pads", [0, 0, 0, 0]))
    return lambda known: functional.max_pool2d(
        known[names[0]], how["kernel_shape"], how["strides"], padding
    )


def _going_on(names: list[str], how: Mapping[str, Any], numbers: Numbers) -> Step:
    from torch.nn import functional

    if how.get("mode", b"constant") != b"constant":
        raise NotImplementedError("a picture goes on with something else than one level")
    pads = numbers[names[1]].tolist()
    n = len(pads) // 2
    # From the last axis to the first, both ends of each.
    ends = [end for axis in reversed(range(n)) for end in (pads[axis], pads[n + axis])]
    level = float(numbers[names[2]].item()) if len(names) > 2 else 0.0
    return lambda known: functional.pad(known[names[0]], ends, value=level)


def _resized(names: list[str], how: Mapping[str, Any], numbers: Numbers) -> Step:
    from torch.nn import functional

    way = how["mode"], how.get("coordinate_transformation_mode", b"half_pixel")
    if way != (b"linear", b"half_pixel"):
        raise NotImplementedError("a picture is resized otherwise than between pixels' middles")
    scales = tuple(numbers[names[2]].tolist()[2:])
    return lambda known: functional.interpolate(
        known[names[0]], scale_factor=scales, mode="bilinear", align_corners=False
    )


def _slice(names: list[str], _: Mapping[str, Any], numbers: Numbers) -> Step:
    begins, ends, axes, strides = (numbers[name].tolist() for name in names[1:5])
    if min(strides) < 1:
        raise NotImplementedError("a part is taken backwards")
    part = [slice(None)] * (max(axes) + 1)
    for begin, end, axis, stride in zip(begins, ends, axes, strides, strict=True):
        part[axis] = slice(begin, end, stride)
    return lambda known: known[names[0]][tuple(part)]


def _split(names: list[str], how: Mapping[str, Any], numbers: Numbers) -> Step:
    sizes = numbers[names[1]].tolist()
    return lambda known: known[names[0]].split(sizes, how.get("axis", 0))


def _joined(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    import torch

    return lambda known: torch.cat([known[name] for name in names], how["axis"])


def _mean(names: list[str], how: Mapping[str, Any], numbers: Numbers) -> Step:
    axes = numbers[names[1]].tolist()
    return lambda known: known[names[0]].mean(axes, keepdim=bool(how.get("keepdims", 1)))


def _linear(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    import torch

    if how.get("transA", 0) or not how.get("transB", 0):
        raise NotImplementedError("a product of matrices other than with rows of weights")
    return lambda known: torch.addmm(
        known[names[2]], known[names[0]], known[names[1]].T,
        beta=how.get("beta", 1.0), alpha=how.get("alpha", 1.0),
    )


def _leaky(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    from torch.nn import functional

    return lambda known: functional.leaky_relu(known[names[0]], how.get("alpha", 0.01))


def _flat(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    return lambda known: known[names[0]].flatten(how.get("axis", 1))


def _shaped(names: list[str], _: Mapping[str, Any], numbers: Numbers) -> Step:
    shape = numbers[names[1]].tolist()
    return lambda known: known[names[0]].reshape(shape)


def _turned(names: list[str], how: Mapping[str, Any], _: Numbers) -> Step:
    return lambda known: known[names[0]].permute(how["perm"])


def _plain(name: str) -> Make:
    def make(names: list[str], _: Mapping[str, Any], __: Numbers) -> Step:
        import torch

        operation = getattr(torch, name)
        return lambda known: operation(*(known[one] for one in names))

    return make


_OPERATIONS: Mapping[str, Make] = {
    "Add": _plain("add"), "Concat": _joined, "Conv": _convolution, "Div": _plain("div"),
    "Flatten": _flat, "Gemm": _linear, "LeakyRelu": _leaky, "Max": _plain("maximum"),
    "MaxPool": _most, "Min": _plain("minimum"), "Pad": _going_on, "ReduceMean": _mean,
    "Relu": _plain("relu"), "Reshape": _shaped, "Resize": _resized, "Sigmoid": _plain("sigmoid"),
    "Slice": _slice, "Split": _split, "Sub": _plain("sub"), "Transpose": _turned,
}

"""Networks in ONNX files: on a graphics card, by OpenVINO where it is installed, or by OpenCV."""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.errors import ModelMissingError
from rallymill.stages import graphics_card, onnx_card
from rallymill.stages.base import Execution

log = logging.getLogger(__name__)

Numbers = NDArray[np.float32]
Network = Callable[[Sequence[NDArray[Any]]], list[Numbers]]
"""From inputs in the file's order, levels or numbers, to outputs."""


def weights_file(name: str) -> str:
    """File of the weights of that name, relative to the models folder."""
    return f"{name}.onnx"


def open_network(
    models: Path, name: str, execution: Execution, purpose: str, option: str
) -> Network:
    """The network of that name, for the device of ``execution``, or for the processor.

    A graphics card runs those that consist of operations that it knows (:mod:`.onnx_card`),
    where the package ``onnx`` is installed. Where OpenVINO runs one and it stands beside its
    weights in eight bits, those are taken: twice as quick, and nearly the same (the card of a
    network says how nearly).

    It may be used by as many threads as ``execution`` has at the same time, each with what it was
    given alone.

    ``purpose`` says what it is for, ``option`` of the section `detect` where it is named.

    Raises
    ------
    ModelMissingError
        No such file, or it cannot be read; says what the network is for and what to do.
    """
    path = models / weights_file(name)
    remedy = (
        f"restore the models folder, name other weights in `detect: {option}`, or set that to off "
        "to do without"
    )
    if not path.is_file():
        raise ModelMissingError(f"no weights {path} for {purpose}", remedy)
    try:
        card = graphics_card.card_of(execution.device)
        if card is not None:
            try:
                return onnx_card.onnx_on(path, card)
            except (ImportError, NotImplementedError) as error:
                log.warning(
                    "%s is left to the processor: %s; see `pip install rallymill[gpu]`",
                    path.name, error,
                )
        if find_spec("openvino") is None:
            return _opencv(path)
        return _openvino(eight_bits_of(path) or path, execution.threads)
    except (cv2.error, RuntimeError) as error:
        raise ModelMissingError(f"weights {path} cannot be read: {error}", remedy) from error


def eight_bits_path(weights: Path) -> Path:
    """Where weights in eight bits stand."""
    return weights.with_name(f"{weights.stem}_eight_bits.xml")


def digest_of(weights: Path) -> str:
    """SHA-256 of a file of weights, in hexadecimal."""
    return hashlib.sha256(weights.read_bytes()).hexdigest()


def eight_bits_of(weights: Path) -> Path | None:
    """The same weights in eight bits; None where there are none that were made of this very file.
    """
    path = eight_bits_path(weights)
    if not path.is_file():
        return None
    if digest_of(weights).encode() not in path.read_bytes():
        log.warning("%s is not used: it was made of other weights than %s", path, weights.name)
        return None
    return path


def _openvino(path: Path, threads: int) -> Network:
    import openvino

    streams = Streams(openvino.Core().read_model(str(path)), max(threads, 1), exact=True)

    def run(given: Sequence[NDArray[Any]]) -> list[Numbers]:
        found = streams.infer([np.asarray(one, np.float32) for one in given])
        return [np.array(found[output]) for output in streams.outputs]

    return run


class Streams:
    """A network compiled by OpenVINO for ``threads`` threads, each with a request of its own.

    With ``exact`` it reckons in 32 bits where it may choose.
    """

    def __init__(self, model: Any, threads: int, exact: bool) -> None:
        import openvino

        options: dict[str, Any] = {
            "NUM_STREAMS": threads, "INFERENCE_NUM_THREADS": threads,
            # Streams that are tied to cores would wait for each other where networks take turns.
            "ENABLE_CPU_PINNING": False,
        }
        if exact:
            options["INFERENCE_PRECISION_HINT"] = "f32"
        self._compiled = openvino.Core().compile_model(model, "CPU", options)
        self.outputs = self._compiled.outputs
        self._own = threading.local()

    def infer(self, given: Any, share_inputs: bool = False) -> Any:
        """Outputs of the network, by output; shared inputs are not copied."""
        if not hasattr(self._own, "request"):
            self._own.request = self._compiled.create_infer_request()
        return self._own.request.infer(given, share_inputs=share_inputs)


def _opencv(path: Path) -> Network:
    own = threading.local()
    own.network = cv2.dnn.readNetFromONNX(str(path))

    def run(asked: Sequence[NDArray[Any]]) -> list[Numbers]:
        if not hasattr(own, "network"):
            own.network = cv2.dnn.readNetFromONNX(str(path))
        network = own.network
        given = [np.asarray(one, np.float32) for one in asked]
        # Inputs without a name are those of the file, from the first on.
        if len(given) == 1:
            network.setInput(given[0])
        else:
            for name, numbers in zip(_INPUT_NAMES, given, strict=True):
                network.setInput(numbers, name)
        names = network.getUnconnectedOutLayersNames()
        return [np.asarray(one, dtype=np.float32) for one in network.forward(names)]

    return run


_INPUT_NAMES = ("first", "second")
"""Names that our own exports give to two inputs."""

"""Make the look at balls reckon in whole numbers of eight bits, by what it sees in films.

Writes ``weights_eight_bits.xml`` and ``.bin`` beside its ``weights.onnx``, which OpenVINO then runs
instead of it, as long as that file is the one they were made of. Needs the package nncf. Looks at
feet are few, and in eight bits some of them say something else.

    python models/eight_bits.py FILMS [FILMS ...]      # folders of films for training, with truth
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from glimpses import glimpses

HERE = Path(__file__).resolve().parent
WEIGHTS = HERE / "ball_look" / "weights.onnx"
Given = tuple[np.ndarray, ...]
MOST_PLACES = 12
"""Places of a frame that are kept."""


def noted(run: Callable[..., Any], kept: list[Given]) -> Callable[..., Any]:
    """A network that keeps what it is given."""
    def run_and_keep(*given: np.ndarray) -> Any:
        kept.append(tuple(np.array(part[:MOST_PLACES]) for part in given))
        return run(*given)

    return run_and_keep


def seen_in(films: Sequence[Path], count: int, seed: int) -> list[Given]:
    """What the network is given at ``count`` places in time of each film."""
    from rallymill.stages import detect_networks
    from rallymill.stages.base import Execution

    config = detect_networks.DetectConfig(hop_look=None)
    networks = detect_networks.load_networks(HERE, config, Execution("cpu"))
    assert networks.ball_look is not None
    kept: list[Given] = []
    networks.ball_look._run = noted(networks.ball_look._run, kept)
    for seen in glimpses(films, count, seed, config):
        networks.boxes([seen], config)
    return kept


def quantise(weights: Path, given: Sequence[Given]) -> Path:
    """Write a network in eight bits beside its weights; the path of the new file."""
    import nncf
    import openvino

    from rallymill.stages.onnx_network import digest_of, eight_bits_path

    model = openvino.Core().read_model(weights)
    made = nncf.quantize(
        model, nncf.Dataset(list(given), lambda parts: dict(enumerate(parts))),
        preset=nncf.QuantizationPreset.MIXED, subset_size=len(given),
        ignored_scope=nncf.IgnoredScope(names=ends(model)),
    )
    made.set_rt_info(digest_of(weights), ["rallymill", "made_of"])
    path = eight_bits_path(weights)
    openvino.save_model(made, path)
    return path


def ends(model: Any) -> list[str]:
    """Names of the layers that stay exact: the first and the last of each trunk, and the head.

    The first see differences of grey levels, which are more than eight bits tell; what the last say
    of a place is weighed against odds of one in a hundred.
    """
    trunks: dict[str, list[str]] = {}
    head = []
    for op in model.get_ordered_ops():
        name = op.get_friendly_name()
        if "Convolution" in op.get_type_name():
            trunks.setdefault(name.split("/")[1], []).append(name)
        elif op.get_type_name() == "MatMul":
            head.append(name)
    return head + [name for trunk in trunks.values() for name in (trunk[0], *trunk[-2:])]


def main() -> None:
    """Command line."""
    os.environ.setdefault("YOLO_OFFLINE", "true")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, help="folders of films with their truth")
    parser.add_argument("--places", type=int, default=3, help="places in time of a film")
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    from rallymill.benchmark_detect import films_in

    films = [path for folder in arguments.folders for path in films_in(folder)]
    given = seen_in(films, arguments.places, arguments.seed)
    print(quantise(WEIGHTS, given), f"fitted to {len(given)} frames")


if __name__ == "__main__":
    main()

"""Make the look at balls, or the second people network, reckon in whole numbers of eight bits.

Writes ``..._eight_bits.xml`` and ``.bin`` beside the network's ONNX file, which OpenVINO then runs
instead of it, as long as that file is the one they were made of. They are fitted to what the
network sees in films. Needs the package nncf. Looks at feet are few, and in eight bits some of them
say something else.

    python models/eight_bits.py FILMS [FILMS ...]      # folders of films for training, with truth
    python models/eight_bits.py --people FILMS [...]   # real films without truth may be among them
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from glimpses import glimpses

HERE = Path(__file__).resolve().parent
BALLS = HERE / "ball_look" / "weights.onnx"
PEOPLE = HERE / "people_second" / "nanodet.onnx"
Given = tuple[np.ndarray, ...]
MOST_PLACES = 12
"""Places of a frame that are kept."""
MOST_TILES = 3
"""Tiles of a half of the court, or of a picture, that are kept."""
TALL_PX = (60.0, 160.0)
"""Heights of people in real films, of which no camera is known."""


def noted(run: Callable[..., Any], kept: list[Given]) -> Callable[..., Any]:
    """A network that keeps what it is given."""
    def run_and_keep(*given: np.ndarray) -> Any:
        kept.append(tuple(np.array(part[:MOST_PLACES], np.float32) for part in given))
        return run(*given)

    return run_and_keep


def places_in(films: Sequence[Path], count: int, seed: int) -> list[Given]:
    """What the look at balls is given at ``count`` places in time of each film."""
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


def tiles_in(films: Sequence[Path], count: int, seed: int) -> list[Given]:
    """What the second people network is given in ``count`` frames of each film."""
    from rallymill.stages import detect_second
    from rallymill.stages.base import Execution

    rng = np.random.default_rng(seed)
    network = detect_second.load(HERE, "people_second/nanodet", Execution("cpu", threads=1))
    kept: list[Given] = []
    every: list[Given] = []
    network._run = noted(network._run, every)
    for image, region, tall_px in regions(films, count, rng):
        every.clear()
        network.people(image, region, tall_px, 0.35)
        chosen = rng.permutation(len(every))[:MOST_TILES]
        kept += [every[int(k)] for k in chosen]
    return kept


def regions(
    films: Sequence[Path], count: int, rng: np.random.Generator
) -> Iterator[tuple[np.ndarray, tuple[float, float, float, float], tuple[float, float]]]:
    """Pictures with where to look and how tall people are there: halves of the court, or all."""
    from rallymill import benchmark_detect, video
    from rallymill.stages import detect
    from rallymill.stages.detect_ask import HALVES, place_of_half

    for film in films:
        cameras: Any = {}
        frames = np.arange(video.probe(film).n_frames)
        if film.with_name(f"{film.stem}.truth.frames.parquet").exists():
            truth = benchmark_detect.truth_of(film, "frames")
            cameras, frames = detect.cameras_by_frame(truth), truth["frame"].to_numpy()
        chosen = sorted(rng.choice(frames, min(count, len(frames)), replace=False).tolist())
        with video.frames(film, spans=[(k, k) for k in chosen]) as stream:
            for frame in stream:
                camera = cameras.get(frame.index)
                if camera is None:
                    height, width = frame.image.shape[:2]
                    yield frame.image, (0.0, 0.0, float(width), float(height)), TALL_PX
                    continue
                for sign in HALVES.values():
                    place = place_of_half(camera, sign)
                    if place is not None:
                        yield frame.image, place.region, place.tall_px


def quantise(weights: Path, given: Sequence[Given], exact: Callable[[Any], list[str]]) -> Path:
    """Write a network in eight bits beside its weights; the path of the new file.

    ``exact`` names the layers of it that stay as they are.
    """
    import nncf
    import openvino

    from rallymill.stages.onnx_network import digest_of, eight_bits_path

    model = openvino.Core().read_model(weights)
    made = nncf.quantize(
        model, nncf.Dataset(list(given), lambda parts: dict(enumerate(parts))),
        preset=nncf.QuantizationPreset.MIXED, subset_size=len(given),
        ignored_scope=nncf.IgnoredScope(names=exact(model)),
    )
    made.set_rt_info(digest_of(weights), ["rallymill", "made_of"])
    path = eight_bits_path(weights)
    openvino.save_model(made, path)
    return path


def convolutions(model: Any) -> list[Any]:
    """Convolutions of a network, in order."""
    return [op for op in model.get_ordered_ops() if "Convolution" in op.get_type_name()]


def ends_of_trunks(model: Any) -> list[str]:
    """Names of the first layer and the last two of each trunk, and of the head.

    The first see differences of grey levels, which are more than eight bits tell; what the last say
    of a place is weighed against odds of one in a hundred.
    """
    trunks: dict[str, list[str]] = {}
    for op in convolutions(model):
        trunks.setdefault(op.get_friendly_name().split("/")[1], []).append(op.get_friendly_name())
    head = [op.get_friendly_name() for op in model.get_ordered_ops()
            if op.get_type_name() == "MatMul"]
    return head + [name for trunk in trunks.values() for name in (trunk[0], *trunk[-2:])]


def answering(model: Any) -> list[str]:
    """Names of the first layer and of those that give scores and sides at each of three grids."""
    first, *others = convolutions(model)
    return [op.get_friendly_name() for op in (first, *filter(_is_split, others))]


def _is_split(op: Any) -> bool:
    """Whether what a layer gives, its bias added, is split in two."""
    sums = [one for one in _after(op) if one.get_type_name() == "Add"]
    return any("Split" in one.get_type_name() for added in sums for one in _after(added))


def _after(op: Any) -> list[Any]:
    return [one.get_node() for one in op.output(0).get_target_inputs()]


def main() -> None:
    """Command line."""
    os.environ.setdefault("YOLO_OFFLINE", "true")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, help="folders of films")
    parser.add_argument("--people", action="store_true", help="the second people network")
    parser.add_argument("--places", type=int, default=3, help="places in time of a film")
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    if arguments.people:
        films = [path for folder in arguments.folders for path in sorted(folder.glob("*.mp4"))]
        given = tiles_in(films, arguments.places, arguments.seed)
        made = quantise(PEOPLE, given, answering)
    else:
        from rallymill.benchmark_detect import films_in

        films = [path for folder in arguments.folders for path in films_in(folder)]
        given = places_in(films, arguments.places, arguments.seed)
        made = quantise(BALLS, given, ends_of_trunks)
    print(made, f"fitted to {len(given)} of {len(films)} films")


if __name__ == "__main__":
    main()

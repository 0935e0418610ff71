"""Make exported weights reckon in whole numbers of eight bits, by what they see in films.

Layers as thin as ours spend their time on fetching and putting back numbers, so shorter ones are
quicker. The last layers, which say where a box ends, stay as they are: with them in eight bits feet
are a tenth of a pixel worse.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from glimpses import glimpses


def pictures_of(films: list[Path], count: int, seed: int) -> Iterator[np.ndarray]:
    """Pictures of ``count`` frames of each film with truth, as the stage gives them the network."""
    from rallymill.stages.detect_networks import DetectConfig

    for seen in glimpses(films, count, seed, DetectConfig()):
        yield seen.picture


def quantise(exported: Path, pictures: Iterator[np.ndarray]) -> int:
    """Replace exported weights by those of eight bits; how many pictures they were fitted to.

    Needs the package nncf.
    """
    import nncf
    import openvino

    from rallymill.stages.detect_exported import laid_out
    from rallymill.stages.detect_networks import INPUT_SIZE

    with tempfile.TemporaryDirectory() as folder:
        kept = []
        for number, picture in enumerate(pictures):
            kept.append(Path(folder) / f"{number:04d}.npy")
            np.save(kept[-1], picture)

        def given(path: Path) -> np.ndarray:
            picture = np.load(path)
            into = np.empty((1, picture.shape[2], *INPUT_SIZE), np.uint8)
            laid_out(picture, INPUT_SIZE, into)
            return into.astype(np.float32) / 255

        [source] = exported.glob("*.xml")
        model = openvino.Core().read_model(source)
        exact = nncf.quantize(
            model, nncf.Dataset(kept, given), preset=nncf.QuantizationPreset.MIXED,
            subset_size=len(kept), ignored_scope=nncf.IgnoredScope(names=last_layers(model)),
        )
        part = Path(folder) / source.name
        openvino.save_model(exact, part)
        for made in (part, part.with_suffix(".bin")):
            shutil.move(made, exported / made.name)
        return len(kept)


def last_layers(model: Any) -> list[str]:
    """Names of what follows the last but one layer of each branch of the head."""
    names = [(op.get_friendly_name(), op.get_type_name()) for op in model.get_ordered_ops()]
    head = [name for name, kind in names if kind == "Sigmoid"][-1].split("/")[0]
    found = []
    for name, kind in names:
        layer = name.split("/")[0]
        branch = layer.removeprefix(f"{head}.cv")
        last = branch != layer and branch.count(".") == 2 and branch.endswith(".2")
        if kind == "Sigmoid" or layer == head or last:
            found.append(name)
    return found

"""What is installed, which device would be used, and whether the weights are there."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import av
import psutil

import rallymill
from rallymill.config import AppConfig
from rallymill.errors import ModelMissingError
from rallymill.runner.fingerprint import model_hash
from rallymill.stages.base import Stage

PACKAGES = (
    "av",
    "duckdb",
    "filterpy",
    "numba",
    "numpy",
    "opencv-python",
    "pandas",
    "pyarrow",
    "scipy",
    "ultralytics",
    "torch",
)
OPTIONAL = ("openvino", "onnx")
LEAST_FREE_BYTES = 5 * 1024**3
GIB = 1024**3


@dataclass(frozen=True)
class Check:
    """One thing looked at: what was found, whether it will do, and what to do if not."""

    name: str
    found: str
    ok: bool = True
    remedy: str = ""


def _package(name: str, needed: bool) -> Check:
    try:
        return Check(name, importlib.metadata.version(name))
    except importlib.metadata.PackageNotFoundError:
        if needed:
            return Check(name, "not installed", False, "install rallymill again")
        return Check(name, "not installed (optional)")


def devices() -> list[Check]:
    """Devices that the inference library sees, best first."""
    try:
        import torch
    except ImportError:
        return [Check("device", "no inference library", False, "install ultralytics")]
    count = torch.cuda.device_count()
    names = [torch.cuda.get_device_name(index) for index in range(count)]
    if not names:
        return [Check("device", f"cpu, {os.cpu_count()} cores")]
    return [Check(f"device cuda:{index}", name) for index, name in enumerate(names)]


def weights(config: AppConfig, stages: Sequence[Stage]) -> list[Check]:
    """Files of weights of all stages, with the start of their hashes."""
    found = []
    for stage in stages:
        for name in stage.model_files(config.stages[stage.name]):
            try:
                digest = model_hash(config.models, name)
            except ModelMissingError as error:
                found.append(Check(f"weights of {stage.name}", error.problem, False, error.remedy))
            else:
                found.append(Check(f"weights of {stage.name}", f"{name} ({digest[:8]})"))
    return found


def codecs() -> list[Check]:
    """Whether films in H.264 can be read and written."""
    found = []
    for mode, what in (("r", "read"), ("w", "write")):
        name = "h264" if mode == "r" else "libx264"
        there = name in av.codecs_available
        remedy = "" if there else "install av from its wheel, which brings the codec"
        found.append(Check(f"{what} H.264", name if there else "missing", there, remedy))
    return found


def room(out: Path) -> Check:
    """Free space where the output goes."""
    place = out.resolve()
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    return Check(
        "room on disk",
        f"{free / GIB:.0f} GiB at {out}",
        free >= LEAST_FREE_BYTES,
        f"make {LEAST_FREE_BYTES // GIB} GiB free",
    )


def examine(config: AppConfig, stages: Sequence[Stage], out: Path) -> list[Check]:
    """All checks in the order in which they are shown."""
    memory = psutil.virtual_memory().total
    return [
        Check("rallymill", rallymill.__version__),
        Check("python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"),
        *(_package(name, True) for name in PACKAGES),
        *(_package(name, False) for name in OPTIONAL),
        *devices(),
        Check("memory", f"{memory / GIB:.0f} GiB"),
        room(out),
        *codecs(),
        *weights(config, stages),
    ]

"""A few simulated matches in an output folder, made once and copied where a test changes them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rallymill import simulated_season
from rallymill.season import joining

N_MATCHES = 3


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Output folder of three short matches; not to be changed."""
    out = tmp_path_factory.mktemp("played")
    simulated_season.write_outputs(out, 205_000, N_MATCHES, n_worlds=2, n_points=16)
    return out


@pytest.fixture(scope="session")
def joined(played: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Season of the three matches, rolled up; not to be changed."""
    root = tmp_path_factory.mktemp("joined")
    joining.add(played, root)
    joining.roll_up(root)
    return root


@pytest.fixture
def out(played: Path, tmp_path: Path) -> Path:
    """The output folder to change."""
    return Path(shutil.copytree(played, tmp_path / "out"))


@pytest.fixture
def root(joined: Path, tmp_path: Path) -> Path:
    """The season to change."""
    return Path(shutil.copytree(joined, tmp_path / "season"))

"""Puts this folder on the import path, so that tests share ``films`` by its plain name too."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(autouse=True, scope="module")
def environment() -> Iterator[None]:
    """Some tested code sets variables for a process of its own; later modules must not see them."""
    before = dict(os.environ)
    yield
    # One by one: pytest keeps variables of its own here.
    for name in set(os.environ) - set(before):
        del os.environ[name]
    os.environ.update(before)

"""Puts this folder on the import path, so that tests share ``films`` by its plain name too."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

# Every run tries the same cases, so that a change passes or fails for what it changes. Other cases:
# pytest --hypothesis-profile=search
settings.register_profile("same", derandomize=True)
settings.register_profile("search", print_blob=True)
settings.load_profile("same")


@pytest.fixture(autouse=True, scope="module")
def environment() -> Iterator[None]:
    """Some tested code sets variables for a process of its own; later modules must not see them."""
    before = dict(os.environ)
    yield
    # One by one: pytest keeps variables of its own here.
    for name in set(os.environ) - set(before):
        del os.environ[name]
    os.environ.update(before)

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rallymill.errors import InputError
from rallymill.report.stills import still
from rallymill.video import Writer, frames


@pytest.fixture
def film(tmp_path: Path) -> Path:
    """Ninety frames, each of a grey of its own, in steps of 2."""
    with Writer(tmp_path / "a.mp4", 64, 48, 30, crf=10) as writer:
        for i in range(90):
            writer.write(np.full((48, 64, 3), 20 + 2 * i, np.uint8))
    return tmp_path / "a.mp4"


@pytest.mark.parametrize("frame", [0, 1, 44, 89])
def test_the_very_frame_is_found(film: Path, frame: int) -> None:
    image = still(film, frame / 30)
    (counted,) = frames(film, spans=[(frame, frame)])
    assert image is not None and image.shape == (48, 64, 3)
    assert np.array_equal(image, counted.image)


def test_no_frame_at_that_time(film: Path) -> None:
    assert still(film, 10.0) is None
    assert still(film, 1.5 / 30) is None


def test_no_film_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        still(tmp_path / "none.mp4", 0.0)

"""People on a real street camera, found by the second people network.

The film is vtest.avi of Debian's package opencv-doc 4.6.0, which is not committed; how the boxes
beside this file were made stands in their first lines. `RALLYMILL_STREET_FILM` names another place
of the film than the package's own.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import video
from rallymill.stages import detect_second
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import overlaps

PACKAGED = "/usr/share/doc/opencv-doc/examples/data/vtest.avi"
FILM = Path(os.environ.get("RALLYMILL_STREET_FILM", PACKAGED))
LABELS = Path(__file__).with_name("street_people.csv")
MODELS = Path(__file__).resolve().parents[2] / "models"


def labels() -> pd.DataFrame:
    people = pd.read_csv(LABELS, comment="#")
    tall = people["y2_px"] - people["y1_px"]
    return people[(tall >= 40) & (tall <= 200)]


def test_labels_are_of_the_film() -> None:
    people = labels()
    assert people["frame"].nunique() == 20 and len(people) == 82
    assert (people["x2_px"] > people["x1_px"]).all()
    assert people[["x1_px", "y1_px"]].min().min() > -2
    assert people["x2_px"].max() < 770 and people["y2_px"].max() < 578


@pytest.mark.skipif(
    not FILM.is_file(), reason=f"{FILM} is not there: install Debian's opencv-doc, or set "
    "RALLYMILL_STREET_FILM",
)  # fmt: skip
def test_nine_of_ten_people_on_the_street_are_found() -> None:
    people = labels()
    frames = sorted(people["frame"].unique())[::3]
    network = detect_second.load(MODELS, "people_second/nanodet", Execution("cpu", threads=1))
    hits = []
    with video.frames(FILM, spans=[(frame, frame) for frame in frames]) as stream:
        for frame in stream:
            found = network.people(frame.image, (0.0, 0.0, 768.0, 576.0), (60.0, 160.0), 0.35)
            own = people[people["frame"] == frame.index]
            true = own[["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy()
            hits += (overlaps(true, found[:, :4]).max(axis=1, initial=0.0) > 0.5).tolist()
    assert len(hits) >= 20
    # This network had no say in the labels.
    assert np.mean(hits) >= 0.9

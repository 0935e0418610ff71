"""A match that was read once, to be corrected."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from rallymill import config as configuration
from rallymill.runner.correct import Correcting
from rallymill.runner.night import Night
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchStore, records
from rallymill.tables import ALL
from tests.corrections import machine


@dataclass
class Read:
    """An output folder with one match, which can be read anew and corrected."""

    root: Path

    @property
    def out(self) -> Path:
        return self.root / "out"

    @property
    def match_id(self) -> str:
        (record,) = records(self.out)
        return record.match_id

    @property
    def store(self) -> MatchStore:
        return MatchStore(self.out, self.match_id)

    def config(self, **detector: Any) -> configuration.AppConfig:
        given = {"events": detector, "execution": {"copying_wait_s": 0}}
        return configuration.build(given, load_stages(machine.REGISTRY), self.root, None)

    def process(self, **detector: Any) -> dict[str, str]:
        """Read the folder; why each stage ran."""
        reasons: dict[str, str] = {}

        def listen(match_id: str, event: Any) -> None:
            if event["event"] == "stage":
                reasons[event["stage"]] = event["reason"]

        result = Night(self.root / "films", self.out, self.config(**detector),
                       registry=machine.REGISTRY, listen=listen, isolated=False).run()  # fmt: skip
        assert not result.unread, result.unread
        return reasons

    def rows(self, table: str) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = self.store.read_table(ALL[table]).to_pylist()
        return rows

    def frame(self, table: str) -> pd.DataFrame:
        return self.store.read_table(ALL[table]).to_pandas()

    @property
    def correcting(self) -> Correcting:
        return Correcting(self.out, self.match_id)

    def file(self, text: str, name: str = "said.csv") -> Path:
        path = self.root / name
        path.write_text(text, encoding="utf-8")
        return path

    def apply(self, text: str, **options: Any):
        stages = load_stages(machine.REGISTRY)
        return self.correcting.apply(self.file(text), stages, self.correcting.config(stages, None),
                                     lambda event: None, **options)  # fmt: skip

    def take_back(self, *numbers: int):
        stages = load_stages(machine.REGISTRY)
        return self.correcting.withdraw(
            numbers, stages, self.correcting.config(stages, None), lambda event: None)


@pytest.fixture(scope="session")
def first_reading(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("corrected")
    machine.folder(root)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RALLYMILL_NO_REPORT", "1")
        Read(root).process()
    return root


@pytest.fixture
def read(first_reading: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Read:
    """The match after its first reading, in folders of its own."""
    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")
    for name in ("films", "out"):
        shutil.copytree(first_reading / name, tmp_path / name)
    found = Read(tmp_path)
    # The copy is where the match lies now.
    assert "shots" in found.process()
    return found

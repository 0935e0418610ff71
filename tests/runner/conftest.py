"""A small world for runner tests: a folder of recordings, an output folder, fake stages."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import fakes
import pytest

from films import film
from rallymill import config as configuration
from rallymill.runner.night import Night, NightResult


@dataclass
class World:
    """Recordings in ``films``, weights in ``models``, output in ``out``; ``ledger`` tells runs."""

    root: Path
    events: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    @property
    def films(self) -> Path:
        return self.root / "films"

    @property
    def out(self) -> Path:
        return self.root / "out"

    @property
    def ledger(self) -> Path:
        return self.root / "ledger.txt"

    def config(self, given: dict[str, Any] | None = None) -> configuration.AppConfig:
        given = dict(given or {})
        given["execution"] = {"copying_wait_s": 0, **given.get("execution", {})}
        return configuration.build(given, fakes.STAGES, self.root, None)

    def night(self, given: dict[str, Any] | None = None, **options: Any) -> Night:
        self.events = []
        return Night(
            self.films,
            self.out,
            self.config(given),
            registry=fakes.REGISTRY,
            listen=lambda match_id, event: self.events.append((match_id, dict(event))),
            **{"isolated": False, **options},
        )

    def run(self, given: dict[str, Any] | None = None, **options: Any) -> NightResult:
        return self.night(given, **options).run()

    def reasons(self, match: str = "") -> dict[str, str]:
        """Reason by stage of the last run, of matches whose identifier holds ``match``."""
        return {
            event["stage"]: event["reason"]
            for match_id, event in self.events
            if event["event"] == "stage" and event["stage"] != "report" and match in match_id
        }

    def ran(self) -> list[str]:
        """Stages that started since the ledger was cleared, in order."""
        return [stage for _, stage, what in fakes.ledger_lines(self.ledger) if what == "start"]

    def clear(self) -> None:
        self.ledger.unlink(missing_ok=True)


@pytest.fixture
def world(tmp_path, monkeypatch):
    made = World(tmp_path)
    made.films.mkdir()
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "fake.onnx").write_bytes(b"weights")
    monkeypatch.setenv(fakes.LEDGER, str(made.ledger))
    paths = [str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(path for path in paths if path))
    monkeypatch.setattr(sys, "path", [str(Path(__file__).parent), *sys.path])
    # Fake tables have nothing that a match page could show.
    monkeypatch.setenv("RALLYMILL_NO_REPORT", "1")
    return made


@pytest.fixture
def one(world):
    """A world with one recording."""
    film(world.films / "Day one.mp4", n=20)
    return world

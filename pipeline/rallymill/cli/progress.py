"""Show a run as it goes: reasons as lines, how far each match is, the time it still takes."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click
from tqdm import tqdm

from rallymill.runner.match import KEPT

STAGE_WEIGHTS = {"views": 6.0, "calibrate": 20.0, "detect": 55.0, "people": 4.0, "flight": 10.0}
"""Rough shares of the time of a match; a stage that is not listed counts as 1."""

LINE_EVERY_S = 30.0
REASON_COLUMN = 16


class Display:
    """Takes the events of a run and shows them.

    Reason lines go to standard output, or to standard error where standard output is for JSON.
    On a terminal every match that is being read has a bar; elsewhere a line now and then.
    """

    def __init__(self, stages: Sequence[str], as_json: bool, terminal: bool) -> None:
        self.lines_to_stderr = as_json
        self.terminal = terminal
        self.weights = {name: STAGE_WEIGHTS.get(name, 1.0) for name in stages}
        self.total = sum(self.weights.values())
        self.bars: dict[str, tqdm[Any]] = {}
        self.done: dict[str, float] = {}
        self.last_line: dict[str, float] = {}
        self.handlers: dict[str, Callable[[str, Mapping[str, Any]], None]] = {
            "start": self._on_start,
            "stage": self._on_stage,
            "progress": self._on_progress,
            "done": self._on_done,
            "warning": self._on_warning,
            "double": self._on_double,
            "row": self._on_row,
        }

    def __call__(self, match_id: str, event: Mapping[str, Any]) -> None:
        """Show an event of a match."""
        if event["event"] in self.handlers:
            self.handlers[event["event"]](match_id, event)

    def close(self) -> None:
        """Take the bars away."""
        for bar in self.bars.values():
            bar.close()
        self.bars.clear()

    def _line(self, text: str, stderr: bool = False) -> None:
        to_stderr = stderr or self.lines_to_stderr
        if self.bars:
            # Bars live on standard error; a line must not cut through one.
            tqdm.write(text, file=sys.stderr if to_stderr else sys.stdout)
        else:
            click.echo(text, err=to_stderr)

    def _on_start(self, match_id: str, event: Mapping[str, Any]) -> None:
        self.done[match_id] = 0.0
        if self.terminal:
            free = set(range(len(self.bars) + 1)) - {bar.pos for bar in self.bars.values()}
            self.bars[match_id] = tqdm(
                total=self.total,
                desc=match_id,
                position=min(free) if free else None,
                leave=False,
                bar_format="{desc} {percentage:3.0f}% |{bar}| {elapsed}, {remaining} left",
            )

    def _on_stage(self, match_id: str, event: Mapping[str, Any]) -> None:
        stage, reason = event["stage"], event["reason"]
        self._line(f"{match_id}  {stage:<{REASON_COLUMN}} {reason}")
        if reason == KEPT:
            self._finish(match_id, stage)
        elif match_id in self.bars:
            self.bars[match_id].set_description_str(f"{match_id} {stage}")

    def _on_progress(self, match_id: str, event: Mapping[str, Any]) -> None:
        stage, share = event["stage"], event["share"]
        if match_id in self.bars:
            self._move(match_id, self.done[match_id] + share * self.weights.get(stage, 0.0))
            return
        now = time.monotonic()
        if not self.terminal and now - self.last_line.setdefault(match_id, now) >= LINE_EVERY_S:
            self.last_line[match_id] = now
            self._line(f"{match_id}  {stage:<{REASON_COLUMN}} {share:.0%}", stderr=True)

    def _on_done(self, match_id: str, event: Mapping[str, Any]) -> None:
        stage = event["stage"]
        self._finish(match_id, stage)
        if not self.terminal:
            rows, seconds = event["rows"], event["seconds"]
            text = f"done in {seconds:.1f} s" + (f", {rows} rows" if stage != "report" else "")
            self._line(f"{match_id}  {stage:<{REASON_COLUMN}} {text}", stderr=True)

    def _on_warning(self, match_id: str, event: Mapping[str, Any]) -> None:
        self._line(f"{match_id}  {event['problem']}: {event['remedy']}", stderr=True)

    def _on_double(self, match_id: str, event: Mapping[str, Any]) -> None:
        self._line(f"{match_id}  {event['file']} is the same recording as {event['of']}")

    def _on_row(self, match_id: str, event: Mapping[str, Any]) -> None:
        bar = self.bars.pop(match_id, None)
        if bar is not None:
            bar.close()

    def _finish(self, match_id: str, stage: str) -> None:
        self.done[match_id] = self.done.get(match_id, 0.0) + self.weights.get(stage, 0.0)
        if match_id in self.bars:
            self._move(match_id, self.done[match_id])

    def _move(self, match_id: str, to: float) -> None:
        bar = self.bars[match_id]
        bar.update(max(0.0, min(to, self.total) - bar.n))

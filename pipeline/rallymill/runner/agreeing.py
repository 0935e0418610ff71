"""How far machine and corrected tables of a match of an output folder agree."""

from __future__ import annotations

import logging
from pathlib import Path

from rallymill.corrections.agreement import Agreement, agreement
from rallymill.errors import RallymillError
from rallymill.runner.store import MatchStore
from rallymill.tables import ALL

log = logging.getLogger(__name__)

COMPARED = ("machine_shots", "shots", "machine_points", "points")


def agreement_of(out: Path, match_id: str) -> Agreement | None:
    """How far machine and corrected tables of a match agree; None where nobody corrected it."""
    store = MatchStore(out, match_id)
    try:
        corrections = store.read_table(ALL["corrections"])
        if not corrections.num_rows:
            return None
        found = {name: store.read_table(ALL[name]) for name in COMPARED}
        return agreement(**found, corrections=corrections)
    except RallymillError as error:
        log.info("%s: no agreement: %s", match_id, error)
        return None

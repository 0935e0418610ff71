"""A worker of the campaign of hostile inputs that dies at the second one."""

from __future__ import annotations

import os
from typing import Any


def serve(kind: str, first: int, count: int, inside: str, seed: int, out: Any) -> None:
    """As :func:`rallymill.hostile_worker.serve`, without trying anything."""
    for number in range(first, first + count):
        out.send(("begin", number, False, ""))
        if number == 1:
            os._exit(9)
        out.send(("end", number, True, ""))
    out.send(("over", first + count, False, ""))

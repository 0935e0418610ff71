"""One frame of a recording by its time, for pictures on pages."""

from __future__ import annotations

from rallymill.video_still import still

__all__ = ["still"]

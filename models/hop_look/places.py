"""Which players of a frame the look at feet learns from."""

from __future__ import annotations

import numpy as np


def of_player(seen, box_px, rng):
    """What is seen of a player in a box (x1, y1, x2, y2) of a frame, and how tall the box is.

    None where the feet are cut off, or where the player is too small for the stage to ask.
    """
    from rallymill.stages import detect_hops

    tall = float(box_px[3] - box_px[1])
    if tall < detect_hops.LEAST_TALL_PX or box_px[3] > seen.at.shades.grey.shape[0] - 2:
        return None
    # As far off as boxes of the detector are.
    box = np.asarray(box_px) + rng.normal(0, 0.012 * tall + 0.5, 4)
    return detect_hops.looks(seen.moments, seen.matrices, box[None]), tall

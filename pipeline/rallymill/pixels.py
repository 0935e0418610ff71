"""What lies around many places of a picture, taken at once.

The detect stage looks at a dozen places of eleven pictures a frame. Threads that call a library for
each of them mostly wait for each other; here a call takes all places of a picture, and other
threads run meanwhile.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Array = NDArray[np.float64]


def around(picture: Picture, places_px: Array, into: Picture, layer: int) -> None:
    """Write what lies around places (N, 2) of a picture (H, W) into a layer of (N, layers, S, S).

    The middle of what is written lies on the place, between pixels if need be (bilinear, as
    OpenCV's ``getRectSubPix`` to a level). Beyond the edge of the picture its last pixels go on.
    """
    _around(picture, np.ascontiguousarray(places_px, dtype=np.float32), into, layer)


@njit(cache=True, nogil=True)
def _around(picture, places, into, layer):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = picture.shape
    side = into.shape[2]
    half = np.float32((side - 1) * 0.5)
    for k in range(len(places)):
        left, top = places[k, 0] - half, places[k, 1] - half
        x0, y0 = int(np.floor(left)), int(np.floor(top))
        a, b = left - np.float32(x0), top - np.float32(y0)
        one = np.float32(1.0)
        here = np.int32(np.rint((one - a) * (one - b) * np.float32(65536)))
        right = np.int32(np.rint(a * (one - b) * np.float32(65536)))
        below = np.int32(np.rint((one - a) * b * np.float32(65536)))
        beyond = np.int32(np.rint(a * b * np.float32(65536)))
        inside = x0 >= 0 and y0 >= 0 and x0 + side < width and y0 + side < height
        for y in range(side):
            out = into[k, layer, y]
            upper = picture[min(max(y0 + y, 0), height - 1)]
            lower = picture[min(max(y0 + y + 1, 0), height - 1)]
            if inside:
                # As below, but with nothing to be asked of a pixel the loop is run several at once.
                upper, lower = upper[x0 : x0 + side + 1], lower[x0 : x0 + side + 1]
                for x in range(side):
                    out[x] = (
                        here * np.int32(upper[x]) + right * np.int32(upper[x + 1])
                        + below * np.int32(lower[x]) + beyond * np.int32(lower[x + 1]) + 32768
                    ) >> 16
            else:
                for x in range(side):
                    at, after = min(max(x0 + x, 0), width - 1), min(max(x0 + x + 1, 0), width - 1)
                    out[x] = (
                        here * np.int32(upper[at]) + right * np.int32(upper[after])
                        + below * np.int32(lower[at]) + beyond * np.int32(lower[after]) + 32768
                    ) >> 16

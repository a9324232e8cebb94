"""How an outline turns at its vertices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def turns(points: FloatArray) -> FloatArray:
    """Turn (N,) at every vertex (N, 2) of a closed ring, in rad, positive from x towards y.

    In a ring with the wood on its left (shapely's ``orient``) a corner of wood is positive and an inner corner negative.
    """
    out = np.roll(points, -1, axis=0) - points
    into = np.roll(out, 1, axis=0)
    cross = into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0]
    return np.asarray(np.arctan2(cross, (into * out).sum(axis=1)))

"""The bend of an outline, as far as the loss at the cut may hang on it."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon

FloatArray = NDArray[np.float64]

BEND_MM = 5.0  # radius at which a bend counts about three quarters
_STEP_MM = 0.25
_REACH_MM = 0.5  # directions are taken over so much before and behind
_CORNER_RAD = float(np.deg2rad(35.0))


def mean_bend(polygon: Polygon) -> float:
    """Mean of tanh(5 mm · |κ|) along all rings of an outline, corners left out; 0 to 1.

    κ is the turn per length between the chords of 0.5 mm before and behind. Within that reach of a corner (a turn of
    35° or more within 0.2 mm) there is no curvature to speak of, and nothing is counted.
    """
    total = length = 0.0
    for ring in shapely.get_rings(polygon):
        bend, counted = _ring_bend(ring)
        total += float(np.tanh(BEND_MM * bend[counted]).sum())
        length += float(counted.sum())
    return total / length if length else 0.0


def _ring_bend(ring: LinearRing) -> tuple[FloatArray, NDArray[np.bool_]]:
    """|κ| [1/mm] at even places along a ring, and which of them are far enough from corners; weights are equal."""
    perimeter = float(ring.length)
    s = np.linspace(0.0, perimeter, max(int(np.ceil(perimeter / _STEP_MM)), 12), endpoint=False)
    reach = min(_REACH_MM, perimeter / 12)
    bend = np.abs(_turn(ring, s, reach)) / reach
    fine = np.linspace(0.0, perimeter, max(int(np.ceil(perimeter / 0.05)), 24), endpoint=False)
    corners = fine[np.abs(_turn(ring, fine, min(0.1, reach))) >= _CORNER_RAD]
    if len(corners) == 0:
        return bend, np.ones(len(s), bool)
    after = np.searchsorted(corners, s) % len(corners)
    ahead = (corners[after] - s) % perimeter
    behind = (s - corners[after - 1]) % perimeter
    return bend, np.minimum(ahead, behind) > reach


def _turn(ring: LinearRing, s: FloatArray, reach: float) -> FloatArray:
    """Angle (N,) between the chords of length ``reach`` behind and ahead of places along a ring."""
    behind, here, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(ring, np.mod(s + d, ring.length)))
        for d in (-reach, 0.0, reach)
    )
    a, b = here - behind, ahead - here
    return np.asarray(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)))

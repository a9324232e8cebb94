"""Whether two outlines are the same piece of a drawing."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

_SAME_MM = 0.01  # one drawing, saved twice
_SAME_MEAN_MM = 0.005


def same_outline(one: Polygon, other: Polygon) -> bool:
    """Whether two outlines lie on each other: nowhere 0.01 mm apart, and 0.005 mm on average."""
    return bool(
        len(one.interiors) == len(other.interiors)
        and np.abs(np.subtract(one.bounds, other.bounds)).max() < _SAME_MM
        and one.hausdorff_distance(other) < _SAME_MM
        and one.symmetric_difference(other).area <= _SAME_MEAN_MM * other.length
    )

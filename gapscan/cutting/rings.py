"""Outlines as lines and cubic Béziers, and back to points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.design.flatten import flatten_cubic

FloatArray = NDArray[np.float64]
PointMm = tuple[float, float]

CHECK_CHORD_MM = 0.0004  # fine enough to judge a thousandth of a millimetre by


@dataclass(frozen=True)
class Line:
    """A straight segment; points (x, y) in mm."""

    start_mm: PointMm
    end_mm: PointMm


@dataclass(frozen=True)
class Cubic:
    """A cubic Bézier: start, two control points, end; (x, y) in mm."""

    start_mm: PointMm
    first_mm: PointMm
    second_mm: PointMm
    end_mm: PointMm


Segment = Line | Cubic
Ring = tuple[Segment, ...]


def flatten(ring: Ring, *, chord_mm: float = CHECK_CHORD_MM) -> FloatArray:
    """Points (N, 2) of a ring, the last one equal to the first; no chord leaves the curve by more than ``chord_mm``."""
    runs = [np.array([ring[0].start_mm])]
    for segment in ring:
        if isinstance(segment, Line):
            runs.append(np.array([segment.end_mm]))
        else:
            control = np.array([segment.start_mm, segment.first_mm, segment.second_mm, segment.end_mm])
            runs.append(flatten_cubic(control, chord_mm=chord_mm))
    return np.concatenate(runs)


def flat_outline(rings: tuple[Ring, ...], *, chord_mm: float = CHECK_CHORD_MM) -> Polygon | MultiPolygon:
    """The area that rings enclose by the even-odd rule."""
    area: Polygon | MultiPolygon = Polygon()
    for ring in rings:
        area = area.symmetric_difference(Polygon(flatten(ring, chord_mm=chord_mm)))
    return area

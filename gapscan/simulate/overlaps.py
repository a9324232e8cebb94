"""Pieces that lie on top of each other: found on the geometry, and handed back to the layout as contacts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon

from gapscan.simulate.poses import Bodies, Contacts, gap_rows

FloatArray = NDArray[np.float64]

_SMALLEST_MM = 3e-4  # overlapping parts smaller than this squared are rounding
_LONGEST_MM = 0.2


@dataclass(frozen=True)
class Overlap:
    """One overlapping part of two outlines.

    first, second  indices; xy_mm (2,) its middle; normal (2,) the way the second must go; depth_mm how far
    """

    first: int
    second: int
    xy_mm: FloatArray
    normal: FloatArray
    depth_mm: float


def find_overlaps(outlines: list[Polygon]) -> list[Overlap]:
    """Every overlap between two outlines, deepest first.

    Depth is the shortest way the second outline must go to be free of the first, of sixteen directions.
    """
    tree = shapely.STRtree(outlines)
    found = []
    for i, j in tree.query(outlines, predicate="intersects").T:
        if i >= j:
            continue
        for part in shapely.get_parts(outlines[i].intersection(outlines[j])):
            if part.area > _SMALLEST_MM**2:
                found.append(_overlap(int(i), int(j), part, outlines))
    return sorted(found, key=lambda o: -o.depth_mm)


def _overlap(first: int, second: int, part: Polygon, outlines: list[Polygon]) -> Overlap:
    """Try sixteen ways; for each, halve the distance that frees the two near the overlapping part."""
    near = part.buffer(_LONGEST_MM + 0.1)
    fixed, moving = outlines[first].intersection(near), outlines[second].intersection(near)
    angles = np.arange(16) * np.pi / 8
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    depth, best = _LONGEST_MM, None
    for way in ways:
        if not _free(fixed, moving, depth * way):
            continue
        low, high = 0.0, depth
        while high - low > 0.0004:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if _free(fixed, moving, middle * way) else (middle, high)
        depth, best = high, way
    if best is None:
        # No way out, as of a piece that fills its hole: the thickness of the common strip, the way that leaves least.
        depth = min(_LONGEST_MM, 2 * float(part.area / part.length))
        moved = [affinity.translate(moving, *(depth * way)) for way in ways]
        best = ways[int(np.argmin([fixed.intersection(shape).area for shape in moved]))]
    return Overlap(first, second, np.array(part.centroid.coords[0]), best, depth)


def _free(fixed: Polygon, moving: Polygon, move: FloatArray) -> bool:
    moved = affinity.translate(moving, move[0], move[1])
    return float(fixed.intersection(moved).area) < _SMALLEST_MM**2


def add_overlaps(bodies: Bodies, contacts: Contacts, poses: FloatArray, overlaps: list[Overlap]) -> Contacts:
    """Contacts with the overlaps added, their gaps counted back to the pieces lying as drawn.

    poses (P, 3) x, y mm, turn radians: the layout in which the overlaps were found.
    """
    more = Contacts(
        first=np.array([o.first for o in overlaps]),
        second=np.array([o.second for o in overlaps]),
        xy_mm=np.array([o.xy_mm for o in overlaps]),
        normal=np.array([o.normal for o in overlaps]),
        gap_mm=np.array([-o.depth_mm for o in overlaps]),
    )
    scaled = poses.copy()
    scaled[:, 2] *= bodies.gyration_mm
    row, column, value = gap_rows(bodies, more)
    moved = np.bincount(row, value * scaled.ravel()[column], len(overlaps))
    return Contacts(
        np.concatenate([contacts.first, more.first]),
        np.concatenate([contacts.second, more.second]),
        np.concatenate([contacts.xy_mm, more.xy_mm]),
        np.concatenate([contacts.normal, more.normal]),
        np.concatenate([contacts.gap_mm, more.gap_mm - moved]),
    )

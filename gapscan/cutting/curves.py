"""Outlines as lines and cubic Béziers: few nodes, corners kept, closed.

An outline comes here as a fine polyline whose vertices lie on the curve that was drawn (moved by the offset). Corners
and straight edges stay as they are; the stretches between become cubics (:mod:`gapscan.cutting.fit`).
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LinearRing, MultiPolygon, Polygon

from gapscan.cutting.fit import FIT_MM, SAME_LINE_MM, fitted, pair, unit
from gapscan.cutting.rings import Line, Ring, Segment, flat_outline, flatten
from gapscan.cutting.turns import turns

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Between two vertices the polyline cuts off up to 0.002 mm of the drawn curve (design.flatten), a little more after
# growing a small radius; an edge that would have to bulge more than this to be part of a curve is a straight one.
BULGE_MM = 0.0065
CORNER_DEG = 25.0


def curved_rings(outline: Polygon | MultiPolygon) -> tuple[Ring, ...]:
    """The rings of an outline (outer boundaries and holes, for the even-odd rule), each closed.

    Every vertex of the outline lies within ``2 FIT_MM`` of the result, and the result within ``BULGE_MM + FIT_MM`` of
    the outline. A ring for which that cannot be had, and every ring of a part that would cross itself, stays the
    polyline.
    """
    rings: list[Ring] = []
    for part in outline.geoms if isinstance(outline, MultiPolygon) else (outline,):
        if part.is_empty:
            continue
        drawn = [shapely.get_coordinates(ring)[:-1] for ring in (part.exterior, *part.interiors)]
        curved = [_curved(points) for points in drawn]
        rings += curved if _sound(curved) else [_lines(points) for points in drawn]
    return tuple(rings)


def fine_outline(outline: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """The outline with the curves between its vertices drawn out, so that moving it makes no error at its corners.

    The chords that a curve was cut into meet a corner at another angle than the curve itself; at a sharp tip that moves
    the point where two offset sides meet by hundredths of a millimetre.
    """
    rings = curved_rings(outline)
    if all(isinstance(segment, Line) for ring in rings for segment in ring):
        return outline
    return flat_outline(rings)


def _sound(rings: list[Ring]) -> bool:
    """Whether the rings of one part, flattened, make a valid polygon: none crosses itself or another one."""
    outer, *holes = [flatten(ring) for ring in rings]
    return bool(Polygon(outer, holes).is_valid)


def _lines(points: FloatArray) -> Ring:
    return tuple(Line(pair(a), pair(b)) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True))


def _curved(drawn: FloatArray) -> Ring:
    """One ring fitted and checked; its own polyline where the check fails."""
    points = _tidy(drawn)
    if len(points) < 4:
        return _lines(drawn)
    corner, straight = _kinds(points)
    tangent = _tangents(points)
    breaks = np.flatnonzero(corner | straight | np.roll(straight, 1))
    smooth = not len(breaks)
    if smooth:
        breaks = np.array([0])
    segments: list[Segment] = []
    for start, end in zip(breaks, [*breaks[1:], breaks[0] + len(points)], strict=True):
        along = np.arange(start, end + 1) % len(points)
        if len(along) == 2:
            segments.append(Line(pair(points[along[0]]), pair(points[along[1]])))
            continue
        own = tangent[along]
        if not smooth:
            own[0] = _end_tangent(points[along[:3]])
            own[-1] = -_end_tangent(points[along[:-4:-1]])
        segments += fitted(points[along], own)
    ring = tuple(segments)
    return ring if len(ring) > 1 and _close(ring, drawn) else _lines(drawn)


def _tidy(drawn: FloatArray) -> FloatArray:
    """The vertices that say something, beginning at the sharpest: points that lie on one line are left out."""
    begin = int(np.argmax(np.abs(turns(drawn))))
    ring = LinearRing(np.roll(drawn, -begin, axis=0)).simplify(SAME_LINE_MM)
    return np.asarray(shapely.get_coordinates(ring)[:-1])


def _kinds(points: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Which vertices are corners, and which edges (from each vertex to the next) are straight ones."""
    turn = np.abs(turns(points))
    around = np.maximum(np.roll(turn, 1), np.roll(turn, -1))
    # A blunter corner shows in that it turns by far more than the vertices of the curves beside it.
    corner = (turn > np.radians(CORNER_DEG)) | ((turn > np.radians(6.0)) & (turn > 2.5 * around))
    length = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    at_end, corner_at_end = np.roll(turn, -1), np.roll(corner, -1)
    # A chord L of a circle, with the same turn θ at both its ends, is cut off by a height of L θ / 8.
    bulge = length * (np.where(corner, at_end, turn) + np.where(corner_at_end, turn, at_end)) / 16.0
    return corner, (bulge > BULGE_MM) | (corner & corner_at_end)


def _tangents(points: FloatArray) -> FloatArray:
    """Unit tangents (N, 2) at the vertices of a closed ring: of the circle through each and its two neighbours."""
    out = np.roll(points, -1, axis=0) - points
    length = np.hypot(*out.T)[:, None]
    out = out / length
    before = np.roll(length, 1, axis=0)
    # The tangent divides the turn in proportion to the lengths of the two chords.
    return unit(np.roll(out, 1, axis=0) * length + out * before)


def _end_tangent(three: FloatArray) -> FloatArray:
    """Unit tangent (2,) at the first of three points, of the circle through them."""
    edges = np.diff(three, axis=0)
    length = np.hypot(*edges.T)
    turn = np.arctan2(edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0], edges[0] @ edges[1])
    back = -turn * length[0] / length.sum()
    cos, sin = np.cos(back), np.sin(back)
    return np.asarray(np.array([[cos, -sin], [sin, cos]]) @ edges[0] / length[0])


def _close(ring: Ring, drawn: FloatArray) -> bool:
    """Whether ring and polyline lie as near to each other as promised."""
    curve = LinearRing(flatten(ring))
    if not curve.is_simple:
        return False
    vertices_off = shapely.distance(shapely.points(drawn), _prepared(curve)).max()
    curve_off = shapely.distance(shapely.points(shapely.get_coordinates(curve)), _prepared(LinearRing(drawn))).max()
    return bool(vertices_off <= 2 * FIT_MM and curve_off <= BULGE_MM + FIT_MM)


def _prepared(ring: LinearRing) -> LinearRing:
    shapely.prepare(ring)  # keeps an index of the segments for distances
    return ring

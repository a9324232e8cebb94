"""Outlines as lines and cubic Béziers: few nodes, corners kept, closed.

An outline comes here as a fine polyline whose vertices lie on the curve that was drawn (moved by the offset). Corners
and straight edges stay as they are; the stretches between are fitted by cubics with their end tangents held, by
P. J. Schneider, "An algorithm for automatically fitting digitized curves", Graphics Gems (1990), pp. 612-626: least
squares for the two handle lengths, Newton steps for the parameters. Not the split where the fit is worst, though: each
cubic reaches as far as one can, which takes a third fewer of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LinearRing, MultiPolygon, Polygon

from gapscan.design.flatten import flatten_cubic

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
PointMm = tuple[float, float]

FIT_MM = 0.001  # a cubic passes every vertex of the polyline within this
# Between two vertices the polyline cuts off up to 0.002 mm of the drawn curve (design.flatten), a little more after
# growing a small radius; an edge that would have to bulge more than this to be part of a curve is a straight one.
BULGE_MM = 0.0065
CORNER_DEG = 25.0
_CHECK_CHORD_MM = 0.0004
_SAME_LINE_MM = 0.0001
_STEPS = 12


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
        fitted = [_curved(points) for points in drawn]
        if not _sound(fitted):
            fitted = [_lines(points) for points in drawn]
        rings += fitted
    return tuple(rings)


def flatten(ring: Ring, *, chord_mm: float = _CHECK_CHORD_MM) -> FloatArray:
    """Points (N, 2) of a ring, the last one equal to the first; no chord leaves the curve by more than ``chord_mm``."""
    runs = [np.array([ring[0].start_mm])]
    for segment in ring:
        if isinstance(segment, Line):
            runs.append(np.array([segment.end_mm]))
        else:
            control = np.array([segment.start_mm, segment.first_mm, segment.second_mm, segment.end_mm])
            runs.append(flatten_cubic(control, chord_mm=chord_mm))
    return np.concatenate(runs)


def flat_outline(rings: tuple[Ring, ...], *, chord_mm: float = _CHECK_CHORD_MM) -> Polygon | MultiPolygon:
    """The area that rings enclose by the even-odd rule."""
    area: Polygon | MultiPolygon = Polygon()
    for ring in rings:
        area = area.symmetric_difference(Polygon(flatten(ring, chord_mm=chord_mm)))
    return area


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
    return tuple(Line(_pair(a), _pair(b)) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True))


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
            segments.append(Line(_pair(points[along[0]]), _pair(points[along[1]])))
            continue
        own = tangent[along]
        if not smooth:
            own[0] = _end_tangent(points[along[:3]])
            own[-1] = -_end_tangent(points[along[:-4:-1]])
        segments += _fitted(points[along], own)
    ring = tuple(segments)
    return ring if len(ring) > 1 and _close(ring, drawn) else _lines(drawn)


def _tidy(drawn: FloatArray) -> FloatArray:
    """The vertices that say something, beginning at the sharpest: points that lie on one line are left out."""
    begin = int(np.argmax(_turns(drawn)))
    ring = LinearRing(np.roll(drawn, -begin, axis=0)).simplify(_SAME_LINE_MM)
    return np.asarray(shapely.get_coordinates(ring)[:-1])


def _turns(points: FloatArray) -> FloatArray:
    """Turn (N,) at every vertex of a closed ring, in rad, without sign."""
    out = np.roll(points, -1, axis=0) - points
    into = np.roll(out, 1, axis=0)
    cross = into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0]
    return np.asarray(np.abs(np.arctan2(cross, (into * out).sum(axis=1))))


def _kinds(points: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Which vertices are corners, and which edges (from each vertex to the next) are straight ones."""
    turn = _turns(points)
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
    return _unit(np.roll(out, 1, axis=0) * length + out * before)


def _end_tangent(three: FloatArray) -> FloatArray:
    """Unit tangent (2,) at the first of three points, of the circle through them."""
    edges = np.diff(three, axis=0)
    length = np.hypot(*edges.T)
    turn = np.arctan2(edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0], edges[0] @ edges[1])
    back = -turn * length[0] / length.sum()
    cos, sin = np.cos(back), np.sin(back)
    return np.asarray(np.array([[cos, -sin], [sin, cos]]) @ edges[0] / length[0])


def _fitted(points: FloatArray, tangent: FloatArray) -> list[Segment]:
    """Cubics through a smooth stretch: vertices (N, 2) and the unit tangents there."""
    edge = np.hypot(*np.diff(points, axis=0).T)[:, None]
    # Half-way points by cubic Hermite interpolation, so that a fit is held to the curve between the vertices too.
    half = (points[:-1] + points[1:]) / 2 + edge / 8 * (tangent[:-1] - tangent[1:])
    dense = np.empty((2 * len(points) - 1, 2))
    dense[::2], dense[1::2] = points, half
    found: list[Segment] = []
    start, last = 0, len(points) - 1
    while start < last:
        control, end = _longest(dense, tangent, start, last)
        found.append(_segment(control))
        start = end
    return found


def _longest(dense: FloatArray, tangent: FloatArray, start: int, last: int) -> tuple[FloatArray, int]:
    """The cubic from ``start`` that reaches as far as one can, and its end: by doubling, then by halving."""
    end, beyond, step = start + 1, last + 1, 2
    best = _one(dense, tangent, start, end)
    while end < last:
        trial = min(start + step, last)
        control = _one(dense, tangent, start, trial)
        if control is None:
            beyond = trial
            break
        best, end, step = control, trial, 2 * step
    while beyond - end > 1:
        trial = (end + beyond) // 2
        control = _one(dense, tangent, start, trial)
        if control is None:
            beyond = trial
        else:
            best, end = control, trial
    if best is None:
        raise AssertionError("between two neighbouring vertices a cubic always fits")
    return best, end


def _one(dense: FloatArray, tangent: FloatArray, i: int, j: int) -> FloatArray | None:
    """Control points (4, 2) of one cubic from vertex i to j, or None where it leaves a vertex by over ``FIT_MM``."""
    target = dense[2 * i : 2 * j + 1]
    first, last = tangent[i], -tangent[j]
    length = np.hypot(*np.diff(target, axis=0).T)
    if j - i == 1:
        return _control(target, first, last, np.full(2, length.sum() / 3.0))
    u = np.concatenate([[0.0], np.cumsum(length)])
    whole = float(u[-1])
    u /= whole
    for _ in range(_STEPS):
        handles = _handles(target, u, first, last)
        if not ((handles > 0.02 * whole) & (handles < whole)).all():
            return None
        control = _control(target, first, last, handles)
        off = _bezier(control, u) - target
        error = np.hypot(*off.T)
        if error.max() <= FIT_MM:
            return control
        if error.max() > 60.0 * FIT_MM:
            break
        u = _newton(control, off, u)
    return None


def _handles(target: FloatArray, u: FloatArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Lengths (2,) of the two handles by least squares; NaN where they are not determined."""
    v = 1.0 - u
    a = (3 * v**2 * u)[:, None] * first
    b = (3 * v * u**2)[:, None] * last
    rest = target - (v**3 + 3 * v**2 * u)[:, None] * target[0] - (u**3 + 3 * v * u**2)[:, None] * target[-1]
    aa, ab, bb = (a * a).sum(), (a * b).sum(), (b * b).sum()
    det = aa * bb - ab * ab
    if det < 1e-12 * aa * bb:
        return np.full(2, np.nan)
    ra, rb = (a * rest).sum(), (b * rest).sum()
    return np.asarray(np.array([ra * bb - rb * ab, aa * rb - ab * ra]) / det)


def _control(target: FloatArray, first: FloatArray, last: FloatArray, handles: FloatArray) -> FloatArray:
    return np.array([target[0], target[0] + handles[0] * first, target[-1] + handles[1] * last, target[-1]])


def _bezier(control: FloatArray, u: FloatArray) -> FloatArray:
    """Points of a Bézier of any degree at parameters u (N,), by de Casteljau."""
    points = np.repeat(control[:, None, :], len(u), axis=1)
    while len(points) > 1:
        points = points[:-1] + u[:, None] * (points[1:] - points[:-1])
    return np.asarray(points[0])


def _newton(control: FloatArray, off: FloatArray, u: FloatArray) -> FloatArray:
    """Parameters one Newton step nearer to the feet of the perpendiculars, in order, ends held."""
    slope = _bezier(3 * np.diff(control, axis=0), u)
    bend = _bezier(6 * np.diff(control, n=2, axis=0), u)
    down = (slope * slope).sum(axis=1) + (off * bend).sum(axis=1)
    better = u - np.where(down > 1e-12, (off * slope).sum(axis=1) / np.where(down > 1e-12, down, 1.0), 0.0)
    better = np.maximum.accumulate(np.clip(better, 0.0, 1.0))
    better[0], better[-1] = 0.0, 1.0
    return better


def _segment(control: FloatArray) -> Segment:
    """A cubic, or a line where it is one."""
    start, end = control[0], control[-1]
    along = _unit((end - start)[None])[0]
    off = np.abs((control[1:3] - start) @ np.array([-along[1], along[0]]))
    if off.max() < _SAME_LINE_MM:
        return Line(_pair(start), _pair(end))
    return Cubic(*(_pair(p) for p in control))


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


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.hypot(*vectors.T), 1e-300)[:, None])


def _pair(point: FloatArray) -> PointMm:
    return float(point[0]), float(point[1])

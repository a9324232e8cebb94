"""One DXF entity to points in drawing units: lines, arcs, polylines with bulges, circles, ellipses, splines."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.design.drawn import CLOSE_MM
from gapscan.design.flatten import CHORD_MM, flatten_arc

FloatArray = NDArray[np.float64]

_MOST_STEPS = 2000


def curve_points(entity: Any, chord: float) -> tuple[FloatArray, bool] | None:
    """(N, 2) points of a curve in drawing units, and whether it is closed; None when it is not a curve.

    A closed curve does not repeat its first point, or does: both are allowed. ``chord`` is the chord tolerance in
    drawing units. Raises ValueError and its like on damaged entities.
    """
    kind = entity.dxftype()
    if kind == "LWPOLYLINE":
        at = [(x, y, b) for x, y, b in entity.get_points("xyb")]
        return _closing(_bulged(at, bool(entity.closed), entity, chord), bool(entity.closed), chord)
    if kind == "POLYLINE" and (entity.is_2d_polyline or entity.is_3d_polyline):
        # flag 16: frame of a spline or fitted curve, of which the other vertices are points (DXF reference, VERTEX)
        vertices = [v for v in entity.vertices if not int(v.dxf.get("flags", 0)) & 16]
        at = [(v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in vertices]
        return _closing(_bulged(at, bool(entity.is_closed), entity, chord), bool(entity.is_closed), chord)
    if kind == "SPLINE":
        return _closing(_spline(entity.construction_tool(), chord), False, chord)
    return _simple(entity, kind, chord)


def _simple(entity: Any, kind: str, chord: float) -> tuple[FloatArray, bool] | None:
    if kind == "LINE":
        return np.array([[p.x, p.y] for p in (entity.dxf.start, entity.dxf.end)]), False
    if kind in ("CIRCLE", "ARC"):
        return _arc(entity, kind, chord)
    if kind == "ELLIPSE":
        return _ellipse(entity, chord)
    return None


def _closing(points: FloatArray | None, closed: bool, chord: float) -> tuple[FloatArray, bool] | None:
    """Closed also where the ends coincide."""
    if points is None:
        return None
    meet = np.hypot(*(points[0] - points[-1])) <= CLOSE_MM * chord / CHORD_MM
    return points, len(points) > 2 and bool(closed or meet)


def _arc(entity: Any, kind: str, chord: float) -> tuple[FloatArray, bool]:
    centre = np.array([entity.dxf.center.x, entity.dxf.center.y])
    axes = np.eye(2) * float(entity.dxf.radius)
    start, sweep = 0.0, 2 * math.pi
    if kind == "ARC":
        start = math.radians(entity.dxf.start_angle)
        sweep = math.radians((entity.dxf.end_angle - entity.dxf.start_angle) % 360.0) or 2 * math.pi
    points = flatten_arc(centre, axes, start_rad=start, sweep_rad=sweep, chord_mm=chord)
    if sweep < 2 * math.pi:
        first = centre + math.cos(start) * axes[0] + math.sin(start) * axes[1]
        points = np.concatenate([first[None], points])
    return _world(entity, points.tolist()), sweep >= 2 * math.pi - 1e-9


def _ellipse(entity: Any, chord: float) -> tuple[FloatArray, bool]:
    start, end = float(entity.dxf.start_param), float(entity.dxf.end_param)
    sweep = end - start
    whole = abs(abs(sweep) - 2 * math.pi) < 1e-6
    sweep = 2 * math.pi if whole else sweep % (2 * math.pi)
    axes = np.array([[a.x, a.y] for a in (entity.dxf.major_axis, entity.minor_axis)])
    centre = np.array([entity.dxf.center.x, entity.dxf.center.y])
    points = flatten_arc(centre, axes, start_rad=0.0 if whole else start, sweep_rad=sweep, chord_mm=chord)
    if not whole:
        first = centre + math.cos(start) * axes[0] + math.sin(start) * axes[1]
        points = np.concatenate([first[None], points])
    return points, whole


def _spline(curve: Any, chord: float) -> FloatArray:
    """A B-spline over its own domain, from knot ``degree`` to knot ``count``.

    ezdxf flattens from the first knot to the last, which leaves the curve where the knots are not clamped
    (closed periodic splines). Even steps within each knot span, doubled until the curve's middle lies within
    the chord tolerance of each chord.
    """
    from scipy.interpolate import BSpline

    control = np.array([[p.x, p.y] for p in curve.control_points])
    weights = np.array(curve.weights() or np.ones(len(control)), dtype=float)
    knots, degree = np.array(curve.knots(), dtype=float), int(curve.order) - 1
    homogeneous = BSpline(knots, np.column_stack([control * weights[:, None], weights]), degree)

    def at(t: FloatArray) -> FloatArray:
        p = homogeneous(t)
        return np.asarray(p[:, :2] / p[:, 2:])

    spans = np.unique(knots[degree : len(control) + 1])
    parts = [at(spans[:1])]
    for t0, t1 in itertools.pairwise(spans):
        steps = 2
        while True:
            points = at(np.linspace(t0, t1, 2 * steps + 1))
            ends, middles = points[::2], points[1::2]
            if np.hypot(*(middles - (ends[1:] + ends[:-1]) / 2).T).max() <= chord or steps > _MOST_STEPS:
                break
            steps *= 2
        parts.append(ends[1:])
    return np.concatenate(parts)


def _bulged(vertices: list[tuple[float, float, float]], closed: bool, entity: Any, chord: float) -> FloatArray | None:
    """A polyline with bulges: bulge = tan(sweep / 4), positive anticlockwise (DXF reference)."""
    if len(vertices) < 2:
        return None
    ends = np.array([v[:2] for v in vertices])
    parts: list[FloatArray] = [ends[:1]]
    following = vertices[1:] + (vertices[:1] if closed else [])
    for (x0, y0, bulge), (x1, y1, _) in zip(vertices, following, strict=False):
        a, b = np.array([x0, y0]), np.array([x1, y1])
        if abs(bulge) < 1e-9 or np.array_equal(a, b):
            parts.append(b[None])
            continue
        half = (b - a) / 2
        # distance from the chord's middle to the centre, in half chords: (1 - bulge²) / (2 bulge), to the
        # left
        centre = a + half + np.array([-half[1], half[0]]) * (1 - bulge**2) / (2 * bulge)
        start = float(np.arctan2(*(a - centre)[::-1]))
        axes = np.eye(2) * float(np.hypot(*(a - centre)))
        arc = flatten_arc(centre, axes, start_rad=start, sweep_rad=4 * math.atan(bulge), chord_mm=chord)
        arc[-1] = b
        parts.append(arc)
    return _world(entity, np.concatenate(parts).tolist())


def _world(entity: Any, points: list[Any]) -> FloatArray:
    """Object to world coordinates: entities drawn from behind have an extrusion of (0, 0, -1)."""
    ocs = entity.ocs()
    if not ocs.transform:
        return np.asarray(points, dtype=float)
    return np.array([[p.x, p.y] for p in ocs.points_to_wcs([(x, y, 0.0) for x, y in points])])

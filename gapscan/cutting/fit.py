"""Cubic Béziers through the vertices of a smooth stretch, end tangents held.

P. J. Schneider, "An algorithm for automatically fitting digitized curves", Graphics Gems (1990), pp. 612-626: least
squares for the two handle lengths, Newton steps for the parameters. Not the split where the fit is worst, though: each
cubic reaches as far as one can, which takes a third fewer of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.cutting.rings import Cubic, Line, PointMm, Segment

FloatArray = NDArray[np.float64]

FIT_MM = 0.001  # a cubic passes every vertex within this
SAME_LINE_MM = 0.0001
_STEPS = 12


def fitted(points: FloatArray, tangent: FloatArray) -> list[Segment]:
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
    along = unit((end - start)[None])[0]
    off = np.abs((control[1:3] - start) @ np.array([-along[1], along[0]]))
    if off.max() < SAME_LINE_MM:
        return Line(pair(start), pair(end))
    return Cubic(*(pair(p) for p in control))


def unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.hypot(*vectors.T), 1e-300)[:, None])


def pair(point: FloatArray) -> PointMm:
    return float(point[0]), float(point[1])

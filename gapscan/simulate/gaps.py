"""The truth about a gap, measured on the geometry itself: no picture, no model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from gapscan.design.types import Seam

FloatArray = NDArray[np.float64]

_INSIDE_MM = 0.03  # a place that belongs to a piece as drawn, seen from the seam
_FARTHEST_MM = 0.3
_REACHES_MM = (0.3, 0.9)  # short first: a long probe may reach through the tip of a narrow piece


@dataclass(frozen=True)
class SeamStations:
    """Stations of the simulator's own along one drawn seam.

    s_mm (N,), xy_mm (N, 2), normal (N, 2) from the seam's first piece to its second
    """

    s_mm: FloatArray
    xy_mm: FloatArray
    normal: FloatArray


def stations_along(seam: Seam, first: Polygon, *, step_mm: float = 0.5, ends: bool = False) -> SeamStations:
    """Evenly spaced stations along a seam, half a step from the ends of each stretch.

    ``first`` is the drawn outline of the seam's first piece; it decides the side of the normals. ``ends``
    adds a station close to each end of each stretch.
    """
    s_all, xy_all, normal_all = [], [], []
    done = 0.0
    for stretch in seam.stretches:
        points = stretch.points_mm
        bits = np.diff(points, axis=0)
        length = np.hypot(bits[:, 0], bits[:, 1])
        bits, length = bits[length > 0], length[length > 0]
        along = np.concatenate([[0.0], np.cumsum(length)])
        count = max(round(float(along[-1]) / step_mm), 1)
        s = (np.arange(count) + 0.5) * along[-1] / count
        if ends and along[-1] > 0.1:
            s = np.concatenate([[0.03], s, [along[-1] - 0.03]])
        bit = np.clip(np.searchsorted(along, s, side="right") - 1, 0, len(bits) - 1)
        tangent = bits[bit] / length[bit, None]
        start = np.vstack([points[:1], points[0] + np.cumsum(bits, axis=0)])[bit]
        xy = start + (s - along[bit])[:, None] * tangent
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
        # a hair's breadth along the normal must leave the first piece
        inside = shapely.contains_xy(first, xy + 1e-3 * normal)
        normal = np.where(inside[:, None], -normal, normal)
        s_all.append(done + s)
        xy_all.append(xy)
        normal_all.append(normal)
        done += float(along[-1])
    return SeamStations(np.concatenate(s_all), np.concatenate(xy_all), np.concatenate(normal_all))


def gaps_along(first: Polygon, second: Polygon, xy_mm: FloatArray, normal: FloatArray) -> FloatArray:
    """Clear distance between two outlines along the normals; (N,) mm, negative where they overlap.

    first, second  outlines as lying in the fit (projection: the larger face)
    xy_mm, normal  (N, 2) stations on the drawn seam, normals from the first piece to the second
    NaN where a normal misses one of the pieces (beyond the end of a corner that is cut back).
    """
    gap = np.full(len(xy_mm), np.nan)
    for reach in _REACHES_MM:
        todo = np.flatnonzero(np.isnan(gap))
        if len(todo) == 0:
            break
        xy, n = xy_mm[todo], normal[todo]
        probes = shapely.linestrings(np.stack([xy - reach * n, xy + reach * n], axis=1))
        near = shapely.union_all(shapely.buffer(probes, 0.05, quad_segs=1))
        low = _own_run(first.intersection(near), probes, xy, n, -_INSIDE_MM)[:, 1]
        high = _own_run(second.intersection(near), probes, xy, n, _INSIDE_MM)[:, 0]
        # a run that begins so far on the wrong side is another part of the piece; its own edge is cut
        # away here
        astray = (low > _FARTHEST_MM) | (high < -_FARTHEST_MM)
        gap[todo] = np.where(astray, np.nan, high - low)
    return gap


def _own_run(
    shape: BaseGeometry, probes: NDArray[np.object_], xy: FloatArray, n: FloatArray, at_mm: float
) -> FloatArray:
    """Where each probe is inside the shape: start and end (N, 2) of the run nearest ``at_mm``, or NaN.

    Near a narrow tip a probe can pass through the neighbour into the same piece again; that run is not
    the edge.
    """
    shapely.prepare(shape)
    runs, index = shapely.get_parts(shapely.intersection(shape, probes), return_index=True)
    straight = shapely.get_type_id(runs) == 1  # a touched point is no run
    runs, index = runs[straight & ~shapely.is_empty(runs)], index[straight & ~shapely.is_empty(runs)]
    found = np.full((len(xy), 2), np.nan)
    if len(runs) == 0:
        return found
    points, run = shapely.get_coordinates(runs, return_index=True)
    t = ((points - xy[index[run]]) * n[index[run]]).sum(axis=1)
    start, end = np.full(len(runs), np.inf), np.full(len(runs), -np.inf)
    np.minimum.at(start, run, t)
    np.maximum.at(end, run, t)
    away = np.maximum(np.maximum(start - at_mm, at_mm - end), 0.0)
    order = np.lexsort((-(end - start), away))[::-1]  # nearest last, so that it is the one that stays
    found[index[order]] = np.column_stack([start, end])[order]
    return found

"""Exact-area scan conversion of polygons.

Every edge is split where it crosses pixel rows and pixel columns. Each bit then lies inside one pixel and
adds its signed height to that pixel's "cover", and the trapezium to its right to the pixel's area (Green's
theorem in the form area = ∮ x dy, the way anti-aliasing font rasterisers do it). A running sum along rows
turns it into coverage. No sampling is involved: the sum of the coverage is the polygon's area to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

FloatArray = NDArray[np.float64]
Coverage = NDArray[np.float32]

_CHUNK_EDGES = 200_000  # keeps the split edges of a large drawing within a few hundred megabytes


@dataclass(frozen=True)
class Window:
    """A rectangle of pixels: rows row..row+height, columns column..column+width."""

    row: int
    column: int
    height: int
    width: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Index of this window in a full (H, W) array."""
        return slice(self.row, self.row + self.height), slice(self.column, self.column + self.width)


def window_of(geometry: BaseGeometry, shape: tuple[int, int], *, margin_px: float = 1.0) -> Window | None:
    """The pixels of an (H, W) picture that ``geometry`` (pixel coordinates) can touch; None when there
    are none."""
    if geometry.is_empty:
        return None
    x0, y0, x1, y1 = geometry.bounds
    rows, columns = shape
    left, right = max(int(np.floor(x0 - margin_px)), 0), min(int(np.ceil(x1 + margin_px)) + 1, columns)
    top, bottom = max(int(np.floor(y0 - margin_px)), 0), min(int(np.ceil(y1 + margin_px)) + 1, rows)
    if left >= right or top >= bottom:
        return None
    return Window(row=top, column=left, height=bottom - top, width=right - left)


def coverage(geometry: BaseGeometry, shape: tuple[int, int]) -> Coverage:
    """Share of every pixel covered by a polygon.

    geometry  Polygon or MultiPolygon in pixel coordinates (u right, v down), pixel centres at integers
    shape     (H, W)
    Returns (H, W) float32 in [0, 1]. Parts outside the picture are cut off exactly.
    """
    window = window_of(geometry, shape)
    full = np.zeros(shape, dtype=np.float32)
    if window is not None:
        full[window.slices] = coverage_in(geometry, window)
    return full


def coverage_in(geometry: BaseGeometry, window: Window) -> Coverage:
    """As :func:`coverage`, for the pixels of one window only; (height, width) float32."""
    rows, columns = window.height, window.width
    total = np.zeros(rows * (columns + 2), dtype=np.float64)
    start, end = _edges(geometry)
    # +0.5: pixel i spans i-0.5 .. i+0.5; working cells span i .. i+1
    origin = np.array([window.column - 0.5, window.row - 0.5])
    for first in range(0, len(start), _CHUNK_EDGES):
        part = slice(first, first + _CHUNK_EDGES)
        _accumulate(total, start[part] - origin, end[part] - origin, rows, columns)
    table = total.reshape(rows, columns + 2)
    np.cumsum(table, axis=1, out=table)
    return np.clip(table[:, :columns], 0.0, 1.0).astype(np.float32)


def _edges(geometry: BaseGeometry) -> tuple[FloatArray, FloatArray]:
    """Directed edges of all rings, exteriors and holes turning opposite ways, as two (M, 2) arrays."""
    polygons = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon) and not p.is_empty]
    if not polygons:
        return np.empty((0, 2)), np.empty((0, 2))
    # Exterior counter-clockwise in (x, y), holes the other way: ∮ x dy is then the area.
    rings = shapely.get_rings(shapely.orient_polygons(np.array(polygons, dtype=object)))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    joined = ring[1:] == ring[:-1]
    return points[:-1][joined], points[1:][joined]


def _accumulate(total: FloatArray, start: FloatArray, end: FloatArray, rows: int, columns: int) -> None:
    """Add the edges' cover and area to ``total``, a flat (rows, columns + 2) table of differences along
    rows."""
    # Edges may be clamped in y for free (nothing above or below counts) and are cut at the rows first.
    start, end = _clip_rows(start, end, float(rows))
    start, end = _split(start, end, axis=1)
    # Left of the window: same heights, moved onto the window's left side; right of it: no effect inside.
    start, end = _split_at_sides(start, end, float(columns))
    start, end = _split(start, end, axis=0)
    dy = start[:, 1] - end[:, 1]
    keep = dy != 0.0
    start, end, dy = start[keep], end[keep], dy[keep]
    middle = 0.5 * (start + end)
    row = np.clip(np.floor(middle[:, 1]).astype(np.int64), 0, rows - 1)
    column = np.clip(np.floor(middle[:, 0]).astype(np.int64), 0, columns)
    inside = np.clip(middle[:, 0] - column, 0.0, 1.0)
    index = row * (columns + 2) + column
    np.add.at(total, index, dy * (1.0 - inside))
    np.add.at(total, index + 1, dy * inside)


def _clip_rows(start: FloatArray, end: FloatArray, high: float) -> tuple[FloatArray, FloatArray]:
    """Cut edges to 0 <= y <= high."""
    y0, y1 = start[:, 1], end[:, 1]
    keep = (np.maximum(y0, y1) > 0.0) & (np.minimum(y0, y1) < high)
    start, end = start[keep], end[keep]
    y0, dy = start[:, 1], end[:, 1] - start[:, 1]
    safe = np.where(dy == 0.0, 1.0, dy)
    t0 = np.clip(np.where(dy == 0.0, 0.0, (np.clip(y0, 0.0, high) - y0) / safe), 0.0, 1.0)
    t1 = np.clip(np.where(dy == 0.0, 1.0, (np.clip(end[:, 1], 0.0, high) - y0) / safe), 0.0, 1.0)
    delta = end - start
    first, last = start + t0[:, None] * delta, start + t1[:, None] * delta
    # where nothing was cut keep the very same end, so that neighbouring edges still meet exactly
    last = np.where((t1 == 1.0)[:, None], end, last)
    first[:, 1], last[:, 1] = np.clip(first[:, 1], 0.0, high), np.clip(last[:, 1], 0.0, high)
    return first, last


def _split_at_sides(start: FloatArray, end: FloatArray, high: float) -> tuple[FloatArray, FloatArray]:
    """Split edges at x = 0 and x = high and clamp the outer parts onto these lines."""
    for side in (0.0, high):
        crosses = (start[:, 0] - side) * (end[:, 0] - side) < 0.0
        if crosses.any():
            a, b = start[crosses], end[crosses]
            t = (side - a[:, 0]) / (b[:, 0] - a[:, 0])
            cut = a + t[:, None] * (b - a)
            cut[:, 0] = side
            start = np.concatenate([start[~crosses], a, cut])
            end = np.concatenate([end[~crosses], cut, b])
    start, end = start.copy(), end.copy()
    start[:, 0], end[:, 0] = np.clip(start[:, 0], 0.0, high), np.clip(end[:, 0], 0.0, high)
    return start, end


def _split(start: FloatArray, end: FloatArray, *, axis: int) -> tuple[FloatArray, FloatArray]:
    """Split edges at every integer of one coordinate; the bits keep their direction."""
    a, b = start[:, axis], end[:, axis]
    low, high = np.minimum(a, b), np.maximum(a, b)
    first = np.floor(low) + 1.0
    cuts = np.maximum(np.ceil(high) - first, 0.0).astype(np.int64)  # integers strictly between
    bits = cuts + 1
    edge = np.repeat(np.arange(len(a)), bits)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(bits) - bits, bits)
    rising = (b >= a)[edge]
    # the k-th cut in the edge's own direction
    line0 = np.where(rising, first[edge] + nth - 1, first[edge] + cuts[edge] - nth)
    line1 = np.where(rising, first[edge] + nth, first[edge] + cuts[edge] - nth - 1)
    is_first, is_last = nth == 0, nth == cuts[edge]
    return (
        np.where(is_first[:, None], start[edge], _at(start[edge], end[edge], line0, axis)),
        np.where(is_last[:, None], end[edge], _at(start[edge], end[edge], line1, axis)),
    )


def _at(start: FloatArray, end: FloatArray, value: FloatArray, axis: int) -> FloatArray:
    """Points of the edges where coordinate ``axis`` equals ``value``."""
    span = end[:, axis] - start[:, axis]
    t = (value - start[:, axis]) / np.where(span == 0.0, 1.0, span)
    point = start + t[:, None] * (end - start)
    point[:, axis] = value
    return point

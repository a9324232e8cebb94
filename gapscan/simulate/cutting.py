"""Cutting one piece: from the drawn outline to the two faces that the laser leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LinearRing, Polygon

from gapscan.simulate.drawing import largest

FloatArray = NDArray[np.float64]

_STEP_MM = 0.1
_CURVED_PER_MM = 0.25  # curvature (radius 4 mm) at which the extra loss in curves is complete


@dataclass(frozen=True)
class EdgeLoss:
    """How far the cut edge lies inside the drawn one.

    uniform_mm   everywhere
    curve_mm     more, in curved parts
    ragged_rms_mm, ragged_length_mm  random part, correlated over that length
    across_grain relative shrinkage across the grain; grain_deg is the grain's direction
    """

    uniform_mm: float
    curve_mm: float = 0.0
    ragged_rms_mm: float = 0.0
    ragged_length_mm: float = 0.5
    across_grain: float = 0.0
    grain_deg: float = 0.0


def cut_piece(
    drawn: Polygon, loss: EdgeLoss, *, lean_mm: float, rng: np.random.Generator
) -> tuple[Polygon, Polygon, float]:
    """Larger face, smaller face, and the mean undersize of the larger one along the edge.

    lean_mm  thickness times tan(taper): how much further in every edge of the smaller face lies
    """
    larger, more = _inset(drawn, loss.uniform_mm), 0.0
    if loss.curve_mm or loss.ragged_rms_mm:
        larger, more = _roughen(larger, loss, rng)
    undersize = loss.uniform_mm + more
    if loss.across_grain:
        # mean of (x·a)(n·a) along the edge, a across the grain: by the divergence theorem area / perimeter
        undersize += loss.across_grain * float(drawn.area / drawn.length)
        larger = _shrink(larger, drawn, loss)
    return larger, _inset(larger, lean_mm), undersize


def _inset(polygon: Polygon, by_mm: float) -> Polygon:
    """Offset inward (outward when negative): mitred when growing, rounded re-entrant corners when
    shrinking."""
    if by_mm == 0.0:
        return polygon
    # A beam that walks round a re-entrant corner leaves it round; a corner that is grown is drawn with a
    # mitre.
    style = "round" if by_mm > 0 else "mitre"
    return largest(polygon.buffer(-by_mm, join_style=style, quad_segs=6, mitre_limit=4.0))


def _roughen(polygon: Polygon, loss: EdgeLoss, rng: np.random.Generator) -> tuple[Polygon, float]:
    """Displace densified vertices inward by the varying part of the loss; also its mean along the edge."""
    rings, total, length = [], 0.0, 0.0
    for ring in shapely.get_rings(shapely.orient_polygons(polygon)):
        count = max(int(ring.length / _STEP_MM), 24)
        s = _samples(ring, count)
        points = shapely.get_coordinates(shapely.line_interpolate_point(ring, s))
        ahead, behind = np.roll(points, -2, axis=0) - points, points - np.roll(points, 2, axis=0)
        bend = np.arctan2(ahead[:, 0] * behind[:, 1] - ahead[:, 1] * behind[:, 0], (ahead * behind).sum(axis=1))
        tangent = ahead + behind
        tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-12)
        inward = np.column_stack([-tangent[:, 1], tangent[:, 0]])  # the piece lies left of its oriented rings
        step = ring.length / count
        curvature = _blur_ring(np.abs(bend) / (2 * step), 1.0 / step)
        depth = loss.curve_mm * np.minimum(curvature / _CURVED_PER_MM, 1.0)
        if loss.ragged_rms_mm:
            noise = _blur_ring(rng.normal(size=count), loss.ragged_length_mm / 2 / step)
            depth = depth + loss.ragged_rms_mm * noise / max(float(noise.std()), 1e-12)
        # nothing varies within a third of a millimetre of a corner, or displaced edges would cross there
        corner = np.convolve(np.tile(np.abs(bend) > 0.4, 3), np.ones(9), "same")[count : 2 * count] > 0
        depth = depth * (1.0 - _blur_ring(corner.astype(np.float64), 1.0))
        rings.append(points + depth[:, None] * inward)
        total, length = total + float(depth.mean() * ring.length), length + float(ring.length)
    shape = shapely.make_valid(Polygon(rings[0], rings[1:]))
    return largest(shape), total / length


def _samples(ring: LinearRing, count: int) -> FloatArray:
    """Even places along a ring, the nearest of them moved onto each sharp vertex: no corner is cut off."""
    vertices = shapely.get_coordinates(ring)[:-1]
    bits = np.roll(vertices, -1, axis=0) - vertices
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*bits.T))[:-1]])
    before = np.roll(bits, 1, axis=0)
    turn = np.arctan2(before[:, 0] * bits[:, 1] - before[:, 1] * bits[:, 0], (before * bits).sum(axis=1))
    s = np.arange(count) * ring.length / count
    sharp = along[np.abs(turn) > 0.2]
    s[np.round(sharp / ring.length * count).astype(int) % count] = sharp
    return np.sort(s)


def _blur_ring(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian smoothing round a closed ring; sigma in samples."""
    frequency = np.fft.rfftfreq(len(values))
    return np.fft.irfft(np.fft.rfft(values) * np.exp(-2 * (np.pi * frequency * sigma) ** 2), len(values))


def _shrink(larger: Polygon, drawn: Polygon, loss: EdgeLoss) -> Polygon:
    """Scale across the grain about the drawn centroid."""
    centre = drawn.centroid
    flat = affinity.rotate(larger, -loss.grain_deg, origin=centre)
    flat = affinity.scale(flat, 1.0, 1.0 - loss.across_grain, origin=centre)
    return affinity.rotate(flat, loss.grain_deg, origin=centre)

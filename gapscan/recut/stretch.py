"""Offsets that differ from seam to seam of one piece, blended smoothly along its outline.

The further change at a seam holds along it and runs out over ``BLEND_MM`` round its ends by a raised cosine,
½ (1 − cos πt): the indicator of the seam along the outline, convolved with the half wave (π/2B) sin(πs/B), whose
integral that is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from shapely.geometry import MultiPolygon, Polygon

from gapscan.recut.offset import MITRE_LIMIT, offset_outline
from gapscan.recut.selection import Selection, Stretches
from gapscan.recut.types import SeamWindows

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

BLEND_MM = 4.0
_STEP_MM = 0.25
_REACH_MM = 2.6  # a run is about 3 mm long: farther from every run's middle an outline borders on nothing


@dataclass(frozen=True)
class _Ring:
    """One ring, corners and points between: points (N, 2), the seam that each borders on (N,) or −1, and where each
    lies along the ring (N,), which is length_mm long."""

    points_mm: FloatArray
    seam: IntArray
    s_mm: FloatArray
    length_mm: float


def find_stretches(windows: SeamWindows, outlines: tuple[Polygon, ...], which: BoolArray) -> Stretches:
    """Every seam of the pieces ``which`` (P,) as a stretch that may be offset by itself.

    A piece with one seam only has none: its even offset is that already.
    """
    piece_of: list[int] = []
    seam_of: list[int] = []
    r, c, v = [], [], []
    for piece in np.flatnonzero(which):
        runs = np.flatnonzero((windows.first == piece) | (windows.second == piece))
        seams = np.unique(windows.seam[runs])
        if len(seams) < 2:
            continue
        rings = _rings(outlines[piece], windows, int(piece))
        tree = shapely.STRtree(shapely.points(np.concatenate([ring.points_mm for ring in rings])))
        nearest = tree.nearest(shapely.points(windows.place_mm[runs]))
        for seam in seams:
            weight = np.concatenate([_blended(ring, seam) for ring in rings])[nearest]
            on = np.flatnonzero(weight > 1e-6)
            r.append(runs[on])
            c.append(np.full(len(on), len(piece_of)))
            v.append(weight[on])
            piece_of.append(int(piece))
            seam_of.append(int(seam))
    shape = (len(windows.seam), len(piece_of))
    if not piece_of:
        return Stretches(np.zeros(0, np.int64), np.zeros(0, np.int64), csr_array(shape, dtype=float))
    weights = coo_array((np.concatenate(v), (np.concatenate(r), np.concatenate(c))), shape=shape).tocsr()
    return Stretches(np.array(piece_of), np.array(seam_of), weights)


def stretched_outline(
    polygon: Polygon | MultiPolygon, windows: SeamWindows, piece: int, even_mm: float, choice: Selection
) -> Polygon | MultiPolygon:
    """The outline moved outward by ``even_mm``, and at each stretch of ``piece`` by its own change more.

    Raises InputError when nothing would be left.
    """
    grown = offset_outline(polygon, even_mm)
    parts = grown.geoms if isinstance(grown, MultiPolygon) else [grown]
    own = np.flatnonzero((choice.stretches.piece == piece) & (np.abs(choice.stretch_mm) > 1e-6))
    moved = []
    for part in parts:
        rings = []
        for ring in _rings(part, windows, piece, off_mm=abs(even_mm)):
            further = np.zeros(len(ring.points_mm))
            for k in own:
                further += choice.stretch_mm[k] * _blended(ring, choice.stretches.seam[k])
            rings.append(_moved(ring.points_mm, further))
        shape = shapely.make_valid(Polygon(rings[0], rings[1:]))
        moved += [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon)]
    # Points between two corners that lie on one line say nothing; a laser path without them is shorter.
    tidy = [p.simplify(1e-4) for p in moved if p.area > 1e-3]
    return tidy[0] if len(tidy) == 1 else MultiPolygon(tidy)


def _rings(polygon: Polygon, windows: SeamWindows, piece: int, *, off_mm: float = 0.0) -> list[_Ring]:
    """Rings of an outline, wood on the left of each as it runs (shapely's exterior is turned so), corners kept."""
    runs = np.flatnonzero((windows.first == piece) | (windows.second == piece))
    tree = shapely.STRtree(shapely.points(windows.place_mm[runs]))
    found = []
    oriented = shapely.geometry.polygon.orient(polygon)
    for ring in (oriented.exterior, *oriented.interiors):
        corners = shapely.get_coordinates(ring)[:-1]
        following = np.roll(corners, -1, axis=0)
        length = np.hypot(*(following - corners).T)
        count = np.maximum(np.ceil(length / _STEP_MM), 1).astype(int)
        t = np.concatenate([np.arange(n) / n for n in count])
        points = np.repeat(corners, count, axis=0) * (1 - t[:, None]) + np.repeat(following, count, axis=0) * t[:, None]
        seam = np.full(len(points), -1)
        which, near = tree.query_nearest(shapely.points(points), max_distance=_REACH_MM + off_mm, all_matches=False)
        seam[which] = windows.seam[runs[near]]
        start = np.repeat(np.cumsum(length) - length, count)
        found.append(_Ring(points, seam, start + t * np.repeat(length, count), float(length.sum())))
    return found


def _blended(ring: _Ring, seam: int) -> FloatArray:
    """Weight (N,) along a ring: 1 where it borders on the seam, running out over ``BLEND_MM`` round the ends."""
    n = max(8, round(ring.length_mm / _STEP_MM))
    step = ring.length_mm / n
    grid = (np.arange(n) + 0.5) * step
    # Points on both sides of a long straight edge's end lie at most _STEP_MM apart: the nearer one before will do.
    on = (ring.seam == seam)[np.searchsorted(ring.s_mm, grid) - 1].astype(float)
    half = min(max(1, round(BLEND_MM / (2 * step))), (n - 1) // 2)
    kernel = np.cos(np.pi * np.arange(-half, half + 1) / (2 * half + 2))
    kernel /= kernel.sum()
    blended = np.convolve(np.concatenate([on[n - half :], on, on[:half]]), kernel, mode="valid")
    return np.interp(ring.s_mm, grid, blended, period=ring.length_mm)


def _moved(points: FloatArray, distance: FloatArray) -> FloatArray:
    """Points (N, 2) of a closed ring with the wood on its left, moved outward by their distances, corners mitred."""
    side = np.roll(points, -1, axis=0) - points
    side /= np.maximum(np.hypot(*side.T), 1e-12)[:, None]
    outward = np.column_stack([side[:, 1], -side[:, 0]])
    before = np.roll(outward, 1, axis=0)
    middle = before + outward
    # Both sides' own offsets meet at d (n₁ + n₂) / (1 + n₁·n₂); its length is d / cos of half the turn.
    stretch = middle / np.maximum(1.0 + (before * outward).sum(axis=1), 1e-6)[:, None]
    long = np.hypot(*stretch.T)
    stretch *= np.minimum(1.0, MITRE_LIMIT / np.maximum(long, 1e-12))[:, None]
    return np.asarray(points + distance[:, None] * stretch)

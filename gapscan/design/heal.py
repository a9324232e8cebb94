"""Small drawing mismatches closed, so that neighbours share their boundary exactly.

The result is a coverage in shapely's sense: no overlaps, and the same vertices on both sides of every shared
edge. Pieces are taken from the last drawn to the first; the later one is the authority. A vertex within the
tolerance of a later piece's vertex moves onto it, else onto its edge; later vertices within the tolerance of
an edge are taken into that edge. Nothing else moves, so no corner away from a mismatch is touched and no
point moves by more than the tolerance. What is left (T-junctions to be noded, slivers far below the
tolerance) goes to shapely.coverage_clean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.design.drawn import HEAL_MM

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Below this a difference is rounding in the file, not a mismatch worth telling.
_TELL_MM = 1e-3
_CORNER_RAD = np.deg2rad(20.0)


@dataclass(frozen=True)
class Healed:
    """Polygons in the order given (empty where nothing is left), how many points moved, the farthest move."""

    polygons: tuple[Polygon, ...]
    moved: int
    largest_mm: float


def heal(polygons: list[Polygon], *, tolerance_mm: float = HEAL_MM) -> Healed:
    """Close gaps and overlaps up to ``tolerance_mm`` between valid polygons given in drawing order."""
    tree = shapely.STRtree(polygons)
    first, second = tree.query(polygons, predicate="dwithin", distance=tolerance_mm)
    later: list[list[int]] = [[] for _ in polygons]
    for i, j in zip(first.tolist(), second.tolist(), strict=True):
        if j > i:
            later[i].append(j)
    done: list[Polygon] = list(polygons)
    moves: list[FloatArray] = []
    for i in range(len(polygons) - 1, -1, -1):
        if later[i]:
            done[i], moved = _snap(polygons[i], [done[j] for j in later[i]], tolerance_mm)
            moves.append(moved)
    moved_mm = np.concatenate(moves) if moves else np.empty(0)
    moved_mm = moved_mm[moved_mm > _TELL_MM]
    if len(done) > 1:
        # always: coverage_is_valid lets a vertex pass that lies on a neighbour's edge to within rounding, and
        # seams are found by equal vertices
        cleaned = shapely.coverage_clean(done, gap_width=tolerance_mm)
        done = [largest_part(g) for g in cleaned]
    return Healed(tuple(done), len(moved_mm), float(moved_mm.max(initial=0.0)))


def largest_part(geometry: shapely.Geometry) -> Polygon:
    """The largest polygon in any geometry; an empty polygon when there is none."""
    parts = [g for g in shapely.get_parts(geometry) if g.geom_type == "Polygon" and not g.is_empty]
    for g in shapely.get_parts(geometry):
        if g.geom_type in ("MultiPolygon", "GeometryCollection"):
            parts.append(largest_part(g))
    return max(parts, key=lambda g: g.area, default=Polygon())


def _snap(polygon: Polygon, others: list[Polygon], tolerance: float) -> tuple[Polygon, FloatArray]:
    """One polygon onto the vertices and edges of others; also the distances moved (N,)."""
    points, follower, ring = _vertices(polygon)
    own_corner = _is_corner(points, follower)
    x0, y0, x1, y1 = polygon.bounds
    box = (x0 - tolerance, y0 - tolerance, x1 + tolerance, y1 + tolerance)
    a, b, corner = _edges(others, box)
    if not len(a):
        return polygon, np.empty(0)
    anchors, back = np.unique(a, axis=0, return_inverse=True)
    anchor_corner = np.zeros(len(anchors), dtype=bool)
    np.logical_or.at(anchor_corner, back.reshape(-1), corner)

    edge_tree = shapely.STRtree(shapely.linestrings(np.stack([a, b], axis=1)))
    near, edge, foot, off = _nearest(points, edge_tree, a, b, tolerance)
    facing = _facing(points[near], foot, off, polygon, others)
    near, edge, foot, off = near[facing], edge[facing], foot[facing], off[facing]
    target = points.copy()
    target[near] = foot
    # A vertex on a curve slides to the nearer end of the edge it is on, if that is not too far; corners do
    # not slide, except onto a corner, so junctions stay where they are drawn.
    to_a, to_b = np.hypot(*(points[near] - a[edge]).T), np.hypot(*(points[near] - b[edge]).T)
    slide = (np.minimum(to_a, to_b) <= tolerance) & ~own_corner[near]
    target[near[slide]] = np.where((to_a <= to_b)[:, None], a[edge], b[edge])[slide]
    if anchor_corner.any() and own_corner.any():
        from scipy.spatial import cKDTree

        choice = anchors[anchor_corner]
        gap, at = cKDTree(choice).query(points[own_corner], distance_upper_bound=tolerance)
        hit = np.isfinite(gap)
        target[np.flatnonzero(own_corner)[hit]] = choice[at[hit]]
    at, share, new, lifted = _insertions(points, follower, target, anchors, (edge_tree, a, b), tolerance=tolerance)
    moved = np.concatenate([off, lifted])

    # every vertex at (own index, 0), insertions at (start of their edge, share of its length)
    keys_i = np.concatenate([np.arange(len(points)), at])
    keys_t = np.concatenate([np.zeros(len(points)), share])
    order = np.lexsort((keys_t, keys_i))
    chain = np.concatenate([target, new])[order]
    rings = [_without_repeats(chain[ring[keys_i[order]] == r]) for r in range(int(ring.max()) + 1)]
    if len(rings[0]) < 3:
        return Polygon(), moved
    snapped = Polygon(rings[0], [r for r in rings[1:] if len(r) >= 3])
    if not snapped.is_valid:
        snapped = largest_part(shapely.make_valid(snapped))
    return snapped, moved


def _facing(
    points: FloatArray, foot: FloatArray, off: FloatArray, polygon: Polygon, others: list[Polygon]
) -> NDArray[np.bool_]:
    """(N,) false where the way to the foot leads through the piece itself: the far side of its own sharp tip.

    In an overlap the way leads through the piece too, but then the vertex lies in the other piece.
    """
    good = np.ones(len(points), dtype=bool)
    ask = np.flatnonzero(off > _TELL_MM)
    through = ask[shapely.contains_xy(polygon, *((points[ask] + foot[ask]) / 2).T)]
    for other in others if len(through) else []:
        through = through[~shapely.contains_xy(other, *points[through].T)]
    good[through] = False
    return good


def _insertions(
    points: FloatArray,
    follower: IntArray,
    target: FloatArray,
    anchors: FloatArray,
    later: tuple[shapely.STRtree, FloatArray, FloatArray],
    *,
    tolerance: float,
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Which anchors go into which edge: edge index, share along it, the anchor, its distance."""
    ends = points[follower]
    # an anchor that some vertex has moved onto is in the ring already
    _, first, count = np.unique(np.concatenate([anchors, target]), axis=0, return_index=True, return_counts=True)
    spare = anchors[first[(count == 1) & (first < len(anchors))]]
    tree = shapely.STRtree(shapely.linestrings(np.stack([points, ends], axis=1)))
    s, e, foot, off = _nearest(spare, tree, points, ends, tolerance)
    length = np.hypot(*(ends[e] - points[e]).T)
    share = np.hypot(*(foot - points[e]).T) / np.maximum(length, 1e-300)
    keep = (share > 0) & (share < 1)
    s, e, foot, off, share = s[keep], e[keep], foot[keep], off[keep], share[keep]
    # Where another later edge is much nearer to the foot, the anchor belongs to a boundary that leaves here
    # (the far side of a wedge, a third piece's edge): taking it in would make a spike.
    closest = np.full(len(s), np.inf)
    found, _, _, gap = _nearest(foot, *later, tolerance)
    closest[found] = gap
    keep = (off <= _TELL_MM) | (closest >= 0.5 * off)
    return e[keep], share[keep], spare[s[keep]], off[keep]


def _nearest(
    points: FloatArray, tree: shapely.STRtree, a: FloatArray, b: FloatArray, tolerance: float
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """For each point near an edge (a, b): point index, edge index, foot (K, 2), distance; K rows each."""
    p, e = tree.query(shapely.points(points), predicate="dwithin", distance=tolerance)
    foot, off = _project(points[p], a[e], b[e])
    order = np.lexsort((off, p))
    order = order[np.unique(p[order], return_index=True)[1]]
    return p[order], e[order], foot[order], off[order]


def _vertices(polygon: Polygon) -> tuple[FloatArray, IntArray, IntArray]:
    """Vertices without the closing ones (N, 2), each one's follower in its ring (N,), and its ring (N,)."""
    rings = [shapely.get_coordinates(r)[:-1] for r in (polygon.exterior, *polygon.interiors)]
    follower, start = [], 0
    for r in rings:
        follower.append(start + (np.arange(len(r)) + 1) % len(r))
        start += len(r)
    ring = np.repeat(np.arange(len(rings)), [len(r) for r in rings])
    return np.concatenate(rings), np.concatenate(follower), ring


def _is_corner(points: FloatArray, follower: IntArray) -> NDArray[np.bool_]:
    """(N,) true where a ring turns by more than 20° at its vertex."""
    onward = points[follower] - points
    arriving = np.empty_like(onward)
    arriving[follower] = onward
    cross = arriving[:, 0] * onward[:, 1] - arriving[:, 1] * onward[:, 0]
    return np.asarray(np.abs(np.arctan2(cross, (arriving * onward).sum(axis=1))) > _CORNER_RAD)


def _edges(
    polygons: list[Polygon], box: tuple[float, float, float, float]
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Edges (starts, ends) of the polygons that may meet the box, and whether each start is a corner."""
    parts = []
    for polygon in polygons:
        points, follower, _ = _vertices(polygon)
        ends = points[follower]
        low, high = np.minimum(points, ends), np.maximum(points, ends)
        near = np.asarray((low <= box[2:]).all(axis=1) & (high >= box[:2]).all(axis=1))
        near[follower] |= near  # the last vertex of a run too, as the start of the edge that follows
        parts.append((points[near], ends[near], _is_corner(points, follower)[near]))
    a, b, corner = (np.concatenate(c) for c in zip(*parts, strict=True))
    return a, b, corner


def _project(p: FloatArray, a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Foot of each point on its segment (N, 2) and the distance to it (N,)."""
    d = b - a
    length2 = np.maximum((d * d).sum(axis=1), 1e-300)
    share = np.clip(((p - a) * d).sum(axis=1) / length2, 0.0, 1.0)
    # exactly the end where the foot is at an end
    foot = np.where((share == 1.0)[:, None], b, a + share[:, None] * d)
    return foot, np.hypot(*(p - foot).T)


def _without_repeats(ring: FloatArray) -> FloatArray:
    if len(ring) == 0:
        return ring
    return np.asarray(ring[(ring != np.roll(ring, 1, axis=0)).any(axis=1)])

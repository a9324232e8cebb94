"""Which boundary two pieces share, and stations along it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.design.types import Design, Piece, Rim, Seam, Stations, Stretch

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SHORTEST_MM = 0.3
_CORNER_RAD = np.deg2rad(35.0)
_CORNER_REACH_MM = 0.1  # directions are compared this far before and behind, so a tiny rounding is a corner too
_TANGENT_REACH_MM = 0.3
_BEND_REACH_MM = 0.5
_SIDE_TESTS_MM = (0.05, 0.02, 0.005)
_VOTERS = 15


def find_seams(pieces: tuple[Piece, ...]) -> tuple[tuple[Seam, ...], tuple[Rim, ...]]:
    """Seams sorted by id and rims sorted by piece, of pieces that form a coverage.

    Edges are matched by exact vertices. A stretch runs from junction to junction: a vertex where other than
    two edges of the whole net meet. Stretches shorter than 0.3 mm are dropped.
    """
    vertices, ends, owners = _net(pieces)
    degree = np.bincount(ends.ravel(), minlength=len(vertices))
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for edge, (a, b) in enumerate(owners.tolist()):
        groups[a, b].append(edge)
    seams: list[Seam] = []
    rims: list[Rim] = []
    for (a, b), edges in groups.items():
        chains = _chains(ends[edges], degree)
        stretches = [Stretch(vertices[c], closed=bool(c[0] == c[-1] and shut)) for c, shut in chains]
        stretches = [s for s in stretches if _length(s.points_mm) >= SHORTEST_MM]
        if not stretches:
            continue
        stretches.sort(key=lambda s: tuple(s.points_mm[0]))
        total = sum(_length(s.points_mm) for s in stretches)
        if b < 0:
            rims.append(Rim(pieces[a].id, tuple(stretches), total))
            continue
        pair = (min(pieces[a].id, pieces[b].id), max(pieces[a].id, pieces[b].id))
        seams.append(Seam("|".join(pair), pair, tuple(stretches), total))
    return tuple(sorted(seams, key=lambda s: s.id)), tuple(sorted(rims, key=lambda r: r.piece))


def seam_stations(design: Design, seam: Seam, *, spacing_mm: float = 0.25) -> Stations:
    """Stations along a seam, normals from its first piece to its second."""
    inside = design.piece(seam.pieces[0]).polygon
    outside = design.piece(seam.pieces[1]).polygon
    return _stations(seam.stretches, inside, outside, spacing_mm)


def rim_stations(design: Design, rim: Rim, *, spacing_mm: float = 0.25) -> Stations:
    """Stations along a rim, normals out of the piece."""
    return _stations(rim.stretches, design.piece(rim.piece).polygon, None, spacing_mm)


def _net(pieces: Sequence[Piece]) -> tuple[FloatArray, IntArray, IntArray]:
    """The net of all boundaries: vertices (V, 2), edges (E, 2), each edge's pieces (E, 2), -1 for none."""
    rings = [(k, r) for k, p in enumerate(pieces) for r in (p.polygon.exterior, *p.polygon.interiors)]
    xy, ring = shapely.get_coordinates([r for _, r in rings], return_index=True)
    owner = np.array([k for k, _ in rings], dtype=np.int64)[ring]
    vertices, index = np.unique(xy, axis=0, return_inverse=True)
    index = index.reshape(-1)
    inner = (ring[:-1] == ring[1:]) & (index[:-1] != index[1:])
    ends = np.sort(np.stack([index[:-1][inner], index[1:][inner]], axis=1), axis=1)
    owner = owner[:-1][inner]
    order = np.lexsort((owner, ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    first = np.ones(len(ends), dtype=bool)
    first[1:] = (ends[1:] != ends[:-1]).any(axis=1)
    where = np.flatnonzero(first)
    count = np.diff([*where, len(ends)])
    second = np.where(count > 1, owner[np.minimum(where + 1, len(owner) - 1)], -1)
    return vertices, ends[where], np.stack([owner[where], second], axis=1)


def _chains(ends: IntArray, degree: IntArray) -> list[tuple[list[int], bool]]:
    """Edges joined end to end up to the net's junctions; (vertex indices, closed without a junction)."""
    beside: dict[int, list[int]] = defaultdict(list)
    pairs = ends.tolist()
    for e, (a, b) in enumerate(pairs):
        beside[a].append(e)
        beside[b].append(e)
    left = [True] * len(pairs)

    def walk(vertex: int, edge: int) -> list[int]:
        chain = [vertex]
        while True:
            left[edge] = False
            a, b = pairs[edge]
            vertex = b if vertex == a else a
            chain.append(vertex)
            if degree[vertex] != 2:
                return chain
            onward = [e for e in beside[vertex] if left[e]]
            if not onward:
                return chain
            edge = onward[0]

    found: list[tuple[list[int], bool]] = []
    for vertex in sorted(beside):
        if degree[vertex] != 2:
            for edge in beside[vertex]:
                if left[edge]:
                    found.append((walk(vertex, edge), False))
    for edge in range(len(pairs)):
        if left[edge]:
            found.append((walk(pairs[edge][0], edge), True))
    return found


def _length(points: FloatArray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


@dataclass(frozen=True)
class _Line:
    """A stretch made ready: a closed one three times over, so that the middle copy has both neighbours."""

    points: FloatArray
    s: FloatArray
    breaks: FloatArray
    start: float
    length: float
    closed: bool

    def at(self, s: FloatArray) -> FloatArray:
        return np.stack([np.interp(s, self.s, self.points[:, k]) for k in (0, 1)], axis=1)


def _line(stretch: Stretch) -> _Line:
    points = stretch.points_mm
    length = _length(points)
    if stretch.closed:
        points = np.concatenate([points[:-1], points[:-1], points])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    line = _Line(points, s, np.empty(0), length if stretch.closed else 0.0, length, stretch.closed)
    corners = _corners(line)
    ends = [] if stretch.closed else [0.0, s[-1]]
    return _Line(points, s, np.unique([*ends, *corners]), line.start, length, stretch.closed)


def _corners(line: _Line) -> FloatArray:
    """Distances along the line at which its direction changes by more than 35°."""
    s = line.s[1:-1]
    if not len(s):
        return np.empty(0)
    here = line.points[1:-1]
    before = here - line.at(np.maximum(s - _CORNER_REACH_MM, 0.0))
    behind = line.at(np.minimum(s + _CORNER_REACH_MM, line.s[-1])) - here
    cross = before[:, 0] * behind[:, 1] - before[:, 1] * behind[:, 0]
    turn = np.abs(np.arctan2(cross, (before * behind).sum(axis=1)))
    found: list[float] = []
    strength = 0.0
    for k in np.flatnonzero(turn > _CORNER_RAD).tolist():
        if found and s[k] - found[-1] < _CORNER_REACH_MM:  # one corner, seen from two near vertices
            if turn[k] > strength:
                found[-1], strength = float(s[k]), float(turn[k])
            continue
        found.append(float(s[k]))
        strength = float(turn[k])
    return np.array(found)


def _stations(stretches: Iterable[Stretch], inside: Polygon, outside: Polygon | None, spacing_mm: float) -> Stations:
    parts: list[tuple[NDArray[Any], ...]] = []
    offset = 0.0
    for k, stretch in enumerate(stretches):
        line = _line(stretch)
        count = max(1, round(line.length / spacing_mm))
        along = np.linspace(0.0, line.length, 2 * count + 1, dtype=np.float64)[1::2]
        s: FloatArray = np.add(along, line.start, dtype=np.float64)
        xy = line.at(s)
        low, high = _bounds(line, s)
        tangent = _tangent(line, s, low, high)
        left = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
        side = _side(xy, left, inside, outside)
        curvature = -side * _bend(line, s, low, high)
        junction = np.minimum(s - low, high - s)
        parts.append((offset + along, xy, side * left, curvature, junction, np.full(count, k, dtype=np.int64)))
        offset += line.length
    if not parts:
        empty = np.empty(0)
        return Stations(empty, np.empty((0, 2)), np.empty((0, 2)), empty, empty, np.empty(0, dtype=np.int64))
    s, xy, normal, curvature, junction, which = (np.concatenate(c) for c in zip(*parts, strict=True))
    return Stations(s, xy, normal, curvature, junction, which.astype(np.int64))


def _bounds(line: _Line, s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The breaks (ends and corners) before and behind each place; infinite where there is none."""
    edges = np.concatenate([[-np.inf], line.breaks, [np.inf]])
    k = np.searchsorted(line.breaks, s, side="right")
    return edges[k], edges[k + 1]


def _reach(s: FloatArray, low: FloatArray, high: FloatArray, reach: float) -> tuple[FloatArray, FloatArray]:
    """Even reach to both sides, cut at breaks; close to a break at least a tenth of it, then one-sided."""
    h = np.maximum(np.minimum(reach, np.minimum(s - low, high - s)), reach / 10)
    return np.maximum(s - h, low), np.minimum(s + h, high)


def _tangent(line: _Line, s: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Unit chord over ±0.3 mm."""
    a, b = _reach(s, low, high, _TANGENT_REACH_MM)
    chord = line.at(b) - line.at(a)
    size = np.hypot(*chord.T)
    k = np.clip(np.searchsorted(line.s, s, side="right") - 1, 0, len(line.s) - 2)
    own = line.points[k + 1] - line.points[k]
    chord = np.where(size[:, None] > 1e-9, chord, own)
    return np.asarray(chord / np.hypot(*chord.T)[:, None])


def _bend(line: _Line, s: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Change of direction per mm over ±0.5 mm, positive for turning from x towards y.

    The direction is laid at the middle of each edge and interpolated between; on an evenly flattened circle
    that is exact. An edge much longer than its neighbour holds its direction up to half the neighbour's
    length from the common vertex, so a long straight line does not bend ahead of the arc that follows it.
    """
    d = np.diff(line.points, axis=0)
    length = np.hypot(*d.T)
    angle = np.unwrap(np.arctan2(d[:, 1], d[:, 0]))
    if line.breaks.size:  # directions across a corner do not belong together: carry on as if it were straight
        jump = np.diff(angle)
        at_corner = np.isin(line.s[1:-1], line.breaks)
        angle = angle[0] + np.concatenate([[0.0], np.cumsum(np.where(at_corner, 0.0, jump))])
    before = np.minimum(length, np.concatenate([length[:1], length[:-1]])) / 2
    behind = np.minimum(length, np.concatenate([length[1:], length[-1:]])) / 2
    knots = np.stack([line.s[:-1] + before, line.s[1:] - behind], axis=1).ravel()
    values = np.repeat(angle, 2)
    # beyond the first and last knot of a run the direction is not known: the window ends there
    first = knots[np.minimum(np.searchsorted(knots, low), len(knots) - 1)]
    last = knots[np.maximum(np.searchsorted(knots, high, side="right") - 1, 0)]
    a, b = np.maximum(s - _BEND_REACH_MM, first), np.minimum(s + _BEND_REACH_MM, last)
    width = b - a
    turn = np.interp(b, knots, values) - np.interp(a, knots, values)
    return np.where(width > 1e-6, turn / np.maximum(width, 1e-6), 0.0)


def _side(xy: FloatArray, left: FloatArray, inside: Polygon, outside: Polygon | None) -> float:
    """+1 when ``left`` points out of ``inside`` (and into ``outside``), else -1: a vote along the stretch."""
    picked = np.unique(np.linspace(0, len(xy) - 1, min(len(xy), _VOTERS)).round().astype(int))
    xy, left = xy[picked], left[picked]
    for step in _SIDE_TESTS_MM:
        plus, minus = (xy + step * left).T, (xy - step * left).T
        vote = int(shapely.contains_xy(inside, *minus).sum()) - int(shapely.contains_xy(inside, *plus).sum())
        if outside is not None:
            vote += int(shapely.contains_xy(outside, *plus).sum())
            vote -= int(shapely.contains_xy(outside, *minus).sum())
        if vote:
            return 1.0 if vote > 0 else -1.0
    return 1.0

"""The faces that a net of lines encloses: lines cut where they cross, small misses at junctions mended, loose ends
left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.design.drawn import HEAL_MM
from gapscan.errors import InputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

GRID_MM = 1e-6  # far below meaning, far above rounding
_MOST_CROSSINGS = 50_000
_MOST_FACES = 5000
_REACH = 4.0  # tolerances that a line is drawn on, to meet at a slant what it misses by one
_NEAR_MISS_MM = 2.0
_TELL_MM = 1e-3
_PAST_MM = 20 * GRID_MM


@dataclass(frozen=True)
class Network:
    """What lines enclose.

    faces     in no particular order, each wider than the tolerance somewhere
    edges     every piece of line between two crossings, after mending
    loose     parts of lines that bound no face, longer than the tolerance
    slivers   how many faces were narrower than the tolerance: lines drawn twice
    mended    how many ends were drawn on to the line or end that they missed
    misses    (x, y, distance): ends that stop short of another line by more than the tolerance, but not by much
    """

    faces: tuple[Polygon, ...]
    edges: tuple[shapely.LineString, ...]
    loose: tuple[shapely.LineString, ...]
    slivers: int
    mended: int
    misses: tuple[tuple[float, float, float], ...]


def enclose(strings: Sequence[FloatArray], *, source: str, tolerance_mm: float = HEAL_MM) -> Network:
    """Faces of the lines ``strings``, (N, 2) each in mm. Raises InputError when there are too many crossings."""
    lines = [shapely.LineString(xy.round(6)) for xy in strings if len(xy) > 1]
    _refuse_thickets(lines, source)
    net = _without_stubs(_noded(lines), tolerance_mm)
    joints, mended = _joints(net, tolerance_mm)
    if joints:
        net = _without_stubs(_noded([*net, *joints]), tolerance_mm)
    polygons, cuts, dangles, _ = shapely.polygonize_full(net)
    whole = np.array(shapely.get_parts(polygons), dtype=object)
    wide = ~shapely.is_empty(shapely.buffer(whole, -tolerance_mm / 2, join_style="mitre")) if len(whole) else []
    faces = whole[wide] if len(whole) else whole
    if len(faces) > _MOST_FACES:
        raise InputError(
            f"{source}: its lines enclose {len(faces)} faces, more than {_MOST_FACES}; remove hatching and guide lines"
        )
    loose = [g for rest in (cuts, dangles) for g in shapely.get_parts(shapely.line_merge(rest))]
    loose = [g for g in loose if g.geom_type == "LineString" and g.length > tolerance_mm]
    return Network(tuple(faces), tuple(net), tuple(loose), len(whole) - len(faces), mended, _misses(net, tolerance_mm))


def _refuse_thickets(lines: list[shapely.LineString], source: str) -> None:
    """Crossings grow with the square of the number of lines; their number is estimated from a few before any work."""
    if len(lines) < 500:
        return
    some = np.random.default_rng(0).choice(len(lines), 100, replace=False)
    tree = shapely.STRtree(lines)
    hits = sum(len(tree.query(lines[k], predicate="crosses")) for k in some)
    crossings = hits / len(some) * len(lines) / 2
    if crossings > _MOST_CROSSINGS:
        raise InputError(
            f"{source}: its {len(lines)} lines cross in about {crossings:.1g} places, more than {_MOST_CROSSINGS}; "
            "remove hatching and guide lines"
        )


def _noded(lines: Sequence[shapely.Geometry]) -> list[shapely.LineString]:
    """Lines cut at every crossing, one of each where several lie on each other, on a grid of 1e-6 mm."""
    union = shapely.union_all(np.array(lines, dtype=object), grid_size=GRID_MM)
    return [g for g in shapely.get_parts(union) if g.geom_type == "LineString" and g.length > 0]


def _ends(net: Sequence[shapely.LineString]) -> tuple[FloatArray, IntArray, IntArray]:
    """Nodes (N, 2), the two nodes of each line (M, 2), and how many lines meet in each node (N,)."""
    both = np.array([[g.coords[0], g.coords[-1]] for g in net]).reshape(-1, 2)
    nodes, back = np.unique(both.round(6), axis=0, return_inverse=True)
    back = back.reshape(-1, 2)
    return nodes, back, np.bincount(back.ravel(), minlength=len(nodes))


def _without_stubs(net: list[shapely.LineString], tolerance: float) -> list[shapely.LineString]:
    """Without the short ends that stand over past a junction."""
    if not net:
        return net
    net = [g for g in shapely.get_parts(shapely.line_merge(shapely.MultiLineString(net))) if g.length > 0]
    _, of, degree = _ends(net)
    single = degree[of] == 1
    stub = (single.sum(axis=1) == 1) & (degree[of].max(axis=1) > 2) & (shapely.length(net) <= tolerance)
    if not stub.any():
        return net
    return _without_stubs([g for g, gone in zip(net, stub, strict=True) if not gone], tolerance)


def _free_ends(net: list[shapely.LineString]) -> list[tuple[int, FloatArray, FloatArray]]:
    """(line, the end, a point on the line from which it comes) of every end that meets no other line."""
    _, of, degree = _ends(net)
    found = []
    for k, at in np.argwhere(degree[of] == 1).tolist():
        xy = shapely.get_coordinates(net[k])
        xy = xy if at == 0 else xy[::-1]
        found.append((k, xy[0], xy[1]))
    return found


def _joints(net: list[shapely.LineString], tolerance: float) -> tuple[list[shapely.LineString], int]:
    """Short lines that carry each free end on to the end or line that it misses by no more than the tolerance.

    Also how many of the misses are more than rounding.
    """
    if not net:
        return [], 0
    told = 0
    free = _free_ends(net)
    joints: list[shapely.LineString] = []
    joined: set[int] = set()
    if len(free) > 1:
        from scipy.spatial import cKDTree

        ends = np.array([end for _, end, _ in free])
        for i, j in sorted(cKDTree(ends).query_pairs(tolerance)):
            corner = _crossing(free[i][1], free[i][2], free[j][1], free[j][2], reach=_REACH * tolerance)
            path = [free[i][1], free[j][1]] if corner is None else [free[i][1], corner, free[j][1]]
            joints.append(shapely.LineString(path))
            joined |= {i, j}
            told += int(np.hypot(*(free[i][1] - free[j][1])) > _TELL_MM)
    segments = _Segments(net)
    for k, (line, end, before) in enumerate(free):
        if k in joined:
            continue
        hit = segments.near(end, line, tolerance)
        if hit is None:
            continue
        a, b, foot = hit
        corner = _crossing(end, before, a, b, reach=_REACH * tolerance, on_second=True)
        told += int(np.hypot(*(foot - end)) > _TELL_MM)
        target = foot if corner is None else corner
        way = target - end
        if np.hypot(*way) < _PAST_MM:
            way = end - before
        # a little past the line, so that rounding cannot leave it short again; the stub is taken off afterwards
        joints.append(shapely.LineString([end, target + _PAST_MM * way / np.hypot(*way)]))
    return [g for g in joints if g.length > 0], told


def _misses(net: list[shapely.LineString], tolerance: float) -> tuple[tuple[float, float, float], ...]:
    if not net:
        return ()
    segments = _Segments(net)
    found = []
    for line, end, _ in _free_ends(net):
        hit = segments.near(end, line, _NEAR_MISS_MM)
        if hit is not None and (gap := float(np.hypot(*(hit[2] - end)))) > tolerance:
            found.append((float(end[0]), float(end[1]), gap))
    return tuple(sorted(found, key=lambda miss: miss[2]))


class _Segments:
    """Every straight bit of a net, to be asked for the one nearest to a free end."""

    def __init__(self, net: list[shapely.LineString]) -> None:
        xy, of = shapely.get_coordinates(net, return_index=True)
        along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]
        same = of[1:] == of[:-1]
        self._a, self._b = xy[:-1][same], xy[1:][same]
        self._line = of[:-1][same]
        first = np.searchsorted(of, np.arange(len(net)))
        last = np.r_[first[1:], len(of)] - 1
        # distance along its own line from either end of that line
        self._from_start = along[:-1][same] - along[first[self._line]]
        self._to_end = along[last[self._line]] - along[1:][same]
        self._ends = xy[first], xy[last]
        self._tree = shapely.STRtree(shapely.linestrings(np.stack([self._a, self._b], axis=1)))

    def near(self, end: FloatArray, line: int, within: float) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Both ends of the nearest segment and the foot on it; the line's own last stretch does not count."""
        found = self._tree.query(shapely.Point(end), predicate="dwithin", distance=within)
        at_start = np.array_equal(self._ends[0][line], end)
        behind = (self._from_start if at_start else self._to_end)[found]
        found = found[(self._line[found] != line) | (behind > 3 * within)]
        if not len(found):
            return None
        a, d = self._a[found], self._b[found] - self._a[found]
        share = np.clip(((end - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0.0, 1.0)
        feet = a + share[:, None] * d
        k = int(np.hypot(*(feet - end).T).argmin())
        return self._a[found[k]], self._b[found[k]], feet[k]


def _crossing(
    end: FloatArray, before: FloatArray, p: FloatArray, q: FloatArray, *, reach: float, on_second: bool = False
) -> FloatArray | None:
    """Where a line drawn on past its end meets the line through p and q; None beyond ``reach`` or backwards.

    ``on_second``: the place must lie between p and q; otherwise within ``reach`` of p.
    """
    d, e = end - before, q - p
    across = d[0] * e[1] - d[1] * e[0]
    if abs(across) < 0.1 * np.hypot(*d) * np.hypot(*e):
        return None
    t = ((p[0] - end[0]) * e[1] - (p[1] - end[1]) * e[0]) / across
    at = end + t * d
    u = float((at - p) @ e / (e @ e))
    good = 0 <= u <= 1 if on_second else np.hypot(*(at - p)) <= reach
    return at if good and t >= 0 and np.hypot(*(at - end)) <= reach else None

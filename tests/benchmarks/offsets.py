"""The new outlines against an independent offset library, on random shapes.

    python -m tests.benchmarks.offsets [--count 500]

Each shape is written as cubic Béziers and straight lines in an SVG file and read as a design; its outline is moved by
``recut.offset`` and turned into curves by ``cutting.curves``. Against it stands what pyclipper (the Clipper polygon
library of A. Johnson, other algorithms than those of GEOS) makes of the same drawing, taken at a hundred times finer
chords and in whole steps of a millionth of a millimetre: mitred joins, the same limit. Reported: the Hausdorff distance
both ways and the area between the two outlines for their length. Corners sharper than the mitre limit are cut off in
another way by each library, so that places near such a corner are left out of the distance, and counted.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.curves import curved_rings, fine_outline
from gapscan.cutting.rings import Cubic, flat_outline
from gapscan.design.pieces import outline_area
from gapscan.design.svg import read_svg
from gapscan.recut.offset import MITRE_LIMIT, offset_outline

FloatArray = NDArray[np.float64]
COUNT = 500
_STEP_MM = 1e-6  # of pyclipper's whole numbers
_FINE = 400  # points on each cubic
KINDS = ("blob", "polygon", "leaf", "mixed", "ring", "wave")


@dataclass(frozen=True)
class Shape:
    """A drawing: SVG path data, and the same outline as rings of fine points."""

    kind: str
    data: str
    rings: tuple[FloatArray, ...]


@dataclass(frozen=True)
class Found:
    """One comparison. ``excess`` is the area between the outlines, by their length: a mean distance."""

    kind: str
    offset_mm: float
    hausdorff_mm: float
    mean_mm: float
    area_rel: float
    nodes: int
    vertices: int
    sound: bool
    left_out: int


def shapes(count: int, seed: int = 7) -> list[Shape]:
    """Random shapes of every kind, 5 to 60 mm across, fixed by the seed."""
    rng = np.random.default_rng(seed)
    return [_shape(KINDS[k % len(KINDS)], rng) for k in range(count)]


def compare(shape: Shape, offset_mm: float) -> Found:
    """Our outline against pyclipper's for one shape and offset."""
    text = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 200 200">'
        f'<path id="p" d="{shape.data}"/></svg>'
    )
    outlines = read_svg(text.encode(), source="shape").outlines
    drawn = outline_area(outlines[0], source="shape")
    moved = offset_outline(fine_outline(drawn), offset_mm)
    rings = curved_rings(moved)
    ours = flat_outline(rings)
    exact = _clipper(shape.rings, offset_mm)
    sharp = _too_sharp(drawn, offset_mm)
    apart = max(_farthest(ours, exact, sharp), _farthest(exact, ours, sharp))
    between = ours.symmetric_difference(exact)
    if len(sharp):
        between = between.difference(shapely.union_all(shapely.buffer(shapely.points(sharp), _reach(offset_mm))))
    return Found(
        kind=shape.kind,
        offset_mm=offset_mm,
        hausdorff_mm=apart,
        mean_mm=between.area / max(exact.length, 1e-9),
        area_rel=abs(ours.area - exact.area) / exact.area if not len(sharp) else math.nan,
        nodes=sum(len(ring) for ring in rings),
        vertices=int(shapely.get_num_coordinates(moved)),
        # A polygon may gain a curve where two edges turn by half a degree only; the others must have kept theirs.
        sound=ours.is_valid and (shape.kind == "polygon" or any(isinstance(o, Cubic) for ring in rings for o in ring)),
        left_out=len(sharp),
    )


def run(count: int) -> list[Found]:
    """Every shape with an offset of its own between -0.25 and 0.25 mm, at least 0.02 mm."""
    rng = np.random.default_rng(11)
    found = []
    for shape in shapes(count):
        offset = float(rng.uniform(0.02, 0.25) * rng.choice([-1.0, 1.0]))
        found.append(compare(shape, offset))
    return found


def _clipper(rings: tuple[FloatArray, ...], offset_mm: float) -> Polygon | MultiPolygon:
    import pyclipper

    tool = pyclipper.PyclipperOffset(miter_limit=MITRE_LIMIT, arc_tolerance=1.0)
    for k, ring in enumerate(rings):
        area = Polygon(ring).exterior.is_ccw
        points = ring if area == (k == 0) else ring[::-1]
        tool.AddPath(
            np.round(points / _STEP_MM).astype(np.int64).tolist(), pyclipper.JT_MITER, pyclipper.ET_CLOSEDPOLYGON
        )
    found = Polygon()
    for path in tool.Execute(offset_mm / _STEP_MM):
        found = found.symmetric_difference(shapely.make_valid(Polygon(np.array(path) * _STEP_MM)))
    return found


def _reach(offset_mm: float) -> float:
    return (MITRE_LIMIT + 3.0) * abs(offset_mm)


def _too_sharp(drawn: Polygon | MultiPolygon, offset_mm: float) -> FloatArray:
    """Corners (N, 2) of the drawn outline at which the mitre limit, or nearly, is reached."""
    sharp = 2.0 * math.asin(1.0 / MITRE_LIMIT) + math.radians(3.0)
    places = []
    for part in drawn.geoms if isinstance(drawn, MultiPolygon) else (drawn,):
        turned = shapely.geometry.polygon.orient(part)
        for ring in (turned.exterior, *turned.interiors):
            points = shapely.get_coordinates(ring)[:-1]
            out = np.roll(points, -1, axis=0) - points
            into = np.roll(out, 1, axis=0)
            turn = np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1))
            places.append(points[math.pi - turn * np.sign(offset_mm) < sharp])
    return np.concatenate(places)


def _farthest(one: Polygon | MultiPolygon, other: Polygon | MultiPolygon, sharp: FloatArray) -> float:
    points = shapely.get_coordinates(shapely.segmentize(one.boundary, 0.05))
    if len(sharp):
        away = np.hypot(*(points[:, None, :] - sharp[None]).transpose(2, 0, 1)).min(axis=1)
        points = points[away > _reach(0.25)]
    edge = other.boundary
    shapely.prepare(edge)
    return float(shapely.distance(shapely.points(points), edge).max()) if len(points) else 0.0


def _shape(kind: str, rng: np.random.Generator) -> Shape:
    size = float(rng.uniform(5.0, 60.0)) / 2.0
    centre = np.array([100.0, 100.0])
    if kind == "polygon":
        angle = np.sort(rng.uniform(0, 2 * math.pi, int(rng.integers(4, 9))))
        while np.diff(np.append(angle, angle[0] + 2 * math.pi)).min() < 0.35:
            angle = np.sort(rng.uniform(0, 2 * math.pi, int(rng.integers(4, 9))))
        radius = size * rng.uniform(0.5, 1.0, len(angle))
        corners = centre + np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
        return _drawn(kind, [[("L", corners[k], corners[(k + 1) % len(corners)]) for k in range(len(corners))]])
    if kind == "leaf":
        ends = centre + size * np.array([[-1.0, 0.0], [1.0, 0.0]])
        up, down = rng.uniform(0.35, 0.9, 2) * size
        lean = rng.uniform(-0.3, 0.3) * size
        first = ("C", ends[0], centre + [-0.5 * size + lean, -up], centre + [0.5 * size + lean, -up], ends[1])
        second = ("C", ends[1], centre + [0.5 * size + lean, down], centre + [-0.5 * size + lean, down], ends[0])
        return _drawn(kind, [[first, second]])
    if kind == "wave":  # a strip with one wavy side
        n, w, h = int(rng.integers(2, 6)), 2 * size, size
        x = np.linspace(0, w, n + 1)
        low = centre - [size, size / 2]
        amp = rng.uniform(0.05, 0.25) * min(h, w / n)
        side: list[tuple] = []
        for k in range(n):
            a, b = low + [x[k], 0], low + [x[k + 1], 0]
            push = np.array([0.0, amp * (-1) ** k])
            side.append(("C", a, a + (b - a) / 3 + push, b - (b - a) / 3 + push, b))
        right, left = low + [w, h], low + [0, h]
        return _drawn(kind, [[*side, ("L", side[-1][-1], right), ("L", right, left), ("L", left, side[0][1])]])
    outer = _smooth(rng, centre, size, 0.25 if kind != "mixed" else 0.12)
    if kind == "mixed":  # some spans straight
        outer = [("L", s[1], s[-1]) if rng.random() < 0.4 else s for s in outer]
        if all(s[0] == "L" for s in outer):
            outer = _smooth(rng, centre, size, 0.12)
    if kind != "ring":
        return _drawn(kind, [outer])
    return _drawn(kind, [outer, _smooth(rng, centre, size * 0.35, 0.2)])


def _smooth(rng: np.random.Generator, centre: FloatArray, size: float, rough: float) -> list[tuple]:
    """A closed smooth run of cubics through random points round a centre (Catmull-Rom tangents)."""
    n = int(rng.integers(5, 10))
    angle = 2 * math.pi * (np.arange(n) + rng.uniform(-0.15, 0.15, n)) / n
    radius = size * (1 - rough + 2 * rough * rng.random(n)) / (1 + rough)
    points = centre + np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    tangent = (np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)) / 6.0
    following, out = np.roll(points, -1, axis=0), np.roll(tangent, -1, axis=0)
    return [("C", points[k], points[k] + tangent[k], following[k] - out[k], following[k]) for k in range(n)]


def _drawn(kind: str, rings: list[list[tuple]]) -> Shape:
    words, fine = [], []
    t = np.linspace(0, 1, _FINE, endpoint=False)[:, None]
    for ring in rings:
        words.append("M" + _xy(ring[0][1]))
        points = []
        for command, *p in ring:
            words.append(command + " ".join(_xy(q) for q in p[1:]))
            q = [np.round(place, 6) for place in p]
            if command == "L":
                points.append(q[0][None])
            else:
                points.append(
                    (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
                )
        words.append("Z")
        fine.append(np.concatenate(points))
    return Shape(kind, " ".join(words), tuple(fine))


def _xy(point: FloatArray) -> str:
    return f"{point[0]:.6f},{point[1]:.6f}"


def report(found: list[Found]) -> str:
    """The table."""
    lines = [
        f"{'kind':8} shapes  Hausdorff um: median  95 %   worst   mean distance um  area off 1e-6  segments  of points"
    ]
    for kind in (*KINDS, "all"):
        own = [f for f in found if kind in (f.kind, "all")]
        if not own:
            continue
        h = np.array([f.hausdorff_mm for f in own]) * 1000
        lines.append(
            f"{kind:8} {len(own):6}  {'':14}{np.median(h):6.2f} {np.quantile(h, 0.95):6.2f} {h.max():7.2f} "
            f"{1000 * np.mean([f.mean_mm for f in own]):14.3f} {1e6 * np.nanmax([f.area_rel for f in own]):14.1f} "
            f"{np.mean([f.nodes for f in own]):12.1f} {np.mean([f.vertices for f in own]):9.1f}"
        )
    lines.append(
        f"not sound: {sum(not f.sound for f in found)}; corners beyond the mitre limit left out: "
        f"{sum(f.left_out for f in found)} in {sum(f.left_out > 0 for f in found)} shapes"
    )
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=COUNT)
    sys.stdout.write(report(run(parser.parse_args().count)) + "\n")

"""From curves to a marquetry drawing: node, thin, polygonise, name, write as SVG.

Neighbours share their boundary exactly, because every boundary line is computed once and rounded to the
digits that the SVG carries before faces are formed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from gapscan.design.seams import find_seams
from gapscan.design.types import Design, Piece

FloatArray = NDArray[np.float64]

_CHORD_MM = 0.0015  # deviation allowed between a curve and its polyline
_DIGITS = 4  # 0.1 µm


@dataclass(frozen=True)
class Drawing:
    """A drawing of our own.

    svg      the file's text, mm, with a viewBox in the same mm
    shapes   id -> outline as drawn, in drawing order (a later shape lies on top and is let into the
             earlier ones)
    size_mm  width, height
    """

    svg: str
    shapes: dict[str, Polygon]
    size_mm: tuple[float, float]

    def let_in(self) -> dict[str, Polygon]:
        """id -> the piece that remains visible, later shapes taken out of earlier ones."""
        found: dict[str, Polygon] = {}
        names = list(self.shapes)
        tree = shapely.STRtree(list(self.shapes.values()))
        for i, name in enumerate(names):
            above = [self.shapes[names[j]] for j in tree.query(self.shapes[name]) if j > i]
            above = [shape for shape in above if shape.intersection(self.shapes[name]).area > 1e-6]
            found[name] = self.shapes[name].difference(shapely.union_all(above)) if above else self.shapes[name]
        return found

    def design(self) -> Design:
        """The drawing as the design stage would understand it, without a file."""
        pieces = tuple(Piece(name, shape) for name, shape in sorted(self.let_in().items()))
        seams, rims = find_seams(pieces)
        return Design(source="simulated drawing", pieces=pieces, seams=seams, rims=rims, notes=())


def make_drawing(
    shapes: Mapping[str, Polygon],
    size_mm: tuple[float, float],
    *,
    title: str,
    fills: Mapping[str, str] | None = None,
) -> Drawing:
    """Write the shapes as SVG paths; ``fills`` gives colours by id (any CSS colour)."""
    width, height = size_mm
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">',
        f"  <title>{title}</title>",
    ]
    for name, polygon in shapes.items():
        fill = (fills or {}).get(name, "#d8c3a0")
        lines.append(f'  <path id="{name}" fill="{fill}" fill-rule="evenodd" d="{path_data(polygon)}"/>')
    lines.append("</svg>")
    return Drawing(svg="\n".join(lines) + "\n", shapes=dict(shapes), size_mm=size_mm)


def path_data(polygon: Polygon) -> str:
    """SVG path data of a polygon with its holes, absolute coordinates in mm."""
    parts = []
    for ring in (polygon.exterior, *polygon.interiors):
        points = shapely.get_coordinates(ring)[:-1]
        parts.append("M" + "L".join(f"{_short(x)},{_short(y)}" for x, y in points) + "Z")
    return "".join(parts)


def _short(value: float) -> str:
    text = f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def smooth_curve(points: Iterable[tuple[float, float]], *, closed: bool = False, step_mm: float = 0.1) -> FloatArray:
    """A cubic spline through the points, chord-length parameter, sampled every ``step_mm``; (N, 2).

    A closed curve repeats its first point at the end.
    """
    from scipy.interpolate import CubicSpline

    knots = np.array(list(points), dtype=np.float64)
    if closed:
        knots = np.vstack([knots, knots[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T))])
    # not-a-knot needs four knots; "natural" serves any number
    spline = CubicSpline(along, knots, bc_type="periodic" if closed else "natural")
    curve = np.asarray(spline(np.linspace(0.0, along[-1], max(int(along[-1] / step_mm), 2) + 1)))
    if closed:
        curve[-1] = curve[0]
    return curve


def closed_shape(points: Iterable[tuple[float, float]]) -> Polygon:
    """The area inside a smooth closed curve through the points."""
    return Polygon(smooth_curve(points, closed=True))


def blade(spine: Iterable[tuple[float, float]], widths_mm: Iterable[float]) -> Polygon:
    """A long shape along a smooth spine, its full width given at even steps from foot to tip; round ends."""
    line = smooth_curve(spine)
    given = np.array(list(widths_mm), dtype=np.float64)
    along = np.linspace(0.0, 1.0, len(line))
    # cosine easing between the given widths keeps the outline smooth
    place = along * (len(given) - 1)
    left = np.minimum(place.astype(int), len(given) - 2)
    ease = 0.5 - 0.5 * np.cos(np.pi * (place - left))
    half = 0.5 * (given[left] * (1 - ease) + given[left + 1] * ease)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    body = Polygon(np.vstack([line + half[:, None] * normal, (line - half[:, None] * normal)[::-1]])).buffer(0)
    ends = [shapely.Point(line[0]).buffer(half[0], 32), shapely.Point(line[-1]).buffer(half[-1], 32)]
    return largest(shapely.union_all([body, *ends]))


def largest(geometry: BaseGeometry) -> Polygon:
    """The largest polygon of a geometry."""
    polygons = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon) and not p.is_empty]
    return max(polygons, key=lambda p: float(p.area))


def faces(lines: Iterable[BaseGeometry], *, keep: Polygon | None = None) -> list[Polygon]:
    """Faces between lines: noded, each run between junctions thinned to the chord tolerance, rounded,
    polygonised.

    ``keep`` drops faces outside of it. Sorted by the place of their centre, in reading order.
    """
    noded = shapely.union_all(list(lines), grid_size=10.0**-_DIGITS)
    runs = shapely.get_parts(shapely.line_merge(noded))
    thinned = shapely.simplify(runs, _CHORD_MM, preserve_topology=True)
    rounded = shapely.transform(thinned, lambda xy: np.round(xy, _DIGITS))
    found = [p for p in shapely.get_parts(shapely.polygonize(list(rounded))) if isinstance(p, Polygon)]
    if keep is not None:
        found = [p for p in found if keep.contains(p.representative_point())]
    return sorted(found, key=lambda p: (round(p.centroid.y / 12.0), p.centroid.x))


def paint(layers: Mapping[str, Polygon], *, canvas: Polygon, smallest_mm2: float) -> dict[str, Polygon]:
    """Layers from back to front to pieces that share boundaries exactly.

    What lies outside of ``canvas`` is cut off. Every face belongs to the front-most layer above it. Parts
    smaller than ``smallest_mm2`` go to the neighbour they
    share the longest boundary with; a layer left in several parts gives several pieces: name, name-b,
    name-c ...
    """
    names = list(layers)
    lines = [canvas.boundary] + [layer.boundary.intersection(canvas) for layer in layers.values()]
    found = faces(lines, keep=canvas)
    owner: list[str] = []
    for face in found:
        spot = face.representative_point()
        owner.append(next(name for name in reversed(names) if layers[name].contains(spot)))
    parts: list[tuple[str, Polygon]] = []
    for name in names:
        mine = [face for face, who in zip(found, owner, strict=True) if who == name]
        if mine:
            parts += [(name, part) for part in shapely.get_parts(shapely.union_all(mine))]
    parts = _absorb_small(parts, smallest_mm2)
    pieces: dict[str, Polygon] = {}
    for name in names:
        mine = sorted((p for who, p in parts if who == name), key=lambda p: -p.area)
        for k, part in enumerate(mine):
            pieces[name if k == 0 else f"{name}-{'abcdefghijklmnopqrstuvwxyz'[k]}"] = part
    return pieces


def _absorb_small(parts: list[tuple[str, Polygon]], smallest_mm2: float) -> list[tuple[str, Polygon]]:
    """Merge parts that are too small to cut into the neighbour with the longest common boundary."""
    parts = list(parts)
    while True:
        small = min(range(len(parts)), key=lambda i: float(parts[i][1].area))
        if parts[small][1].area >= smallest_mm2 or len(parts) == 1:
            return parts
        name, shape = parts.pop(small)
        shared = [float(shape.boundary.intersection(p.boundary).length) for _, p in parts]
        host = int(np.argmax(shared))
        if shared[host] <= 0.0:
            raise ValueError(f"layer {name} leaves a loose part of {shape.area:.2f} mm²; move it")
        joined = shapely.union_all([parts[host][1], shape])
        parts[host] = (parts[host][0], largest(joined))

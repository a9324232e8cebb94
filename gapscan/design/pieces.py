"""Closed outlines to pieces: names, letting in, healing, and checks that catch a drawing mistake early."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.design.drawn import HEAL_MM, Outline
from gapscan.design.heal import heal
from gapscan.design.types import Piece
from gapscan.errors import InputError
from gapscan.text import named

FloatArray = NDArray[np.float64]

SMALLEST_MM = 0.5
LARGEST_MM = 3000.0
_ZERO_AREA_MM2 = 1e-6
_REPAIR_MM2 = 0.01
_GRID_DIGITS = 6


@dataclass(frozen=True)
class _Shape:
    name: str
    polygon: Polygon
    material: str = ""


def build_pieces(outlines: Sequence[Outline], *, source: str) -> tuple[tuple[Piece, ...], list[str]]:
    """Pieces sorted by id whose boundaries match exactly, and notes on what was changed.

    ``outlines`` come in drawing order. Raises InputError naming the file, the piece and the way out.
    """
    notes: list[str] = []
    shapes = _shapes(outlines, source, notes)
    if not shapes:
        raise InputError(f"{source}: no closed shapes found; every piece must be a closed path")
    _check_sizes(shapes, source)
    shapes = _let_in(shapes, source, notes)
    healed = heal([s.polygon for s in shapes])
    if healed.moved:
        notes.append(f"{healed.moved} small mismatches (largest {healed.largest_mm:.3f} mm) healed")
    for shape, polygon in zip(shapes, healed.polygons, strict=True):
        if polygon.area < 0.5 * shape.polygon.area:
            raise InputError(
                f"{source}: piece '{shape.name}' is too thin to tell its two sides apart "
                f"(they lie within {HEAL_MM} mm); draw it wider or remove it"
            )
    pieces = [Piece(s.name, p, s.material) for s, p in zip(shapes, healed.polygons, strict=True)]
    return tuple(sorted(pieces, key=lambda p: p.id)), notes


def _shapes(outlines: Sequence[Outline], source: str, notes: list[str]) -> list[_Shape]:
    """One polygon each, with its final name."""
    taken: set[str] = set()
    for outline in outlines:
        if outline.name in taken:
            raise InputError(f"{source}: the id '{outline.name}' is given to two shapes; rename one of them")
        if "|" in outline.name:
            raise InputError(
                f"{source}: the id '{outline.name}' holds a '|', which parts the two ids of a seam; rename it"
            )
        if outline.name:
            taken.add(outline.name)
    used = set(taken)

    def derive(stem: str) -> str:
        n = 1
        while f"{stem}-{n}" in used:
            n += 1
        used.add(f"{stem}-{n}")
        return f"{stem}-{n}"

    shapes: list[_Shape] = []
    flat: list[str] = []
    derived: list[str] = []
    for outline in outlines:
        label = outline.name or outline.stem or "a shape without id"
        polygons = [p for p in _polygons(outline, label, source) if p.area > _ZERO_AREA_MM2]
        if not polygons:
            flat.append(f"'{label}'")
        stem = outline.name or outline.stem
        names = [outline.name] if outline.name and len(polygons) == 1 else [derive(stem or "piece") for _ in polygons]
        if stem and names and names != [outline.name]:
            derived.append(f"'{stem}' as {named(names)}")
        shapes += [_Shape(n, p, outline.layer.name) for n, p in zip(names, polygons, strict=True)]
    if flat:
        notes.append(f"ignored shapes without area: {named(flat)}")
    if derived:
        notes.append(f"named by us, since one id stands for several shapes: {named(derived)}")
    return shapes


def outline_area(outline: Outline, *, source: str) -> Polygon | MultiPolygon:
    """The area of one outline as drawn, neither let in nor healed. Raises InputError when it encloses nothing."""
    parts = _polygons(outline, outline.name, source)
    if not parts:
        raise InputError(f"{source}: '{outline.name}' encloses nothing; draw it again as a closed path")
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _polygons(outline: Outline, label: str, source: str) -> list[Polygon]:
    """Even-odd polygons of one outline, in the drawing order of their outer rings."""
    found: list[Polygon] = []
    for ring in outline.rings:
        if not np.isfinite(ring).all():
            raise InputError(f"{source}: '{label}' has coordinates that are not finite numbers; draw it again")
        if len(ring) < 3:
            continue
        # vertices that two neighbours mean to be one become one: 1e-6 mm is far above rounding, far below
        # meaning
        found += _simple(ring.round(_GRID_DIGITS), label, source)
    if len(found) < 2:
        return found
    area = reduce(shapely.symmetric_difference, found)
    whole = sum(p.area * (1 if k % 2 == 0 else -1) for p, k in zip(found, _depths(found), strict=True))
    if abs(area.area - whole) > _REPAIR_MM2:
        raise InputError(f"{source}: the outline of '{label}' crosses itself; draw it without crossings")
    parts = [p for p in shapely.get_parts(area) if p.geom_type == "Polygon"]
    firsts = [shapely.get_coordinates(p)[0] for p in found]

    def order(part: Polygon) -> int:
        away = [part.exterior.distance(shapely.Point(xy)) for xy in firsts]
        return int(np.argmin(away))

    return sorted(parts, key=order)


def _depths(polygons: list[Polygon]) -> list[int]:
    """How many of the others each polygon lies in."""
    inner = [p.representative_point() for p in polygons]
    return [
        sum(o.area > p.area and o.contains(q) for o in polygons if o is not p)
        for p, q in zip(polygons, inner, strict=True)
    ]


def _simple(ring: FloatArray, label: str, source: str) -> list[Polygon]:
    """The ring as a valid polygon; nothing for a line; a crossing is mended only where it is negligible."""
    polygon = Polygon(ring)
    if polygon.is_valid:
        return [polygon]
    x, y = (ring - ring[0]).T
    signed = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2
    mended = shapely.make_valid(polygon)
    if mended.area <= _ZERO_AREA_MM2:
        return []
    parts = [p for p in _flat_parts(mended) if p.area > 0]
    best = max(parts, key=lambda p: p.area)
    if abs(mended.area - signed) < _REPAIR_MM2 and mended.area - best.area < _REPAIR_MM2:
        return [best]
    raise InputError(f"{source}: the outline of '{label}' crosses itself; draw it without crossings")


def _flat_parts(geometry: shapely.Geometry) -> list[Polygon]:
    if geometry.geom_type == "Polygon":
        return [geometry]
    if geometry.geom_type in ("MultiPolygon", "GeometryCollection"):
        return [p for g in geometry.geoms for p in _flat_parts(g)]
    return []


def _check_sizes(shapes: list[_Shape], source: str) -> None:
    boxes = shapely.bounds([s.polygon for s in shapes])
    total = float((boxes[:, 2:].max(axis=0) - boxes[:, :2].min(axis=0)).max())
    if total > LARGEST_MM:
        raise InputError(
            f"{source}: the drawing is {total:.0f} mm across, more than {LARGEST_MM:.0f} mm; check its units "
            "(width and height in mm, and a viewBox to match)"
        )
    across = (boxes[:, 2:] - boxes[:, :2]).max(axis=1)
    k = int(across.argmin())
    if across[k] < SMALLEST_MM:
        raise InputError(
            f"{source}: piece '{shapes[k].name}' is only {across[k]:.3g} mm across, less than "
            f"{SMALLEST_MM} mm; check the units of the drawing, or remove that shape"
        )


def _let_in(shapes: list[_Shape], source: str, notes: list[str]) -> list[_Shape]:
    """Subtract later shapes from the earlier ones they lie in; refuse other overlaps."""
    polygons = np.array([s.polygon for s in shapes], dtype=object)
    i, j = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    i, j = i[i < j], j[i < j]
    shared = shapely.area(shapely.intersection(polygons[i], polygons[j])) if len(i) else np.empty(0)
    on_top: dict[int, list[int]] = {}
    for a, b in zip(i[shared > 1e-9].tolist(), j[shared > 1e-9].tolist(), strict=True):
        overlap = polygons[a].intersection(polygons[b])
        if _erode(overlap).is_empty:
            continue  # no wider than the healing tolerance: a mismatch
        lower, upper = shapes[a].name, shapes[b].name
        within = _lies_in(polygons[b], polygons[a])
        if within and _erode(polygons[a].difference(polygons[b])).is_empty:
            raise InputError(f"{source}: pieces '{lower}' and '{upper}' are drawn on the same place; remove one")
        if within:
            on_top.setdefault(a, []).append(b)
            continue
        if _lies_in(polygons[a], polygons[b]):
            raise InputError(
                f"{source}: piece '{lower}' is hidden under '{upper}', which is drawn later; "
                f"move '{lower}' in front of '{upper}'"
            )
        raise InputError(
            f"{source}: pieces '{lower}' and '{upper}' overlap by {overlap.area:.2f} mm²; "
            "draw one inside the other or make them share a boundary"
        )
    used = {s.name for s in shapes}
    result: list[_Shape] = []
    for k, shape in enumerate(shapes):
        if k not in on_top:
            result.append(shape)
            continue
        rest = shape.polygon.difference(shapely.union_all(polygons[on_top[k]]))
        parts = [p for p in _flat_parts(rest) if not _erode(p).is_empty]
        if not parts:
            covers = named([f"'{shapes[b].name}'" for b in on_top[k]])
            raise InputError(f"{source}: nothing of piece '{shape.name}' is left under {covers}; remove it")
        names = [shape.name]
        if len(parts) > 1:
            parts.sort(key=lambda p: p.bounds)
            names = [f"{shape.name}-{n}" for n in range(1, len(parts) + 1)]
            if used & set(names):
                raise InputError(
                    f"{source}: piece '{shape.name}' is cut into {len(parts)} parts, and their names "
                    f"({named(names)}) are taken; rename the others"
                )
            notes.append(f"'{shape.name}' is cut into parts by what is let into it: {named(names)}")
        result += [_Shape(n, p, shape.material) for n, p in zip(names, parts, strict=True)]
    return result


def _erode(area: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """What is left after taking off half the healing tolerance all round: empty where nowhere wider."""
    return area.buffer(-HEAL_MM / 2, join_style="mitre")


def _lies_in(inner: Polygon, outer: Polygon) -> bool:
    """Inside the outer's outline (its holes not counted), up to the healing tolerance."""
    return bool(Polygon(outer.exterior).buffer(HEAL_MM, quad_segs=4).covers(inner))

"""How a drawing is meant: closed shapes, one a piece, or a line drawing, whose faces are the pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.design.chain import sew
from gapscan.design.drawn import CLOSE_MM, HEAL_MM, Drawn, Line, Outline
from gapscan.design.naming import name_by_labels, name_by_layers, reading_order, settle_materials
from gapscan.design.network import Network, enclose
from gapscan.text import named

FloatArray = NDArray[np.float64]

Way = Literal["auto", "shapes", "lines"]
SHAPES, LINES = "closed shapes", "line drawing"
# A line that divides ends where it meets another; more of it standing over than this is a guide line.
_STANDS_OVER = 0.02
_SHARED_MM = 1.0


@dataclass(frozen=True)
class Reading:
    """Outlines in the order in which they are stacked, how they were found, and notes."""

    outlines: tuple[Outline, ...]
    how: str
    notes: tuple[str, ...]


def understand(drawn: Drawn, *, source: str, way: Way = "auto") -> Reading:
    """Decide how the drawing is meant and name its shapes.

    It is a line drawing when open lines enclose area, alone or together with closed outlines: when some face is
    bounded by an open line that meets other lines at both ends. Not so where most closed outlines already lie side by
    side along shared boundaries: a line drawing has one line there. ``way`` overrides. Raises InputError.
    """
    loops, lines = sew(drawn.lines)
    outlines = [*drawn.outlines, *loops]
    if outlines and (loops or drawn.layers_name):
        outlines = _stacked(sorted(outlines, key=lambda o: o.order))
    if way == "shapes" or (way == "auto" and not lines and not (loops and _any_cross(outlines))):
        return _shapes(drawn, outlines, lines, ())
    rings = [np.concatenate([r, r[:1]]) for o in outlines for r in o.rings if len(r) > 2 and np.isfinite(r).all()]
    network = enclose([*rings, *(line.points_mm for line in lines)], source=source)
    if way == "lines" or (loops and _any_cross(outlines)):
        return _faces(drawn, outlines, lines, network)
    dividing = _dividing(network, rings, lines, beyond=_encloses_beyond(network, outlines))
    if dividing and not (outlines and _side_by_side(outlines)):
        return _faces(drawn, outlines, lines, network)
    notes = _near_misses(network) if not outlines else []
    if dividing:
        notes.append(
            f"open lines that would divide closed shapes ({named(_names(dividing))}) were not followed, since the "
            "shapes lie side by side already"
        )
    return _shapes(drawn, outlines, lines, notes)


def _shapes(drawn: Drawn, outlines: Sequence[Outline], lines: Sequence[Line], more: Sequence[str]) -> Reading:
    notes = [f"ignored {drawn.open_words}: {named(_names(lines))}"] if lines else []
    found, words = list(outlines), list[str]()
    if drawn.labels:
        found, words = name_by_labels(outlines, [_filled(o) for o in outlines], drawn.labels, drawn.text_words)
    if drawn.layers_name:
        found = name_by_layers(found)
    found = settle_materials(found, layers_name=drawn.layers_name)
    return Reading(tuple(found), SHAPES, (*notes, *words, *more))


def _faces(drawn: Drawn, outlines: Sequence[Outline], lines: Sequence[Line], network: Network) -> Reading:
    """The faces of a line drawing in reading order, each with the id of the closed outline that it fills, if any."""
    faces, notes = _without_holes(network.faces, outlines)
    faces = [faces[k] for k in reading_order(faces)]
    found = [Outline("", "", tuple(_rings(face)), order=k) for k, face in enumerate(faces)]
    tree = shapely.STRtree([Polygon(f.exterior) for f in faces])
    for outline in outlines:
        whole = _filled(outline)
        for k in tree.query(whole, predicate="intersects").tolist():
            apart = Polygon(faces[k].exterior).symmetric_difference(whole)
            if apart.area <= HEAL_MM * whole.length and shapely.buffer(apart, -HEAL_MM, join_style="mitre").is_empty:
                found[k] = replace(found[k], name=outline.name, stem=outline.stem, layer=outline.layer)
    own = [(o.name, o.stem) for o in found]
    bare = [replace(o, name="", stem="") for o in found]  # a text in a face says more than the id of a line round it
    found, words = name_by_labels(bare, faces, drawn.labels, drawn.text_words)
    taken = {o.name for o in found} | {o.stem for o in found}
    found = [
        o if o.name or o.stem or (name and name in taken) else replace(o, name=name, stem=stem)
        for o, (name, stem) in zip(found, own, strict=True)
    ]
    found = settle_materials(found, layers_name=False)
    notes += words
    if network.mended:
        notes.append(f"{network.mended} line ends that missed another line by up to {HEAL_MM} mm drawn on to it")
    if network.loose:
        notes.append(f"ignored loose ends, which bound no face: {named(_loose(network, lines))}")
    return Reading(tuple(found), LINES, (*notes, *_near_misses(network)))


def _encloses_beyond(network: Network, outlines: Sequence[Outline]) -> bool:
    """Whether a face lies outside every closed outline: open lines then enclose area of their own."""
    rings = [r for o in outlines for r in o.rings if len(r) > 2 and np.isfinite(r).all()]
    shapes = [Polygon(r).buffer(HEAL_MM, quad_segs=2) for r in rings]
    tree = shapely.STRtree(shapes)
    inner = [face.representative_point() for face in network.faces]
    return len(np.unique(tree.query(inner, predicate="within")[0])) < len(inner) if shapes else bool(inner)


def _dividing(network: Network, rings: Sequence[FloatArray], lines: Sequence[Line], *, beyond: bool) -> list[Line]:
    """Open lines that bound a face where no closed ring does.

    Unless they enclose area ``beyond`` the closed outlines, lines that stand over at their ends do not count: a guide
    line across a shape divides nothing.
    """
    if not network.faces or not lines:
        return []
    middles = shapely.line_interpolate_point(list(network.edges), 0.5, normalized=True)
    sides = shapely.STRtree(shapely.boundary(list(network.faces)))
    bounding = np.zeros(len(middles), dtype=bool)
    bounding[sides.query(middles, predicate="dwithin", distance=1e-5)[0]] = True
    if rings:
        closed = shapely.STRtree([shapely.LineString(r) for r in rings])
        bounding[closed.query(middles, predicate="dwithin", distance=HEAL_MM)[0]] = False
    drawn = shapely.STRtree([shapely.LineString(line.points_mm) for line in lines])
    of = np.unique(drawn.query(middles[bounding], predicate="dwithin", distance=1e-4)[1])
    over = np.zeros(len(lines))
    if network.loose:
        half = shapely.line_interpolate_point(list(network.loose), 0.5, normalized=True)
        which, k = drawn.query(half, predicate="dwithin", distance=1e-4)
        np.add.at(over, k, shapely.length(list(network.loose))[which])
    lengths = np.array([np.hypot(*np.diff(line.points_mm, axis=0).T).sum() for line in lines])
    clear = over <= np.maximum(_STANDS_OVER * lengths, 4 * CLOSE_MM)
    return [lines[k] for k in of if clear[k] or beyond]


def _side_by_side(outlines: Sequence[Outline]) -> bool:
    """Whether most closed outlines share a boundary with another one that lies beside them."""
    shapes = [_filled(o) for o in outlines]
    beside = np.zeros(len(shapes), dtype=bool)
    i, j = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=HEAL_MM)
    for a, b in zip(i.tolist(), j.tolist(), strict=True):
        if a >= b or (beside[a] and beside[b]):
            continue
        small = min(shapes[a].area, shapes[b].area)
        if shapes[a].intersection(shapes[b]).area > 0.5 * small:
            continue
        along = shapes[a].boundary.intersection(shapes[b].boundary.buffer(HEAL_MM, quad_segs=2)).length
        if along > _SHARED_MM:
            beside[[a, b]] = True
    return bool(beside.sum() * 2 > len(shapes))


def _any_cross(outlines: Sequence[Outline]) -> bool:
    """Whether two outlines overlap without one lying in the other, by more than a mismatch."""
    shapes = [_filled(o) for o in outlines]
    i, j = shapely.STRtree(shapes).query(shapes, predicate="overlaps")
    for a, b in zip(i.tolist(), j.tolist(), strict=True):
        if a < b:
            common = shapes[a].intersection(shapes[b]).buffer(-HEAL_MM / 2, join_style="mitre")
            rests = (shapes[a].difference(shapes[b]), shapes[b].difference(shapes[a]))
            if not common.is_empty and not any(r.buffer(-HEAL_MM, join_style="mitre").is_empty for r in rests):
                return True
    return False


def _stacked(outlines: list[Outline]) -> list[Outline]:
    """Where drawing order has no meaning: what lies in another outline comes after it, else as drawn."""
    shapes = [_filled(o) for o in outlines]
    depth = np.zeros(len(shapes), dtype=int)
    inner = [s.representative_point() if not s.is_empty else shapely.Point() for s in shapes]
    outer, held = shapely.STRtree(shapes).query(shapes, predicate="covers")
    area = shapely.area(shapes)
    for a, b in zip(outer.tolist(), held.tolist(), strict=True):
        if area[a] > area[b] and shapes[a].contains(inner[b]):
            depth[b] += 1
    return [outlines[k] for k in np.argsort(depth, kind="stable")]


def _filled(outline: Outline) -> Polygon:
    """The even-odd area of an outline, for questions of place only; empty where it cannot be made."""
    parts = []
    for ring in outline.rings:
        if len(ring) > 2 and np.isfinite(ring).all():
            polygon = Polygon(ring)
            parts.append(polygon if polygon.is_valid else shapely.make_valid(polygon))
    return reduce(shapely.symmetric_difference, parts, Polygon())


def _without_holes(faces: Sequence[Polygon], outlines: Sequence[Outline]) -> tuple[list[Polygon], list[str]]:
    """Faces without those that are the hole of an outline of several rings."""
    holes = [
        Polygon(ring)
        for outline in outlines
        if len(outline.rings) > 1
        for part in shapely.get_parts(_filled(outline))
        if part.geom_type == "Polygon"
        for ring in part.interiors
    ]
    if not holes:
        return list(faces), []
    kept = [f for f in faces if not any(f.symmetric_difference(h).area < 1e-4 * h.length for h in holes)]
    gone = len(faces) - len(kept)
    return kept, [f"holes of closed outlines left open: {gone}"] if gone else []


def _rings(face: Polygon) -> list[FloatArray]:
    return [shapely.get_coordinates(ring)[:-1] for ring in (face.exterior, *face.interiors)]


def _names(lines: Sequence[Line]) -> list[str]:
    return list(dict.fromkeys(line.label for line in lines))


def _loose(network: Network, lines: Sequence[Line]) -> list[str]:
    """Each loose end as "'x' (12.3 mm)"."""
    if not lines:
        return [f"{g.length:.2f} mm" for g in network.loose]
    tree = shapely.STRtree([shapely.LineString(line.points_mm) for line in lines])
    nearest = tree.nearest([g.interpolate(0.5, normalized=True) for g in network.loose])
    order = np.argsort([-g.length for g in network.loose], kind="stable")
    return [f"{lines[int(nearest[k])].label} ({network.loose[k].length:.2f} mm)" for k in order]


def _near_misses(network: Network) -> list[str]:
    return (
        [
            f"{len(network.misses)} line ends stop short of the next line by more than {HEAL_MM} mm: "
            + named([f"{gap:.2f} mm at x {x:.2f}, y {y:.2f}" for x, y, gap in network.misses], limit=3)
        ]
        if network.misses
        else []
    )

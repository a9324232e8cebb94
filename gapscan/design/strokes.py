"""Strokes turned into paths: thin webs round large openings, which are no pieces."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

import shapely
from shapely.geometry import Polygon

from gapscan.design.drawn import Outline
from gapscan.errors import InputError
from gapscan.text import named

_WIDEST_MM = 1.0
_HAIRLINE_MM = 0.5
_OPENING = 5.0  # the openings' area over the web's


def refuse_strokes(outlines: Sequence[Outline], *, source: str) -> list[str]:
    """Raise InputError where shapes are the outlines of drawn strokes: the cut would follow both sides of the pen.

    Returns notes on slim shapes without an opening, which may be meant: nowhere wider than 0.5 mm.

    A web is thin (nowhere wider than 1 mm) and holds openings of many times its area. A thin ring is a piece all the
    same, a stringing, where another shape fills its opening.
    """
    webs = [(o, web) for o in outlines if len(o.rings) > 1 and (web := _web(o)) is not None]
    slim = [o.name or o.stem or "a shape without id" for o in outlines if len(o.rings) == 1 and _slim(o)]
    notes = []
    if slim:
        notes.append(
            f"nowhere wider than {_HAIRLINE_MM} mm: {named([repr(s) for s in slim])}; if these are strokes turned into "
            "paths, draw the lines themselves"
        )
    if not webs:
        return notes
    others = [Polygon(o.rings[0]).buffer(0) for o in outlines if len(o.rings) == 1 and len(o.rings[0]) > 2]
    others += [web.union(_openings(web)) for o, web in webs]
    tree = shapely.STRtree(others)
    for outline, web in webs:
        openings = _openings(web)
        held = [others[k] for k in tree.query(openings, predicate="intersects") if not others[k].covers(web)]
        filled = shapely.union_all(held).intersection(openings).area if held else 0.0
        if filled < 0.5 * openings.area:
            label = outline.name or outline.stem or "a shape without id"
            width = 2.0 * web.area / web.length
            raise InputError(
                f"{source}: '{label}' is a line {width:.2f} mm wide round an opening, the outline of a stroke and not a "
                "piece; draw the line itself (take back turning strokes into paths)"
            )
    return notes


def _slim(outline: Outline) -> bool:
    polygon = Polygon(outline.rings[0]) if len(outline.rings[0]) > 2 else Polygon()
    if not polygon.is_valid or polygon.area <= 0 or 2.0 * polygon.area > _HAIRLINE_MM * polygon.length:
        return False
    return bool(polygon.buffer(-_HAIRLINE_MM / 2).is_empty)


def _web(outline: Outline) -> Polygon | None:
    """The even-odd area of an outline, where it is one thin web with large openings."""
    parts = [Polygon(ring).buffer(0) for ring in outline.rings if len(ring) > 2]
    area = reduce(shapely.symmetric_difference, parts, Polygon())
    if area.geom_type != "Polygon" or not area.interiors:
        return None
    if 2.0 * area.area > _WIDEST_MM * area.length:
        return None
    if _openings(area).area < _OPENING * area.area or not area.buffer(-_WIDEST_MM / 2).is_empty:
        return None
    return area


def _openings(web: Polygon) -> shapely.Geometry:
    return shapely.union_all([Polygon(ring) for ring in web.interiors])

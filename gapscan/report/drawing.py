"""The recut drawing: only the pieces to recut, at their place in the design."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.curves import curved_rings
from gapscan.cutting.svg_text import attribute, curve_data, short
from gapscan.report.types import Inspection


def recut_svg(inspection: Inspection) -> str:
    """The SVG text, mm: one closed ``path`` a piece, its id kept, the new outline already offset.
    Curves are cubic Béziers, corners and straight edges stay (cutting.curves).

    The page begins at the design's origin, so that a path lies where the design has it and reads back with
    the same coordinates; a design that reaches into negative coordinates begins its page there. No recut
    gives no path.
    """
    recuts = [decision for decision in inspection.plan.decisions if decision.verdict == "recut"]
    recuts.sort(key=lambda decision: decision.id)
    outlines = [(d.id, d.new_outline) for d in recuts if d.new_outline is not None]
    x0, y0, x1, y1 = page_mm(inspection)
    width, height = short(x1 - x0), short(y1 - y0)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="{short(x0)} {short(y0)} {width} {height}" overflow="visible">',
    ]
    for piece_id, outline in outlines:
        lines.append(
            f'  <path id={attribute(piece_id)} fill="none" fill-rule="evenodd" stroke="#000000" '
            f'stroke-width="0.05" d="{curve_data(curved_rings(outline))}"/>'
        )
    lines.append("</svg>")
    return "\n".join(lines) + "\n"


def page_mm(inspection: Inspection) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the page in mm: from the origin over the whole design as drawn.

    Outlines that grow over its edge by a tenth of a millimetre do not move it.
    """
    bounds = np.array([piece.polygon.bounds for piece in inspection.design.pieces]).reshape(-1, 4)
    if bounds.size == 0:
        return 0.0, 0.0, 1.0, 1.0
    left, top = np.minimum(bounds[:, :2].min(axis=0), 0.0)
    right, bottom = bounds[:, 2:].max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def path_data(outline: Polygon | MultiPolygon, *, simplify_mm: float = 0.0) -> str:
    """SVG path data in mm: a closed subpath for each ring, holes as subpaths for the even-odd rule."""
    shape = outline.simplify(simplify_mm, preserve_topology=True) if simplify_mm > 0 else outline
    polygons = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    rings = [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]
    return " ".join(_ring_data(np.asarray(ring.coords)) for ring in rings if not ring.is_empty)


def _ring_data(points: NDArray[np.float64]) -> str:
    start, *others = [f"{short(x)},{short(y)}" for x, y in points[:-1]]
    return f"M{start} L{' '.join(others)} Z"

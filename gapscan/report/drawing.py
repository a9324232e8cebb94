"""The recut drawing: only the pieces to recut, at their place in the design."""

from __future__ import annotations

import re
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.report.types import Inspection

# Far below the repeatability of a laser's motion, so that no node is spent on nothing.
SIMPLIFY_MM = 0.002
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def recut_svg(inspection: Inspection) -> str:
    """The SVG text, mm: one closed ``path`` a piece, its id kept, the new outline already offset.

    The page begins at the design's origin, so that a path lies where the design has it and reads back with
    the same coordinates; a design that reaches into negative coordinates begins its page there. No recut
    gives no path.
    """
    recuts = [decision for decision in inspection.plan.decisions if decision.verdict == "recut"]
    recuts.sort(key=lambda decision: decision.id)
    outlines = [(d.id, d.new_outline) for d in recuts if d.new_outline is not None]
    x0, y0, x1, y1 = page_mm(inspection)
    width, height = _short(x1 - x0), _short(y1 - y0)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="{_short(x0)} {_short(y0)} {width} {height}" overflow="visible">',
    ]
    for piece_id, outline in outlines:
        lines.append(
            f'  <path id={attribute(piece_id)} fill="none" fill-rule="evenodd" stroke="#000000" '
            f'stroke-width="0.05" d="{path_data(outline, simplify_mm=SIMPLIFY_MM)}"/>'
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


def attribute(text: str) -> str:
    """Text as a quoted XML attribute; characters that XML cannot hold become U+FFFD."""
    return quoteattr(_NOT_XML.sub("\ufffd", text))


def _ring_data(points: NDArray[np.float64]) -> str:
    start, *others = [f"{_short(x)},{_short(y)}" for x, y in points[:-1]]
    return f"M{start} L{' '.join(others)} Z"


def _short(value: float) -> str:
    """At most four decimals, no trailing zeros, no minus zero."""
    return f"{round(float(value), 4) + 0.0:.4f}".rstrip("0").rstrip(".")

"""Small specimens for the simulator's tests."""

from __future__ import annotations

from shapely.geometry import Polygon, box

from gapscan.design.seams import find_seams
from gapscan.design.types import Design, Piece


def design_of(**shapes: Polygon) -> Design:
    """A design from named polygons that share boundaries exactly."""
    pieces = tuple(Piece(name, shape) for name, shape in sorted(shapes.items()))
    seams, rims = find_seams(pieces)
    return Design(source="specimen", pieces=pieces, seams=seams, rims=rims, notes=())


def four_squares(side_mm: float = 10.0) -> Design:
    """Four squares round one junction."""
    s = side_mm
    return design_of(
        a=Polygon([(0, 0), (s, 0), (s, s), (0, s)]),
        b=Polygon([(s, 0), (2 * s, 0), (2 * s, s), (s, s)]),
        c=Polygon([(0, s), (s, s), (s, 2 * s), (0, 2 * s)]),
        d=Polygon([(s, s), (2 * s, s), (2 * s, 2 * s), (s, 2 * s)]),
    )


def ring_card(width_mm: float, height_mm: float, *, band_mm: float = 6.0) -> Polygon:
    """A plain card with a rectangular opening; the opening's centre is at (0, 0)."""
    opening = box(-width_mm / 2, -height_mm / 2, width_mm / 2, height_mm / 2)
    return opening.buffer(band_mm, join_style="mitre").difference(opening)

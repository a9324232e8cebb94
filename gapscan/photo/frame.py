"""The scale frame's drawing: written once, cut once, and read back with every inspection.

Reading goes by the drawn paths, not by the metadata: editors drop metadata, rescale units and move things, and the
card that was cut is the card that was drawn. The metadata only makes the file explain itself.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon

from gapscan.errors import InputError
from gapscan.photo.layout import SLOT_WIDTH_MM, FrameLayout, check_opening, frame_layout

_DRAWN_AGREES_MM = 0.05
_NOTE = (
    "Scale frame. Cut from opaque card or thin ply, all outlines, any usual kerf. Lay it flat round the taped dry fit "
    "on the lightbox. Keep this file: every inspection needs it."
)


def frame_svg(width_mm: float, height_mm: float) -> str:
    """The drawing of the frame with this opening: SVG in mm, one closed path a ring, filled even-odd.

    Raises InputError when no frame can be made for that opening.
    """
    layout = frame_layout(float(width_mm), float(height_mm))
    outer_w, outer_h = layout.outer_mm
    rings = [
        np.asarray(ring.coords) + (outer_w / 2, outer_h / 2) for ring in (layout.card.exterior, *layout.card.interiors)
    ]
    about = json.dumps({"gapscan-frame": 1, "opening_mm": [layout.width_mm, layout.height_mm]})
    title = f"gapscan scale frame {layout.width_mm:g} x {layout.height_mm:g} mm"
    return svg_of_rings(rings, outer_w, outer_h, title, note=_NOTE, metadata=about)


def svg_of_rings(
    rings: list[np.ndarray], width_mm: float, height_mm: float, title: str, *, note: str = "", metadata: str = ""
) -> str:
    """An SVG of closed rings (N, 2) in mm, filled even-odd as one path."""
    about = (f"<desc>{note}</desc>\n" if note else "") + (f"<metadata>{metadata}</metadata>\n" if metadata else "")
    subpaths = "\n".join("M" + " L".join(f"{x:.4f},{y:.4f}" for x, y in ring[:-1]) + " Z" for ring in rings)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm:g}mm" height="{height_mm:g}mm" '
        f'viewBox="0 0 {width_mm:g} {height_mm:g}">\n<title>{title}</title>\n{about}'
        f'<path id="card" fill="#222222" fill-rule="evenodd" stroke="none" d="{subpaths}"/>\n</svg>\n'
    )


def read_frame(path: Path) -> FrameLayout:
    """The layout of a frame from its drawing.

    The opening is the largest ring inside the card; the rest of the layout follows from its size and is checked
    against what is drawn. Raises InputError when the file is no frame drawing or was changed.
    """
    from gapscan.design.svg import closed_rings_mm

    rings = [Polygon(ring) for ring in closed_rings_mm(path) if len(ring) >= 4]
    rings = sorted((r for r in rings if r.area > 0), key=lambda r: r.area, reverse=True)
    if len(rings) < 3:
        raise InputError(f"{path}: this is not a scale frame drawing; give the file that `gapscan frame` wrote")
    card, opening = rings[0], rings[1]
    left, top, right, bottom = opening.bounds
    width, height = round(right - left, 2), round(bottom - top, 2)
    try:
        check_opening(width, height)
    except InputError as err:
        raise InputError(
            f"{path}: this is not a scale frame drawing (its largest hole is {width:g}x{height:g} mm); "
            "give the file that `gapscan frame` wrote"
        ) from err
    layout = frame_layout(width, height)
    centre = np.array([(left + right) / 2, (top + bottom) / 2])
    drawn = np.array([[*(np.array(r.centroid.coords[0]) - centre)] for r in rings[2:]]).reshape(-1, 2)
    far = np.array([np.min(np.hypot(*(drawn - dot).T)) for dot in layout.dots_mm]) if len(drawn) else np.array([np.inf])
    outer = np.array([card.bounds[2] - card.bounds[0], card.bounds[3] - card.bounds[1]])
    slot = min((float(min(r.bounds[2] - r.bounds[0], r.bounds[3] - r.bounds[1])) for r in rings[2:]), default=0.0)
    # The check slot is the one size that never grows with the opening: it betrays a drawing scaled as a whole.
    scaled = len(layout.slots_mm) > 0 and abs(slot / SLOT_WIDTH_MM - 1) > 0.01
    worst = max(float(far.max()), float(np.abs(outer - layout.outer_mm).max()) / 2)
    if scaled:
        worst = max(worst, abs(slot / SLOT_WIDTH_MM - 1) * width)
    if worst > _DRAWN_AGREES_MM:
        raise InputError(
            f"{path}: the drawing differs from the frame for a {width:g}x{height:g} mm opening by {worst:.2f} mm; "
            "it was scaled or edited: write it again with `gapscan frame` and cut that one"
        )
    return layout

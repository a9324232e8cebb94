"""The proof: each new outline over the one that was cut before, with loupes where it changes most and at tips."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Point, Polygon

from gapscan.cutting.curves import curved_rings
from gapscan.cutting.svg_text import content, curve_data, short
from gapscan.cutting.turns import turns
from gapscan.sheets.parts import CutPart

FloatArray = NDArray[np.float64]

_CELL_MM = (90.0, 78.0)
_COLUMNS = 2
_VIEW_MM = 50.0  # side of the square that a piece is drawn into
_LOUPE_MM = 11.0  # radius on the page
_LOUPES = 2
_NEW, _OLD = "#b5451b", "#8c8c8c"


def proof_svg(parts: Sequence[CutPart]) -> str:
    """The SVG text: a cell for each piece, sorted by id, with magnifications written beside every loupe."""
    rows = max(1, math.ceil(len(parts) / _COLUMNS))
    width, height = _CELL_MM[0] * _COLUMNS, _CELL_MM[1] * rows + 14.0
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{short(width)}mm" height="{short(height)}mm" '
        f'viewBox="0 0 {short(width)} {short(height)}" font-family="sans-serif" fill="#222222">',
        f'  <rect width="{short(width)}" height="{short(height)}" fill="#ffffff"/>',
        '  <text x="5" y="7" font-size="4">New outlines over those cut before (for looking at, not for cutting)</text>',
        f'  <text x="5" y="12" font-size="3"><tspan fill="{_NEW}">full line: new</tspan> · '
        f'<tspan fill="{_OLD}">dashed, filled: as cut before</tspan> · show face towards you · '
        "± is one standard uncertainty</text>",
    ]
    for k, part in enumerate(parts):
        x, y = (k % _COLUMNS) * _CELL_MM[0], 14.0 + (k // _COLUMNS) * _CELL_MM[1]
        lines += _cell(part, k, x, y)
    lines.append("</svg>")
    return "\n".join(lines) + "\n"


def _cell(part: CutPart, number: int, x_mm: float, y_mm: float) -> list[str]:
    left, top, right, bottom = part.before.union(part.outline).bounds
    scale = _VIEW_MM / max(right - left, bottom - top, 1e-6)
    new, old = curve_data(part.rings), curve_data(curved_rings(part.before))
    sign = "larger" if part.change_mm >= 0 else "smaller"
    said = f"{abs(part.change_mm):.3f} ± {part.u_change_mm:.3f} mm {sign} (mean all round)"
    lines = [
        f'  <g transform="translate({short(x_mm)} {short(y_mm)})">',
        f'    <text x="5" y="5" font-size="4" font-weight="bold">{content(part.id)}</text>',
        f'    <text x="5" y="9" font-size="2.6">{content(said)}</text>',
        f'    <text x="5" y="12.6" font-size="2.6">the whole piece {_times(scale)}</text>',
        f'    <g transform="translate(5 16) scale({scale:.6f}) translate({short(-left)} {short(-top)})">',
        *_both(new, old),
        "    </g>",
    ]
    for k, (px, py) in enumerate(_places(part)):
        magnified = _magnification(part)
        cx, cy = 73.0, 29.0 + k * (2 * _LOUPE_MM + 6.0)
        clip = f"loupe-{number}-{k}"
        at = 5.0 + (px - left) * scale, 16.0 + (py - top) * scale
        away = math.hypot(cx - at[0], cy - at[1])
        ux, uy = (cx - at[0]) / away, (cy - at[1]) / away
        lines += [
            f'    <circle cx="{short(at[0])}" cy="{short(at[1])}" r="1.2" fill="none" stroke="#222222" stroke-width="0.2"/>',
            f'    <line x1="{short(at[0] + 1.2 * ux)}" y1="{short(at[1] + 1.2 * uy)}" '
            f'x2="{short(cx - _LOUPE_MM * ux)}" y2="{short(cy - _LOUPE_MM * uy)}" '
            'stroke="#222222" stroke-width="0.1"/>',
            f'    <clipPath id="{clip}"><circle cx="{short(cx)}" cy="{short(cy)}" r="{short(_LOUPE_MM)}"/></clipPath>',
            f'    <circle cx="{short(cx)}" cy="{short(cy)}" r="{short(_LOUPE_MM)}" fill="#ffffff" stroke="#222222" '
            'stroke-width="0.3"/>',
            f'    <g clip-path="url(#{clip})"><g transform="translate({short(cx)} {short(cy)}) scale({magnified:g}) '
            f'translate({short(-px)} {short(-py)})">',
            *_both(new, old),
            "    </g></g>",
            f'    <text x="{short(cx + _LOUPE_MM)}" y="{short(cy + _LOUPE_MM + 3.2)}" font-size="2.6" '
            f'text-anchor="end">{_times(magnified)}</text>',
        ]
    return [*lines, "  </g>"]


def _both(new: str, old: str) -> list[str]:
    thin = 'vector-effect="non-scaling-stroke" fill-rule="evenodd"'
    return [
        f'      <path d="{old}" fill="#e8e2d8" stroke="{_OLD}" stroke-width="0.8" stroke-dasharray="3 2" {thin}/>',
        f'      <path d="{new}" fill="none" stroke="{_NEW}" stroke-width="1.2" {thin}/>',
    ]


def _times(scale: float) -> str:
    return f"magnified {scale:.3g} times" if scale >= 1 else f"at {100 * scale:.3g} %"


def _magnification(part: CutPart) -> float:
    """A round figure at which the change takes about a quarter of the loupe."""
    wanted = 0.3 * _LOUPE_MM / max(abs(part.change_mm), 0.02)
    steps = (5.0, 10.0, 20.0, 40.0, 100.0)
    return max(step for step in steps if step <= max(wanted, 5.0))


def _places(part: CutPart) -> FloatArray:
    """Points (≤ 2, 2) of the new outline: where it lies farthest from the old one, and its sharpest corner elsewhere."""
    whole = part.outline
    parts = whole.geoms if isinstance(whole, MultiPolygon) else (whole,)
    rings = [shapely.segmentize(ring, 0.5) for one in parts for ring in (one.exterior, *one.interiors)]
    points = np.concatenate([shapely.get_coordinates(ring)[:-1] for ring in rings])
    off = shapely.distance(shapely.points(points), _boundary(part.before))
    found = [points[int(np.argmax(off))]]
    corners, sharpness = _corners(parts)
    away = np.array([Point(c).distance(Point(found[0])) for c in corners]) if len(corners) else np.empty(0)
    others = np.flatnonzero(away > 2.0)
    if len(others):
        found.append(corners[others[int(np.argmax(sharpness[others]))]])
    else:
        apart = np.hypot(*(points - found[0]).T)
        found.append(points[int(np.argmax(apart))])
    return np.array(found[:_LOUPES])


def _boundary(area: Polygon | MultiPolygon) -> shapely.Geometry:
    edge = area.boundary
    shapely.prepare(edge)
    return edge


def _corners(parts: Sequence[Polygon]) -> tuple[FloatArray, FloatArray]:
    """Corners (N, 2) that turn by more than 25°, and by how much (N,)."""
    places, sharpness = [], []
    for ring in (ring for one in parts for ring in (one.exterior, *one.interiors)):
        points = shapely.get_coordinates(ring)[:-1]
        turn = np.abs(turns(points))
        sharp = turn > math.radians(25.0)
        places.append(points[sharp])
        sharpness.append(turn[sharp])
    return np.concatenate(places), np.concatenate(sharpness)

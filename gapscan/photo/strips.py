"""The scale frame as joinable strips, for a sheet or a laser bed smaller than the frame.

The card is cut across its band, between holes, along a dovetail: put together flat on the glass and taped, the strips
make the frame again. The play of the joints moves a strip by about the kerf; the photo's reference residual shows it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon, box

from gapscan.errors import InputError
from gapscan.photo.frame import svg_of_rings
from gapscan.photo.layout import MARKER_CELLS, FrameLayout, frame_layout

FloatArray = NDArray[np.float64]

_SPACE_MM = 3.0
_NECK, _HEAD = 0.26, 0.36  # of the band's width
_DEPTH_CELLS = 1.1
_LEAST_FREE_CELLS = 1.7  # between two holes, for a joint to be cut there


@dataclass(frozen=True)
class _Cut:
    """A joint across the band: at this place along x (or y), between these two coordinates of the band."""

    along_x: bool
    at_mm: float
    band_mm: tuple[float, float]


def frame_strip_sheets(width_mm: float, height_mm: float, *, sheet_mm: tuple[float, float]) -> list[str]:
    """Drawings (SVG, mm) of the strips laid out on as many sheets of this size as it takes.

    Raises InputError when the sheet is too small for any useful strip.
    """
    layout = frame_layout(float(width_mm), float(height_mm))
    longest, shortest = max(sheet_mm), min(sheet_mm)
    strips = [_flat(strip) for strip in frame_strips(layout, longest_mm=longest)]
    tallest = max(s.bounds[3] for s in strips)
    if tallest > shortest or not math.isfinite(longest + shortest):
        raise InputError(
            f"sheet {sheet_mm[0]:g}x{sheet_mm[1]:g} mm: the frame's strips are {tallest:.0f} mm wide with their joints; "
            "give a larger --strips size"
        )
    return [
        svg_of_rings(_rings(sheet), longest, shortest, "strips of a gapscan scale frame")
        for sheet in _lay_out(strips, longest, shortest)
    ]


def frame_strips(layout: FrameLayout, *, longest_mm: float) -> list[Polygon]:
    """The card cut into strips no longer than this, in frame coordinates. Raises InputError when none can be that short."""
    outer_w, outer_h = layout.outer_mm
    band = layout.band_mm
    top, left = -outer_h / 2, -outer_w / 2
    rows = _free_places(layout, along_x=False)
    # The two bars along x keep the corners; the sides between them start at the first place free of holes.
    # A free place leaves room for a tail that points towards +; the lower bar's tails point the other way.
    upper, lower = rows[0], rows[-1] + _DEPTH_CELLS * layout.cell_mm
    strips = []
    for inner, near in ((box(left, top, -left, upper), top), (box(left, lower, -left, -top), -top - band)):
        bar = layout.card.intersection(inner)
        cuts = _cuts(_free_places(layout, along_x=True), left, -left, longest_mm, layout)
        bar_cuts = [_Cut(True, at, (near, near + band)) for at in cuts]
        strips += _split(bar, bar_cuts, layout)
    for side in (left, -left - band):
        column = layout.card.intersection(box(side, upper, side + band, lower))
        cuts = _cuts(rows[1:-1], upper, lower, longest_mm, layout)
        strips += _split(column, [_Cut(False, at, (side, side + band)) for at in cuts], layout)
    return _dovetail_ends(strips, layout, upper, lower)


def _dovetail_ends(strips: list[Polygon], layout: FrameLayout, upper: float, lower: float) -> list[Polygon]:
    """Give the bars' stubs tails and the sides' ends sockets."""
    left = -layout.outer_mm[0] / 2
    tails = []
    for side in (left, -left - layout.band_mm):
        for at, way in ((upper, 1.0), (lower, -1.0)):
            tails.append((_tail(_Cut(False, at, (side, side + layout.band_mm)), layout, way), at, way))
    fitted = []
    for strip in strips:
        shape = strip
        for tail, at, way in tails:
            inside = strip.intersection(tail.buffer(0.01)).area
            if inside > 0.5 * tail.area:
                shape = shape.difference(tail)
            elif strip.distance(tail) < 1e-6 and _beyond(strip, at, way):
                shape = shape.union(layout.card.intersection(tail)).buffer(0)
        fitted.append(_largest(shape))
    return fitted


def _beyond(strip: Polygon, at: float, way: float) -> bool:
    """Whether the strip is the bar that ends at this place (the side lies the other way)."""
    edge = strip.bounds[3] if way > 0 else strip.bounds[1]
    return bool(abs(edge - at) < 1e-6)


def _tail(cut: _Cut, layout: FrameLayout, way: float) -> Polygon:
    """The dovetail that one part puts into the other, pointing along x or y by the sign of ``way``."""
    low, high = cut.band_mm
    middle, width = (low + high) / 2, high - low
    depth = way * _DEPTH_CELLS * layout.cell_mm
    outline = [
        (cut.at_mm, middle - _NECK * width / 2),
        (cut.at_mm + depth, middle - _HEAD * width / 2),
        (cut.at_mm + depth, middle + _HEAD * width / 2),
        (cut.at_mm, middle + _NECK * width / 2),
    ]
    return Polygon(outline if cut.along_x else [(b, a) for a, b in outline])


def _split(part: Polygon, cuts: list[_Cut], layout: FrameLayout) -> list[Polygon]:
    """Cut one straight part at every joint."""
    pieces = []
    rest = part
    x0, y0, x1, y1 = (v + s for v, s in zip(part.bounds, (-1, -1, 1, 1), strict=True))
    for cut in cuts:
        before = box(x0, y0, cut.at_mm, y1) if cut.along_x else box(x0, y0, x1, cut.at_mm)
        before = before.union(_tail(cut, layout, 1.0))
        pieces.append(_largest(rest.intersection(before)))
        rest = _largest(rest.difference(before))
    return [*pieces, rest]


def _largest(shape: Polygon) -> Polygon:
    parts = [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area)


def _free_places(layout: FrameLayout, *, along_x: bool) -> list[float]:
    """Middles of the stretches of band that no hole crosses, on both sides of the frame, in order."""
    half_ring = (MARKER_CELLS + 2) * layout.cell_mm / 2
    axis, other = (0, 1) if along_x else (1, 0)
    far = (layout.height_mm if along_x else layout.width_mm) / 2
    spans = []
    for marker in layout.markers:
        middle = marker.corners_mm.mean(axis=0)
        if abs(middle[other]) > far:
            spans.append((middle[axis] - half_ring, middle[axis] + half_ring))
    for dot in layout.dots_mm:
        if abs(dot[other]) > far:
            spans.append((dot[axis] - layout.dot_radius_mm, dot[axis] + layout.dot_radius_mm))
    for slot in layout.slots_mm:
        if abs(slot[other]) > far:
            half = slot[2 + axis] / 2
            spans.append((slot[axis] - half, slot[axis] + half))
    spans.sort()
    places, end = [], spans[0][1]
    for low, high in spans[1:]:
        if low - end >= _LEAST_FREE_CELLS * layout.cell_mm:
            places.append((end + low) / 2 - _DEPTH_CELLS * layout.cell_mm / 2)
        end = max(end, high)
    return places


def _cuts(places: list[float], start: float, end: float, longest: float, layout: FrameLayout) -> list[float]:
    """The fewest joints that leave no part longer than the sheet, as evenly spread as the free places allow."""
    room = longest - 2 * _DEPTH_CELLS * layout.cell_mm - 2 * _SPACE_MM
    count = max(1, math.ceil((end - start) / room)) if room > 0 else 10**6
    for parts in range(count, count + 4):
        aims = [start + (end - start) * k / parts for k in range(1, parts)]
        chosen = [_nearest(places, aim) for aim in aims]
        edges = [start, *chosen, end]
        if all(0 < b - a <= room for a, b in itertools.pairwise(edges)):
            return chosen
    raise InputError(
        f"the frame cannot be cut into strips of {longest:g} mm: joints fit only between its holes; "
        "give a larger --strips size"
    )


def _nearest(places: list[float], aim: float) -> float:
    return min(places, key=lambda place: abs(place - aim)) if places else math.inf


def _flat(strip: Polygon) -> Polygon:
    """Laid along x, from the origin."""
    x0, y0, x1, y1 = strip.bounds
    turned = strip if x1 - x0 >= y1 - y0 else affinity.rotate(strip, 90, origin=(0, 0))
    a, b, _, _ = turned.bounds
    return affinity.translate(turned, -a, -b)


def _lay_out(strips: list[Polygon], width: float, height: float) -> list[list[Polygon]]:
    """Rows of strips, sheet by sheet."""
    sheets: list[list[Polygon]] = [[]]
    x, y, row = 0.0, 0.0, 0.0
    for strip in sorted(strips, key=lambda s: (-s.bounds[3], -s.bounds[2])):
        w, h = strip.bounds[2], strip.bounds[3]
        if x > 0 and x + w > width:
            x, y, row = 0.0, y + row + _SPACE_MM, 0.0
        if y + h > height:
            sheets.append([])
            x, y, row = 0.0, 0.0, 0.0
        sheets[-1].append(affinity.translate(strip, x, y))
        x, row = x + w + _SPACE_MM, max(row, h)
    return sheets


def _rings(sheet: list[Polygon]) -> list[FloatArray]:
    return [np.asarray(ring.coords) for strip in sheet for ring in (strip.exterior, *strip.interiors)]

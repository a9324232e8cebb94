"""The scale frame's geometry: a card with an opening, a ring of coded stencil markers, and round reference holes.

Frame coordinates: millimetres, x right, y down, origin at the centre of the opening. The same opening always gives
the same layout, so a frame drawing is recognised again from its drawn paths alone.

Coded markers tell where one is, on which side, and whether the card is turned over. Their edges move with the kerf
that the card was cut with; the centre of a round hole does not. Scale and pose are therefore taken from the centres
of the round holes only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box
from shapely.ops import unary_union

from gapscan.errors import InputError

FloatArray = NDArray[np.float64]

SMALLEST_MM = 60.0
LONGEST_MM = 600.0
SHORTEST_SIDE_LIMIT_MM = 400.0

# AprilTag 25h9 as shipped in OpenCV's aruco module: 5×5 code cells in a dark border one cell wide.
MARKER_CELLS = 7
MARKER_FAMILY = "DICT_APRILTAG_25h9"
SLOT_WIDTH_MM = 0.30

_MAX_SIDE_MARKERS = 8  # both long-side and short-side markers of one half of the ring
_RING_CELLS = MARKER_CELLS + 2
_BAND_CELLS = _RING_CELLS + 2


@dataclass(frozen=True)
class MarkerPlace:
    """A coded marker: its number in the family and its four corners (4, 2) in mm, in OpenCV's order."""

    number: int
    corners_mm: FloatArray


@dataclass(frozen=True)
class FrameLayout:
    """A frame for one opening.

    dots_mm (D, 2) centres of the round holes; dot_radius_mm their drawn radius
    slots_mm (S, 4) check slots as (centre x, centre y, length along x, length along y)
    card    the opaque card as a polygon whose holes let light through
    """

    width_mm: float
    height_mm: float
    cell_mm: float
    band_mm: float
    markers: tuple[MarkerPlace, ...]
    dots_mm: FloatArray
    dot_radius_mm: float
    slots_mm: FloatArray
    card: Polygon

    @property
    def outer_mm(self) -> tuple[float, float]:
        """Width and height of the whole card."""
        return self.width_mm + 2 * self.band_mm, self.height_mm + 2 * self.band_mm

    @property
    def bridge_mm(self) -> float:
        """Width of the bridges that hold each marker in the card."""
        return _bridge_mm(self.cell_mm)


def check_opening(width_mm: float, height_mm: float) -> None:
    """Raise InputError unless the opening is one that a frame can be made for."""
    longer, shorter = max(width_mm, height_mm), min(width_mm, height_mm)
    if not (math.isfinite(width_mm) and math.isfinite(height_mm)):
        raise InputError(f"opening {width_mm}x{height_mm}: not a size; give it as WIDTHxHEIGHT in mm, such as 200x140")
    if shorter < SMALLEST_MM or longer > LONGEST_MM or shorter > SHORTEST_SIDE_LIMIT_MM:
        raise InputError(
            f"opening {width_mm:g}x{height_mm:g} mm: frames can be made from {SMALLEST_MM:g}x{SMALLEST_MM:g} to "
            f"{LONGEST_MM:g}x{SHORTEST_SIDE_LIMIT_MM:g} mm; choose a size in that range"
        )


@lru_cache(maxsize=8)
def frame_layout(width_mm: float, height_mm: float) -> FrameLayout:
    """The layout of the frame with this opening. Raises InputError when the size is out of range."""
    check_opening(width_mm, height_mm)
    cell = round(min(max(max(width_mm, height_mm) / 140.0, 1.3), 3.2), 2)
    band = _BAND_CELLS * cell
    # Frames of other openings start elsewhere in the family, so that one is not taken for another.
    family = _numbers_that_hold_together()
    start = (7 * round(width_mm) + 13 * round(height_mm)) % len(family)
    numbers = family[start:] + family[:start]
    along_x, along_y = _side_counts(width_mm, height_mm, cell)
    half_x, half_y = (width_mm + band) / 2, (height_mm + band) / 2

    # Walk round the ring from the top left, clockwise on screen.
    xs = np.linspace(-half_x, half_x, along_x + 2)
    ys = np.linspace(-half_y, half_y, along_y + 2)
    centres = [(x, -half_y) for x in xs]
    centres += [(half_x, y) for y in ys[1:]]
    centres += [(x, half_y) for x in xs[::-1][1:]]
    centres += [(-half_x, y) for y in ys[::-1][1:-1]]

    markers, holes = [], []
    half = MARKER_CELLS * cell / 2
    for number, (cx, cy) in zip(numbers, centres, strict=False):
        corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]]) + (cx, cy)
        markers.append(MarkerPlace(number, corners))
        holes += [affinity.translate(hole, cx, cy) for hole in _marker_holes(number, cell)]

    dot_radius = round(0.8 * cell, 2)
    dots, slots = _between(centres, cell)
    holes += [Point(x, y).buffer(dot_radius, quad_segs=24) for x, y in dots]
    holes += [box(x - a / 2, y - b / 2, x + a / 2, y + b / 2) for x, y, a, b in slots]
    holes.append(box(-width_mm / 2, -height_mm / 2, width_mm / 2, height_mm / 2))
    outer = box(-width_mm / 2 - band, -height_mm / 2 - band, width_mm / 2 + band, height_mm / 2 + band)
    card = Polygon(outer.exterior, [hole.exterior for hole in holes])
    return FrameLayout(
        width_mm=float(width_mm),
        height_mm=float(height_mm),
        cell_mm=cell,
        band_mm=band,
        markers=tuple(markers),
        dots_mm=np.array(dots),
        dot_radius_mm=dot_radius,
        slots_mm=np.array(slots).reshape(-1, 4),
        card=card,
    )


def _bridge_mm(cell_mm: float) -> float:
    return 0.5 * cell_mm


def _side_counts(width_mm: float, height_mm: float, cell_mm: float) -> tuple[int, int]:
    """Markers between the corners on the sides along x and along y."""
    span = 3.0 * _RING_CELLS * cell_mm
    band = _BAND_CELLS * cell_mm
    along_x = max(1, round((width_mm + band) / span) - 1)
    along_y = max(1, round((height_mm + band) / span) - 1)
    while along_x + along_y > _MAX_SIDE_MARKERS:
        if along_x * height_mm >= along_y * width_mm:
            along_x -= 1
        else:
            along_y -= 1
    return along_x, along_y


@lru_cache(maxsize=1)
def _code_cells() -> dict[int, NDArray[np.bool_]]:
    """Number -> (7, 7) array of light cells, for every marker of the family."""
    import cv2

    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY))
    cells = {}
    for number in range(family.bytesList.shape[0]):
        picture = cv2.aruco.generateImageMarker(family, number, MARKER_CELLS * 4)
        cells[number] = np.asarray(picture[2::4, 2::4] > 127)
    return cells


def _numbers_that_hold_together() -> list[int]:
    """Markers whose dark cells are all joined by whole cell sides to the dark border: nothing falls out when cut."""
    from scipy.ndimage import label

    return [number for number, light in _code_cells().items() if label(~light)[1] == 1]


def _marker_holes(number: int, cell_mm: float) -> list[Polygon]:
    """Holes of one marker centred at the origin: its light cells, and a light ring cut by four bridges."""
    half = MARKER_CELLS * cell_mm / 2
    ring = box(-half - cell_mm, -half - cell_mm, half + cell_mm, half + cell_mm).difference(
        box(-half, -half, half, half)
    )
    reach, bridge = half + 2 * cell_mm, _bridge_mm(cell_mm) / 2
    bridges = unary_union([box(-reach, -bridge, reach, bridge), box(-bridge, -reach, bridge, reach)])
    rows, cols = np.nonzero(_code_cells()[number])
    cells = [
        box(c * cell_mm - half, r * cell_mm - half, (c + 1) * cell_mm - half, (r + 1) * cell_mm - half)
        for r, c in zip(rows, cols, strict=True)
    ]
    return _parts(ring.difference(bridges)) + _parts(_open_point_contacts(cells, cell_mm))


def _open_point_contacts(cells: list[Polygon], cell_mm: float) -> Polygon | MultiPolygon:
    """Light cells joined along sides; where two only touch at a corner the card keeps a web a twentieth of a cell."""
    joined = unary_union(cells)
    inset = cell_mm / 20
    return joined.buffer(-inset, join_style="mitre").buffer(0)


def _parts(shape: Polygon | MultiPolygon) -> list[Polygon]:
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]


def _between(
    centres: list[tuple[float, float]], cell_mm: float
) -> tuple[list[tuple[float, float]], list[tuple[float, float, float, float]]]:
    """Round holes, and one check slot a side, in the gaps between neighbouring markers of the ring."""
    dots: list[tuple[float, float]] = []
    slots: list[tuple[float, float, float, float]] = []
    sides_with_slot: set[tuple[bool, bool]] = set()
    for (x0, y0), (x1, y1) in zip(centres, centres[1:] + centres[:1], strict=True):
        distance = math.hypot(x1 - x0, y1 - y0)
        free = distance - _RING_CELLS * cell_mm
        count = min(7, int(free // (3.6 * cell_mm)))
        if count < 1:
            continue
        pitch = free / count
        horizontal = y0 == y1
        side = (horizontal, (y0 if horizontal else x0) > 0)
        for k in range(count):
            along = (_RING_CELLS * cell_mm / 2 + (k + 0.5) * pitch) / distance
            x, y = x0 + (x1 - x0) * along, y0 + (y1 - y0) * along
            if count >= 3 and k == count // 2 and side not in sides_with_slot:
                sides_with_slot.add(side)
                length = 4.0 * cell_mm
                slots.append((x, y, length, SLOT_WIDTH_MM) if horizontal else (x, y, SLOT_WIDTH_MM, length))
            else:
                dots.append((x, y))
    return dots, slots

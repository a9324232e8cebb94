"""A sheet that lies partly outside the picture: where the drawing fits what is seen, and what share is not.

The middle of the seen part is not the middle of the sheet, so the outline's place is looked for at every turn: veneer
is wanted where the drawing has it, bare light where it has none, and nothing is asked where the picture shows nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import transform
from shapely.geometry import Polygon
from shapely.ops import unary_union

from gapscan.design.types import Design
from gapscan.photo.camera import back_project
from gapscan.photo.types import Reference
from gapscan.register.outline import Outline, SeenOutline, placed, settle_on_outline
from gapscan.register.rectify import SheetMap
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_TURN_STEP_DEG = 1.0
_CELL_MM = 1.0
_MOST_CELLS = 250  # along the opening's diagonal: keeps the search under a few seconds
_EQUAL_MM = 0.6
_SIDE_POINTS = 33


def scan_places(
    outline: Outline, seen: SeenOutline, sheet: SheetMap, *, sides: tuple[bool, ...]
) -> list[tuple[float, bool, float, FloatArray]]:
    """(misfit [mm], mirrored, angle [deg], place of the outline's centroid (2,)) of the turns that fit about best.

    At each turn and side the best place is that of the largest correlation between the filled outline and a map that
    is +1 on veneer, −1 on bare light and 0 where nothing is seen (by FFT); the misfit is the area that disagrees by
    the outline's length. Places are then settled on the seen outline.
    """
    from scipy.fft import irfft2, next_fast_len, rfft2

    wanted, cell = _wanted(sheet)
    reach = int(np.ceil(np.hypot(*(outline.points_mm - outline.centroid_mm).T).max() / cell)) + 1
    height, width = wanted.shape
    size = [next_fast_len(n + 2 * reach, real=True) for n in (height, width)]
    field = rfft2(wanted, size)
    veneer = float(np.maximum(wanted, 0).sum())
    found = []
    for mirrored in sides:
        for angle in np.arange(0.0, 360.0, _TURN_STEP_DEG):
            turned = placed(mirrored, float(angle), outline, np.zeros(2))
            filled = _filled(outline, turned, reach, cell)
            agree = irfft2(field * np.conj(rfft2(filled, size)), size)
            v, u = np.unravel_index(int(np.argmax(agree)), agree.shape)
            # Template pixel (reach, reach) is the centroid; shifts beyond the map wrap round to negative ones.
            shift = np.array([u - size[1] if u >= width else u, v - size[0] if v >= height else v])
            centre = np.asarray(sheet.origin_mm) + cell * (shift + reach)
            misfit = (veneer - float(agree[v, u])) * cell**2 / outline.length_mm
            found.append((misfit, mirrored, float(angle), centre))
    least = min(f[0] for f in found)
    settled = []
    for misfit, mirrored, angle, centre in found:
        if misfit <= least + _EQUAL_MM:
            at = settle_on_outline(placed(mirrored, angle, outline, centre), outline, seen, sheet)
            settled.append((misfit, mirrored, at.angle_deg, at.to_sheet(outline.centroid_mm[None])[0]))
    return settled


def _wanted(sheet: SheetMap) -> tuple[NDArray[np.float32], float]:
    """+1 on veneer, −1 on bare light, 0 where nothing is seen, on a coarse grid; and its cell in mm."""
    import cv2

    height, width = sheet.assembly.shape
    coarse = max(_CELL_MM, sheet.step_mm * float(np.hypot(height, width)) / _MOST_CELLS)
    value = np.where(np.isfinite(sheet.light), np.where(sheet.assembly, 1.0, -1.0), 0.0).astype(np.float32)
    # OpenCV keeps the outer edges in place; a whole number of steps a cell keeps the centres of the first in place too.
    steps = max(1, round(coarse / sheet.step_mm))
    rows, columns = height // steps, width // steps
    small = cv2.resize(value[: rows * steps, : columns * steps], (columns, rows), interpolation=cv2.INTER_AREA)
    return small, steps * sheet.step_mm


def _filled(outline: Outline, turned: Registration, reach: int, cell: float) -> NDArray[np.float32]:
    """The filled outline with its centroid in the middle of a square of 2 reach + 1 cells."""
    import cv2

    picture = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
    rings = [np.round(turned.to_sheet(ring) / cell * 16 + 16 * reach).astype(np.int32) for ring in outline.rings_mm]
    cv2.fillPoly(picture, rings, 1, shift=4)
    return picture.astype(np.float32)


def share_outside(design: Design, registration: Registration, reference: Reference, *, height_mm: float) -> float:
    """Share (0 to 1) of the pieces' area that lies outside the picture."""
    width, height = reference.camera.image_size_px
    along = np.linspace(0.0, 1.0, _SIDE_POINTS)[:-1]
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=float)
    ring = np.vstack([a + along[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    picture = Polygon(back_project(reference.camera, ring, height_mm=height_mm))
    sheet = unary_union([transform(piece.polygon, registration.to_sheet) for piece in design.pieces])
    return float(1.0 - sheet.intersection(picture).area / sheet.area)

"""Coded markers of the scale frame in a photo: which are seen, on which side the card lies, and a first map.

The markers hang in the card by bridges. A grey closing (dilation, then erosion of the light) a little wider than a
bridge and narrower than a cell removes the bridges, and the marker is then an ordinary one for OpenCV's detector.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.layout import MARKER_FAMILY, FrameLayout

FloatArray = NDArray[np.float64]

_WORKING_SIDE_PX = 2200  # detection runs on a picture no larger than this
_CLOSING_CELLS = 0.72  # between a bridge (0.5 cell) and a cell less kerf


@dataclass(frozen=True)
class MarkerFix:
    """Markers that agree on one map from the frame to the picture.

    mirrored        the card lies turned over
    homography      (3, 3) frame mm (turned over already when mirrored) to full-size pixels
    numbers         markers that agree
    """

    mirrored: bool
    homography: FloatArray
    numbers: tuple[int, ...]


def side_facing(xy_mm: FloatArray, *, mirrored: bool) -> FloatArray:
    """Frame points (N, 2) as the camera sees them: x changes sign when the card lies turned over."""
    return xy_mm * (-1.0, 1.0) if mirrored else np.asarray(xy_mm)


def find_markers(light: NDArray[np.float32], layout: FrameLayout) -> MarkerFix | None:
    """The largest set of markers that agree on one perspective map; None when fewer than three do."""
    import cv2

    height, width = light.shape
    shrink = max(1.0, max(height, width) / _WORKING_SIDE_PX)
    size = (round(width / shrink), round(height / shrink))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA) if shrink > 1 else light
    top = float(np.percentile(small[::4, ::4], 99))
    if top <= 0:
        return None
    picture = np.clip(np.sqrt(np.clip(small, 0, None) / top) * 230, 0, 255).astype(np.uint8)
    # The frame may fill the picture or half of it: scale guesses from a tight fit downwards.
    tight = min(max(size) / max(layout.outer_mm), np.hypot(*size) / np.hypot(*layout.outer_mm))
    best: MarkerFix | None = None
    for fill in (0.9, 0.65, 0.45, 0.3):
        span = max(1, round(_CLOSING_CELLS * layout.cell_mm * tight * fill))
        closed = cv2.morphologyEx(picture, cv2.MORPH_CLOSE, np.ones((span, span), np.uint8))
        for mirrored in (False, True):
            fix = _agreeing(_detect(closed, mirrored), layout, mirrored, size, (width, height))
            if fix is not None and (best is None or len(fix.numbers) > len(best.numbers)):
                best = fix
            if best is not None and len(best.numbers) >= 0.8 * len(layout.markers):
                return best
        if best is not None and len(best.numbers) >= 6:
            return best
    return best


def _detect(picture: NDArray[np.uint8], mirrored: bool) -> list[tuple[int, FloatArray]]:
    """(number, corners (4, 2) in pixels of this picture) of every marker found."""
    import cv2

    parameters: Any = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 23
    parameters.adaptiveThreshWinSizeMax = 83
    parameters.adaptiveThreshWinSizeStep = 30
    parameters.minMarkerPerimeterRate = 0.02
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY)), parameters)
    seen = np.ascontiguousarray(picture[:, ::-1]) if mirrored else picture
    corners, numbers, _ = detector.detectMarkers(seen)
    found = []
    for quad, number in zip(corners, [] if numbers is None else np.ravel(numbers), strict=False):
        points = quad.reshape(4, 2).astype(float)
        if mirrored:
            points[:, 0] = picture.shape[1] - 1 - points[:, 0]
        found.append((int(number), points))
    return found


def _agreeing(
    found: list[tuple[int, FloatArray]],
    layout: FrameLayout,
    mirrored: bool,
    size: tuple[int, int],
    full_size: tuple[int, int],
) -> MarkerFix | None:
    import cv2

    places = {m.number: m.corners_mm for m in layout.markers}
    found = [(n, c) for n, c in found if n in places]
    if len(found) < 3:
        return None
    frame_xy = np.vstack([side_facing(places[n], mirrored=mirrored) for n, _ in found])
    scale = np.array(full_size) / np.array(size)
    uv = (np.vstack([c for _, c in found]) + 0.5) * scale - 0.5
    allowed_px = 0.02 * max(full_size) / 2
    homography, inliers = cv2.findHomography(frame_xy, uv, cv2.RANSAC, allowed_px)
    if homography is None:
        return None
    agree = inliers.reshape(-1, 4).all(axis=1)
    numbers = tuple(sorted({n for (n, _), ok in zip(found, agree, strict=True) if ok}))
    if len(numbers) < 3:
        return None
    chosen = np.repeat(agree, 4)
    homography, _ = cv2.findHomography(frame_xy[chosen], uv[chosen], 0)
    if homography is None:
        return None
    return MarkerFix(mirrored, np.asarray(homography, dtype=float), numbers)

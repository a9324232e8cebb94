"""What a photo is after reading, and what the scale frame in it tells about the camera.

Pixels are ``(u, v)`` = (column, row), integers are pixel centres, as in OpenCV's camera model.
Sheet coordinates: millimetres as the camera sees the sheet, x right, y down, origin at the centre of the frame's
opening; height above the lightbox is positive towards the camera (``z = -height`` in the right-handed system).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.float32]


@dataclass(frozen=True)
class Photo:
    """One photo in linear light.

    light      (H, W) float32, linear light, 1.0 = the encoding's white
    clipped    (H, W) bool, true where a channel sits at the encoding's top
    display_bgr (H, W, 3) uint8, upright, for pictures only
    focal_px   focal lengths that the file's EXIF supports (readings of the same tag differ); empty when unknown
    bare       a photo of the empty lightbox from the same place, pixel for pixel, where there is one
    """

    path: str
    light: ImageArray
    clipped: NDArray[np.bool_]
    display_bgr: NDArray[np.uint8]
    focal_px: tuple[float, ...]
    notes: tuple[str, ...] = ()
    bare: Photo | None = None


@dataclass(frozen=True)
class Camera:
    """Pinhole camera with one radial term (OpenCV's model: x' = x (1 + k1 r²)) over the sheet.

    rotation (3, 3) and translation_mm (3,) take sheet points (x, y, z = -height) to the camera.
    """

    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    rotation: FloatArray
    translation_mm: FloatArray
    image_size_px: tuple[int, int]  # width, height

    @property
    def place_mm(self) -> FloatArray:
        """The projection centre in sheet coordinates, (3,): x, y, height above the lightbox."""
        c = -self.rotation.T @ self.translation_mm
        return np.array([c[0], c[1], -c[2]])


@dataclass(frozen=True)
class Reference:
    """The camera found from the scale frame.

    rms_mm           residual of the frame's reference points, on the sheet
    px_per_mm        mean scale in the opening
    opening_mm       the opening's outline in sheet coordinates
    focal_rel_u      relative standard uncertainty of the focal length (and so of the camera's height)
    cost             half the weighted sum of squares of the fit to the frame, priors included
    foot_u_mm        standard uncertainty of the point below the camera
    """

    camera: Camera
    frame_mirrored: bool
    opening_mm: Polygon
    rms_mm: float
    px_per_mm: float
    markers_seen: int
    markers_total: int
    focal_rel_u: float
    cost: float
    foot_u_mm: float
    warnings: tuple[str, ...]

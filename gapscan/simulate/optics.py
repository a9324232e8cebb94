"""The simulated camera: where a point above the lightbox falls in the picture.

Written on its own, from the textbook model (pinhole, radial distortion x' = x (1 + k1 r² + k2 r⁴)); it
shares no code with the measuring side, because it is the judge of that side.

World coordinates ("table"): x right, y down, origin at the centre of the frame's opening, height above the
lightbox towards the camera. Pixels are (u, v), pixel centres at integers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class CameraSettings:
    """How the camera is held.

    equivalent_mm   the lens, as EXIF's FocalLengthIn35mmFilm says it
    equivalent_by   which side of the 36 x 24 mm frame that figure is scaled by: "width" or "diagonal"
    px_per_mm       scale along the optical axis on the lightbox; it decides the camera's distance
    tilt_deg        angle of the optical axis to the plumb line; azimuth_deg: towards which side it leans
    roll_deg        turn of the picture about the optical axis
    look_at_mm      (x, y) of the lightbox point on the optical axis
    k1, k2          radial distortion
    """

    width_px: int = 4000
    height_px: int = 3000
    equivalent_mm: float = 26.0
    equivalent_by: str = "width"
    px_per_mm: float = 18.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    look_at_mm: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0

    @property
    def focal_px(self) -> float:
        """Focal length in pixels from the 35 mm-equivalent one."""
        if self.equivalent_by == "width":
            return self.equivalent_mm / 36.0 * max(self.width_px, self.height_px)
        return self.equivalent_mm / float(np.hypot(36.0, 24.0)) * float(np.hypot(self.width_px, self.height_px))


@dataclass(frozen=True)
class PinholeCamera:
    """A placed camera. ``rotation`` takes (x, y, -height) minus the place to camera axes (z forward)."""

    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float
    rotation: FloatArray
    place_mm: FloatArray  # x, y, height above the lightbox
    size_px: tuple[int, int]  # width, height

    def project(self, xy_mm: FloatArray, height_mm: float) -> FloatArray:
        """Points (N, 2) at one height above the lightbox to pixels (N, 2).

        Points behind the camera raise ValueError: a scene never has any.
        """
        cx, cy, ch = self.place_mm
        world = np.empty((len(xy_mm), 3))
        world[:, 0] = xy_mm[:, 0] - cx
        world[:, 1] = xy_mm[:, 1] - cy
        world[:, 2] = ch - height_mm
        seen = world @ self.rotation.T
        if len(seen) and seen[:, 2].min() <= 0.0:
            raise ValueError("a point lies behind the camera; raise the camera or lower the tilt")
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        r2 = x * x + y * y
        bend = 1.0 + self.k1 * r2 + self.k2 * r2 * r2
        return np.column_stack(
            [self.focal_px * x * bend + self.principal_px[0], self.focal_px * y * bend + self.principal_px[1]]
        )


def place_camera(settings: CameraSettings) -> PinholeCamera:
    """Put the camera so that its axis meets the lightbox at ``look_at_mm`` with the wanted scale there."""
    tilt, azimuth, roll = np.deg2rad([settings.tilt_deg, settings.azimuth_deg, settings.roll_deg])
    # tilt about the horizontal axis at right angles to the azimuth, then roll about the optical axis
    lean = _turn_z(azimuth) @ _turn_y(tilt) @ _turn_z(-azimuth)
    rotation = _turn_z(roll) @ lean
    distance = settings.focal_px / settings.px_per_mm
    axis = rotation.T @ np.array([0.0, 0.0, 1.0])  # points down into the table
    x, y = settings.look_at_mm
    place = np.array([x - distance * axis[0], y - distance * axis[1], distance * axis[2]])
    return PinholeCamera(
        focal_px=settings.focal_px,
        principal_px=((settings.width_px - 1) / 2, (settings.height_px - 1) / 2),
        k1=settings.k1,
        k2=settings.k2,
        rotation=rotation,
        place_mm=place,
        size_px=(settings.width_px, settings.height_px),
    )


def fill_picture(
    settings: CameraSettings, outline_mm: FloatArray, *, most_px_per_mm: float = 1e3, rim_px: float = 12.0
) -> CameraSettings:
    """Bring the camera as near as the picture allows: all of ``outline_mm`` (N, 2) inside, ``rim_px`` to
    spare.

    Halving of an interval over ``px_per_mm``; never more than ``most_px_per_mm``.
    """
    low, high = 0.05, most_px_per_mm
    limit = np.array([settings.width_px - 1 - rim_px, settings.height_px - 1 - rim_px])

    def fits(scale: float) -> bool:
        try:
            seen = place_camera(replace(settings, px_per_mm=scale)).project(outline_mm, 0.0)
        except ValueError:
            return False
        return bool(np.all(seen >= rim_px) and np.all(seen <= limit))

    if fits(high):
        return replace(settings, px_per_mm=high)
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return replace(settings, px_per_mm=low)


def project_outline(
    camera: PinholeCamera, geometry: BaseGeometry, height_mm: float, *, step_mm: float = 0.3
) -> BaseGeometry:
    """Outline (mm, table coordinates) at one height to pixel coordinates.

    Edges are densified to ``step_mm`` first, so that the lens's bend of straight edges is followed: at
    0.3 mm the sagitta left is far below a thousandth of a pixel.
    """
    dense = shapely.segmentize(geometry, step_mm)
    return shapely.transform(dense, lambda xy: camera.project(xy, height_mm))


def _turn_z(angle: float) -> FloatArray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _turn_y(angle: float) -> FloatArray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])

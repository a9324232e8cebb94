"""The camera: projection of sheet points, and its inverse, to a plane at a given height.

Pinhole with one radial term, as in OpenCV's calib3d documentation ("x'' = x' (1 + k1 r²)"). Heights are above the
lightbox, towards the camera.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.types import Camera

FloatArray = NDArray[np.float64]


def rotation_from_vector(vector: FloatArray) -> FloatArray:
    """(3,) rotation vector [rad] to (3, 3) matrix (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    K = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-8:  # series limit: sin(a)/a -> 1, (1 - cos a)/a² -> 1/2
        return np.asarray(np.eye(3) + K + K @ K / 2)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * K + (1 - np.cos(angle)) / angle**2 * (K @ K))


def project(camera: Camera, xy_mm: FloatArray, *, height_mm: float | FloatArray = 0.0) -> FloatArray:
    """Sheet points (N, 2) at a height (scalar or (N,)) to pixels (N, 2) in u, v order."""
    R, t = camera.rotation, camera.translation_mm
    h = np.broadcast_to(np.asarray(height_mm, dtype=float), (len(xy_mm),))
    X = xy_mm[:, 0:1] * R[:, 0] + xy_mm[:, 1:2] * R[:, 1] - h[:, None] * R[:, 2] + t
    x, y = X[:, 0] / X[:, 2], X[:, 1] / X[:, 2]
    stretch = camera.focal_px * (1.0 + camera.k1 * (x * x + y * y))
    return np.column_stack([stretch * x + camera.principal_px[0], stretch * y + camera.principal_px[1]])


def back_project(camera: Camera, uv_px: FloatArray, *, height_mm: float = 0.0) -> FloatArray:
    """Pixels (N, 2) to the sheet points (N, 2) that their rays meet at the given height."""
    d = (uv_px - np.asarray(camera.principal_px)) / camera.focal_px
    r_distorted2 = np.sum(d * d, axis=1)
    scale = np.ones(len(d))
    for _ in range(8):  # fixed-point inverse of r' = r (1 + k1 r²); converges fast for mild lenses
        scale = 1.0 / (1.0 + camera.k1 * r_distorted2 * scale * scale)
    rays = np.column_stack([d * scale[:, None], np.ones(len(d))]) @ camera.rotation
    eye = -camera.rotation.T @ camera.translation_mm
    along = (-height_mm - eye[2]) / rays[:, 2]
    return np.asarray(eye[:2] + along[:, None] * rays[:, :2])


def px_per_mm(camera: Camera, xy_mm: FloatArray, *, height_mm: float = 0.0) -> FloatArray:
    """Local scale (N,): square root of the area magnification of the sheet at these points."""
    step = 0.5
    du = project(camera, xy_mm + (step, 0.0), height_mm=height_mm) - project(
        camera, xy_mm - (step, 0.0), height_mm=height_mm
    )
    dv = project(camera, xy_mm + (0.0, step), height_mm=height_mm) - project(
        camera, xy_mm - (0.0, step), height_mm=height_mm
    )
    return np.sqrt(np.abs(du[:, 0] * dv[:, 1] - du[:, 1] * dv[:, 0])) / (2 * step)


def lean(camera: Camera, xy_mm: FloatArray, *, height_mm: float = 0.0) -> FloatArray:
    """(N, 2): horizontal run of the line of sight per mm of height at these points, away from the camera's foot.

    A ray that meets height h at x meets the lightbox at ``x + h · lean`` (``tan θ = r / (camera height − h)``).
    """
    cx, cy, ch = camera.place_mm
    return np.asarray((xy_mm - (cx, cy)) / (ch - height_mm))

"""Fine registration: the pose at which the drawn seams lie on the slits' light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.design.seams import seam_stations
from gapscan.design.types import Design
from gapscan.photo.sampling import sample
from gapscan.register.rectify import RIM_MM, SheetMap, disc
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_STRONG = 0.03  # of bare light: slit light that counts


@dataclass(frozen=True)
class SeamPoints:
    """Points (N, 2) along all drawn seams with their unit normals (N, 2), design coordinates."""

    xy_mm: FloatArray
    normal: FloatArray


def seam_points(design: Design, *, spacing_mm: float) -> SeamPoints:
    """Stations of all seams together."""
    stations = [seam_stations(design, seam, spacing_mm=spacing_mm) for seam in design.seams]
    if not stations:
        return SeamPoints(np.zeros((0, 2)), np.zeros((0, 2)))
    return SeamPoints(np.vstack([s.xy_mm for s in stations]), np.vstack([s.normal for s in stations]))


def light_on_seams(
    registration: Registration, points: SeamPoints, blurred: NDArray[np.float32], sheet: SheetMap
) -> float:
    """Mean of the (blurred) slit light on the placed seams."""
    return float(sample(blurred, sheet.to_map(registration.to_sheet(points.xy_mm))).mean())


def share_on_seams(registration: Registration, points: SeamPoints, sheet: SheetMap, *, within_mm: float) -> float:
    """Share of all slit light that lies within a distance of a drawn seam (points must be dense)."""
    strong = np.where(sheet.slit > _STRONG, sheet.slit, 0.0)
    total = float(strong.sum())
    near = _near_seams(registration, points, sheet, within_mm=within_mm)
    return float(strong[near].sum()) / total if total > 0 else 0.0


def beyond_chance(registration: Registration, points: SeamPoints, sheet: SheetMap, *, within_mm: float) -> float:
    """How much more of the slit light lies near drawn seams than its share of the area: 1 all of it, 0 chance alone.

    (share − area) / (1 − area), the form of Cohen's kappa (Educational and Psychological Measurement 20, 1960, 37-46);
    1 where seams leave no area between them.
    """
    import cv2

    near = _near_seams(registration, points, sheet, within_mm=within_mm)
    inside = cv2.erode(sheet.assembly.astype(np.uint8), disc(RIM_MM / sheet.step_mm)) > 0
    area = float(near[inside].mean()) if inside.any() else 1.0
    share = share_on_seams(registration, points, sheet, within_mm=within_mm)
    return (share - area) / (1.0 - area) if area < 1.0 else 1.0


def _near_seams(
    registration: Registration, points: SeamPoints, sheet: SheetMap, *, within_mm: float
) -> NDArray[np.bool_]:
    """(H, W) bool: pixels of the map within a distance of a placed seam point."""
    import cv2

    near = np.zeros(sheet.slit.shape, np.uint8)
    uv = np.round(sheet.to_map(registration.to_sheet(points.xy_mm))).astype(int)
    height, width = sheet.slit.shape[:2]
    good = (uv >= 0).all(axis=1) & (uv[:, 0] < width) & (uv[:, 1] < height)
    near[uv[good, 1], uv[good, 0]] = 1
    radius = max(1, round(within_mm / sheet.step_mm))
    disc_around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return np.asarray(cv2.dilate(near, disc_around) > 0)


def settle_on_seams(
    start: Registration, points: SeamPoints, sheet: SheetMap, *, reaches_mm: tuple[float, ...]
) -> Registration:
    """Rigid fit of the drawn seams to the centroid of the light across them, in ever narrower windows (Huber)."""
    at = start
    for reach in reaches_mm:
        offsets = np.arange(-reach, reach + 1e-9, sheet.step_mm)
        here = at.to_sheet(points.xy_mm)
        normal = points.normal @ at.matrix.T
        across = here[:, None, :] + offsets[None, :, None] * normal[:, None, :]
        light = sample(sheet.slit, sheet.to_map(across))
        light = np.where(light > 0.02, light, 0.0)
        total = light.sum(axis=1)
        weight = np.minimum(total, 2.0 / sheet.step_mm * 0.1)
        seen = total > 0.06 / sheet.step_mm * 0.1
        if seen.sum() < 20:
            return at
        offset = (light[seen] * offsets).sum(axis=1) / total[seen]
        at = _moved(at, here[seen], normal[seen], offset, weight[seen], huber_mm=0.3 * reach)
    return at


def _moved(
    at: Registration, here: FloatArray, normal: FloatArray, offset: FloatArray, weight: FloatArray, *, huber_mm: float
) -> Registration:
    """Shift and turn that best explain the offsets along the normals."""
    centre = here.mean(axis=0)
    arm = here - centre
    A = np.column_stack([normal, arm[:, 0] * normal[:, 1] - arm[:, 1] * normal[:, 0]])
    w = weight.copy()
    step: FloatArray = np.zeros(3)
    for _ in range(4):
        normal_matrix = A.T @ (A * w[:, None]) + 1e-9 * np.eye(3)
        step = np.asarray(np.linalg.solve(normal_matrix, A.T @ (w * offset)), dtype=float)
        residual = np.abs(offset - A @ step)
        w = weight * np.minimum(1.0, huber_mm / np.maximum(residual, 1e-9))
    turn = float(step[2])
    rot = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = rot @ (np.asarray(at.shift_mm) - centre) + centre + step[:2]
    return Registration(
        at.mirrored, at.angle_deg + float(np.rad2deg(turn)), (float(shift[0]), float(shift[1])), 0.0, 0.0
    )

"""The sheet seen square-on at a coarse scale: enough to find the assembly and its seams, not to measure them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.camera import project
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.float32]

RIM_MM = 0.8  # no slits are looked for nearer to the assembly's rim


@dataclass(frozen=True)
class SheetMap:
    """The opening as a picture in sheet coordinates.

    light      (H, W) light relative to the local bare light (1 = bare); NaN outside the photo
    assembly   (H, W) bool: the veneer, seams included
    slit       (H, W) narrow bright lines inside the assembly, relative to bare light, 0 elsewhere
    origin_mm  sheet point of the centre of pixel (0, 0); step_mm pixel pitch
    """

    light: ImageArray
    assembly: NDArray[np.bool_]
    slit: ImageArray
    origin_mm: tuple[float, float]
    step_mm: float

    def to_map(self, xy_mm: FloatArray) -> FloatArray:
        """Sheet points (..., 2) to map pixels (..., 2) in u, v order."""
        return np.asarray((xy_mm - np.asarray(self.origin_mm)) / self.step_mm)

    def to_sheet(self, uv: FloatArray) -> FloatArray:
        """Map pixels (..., 2) to sheet points."""
        return np.asarray(uv * self.step_mm + np.asarray(self.origin_mm))


def rectify(photo: Photo, reference: Reference, *, sheet_height_mm: float, step_mm: float) -> SheetMap:
    """Map the opening to sheet coordinates and split it into bare light, assembly and slits."""
    import cv2

    left, top, right, bottom = reference.opening_mm.bounds
    xs = np.arange(left + 0.4, right - 0.4, step_mm)
    ys = np.arange(top + 0.4, bottom - 0.4, step_mm)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    uv = project(reference.camera, grid.reshape(-1, 2), height_mm=sheet_height_mm).reshape(*grid.shape[:2], 2)
    # Average before sampling: a slit thinner than the step must keep its light.
    shrink = max(1.0, reference.px_per_mm * step_mm)
    height, width = photo.light.shape
    small = cv2.resize(
        photo.light, (max(1, round(width / shrink)), max(1, round(height / shrink))), interpolation=cv2.INTER_AREA
    )
    scale = np.array([small.shape[1] / width, small.shape[0] / height])
    at = ((uv + 0.5) * scale - 0.5).astype(np.float32)
    light = cv2.remap(
        small, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    bare = _bare_level(light)
    relative = (light / bare).astype(np.float32)
    assembly = _assembly(relative, step_mm)
    slit = _slits(relative, assembly, step_mm)
    return SheetMap(relative, assembly, slit, (float(xs[0]), float(ys[0])), step_mm)


def _bare_level(light: ImageArray) -> ImageArray:
    """Smooth bare-light level (second-order surface) through the bright part of the opening."""
    height, width = light.shape
    v, u = np.mgrid[0:height, 0:width]
    x, y = (u / width - 0.5).astype(np.float32), (v / height - 0.5).astype(np.float32)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    good = np.isfinite(light)
    level = np.full(light.shape, np.nanpercentile(light, 98) if good.any() else 1.0, np.float32)
    for _ in range(4):
        bright = good & (light > 0.62 * level) & (light < 1.6 * level)
        picked = np.flatnonzero(bright.ravel())[:: max(1, int(bright.sum()) // 20000)]
        if len(picked) < 200:
            break
        solution, *_ = np.linalg.lstsq(terms.reshape(-1, 6)[picked], light.ravel()[picked], rcond=None)
        level = np.maximum(terms @ solution.astype(np.float32), 0.2 * float(level.max()))
    return np.asarray(level, dtype=np.float32)


def disc(radius_px: float) -> NDArray[np.uint8]:
    """A round structuring element of this radius, at least one pixel."""
    r = max(1, round(radius_px))
    v, u = np.mgrid[-r : r + 1, -r : r + 1]
    return np.asarray(u * u + v * v <= r * r + 0.5, dtype=np.uint8)


def _assembly(relative: ImageArray, step_mm: float) -> NDArray[np.bool_]:
    """The veneer: dark, closed over its seams, in one large part (and others that are not small beside it)."""
    import cv2

    dark = (np.nan_to_num(relative, nan=1.0) < 0.6).astype(np.uint8)
    pad = round(3.0 / step_mm)
    padded = cv2.copyMakeBorder(dark, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc(0.7 / step_mm))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, disc(0.9 / step_mm))[pad:-pad, pad:-pad]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=8)
    if count < 2:
        return np.zeros(relative.shape, bool)
    areas = stats[1:, cv2.CC_STAT_AREA]
    keep = 1 + np.flatnonzero(areas >= 0.05 * areas.max())
    return np.asarray(np.isin(labels, keep))


def _slits(relative: ImageArray, assembly: NDArray[np.bool_], step_mm: float) -> ImageArray:
    """White top-hat: what is bright and narrower than about 1.6 mm, away from the assembly's rim."""
    import cv2

    inside = cv2.erode(assembly.astype(np.uint8), disc(RIM_MM / step_mm)) > 0
    filled = np.where(assembly, np.nan_to_num(relative, nan=0.0), 0.0).astype(np.float32)
    hat = cv2.morphologyEx(filled, cv2.MORPH_TOPHAT, disc(0.8 / step_mm))
    return np.where(inside, np.minimum(hat, 1.0), 0.0).astype(np.float32)

"""Centres of the frame's round holes, to a few hundredths of a pixel.

The light-weighted centroid of a round hole does not move with blur, with the width of the hole (kerf), with a tone
curve or with clipping: all of these keep the picture of the hole symmetric about its centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_WINDOW_RADII = 1.55  # of the drawn radius plus the largest kerf
# Allowed relative difference of the two second moments on the sheet: a close camera sees a hole in a thick card as a
# lens-shaped opening, still symmetric about its centre. What is half covered betrays itself by its area and place.
_ROUNDNESS = 0.6


@dataclass(frozen=True)
class DotCentres:
    """uv_px (D, 2) measured centres; ok (D,) which are round, bright and whole; light (D,) level at the centre."""

    uv_px: FloatArray
    ok: NDArray[np.bool_]
    light: FloatArray


def measure_dots(
    light: NDArray[np.float32], expected_px: FloatArray, radius_px: FloatArray, axes: FloatArray
) -> DotCentres:
    """Centroids of bright round holes near the expected places.

    light (H, W); expected_px (D, 2); radius_px (D,) drawn radius; axes (D, 2, 2) local mm-to-pixel map, used to
    judge roundness on the sheet instead of in the picture.
    """
    height, width = light.shape
    centres = np.full_like(expected_px, np.nan)
    ok = np.zeros(len(expected_px), bool)
    level = np.zeros(len(expected_px))
    for i, (place, radius) in enumerate(zip(expected_px, radius_px, strict=True)):
        at = place
        for _ in range(3):  # re-centre the window: an off-centre window cuts the dot's blur unevenly
            moved = _centroid(light, at, radius)
            if moved is None:
                break
            settled = np.hypot(*(moved[0] - at)) < 0.02
            at = moved[0]
            if settled:
                break
        else:
            moved = _centroid(light, at, radius)
        if moved is None or np.hypot(*(at - place)) > 1.2 * radius:
            continue
        centre, second, area, bright, dark = moved
        to_mm = np.linalg.inv(axes[i])
        round_mm = to_mm @ second @ to_mm.T
        values = np.linalg.eigvalsh(round_mm)
        drawn_area = np.pi * abs(np.linalg.det(axes[i])) * (radius**2 / abs(np.linalg.det(axes[i])))
        whole = 0.45 < area / drawn_area < 2.2
        is_round = values[0] > 0 and (values[1] - values[0]) / values[1] < _ROUNDNESS
        inside = (centre > 2).all() and centre[0] < width - 3 and centre[1] < height - 3
        centres[i], level[i] = centre, bright
        ok[i] = whole and is_round and inside and bright > 3 * max(dark, 1e-4)
    return DotCentres(centres, ok, level)


def _centroid(
    light: NDArray[np.float32], at: FloatArray, radius: float
) -> tuple[FloatArray, FloatArray, float, float, float] | None:
    """Centroid, second moments, area [px²] and levels of the bright patch in a round window; None off the picture."""
    reach = _WINDOW_RADII * radius + 1.5
    height, width = light.shape
    u0, u1 = int(np.floor(at[0] - reach)), int(np.ceil(at[0] + reach)) + 1
    v0, v1 = int(np.floor(at[1] - reach)), int(np.ceil(at[1] + reach)) + 1
    if u0 < 0 or v0 < 0 or u1 > width or v1 > height:
        return None
    patch = light[v0:v1, u0:u1].astype(float)
    u, v = np.meshgrid(np.arange(u0, u1) - at[0], np.arange(v0, v1) - at[1])
    distance = np.hypot(u, v)
    edge = np.clip(reach - distance, 0.0, 1.0)  # soft rim: no jump when the window moves by part of a pixel
    rim = (distance > reach - 1.2) & (distance <= reach)
    core = distance < 0.45 * radius
    if not rim.any() or not core.any():
        return None
    dark, bright = float(np.median(patch[rim])), float(np.median(patch[core]))
    if bright - dark < 0.02:
        return None
    weight = np.clip((patch - dark) / (bright - dark), 0.0, None) * edge
    total = weight.sum()
    mean = np.array([(weight * u).sum(), (weight * v).sum()]) / total
    du, dv = u - mean[0], v - mean[1]
    cross = (weight * du * dv).sum()
    second = np.array([[(weight * du * du).sum(), cross], [cross, (weight * dv * dv).sum()]]) / total
    return at + mean, second, float(total), bright, dark

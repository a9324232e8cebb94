"""Bare light through the frame's round holes: the level beside a check slot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.job import Job
from gapscan.measure.types import Reason
from gapscan.photo.camera import project
from gapscan.photo.layout import FrameLayout
from gapscan.photo.load import LUMA_RGB, srgb_decode, srgb_encode
from gapscan.photo.markers import side_facing
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]

_HOLE_CORE = 0.4  # of a hole's radius: clear of its blurred rim
_HOLES_APART = 0.15
_LEVEL_REL_U = 0.004


def light_beside(
    photo: Photo, reference: Reference, layout: FrameLayout, job: Job, slot: FloatArray
) -> tuple[float, float, FloatArray] | Reason:
    """Bare light at a slot, its relative standard uncertainty and its linear red, green, blue (1, 3).

    slot (4,) is one of ``layout.slots_mm``. The light is that of the round holes next to it on either side; the reason
    where they do not show it.
    """
    axis = 1 if slot[3] > slot[2] else 0
    ahead = layout.dots_mm[:, axis] - slot[axis]
    beside = np.abs(layout.dots_mm[:, 1 - axis] - slot[1 - axis]) < 0.5 * layout.dot_radius_mm
    levels, colours = [], []
    for side in (ahead < 0, ahead > 0):
        chosen = np.flatnonzero(beside & side)
        if len(chosen) == 0:
            return Reason.UNCLEAR
        dot = layout.dots_mm[chosen[np.argmin(np.abs(ahead[chosen]))]]
        pixels = _core(reference, dot, layout.dot_radius_mm, job)
        if isinstance(pixels, Reason):
            return pixels
        v, u = pixels
        if photo.clipped[v, u].mean() > 0.1:
            return Reason.CLIPPED
        levels.append(float(np.median(photo.light[v, u])))
        colours.append(np.median(srgb_decode(photo.display_bgr[v, u][:, ::-1] / 255.0), axis=0))
    low, high = min(levels), max(levels)
    if low <= 0 or high / low > 1 + _HOLES_APART:
        return Reason.COVERED
    colour = np.mean(colours, axis=0)
    shown = float(srgb_decode(np.asarray(srgb_encode(colour) @ LUMA_RGB)))
    bare = (low + high) / 2
    # Half-way between two holes the mean is right for any slope; a quarter of their difference allows for a bend.
    return bare, _LEVEL_REL_U + 0.25 * (high / low - 1), colour[None, :] * bare / max(shown, 1e-6)


def _core(
    reference: Reference, dot: FloatArray, radius_mm: float, job: Job
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | Reason:
    """Rows and columns of the pixels well inside a round hole."""
    at = side_facing(dot[None, :], mirrored=reference.frame_mirrored)
    middle = project(reference.camera, at, height_mm=job.thickness_mm / 2)[0]
    reach = max(1.0, _HOLE_CORE * radius_mm * reference.px_per_mm)
    width, height = reference.camera.image_size_px
    if (middle < reach + 1).any() or middle[0] > width - reach - 2 or middle[1] > height - reach - 2:
        return Reason.OUTSIDE
    k = int(np.ceil(reach))
    u, v = np.meshgrid(np.arange(-k, k + 1) + round(middle[0]), np.arange(-k, k + 1) + round(middle[1]))
    inner = np.hypot(u - middle[0], v - middle[1]) <= reach
    return v[inner], u[inner]

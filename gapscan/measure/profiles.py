"""Light profiles across the placed stations, and a first idea of where the slit lies in them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import SPACING_MM, PlacedStations
from gapscan.photo.camera import project
from gapscan.photo.sampling import sample
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]


def sample_profiles(
    photo: Photo,
    reference: Reference,
    stations: PlacedStations,
    offsets_mm: FloatArray,
    centre_mm: FloatArray,
    *,
    height_mm: float,
    rows: int,
) -> FloatArray:
    """Linear light (N, M) at ``offsets_mm`` (M,) from ``centre_mm`` (N,) along each station's normal.

    Each profile is the mean of ``rows`` parallel ones spread over the station's share of the seam. Cubic
    interpolation: its kernel sums to one at every phase, so integrals keep their value, and it blurs little.
    """
    n, m = len(stations), len(offsets_mm)
    if n == 0:
        return np.zeros((0, m))
    tangent = np.column_stack([-stations.normal[:, 1], stations.normal[:, 0]])
    total = np.zeros((n, m))
    # Project the ends and the middle, and interpolate between: over a millimetre the lens is quadratic at most.
    low, high = float(offsets_mm[0]), float(offsets_mm[-1])
    along = (offsets_mm - low) / (high - low)
    lagrange = np.column_stack([2 * (along - 0.5) * (along - 1), 4 * along * (1 - along), 2 * along * (along - 0.5)])
    for row in range(rows):
        aside = ((row + 0.5) / rows - 0.5) * SPACING_MM
        base = stations.xy_mm + aside * tangent
        knots = [
            project(reference.camera, base + (centre_mm + o)[:, None] * stations.normal, height_mm=height_mm)
            for o in (low, (low + high) / 2, high)
        ]
        uv = np.einsum("mk,knc->nmc", lagrange, np.stack(knots))
        total += sample(photo.light, uv, cubic=True)
    return total / rows


def first_centres(
    stations: PlacedStations, offsets_mm: FloatArray, profile: FloatArray, bare: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rough slit centre (N,) and excess width (N,) from wide profiles, steadied along each stretch.

    A single profile is easily led astray by grain or a neighbouring slit; the same slit a millimetre further on is not.
    Profiles are averaged over about 2 mm of the stretch (weighted by the room around them), the peak nearest to the
    drawn line is taken, and a running median removes jumps.
    """
    from scipy.ndimage import gaussian_filter1d, median_filter

    pitch = float(offsets_mm[1] - offsets_mm[0])
    floor = np.minimum(np.quantile(profile[:, offsets_mm < 0], 0.3, axis=1), bare)
    floor_right = np.minimum(np.quantile(profile[:, offsets_mm > 0], 0.3, axis=1), bare)
    step = np.where(offsets_mm[None, :] < 0, floor[:, None], floor_right[:, None])
    excess = np.clip((profile - step) / np.maximum(bare[:, None] - step, 1e-3), 0.0, 1.2)
    trust = np.clip(stations.room_mm / 0.9, 0.02, 1.0) ** 3
    prior = np.exp(-0.5 * (offsets_mm / 0.55) ** 2)
    centre, width = np.zeros(len(stations)), np.zeros(len(stations))
    for begin, end in stations.runs():
        weight = trust[begin:end, None]
        smooth = gaussian_filter1d(excess[begin:end] * weight, 4.0, axis=0, mode="nearest") / np.maximum(
            gaussian_filter1d(weight, 4.0, axis=0, mode="nearest"), 1e-9
        )
        peak = np.argmax(smooth * prior, axis=1)
        rows = np.arange(end - begin)
        inner = np.clip(peak, 1, len(offsets_mm) - 2)
        before, here, after = smooth[rows, inner - 1], smooth[rows, inner], smooth[rows, inner + 1]
        bend = before - 2 * here + after
        shift = np.where(np.abs(bend) > 1e-9, 0.5 * (before - after) / np.where(bend == 0, 1, bend), 0.0)
        found = offsets_mm[inner] + np.clip(shift, -1, 1) * pitch
        near = np.abs(offsets_mm[None, :] - found[:, None]) < 0.3
        light = (smooth * near).sum(axis=1) * pitch
        lit = light > 0.008
        if lit.any():
            found = np.interp(rows, rows[lit], found[lit])
            centre[begin:end] = median_filter(found, size=min(9, end - begin), mode="nearest")
        width[begin:end] = light
    return centre, width

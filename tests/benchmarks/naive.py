"""The obvious pipeline from general libraries, to be beaten: Otsu threshold, skeleton, distance transform."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import GapSurvey
from gapscan.photo.camera import project
from gapscan.photo.types import Photo, Reference
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]


def naive_gaps(
    photo: Photo,
    reference: Reference,
    registration: Registration,
    survey: GapSurvey,
    *,
    thickness_mm: float,
) -> dict[str, FloatArray]:
    """Seam id -> gap (N,) in mm at the survey's stations, NaN where the skeleton has no point within half a millimetre.

    Threshold by Otsu inside the assembly, width = twice the distance transform on the skeleton (all scikit-image and
    scipy). The place of the seams is given for free.
    """
    import cv2
    from scipy.ndimage import distance_transform_edt
    from scipy.spatial import cKDTree
    from skimage.filters import threshold_otsu
    from skimage.morphology import skeletonize

    grey = cv2.cvtColor(photo.display_bgr, cv2.COLOR_BGR2GRAY)
    stations = {
        seam.id: project(reference.camera, registration.to_sheet(seam.stations.xy_mm), height_mm=thickness_mm)
        for seam in survey.seams
    }
    everywhere = np.vstack(list(stations.values()))
    near = np.zeros(grey.shape, np.uint8)
    at = np.round(everywhere).astype(int)
    good = (at >= 0).all(axis=1) & (at[:, 0] < near.shape[1]) & (at[:, 1] < near.shape[0])
    near[at[good, 1], at[good, 0]] = 1
    radius = round(0.8 * reference.px_per_mm)
    near = cv2.dilate(near, np.ones((2 * radius + 1, 2 * radius + 1), np.uint8))
    bright = (grey > threshold_otsu(grey[near > 0])) & (near > 0)
    width = 2.0 * distance_transform_edt(bright)
    v, u = np.nonzero(skeletonize(bright))
    if len(u) == 0:
        return {name: np.full(len(px), np.nan) for name, px in stations.items()}
    tree = cKDTree(np.column_stack([u, v]))
    result = {}
    for name, px in stations.items():
        distance, index = tree.query(px)
        found = distance < 0.5 * reference.px_per_mm
        value = width[v[np.minimum(index, len(v) - 1)], u[np.minimum(index, len(u) - 1)]] / reference.px_per_mm
        result[name] = np.where(found, value, np.nan)
    return result

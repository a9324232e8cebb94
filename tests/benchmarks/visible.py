"""How much light truly comes through the slanted view at a station, from the simulator's camera and outlines alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.simulate.scene import SimulatedPhoto
from gapscan.simulate.shop import DryFit

FloatArray = NDArray[np.float64]


def truly_visible(
    shot: SimulatedPhoto,
    fit: DryFit,
    pieces: tuple[str, str],
    xy_mm: FloatArray,
    normal: FloatArray,
    truth_mm: FloatArray,
) -> FloatArray:
    """Width (N,) of light seen at stations (N, 2): the clear gap less what the walls hide from the camera's place.

    Walls as straight lines between the faces (physics of a slit over a lightbox): the seen slit runs from
    max(a_upper, a_lower + δ) to min(b_upper, b_lower + δ).
    """
    thickness = fit.settings.thickness_mm
    setback = thickness * np.tan(np.deg2rad(fit.settings.taper_deg))
    place = xy_mm @ shot.to_table.T + shot.shift_mm
    across = normal @ shot.to_table.T
    eye = np.asarray(shot.camera.place_mm, dtype=float)
    leaning = (place - eye[:2]) / (eye[2] - thickness)
    delta = -thickness * np.sum(leaning * across, axis=1)
    upper_small = [(fit.piece(p).facing == "up") != shot.mirrored for p in pieces]
    a = np.zeros(len(xy_mm))
    left = np.maximum(a - (setback if upper_small[0] else 0.0), a - (0.0 if upper_small[0] else setback) + delta)
    b = truth_mm
    right = np.minimum(b + (setback if upper_small[1] else 0.0), b + (0.0 if upper_small[1] else setback) + delta)
    return np.asarray(right - left)

"""Colours for gaps: perceptually even and told apart by colour-blind eyes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gapscan.report.types import Inspection

# 17 even steps of the "viridis" table of matplotlib (published under CC0), without its darkest 22 %, which
# would drown in dark wood. Its lightness rises evenly (CAM02-UCS), so the order shows without colour as well.
_ANCHORS = (
    0x3E4989, 0x38578C, 0x32648E, 0x2D708E, 0x287C8E, 0x24878E, 0x20938C, 0x1F9F88, 0x24AA83,
    0x32B57A, 0x47C06F, 0x60CA61, 0x7DD24F, 0x9CD93B, 0xBDDF26, 0xDEE318, 0xFDE725,
)  # fmt: skip
_TABLE = np.array([[(rgb >> 16) & 255, (rgb >> 8) & 255, rgb & 255] for rgb in _ANCHORS], dtype=np.float64)


def gap_colours(gap_mm: NDArray[np.float64], *, top_mm: float) -> NDArray[np.uint8]:
    """(N, 3) RGB for (N,) finite gaps: 0 or less gives the first colour, ``top_mm`` or more the last."""
    place = np.clip(np.asarray(gap_mm, dtype=np.float64) / top_mm, 0.0, 1.0) * (len(_TABLE) - 1)
    steps = np.arange(len(_TABLE))
    rgb = np.stack([np.interp(place, steps, _TABLE[:, channel]) for channel in range(3)], axis=-1)
    return np.rint(rgb).astype(np.uint8)


def scale_top_mm(inspection: Inspection) -> tuple[float, bool]:
    """End of the colour scale in mm, and whether some gaps lie beyond it.

    Twice the tolerance at least and four times at most, so that the tolerance is never squeezed into a
    corner.
    """
    tolerance = inspection.job.tolerance_mm
    seen = [seam.gap_mm[seam.seen] for seam in inspection.survey.seams]
    widest = max((float(gap.max()) for gap in seen if gap.size), default=0.0)
    wanted = min(max(widest, 2.0 * tolerance), 4.0 * tolerance)
    step = 10.0 ** math.floor(math.log10(tolerance)) / 2.0
    top = math.ceil(wanted / step - 1e-9) * step
    return top, widest > top

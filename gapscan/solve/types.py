"""What the gaps say of each piece: size error and pose, with covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PieceState:
    """One piece in this dry fit, in the design's orientation.

    undersize_mm  mean distance of its larger face's outline inside the drawn outline (with the offset it was cut
                  with), positive when too small
    shift_mm      (x, y) of its centroid against the drawing, whole-fit shift and turn taken out
    turn_deg      turn about its centroid, positive turns x towards y (clockwise on screen)
    seen_fraction share of its boundary that was seen
    """

    id: str
    undersize_mm: float
    u_undersize_mm: float
    shift_mm: tuple[float, float]
    u_shift_mm: tuple[float, float]
    turn_deg: float
    u_turn_deg: float
    seen_fraction: float


@dataclass(frozen=True)
class PieceFit:
    """All pieces (sorted by id). ``covariance`` is (4P, 4P) over (size, x, y, turn[rad]) of each piece in turn."""

    pieces: tuple[PieceState, ...]
    covariance: FloatArray
    rms_gap_mm: float
    rms_centre_mm: float

"""What the gaps say of each piece: size error and pose, with covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PieceState:
    """One piece in this dry fit, in the design's orientation.

    undersize_mm  mean distance of its larger face's outline inside the drawn outline, positive when too small
    shift_mm      (x, y) of its centroid against the drawing, whole-fit shift and turn taken out
    bend_mm       how much further in its edge lies in tight bends than in straight parts (see solve/model.py)
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
    bend_mm: float
    u_bend_mm: float
    seen_fraction: float


@dataclass(frozen=True)
class PieceFit:
    """All pieces (sorted by id).

    covariance  (4P, 4P) over (undersize [mm], x [mm], y [mm], turn [rad]) of each piece in turn
    scale_rel   relative growth of the whole fit against the drawing, as the frame's scale sees it
    rms_gap_mm, rms_centre_mm  what the model leaves of the measured gaps and slit places, 3 mm means
    """

    pieces: tuple[PieceState, ...]
    covariance: FloatArray
    scale_rel: float
    u_scale_rel: float
    rms_gap_mm: float
    rms_centre_mm: float

    def state(self, piece_id: str) -> PieceState:
        """The state of one piece; raises KeyError."""
        for piece in self.pieces:
            if piece.id == piece_id:
                return piece
        raise KeyError(piece_id)

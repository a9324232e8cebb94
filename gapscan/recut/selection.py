"""What a plan must keep to, and what was chosen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

SEAT_PLAY_OF_TOLERANCE = 0.05


@dataclass(frozen=True)
class Limits:
    """What a seam may be after the recut and what to leave at a recut seam, in mm; ``sure`` is the probability of being
    out of limits at which a recut is asked for (below it, and above 1 − sure, a run is too near to call)."""

    tolerance_mm: float
    press_mm: float
    aim_mm: float = 0.03
    sure: float = 0.9

    def allowance_mm(self, u_mm: FloatArray) -> FloatArray:
        """How far beyond the limits (K,) a run has to be found before it asks for a recut.

        The normal quantile of ``sure``; beyond 0.02 mm of uncertainty ever stronger evidence: little seen, little
        claimed.
        """
        from scipy.special import ndtri

        return np.asarray(np.maximum(ndtri(self.sure), 1.0 + np.minimum(2.0, (u_mm / 0.02) ** 2)) * u_mm)

    @property
    def play_mm(self) -> float:
        """Radius of a seat's play, and as much again by a turn at the piece's rim: together a twentieth of the tolerance."""
        return SEAT_PLAY_OF_TOLERANCE * self.tolerance_mm / float(np.sqrt(2.0))


@dataclass(frozen=True)
class Stretches:
    """Seams (T,) of pieces (T,) that may be offset by themselves; weight (K, T): how much of that each run changes."""

    piece: IntArray
    seam: IntArray
    weight: csr_array


@dataclass(frozen=True)
class Selection:
    """The pieces to recut, and what that leaves.

    recut, change_mm (P,); stretch_mm (T,) further change where single seams are offset by themselves
    seat_mm     (P, 3) play that the plan counts on: along x, along y, by a turn at the rim
    after_mm    (K,) gap expected of each run after the plan
    missed      (S',) seams that stay out of limits
    bound_gap   how much less than this a plan could cost, as far as the solver knows; 0 where it is proven
    """

    recut: BoolArray
    change_mm: FloatArray
    stretch_mm: FloatArray
    seat_mm: FloatArray
    after_mm: FloatArray
    missed: IntArray
    bound_gap: float
    stretches: Stretches

    @property
    def proven(self) -> bool:
        """No plan costs less."""
        return self.bound_gap <= 1e-6

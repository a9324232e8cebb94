"""Where the drawing lies on the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Registration:
    """Rigid map from design to sheet: ``sheet = R(angle) · diag(±1, 1) · design + shift``; mirrored for the back.

    outline_rms_mm   misfit of the assembly's outline
    seam_share       share of the slit light in the assembly that the drawn seams account for
    """

    mirrored: bool
    angle_deg: float
    shift_mm: tuple[float, float]
    outline_rms_mm: float
    seam_share: float

    @property
    def view(self) -> str:
        """``"front"`` or ``"back"``."""
        return "back" if self.mirrored else "front"

    @property
    def matrix(self) -> FloatArray:
        """(2, 2) linear part."""
        a = np.deg2rad(self.angle_deg)
        rot = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        return np.asarray(rot @ np.diag([-1.0 if self.mirrored else 1.0, 1.0]))

    def to_sheet(self, xy_mm: FloatArray) -> FloatArray:
        """Design points (N, 2) to sheet points (N, 2)."""
        return np.asarray(xy_mm @ self.matrix.T + np.asarray(self.shift_mm))

    def to_design(self, xy_mm: FloatArray) -> FloatArray:
        """Sheet points (N, 2) to design points (N, 2)."""
        return np.asarray((xy_mm - np.asarray(self.shift_mm)) @ np.linalg.inv(self.matrix).T)

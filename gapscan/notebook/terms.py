"""The loss of a piece as a sum of effects: which observation holds which, and what is thought of each beforehand.

Beforehand means before the shop's own records; the figures are common practice, no source. They decide where the shop
has hardly any records, and hardly anything where it has many.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from gapscan.notebook.mixed import Spread
from gapscan.notebook.types import JobRecord, PieceRecord, Settings

FloatArray = NDArray[np.float64]

# Half of what a laser burns away in thin veneer, were the beam to follow the drawn line: 0.10 to 0.25 mm over all.
USUAL_LOSS_MM = 0.05
_HALF_SIZE_MM = 10.0  # equivalent radius at which half of what smallness does is reached
_PLAIN_SIZE, _PLAIN_CURVATURE, _PLAIN_THICKNESS_MM = 0.5, 0.15, 0.6

MEAN, THICKNESS, FACING, SIZE, CURVATURE, MATERIAL, SETTINGS, CELL, JOB, READING = range(10)
SPREADS = (
    Spread(0.06),  # overall mean, about the usual loss
    Spread(0.03),  # by unit of log thickness
    Spread(0.01),  # between the facings
    Spread(0.06),  # a tiny piece against an endless one
    Spread(0.06),  # all bends against all straight
    Spread(0.015, 2.5),  # material
    Spread(0.015, 2.5),  # settings of the machine
    Spread(0.006, 2.5),  # this material at this thickness and these settings
    Spread(0.004, 2.5),  # from job to job: lens, focus, damp
    Spread(1.0),  # what the reading of one job got wrong in common, in its own standard uncertainties
)
RESIDUAL = Spread(0.006, 2.0)  # from piece to piece


@dataclass(frozen=True)
class Conditions:
    """What the loss of a piece is expected to hang on; see :class:`gapscan.notebook.types.PieceRecord`."""

    material: str
    thickness_mm: float
    settings: Settings
    facing: str
    radius_mm: float
    curvature: float

    @property
    def cell(self) -> tuple[str, float, Settings]:
        """Pieces alike in material, thickness and settings."""
        return _plain(self.material), round(self.thickness_mm, 3), self.settings


@dataclass(frozen=True)
class Columns:
    """The effects of a model, one a column.

    place  (kind, level) -> column
    term   (Q,) the kind of each
    """

    place: dict[tuple[int, object], int]
    term: NDArray[np.int64]

    def rows(self, every: Sequence[Conditions], jobs: Sequence[object], common_mm: Sequence[float]) -> csr_matrix:
        """Design (N, Q) of pieces under these conditions, each with its job and the common part of its reading."""
        row, column, value = [], [], []
        for k, (c, job, common) in enumerate(zip(every, jobs, common_mm, strict=True)):
            for (kind, level), amount in _effects(c, job, common).items():
                if amount != 0.0:
                    row.append(k)
                    column.append(self.place[kind, level])
                    value.append(amount)
        return csr_matrix((value, (row, column)), shape=(len(every), len(self.term)))

    def slope(self, kind: int) -> csr_matrix:
        """Design (1, Q) of a slope alone."""
        return csr_matrix(([1.0], ([0], [self.place[kind, None]])), shape=(1, len(self.term)))


def columns(every: Sequence[Conditions], jobs: Sequence[object]) -> Columns:
    """The effects that these pieces have between them; unseen levels cost nothing and keep what is thought of them."""
    place: dict[tuple[int, object], int] = {}
    for slope in (MEAN, THICKNESS, FACING, SIZE, CURVATURE):
        place[slope, None] = len(place)
    for c, job in zip(every, jobs, strict=True):
        for key in _effects(c, job, 1.0):
            place.setdefault(key, len(place))
    return Columns(place, np.array([kind for kind, _ in place], np.int64))


def conditions_of(piece: PieceRecord, job: JobRecord) -> Conditions:
    """Under which a recorded piece was cut."""
    return Conditions(piece.material, job.thickness_mm, job.settings, piece.facing, piece.radius_mm, piece.curvature)


def _effects(c: Conditions, job: object, common_mm: float) -> dict[tuple[int, object], float]:
    return {
        (MEAN, None): 1.0,
        (THICKNESS, None): math.log(c.thickness_mm / _PLAIN_THICKNESS_MM),
        (FACING, None): 0.5 if c.facing == "up" else -0.5,
        # Bounded: a piece smaller than any on record is not expected to lose without limit.
        (SIZE, None): _HALF_SIZE_MM / (_HALF_SIZE_MM + c.radius_mm) - _PLAIN_SIZE,
        (CURVATURE, None): c.curvature - _PLAIN_CURVATURE,
        (MATERIAL, _plain(c.material)): 1.0,
        (SETTINGS, c.settings): 1.0,
        (CELL, c.cell): 1.0,
        (JOB, job): 1.0,
        (READING, job): common_mm,
    }


def _plain(material: str) -> str:
    """Walnut is walnut however it is written."""
    return " ".join(material.split()).casefold()

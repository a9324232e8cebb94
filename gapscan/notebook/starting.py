"""Offsets to start a new design with.

The gap of a seam is what both pieces lose less what both were grown by, so a piece that is grown by its expected loss
less half the aim leaves its half of the aim on each of its seams, whatever its neighbours do. A piece is left as the job
file has it (as drawn, most often) where all its seams are expected to hold so: with each of them between the press and the
tolerance, as a mean over any 3 mm, with a probability of at least 95 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.design.seams import seam_stations
from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.notebook.forecast import Forecast, Likeness, forecast
from gapscan.notebook.terms import Conditions
from gapscan.notebook.types import JobRecord
from gapscan.solve.model import CORNER_MM, bends, block_ids, outline_bend

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

HOLDS = 0.95
_DIGITS = 3  # of a millimetre: below any laser's step
_DRAWS = 1000  # pairs of opposite draws: chances come out to some 0.01
# Ragged edges and careful seating, 3 mm mean: common practice, no source.
_OWN_U_MM = 0.006


@dataclass(frozen=True)
class PieceStart:
    """One piece of the new design.

    given_mm    offset that the job file has for it
    offset_mm   offset to start with; the given one where it is left
    loss_mm, u_loss_mm  expected loss at the cut, and its standard uncertainty
    chance_given, chance  probability that all its seams hold with the given offsets, and with those suggested; None
                without any record
    kept        the job file says keep: its offset stays whatever is expected
    """

    piece: str
    material: str
    given_mm: float
    offset_mm: float
    loss_mm: float
    u_loss_mm: float
    chance_given: float | None
    chance: float | None
    kept: bool
    likeness: Likeness

    @property
    def left(self) -> bool:
        """Whether nothing is changed."""
        return self.offset_mm == self.given_mm


@dataclass(frozen=True)
class SeamStart:
    """One seam: mean gap expected with the given and with the suggested offsets, one standard uncertainty for both, and
    the probability that it holds (None without any record)."""

    seam: str
    gap_given_mm: float
    gap_mm: float
    u_gap_mm: float
    chance_given: float | None
    chance: float | None


@dataclass(frozen=True)
class Start:
    """The whole suggestion, with what it was made from."""

    pieces: tuple[PieceStart, ...]
    seams: tuple[SeamStart, ...]
    told: Forecast


@dataclass(frozen=True)
class _Windows:
    """Runs of about 3 mm: seam, pieces, and how much more the pieces lose there per mm of loss in bends."""

    seam: IntArray
    first: IntArray
    second: IntArray
    bend: FloatArray


def starting_offsets(design: Design, job: Job, book: Sequence[tuple[int, JobRecord]]) -> Start:
    """The offset to start each piece of a design with, by what the notebook's entries tell of the shop's losses."""
    wanted = tuple(
        Conditions(
            settings.material.strip(),
            job.thickness_mm,
            job.cut_settings,
            settings.facing,
            2.0 * float(piece.polygon.area) / float(piece.polygon.length),
            outline_bend(piece.polygon),
        )
        for piece in design.pieces
        for settings in [job.settings(piece.id)]
    )
    told = forecast(book, wanted)
    given = np.array([job.settings(piece.id).offset_mm for piece in design.pieces])
    kept = np.array([job.settings(piece.id).keep for piece in design.pieces])
    grown = np.round(told.loss_mm - job.aim_mm / 2, _DIGITS) + 0.0
    windows = _windows(design, np.array([c.curvature for c in wanted]))
    chances = _Chances(windows, told, (-job.press_mm, job.tolerance_mm), len(design.seams))
    offset = given.copy()
    if told.used:
        offset = _settled(chances, given, np.where(kept, given, grown))
    before, after = chances(given), chances(offset)
    known = told.used > 0
    pieces = tuple(
        PieceStart(
            piece=piece.id,
            material=wanted[k].material,
            given_mm=float(given[k]),
            offset_mm=float(offset[k]),
            loss_mm=float(told.loss_mm[k]),
            u_loss_mm=float(told.u_loss_mm[k]),
            chance_given=float(before[0][k]) if known else None,
            chance=float(after[0][k]) if known else None,
            kept=bool(kept[k]),
            likeness=told.likeness[k],
        )
        for k, piece in enumerate(design.pieces)
    )
    return Start(pieces, _seams(design, told, given, offset, before[1], after[1]), told)


def _settled(chances: _Chances, given: FloatArray, grown: FloatArray) -> FloatArray:
    """Given offsets where all seams of a piece hold with them, grown ones elsewhere.

    A grown neighbour may take a piece's seams out of the limits again: then it is grown too. No piece goes back, so
    this ends.
    """
    leave = chances(given)[0] >= HOLDS
    while True:
        offset = np.where(leave, given, grown)
        still = leave & (chances(offset)[0] >= HOLDS)
        if (still == leave).all():
            return offset
        leave = still


class _Chances:
    """Probabilities that pieces' seams and whole seams hold, for any offsets, over the same draws of the losses."""

    def __init__(self, windows: _Windows, told: Forecast, limits: tuple[float, float], seams: int) -> None:
        self._windows, self._limits, self._seams = windows, limits, seams
        self._count = len(told.loss_mm)
        # Antithetic draws of all losses and of the loss in bends together, through the symmetric square root.
        values, vectors = np.linalg.eigh(told.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        half = np.random.default_rng(0).standard_normal((_DRAWS // 2, len(root))) @ root.T
        loss = np.append(told.loss_mm, told.bend_mm) + np.vstack([half, -half])
        self._gap = loss[:, windows.first] + loss[:, windows.second] + loss[:, -1:] * windows.bend

    def __call__(self, offset_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(P,) that all runs of a piece's seams hold, 1 for a piece without any; (S,) that all runs of a seam do."""
        from scipy.sparse import csr_matrix
        from scipy.special import ndtr

        w = self._windows
        k = np.arange(len(w.seam))
        gap = self._gap - (offset_mm[w.first] + offset_mm[w.second])
        low, high = self._limits
        log = np.log(np.maximum(ndtr((high - gap) / _OWN_U_MM) - ndtr((low - gap) / _OWN_U_MM), 1e-300))
        of_piece = csr_matrix(
            (np.ones(2 * len(k)), (np.concatenate([k, k]), np.concatenate([w.first, w.second]))),
            shape=(len(k), self._count),
        )
        of_seam = csr_matrix((np.ones(len(k)), (k, w.seam)), shape=(len(k), self._seams))
        return np.exp(log @ of_piece).mean(axis=0), np.exp(log @ of_seam).mean(axis=0)


def _windows(design: Design, curvature: FloatArray) -> _Windows:
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    parts: list[tuple[FloatArray, ...]] = []
    for number, seam in enumerate(design.seams):
        stations = seam_stations(design, seam)
        a, b = (index[name] for name in seam.pieces)
        block = block_ids(stations.s_mm, stations.stretch)
        clear = stations.junction_mm >= CORNER_MM
        count = int(block.max(initial=-1)) + 1
        n = np.bincount(block, weights=clear, minlength=count)
        mean = np.bincount(block, weights=bends(stations) * clear, minlength=count) / np.maximum(n, 1.0)
        middle = (curvature[a] + curvature[b]) / 2
        more = 2.0 * np.where(n > 0, mean - middle, 0.0)
        parts.append((np.full(count, float(number)), np.full(count, float(a)), np.full(count, float(b)), more))
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)] or [np.zeros(0)] * 4
    seam_of, first, second, bend = columns
    return _Windows(seam_of.astype(np.int64), first.astype(np.int64), second.astype(np.int64), bend)


def _seams(
    design: Design, told: Forecast, given: FloatArray, offset: FloatArray, before: FloatArray, after: FloatArray
) -> tuple[SeamStart, ...]:
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    found = []
    for number, seam in enumerate(design.seams):
        a, b = (index[name] for name in seam.pieces)
        loss = float(told.loss_mm[a] + told.loss_mm[b])
        variance = told.covariance[a, a] + told.covariance[b, b] + 2 * told.covariance[a, b]
        found.append(
            SeamStart(
                seam=seam.id,
                gap_given_mm=loss - float(given[a] + given[b]),
                gap_mm=loss - float(offset[a] + offset[b]),
                u_gap_mm=float(np.hypot(np.sqrt(variance), _OWN_U_MM)),
                chance_given=float(before[number]) if told.used else None,
                chance=float(after[number]) if told.used else None,
            )
        )
    return tuple(found)

"""The loss to expect of pieces that are not cut yet, from those on record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, vstack

from gapscan.notebook.mixed import Fitted, fit
from gapscan.notebook.terms import (
    CURVATURE,
    JOB,
    READING,
    RESIDUAL,
    SPREADS,
    USUAL_LOSS_MM,
    Columns,
    Conditions,
    columns,
    conditions_of,
)
from gapscan.notebook.types import JobRecord, PieceRecord

FloatArray = NDArray[np.float64]

_VAGUE_MM = 0.05  # a figure less sure than this tells more of the solver's prior than of the piece
_SMALLEST_U_MM = 0.0005
_MOST_ENTRIES = 400  # the latest; the work goes with the cube of their number
_FAR, _FEWEST = 4.5, 8  # robust standard deviations beyond which a piece is a fault; pieces needed to say so
_MOST_FAULTS = 0.25
_BEND_REPEAT_MM = 0.01  # from job to job: common practice, no source
_NEW = "new"


@dataclass(frozen=True)
class Likeness:
    """How many recorded pieces a forecast leans on: alike in material, thickness and settings; of the material; all."""

    alike: int
    material: int
    every: int


@dataclass(frozen=True)
class Forecast:
    """Losses to expect of P new pieces, mean along the outline.

    loss_mm     (P,) expected; covariance (P + 1, P + 1) [mm²] with the slope below as last, repeat error included
    bend_mm     loss in all bends against straight parts: a place of bend h loses bend_mm · (h − curvature) more
    likeness    (P,) what each leans on
    used, faults, vague  recorded pieces used; left out for they lost far more or less than the like of them; left out
                because hardly seen or not at all
    entries     inspected dry fits used
    repeat_mm   standard deviation from piece to piece
    job_mm      and from job to job
    """

    loss_mm: FloatArray
    covariance: FloatArray
    bend_mm: float
    likeness: tuple[Likeness, ...]
    used: int
    faults: int
    vague: int
    entries: int
    repeat_mm: float
    job_mm: float

    @property
    def u_loss_mm(self) -> FloatArray:
        """Standard uncertainties (P,)."""
        return np.sqrt(np.diag(self.covariance)[:-1])


@dataclass(frozen=True)
class _Seen:
    """Observations of pieces, with what they were cut under."""

    pieces: tuple[PieceRecord, ...]
    conditions: tuple[Conditions, ...]
    jobs: tuple[object, ...]
    vague: int

    def arrays(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Loss beyond the usual, own and common standard uncertainty, each (N,)."""
        y = np.array([piece.loss_mm for piece in self.pieces], float) - USUAL_LOSS_MM
        u = np.array([piece.u_mm for piece in self.pieces], float)
        common = np.array([piece.u_common_mm for piece in self.pieces], float)
        return y, np.maximum(np.sqrt(np.maximum(u**2 - common**2, 0.0)), _SMALLEST_U_MM), common


def forecast(book: Sequence[tuple[int, JobRecord]], wanted: Sequence[Conditions]) -> Forecast:
    """The loss of each wanted piece given all records, by the mixed model of :mod:`gapscan.notebook.terms`.

    A piece that was seen in more than one dry fit counts once, as last seen. Pieces that lost more than 4.5 robust
    standard deviations from what the others lead one to expect are faults and are left out.
    """
    seen = _seen(book)
    own = columns((*seen.conditions, *wanted), (*seen.jobs, *[_NEW] * len(wanted)))
    bends = _bends(book)
    good = np.ones(len(seen.pieces), bool)
    fitted = _fitted(seen, own, good, bends)
    for _ in range(5):
        kept = ~_faults(seen, own, fitted, good)
        if (kept == good).all():
            break
        good, fitted = kept, _fitted(seen, own, kept, bends)
    rows = vstack([own.rows(wanted, [_NEW] * len(wanted), [0.0] * len(wanted)), own.slope(CURVATURE)]).tocsr()
    mean, covariance = fitted.predict(rows)
    covariance[np.arange(len(wanted)), np.arange(len(wanted))] += fitted.residual_sd**2
    used = [c for c, ok in zip(seen.conditions, good, strict=True) if ok]
    return Forecast(
        loss_mm=USUAL_LOSS_MM + mean[:-1],
        covariance=(covariance + covariance.T) / 2,
        bend_mm=float(mean[-1]),
        likeness=tuple(_likeness(c, used) for c in wanted),
        used=len(used),
        faults=int((~good).sum()),
        vague=seen.vague,
        entries=len({job for job, ok in zip(seen.jobs, good, strict=True) if ok}),
        repeat_mm=fitted.residual_sd,
        job_mm=float(fitted.sd[JOB]),
    )


def _seen(book: Sequence[tuple[int, JobRecord]]) -> _Seen:
    pieces: list[PieceRecord] = []
    conditions: list[Conditions] = []
    jobs: list[object] = []
    known: set[object] = set()
    vague = 0
    for entry, job in reversed(book[-_MOST_ENTRIES:]):
        for piece in job.pieces:
            c = conditions_of(piece, job)
            cut = (piece.outline, piece.facing, piece.offset_mm, c.cell)
            if cut in known:
                continue
            if piece.loss_mm is None or piece.u_mm is None or piece.u_mm > _VAGUE_MM:
                vague += 1
                continue
            known.add(cut)
            pieces.append(piece)
            conditions.append(c)
            jobs.append(entry)
    return _Seen(tuple(pieces), tuple(conditions), tuple(jobs), vague)


def _bends(book: Sequence[tuple[int, JobRecord]]) -> tuple[FloatArray, FloatArray]:
    """Loss in bends as each inspection found it, and its standard uncertainty: one figure a job, for what the pieces
    of a job tell of it they tell together."""
    value, u = [], []
    for _, job in book[-_MOST_ENTRIES:]:
        told = [
            (piece.bend_mm, piece.u_bend_mm)
            for piece in job.pieces
            if piece.bend_mm is not None and piece.u_bend_mm is not None and piece.u_bend_mm <= _VAGUE_MM
        ]
        if told:
            each = np.array(told)
            value.append(float(np.average(each[:, 0], weights=each[:, 1] ** -2)))
            u.append(float(np.hypot(np.median(each[:, 1]), _BEND_REPEAT_MM)))
    return np.array(value), np.array(u)


def _fitted(seen: _Seen, own: Columns, good: NDArray[np.bool_], bends: tuple[FloatArray, FloatArray]) -> Fitted:
    y, u, common = seen.arrays()
    rows = own.rows(seen.conditions, seen.jobs, common.tolist())[np.flatnonzero(good)]
    # A reading of the loss in bends is one of the slope, without any piece's repeat error.
    slope = csr_matrix(np.ones((len(bends[0]), 1))) @ own.slope(CURVATURE)
    return fit(
        np.concatenate([y[good], bends[0]]),
        np.concatenate([u[good], bends[1]]),
        vstack([rows, slope]).tocsr(),
        own.term,
        SPREADS,
        RESIDUAL,
        weight=np.concatenate([np.ones(int(good.sum())), np.zeros(len(bends[0]))]),
    )


def _faults(seen: _Seen, own: Columns, fitted: Fitted, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pieces (N,) that lie too far from what the model expects of them, the farthest quarter at most."""
    y, u, common = seen.arrays()
    if len(y) < _FEWEST:
        return ~good
    mean = fitted.mean.copy()
    # What a few pieces of one job have in common may as well be a fault of each: recut pieces are the bad ones.
    few = {job for job, count in Counter(seen.jobs).items() if count < _FEWEST}
    mean[[at for (kind, level), at in own.place.items() if kind in (JOB, READING) and level in few]] = 0.0
    left = y - own.rows(seen.conditions, seen.jobs, common.tolist()) @ mean
    # Not the model's own τ: the faults have a part in it. 1.4826 · median |x| is σ for a normal distribution.
    tau = max(1.4826 * float(np.median(np.abs(left))), 0.002)
    far = np.abs(left) / np.hypot(u, tau)
    limit = max(_FAR, float(np.quantile(far, 1.0 - _MOST_FAULTS)))
    return np.asarray(far > limit)


def _likeness(wanted: Conditions, used: Sequence[Conditions]) -> Likeness:
    cell = wanted.cell
    return Likeness(
        alike=sum(c.cell == cell for c in used),
        material=sum(c.cell[0] == cell[0] for c in used),
        every=len(used),
    )

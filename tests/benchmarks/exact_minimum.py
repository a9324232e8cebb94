"""The fewest recuts that the true gaps ask for: the judge of a plan, written on its own.

Every 3 mm of seam is a row (sliding along the seam, not cut into blocks), its gap that of the geometry with every piece
moved back to its drawn place. A set of pieces will do when offsets exist for them, and seats within a tenth of the
tolerance for all (the rule of the plan: a fit must come right where the pieces belong), that leave every row between
−press and the tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix

from gapscan.design.types import Stretch
from gapscan.simulate.shop import DryFit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RUN_MM = 3.0
SEAT_OF_TOLERANCE = 0.10
_LARGEST_MM = 0.5
_KNOWN = 0.5  # share of a run's stations that must have a true gap


@dataclass(frozen=True)
class Runs:
    """True gaps averaged over every 3 mm of seam (shorter stretches: over the whole).

    seam (K,) index; first, second (K,) piece indices; lying_mm (K,) as the fit lies; seated_mm (K,) every piece at its
    drawn place; normal (K, 2); arm_first, arm_second (K,) movement along the normal per radian of each piece's turn
    """

    seam: IntArray
    first: IntArray
    second: IntArray
    lying_mm: FloatArray
    seated_mm: FloatArray
    normal: FloatArray
    arm_first: FloatArray
    arm_second: FloatArray


def true_runs(fit: DryFit) -> Runs:
    """All runs of a dry fit."""
    number = {piece.id: k for k, piece in enumerate(fit.pieces)}
    centroid = [np.array(piece.polygon.centroid.coords[0]) for piece in fit.design.pieces]
    parts: list[list[FloatArray]] = []
    for k, (seam, truth) in enumerate(zip(fit.design.seams, fit.seams, strict=True)):
        a, b = (number[name] for name in seam.pieces)
        at, normal = truth.stations, truth.stations.normal
        arms = []
        moved = np.zeros(len(at.s_mm))
        for piece, sign in ((a, -1.0), (b, 1.0)):
            away = at.xy_mm - centroid[piece]
            arms.append(normal[:, 1] * away[:, 0] - normal[:, 0] * away[:, 1])
            laid = fit.pieces[piece]
            moved += sign * (normal @ np.array(laid.shift_mm) + arms[-1] * np.deg2rad(laid.turn_deg))
        known = np.isfinite(truth.gap_mm)
        gap = np.where(known, truth.gap_mm, 0.0)
        for chosen in windows(seam.stretches, at.s_mm):
            share = known[chosen].mean(axis=1)
            weight = known[chosen] / np.maximum(known[chosen].sum(axis=1, keepdims=True), 1)
            table = np.column_stack([gap, gap - moved, normal, arms[0], arms[1]])
            mean = np.einsum("kw,kwc->kc", weight, table[chosen])[share >= _KNOWN]
            count = len(mean)
            parts.append([np.full(count, k), np.full(count, a), np.full(count, b), *mean.T])
    column = [np.concatenate(part) for part in zip(*parts, strict=True)]
    return Runs(
        seam=column[0].astype(np.int64),
        first=column[1].astype(np.int64),
        second=column[2].astype(np.int64),
        lying_mm=column[3],
        seated_mm=column[4],
        normal=np.column_stack(column[5:7]),
        arm_first=column[7],
        arm_second=column[8],
    )


def windows(stretches: tuple[Stretch, ...], s_mm: FloatArray) -> list[IntArray]:
    """For each stretch the station numbers (K, W) of every run of ``RUN_MM``, one run from each station on."""
    lengths = [float(np.hypot(*np.diff(stretch.points_mm, axis=0).T).sum()) for stretch in stretches]
    which = np.searchsorted(np.cumsum(lengths)[:-1], s_mm, side="right")
    found = []
    for k, (stretch, length) in enumerate(zip(stretches, lengths, strict=True)):
        own = np.flatnonzero(which == k)
        if len(own) == 0:
            continue
        wide = max(round(RUN_MM * len(own) / length), 1)
        if wide >= len(own):
            found.append(own[None, :])
            continue
        start = np.arange(len(own) if stretch.closed else len(own) - wide + 1)
        found.append(own[(start[:, None] + np.arange(wide)) % len(own)])
    return found


@dataclass(frozen=True)
class Minimum:
    """Size of the smallest set that will do (None where none does) and one such set of piece indices."""

    count: int | None
    pieces: frozenset[int]


def exact_minimum(
    runs: Runs, radius_mm: FloatArray, *, tolerance_mm: float, press_mm: float, time_limit_s: float = 60.0
) -> Minimum:
    """The smallest set of pieces by mixed-integer programming; radius_mm (P,) from each piece's centroid to its rim.

    Raises TimeoutError when the time does not suffice for the proof.
    """
    count = len(radius_mm)
    answer = _solve(runs, radius_mm, np.ones(count), tolerance_mm, press_mm, time_limit_s, fixed=False)
    if answer is None:
        return Minimum(None, frozenset())
    return Minimum(len(answer), answer)


def will_do(
    runs: Runs, radius_mm: FloatArray, pieces: frozenset[int], *, tolerance_mm: float, press_mm: float
) -> bool:
    """Whether recutting just these pieces can bring every run within limits (a linear programme)."""
    allowed = np.zeros(len(radius_mm))
    allowed[list(pieces)] = 1.0
    return _solve(runs, radius_mm, allowed, tolerance_mm, press_mm, 60.0, fixed=True) is not None


def _solve(
    runs: Runs,
    radius_mm: FloatArray,
    allowed: FloatArray,
    tolerance_mm: float,
    press_mm: float,
    time_limit_s: float,
    *,
    fixed: bool,
) -> frozenset[int] | None:
    """Columns: recut z (P), change of offset (P), seat x, y, turn·radius (3P); None where nothing will do."""
    pieces = len(radius_mm)
    low, high = -press_mm - runs.seated_mm, tolerance_mm - runs.seated_mm
    if (low <= 0).all() and (high >= 0).all():
        return frozenset()
    rows = _rows(runs, radius_mm)
    k = np.arange(pieces)
    constraints = [LinearConstraint(rows, low, high)]
    for sign in (1.0, -1.0):
        link = coo_matrix(
            (np.r_[np.full(pieces, sign), np.full(pieces, -_LARGEST_MM)], (np.r_[k, k], np.r_[pieces + k, k])),
            shape=(pieces, 5 * pieces),
        )
        constraints.append(LinearConstraint(link.tocsr(), -np.inf, 0.0))
    seat = SEAT_OF_TOLERANCE * tolerance_mm / np.sqrt(2.0)  # x and y together: a tenth of the tolerance
    upper = np.r_[allowed, np.full(pieces, _LARGEST_MM), np.full(3 * pieces, seat)]
    lower = np.r_[allowed if fixed else np.zeros(pieces), -upper[pieces:]]
    answer = milp(
        np.r_[np.ones(pieces), np.zeros(4 * pieces)],
        constraints=constraints,
        bounds=Bounds(lower, upper),
        integrality=np.r_[np.zeros(pieces) if fixed else np.ones(pieces), np.zeros(4 * pieces)],
        # the count is whole: a gap below one is proof
        options={"time_limit": time_limit_s, "mip_rel_gap": 0.0},
    )
    if answer.status == 1:
        raise TimeoutError("the smallest set was not proven within the time")
    if answer.x is None:
        return None
    return frozenset(int(i) for i in np.flatnonzero(answer.x[:pieces] > 0.5))


def _rows(runs: Runs, radius_mm: FloatArray) -> csr_matrix:
    """(K, 5P): what offsets and seats change in each run's gap."""
    pieces, k = len(radius_mm), np.arange(len(runs.seam))
    row, column, value = [], [], []
    for piece, arm, side in ((runs.first, runs.arm_first, -1.0), (runs.second, runs.arm_second, 1.0)):
        row += [k] * 4
        column += [pieces + piece, 2 * pieces + piece, 3 * pieces + piece, 4 * pieces + piece]
        value += [-np.ones(len(k)), side * runs.normal[:, 0], side * runs.normal[:, 1], side * arm / radius_mm[piece]]
    return coo_matrix(
        (np.concatenate(value), (np.concatenate(row), np.concatenate(column))), shape=(len(k), 5 * pieces)
    ).tocsr()

"""The fewest recuts that the true gaps ask for: the judge of a plan, written on its own.

Gaps are those of the geometry with every piece moved back to its drawn place. A set of pieces will do when offsets exist
for them, and seats for all (within a twentieth of the tolerance, the rule of the plan: a fit must come right where the
pieces belong), that leave the mean of every 3 mm of seam (sliding along it, not cut into blocks) at most at the
tolerance and every 1 mm at least at −press: wood meets at single places, a mean over 3 mm would let it pass through.
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

RUN_MM, MEET_MM = 3.0, 1.0
SEAT_OF_TOLERANCE = 0.05
_LARGEST_MM = 0.5
_KNOWN = 0.5  # share of a run's stations that must have a true gap


@dataclass(frozen=True)
class Runs:
    """True gaps averaged over every so many mm of seam (shorter stretches: over the whole).

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


def true_runs(fit: DryFit, *, run_mm: float = RUN_MM) -> Runs:
    """All runs of a dry fit, ``run_mm`` long."""
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
        for chosen in windows(seam.stretches, at.s_mm, run_mm=run_mm):
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


def windows(stretches: tuple[Stretch, ...], s_mm: FloatArray, *, run_mm: float) -> list[IntArray]:
    """For each stretch the station numbers (K, W) of every run of ``run_mm``, one run from each station on."""
    lengths = [float(np.hypot(*np.diff(stretch.points_mm, axis=0).T).sum()) for stretch in stretches]
    which = np.searchsorted(np.cumsum(lengths)[:-1], s_mm, side="right")
    found = []
    for k, (stretch, length) in enumerate(zip(stretches, lengths, strict=True)):
        own = np.flatnonzero(which == k)
        if len(own) == 0:
            continue
        wide = max(round(run_mm * len(own) / length), 1)
        if wide >= len(own):
            found.append(own[None, :])
            continue
        start = np.arange(len(own) if stretch.closed else len(own) - wide + 1)
        found.append(own[(start[:, None] + np.arange(wide)) % len(own)])
    return found


@dataclass(frozen=True)
class Question:
    """What the true gaps of one dry fit ask for.

    wide, tight  runs that must not be over the tolerance, and those that must not overlap by more than the press
    radius_mm    (P,) from each piece's centroid to its rim
    seat_mm      how far off its drawn place a piece may be seated to help
    """

    wide: Runs
    tight: Runs
    radius_mm: FloatArray
    tolerance_mm: float
    press_mm: float
    seat_mm: float


@dataclass(frozen=True)
class Minimum:
    """Size of the smallest set that will do (None where none does) and one such set of piece indices."""

    count: int | None
    pieces: frozenset[int]


def question(fit: DryFit, *, tolerance_mm: float, press_mm: float, seat_mm: float) -> Question:
    """The question that a dry fit poses."""
    radius = []
    for piece in fit.design.pieces:
        away = np.asarray(piece.polygon.exterior.coords) - np.array(piece.polygon.centroid.coords[0])
        radius.append(float(np.hypot(*away.T).max()))
    return Question(
        wide=true_runs(fit),
        tight=true_runs(fit, run_mm=MEET_MM),
        radius_mm=np.array(radius),
        tolerance_mm=tolerance_mm,
        press_mm=press_mm,
        seat_mm=seat_mm,
    )


def exact_minimum(asked: Question, *, time_limit_s: float = 60.0) -> Minimum:
    """The smallest set of pieces by mixed-integer programming.

    Raises TimeoutError when the time does not suffice for the proof.
    """
    answer = _solve(asked, np.ones(len(asked.radius_mm)), time_limit_s, fixed=False)
    return Minimum(None, frozenset()) if answer is None else Minimum(len(answer), answer)


def will_do(asked: Question, pieces: frozenset[int]) -> bool:
    """Whether recutting just these pieces can bring every run within limits (a linear programme)."""
    allowed = np.zeros(len(asked.radius_mm))
    allowed[list(pieces)] = 1.0
    return _solve(asked, allowed, 60.0, fixed=True) is not None


def _solve(asked: Question, allowed: FloatArray, time_limit_s: float, *, fixed: bool) -> frozenset[int] | None:
    """Columns: recut z (P), change of offset (P), seat x, y, turn·radius (3P); None where nothing will do."""
    pieces = len(allowed)
    most = asked.tolerance_mm - asked.wide.seated_mm
    least = -asked.press_mm - asked.tight.seated_mm
    if (least <= 0).all() and (most >= 0).all():
        return frozenset()
    k = np.arange(pieces)
    constraints = [
        LinearConstraint(_rows(asked.wide, asked.radius_mm), -np.inf, most),
        LinearConstraint(_rows(asked.tight, asked.radius_mm), least, np.inf),
    ]
    for sign in (1.0, -1.0):
        link = coo_matrix(
            (np.r_[np.full(pieces, sign), np.full(pieces, -_LARGEST_MM)], (np.r_[k, k], np.r_[pieces + k, k])),
            shape=(pieces, 5 * pieces),
        )
        constraints.append(LinearConstraint(link.tocsr(), -np.inf, 0.0))
    # x and y together: the seat's radius
    upper = np.r_[allowed, np.full(pieces, _LARGEST_MM), np.full(3 * pieces, asked.seat_mm / np.sqrt(2.0))]
    lower = np.r_[allowed if fixed else np.zeros(pieces), -upper[pieces:]]
    answer = milp(
        np.r_[np.ones(pieces), np.zeros(4 * pieces)],
        constraints=constraints,
        bounds=Bounds(lower, upper),
        integrality=np.r_[np.zeros(pieces) if fixed else np.ones(pieces), np.zeros(4 * pieces)],
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

"""How much to change the pieces that are recut: to the aim at their seams, as far as the limits allow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, eye_array, hstack, vstack

from gapscan.recut.group import Group, Outcome, gap_rows, limits_with, seat_bounds, seat_rows
from gapscan.recut.programme import LARGEST_CHANGE_MM
from gapscan.recut.solver import milp

FloatArray = NDArray[np.float64]

# Prices of one run's mm outside the limits, and outside them less the doubt, against moving a whole piece's change
# away from the aim, which costs the number of its runs; seats are dearer than changes, so they are used last.
_OUTSIDE_PRICE, _DOUBT_PRICE, _SEAT_PRICE = 30.0, 3.0, 2.0
_WORST_PRICE = 2.0  # of the run deepest in the doubt, for each run of all: one bad seam spoils the piece
_LONGEST_S = 2.0


def settle_amounts(
    group: Group,
    outcome: Outcome,
    weight: FloatArray,
    to_aim_mm: FloatArray,
    true_low_mm: FloatArray,
    true_high_mm: FloatArray,
    doubt_mm: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Changes (M,), further changes of stretches (T,) and seats (M, 3) for the pieces that ``outcome`` recuts.

    weight (K,), to_aim_mm (K,) seated gap less the aim; true_low_mm, true_high_mm (K,) limits less the seated gap,
    doubt_mm (K,) how far within them to stay where that can be had.

    First least squares: where both sides of a seam are recut they share what is to be filled. Then a linear programme
    keeps every run within the programme's limits, and within the true limits less the doubt as far as it can, by the
    smallest departure from the least squares.
    """
    m, t = len(group.allowed), len(group.stretch_piece)
    sizes, seats = gap_rows(group)
    free = np.r_[outcome.recut, np.abs(outcome.stretch_mm) > 1e-6]
    moves = csr_array(hstack([sizes, -group.stretch], format="csr"))[:, np.flatnonzero(free)]
    near = np.flatnonzero(np.diff(moves.indptr) > 0)
    f = int(free.sum())
    if f == 0 or len(near) == 0:
        return outcome.change_mm, outcome.stretch_mm, _least_seats(group, outcome, seats)
    wanted = -to_aim_mm[near] * weight[near]
    best, *_ = np.linalg.lstsq(moves[near].toarray() * weight[near][:, None], wanted, rcond=None)
    best = np.clip(best, -LARGEST_CHANGE_MM, LARGEST_CHANGE_MM)

    # Columns: change (F), |change − best| (F), seat (3M), |seat| (3M), outside (N), into the doubt (N), the most of it
    n, p = len(near), 3 * m
    runs = np.maximum(np.bincount(moves.indices, minlength=f), 1.0)
    own_runs = np.maximum(np.bincount(np.r_[group.first, group.second] + 1, minlength=m + 1)[1:], 1.0)
    price = np.r_[
        np.zeros(f),
        runs,
        np.zeros(p),
        _SEAT_PRICE * np.repeat(own_runs, 3),
        np.full(n, _OUTSIDE_PRICE),
        np.full(n, _DOUBT_PRICE),
        [_WORST_PRICE * runs.sum()],
    ]

    def row(*parts: csr_array | int) -> csr_array:
        height = next(part.shape[0] for part in parts if not isinstance(part, int))
        return hstack(
            [csr_array((height, part), dtype=float) if isinstance(part, int) else part for part in parts], format="csr"
        )

    every = row(moves, f, seats, p, 2 * n + 1)
    near_gap = row(moves[near], f, seats[near], p)
    one, none, last = eye_array(n), csr_array((n, n), dtype=float), csr_array((n, 1), dtype=float)
    octagon, most = seat_rows(m, group.play_mm)
    low, high = limits_with(group, outcome.recut, outcome.miss_mm + 2e-6)
    doubt = np.minimum(doubt_mm, 0.25 * (true_high_mm - true_low_mm))[near]
    inf_n = np.full(n, np.inf)
    rows = [
        (every, low, high),
        (hstack([near_gap, -one, none, last]), -inf_n, true_high_mm[near]),
        (hstack([near_gap, one, none, last]), true_low_mm[near], inf_n),
        (hstack([near_gap, none, -one, last]), -inf_n, true_high_mm[near] - doubt),
        (hstack([near_gap, none, one, last]), true_low_mm[near] + doubt, inf_n),
        (row(eye_array(f), -eye_array(f), 2 * p + 2 * n + 1), np.full(f, -np.inf), best),
        (row(eye_array(f), eye_array(f), 2 * p + 2 * n + 1), best, np.full(f, np.inf)),
        (row(2 * f, eye_array(p), -eye_array(p), 2 * n + 1), np.full(p, -np.inf), np.zeros(p)),
        (row(2 * f, eye_array(p), eye_array(p), 2 * n + 1), np.zeros(p), np.full(p, np.inf)),
        (row(2 * f + 2 * p + n, one, csr_array(-np.ones((n, 1)))), np.full(n, -np.inf), np.zeros(n)),
        (row(2 * f, octagon, p + 2 * n + 1), -most, most),
    ]
    bound = seat_bounds(m, group.play_mm)
    most_change = np.full(f, LARGEST_CHANGE_MM)
    answer = _linear(
        price,
        rows,
        np.r_[-most_change, np.zeros(f), -bound, np.zeros(p + 2 * n + 1)],
        np.r_[most_change, np.full(f, np.inf), bound, np.full(p + 2 * n + 1, np.inf)],
    )
    if answer is None:  # the programme's own answer is within its limits
        return outcome.change_mm, outcome.stretch_mm, outcome.seat_mm
    solved = np.zeros(m + t)
    solved[free] = answer[:f]
    return solved[:m], solved[m:], answer[2 * f : 2 * f + p].reshape(m, 3)


def _least_seats(group: Group, outcome: Outcome, seats: csr_array) -> FloatArray:
    """Seats (M, 3) moved no more than the limits ask for, where nothing is recut."""
    p = seats.shape[1]
    low, high = limits_with(group, outcome.recut, outcome.miss_mm + 2e-6)
    if (low <= 0).all() and (high >= 0).all():
        return np.zeros((p // 3, 3))
    octagon, most = seat_rows(p // 3, group.play_mm)
    bound = seat_bounds(p // 3, group.play_mm)
    answer = _linear(
        np.ones(2 * p),
        [(hstack([seats, -seats]), low, high), (hstack([octagon, -octagon]), -most, most)],
        np.zeros(2 * p),
        np.r_[bound, bound],
    )
    return outcome.seat_mm if answer is None else (answer[:p] - answer[p:]).reshape(-1, 3)


def _linear(
    price: FloatArray,
    rows: list[tuple[csr_array, FloatArray, FloatArray]],
    lower: FloatArray,
    upper: FloatArray,
) -> FloatArray | None:
    from scipy.optimize import Bounds, LinearConstraint

    A = csr_array(vstack([r[0] for r in rows], format="csr"))
    answer = milp(
        price,
        constraints=[LinearConstraint(A, np.concatenate([r[1] for r in rows]), np.concatenate([r[2] for r in rows]))],
        bounds=Bounds(lower, upper),
        options={"time_limit": _LONGEST_S},
    )
    return None if answer.x is None else np.asarray(answer.x, dtype=float)

"""The recut of one group of pieces as a mixed-integer linear programme, solved goal by goal.

Each piece may sit a little off its drawn place (the play of a careful seat), but not be squeezed across the panel to
spread one piece's fault over its neighbours: the fit must come right where the pieces belong. With z_i ∈ {0, 1} (recut
or not), Δ_i the change of outward offset and p_i the seat's play, every 3 mm run of seam between A and B must satisfy

    low + a·r ≤ seated − Δ_A − Δ_B + n·(p_B − p_A) ≤ high − a·r        |Δ_i| ≤ z_i · Δ_max

where the benefit of the doubt a, which low and high hold, is for seams that are left alone only: r = 1 where a piece of
the seam is recut, so that what is recut comes out within the limits proper.

Where stretches may be offset apart from the rest, Δ_i at a run is Δ_i + Σ_s w_s d_is, with d_is the further change of
piece i at seam s, blended along the outline (weights w), and y_is ∈ {0, 1} says whether it is used.

Goals, each kept at its best while the next one is sought (lexicographic programming): least miss of the limits, fewest
stretches, least cost of recuts, least left alone that only the benefit of the doubt or a lucky seat keeps within them
(of two sets as small the safer one), fewest seams with both sides recut, least total |change|, then the pieces whose
own size is most at fault. Solved with HiGHS through scipy.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, hstack, vstack

from gapscan.recut.group import Group, Outcome, at_the_edge, gap_rows, seat_bounds, seat_reach, seat_rows
from gapscan.recut.solver import milp

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

LARGEST_CHANGE_MM = 1.0
EQUAL_CHANGE_MM = 0.002  # totals of change that differ by less are taken as equal: no offset is cut that finely
MISS_MM, _SLACK, _LEAST_CHANGE_MM = 1e-4, 1e-7, 1e-5


@dataclass(frozen=True)
class _Programme:
    """Columns: z (M), Δ⁺ (M), Δ⁻ (M), seats (3M), both sides (B), beside (S), left at the edge (E), y (T), d⁺ (T), d⁻ (T)."""

    rows: csr_array
    row_low: FloatArray
    row_high: FloatArray
    lower: FloatArray
    upper: FloatArray
    integer: FloatArray
    goals: tuple[FloatArray, ...]


def solve_group(group: Group, deadline: float, *, goals: int = 6) -> Outcome | None:
    """The best plan of one group; None when the time (of time.monotonic) ran out before there was any.

    goals  how many of them to seek
    """
    even = group.without_stretches()
    none = np.zeros(len(group.seam))
    found = _lexicographic(even, none, deadline, goals)
    if found is not None:
        return found
    missed = least_miss(even, deadline)
    if missed is None:
        return None
    if len(group.stretch_piece):
        better = least_miss(group, deadline)
        if better is not None and better.sum() < missed.sum() - MISS_MM:
            found = _lexicographic(group, _to_runs(group, better), deadline, goals)
            if found is not None:
                return found
    return _lexicographic(even, _to_runs(group, missed), deadline, goals)


def _to_runs(group: Group, miss_by_seam: FloatArray) -> FloatArray:
    _, number = np.unique(group.seam, return_inverse=True)
    # A hair more than found, so that the solver's own tolerance does not make the next programme infeasible.
    return np.asarray(np.where(miss_by_seam > MISS_MM, miss_by_seam, 0.0) + 1e-6)[number]


def rough_plan(group: Group, time_limit_s: float) -> Outcome | None:
    """A plan that works but need not be the cheapest: least total |change| with everything allowed recut, by a linear
    programme, whose answers leave most changes at nought. None where that cannot be or takes too long."""
    even = group.without_stretches()
    programme = _programme(even, np.zeros(len(group.seam)))
    m = len(group.allowed)
    lower = programme.lower.copy()
    lower[:m] = programme.upper[:m]
    rows = [(programme.rows, programme.row_low, programme.row_high)]
    deadline = time.monotonic() + time_limit_s
    answer = _milp(programme.goals[4], rows, np.zeros(len(lower)), lower, programme.upper, deadline)
    if answer.x is None:
        return None
    x = np.asarray(answer.x, dtype=float)
    change = x[m : 2 * m] - x[2 * m : 3 * m]
    recut = np.abs(change) > _LEAST_CHANGE_MM
    return Outcome(
        recut=recut,
        change_mm=np.where(recut, change, 0.0),
        stretch_mm=np.zeros(0),
        seat_mm=x[3 * m : 6 * m].reshape(m, 3),
        miss_mm=np.zeros(len(group.seam)),
        goals=(0.0, 0.0, float(group.cost[recut].sum()), 0.0, 0.0, float(np.abs(change[recut]).sum())),
        cost_bound=0.0,
    )


def least_miss(group: Group, deadline: float) -> FloatArray | None:
    """By how much (seams of the group, sorted) the limits must be missed at least, whatever is recut."""
    programme = _programme(group, np.zeros(len(group.seam)))
    seams, number = np.unique(group.seam, return_inverse=True)
    k, columns = len(number), programme.rows.shape[1]
    # The runs come first, once for the lower limit and once for the upper one.
    miss = coo_array(
        (np.r_[np.ones(k), -np.ones(k)], (np.arange(2 * k), np.r_[number, number])),
        shape=(len(programme.row_low), len(seams)),
    ).tocsr()
    goal = np.r_[np.zeros(columns), np.ones(len(seams))]
    answer = _milp(
        goal,
        [(hstack([programme.rows, miss], format="csr"), programme.row_low, programme.row_high)],
        np.r_[programme.integer, np.zeros(len(seams))],
        np.r_[programme.lower, np.zeros(len(seams))],
        np.r_[programme.upper, np.full(len(seams), np.inf)],
        deadline,
    )
    return None if answer.x is None else np.asarray(answer.x[columns:], dtype=float)


def _lexicographic(group: Group, miss_mm: FloatArray, deadline: float, goals: int) -> Outcome | None:
    """The goals in turn; None when there is no plan (or none in time).

    Where the time runs out on a later goal, the best plan of the goals before is returned.
    """
    programme = _programme(group, miss_mm)
    fixed: list[tuple[csr_array, Any, Any]] = [(programme.rows, programme.row_low, programme.row_high)]
    x, cost_bound = None, 0.0
    for number, goal in enumerate(programme.goals[:goals]):
        slack = EQUAL_CHANGE_MM if number in (2, 4) else 1e-6
        if not goal.any():
            continue
        if x is not None and goal @ x < 1e-7:  # no goal can fall below nought
            fixed.append((csr_array(goal[None, :]), -np.inf, slack))
            continue
        answer = _milp(goal, fixed, programme.integer, programme.lower, programme.upper, deadline)
        if answer.x is None and answer.status == 4:  # HiGHS gave up: earlier goals a little looser
            fixed = [fixed[0], *((a, low, high + 1e-6) for a, low, high in fixed[1:])]
            answer = _milp(goal, fixed, programme.integer, programme.lower, programme.upper, deadline)
        if number == 1 and answer.mip_dual_bound is not None and np.isfinite(answer.mip_dual_bound):
            cost_bound = float(answer.mip_dual_bound)
        if answer.x is None:
            if x is None:
                return None
            break
        x = np.asarray(answer.x, dtype=float)
        if answer.status != 0:
            break
        fixed.append((csr_array(goal[None, :]), -np.inf, float(goal @ x) + slack))
    if x is None:
        return None
    m, t = len(group.allowed), len(group.stretch_piece)
    recut = x[:m] > 0.5
    change = np.where(recut, x[m : 2 * m] - x[2 * m : 3 * m], 0.0)
    tail = len(x) - 3 * t
    cost = float(group.cost[recut].sum())
    values = [float(goal @ x) for goal in programme.goals]
    return Outcome(
        recut=np.asarray(recut),
        change_mm=change,
        stretch_mm=x[tail + t : tail + 2 * t] - x[tail + 2 * t :],
        seat_mm=x[3 * m : 6 * m].reshape(m, 3),
        miss_mm=miss_mm,
        goals=(
            float(miss_mm[miss_mm > MISS_MM].sum()),
            round(values[0], 6),
            cost,
            values[2],
            round(values[3], 6),
            values[4],
        ),
        cost_bound=min(cost_bound, cost),
    )


def _programme(group: Group, miss_mm: FloatArray) -> _Programme:
    m, t = len(group.allowed), len(group.stretch_piece)
    inner = (group.first >= 0) & (group.second >= 0)
    inner[inner] &= group.allowed[group.first[inner]] & group.allowed[group.second[inner]]
    seams, at = np.unique(group.seam[inner], return_index=True)
    a, b = group.first[inner][at], group.second[inner][at]
    at_seam = np.unique(group.seam, return_index=True)[1]
    edge_pairs, edge_mm = at_the_edge(group)
    flags = len(seams), len(at_seam), len(edge_mm)
    n = sum(flags)
    columns = 6 * m + n + 3 * t
    low, high = group.need_low - miss_mm, group.need_high + miss_mm
    rows, row_low, row_high = _run_rows(group, flags, low, high)

    def add(r: IntArray, c: IntArray, v: FloatArray, most: FloatArray) -> None:
        rows.append(coo_array((v, (r, c)), shape=(len(most), columns)).tocsr())
        row_low.append(np.full(len(most), -np.inf))
        row_high.append(most)

    i, s, j = np.arange(m), np.arange(flags[0]), np.arange(t)
    one = np.ones(m)
    # |Δ_i| ≤ z_i Δ_max
    add(
        np.r_[i, i, i],
        np.r_[m + i, 2 * m + i, i],
        np.r_[one, one, -LARGEST_CHANGE_MM * one],
        np.zeros(m),
    )
    if len(s):  # a flag at seams with both sides recut
        add(np.r_[s, s, s], np.r_[a, b, 6 * m + s], np.r_[np.ones(2 * len(s)), -np.ones(len(s))], np.ones(len(s)))
    # One at seams with any side recut; where there is no doubt it says nothing.
    for piece in (group.first[at_seam], group.second[at_seam]):
        on = np.flatnonzero(piece >= 0)
        r, ones = np.arange(len(on)), np.ones(len(on))
        add(np.r_[r, r], np.r_[piece[on], 6 * m + flags[0] + on], np.r_[ones, -ones], 0.0 * ones)
    if len(edge_mm):  # one at pairs of pieces neither of which is recut, with a run at the edge between them
        add(*_either(edge_pairs, np.arange(len(edge_mm)) + 6 * m + sum(flags[:2])), -np.ones(len(edge_mm)))
    octagon, most = seat_rows(m, group.play_mm)
    rows.append(hstack([csr_array((2 * m, 3 * m), dtype=float), octagon, csr_array((2 * m, n + 3 * t), dtype=float)]))
    row_low.append(-most)
    row_high.append(most)
    if t:  # |d_is| ≤ y_is Δ_max and y_is ≤ z_i
        y = 6 * m + n
        ones = np.ones(t)
        add(
            np.r_[j, j, j],
            np.r_[y + t + j, y + 2 * t + j, y + j],
            np.r_[ones, ones, -LARGEST_CHANGE_MM * ones],
            np.zeros(t),
        )
        add(np.r_[j, j], np.r_[y + j, group.stretch_piece], np.r_[ones, -ones], np.zeros(t))
    # A run that no seat brings within limits needs a recut beside it. The rows above say so too, but only for whole z:
    # said outright it makes the bound of the relaxed programme many times sharper.
    pairs = _needing(group, low, high)
    if len(pairs):
        add(*_either(pairs, None), -np.ones(len(pairs)))
    lower, upper = np.zeros(columns), np.full(columns, LARGEST_CHANGE_MM)
    upper[:m] = group.allowed
    upper[3 * m : 6 * m] = seat_bounds(m, group.play_mm)
    lower[3 * m : 6 * m] = -upper[3 * m : 6 * m]
    upper[6 * m : 6 * m + n + t] = 1.0  # flags and y
    integer = np.zeros(columns)
    integer[:m] = 1
    integer[6 * m + n : 6 * m + n + t] = 1  # flags come out whole by themselves
    every = [csr_array(part) for part in rows]
    return _Programme(
        rows=csr_array(vstack(every, format="csr")),
        row_low=np.concatenate(row_low),
        row_high=np.concatenate(row_high),
        lower=lower,
        upper=upper,
        integer=integer,
        goals=_goals(group, flags, edge_mm, columns),
    )


def _either(pairs: IntArray, flag: IntArray | None) -> tuple[IntArray, IntArray, FloatArray]:
    """Row, column, −1 for each piece of each pair (N, 2), and for its flag (N,) if there is one."""
    there, r = pairs >= 0, np.arange(len(pairs))
    row, column = np.r_[r[there[:, 0]], r[there[:, 1]]], pairs.T[there.T]
    if flag is not None:
        row, column = np.r_[row, r], np.r_[column, flag]
    return row, column, -np.ones(len(row))


def _run_rows(
    group: Group, flags: tuple[int, int, int], low: FloatArray, high: FloatArray
) -> tuple[list[csr_array], list[FloatArray], list[FloatArray]]:
    """Rows for the lower limit of every run, then for the upper one, and what they may come to."""
    k, m, t = len(group.seam), len(group.allowed), len(group.stretch_piece)
    seams, number = np.unique(group.seam, return_inverse=True)
    sizes, seats = gap_rows(group)
    rows = []
    for side in (-1.0, 1.0):
        lost = coo_array((side * group.allowance, (np.arange(k), number)), shape=(k, len(seams))).tocsr()
        parts = [csr_array((k, m), dtype=float), sizes, -sizes, seats, csr_array((k, flags[0]), dtype=float), lost]
        unused = csr_array((k, flags[2] + t), dtype=float)
        rows.append(hstack([*parts, unused, -group.stretch, group.stretch], format="csr"))
    free = np.full(k, np.inf)
    return rows, [low, -free], [free, high]


def _goals(group: Group, flags: tuple[int, int, int], edge_mm: FloatArray, columns: int) -> tuple[FloatArray, ...]:
    """What to seek least of, one after the other; over the columns of the programme."""
    m, t = len(group.allowed), len(group.stretch_piece)
    y = 6 * m + sum(flags)
    goals = np.zeros((6, columns))
    goals[0, y : y + t] = 1.0
    goals[1, :m] = group.cost
    goals[2, y - flags[2] : y] = edge_mm
    goals[3, 6 * m : 6 * m + flags[0]] = 1.0
    goals[4, m : 3 * m] = 1.0
    goals[4, y + t :] = 1.0
    goals[5, :m] = 0.01 + group.preference
    return tuple(goals)


def _needing(group: Group, low: FloatArray, high: FloatArray) -> IntArray:
    """Pairs of pieces (N, 2) of which one has to be recut; where neither may be, there is no such row to add."""
    needing = np.maximum(low, -high) > seat_reach(group) + _SLACK
    pairs = np.column_stack([group.first[needing], group.second[needing]])
    usable = np.zeros(pairs.shape, bool)
    usable[pairs >= 0] = group.allowed[pairs[pairs >= 0]]
    return np.asarray(np.unique(pairs[usable.any(axis=1)], axis=0))


def _milp(
    goal: FloatArray,
    rows: list[tuple[csr_array, Any, Any]],
    integer: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    deadline: float,
) -> Any:
    from scipy.optimize import Bounds, LinearConstraint

    return milp(
        goal,
        constraints=[LinearConstraint(*row) for row in rows],
        integrality=integer,
        bounds=Bounds(lower, upper),
        options={"time_limit": max(deadline - time.monotonic(), 0.01), "mip_rel_gap": 0.0},
    )

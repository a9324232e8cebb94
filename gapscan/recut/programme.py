"""The recut of one group of pieces as a mixed-integer linear programme, solved goal by goal.

Each piece may sit a little off its drawn place (the play of a careful seat), but not be squeezed across the panel to
spread one piece's fault over its neighbours: the fit must come right where the pieces belong. With z_i ∈ {0, 1} (recut
or not), Δ_i the change of outward offset and p_i the seat's play, every 3 mm run of seam between A and B must satisfy

    low ≤ seated − Δ_A − Δ_B + n·(p_B − p_A) ≤ high        |Δ_i| ≤ z_i · Δ_max

Where stretches may be offset apart from the rest, Δ_i at a run is Δ_i + Σ_s w_s d_is, with d_is the further change of
piece i at seam s, blended along the outline (weights w), and y_is ∈ {0, 1} says whether it is used.

Goals, each kept at its best while the next one is sought (lexicographic programming): least miss of the limits, fewest
stretches, least cost of recuts, fewest seams with both sides recut, least total |change|, then the pieces whose own
size is most at fault. Solved with HiGHS through scipy.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, hstack, vstack

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

LARGEST_CHANGE_MM = 1.0
EQUAL_CHANGE_MM = 0.002  # totals of change that differ by less are taken as equal: no offset is cut that finely
MISS_MM = 1e-4
# An octagon that lies half inside, half outside its circle: the same play in every direction, within 4 %.
_OCTAGON = 0.96
_SLACK = 1e-7


@dataclass(frozen=True)
class Group:
    """Runs (K,) and pieces (M,) of one programme; a piece index of −1 is one that stays as it is, at its drawn place.

    first, second (K,); seam (K,) numbers of seams
    arm_first, arm_second (K, 3)  change of the gap by a piece's play: along x, along y, turned (mm at its rim)
    need_low, need_high (K,)  low − seated, high − seated
    play_mm    radius of a seat's play, and most of its turn at the rim
    allowed, cost, preference (M,)
    stretch_piece (T,), stretch_seam (T,), stretch (K, T)  seams that may be offset by themselves, and by how much of
               that each run changes
    """

    first: IntArray
    second: IntArray
    seam: IntArray
    arm_first: FloatArray
    arm_second: FloatArray
    need_low: FloatArray
    need_high: FloatArray
    play_mm: float
    allowed: BoolArray
    cost: FloatArray
    preference: FloatArray
    stretch_piece: IntArray
    stretch_seam: IntArray
    stretch: csr_array

    def without_stretches(self) -> Group:
        """The same with even offsets only."""
        none = np.zeros(0, np.int64)
        return replace(self, stretch_piece=none, stretch_seam=none, stretch=csr_array((len(self.seam), 0), dtype=float))


@dataclass(frozen=True)
class Outcome:
    """recut (M,), change_mm (M,), stretch_mm (T,), seat_mm (M, 3), miss_mm (K,) by which a run's limits were widened.

    goals       total miss, stretches, cost, seams with both sides recut, total change: what was reached
    cost_bound  no plan costs less
    """

    recut: BoolArray
    change_mm: FloatArray
    stretch_mm: FloatArray
    seat_mm: FloatArray
    miss_mm: FloatArray
    goals: tuple[float, float, float, float, float]
    cost_bound: float


@dataclass(frozen=True)
class _Programme:
    """Columns: z (M), Δ⁺ (M), Δ⁻ (M), seats (3M), both sides (B), y (T), d⁺ (T), d⁻ (T)."""

    rows: csr_array
    row_low: FloatArray
    row_high: FloatArray
    lower: FloatArray
    upper: FloatArray
    integer: FloatArray
    goals: tuple[FloatArray, ...]


def gap_rows(group: Group) -> tuple[csr_array, csr_array]:
    """(K, M) change of each run's gap by its pieces' offsets, and (K, 3M) by their seats (x, y, turn of each)."""
    k, m = len(group.seam), len(group.allowed)
    r, c, v, seat_r, seat_c, seat_v = [], [], [], [], [], []
    for piece, arm in ((group.first, group.arm_first), (group.second, group.arm_second)):
        on = np.flatnonzero(piece >= 0)
        r.append(on)
        c.append(piece[on])
        v.append(-np.ones(len(on)))
        for axis in range(3):
            seat_r.append(on)
            seat_c.append(3 * piece[on] + axis)
            seat_v.append(arm[on, axis])
    sizes = coo_array((np.concatenate(v), (np.concatenate(r), np.concatenate(c))), shape=(k, m)).tocsr()
    seats = coo_array(
        (np.concatenate(seat_v), (np.concatenate(seat_r), np.concatenate(seat_c))), shape=(k, 3 * m)
    ).tocsr()
    return sizes, seats


def seat_rows(count: int, play_mm: float) -> tuple[csr_array, FloatArray]:
    """(2M, 3M) x + y and x − y of every seat, and how far each may go: with the bounds on x and y, an octagon."""
    i = np.arange(count)
    rows = coo_array(
        (
            np.r_[np.ones(3 * count), -np.ones(count)],
            (np.r_[2 * i, 2 * i, 2 * i + 1, 2 * i + 1], np.r_[3 * i, 3 * i + 1, 3 * i, 3 * i + 1]),
        ),
        shape=(2 * count, 3 * count),
    ).tocsr()
    return rows, np.full(2 * count, np.sqrt(2.0) * _OCTAGON * play_mm)


def seat_bounds(count: int, play_mm: float) -> FloatArray:
    """(3M,) how far each seat may go along x and y and by its turn."""
    return np.tile([_OCTAGON * play_mm, _OCTAGON * play_mm, play_mm], count)


def seat_reach(group: Group) -> FloatArray:
    """(K,) more than seats alone can change a run's gap (the octagon's corners lie 4 % outside its circle)."""
    total = np.zeros(len(group.seam))
    for piece, arm in ((group.first, group.arm_first), (group.second, group.arm_second)):
        total += np.where(piece >= 0, 1.05 * np.hypot(arm[:, 0], arm[:, 1]) + np.abs(arm[:, 2]), 0.0)
    return total * group.play_mm


def solve_group(group: Group, deadline: float, *, goals: int = 5) -> Outcome | None:
    """The best plan of one group; None when the time (of time.monotonic) ran out before there was any.

    goals  how many of the five goals to seek
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


def least_miss(group: Group, deadline: float) -> FloatArray | None:
    """By how much (seams of the group, sorted) the limits must be missed at least, all allowed pieces recut."""
    programme = _programme(group, np.zeros(len(group.seam)))
    seams, number = np.unique(group.seam, return_inverse=True)
    k, columns = len(number), programme.rows.shape[1]
    tail = len(programme.row_low) - k
    miss = coo_array((np.ones(k), (np.arange(k), number)), shape=(k + tail, len(seams))).tocsr()
    rows = hstack([programme.rows, miss], format="csr"), hstack([programme.rows, -miss], format="csr")
    goal = np.r_[np.zeros(columns), np.ones(len(seams))]
    answer = _milp(
        goal,
        [(rows[0], programme.row_low, np.inf), (rows[1], -np.inf, programme.row_high)],
        # Every allowed recut may be used here, so nothing has to be whole.
        np.zeros(len(goal)),
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
        slack = EQUAL_CHANGE_MM if number == 3 else 1e-6
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
        goals=(float(miss_mm[miss_mm > MISS_MM].sum()), round(values[0], 6), cost, round(values[2], 6), values[3]),
        cost_bound=min(cost_bound, cost),
    )


def _programme(group: Group, miss_mm: FloatArray) -> _Programme:
    k, m, t = len(group.seam), len(group.allowed), len(group.stretch_piece)
    inner = (group.first >= 0) & (group.second >= 0)
    inner[inner] &= group.allowed[group.first[inner]] & group.allowed[group.second[inner]]
    seams, at = np.unique(group.seam[inner], return_index=True)
    a, b = group.first[inner][at], group.second[inner][at]
    n = len(seams)
    columns = 6 * m + n + 3 * t
    sizes, seats = gap_rows(group)
    low, high = group.need_low - miss_mm, group.need_high + miss_mm
    rows = [hstack([csr_array((k, m), dtype=float), sizes, -sizes, seats, csr_array((k, n + t), dtype=float)])]
    rows[0] = hstack([rows[0], -group.stretch, group.stretch])
    row_low, row_high = [low], [high]

    def add(r: IntArray, c: IntArray, v: FloatArray, most: FloatArray) -> None:
        rows.append(coo_array((v, (r, c)), shape=(len(most), columns)).tocsr())
        row_low.append(np.full(len(most), -np.inf))
        row_high.append(most)

    i, s, j = np.arange(m), np.arange(n), np.arange(t)
    one = np.ones(m)
    # |Δ_i| ≤ z_i Δ_max
    add(
        np.r_[i, i, i],
        np.r_[m + i, 2 * m + i, i],
        np.r_[one, one, -LARGEST_CHANGE_MM * one],
        np.zeros(m),
    )
    if n:  # a flag at seams with both sides recut
        add(np.r_[s, s, s], np.r_[a, b, 6 * m + s], np.r_[np.ones(2 * n), -np.ones(n)], np.ones(n))
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
        r = np.arange(len(pairs))
        on = pairs >= 0
        add(np.r_[r[on[:, 0]], r[on[:, 1]]], pairs.T[on.T], -np.ones(int(on.sum())), -np.ones(len(pairs)))
    lower, upper = np.zeros(columns), np.full(columns, LARGEST_CHANGE_MM)
    upper[:m] = group.allowed
    upper[3 * m : 6 * m] = seat_bounds(m, group.play_mm)
    lower[3 * m : 6 * m] = -upper[3 * m : 6 * m]
    upper[6 * m : 6 * m + n + t] = 1.0
    integer = np.zeros(columns)
    integer[:m] = 1
    integer[6 * m : 6 * m + n + t] = 1
    every = [csr_array(part) for part in rows]
    return _Programme(
        rows=csr_array(vstack(every, format="csr")),
        row_low=np.concatenate(row_low),
        row_high=np.concatenate(row_high),
        lower=lower,
        upper=upper,
        integer=integer,
        goals=_goals(group, n, columns),
    )


def _goals(group: Group, both_sides: int, columns: int) -> tuple[FloatArray, ...]:
    """What to seek least of, one after the other; over the columns of the programme."""
    m, t = len(group.allowed), len(group.stretch_piece)
    y = 6 * m + both_sides
    goals = np.zeros((5, columns))
    goals[0, y : y + t] = 1.0
    goals[1, :m] = group.cost
    goals[2, 6 * m : y] = 1.0
    goals[3, m : 3 * m] = 1.0
    goals[3, y + t :] = 1.0
    goals[4, :m] = 0.01 + group.preference
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
    from scipy.optimize import Bounds, LinearConstraint, milp

    return milp(
        goal,
        constraints=[LinearConstraint(*row) for row in rows],
        integrality=integer,
        bounds=Bounds(lower, upper),
        options={"time_limit": max(deadline - time.monotonic(), 0.01), "mip_rel_gap": 0.0},
    )

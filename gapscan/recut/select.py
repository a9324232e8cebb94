"""Choose the pieces to recut: exactly, by groups of pieces in trouble instead of the whole panel at once.

A group begins with the pieces beside runs that are out of limits. It is solved twice: with everything round it left as
it is, which is a plan, and with the runs towards the outside left out, which no plan can beat. Where the two cost the
same the group is proven; else it grows by its neighbours, and groups that get in each other's way are made one. As the
groups are apart, their sum is the best for the whole panel. (Total |change| is the least within each group.)
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from gapscan.recut.amounts import settle_amounts
from gapscan.recut.group import HAND_MM, Group, Outcome, gap_rows, seat_reach
from gapscan.recut.programme import EQUAL_CHANGE_MM, LARGEST_CHANGE_MM, MISS_MM, rough_plan, solve_group
from gapscan.recut.selection import Limits, Selection, Stretches
from gapscan.recut.types import SeamWindows

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

_LEAST_AIM_U_MM = 0.01
_GOALS_COMPARED = 5
_GRACE_S = 5.0  # for a rough plan where there was no time for a good one


@dataclass(frozen=True)
class _Panel:
    """Everything of all pieces; ``neighbour`` (P, P) sparse."""

    windows: SeamWindows
    radius_mm: FloatArray
    allowed: BoolArray
    cost: FloatArray
    preference: FloatArray
    limits: Limits
    need_low: FloatArray
    need_high: FloatArray
    allowance: FloatArray
    stretches: Stretches
    neighbour: csr_array

    def group(self, pieces: IntArray, rows: IntArray) -> Group:
        w, limits = self.windows, self.limits
        local = np.full(len(self.allowed), -1)
        local[pieces] = np.arange(len(pieces))
        own = np.flatnonzero(local[self.stretches.piece] >= 0)
        arms = [
            side * np.column_stack([w.normal[rows], cross[rows] / self.radius_mm[piece[rows]]])
            for piece, cross, side in ((w.first, w.cross_first, -1.0), (w.second, w.cross_second, 1.0))
        ]
        return Group(
            first=local[w.first[rows]],
            second=local[w.second[rows]],
            seam=w.seam[rows],
            arm_first=arms[0],
            arm_second=arms[1],
            need_low=self.need_low[rows],
            need_high=self.need_high[rows],
            allowance=self.allowance[rows],
            play_mm=limits.play_mm,
            allowed=self.allowed[pieces],
            cost=self.cost[pieces],
            preference=self.preference[pieces],
            stretch_piece=local[self.stretches.piece[own]],
            stretch_seam=self.stretches.seam[own],
            stretch=csr_array(self.stretches.weight[rows][:, own]),
        )


@dataclass(frozen=True)
class _Solved:
    """A group's pieces, what was found for it, and what it costs at least."""

    pieces: IntArray
    outcome: Outcome
    amounts: tuple[FloatArray, FloatArray, FloatArray]
    cost_bound: float
    may_grow: bool


def select_pieces(
    windows: SeamWindows,
    undersize_mm: FloatArray,
    radius_mm: FloatArray,
    allowed: BoolArray,
    limits: Limits,
    *,
    cost: FloatArray | None = None,
    stretches: Stretches | None = None,
    time_limit_s: float = 20.0,
) -> Selection:
    """The cheapest allowed set of pieces whose change of offset brings every run of seam within limits.

    undersize_mm (P,) breaks ties; radius_mm (P,) largest distance from a piece's centroid; allowed (P,); cost (P,) of
    another cut (1 each). Where no set does, single seams may be offset by themselves, if ``stretches`` names some;
    where that does not help either, the limits are missed by as little as possible.
    """
    count, k = len(undersize_mm), len(windows.seam)
    allowance = limits.allowance_mm(windows.u_mm)
    needed = np.maximum(
        windows.seated_mm - limits.tolerance_mm - allowance, -limits.press_mm - allowance - windows.seated_mm
    )
    trouble = np.flatnonzero(needed > 0)
    nothing = np.zeros(0, np.int64)
    if stretches is None:
        stretches = Stretches(nothing, nothing, csr_array((k, 0), dtype=float))
    recut, change, seat = np.zeros(count, bool), np.zeros(count), np.zeros((count, 3))
    stretch = np.zeros(len(stretches.piece))
    if len(trouble) == 0:  # every run is within limits at its drawn place
        return Selection(recut, change, stretch, seat, windows.seated_mm, nothing, 0.0, stretches)
    panel = _Panel(
        windows=windows,
        radius_mm=radius_mm,
        allowed=allowed,
        cost=np.ones(count) if cost is None else cost,
        preference=_preference(undersize_mm),
        limits=limits,
        need_low=-limits.press_mm - allowance - windows.seated_mm,
        need_high=limits.tolerance_mm + allowance - windows.seated_mm,
        allowance=allowance,
        stretches=stretches,
        neighbour=csr_array(
            (np.ones(2 * k), (np.r_[windows.first, windows.second], np.r_[windows.second, windows.first])),
            shape=(count, count),
        ),
    )
    gap = 0.0
    for one in _solve_all(panel, trouble, time.monotonic() + time_limit_s):
        changes, further, seats = one.amounts
        recut[one.pieces], change[one.pieces], seat[one.pieces] = one.outcome.recut, changes, seats
        own = np.flatnonzero(np.isin(stretches.piece, one.pieces))
        stretch[own[: len(further)]] = further
        gap += max(0.0, one.outcome.goals[2] - one.cost_bound)
    after = _after(panel, change, stretch, seat)
    out = _out(panel, recut, after - windows.seated_mm, MISS_MM)
    if (panel.cost == 1.0).all():  # a whole number of pieces
        gap = float(np.floor(gap + 1e-6))
    return Selection(
        recut, change, stretch, seat, after, np.unique(windows.seam[out]), gap if gap > 1e-6 else 0.0, stretches
    )


def _preference(undersize_mm: FloatArray) -> FloatArray:
    """0 for the piece most at fault by its own size, 1 for those of the usual size."""
    # Of two pieces the median says nothing: the one nearer to its drawing is taken as usual.
    few = len(undersize_mm) <= 2
    usual = undersize_mm[np.argmin(np.abs(undersize_mm))] if few else np.median(undersize_mm)
    fault = np.abs(undersize_mm - usual)
    return np.asarray(1.0 - fault / max(float(fault.max()), 1e-6))


def _after(panel: _Panel, change: FloatArray, stretch: FloatArray, seat: FloatArray) -> FloatArray:
    """Gap (K,) expected of each run."""
    group = panel.group(np.arange(len(change)), np.arange(len(panel.windows.seam)))
    sizes, seats = gap_rows(group)
    return np.asarray(panel.windows.seated_mm + sizes @ change - group.stretch @ stretch + seats @ seat.ravel())


def _settled(
    panel: _Panel, group: Group, outcome: Outcome, rows: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    w, limits = panel.windows, panel.limits
    # Room for the hand, but never so much that the aim itself would not do.
    room = 0.5 * max(0.0, min(limits.tolerance_mm - limits.aim_mm, limits.aim_mm + limits.press_mm))
    return settle_amounts(
        group if len(outcome.stretch_mm) else group.without_stretches(),
        outcome,
        np.sqrt(w.length_mm[rows] / (w.u_mm[rows] ** 2 + _LEAST_AIM_U_MM**2)),
        w.seated_mm[rows] - limits.aim_mm,
        -limits.press_mm - w.seated_mm[rows],
        limits.tolerance_mm - w.seated_mm[rows],
        np.minimum(limits.allowance_mm(np.hypot(w.u_mm[rows], HAND_MM)), room),
    )


def _out(panel: _Panel, recut: BoolArray, moved_mm: FloatArray, by_mm: float) -> BoolArray:
    """Runs (K,) that are out of what is allowed them by more than ``by_mm``, their gaps changed by moved_mm."""
    lost = np.where(recut[panel.windows.first] | recut[panel.windows.second], panel.allowance, 0.0)
    return np.asarray((moved_mm > panel.need_high - lost + by_mm) | (moved_mm < panel.need_low + lost - by_mm))


def _solve_all(panel: _Panel, trouble: IntArray, deadline: float) -> list[_Solved]:
    """Groups that are each the best and do not get in each other's way."""
    from scipy.sparse.csgraph import connected_components

    w = panel.windows
    count = len(panel.allowed)
    links = csr_array((np.ones(len(trouble)), (w.first[trouble], w.second[trouble])), shape=(count, count))
    _, label = connected_components(links, directed=False)
    beside = np.unique(np.r_[w.first[trouble], w.second[trouble]])
    groups = [beside[label[beside] == one] for one in np.unique(label[beside])]
    solved: dict[bytes, _Solved] = {}
    while True:
        for pieces in groups:
            if pieces.tobytes() not in solved:
                solved[pieces.tobytes()] = _solve_one(panel, pieces, deadline)
        found = [solved[pieces.tobytes()] for pieces in groups]
        in_time = time.monotonic() < deadline
        grown = [_grown(panel, one.pieces) if one.may_grow and in_time else one.pieces for one in found]
        merged = _merged(grown, _in_the_way(panel, found), count)
        if [pieces.tobytes() for pieces in merged] == [pieces.tobytes() for pieces in groups]:
            return found
        groups = merged


def _grown(panel: _Panel, pieces: IntArray) -> IntArray:
    return np.union1d(pieces, panel.neighbour[pieces].indices.astype(np.int64))


def _merged(groups: list[IntArray], pairs: list[tuple[int, int]], count: int) -> list[IntArray]:
    """Groups that share a piece, or are named as a pair, made one; in the order of their first pieces."""
    from scipy.sparse.csgraph import connected_components

    n = len(groups)
    member = csr_array(
        (
            np.ones(sum(map(len, groups))),
            (np.repeat(np.arange(n), [len(g) for g in groups]), np.concatenate(groups)),
        ),
        shape=(n, count),
    )
    links = (member @ member.T).tolil()
    for a, b in pairs:
        links[a, b] = 1.0
    number, label = connected_components(links.tocsr(), directed=False)
    union = [
        np.unique(np.concatenate([g for g, own in zip(groups, label, strict=True) if own == k])) for k in range(number)
    ]
    return sorted(union, key=lambda pieces: int(pieces[0]))


def _in_the_way(panel: _Panel, found: list[_Solved]) -> list[tuple[int, int]]:
    """Pairs of groups whose plans together put a run between them out of limits, or recut both sides of a seam."""
    w, count = panel.windows, len(panel.allowed)
    owner = np.full(count, -1)
    change, seat, recut = np.zeros(count), np.zeros((count, 3)), np.zeros(count, bool)
    stretch = np.zeros(len(panel.stretches.piece))
    for number, one in enumerate(found):
        owner[one.pieces] = number
        changes, further, seats = one.amounts
        change[one.pieces], seat[one.pieces], recut[one.pieces] = changes, seats, one.outcome.recut
        own = np.flatnonzero(np.isin(panel.stretches.piece, one.pieces))
        stretch[own[: len(further)]] = further
    a, b = owner[w.first], owner[w.second]
    between = (a >= 0) & (b >= 0) & (a != b)
    moved = _after(panel, change, stretch, seat) - w.seated_mm
    out = _out(panel, recut, moved, 2 * MISS_MM)
    was_out = (panel.need_high < 0) | (panel.need_low > 0)
    both = recut[w.first] & recut[w.second]
    bad = between & ((out & ~was_out) | both)
    return [(int(x), int(y)) for x, y in zip(a[bad], b[bad], strict=True)]


def _solve_one(panel: _Panel, pieces: IntArray, deadline: float) -> _Solved:
    w = panel.windows
    inside = np.zeros(len(panel.allowed), bool)
    inside[pieces] = True
    touching = np.flatnonzero(inside[w.first] | inside[w.second])
    within = np.flatnonzero(inside[w.first] & inside[w.second])
    group = panel.group(pieces, touching)
    outcome = solve_group(group, deadline)
    if outcome is None:
        outcome = rough_plan(group, _GRACE_S) or _without_solver(group)
        amounts = outcome.change_mm, outcome.stretch_mm, outcome.seat_mm
        return _Solved(pieces, outcome, amounts, 0.0, may_grow=False)
    amounts = _settled(panel, group, outcome, touching)
    if len(within) == len(touching):  # nothing round it
        return _Solved(pieces, outcome, amounts, outcome.cost_bound, may_grow=False)
    least = float(panel.cost[pieces][panel.allowed[pieces]].min(initial=np.inf))
    alone = panel.group(pieces, within)
    needs = np.maximum(alone.need_low, -alone.need_high) > seat_reach(alone)
    miss, stretches, cost, past, both, _ = outcome.goals
    if miss == stretches == both == 0 and past < EQUAL_CHANGE_MM and (cost == 0 or (needs.any() and cost <= least)):
        return _Solved(pieces, outcome, amounts, cost, may_grow=False)
    bound = solve_group(alone, deadline, goals=4)
    if bound is None:
        return _Solved(pieces, outcome, amounts, 0.0, may_grow=False)
    apart = np.array(outcome.goals[:_GOALS_COMPARED]) - np.array(bound.goals[:_GOALS_COMPARED])
    may_grow = bool((apart > np.array([10 * MISS_MM, 0.5, 1e-6, 2 * EQUAL_CHANGE_MM, 0.5])).any())
    return _Solved(pieces, outcome, amounts, bound.cost_bound, may_grow=may_grow)


def _without_solver(group: Group) -> Outcome:
    """Where the time ran out before any answer, a rough one too, no recut is claimed; every seam in the way is named."""
    m, k = len(group.allowed), len(group.seam)
    miss = np.maximum(0.0, np.maximum(group.need_low, -group.need_high))
    return Outcome(
        recut=np.zeros(m, bool),
        change_mm=np.zeros(m),
        stretch_mm=np.zeros(0),
        seat_mm=np.zeros((m, 3)),
        miss_mm=miss if k else np.zeros(0),
        goals=(float(miss.sum()), 0.0, float(group.cost[group.allowed].sum()), 0.0, 0.0, 0.0),
        cost_bound=0.0,
    )


__all__ = ["LARGEST_CHANGE_MM", "Limits", "Selection", "Stretches", "select_pieces"]

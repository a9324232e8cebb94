"""A group of pieces and the runs of seam beside them, and the rows that link changes of offset and seats to gaps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

# An octagon that lies half inside, half outside its circle: the same play in every direction, within 4 %.
_OCTAGON = 0.96
# Cuts repeat, and hands lay, within about a hundredth of a millimetre: common practice, no source.
HAND_MM = 0.01


@dataclass(frozen=True)
class Group:
    """Runs (K,) and pieces (M,) of one programme; a piece index of −1 is one that stays as it is, at its drawn place.

    first, second (K,); seam (K,) numbers of seams
    arm_first, arm_second (K, 3)  change of the gap by a piece's play: along x, along y, turned (mm at its rim)
    need_low, need_high (K,)  low − seated, high − seated
    allowance (K,)  how much of that is benefit of the doubt, lost where a piece beside the run is recut
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
    allowance: FloatArray
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

    goals       total miss, stretches, cost, left past the limits proper (mm), seams with both sides recut, total change:
                what was reached
    cost_bound  no plan costs less
    """

    recut: BoolArray
    change_mm: FloatArray
    stretch_mm: FloatArray
    seat_mm: FloatArray
    miss_mm: FloatArray
    goals: tuple[float, float, float, float, float, float]
    cost_bound: float


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


def limits_with(group: Group, recut: BoolArray, miss_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest change (K,) of each run's gap once it is known which pieces are recut."""
    padded = np.append(recut, False)  # a piece of −1 is not recut
    lost = np.where(padded[group.first] | padded[group.second], group.allowance, 0.0)
    return group.need_low + lost - miss_mm, group.need_high - lost + miss_mm


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


def at_the_edge(group: Group) -> tuple[IntArray, FloatArray]:
    """Pairs of pieces (E, 2) with a run between them past the limits proper, and by how much (E,)."""
    past = np.maximum(group.allowance - group.need_high, group.need_low + group.allowance)
    at = np.flatnonzero(past > 0)
    pairs, number = np.unique(np.column_stack([group.first[at], group.second[at]]), axis=0, return_inverse=True)
    most = np.zeros(len(pairs))
    np.maximum.at(most, number.ravel(), past[at])
    free = (np.where(pairs >= 0, group.allowed[pairs], False)).any(axis=1)
    return pairs[free], most[free]

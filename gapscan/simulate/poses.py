"""Taping: where the pieces come to lie. Random small poses, pushed apart where pieces would overlap.

Small rigid moves are linear: a point x of a piece moves by u(x) = shift + turn × (x − centroid), and the
gap at a station with normal n from A to B is g0 + n·(u_B − u_A), g0 being the gap when every piece lies as
drawn. The poses nearest (L1) to the random targets that keep every gap open are a linear programme.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_OVERLAP_COST = 200.0  # against 1 for a millimetre off the target: overlap only when nothing else is possible


@dataclass(frozen=True)
class Contacts:
    """Stations between pieces: first, second (N,) piece indices, xy_mm (N, 2), normal (N, 2), gap_mm (N,)
    as drawn."""

    first: IntArray
    second: IntArray
    xy_mm: FloatArray
    normal: FloatArray
    gap_mm: FloatArray


@dataclass(frozen=True)
class Bodies:
    """Pieces as rigid bodies: centroid_mm (P, 2), area_mm2 (P,), gyration_mm (P,) radius of gyration."""

    centroid_mm: FloatArray
    area_mm2: FloatArray
    gyration_mm: FloatArray


def gap_rows(bodies: Bodies, contacts: Contacts) -> tuple[IntArray, IntArray, FloatArray]:
    """The matrix of d gap / d (x, y, turn·gyration of each piece) in coordinate form: row, column, value."""
    rows, columns, values = [], [], []
    index = np.arange(len(contacts.first))
    for piece, sign in ((contacts.second, 1.0), (contacts.first, -1.0)):
        arm = contacts.xy_mm - bodies.centroid_mm[piece]
        n = contacts.normal
        twist = (n[:, 1] * arm[:, 0] - n[:, 0] * arm[:, 1]) / bodies.gyration_mm[piece]
        for k, value in enumerate((n[:, 0], n[:, 1], twist)):
            rows.append(index)
            columns.append(3 * piece + k)
            values.append(sign * value)
    return np.concatenate(rows), np.concatenate(columns), np.concatenate(values)


def settle(
    bodies: Bodies, contacts: Contacts, targets: FloatArray, weights: FloatArray, *, clearance_mm: float
) -> FloatArray:
    """Poses (P, 3) = x, y in mm, turn in radians, as near to ``targets`` (same shape) as the contacts allow.

    weights (P,) how much each piece holds on to its target. Raises ValueError when the programme fails.
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_matrix, eye, hstack, vstack

    count = 3 * len(bodies.area_mm2)
    stations = len(contacts.first)
    scale = np.column_stack([np.ones_like(bodies.gyration_mm), np.ones_like(bodies.gyration_mm), bodies.gyration_mm])
    wanted = (targets * scale).ravel()
    row, column, value = gap_rows(bodies, contacts)
    gap = coo_matrix((value, (row, column)), shape=(stations, count))
    none = coo_matrix((stations, count))
    # variables: pose p, deviation d >= |p - wanted|, overlap o >= 0 at each station
    one, slack = eye(count), coo_matrix((count, stations))
    upper = vstack(
        [hstack([-gap, none, -eye(stations)]), hstack([one, -one, slack]), hstack([-one, -one, slack])],
        format="csr",
    )
    limit = np.concatenate([contacts.gap_mm - clearance_mm, wanted, -wanted])
    cost = np.concatenate([np.zeros(count), np.repeat(weights, 3), np.full(stations, _OVERLAP_COST)])
    bounds = [(None, None)] * count + [(0.0, None)] * (count + stations)
    result = linprog(cost, A_ub=upper, b_ub=limit, bounds=bounds, method="highs")
    if not result.success:
        raise ValueError(f"the pieces could not be laid out: {result.message}")
    return np.asarray(result.x[:count]).reshape(-1, 3) / scale


def remove_common_motion(bodies: Bodies, poses: FloatArray) -> FloatArray:
    """Take the shift and turn of the whole fit out: least squares over the pieces' areas; (P, 3)."""
    root = np.sqrt(bodies.area_mm2)
    middle = np.average(bodies.centroid_mm, axis=0, weights=bodies.area_mm2)
    arm = bodies.centroid_mm - middle
    zero = np.zeros_like(root)
    table = np.vstack(
        [
            np.column_stack([root, zero, -root * arm[:, 1]]),
            np.column_stack([zero, root, root * arm[:, 0]]),
            np.column_stack([zero, zero, root * bodies.gyration_mm]),
        ]
    )
    value = np.concatenate([root * poses[:, 0], root * poses[:, 1], root * bodies.gyration_mm * poses[:, 2]])
    common = np.linalg.lstsq(table, value, rcond=None)[0]
    left = poses.copy()
    left[:, 0] -= common[0] - common[2] * arm[:, 1]
    left[:, 1] -= common[1] + common[2] * arm[:, 0]
    left[:, 2] -= common[2]
    return left

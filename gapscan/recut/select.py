"""Choose the pieces to recut: an exact mixed-integer programme over offsets and seats.

Each piece may sit a little off its drawn place (the play of a careful seat), but not be squeezed across the panel to
spread one piece's fault over its neighbours: the fit must come right where the pieces belong. With z_i ∈ {0, 1} (recut
or not), Δ_i the change of outward offset and p_i the seat's play, every 3 mm run of seam between A and B must satisfy

    −press ≤ seated − Δ_A − Δ_B + n·(p_B − p_A) ≤ tolerance        |Δ_i| ≤ z_i · Δ_max

First the fewest pieces (weighted equally), then the fewest seams with both sides recut, then the pieces whose own size
is most at fault. Solved with HiGHS through scipy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix

from gapscan.recut.windows import SeamWindows

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

LARGEST_CHANGE_MM = 1.0
SEAT_PLAY_OF_TOLERANCE = 0.10
_BOTH_SIDES_COST = 0.01
_PREFERENCE_COST = 0.004
_MISS_COST_PER_MM = 2000.0


@dataclass(frozen=True)
class Limits:
    """What a seam may be after the recut, in mm, and how sure of it to be (in standard uncertainties)."""

    tolerance_mm: float
    press_mm: float
    sureness: float = 1.0


@dataclass(frozen=True)
class Selection:
    """recut (P,) pieces chosen; change_mm (P,) a feasible change; missed (S',) seam indices that stay out of limits."""

    recut: BoolArray
    change_mm: FloatArray
    missed: IntArray
    proven: bool


def select_pieces(
    windows: SeamWindows,
    undersize_mm: FloatArray,
    radius_mm: FloatArray,
    allowed: BoolArray,
    limits: Limits,
    *,
    time_limit_s: float = 8.0,
) -> Selection:
    """The smallest allowed set of pieces whose change of offset brings every run of seam within limits.

    undersize_mm (P,) breaks ties; radius_mm (P,) largest distance from a piece's centroid; allowed (P,).
    Where no set does, the runs that cannot be helped are left out of limits by as little as possible.
    """
    pieces = len(undersize_mm)
    if len(windows.seam) == 0:
        return Selection(np.zeros(pieces, bool), np.zeros(pieces), np.zeros(0, np.int64), True)
    # Little seen, little claimed: beyond 0.02 mm of uncertainty a recut asks for ever stronger evidence.
    sureness = limits.sureness * (1.0 + np.minimum(2.0, (windows.u_mm / 0.02) ** 2))
    low = -limits.press_mm - sureness * windows.u_mm
    high = limits.tolerance_mm + sureness * windows.u_mm
    play = SEAT_PLAY_OF_TOLERANCE * limits.tolerance_mm
    slack_needed = np.maximum(windows.seated_mm - high, low - windows.seated_mm)
    if slack_needed.max() <= 0:  # every run is within limits at its drawn place
        return Selection(np.zeros(pieces, bool), np.zeros(pieces), np.zeros(0, np.int64), True)
    found = None
    for elastic in (False, True) if _reachable(windows, allowed, slack_needed, play).all() else (True,):
        found = found or _solve(
            windows, undersize_mm, radius_mm, allowed, low, high, play, elastic=elastic, time_limit_s=time_limit_s
        )
    if found is None:  # the time ran out before any answer: no recut is claimed, every seam in the way is named
        outside = np.unique(windows.seam[slack_needed > 0])
        return Selection(np.zeros(pieces, bool), np.zeros(pieces), outside, False)
    return found


def _reachable(windows: SeamWindows, allowed: BoolArray, needed: FloatArray, play: float) -> BoolArray:
    """Runs that some allowed recut, or the seats' play, can bring within limits (a quick test before the solver)."""
    return np.asarray(allowed[windows.first] | allowed[windows.second] | (needed <= 2 * play))


def _solve(
    windows: SeamWindows,
    undersize_mm: FloatArray,
    radius_mm: FloatArray,
    allowed: BoolArray,
    low: FloatArray,
    high: FloatArray,
    play: float,
    *,
    elastic: bool,
    time_limit_s: float,
) -> Selection | None:
    """Columns: z (P), Δ (P), play x, y, turn·radius (3P), both-sides flags (S), misses (S if elastic)."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    P = len(undersize_mm)
    seams, first_row = np.unique(windows.seam, return_index=True)
    S = len(seams)
    number = np.searchsorted(seams, windows.seam)
    columns = 5 * P + S + (S if elastic else 0)

    rows = _gap_rows(windows, P, radius_mm, columns)
    if elastic:
        k = np.arange(len(number))
        miss = coo_matrix((np.ones(len(k)), (k, 5 * P + S + number)), shape=(len(k), columns)).tocsr()
        constraints = [
            LinearConstraint(rows - miss, -np.inf, high - windows.seated_mm),
            LinearConstraint(rows + miss, low - windows.seated_mm, np.inf),
        ]
    else:
        constraints = [LinearConstraint(rows, low - windows.seated_mm, high - windows.seated_mm)]
    i = np.arange(P)
    ones = np.ones(P)
    for sign in (1.0, -1.0):  # |Δ_i| ≤ z_i Δ_max
        link = coo_matrix(
            (np.r_[sign * ones, -LARGEST_CHANGE_MM * ones], (np.r_[i, i], np.r_[P + i, i])), shape=(P, columns)
        ).tocsr()
        constraints.append(LinearConstraint(link, -np.inf, 0.0))
    s = np.arange(S)
    a, b = windows.first[first_row], windows.second[first_row]
    both = coo_matrix(
        (np.r_[np.ones(2 * S), -np.ones(S)], (np.r_[s, s, s], np.r_[a, b, 5 * P + s])), shape=(S, columns)
    ).tocsr()
    constraints.append(LinearConstraint(both, -np.inf, 1.0))

    # Of two pieces the median says nothing: the one nearer to its drawing is taken as usual.
    usual = np.median(undersize_mm) if P > 2 else undersize_mm[np.argmin(np.abs(undersize_mm))]
    fault = np.abs(undersize_mm - usual)
    preference = 1.0 - fault / max(float(fault.max()), 1e-6)
    cost = np.zeros(columns)
    cost[:P] = 1.0 + _PREFERENCE_COST * preference
    cost[5 * P : 5 * P + S] = _BOTH_SIDES_COST
    lower, upper = np.zeros(columns), np.ones(columns)
    upper[:P] = allowed
    lower[P : 2 * P], upper[P : 2 * P] = -LARGEST_CHANGE_MM, LARGEST_CHANGE_MM
    lower[2 * P : 5 * P], upper[2 * P : 5 * P] = -0.7 * play, 0.7 * play
    if elastic:
        cost[5 * P + S :] = _MISS_COST_PER_MM
        upper[5 * P + S :] = np.inf
    integer = np.zeros(columns)
    integer[:P] = 1
    answer = milp(
        cost,
        constraints=constraints,
        integrality=integer,
        bounds=Bounds(lower, upper),
        options={"time_limit": time_limit_s, "mip_rel_gap": 1e-4},
    )
    if answer.x is None:
        return None
    recut = np.asarray(answer.x[:P] > 0.5)
    missed = seams[answer.x[5 * P + S :] > 1e-4] if elastic else np.zeros(0, np.int64)
    return Selection(recut, np.where(recut, answer.x[P : 2 * P], 0.0), missed, answer.status == 0)


def _gap_rows(windows: SeamWindows, P: int, radius_mm: FloatArray, columns: int) -> csr_matrix:
    """(K, columns): change of each run's gap by Δ and seats; turns are scaled to mm at the piece's rim."""
    k = np.arange(len(windows.seam))
    r, c, v = [], [], []
    for piece, cross, side in ((windows.first, windows.cross_first, -1.0), (windows.second, windows.cross_second, 1.0)):
        r += [k, k, k, k]
        c += [P + piece, 2 * P + piece, 3 * P + piece, 4 * P + piece]
        v += [
            -np.ones(len(k)),
            side * windows.normal[:, 0],
            side * windows.normal[:, 1],
            side * cross / radius_mm[piece],
        ]
    return coo_matrix((np.concatenate(v), (np.concatenate(r), np.concatenate(c))), shape=(len(k), columns)).tocsr()

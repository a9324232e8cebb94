"""How much of an asked change of offset the shop's cut gives: one figure for the shop, from all recut pieces.

A cut that takes off more or less than the one before, a tape that draws, an edge that is sanded: whatever the cause, the
size changes by the response times the change asked for, and the next change must be what is wanted over the response.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.rounds.types import Response

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

PRIOR = Response(1.0, 0.1)  # judgement, no source: what is cut differs from what is asked by some ten percent
BELIEVED = (0.5, 1.5)  # judgement, no source
_REPEAT_MM = 0.005  # by which a cut differs from the next one of the same outline: judgement, no source
_OUTLIER = 3.0


def weighted_mean(values: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Mean (N,) weighted by 1/u², and its standard uncertainty 1/√Σ(1/u²), of uncorrelated values (u > 0).

    Least squares of one quantity observed several times; the uncertainty follows from JCGM 100, 5.1.2.
    """
    weight = 1.0 / np.square(u)
    return float((weight * values).sum() / weight.sum()), float(1.0 / np.sqrt(weight.sum()))


def shop_response(prior: Response, asked_mm: FloatArray, got_mm: FloatArray, covariance: FloatArray) -> Response:
    """The response after what was seen of recut pieces.

    asked_mm, got_mm (N,), asked not 0; covariance (N, N) of got [mm²]. Single responses get weights 1/u². The uncertainty
    of their mean is wᵀCw, correlation included (JCGM 100, 5.2.2); where they scatter by more than their uncertainty it is
    widened by the root of χ²/(N−1) (Birge's ratio, Phys. Rev. 40, 1932, 207; cited from memory). Deaf to single pieces
    that were not cut as asked: :func:`trusted`. What is known before is one more reading.
    """
    if len(asked_mm) == 0:
        return Response(prior.figure, prior.u)
    C = (covariance + np.diag(np.full(len(asked_mm), _REPEAT_MM**2))) / np.outer(asked_mm, asked_mm)
    each, u_each = got_mm / asked_mm, np.sqrt(np.diag(C))
    use = trusted(each, u_each)
    each, u_each, C = each[use], u_each[use], C[np.ix_(use, use)]
    mean, _ = weighted_mean(each, u_each)
    w = u_each**-2 / (u_each**-2).sum()
    u = float(np.sqrt(max(w @ C @ w, 0.0)))
    if len(each) > 1:
        birge = float(np.sqrt((((each - mean) / u_each) ** 2).sum() / (len(each) - 1)))
        u *= max(1.0, birge)
    figure, u_figure = weighted_mean(np.array([prior.figure, mean]), np.array([prior.u, max(u, 1e-4)]))
    low, high = BELIEVED
    if low <= mean <= high:
        return Response(figure, u_figure, len(each))
    kept = min(max(figure, low), high)
    return Response(kept, max(u_figure, PRIOR.u), len(each), believed=False)


def trusted(each: FloatArray, u: FloatArray) -> BoolArray:
    """Which single responses (N,) make the common one.

    Left out are those that cannot be believed (outside ``BELIEVED`` by more than 2 u) where others can, and of three or
    more those more than 3 u from the weighted median.
    """
    use = (each + 2 * u >= BELIEVED[0]) & (each - 2 * u <= BELIEVED[1])
    if not use.any():
        use[:] = True
    if use.sum() >= 3:
        order = np.flatnonzero(use)[np.argsort(each[use])]
        share = np.cumsum(u[order] ** -2)
        middle = each[order[np.searchsorted(share, 0.5 * share[-1])]]
        near = use & (np.abs(each - middle) <= _OUTLIER * u)
        use = near if near.any() else use
    return use

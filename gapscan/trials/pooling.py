"""Random-effects mean of paired differences whose errors may be correlated.

Model: dᵢ = μ + bᵢ + eᵢ, b ~ N(0, τ²) independent from piece to piece (another cut of the same piece comes out a little
different), e ~ N(0, V) with V known from the measurement. Turned into the eigenvectors of V everything is diagonal, and
with a diagonal V it is the random-effects meta-analysis of k studies.

τ² by restricted maximum likelihood (Raudenbush in Cooper, Hedges & Valentine, Handbook of Research Synthesis and
Meta-Analysis, 2009, chapter 16; from memory); interval of μ by Hartung and Knapp (Statistics in Medicine 20, 2001,
3875-3889; from memory), for correlated errors as Jackson and Riley (Statistics in Medicine 33, 2014, 1183-1197; from
memory). With equal uncertainties that is the paired t interval, exactly.

What a whole photo shares is no scatter between pieces and cannot be seen in it: it is added once, as one more component
of variance, whatever the number of pieces (JCGM 100, 5.1.2), and the effective degrees of freedom are those of Welch and
Satterthwaite (JCGM 100, G.4.1).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gapscan.trials.types import Estimate

FloatArray = NDArray[np.float64]

LEVEL = 0.95
_LEAST_MM2 = 1e-10
_GRID = 60
_MANY = 1e6


def between_variance(difference: FloatArray, covariance: FloatArray) -> float:
    """τ² [unit²] by restricted maximum likelihood from k ≥ 2 differences (k,) and their error covariance (k, k)."""
    values, vectors = _eigen(covariance)
    return _reml(values, vectors.T @ difference, vectors.sum(axis=0))


def pooled(
    difference: FloatArray, covariance: FloatArray, common: tuple[FloatArray, ...] = (), *, tau2: float | None = None
) -> Estimate:
    """Mean of the differences (k,) with its 95 % interval.

    covariance  (k, k) errors of the differences, without the common ones
    common      any number of (k,): influences that move all differences together, each by its standard uncertainty
    tau2        the between variance, where it is known; None: :func:`between_variance`

    One difference alone gives no interval (NaN). Raises ValueError for none.
    """
    from scipy.stats import t as student

    k = len(difference)
    if k == 0:
        raise ValueError("no differences to pool")
    if k == 1:
        shared = math.sqrt(sum(float(c[0]) ** 2 for c in common))
        own = math.sqrt(max(float(covariance[0, 0]), 0.0))
        nan = math.nan
        return Estimate(1, float(difference[0]), math.hypot(own, shared), own, shared, nan, nan, nan, 0.0, 1.0)
    values, vectors = _eigen(covariance)
    d, one = vectors.T @ difference, vectors.sum(axis=0)
    tau2 = _reml(values, d, one) if tau2 is None else tau2
    w = 1.0 / (values + tau2)
    total = float((w * one**2).sum())
    mean = float((w * one * d).sum()) / total
    own2 = float((w * (d - mean * one) ** 2).sum()) / (k - 1) / total
    weight = vectors @ (w * one) / total
    shared2 = sum(float(weight @ c) ** 2 for c in common)
    freedom = effective_freedom(own2, shared2, k - 1)
    u = math.sqrt(own2 + shared2)
    reach = float(student.ppf(0.5 + LEVEL / 2, freedom)) * u
    p = 2.0 * float(student.sf(abs(mean) / u, freedom)) if u > 0 else float(mean == 0.0)
    return Estimate(
        count=k,
        mean_mm=mean,
        u_mm=u,
        own_mm=math.sqrt(own2),
        common_mm=math.sqrt(shared2),
        low_mm=mean - reach,
        high_mm=mean + reach,
        spread_mm=math.sqrt(tau2),
        freedom=freedom,
        p=p,
    )


def effective_freedom(own2: float, shared2: float, freedom: float) -> float:
    """Welch-Satterthwaite (JCGM 100, equation G.2b): the shared part is taken as known, with infinite freedom."""
    if own2 <= 0.0:
        return _MANY
    return min(freedom * ((own2 + shared2) / own2) ** 2, _MANY)


def _eigen(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    # Rounding in the record can take a covariance just out of the positive matrices.
    return np.maximum(values, max(_LEAST_MM2, 1e-9 * float(values.max(initial=0.0)))), vectors


def _reml(values: FloatArray, d: FloatArray, one: FloatArray) -> float:
    """Maximum of the restricted likelihood: the best of a grid, then refined between its neighbours."""
    from scipy.optimize import minimize_scalar

    def losses(tau2: FloatArray) -> FloatArray:
        w = 1.0 / (values + tau2[:, None])
        total = (w * one**2).sum(axis=1)
        mean = (w * (one * d)).sum(axis=1) / total
        left = (w * (d - mean[:, None] * one) ** 2).sum(axis=1)
        return np.asarray(-np.log(w).sum(axis=1) + np.log(total) + left)

    def loss(tau2: float) -> float:
        return float(losses(np.array([tau2]))[0])

    top = 20.0 * float(np.square(d).sum()) / len(d) + float(values.max())
    grid = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, _GRID)])
    best = int(np.argmin(losses(grid)))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _GRID)])
    found = float(minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-9 * top}).x)
    return found if loss(found) < loss(0.0) else 0.0

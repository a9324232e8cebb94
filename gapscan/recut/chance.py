"""How probable it is that a plan holds, given how well the sizes and the gaps are known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.recut.types import SeamWindows

FloatArray = NDArray[np.float64]

_DRAWS = 400  # pairs of opposite draws: chances come out to some 0.02
_LEAST_OWN_U_MM = 5e-4


def over_chances(after_mm: FloatArray, u_mm: FloatArray, tolerance_mm: float) -> FloatArray:
    """Probability (K,) that each run's gap is over tolerance, its error normal with standard uncertainty u_mm."""
    from scipy.special import ndtr

    return np.asarray(ndtr((after_mm - tolerance_mm) / np.maximum(u_mm, _LEAST_OWN_U_MM)))


def plan_chances(
    windows: SeamWindows,
    after_mm: FloatArray,
    size_covariance: FloatArray,
    low_mm: float,
    high_mm: float,
) -> tuple[FloatArray, float]:
    """Probability (P,) that all runs of a piece's seams lie within limits after the plan, and that all runs do.

    after_mm (K,) expected gaps. Errors of sizes are normal with size_covariance (P, P), which carries what seams share;
    what else makes up u_mm is taken as independent from run to run. The next cut is taken to lose what the last one
    did: a laser's own spread from cut to cut is not in these figures. Means over fixed draws of the sizes (antithetic
    Monte Carlo), within each of which the runs' probabilities are multiplied.
    """
    from scipy.special import ndtr

    count = len(size_covariance)
    if len(windows.seam) == 0:
        return np.ones(count), 1.0
    a, b = windows.first, windows.second
    both = size_covariance[a, a] + size_covariance[b, b] + 2 * size_covariance[a, b]
    own = np.sqrt(np.maximum(windows.u_mm**2 - both, _LEAST_OWN_U_MM**2))
    half = np.random.default_rng(0).standard_normal((_DRAWS // 2, count))
    draws = np.vstack([half, -half]) @ _root(size_covariance).T
    pieces, whole = np.zeros(count), 0.0
    for size in draws:
        gap = after_mm + size[a] + size[b]
        inside = ndtr((high_mm - gap) / own) - ndtr((low_mm - gap) / own)
        log = np.log(np.maximum(inside, 1e-300))
        pieces += np.exp(np.bincount(a, weights=log, minlength=count) + np.bincount(b, weights=log, minlength=count))
        whole += float(np.exp(log.sum()))
    return np.minimum(pieces / _DRAWS, 1.0), min(whole / _DRAWS, 1.0)


def _root(covariance: FloatArray) -> FloatArray:
    """L (P, P) with L Lᵀ = covariance (Cholesky), which a hair on the diagonal keeps positive definite."""
    return np.asarray(np.linalg.cholesky(covariance + _LEAST_OWN_U_MM**2 / 100 * np.eye(len(covariance))))

"""How many pieces would tell a difference of a given size."""

from __future__ import annotations

import math

import numpy as np

from gapscan.trials.pooling import LEVEL, effective_freedom

POWER = 0.8  # the usual convention (Cohen, Statistical Power Analysis for the Behavioral Sciences, 1988; from memory)
_MOST = 1_000_000
_POINTS = 4000


def power(count: int, difference_mm: float, scatter_mm: float, common_mm: float) -> float:
    """Probability that ``count`` pieces show a true difference as one, at 95 % two-sided.

    scatter_mm  standard deviation of one piece's difference; common_mm  what a whole photo shares, in the mean

    The noncentral t distribution with noncentrality δ/u (Cohen 1988, chapter 2; from memory), u² = s²/n + c², degrees
    of freedom by Welch and Satterthwaite. Without a common part it is the power of the paired t test.
    """
    from scipy.stats import chi2, norm
    from scipy.stats import t as student

    if count < 2:
        return 0.0
    own2 = scatter_mm**2 / count
    u = math.sqrt(own2 + common_mm**2)
    if u == 0.0:
        return 1.0 if difference_mm else 0.0
    away = abs(difference_mm) / u
    freedom = effective_freedom(own2, common_mm**2, count - 1)
    limit = float(student.ppf(0.5 + LEVEL / 2, freedom))
    # The noncentral t by its definition, a normal over the root of a chi-square: the usual series fails far out.
    at = (np.arange(_POINTS) + 0.5) / _POINTS
    estimated = np.sqrt(chi2.ppf(at, freedom) / freedom)
    return float((norm.sf(limit * estimated - away) + norm.cdf(-limit * estimated - away)).mean())


def pieces_needed(difference_mm: float, scatter_mm: float, common_mm: float) -> int | None:
    """The fewest pieces with a power of 80 %; None where no number has it, since the common part does not average out."""
    if power(_MOST, difference_mm, scatter_mm, common_mm) < POWER:
        return None
    low, high = 1, 2
    while power(high, difference_mm, scatter_mm, common_mm) < POWER:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if power(middle, difference_mm, scatter_mm, common_mm) < POWER:
            low = middle
        else:
            high = middle
    return high

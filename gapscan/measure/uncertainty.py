"""Standard uncertainties combined: independent sources at one place, and the mean of many places.

JCGM 100:2008, "Evaluation of measurement data - Guide to the expression of uncertainty in measurement" (GUM).
Contributions are given in the unit of the result, sensitivity coefficients already in them. Degrees of freedom are not
carried: no figure is shown with an expanded uncertainty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Errors of neighbouring stations go together: they share pixels and grain. Means of a millimetre (four stations) scatter
# by 0.5 to 0.6 of a station's noise in simulated photos, as of three to four independent readings.
CORRELATION_LENGTH_MM = 0.5


def combined(first: FloatArray | float, *more: FloatArray | float) -> FloatArray:
    """Combined standard uncertainty of uncorrelated contributions (JCGM 100, 5.1.2, equation 10): √Σ (c_i u_i)².

    Each is a number or an array in the unit of the result; they are broadcast against each other. NaN stays NaN.
    """
    total = np.square(np.asarray(first, dtype=float))
    for part in more:
        total = total + np.square(part)
    return np.asarray(np.sqrt(total))


def mean_uncertainty(u_mm: FloatArray, u_shared_mm: FloatArray, *, step_mm: float) -> float:
    """Standard uncertainty of the mean over stations ``step_mm`` apart: √(ū_i²/n + ū_s²), in mm.

    u_mm (N,) of each station, u_shared_mm (N,) the part of it that all stations share (at least one station). The rest
    is a station's own and averages out over n = seen length / 0.5 mm independent readings, at least one; the shared part
    is fully correlated and does not (JCGM 100, 5.2.2, note 1: fully correlated contributions add up linearly).
    """
    own_squared = np.maximum(u_mm**2 - u_shared_mm**2, 0.0)
    independent = independent_readings(u_mm.size, step_mm)
    return float(combined(np.sqrt(own_squared.mean() / independent), float(u_shared_mm.mean())))


def independent_readings(stations: int, step_mm: float) -> float:
    """How many independent readings so many stations are worth: at least one, at most as many as there are."""
    return float(min(max(1.0, stations * step_mm / CORRELATION_LENGTH_MM), max(stations, 1)))

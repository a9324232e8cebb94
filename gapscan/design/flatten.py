"""Curves to polylines.

Every curve is cut at even steps of its own parameter, the number of steps taken from a bound that reads the
same from both ends. Two neighbours that draw one curve in opposite directions so get the same vertices, up to
rounding. All input is in millimetres, after every transform: the tolerance then holds on the sheet.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

CHORD_MM = 0.002
# A full circle of 6 m radius needs about 4000 steps at 0.002 mm; more is a drawing that the size check
# refuses.
_MAX_STEPS = 4096
# A shallow curve that one chord would do for is cut into four, so that its vertices still tell it from a straight edge;
# below a tenth of a step (a bulge of a hundredth of the tolerance) it is one.
_FEWEST, _STRAIGHT = 4, 0.1


def flatten_cubic(control_mm: FloatArray, *, chord_mm: float = CHORD_MM) -> FloatArray:
    """Points of a cubic Bézier after its start.

    ``control_mm`` is (4, 2), the result (n, 2) and ends exactly at the last control point. A chord over a
    step 1/n leaves the curve by at most ``max|p''| / (8 n²)``, and ``|p''| <= 6 max|second difference|`` of
    the control points (convex hull of the second derivative).
    """
    p = control_mm
    bend = np.hypot(*(p[:-2] - 2 * p[1:-1] + p[2:]).T).max()
    t = _parameters(math.sqrt(0.75 * bend / chord_mm))
    s = 1 - t
    # grouped in pairs so that reversing the control points gives the same sums
    points: FloatArray = (s**3 * p[0] + t**3 * p[3]) + (3 * s**2 * t * p[1] + 3 * s * t**2 * p[2])
    points[-1] = p[3]
    return points


def flatten_quadratic(control_mm: FloatArray, *, chord_mm: float = CHORD_MM) -> FloatArray:
    """Points of a quadratic Bézier after its start; ``control_mm`` (3, 2), ``|p''| = 2 |second diff.|``."""
    p = control_mm
    bend = float(np.hypot(*(p[0] - 2 * p[1] + p[2])))
    t = _parameters(math.sqrt(0.25 * bend / chord_mm))
    s = 1 - t
    points: FloatArray = (s**2 * p[0] + t**2 * p[2]) + 2 * s * t * p[1]
    points[-1] = p[2]
    return points


def flatten_arc(
    centre_mm: FloatArray,
    axes_mm: FloatArray,
    *,
    start_rad: float,
    sweep_rad: float,
    chord_mm: float = CHORD_MM,
) -> FloatArray:
    """Points of an elliptical arc after its start.

    The arc is ``centre + cos(a) axes[0] + sin(a) axes[1]`` for ``a`` from ``start_rad`` over ``sweep_rad``;
    ``axes_mm`` is (2, 2) and need not be orthogonal (conjugate half diameters of a sheared circle serve as
    well). A chord leaves it by at most ``R da² / 8`` with R the largest singular value of ``axes``.
    """
    widest = float(np.linalg.norm(axes_mm, 2))
    steps = abs(sweep_rad) * math.sqrt(widest / (8 * chord_mm))
    # whole turns in multiples of four keep the four extreme points
    t = _parameters(steps, multiple=4 if abs(sweep_rad) > 2 * math.pi - 1e-9 else 1)
    angle = start_rad + t * sweep_rad
    return np.asarray(centre_mm + np.cos(angle) * axes_mm[0] + np.sin(angle) * axes_mm[1])


def _parameters(steps: float, *, multiple: int = 1) -> FloatArray:
    """(n, 1) even parameters in (0, 1]; ``steps`` is rounded first so that both directions agree on n."""
    if not math.isfinite(steps):
        return np.ones((1, 1))
    whole = math.ceil(round(min(steps, _MAX_STEPS), 6))
    if round(steps, 6) > _STRAIGHT:
        whole = max(whole, _FEWEST)
    n = max(1, -(-whole // multiple)) * multiple
    return (np.arange(1, n + 1) / n)[:, None]

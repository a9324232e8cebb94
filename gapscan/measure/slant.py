"""What a slanted line of sight hides of a slit, and where it sees the slit's two edges.

Cross-section normal to the seam, piece A on the left (lower x), B on the right; upper face at height t, lower face on
the lightbox. Each wall is a straight line between the two faces; a piece's larger face reaches the line ``a_L`` (or
``b_L``), its smaller face stands back by ``τ = t · tan(taper)``. A ray that crosses the upper face at x crosses the
lower face at x − δ. Then the slit seen, in upper-face coordinates, is

    from max(a_upper, a_lower + δ)   to   min(b_upper, b_lower + δ)

so each seen edge differs from the larger face's line by an amount that depends on τ, δ and the facing only. The clear
gap square-on is b_L − a_L: the larger faces limit what a feeler passes, whichever side they are on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def left_edge_seen(delta_mm: FloatArray, setback_mm: FloatArray, upper_small: BoolArray) -> FloatArray:
    """Seen left edge minus a_L (all (N,)): ``max(−τ, δ)`` when the upper face is the smaller, else ``max(0, δ − τ)``."""
    return np.where(upper_small, np.maximum(-setback_mm, delta_mm), np.maximum(0.0, delta_mm - setback_mm))


def right_edge_seen(delta_mm: FloatArray, setback_mm: FloatArray, upper_small: BoolArray) -> FloatArray:
    """Seen right edge minus b_L (all (N,)): the mirror image of :func:`left_edge_seen`."""
    return -left_edge_seen(-delta_mm, setback_mm, upper_small)


def hidden_width(
    delta_mm: FloatArray, setback_mm: FloatArray, upper_small_left: BoolArray, upper_small_right: BoolArray
) -> FloatArray:
    """Clear gap minus seen width, (N,): positive where the view hides part of the gap.

    Negative where a slanted view looks along nested leaning walls and sees more than a feeler would pass.
    """
    return left_edge_seen(delta_mm, setback_mm, upper_small_left) - right_edge_seen(
        delta_mm, setback_mm, upper_small_right
    )

"""Figures as plain data for records."""

from __future__ import annotations

import math


def rounded(value: float | None, digits: int = 4) -> float | None:
    """A finite float, rounded (a tenth of a µm: far below any uncertainty here); None for what is missing.

    Minus zero becomes zero.
    """
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0

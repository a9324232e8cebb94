"""Values of a picture at scattered points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_COLUMNS = 16384  # OpenCV's remap takes at most 32767 columns
_OUTSIDE_PX = -10.0


def sample(image: NDArray[np.float32], uv: FloatArray, *, cubic: bool = False) -> FloatArray:
    """Interpolated values of an image (H, W) at points (..., 2) in u, v order.

    Bilinear with 0 outside the picture, or cubic (Keys' kernel, which sums to one at every phase) with the border
    continued.
    """
    import cv2

    shape = uv.shape[:-1]
    flat = uv.reshape(-1, 2).astype(np.float32)
    rows = -(-len(flat) // _COLUMNS)
    padded = np.full((rows * _COLUMNS, 2), _OUTSIDE_PX, np.float32)
    padded[: len(flat)] = flat
    grid = padded.reshape(rows, _COLUMNS, 2)
    kernel, border = (cv2.INTER_LANCZOS4, cv2.BORDER_REPLICATE) if cubic else (cv2.INTER_LINEAR, cv2.BORDER_CONSTANT)
    out = cv2.remap(image, grid[..., 0], grid[..., 1], kernel, borderMode=border, borderValue=0)
    return np.asarray(out, dtype=float).ravel()[: len(flat)].reshape(shape)

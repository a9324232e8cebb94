"""What makes a seen width unsure, by source: the same for seams and for the frame's check slots."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.blur import Blur
from gapscan.measure.types import Budget
from gapscan.measure.uncertainty import combined

FloatArray = NDArray[np.float64]

_TONE_REL_U = 0.006  # the sRGB curve against the camera's own
_NARROW_PER_SIGMA = 0.6
_GLARE_REL_U = 0.001
_GLARE_FLOOR_MM = 1e-4
_UNSEEN_VEIL = 0.02
_VEIL_SHARE = float(np.sqrt(12.0))  # anything from none of the veil to all of it may be halo (JCGM 100, 4.3.7)
_NOISE_FLOOR_MM = 2e-4
_FRAME_REACH_MM = 50.0  # the frame's misfit is a matter of so long a stretch


def width_budget(
    width_mm: FloatArray,
    u_fit_mm: FloatArray,
    shape_u: FloatArray,
    per_sigma: FloatArray,
    *,
    blur: Blur,
    bare_rel_u: float,
    veil: float | None,
    reference_rms_mm: float,
) -> Budget:
    """Standard uncertainty of seen slit widths (N,) by source; the slanted view is none of them and comes out as 0.

    u_fit_mm (N,) from the fit's residuals; shape_u, per_sigma (N,) as in :class:`~gapscan.measure.line_spread.ShapeEffect`;
    bare_rel_u relative, of the bare light; veil: light of the opaque card as a share of the bare light, None: not seen.
    """
    width = np.maximum(width_mm, 0.0)
    veil = _UNSEEN_VEIL if veil is None else veil
    return Budget(
        noise=np.maximum(u_fit_mm * blur.correlation, _NOISE_FLOOR_MM),
        bare_light=width * bare_rel_u,
        # A curve or a blur taken wrongly moves the edges of a wide slit, but scales a narrow one.
        tone=width * _TONE_REL_U * np.minimum(per_sigma / _NARROW_PER_SIGMA, 1.0),
        blur=width * combined(shape_u, per_sigma * blur.relative_u),
        glare=width * max(_GLARE_REL_U, veil / _VEIL_SHARE) + _GLARE_FLOOR_MM,
        slant=np.zeros(len(width)),
        scale=width * reference_rms_mm / _FRAME_REACH_MM,
    )

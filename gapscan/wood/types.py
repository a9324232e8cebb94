"""What the wood is expected to do between the bench and its place of use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.wood.moisture import Moisture

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Movement:
    """Expected change of the gaps from the air at cutting and photo to that in use; positive: the gap opens.

    seam_ids      ids of the S seams
    run_mm, u_run_mm    (K,) at each run of seam (:class:`gapscan.recut.types.SeamWindows`), with standard uncertainty; NaN
                  where the grain or the species of a piece beside it is not known
    seam_mm, u_seam_mm  (S,) mean over the seam, likewise
    why           (S,) why there is no figure, in words; "" where there is one
    cut, use      moisture content of the wood; u_change_percent  standard uncertainty of their difference
    unknown       sentences: what is missing in the job file
    """

    seam_ids: tuple[str, ...]
    run_mm: FloatArray
    u_run_mm: FloatArray
    seam_mm: FloatArray
    u_seam_mm: FloatArray
    why: tuple[str, ...]
    cut: Moisture
    use: Moisture
    u_change_percent: float
    unknown: tuple[str, ...]

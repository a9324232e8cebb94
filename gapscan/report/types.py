"""One inspection, whole: what every writer is given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.check_slots import CheckSlot
from gapscan.measure.types import GapSurvey
from gapscan.recut.types import Past, RecutPlan
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PhotoRecord:
    """Facts of one photo. ``u_camera_height_mm`` is a standard uncertainty; NaN where a figure is unknown.

    check      the frame's check slots, where the job file gives their widths
    bare_file, bare_relative_u  photo of the empty lightbox ("" for none), and how well the bare light is known
    """

    file: str
    px_per_mm: float
    view: str
    camera_height_mm: float
    u_camera_height_mm: float
    reference_rms_mm: float
    warnings: tuple[str, ...] = ()
    check: tuple[CheckSlot, ...] = ()
    bare_file: str = ""
    bare_relative_u: float = float("nan")


@dataclass(frozen=True)
class SeamTrace:
    """Where the stations of one seam lie in the first photo.

    px  (N, 2) pixel (u, v), in step with ``survey.seams[...].stations``; NaN where a station has no place in
        it
    """

    id: str
    px: FloatArray


@dataclass(frozen=True)
class PieceTrace:
    """Where one piece lies in the first photo.

    anchor_px   (2,) pixel (u, v) of a point well inside the piece, for its label
    outline_px  closed rings, each (M, 2) pixel (u, v): the outer boundary first, then holes
    """

    id: str
    anchor_px: FloatArray
    outline_px: tuple[FloatArray, ...]


@dataclass(frozen=True)
class RoundNews:
    """How this dry fit stands against the round before.

    block  the fit record's block ``round``, plain data
    lines  the same for the list in the terminal
    past   what it says of the next cut
    """

    block: dict[str, Any]
    lines: tuple[str, ...]
    past: Past


@dataclass(frozen=True)
class Inspection:
    """Everything that one run found, in the order in which it was found.

    display_bgr  (H, W, 3) uint8, the first photo, upright; traces are in its pixels, so that no writer needs
                 the camera
    news         how it stands against the round before; None for a first round
    """

    design: Design
    job: Job
    photos: tuple[PhotoRecord, ...]
    display_bgr: NDArray[np.uint8]
    seam_traces: tuple[SeamTrace, ...]
    piece_traces: tuple[PieceTrace, ...]
    survey: GapSurvey
    fit: PieceFit
    plan: RecutPlan
    news: RoundNews | None = None

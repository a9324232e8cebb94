"""Why a seam gaps: whose fault opens it, or that its two outlines do not match."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.cause_words import (
    ADDS_UP,
    CALIPER,
    DRAWN,
    FITS,
    MATTERS_OF_TOLERANCE,
    RESEAT,
    STANDS_OUT,
    SURE,
    TURNED_PHOTO,
    UNKNOWN,
)
from gapscan.recut.types import Cause
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]


def seam_causes(
    design: Design, survey: GapSurvey, fit: PieceFit, pieces: tuple[Cause, ...], job: Job
) -> tuple[Cause, ...]:
    """Of every seam over tolerance: which piece's fault opens it; or that its two outlines do not match."""
    index = {p.id: k for k, p in enumerate(fit.pieces)}
    causes = []
    for seam in survey.seams:
        if not seam.seen.any():
            causes.append(Cause(seam.id, UNKNOWN, 0.0, None, TURNED_PHOTO))
            continue
        gap = seam.gap_mm[seam.seen]
        wide = float(np.mean(np.sort(gap)[-max(1, min(len(gap), 12)) :]))
        if wide <= job.tolerance_mm:
            causes.append(Cause(seam.id, FITS, 1.0, None, ""))
            continue
        a, b = (index[p] for p in seam.pieces)
        model = _modelled(design, fit, seam.stations.xy_mm, seam.stations.normal, a, b)[seam.seen]
        left = float(np.mean(gap - model))
        u_left = float(
            np.hypot(
                np.mean(seam.u_shared_mm[seam.seen]),
                np.hypot(fit.pieces[a].u_undersize_mm, fit.pieces[b].u_undersize_mm),
            )
        )
        guilty = [c for c in (pieces[a], pieces[b]) if c.cause not in (FITS, UNKNOWN)]
        if left > max(job.tolerance_mm * MATTERS_OF_TOLERANCE, STANDS_OUT * u_left):
            causes.append(Cause(seam.id, DRAWN, SURE, left, CALIPER))
        elif any(c.cause == UNKNOWN for c in (pieces[a], pieces[b])) and not guilty:
            causes.append(Cause(seam.id, UNKNOWN, 0.0, None, RESEAT))
        elif guilty:
            one = max(guilty, key=lambda c: c.amount_mm or 0.0)
            causes.append(Cause(seam.id, f"{one.id} {one.cause}", one.strength, one.amount_mm, ""))
        else:
            causes.append(Cause(seam.id, ADDS_UP, 1.0, wide, ""))
    return tuple(causes)


def _modelled(design: Design, fit: PieceFit, xy_mm: FloatArray, normal: FloatArray, a: int, b: int) -> FloatArray:
    """Gap (N,) that size and seat of two pieces explain (see :mod:`gapscan.solve.model`)."""
    total = np.full(len(xy_mm), fit.pieces[a].undersize_mm + fit.pieces[b].undersize_mm)
    for k, sign in ((a, -1.0), (b, 1.0)):
        state = fit.pieces[k]
        arm = xy_mm - np.asarray(design.pieces[k].polygon.centroid.coords[0])
        lever = -normal[:, 0] * arm[:, 1] + normal[:, 1] * arm[:, 0]
        total = total + sign * (normal @ np.array(state.shift_mm) + lever * np.deg2rad(state.turn_deg))
    return np.asarray(total)

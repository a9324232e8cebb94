"""How high the camera stands, from the seams themselves, when neither EXIF nor perspective says it well.

Straight down, focal length and height cannot be told apart by a flat frame: only their ratio, the scale, is seen. But
the sheet has a thickness. Too low a camera makes the correction for the slanted view too large, and then every piece
shows more gap on the sides that face the camera's foot than on the sides along the line of sight, which no size,
shift or turn of pieces explains. The height at which the piece model leaves least of the gaps is the right one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.errors import PhotoError
from gapscan.job import Job
from gapscan.measure.sight import Sighting
from gapscan.measure.survey import survey_gaps
from gapscan.photo.reference import FrameSighting, solve_reference
from gapscan.photo.types import Reference
from gapscan.solve.adjust import gap_misfit

FloatArray = NDArray[np.float64]

_WELL_KNOWN_REL_U = 0.04  # two readings of EXIF's focal length, 4 % apart, are within it
_IMPOSSIBLE = 1e9
# Trial focal lengths as multiples of the long side of the picture: 14 mm-equivalent to as good as infinite.
_TRIAL_SIDES = (0.4, 0.55, 0.72, 0.95, 1.3, 1.8, 2.6, 4.0, 7.0, 16.0, 50.0)


def settle_height(
    frame: FrameSighting, reference: Reference, sighting: Sighting, design: Design, job: Job
) -> Reference | None:
    """A better reference, or None when the one at hand is good enough or the seams cannot tell."""
    from scipy.optimize import minimize_scalar

    if reference.focal_rel_u <= _WELL_KNOWN_REL_U:
        return None
    side = max(frame.size_px)
    trials = [_trial(frame, sighting, design, job, reference, f * side) for f in _TRIAL_SIDES]
    k = int(np.argmin([cost for cost, _ in trials]))
    # Costs are smooth in 1/focal length, as the hidden width is proportional to it.
    inverse = 1.0 / (np.array(_TRIAL_SIDES) * side)
    low, high = inverse[min(k + 1, len(inverse) - 1)], inverse[max(k - 1, 0)]
    search = minimize_scalar(
        lambda x: _trial(frame, sighting, design, job, reference, 1 / x)[0],
        bounds=(low, high),
        method="bounded",
        options={"xatol": 0.02 * (high - low)},
    )
    middle = float(search.x)
    step = min(max(0.15 * middle, 0.02 / side), 0.9 * middle)
    costs = [_trial(frame, sighting, design, job, reference, 1 / x) for x in (middle - step, middle, middle + step)]
    bend = (costs[0][0] - 2 * costs[1][0] + costs[2][0]) / step**2
    if bend <= 0:
        return None
    u = float(np.sqrt(1.0 / bend))  # of 1/focal: cost is half of chi-square, its curvature is the information
    if u >= reference.focal_rel_u / reference.camera.focal_px:
        return None
    rel_u = max(u / middle, 0.004)
    return replace(costs[1][1], focal_rel_u=rel_u, warnings=_told(reference, rel_u))


def _told(reference: Reference, rel_u: float) -> tuple[str, ...]:
    kept = [w for w in reference.warnings if "camera height" not in w]
    return (*kept, f"camera height taken from the seams' slanted view (±{min(100 * rel_u, 100):.0f} %)")


def _trial(
    frame: FrameSighting, sighting: Sighting, design: Design, job: Job, reference_at_hand: Reference, focal_px: float
) -> tuple[float, Reference]:
    try:
        reference = solve_reference(frame, (focal_px,))
    except PhotoError:  # at this focal length the frame's perspective cannot be right
        return _IMPOSSIBLE, reference_at_hand
    survey = survey_gaps(sighting, reference, design, job)
    return reference.cost + gap_misfit(design, survey), reference

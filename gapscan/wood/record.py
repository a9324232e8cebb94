"""The wood's movement in the fit record, seam by seam."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gapscan.figures import rounded
from gapscan.job import Job
from gapscan.recut.types import PlanInput
from gapscan.wood.movement import wood_movement

_NOT_ASKED = "no [air] in the job file"


def with_movements(seams: Sequence[dict[str, Any]], given: PlanInput, job: Job) -> list[dict[str, Any]]:
    """The record's seams with ``movement_mm`` (mean over the seam, positive: it opens on the way to the air of use),
    ``movement_standard_uncertainty_mm``, and the reason where there is none. ``given`` in the digits of the record."""
    movement = wood_movement(given, job)
    number = {} if movement is None else {name: s for s, name in enumerate(movement.seam_ids)}
    moved = []
    for seam in seams:
        s = number.get(seam["id"])
        if movement is None or s is None:
            value, u, why = math.nan, math.nan, _NOT_ASKED if movement is None else "too short to be told"
        else:
            value, u, why = float(movement.seam_mm[s]), float(movement.u_seam_mm[s]), movement.why[s]
        moved.append(
            {
                **seam,
                "movement_mm": rounded(value),
                "movement_standard_uncertainty_mm": rounded(u),
                "movement_not_computed_because": why or None,
            }
        )
    return moved

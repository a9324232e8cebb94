"""The drawing's materials as settings of the job."""

from __future__ import annotations

import glob
from dataclasses import replace

from gapscan.design.types import Design
from gapscan.job import Job


def with_drawn_materials(job: Job, design: Design) -> Job:
    """The job with each piece's material as the drawing gives it, before its own patterns: those win, as the last.

    A pattern of the job that names a material, even an empty one, overrides the drawing.
    """
    drawn = tuple((glob.escape(p.id), {"material": p.material}) for p in design.pieces if p.material)
    return replace(job, pieces=(*drawn, *job.pieces)) if drawn else job

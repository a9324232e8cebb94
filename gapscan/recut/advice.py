"""What to try before recutting anything, cheapest first. What is only common practice says so."""

from __future__ import annotations

from collections import Counter

import numpy as np

from gapscan.job import Job
from gapscan.recut.types import RecutPlan
from gapscan.text import named

_PRACTICE = " (common practice, no source)"
_WORTH_MM = 0.01


def advise(plan: RecutPlan, job: Job) -> tuple[str, ...]:
    """Sentences: seats first, then facings, then settings; none where there is nothing to mend."""
    told = []
    reseat = [d for d in plan.decisions if d.reseat_mm is not None and d.verdict != "recut"]
    if reseat:
        what = "this piece" if len(reseat) == 1 else "these pieces"
        told.append(
            f"Before any recut, seat {what} again and take another photo: "
            + named([f"{d.id} ({_way(d.reseat_mm)})" for d in reseat if d.reseat_mm is not None])
        )
    recut = [d.id for d in plan.decisions if d.verdict == "recut"]
    lean_mm = job.thickness_mm * float(np.tan(np.deg2rad(job.taper_deg)))
    up = [name for name in recut if job.settings(name).facing == "up"]
    if up and lean_mm > _WORTH_MM:
        told.append(
            f"Cut {named(up)} show face down this time, if the wood allows: the wider side of the leaning wall then ends on "
            f"the show face, {lean_mm:.2f} mm a wall{_PRACTICE}"
        )
    told += _settings(plan, job)
    return tuple(told)


def _settings(plan: RecutPlan, job: Job) -> list[str]:
    """Closer pulses or less power for the material that most recuts are of, or for what is lost in curves and small
    pieces."""
    told = []
    small = [c for c in plan.piece_causes if c.cause.startswith("more loss")]
    materials = Counter(job.settings(c.id).material for c in small if job.settings(c.id).material)
    for material, count in materials.most_common(1):
        if count >= 2:
            told.append(
                f"For {material}, try closer-set pulses or a lower setting on a scrap before the recut{_PRACTICE}"
            )
    if not told and len(small) >= 2:
        told.append(f"Try closer-set pulses or a lower setting on a scrap before the recut{_PRACTICE}")
    if told:
        told.append(
            "Stay with the laser while it cuts, extraction on; your machine's manual comes before any setting named here"
        )
    return told


def _way(move_mm: tuple[float, float]) -> str:
    """``0.07 mm left, 0.02 mm up`` as drawn."""
    x, y = move_mm
    parts = []
    if abs(x) >= _WORTH_MM:
        parts.append(f"{abs(x):.2f} mm {'right' if x > 0 else 'left'}")
    if abs(y) >= _WORTH_MM:
        parts.append(f"{abs(y):.2f} mm {'down' if y > 0 else 'up'}")
    return ", ".join(parts) or "a hair"

"""Settings as plain data, for the fit record."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from gapscan.job import Job


def job_table(job: Job) -> dict[str, Any]:
    """The settings in the layout of a job file, but for the patterns: a list, for their order counts."""
    table: dict[str, Any] = {
        "tolerance_mm": job.tolerance_mm,
        "aim_mm": job.aim_mm,
        "press_mm": job.press_mm,
        "recut_facing": job.recut_facing,
        "view": job.view,
        "sheet": {"thickness_mm": job.thickness_mm},
        "cut": {"taper_deg": job.taper_deg, **dict(job.cut_settings)},
        "tape": [list(one) for one in job.tape],
        "pieces": [[pattern, dict(keys)] for pattern, keys in job.pieces],
    }
    if job.check is not None:
        check = job.check
        widths = {"slot_mm": check.slots_mm[0]} if check.one_for_all else {"slots_mm": list(check.slots_mm)}
        table["check"] = {**widths, "u_mm": check.u_mm}
        if check.taper_deg is not None:
            table["check"]["taper_deg"] = check.taper_deg
    if job.air is not None:
        table["air"] = asdict(job.air)
    return table

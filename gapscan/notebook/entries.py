"""From a result folder to what the notebook keeps of it."""

from __future__ import annotations

import datetime
import hashlib
import json
from pathlib import Path
from typing import Any

from shapely.geometry import Polygon

from gapscan.errors import InputError
from gapscan.job import Job
from gapscan.notebook.types import JobRecord, PieceRecord
from gapscan.recut.record import RecordedPlan, numbers, undamaged
from gapscan.report.reread import read_record
from gapscan.solve.model import outline_bend
from gapscan.text import printable

# A figure of no uncertainty at all would rule every estimate alone.
_SMALLEST_U_MM = 0.0005


def read_entry(folder: Path) -> JobRecord:
    """What DIR/fit.json tells of the shop's losses; the folder's name stands for the design.

    The date is that on which fit.json was written. Raises InputError for what is no whole fit record.
    """
    source = folder / "fit.json"
    record, recorded = read_record(source)
    try:
        raw = source.read_bytes()
        written = datetime.date.fromtimestamp(source.stat().st_mtime)
    except OSError as err:
        raise InputError(f"{source}: cannot be read ({err.strerror or err}); check the path") from err
    with undamaged(str(source)):
        pieces = _pieces(record, recorded)
        # Not the whole record: verdicts and causes hang on the plan's limits too.
        measured = [record["photos"], [[seam["id"], seam["samples"]] for seam in record["seams"]]]
        if not pieces:
            raise ValueError("it holds no pieces")
    return JobRecord(
        design=printable(folder.resolve().name or "unnamed"),
        folder=printable(str(folder.resolve())),
        date=written.isoformat(),
        sha256=hashlib.sha256(raw).hexdigest(),
        measured_sha256=hashlib.sha256(json.dumps(measured, sort_keys=True).encode()).hexdigest(),
        thickness_mm=recorded.job.thickness_mm,
        taper_deg=recorded.job.taper_deg,
        settings=recorded.job.cut_settings,
        pieces=pieces,
    )


def outline_digest(outline: Polygon) -> str:
    """The same for the same outline in the same place, to a thousandth of a millimetre of area, length and centroid."""
    centre = outline.centroid
    told = (outline.area, outline.length, centre.x, centre.y)
    return hashlib.sha256(" ".join(f"{value:.3f}" for value in told).encode()).hexdigest()[:16]


def _pieces(record: dict[str, Any], recorded: RecordedPlan) -> tuple[PieceRecord, ...]:
    job, given = recorded.job, recorded.given
    rows = {str(piece["id"]): piece for piece in record["pieces"]}
    if sorted(rows) != sorted(given.ids) or len(record["pieces"]) != len(given.ids):
        raise ValueError("its pieces are not those of its block plan")
    size = record["plan"]["size_covariance"]
    # One light level and one tone curve lie on all sizes of an inspection alike: the common factor times each u.
    shared = numbers(size["u_mm"], "u_mm", count=len(given.ids)) * abs(
        numbers(size["common"], "common", count=len(given.ids))
    )
    return tuple(
        _piece(name, rows[name], job, outline, float(common))
        for name, outline, common in zip(given.ids, given.outlines, shared, strict=True)
    )


def _piece(name: str, row: dict[str, Any], job: Job, outline: Polygon, common_mm: float) -> PieceRecord:
    settings = job.settings(name)
    undersize, u = _figure(row, "undersize_mm", "undersize_standard_uncertainty_mm")
    bend, u_bend = _figure(row, "bend_loss_mm", "bend_loss_standard_uncertainty_mm")
    seen = float(numbers([row["seen_fraction"]], "seen_fraction")[0])
    if not 0 <= seen <= 1:
        raise ValueError(f"the share seen of {name} is out of range")
    return PieceRecord(
        piece=printable(name),
        material=printable(settings.material.strip()),
        facing=settings.facing,
        offset_mm=settings.offset_mm,
        loss_mm=None if undersize is None else undersize + settings.offset_mm,
        u_mm=u,
        u_common_mm=0.0 if u is None else min(common_mm, u),
        bend_mm=bend,
        u_bend_mm=u_bend,
        seen_fraction=seen,
        area_mm2=float(outline.area),
        perimeter_mm=float(outline.length),
        curvature=outline_bend(outline),
        outline=outline_digest(outline),
    )


def _figure(row: dict[str, Any], name: str, u_name: str) -> tuple[float | None, float | None]:
    """A figure with its standard uncertainty, or neither: one without the other is worth nothing."""
    if row[name] is None or row[u_name] is None:
        return None, None
    value, u = numbers([row[name], row[u_name]], name)
    if u < 0:
        raise ValueError(f"{u_name} is negative")
    return float(value), max(float(u), _SMALLEST_U_MM)

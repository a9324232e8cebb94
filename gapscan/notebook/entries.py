"""From a result folder to what the notebook keeps of it."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from pathlib import Path
from typing import Any

from gapscan.errors import InputError
from gapscan.notebook.shape import equivalent_radius_mm, mean_bend
from gapscan.notebook.types import Conditions, JobRecord, PieceRecord
from gapscan.recut.record import LARGEST, RecordedPlan, undamaged
from gapscan.report.reread import read_record

# A figure of no uncertainty at all would rule every estimate alone.
_SMALLEST_U_MM = 0.0005
_MEASURED = ("photos", "seams", "scale_rel", "disagreements")


def read_entry(folder: Path, *, design: str | None = None) -> JobRecord:
    """What DIR/fit.json tells of the shop's losses.

    design  name of the design; the folder's name where not given
    The date is that on which fit.json was written. Raises InputError for what is no whole fit record.
    """
    source = folder / "fit.json"
    record, recorded = read_record(source)
    try:
        raw = source.read_bytes()
        written = source.stat().st_mtime
    except OSError as err:
        raise InputError(f"{source}: cannot be read ({err.strerror or err}); check the path") from err
    with undamaged(str(source)):
        pieces, unseen = _pieces(record, recorded)
        measured = {name: record[name] for name in _MEASURED}
    return JobRecord(
        design=design or folder.resolve().name or "unnamed",
        date=datetime.date.fromtimestamp(written).isoformat(),
        sha256=hashlib.sha256(raw).hexdigest(),
        measured_sha256=hashlib.sha256(json.dumps(measured, sort_keys=True).encode()).hexdigest(),
        pieces=pieces,
        unseen=unseen,
    )


def _pieces(record: dict[str, Any], recorded: RecordedPlan) -> tuple[tuple[PieceRecord, ...], tuple[str, ...]]:
    job, given = recorded.job, recorded.given
    outline = dict(zip(given.ids, given.outlines, strict=True))
    found, unseen = [], []
    for piece in record["pieces"]:
        name = piece["id"]
        undersize, u = piece["undersize_mm"], piece["undersize_standard_uncertainty_mm"]
        if undersize is None or u is None:
            unseen.append(str(name))
            continue
        for value in (undersize, u):
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise TypeError(f"the undersize of {name} is no number")
        if abs(undersize) > LARGEST or not 0 <= u <= LARGEST:
            raise ValueError(f"the undersize of {name} is out of range")
        settings = job.settings(name)
        conditions = Conditions(
            material=settings.material.strip(),
            thickness_mm=job.thickness_mm,
            settings=job.cut_settings,
            facing=settings.facing,
            radius_mm=equivalent_radius_mm(outline[name]),
            curvature=mean_bend(outline[name]),
        )
        loss = float(undersize) + settings.offset_mm
        found.append(PieceRecord(name, conditions, loss, max(float(u), _SMALLEST_U_MM), settings.offset_mm))
    return tuple(found), tuple(unseen)

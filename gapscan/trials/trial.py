"""From an inspected dry fit, or its record, to what a comparison needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.recut.types import PlanInput
from gapscan.report.reread import read_record, recorded_inspection
from gapscan.report.summary import summarise_seam
from gapscan.report.types import Inspection
from gapscan.solve.adjust import shared_size
from gapscan.solve.model import outline_bend
from gapscan.trials.types import Trial

FloatArray = NDArray[np.float64]


def read_trial(folder: Path) -> Trial:
    """The dry fit whose results ``gapscan inspect`` wrote into this folder. Raises InputError."""
    source = folder / "fit.json"
    record, recorded = read_record(source)
    inspection = recorded_inspection(record, recorded, source=str(source))
    return trial_of(inspection, recorded.given, record["plan"], name=folder.name or str(folder))


def trial_of(inspection: Inspection, given: PlanInput, block: dict[str, Any], *, name: str) -> Trial:
    """What one dry fit says of its cut.

    given, block  what its plan was made from, and the same as the record holds it (:func:`gapscan.recut.record.plan_block`)
    """
    states = {state.id: state for state in inspection.fit.pieces}
    seen = np.array([states[one].seen_fraction > 0.0 for one in given.ids])
    offset = np.array([inspection.job.settings(one).offset_mm for one in given.ids])
    common = np.maximum(_common_factor(block), shared_size(given.ids, inspection.survey))
    own = np.nan_to_num(given.size_covariance - np.outer(common, common))
    bend = np.array([[states[one].bend_mm, states[one].u_bend_mm] for one in given.ids]).reshape(-1, 2)
    index = {one: k for k, one in enumerate(given.ids)}
    measured = {seam.id: seam for seam in inspection.survey.seams}
    drawn = sorted(inspection.design.seams, key=lambda seam: seam.id)
    gaps = np.full((len(drawn), 3), np.nan)
    for k, seam in enumerate(drawn):
        found = measured.get(seam.id)
        if found is not None and found.seen.any():
            summary = summarise_seam(found)
            shared = float(np.mean(found.u_shared_mm[found.seen]))
            u = summary.standard_uncertainty_mm
            gaps[k] = summary.mean_mm, shared if u is None else max(u, shared), shared
    return Trial(
        name=name,
        job=inspection.job,
        ids=given.ids,
        outlines=given.outlines,
        loss_mm=np.where(seen, offset + given.undersize_mm, np.nan),
        own_covariance=own,
        common_mm=common,
        curving=np.array([outline_bend(outline) for outline in given.outlines]),
        bend_mm=np.where(seen, bend[:, 0], np.nan),
        u_bend_mm=bend[:, 1],
        seam_ids=tuple(seam.id for seam in drawn),
        sides=np.array([[index[one] for one in seam.pieces] for seam in drawn], np.int64).reshape(-1, 2),
        length_mm=np.array([seam.length_mm for seam in drawn]),
        gap_mm=gaps[:, 0],
        u_gap_mm=gaps[:, 1],
        shared_gap_mm=gaps[:, 2],
    )


def _common_factor(block: dict[str, Any]) -> FloatArray:
    """What all sizes have in common (P,), mm: light, tone and slant, and the photo's scale, against which a fit with wide
    gaps cannot quite be told from one that is laid further apart. The record takes it out of the covariance by itself."""
    table = block["size_covariance"]
    common: FloatArray = np.array(table["common"], float) * np.array(table["u_mm"], float)
    return common

"""The fit record: fit.json, seams.csv and pieces.csv."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from gapscan.design.types import Seam
from gapscan.figures import rounded
from gapscan.job import Job
from gapscan.measure.check_slots import CheckSlot
from gapscan.measure.types import Disagreement, Reason, SeamGaps, SeamSummary
from gapscan.recut.job_table import job_table
from gapscan.recut.plan import plan_input
from gapscan.recut.record import as_recorded, plan_block
from gapscan.recut.types import Cause, PieceDecision, PlanInput, RecutPlan
from gapscan.report.summary import main_reason, seam_budget, summarise_seam
from gapscan.report.types import Inspection, PhotoRecord
from gapscan.solve.types import PieceState
from gapscan.wood.record import with_movements

SCHEMA = "gapscan.fit/1"
_DIGITS = 4  # of a millimetre: far below any uncertainty here


def fit_json(inspection: Inspection) -> dict[str, Any]:
    """The fit record as plain data for ``json.dumps(..., allow_nan=False)``.

    Lengths in mm, angles in degrees. Ids are sorted; what was not seen is None, with its reason beside it.
    """
    gaps = {seam.id: seam for seam in inspection.survey.seams}
    states = {piece.id: piece for piece in inspection.fit.pieces}
    design, job, plan, news = inspection.design, inspection.job, inspection.plan, inspection.news
    causes = {cause.id: cause for cause in (*plan.piece_causes, *plan.seam_causes)}
    given = plan_input(design, inspection.survey, inspection.fit, job, None if news is None else news.past)
    seams = [_seam(seam, gaps.get(seam.id)) | _why(causes.get(seam.id)) for seam in sorted(design.seams, key=_id)]
    return {
        "schema": SCHEMA,
        "units": "mm",
        "photos": [_photo(photo) for photo in inspection.photos],
        "seams": with_movements(seams, as_recorded(given) if job.air is not None else given, job),
        "pieces": [
            _piece(decision, states.get(decision.id)) | _evidence(causes.get(decision.id))
            for decision in sorted(plan.decisions, key=_id)
        ],
        "scale_rel": rounded(inspection.fit.scale_rel, 7),
        "scale_rel_standard_uncertainty": rounded(inspection.fit.u_scale_rel, 7),
        **_plan_facts(plan, job, design.notes),
        "warnings": list(inspection.survey.warnings),
        "disagreements": [_disagreement(one, inspection.photos) for one in inspection.survey.disagreements],
        "plan": plan_block(given, job, design.notes),
        **({} if news is None else {"round": news.block}),
    }


def replanned(record: dict[str, Any], plan: RecutPlan, job: Job, given: PlanInput) -> dict[str, Any]:
    """The fit record with another plan in it: what was measured stays, figure by figure.

    ``record`` is one that :func:`gapscan.report.reread.read_record` has read; its pieces are those of the plan.
    ``given`` is what the plan was made from: how much of a piece is known goes with the tolerance.
    """
    measured = {piece["id"]: piece for piece in record["pieces"]}
    pieces = {**record["plan"]["pieces"], "known_fraction": [rounded(k, 6) for k in given.known_fraction]}
    return {
        **record,
        "seams": with_movements(record["seams"], given, job),
        "pieces": [measured[one.id] | _decision(one) for one in sorted(plan.decisions, key=_id)],
        **_plan_facts(plan, job, tuple(record["plan"]["drawing_notes"])),
        "plan": {**record["plan"], "pieces": pieces, "job": job_table(job)},
    }


def _plan_facts(plan: RecutPlan, job: Job, drawing_notes: Sequence[str]) -> dict[str, Any]:
    """What the record says of the plan as a whole."""
    return {
        "tolerance_mm": job.tolerance_mm,
        "feasible": plan.feasible,
        "chance": rounded(plan.chance),
        "adjust_all": plan.adjust_all,
        "bound_gap": rounded(plan.bound_gap),
        "advice": list(plan.advice),
        "blocking_seams": sorted(plan.blocking_seams),
        "notes": [*drawing_notes, *plan.notes],
    }


def seams_csv(record: dict[str, Any]) -> str:
    """One line a seam of a fit record, figures in mm; an empty cell where nothing was seen."""
    rows = []
    for seam in record["seams"]:
        gap = seam["gap_mm"]
        rows.append(
            [
                seam["id"],
                *seam["pieces"],
                seam["length_mm"],
                seam["seen_fraction"],
                gap["mean"],
                gap["median"],
                gap["p95"],
                gap["max"],
                gap["standard_uncertainty"],
                seam["not_seen_because"],
            ]
        )
    return _csv(
        [
            "id", "piece_a", "piece_b", "length_mm", "seen_fraction", "gap_mean_mm", "gap_median_mm", "gap_p95_mm",
            "gap_max_mm", "gap_standard_uncertainty_mm", "not_seen_because",
        ],
        rows,
    )  # fmt: skip


def pieces_csv(record: dict[str, Any]) -> str:
    """One line a piece of a fit record, figures in mm and degrees; an empty cell where nothing was seen."""
    rows = []
    for piece in record["pieces"]:
        shift = piece["shift_mm"] or [None, None]
        reseat = piece["reseat_mm"] or [None, None]
        rows.append(
            [
                piece["id"],
                piece["verdict"],
                piece["offset_change_mm"],
                piece["standard_uncertainty_mm"],
                piece["undersize_mm"],
                *shift,
                piece["turn_deg"],
                piece["cause"],
                piece["widest_gap_mm"],
                *reseat,
            ]
        )
    return _csv(
        [
            "id",
            "verdict",
            "offset_change_mm",
            "standard_uncertainty_mm",
            "undersize_mm",
            "shift_x_mm",
            "shift_y_mm",
            "turn_deg",
            "cause",
            "widest_gap_mm",
            "reseat_x_mm",
            "reseat_y_mm",
        ],
        rows,
    )


def _photo(photo: PhotoRecord) -> dict[str, Any]:
    return {
        "file": photo.file,
        "px_per_mm": rounded(photo.px_per_mm),
        "view": photo.view,
        "camera_height_mm": rounded(photo.camera_height_mm, 1),
        "camera_height_standard_uncertainty_mm": rounded(photo.u_camera_height_mm, 1),
        "reference_rms_mm": rounded(photo.reference_rms_mm),
        "warnings": list(photo.warnings),
        "bare_photo": photo.bare_file or None,
        "bare_light_relative_standard_uncertainty": rounded(photo.bare_relative_u, 5),
        "check": [_slot(slot) for slot in photo.check],
    }


def _slot(slot: CheckSlot) -> dict[str, Any]:
    return {
        "slot": slot.side,
        "true_mm": rounded(slot.true_mm),
        "true_standard_uncertainty_mm": rounded(slot.u_true_mm),
        "measured_mm": rounded(slot.measured_mm),
        "standard_uncertainty_mm": rounded(slot.u_measured_mm),
        "own_standard_uncertainty_mm": rounded(slot.u_own_mm, _DIGITS + 1),
        "difference_mm": rounded(slot.off_mm),
        "difference_standard_uncertainty_mm": rounded(slot.u_off_mm),
        "not_seen_because": None if slot.seen else slot.reason.words,
    }


def _disagreement(one: Disagreement, photos: Sequence[PhotoRecord]) -> dict[str, Any]:
    return {
        "seam": one.seam,
        "photos": [photos[number].file for number in one.photos],
        "difference_mm": rounded(one.apart_mm),
        "standard_uncertainty_mm": rounded(one.u_apart_mm),
    }


def _seam(seam: Seam, gaps: SeamGaps | None) -> dict[str, Any]:
    summary = SeamSummary(0.0, None, None, None, None, None) if gaps is None else summarise_seam(gaps)
    budget = None if gaps is None else seam_budget(gaps)
    return {
        "id": seam.id,
        "pieces": list(seam.pieces),
        "length_mm": rounded(seam.length_mm),
        "seen_fraction": summary.seen_fraction,
        "gap_mm": {
            "mean": summary.mean_mm,
            "median": summary.median_mm,
            "p95": summary.p95_mm,
            "max": summary.max_mm,
            "standard_uncertainty": summary.standard_uncertainty_mm,
            "budget": None if budget is None else {name: rounded(u, _DIGITS + 1) for name, u in budget.items()},
        },
        "not_seen_because": None if gaps is None else main_reason(gaps),
        "samples_by_stretch": [] if gaps is None else np.unique(gaps.stations.stretch, return_counts=True)[1].tolist(),
        "samples": _samples(gaps),
    }


def _samples(gaps: SeamGaps | None) -> dict[str, list[Any]]:
    if gaps is None:
        return {name: [] for name in _SAMPLE_KEYS}
    seen = gaps.seen
    columns: tuple[list[Any], ...] = (
        _numbers(gaps.stations.s_mm),
        _numbers(gaps.stations.xy_mm[:, 0]),
        _numbers(gaps.stations.xy_mm[:, 1]),
        _numbers(np.where(seen, gaps.gap_mm, np.nan)),
        _numbers(np.where(seen, gaps.u_gap_mm, np.nan)),
        [None if ok else Reason(int(why)).words for ok, why in zip(seen, gaps.reason, strict=True)],
        _numbers(np.where(seen, np.nan, gaps.bound_mm)),
    )
    return dict(zip(_SAMPLE_KEYS, columns, strict=True))


_SAMPLE_KEYS = ("s_mm", "x_mm", "y_mm", "gap_mm", "standard_uncertainty_mm", "reason", "hidden_at_most_mm")


def _why(cause: Cause | None) -> dict[str, Any]:
    return {
        "cause": None if cause is None else cause.cause,
        "cause_probability": None if cause is None else rounded(cause.strength),
        "would_tell": cause.tell or None if cause is not None else None,
    }


def _evidence(cause: Cause | None) -> dict[str, Any]:
    """What the evidence says of a piece, whatever is planned."""
    return {
        "cause_by_evidence": None if cause is None else cause.cause,
        "cause_probability": None if cause is None else rounded(cause.strength),
        "cause_amount_mm": None if cause is None else rounded(cause.amount_mm),
        "would_tell": None if cause is None else cause.tell or None,
    }


def _piece(decision: PieceDecision, state: PieceState | None) -> dict[str, Any]:
    # Of a piece that was not seen at all the fit only repeats its prior, which is no finding.
    seen = state is not None and state.seen_fraction > 0.0
    return _decision(decision) | _measured(state if seen else None)


def _decision(decision: PieceDecision) -> dict[str, Any]:
    """What the plan says of a piece."""
    return {
        "id": decision.id,
        "verdict": decision.verdict,
        "offset_change_mm": rounded(decision.offset_change_mm),
        "standard_uncertainty_mm": rounded(decision.standard_uncertainty_mm),
        "cause": decision.cause,
        "widest_gap_mm": rounded(decision.widest_gap_mm),
        "reseat_mm": _pair(decision.reseat_mm),
        "chance": rounded(decision.chance),
        "settled_by": decision.settle or None,
        "seam_changes_mm": {seam: rounded(change) for seam, change in decision.seam_changes} or None,
        "response": _pair(decision.response),
    }


def _measured(state: PieceState | None) -> dict[str, Any]:
    """What the fit says of a piece, whatever the plan."""
    return {
        "undersize_mm": None if state is None else rounded(state.undersize_mm),
        "shift_mm": None if state is None else _pair(state.shift_mm),
        "turn_deg": None if state is None else rounded(state.turn_deg),
        "undersize_standard_uncertainty_mm": None if state is None else rounded(state.u_undersize_mm),
        "shift_standard_uncertainty_mm": None if state is None else _pair(state.u_shift_mm),
        "turn_standard_uncertainty_deg": None if state is None else rounded(state.u_turn_deg),
        "bend_loss_mm": None if state is None else rounded(state.bend_mm),
        "bend_loss_standard_uncertainty_mm": None if state is None else rounded(state.u_bend_mm),
        "seen_fraction": 0.0 if state is None else rounded(state.seen_fraction),
    }


def _numbers(values: ArrayLike) -> list[float | None]:
    """Many at once, as :func:`_number`."""
    array = np.asarray(values, dtype=float)
    pairs = zip(array.tolist(), np.isfinite(array).tolist(), strict=True)
    return [round(value, _DIGITS) + 0.0 if finite else None for value, finite in pairs]


def _pair(pair: tuple[float, float] | None) -> list[float | None] | None:
    if pair is None:
        return None
    numbers = _numbers(pair)
    return None if None in numbers else numbers


def _id(item: Seam | PieceDecision) -> str:
    return item.id


def _csv(header: list[str], rows: list[list[Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()

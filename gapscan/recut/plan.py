"""From piece fit to decisions: which pieces to recut and by how much, which to seat again, which stay unsure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.curves import fine_outline
from gapscan.cutting.slivers import sound_outline
from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.chance import plan_chances
from gapscan.recut.doubt import Doubt, find_doubt
from gapscan.recut.offset import MITRE_LIMIT, offset_outline
from gapscan.recut.record import as_recorded
from gapscan.recut.select import select_pieces
from gapscan.recut.selection import Limits, Selection
from gapscan.recut.stretch import find_stretches, stretched_outline
from gapscan.recut.types import Past, PieceDecision, PlanInput, RecutPlan, SeamWindows, Verdict
from gapscan.recut.windows import seam_windows
from gapscan.solve.model import PARAMETERS, centroids
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_SHIFT_NAMED_MM = 0.04


def plan_recuts(design: Design, survey: GapSurvey, fit: PieceFit, job: Job, past: Past | None = None) -> RecutPlan:
    """The shortest list of recuts, with the new outlines. ``past`` is what earlier rounds tell, if there were any."""
    # From the digits that the record keeps, so that a plan made later from the record is the same one.
    return plan_from(as_recorded(plan_input(design, survey, fit, job, past)), job)


def plan_input(design: Design, survey: GapSurvey, fit: PieceFit, job: Job, past: Past | None = None) -> PlanInput:
    """What was measured, reduced to what a plan needs."""
    centre_of = centroids(design)
    return PlanInput(
        ids=tuple(p.id for p in design.pieces),
        outlines=tuple(p.polygon for p in design.pieces),
        seam_ids=tuple(s.id for s in survey.seams),
        windows=seam_windows(design, survey, fit),
        undersize_mm=np.array([p.undersize_mm for p in fit.pieces]),
        u_undersize_mm=np.array([p.u_undersize_mm for p in fit.pieces]),
        size_covariance=fit.covariance[::PARAMETERS, ::PARAMETERS].copy(),
        shift_mm=np.array([p.shift_mm for p in fit.pieces]).reshape(-1, 2),
        u_shift_mm=np.array([p.u_shift_mm for p in fit.pieces]).reshape(-1, 2),
        radius_mm=np.array(
            [
                float(np.hypot(*(np.asarray(p.polygon.exterior.coords) - c).T).max())
                for p, c in zip(design.pieces, centre_of, strict=True)
            ]
        ),
        known_fraction=_known_fractions(design, survey, job.tolerance_mm),
        past=past or Past(),
    )


def plan_from(given: PlanInput, job: Job) -> RecutPlan:
    """The shortest list of recuts from what was measured before; nothing else but the job decides."""
    limits = Limits(job.tolerance_mm, job.press_mm, job.aim_mm)
    choice, facing_note = _choose(given, limits, job)
    cut = _to_cut(choice, given.past)
    u_change = _u_changes(given, choice, cut)
    doubt = find_doubt(given, choice, limits)
    chances, chance = plan_chances(
        given.windows, choice.after_mm, given.size_covariance, -limits.press_mm, limits.tolerance_mm
    )
    decisions = tuple(
        _decide(given, k, cut, doubt, float(u_change[k]), float(chances[k]), job) for k in range(len(given.ids))
    )
    blocking = tuple(given.seam_ids[s] for s in choice.missed)
    decisions, remarks = _soundly_cut(given, decisions, job)
    return RecutPlan(
        decisions=decisions,
        feasible=not blocking,
        blocking_seams=blocking,
        notes=(*_notes(given, choice, facing_note, blocking), *remarks),
        chance=chance,
        adjust_all=_adjust_all(given.windows, job.tolerance_mm),
        bound_gap=choice.bound_gap,
    )


def _soundly_cut(
    given: PlanInput, decisions: tuple[PieceDecision, ...], job: Job
) -> tuple[tuple[PieceDecision, ...], tuple[str, ...]]:
    """The decisions with outlines that can be cut, and what a person must know about them."""
    found, remarks = [], []
    for k, one in enumerate(decisions):
        if one.new_outline is not None:
            offset = job.settings(one.id).offset_mm
            sound = sound_outline(
                given.outlines[k],
                one.new_outline,
                offset_mm=offset + one.offset_change_mm,
                loss_mm=offset + float(given.undersize_mm[k]),
                press_mm=job.press_mm,
                mitre_limit=MITRE_LIMIT,
            )
            remarks += [f"new outline of {one.id}: {remark}" for remark in sound.remarks]
            one = replace(one, new_outline=sound.outline)  # noqa: PLW2901  the same decision, made cuttable
        found.append(one)
    return tuple(found), tuple(remarks)


def _notes(given: PlanInput, choice: Selection, facing_note: str, blocking: tuple[str, ...]) -> tuple[str, ...]:
    notes = [facing_note] if facing_note else []
    if blocking and choice.proven:
        notes.append(
            "no allowed set of recuts brings every seam under tolerance; these stay open: " + ", ".join(blocking)
        )
    if blocking and not choice.proven:
        notes.append(
            "no plan that brings every seam under tolerance was found in time; these stay open: " + ", ".join(blocking)
        )
    if not choice.proven:
        notes.append(
            "the solver was stopped by its time limit: the list works, but one that costs "
            f"{choice.bound_gap:g} less (a recut counts 1 unless the job says otherwise) was not ruled out"
        )
    bent = sorted({given.ids[k] for k in choice.stretches.piece[np.abs(choice.stretch_mm) > 1e-6]})
    if bent:
        notes.append("no even offset does it: stretches of the outline are offset by themselves on " + ", ".join(bent))
    return tuple(notes)


def _adjust_all(windows: SeamWindows, tolerance_mm: float) -> int:
    """How many pieces lie next to a run of seam that measures over tolerance."""
    over = np.nan_to_num(windows.measured_mm, nan=-np.inf) > tolerance_mm
    return len(np.union1d(windows.first[over], windows.second[over]))


def _choose(given: PlanInput, limits: Limits, job: Job) -> tuple[Selection, str]:
    settings = [job.settings(name) for name in given.ids]
    may = np.array([not s.keep for s in settings])
    up = np.array([s.facing == "up" for s in settings])
    cost = np.array([s.recut_cost for s in settings])
    if job.recut_facing in ("up", "down"):
        return _select(given, may & (up == (job.recut_facing == "up")), cost, limits), ""
    if job.recut_facing == "one":
        trials = {f: _select(given, may & side, cost, limits) for f, side in (("up", up), ("down", ~up))}
        facing = min(trials, key=lambda f: (len(trials[f].missed), float(cost[trials[f].recut].sum())))
        return trials[facing], f"only pieces cut show face {facing} are recut, the facing that needs fewer"
    return _select(given, may, cost, limits), ""


def _select(given: PlanInput, may: BoolArray, cost: FloatArray, limits: Limits) -> Selection:
    """With even offsets; where they cannot do it, with stretches near the seams that stay open, if that helps."""
    windows = given.windows
    even = select_pieces(windows, given.undersize_mm, given.radius_mm, may, limits, cost=cost)
    if len(even.missed) == 0 or not may.any():
        return even
    open_runs = np.isin(windows.seam, even.missed)
    near = np.zeros(len(given.ids), bool)
    near[windows.first[open_runs]] = near[windows.second[open_runs]] = True
    around = near[windows.first] | near[windows.second]
    near[windows.first[around]] = near[windows.second[around]] = True
    stretches = find_stretches(windows, given.outlines, near & may)
    bent = select_pieces(windows, given.undersize_mm, given.radius_mm, may, limits, cost=cost, stretches=stretches)
    return bent if len(bent.missed) < len(even.missed) else even


def _to_cut(choice: Selection, past: Past) -> Selection:
    """The choice with the changes to cut: what the wood must change by, over how much of a change the cut gives."""
    if past == Past():
        return choice
    return replace(choice, change_mm=choice.change_mm / past.response, stretch_mm=choice.stretch_mm / past.response)


def _u_changes(given: PlanInput, choice: Selection, cut: Selection) -> FloatArray:
    """Standard uncertainty (P,) of each recut piece's change: its own size and the mean of its neighbours' sizes.

    Of wanted over response: relative parts in quadrature (JCGM 100, 5.1.2 and 5.1.6).
    """
    windows, covariance = given.windows, given.size_covariance
    u = np.sqrt(np.diag(covariance)).copy()
    for piece in np.flatnonzero(choice.recut):
        own = (windows.first == piece) | (windows.second == piece)
        other = np.where(windows.first[own] == piece, windows.second[own], windows.first[own])
        weights = np.bincount(other, weights=windows.length_mm[own], minlength=len(u))
        weights = weights / max(weights.sum(), 1e-9)
        weights[choice.recut] = 0.0
        weights[piece] = 1.0
        u[piece] = np.sqrt(weights @ covariance @ weights)
    past = given.past
    own_part = np.where(choice.recut, u / past.response, u)
    return np.hypot(own_part, np.where(choice.recut, cut.change_mm * past.u_response / past.response, 0.0))


def _known_fractions(design: Design, survey: GapSurvey, tolerance_mm: float) -> FloatArray:
    """Share (P,) of each piece's seams that was seen or cannot hide a gap over tolerance; 1 without seams."""
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    known, total = np.zeros(len(index)), np.zeros(len(index))
    for seam in survey.seams:
        own = [index[p] for p in seam.pieces]
        known[own] += int((seam.seen | (np.nan_to_num(seam.bound_mm, nan=np.inf) <= tolerance_mm)).sum())
        total[own] += len(seam.stations)
    return np.where(total > 0, known / np.maximum(total, 1), 1.0)


def _decide(
    given: PlanInput, k: int, choice: Selection, doubt: Doubt, u_change: float, chance: float, job: Job
) -> PieceDecision:
    windows = given.windows
    beside = (windows.first == k) | (windows.second == k)
    measured = windows.measured_mm[beside]
    widest = float(np.nanmax(measured)) if np.isfinite(measured).any() else None
    verdict: Verdict = "keep"
    cause, reseat, outline = "fits", None, None
    change = 0.0
    seam_changes: tuple[tuple[str, float], ...] = ()
    if choice.recut[k]:
        verdict = "recut"
        change, seam_changes = _seam_changes(given, choice, k)
        cause = "cut too small" if change > 0 else "cut too large"
        outline = _new_outline(given, k, choice, change, job.settings(given.ids[k]).offset_mm)
    elif doubt.unsure[k]:
        verdict, cause = "unsure", doubt.cause[k]
    else:
        shift = given.shift_mm[k]
        length, u = float(np.hypot(*shift)), float(np.hypot(*given.u_shift_mm[k]))
        wide = widest is not None and widest > job.tolerance_mm
        if wide and length > max(_SHIFT_NAMED_MM, 3 * u):
            cause, reseat = "sits shifted", (float(-shift[0]), float(-shift[1]))
    return PieceDecision(
        id=given.ids[k],
        verdict=verdict,
        offset_change_mm=change,
        standard_uncertainty_mm=u_change,
        cause=cause,
        widest_gap_mm=widest,
        reseat_mm=reseat,
        new_outline=outline,
        chance=chance,
        settle=doubt.settle[k] if verdict == "unsure" else "",
        seam_changes=seam_changes,
        response=(given.past.response, given.past.u_response) if verdict == "recut" and given.past != Past() else None,
    )


def _new_outline(
    given: PlanInput, k: int, choice: Selection, change_mm: float, offset_mm: float
) -> Polygon | MultiPolygon:
    """The drawn outline at the whole new offset; or what the piece was cut from last, further out by the change."""
    last = dict(given.past.as_cut).get(given.ids[k])
    base, from_base_mm = (given.outlines[k], offset_mm) if last is None else (last, 0.0)
    base = fine_outline(base)
    own = (choice.stretches.piece == k) & (np.abs(choice.stretch_mm) > 1e-6)
    if own.any():
        return stretched_outline(base, given.windows, k, from_base_mm + float(choice.change_mm[k]), choice)
    return offset_outline(base, from_base_mm + change_mm)


def _seam_changes(given: PlanInput, choice: Selection, k: int) -> tuple[float, tuple[tuple[str, float], ...]]:
    """Mean change of a recut piece's offset over its seams, and the change at each seam where they differ."""
    own = (choice.stretches.piece == k) & (np.abs(choice.stretch_mm) > 1e-6)
    even = float(choice.change_mm[k])
    if not own.any():
        return even, ()
    w = given.windows
    beside = (w.first == k) | (w.second == k)
    length = np.bincount(w.seam[beside], weights=w.length_mm[beside], minlength=len(given.seam_ids))
    change = np.full(len(given.seam_ids), even)
    change[choice.stretches.seam[own]] += choice.stretch_mm[own]
    at = np.flatnonzero(length > 0)
    return float(np.average(change[at], weights=length[at])), tuple((given.seam_ids[s], float(change[s])) for s in at)

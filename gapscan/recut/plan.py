"""From piece fit to decisions: which pieces to recut and by how much, which to seat again, which stay unsure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.offset import offset_outline
from gapscan.recut.select import Limits, Selection, select_pieces
from gapscan.recut.types import PieceDecision, PlanInput, RecutPlan, SeamWindows, Verdict
from gapscan.recut.windows import seam_windows
from gapscan.solve.model import PARAMETERS, centroids
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FEWEST_KNOWN_FRACTION = 0.3
_UNSURE_OF_TOLERANCE = 0.35  # a piece whose size is known no better than this share of the tolerance stays unsure
_SHIFT_NAMED_MM = 0.04


def plan_recuts(design: Design, survey: GapSurvey, fit: PieceFit, job: Job) -> RecutPlan:
    """The shortest list of recuts, with the new outlines."""
    return plan_from(plan_input(design, survey, fit, job), job)


def plan_input(design: Design, survey: GapSurvey, fit: PieceFit, job: Job) -> PlanInput:
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
    )


def plan_from(given: PlanInput, job: Job) -> RecutPlan:
    """The shortest list of recuts from what was measured before; nothing else but the job decides."""
    windows = given.windows
    limits = Limits(job.tolerance_mm, job.press_mm, job.aim_mm)
    choice, facing_note = _choose(given, limits, job)
    change = choice.change_mm
    u_change = _u_changes(given, choice)
    decisions = tuple(
        _decide(given, k, choice, float(change[k]), float(u_change[k]), job) for k in range(len(given.ids))
    )
    notes = [facing_note] if facing_note else []
    blocking = tuple(given.seam_ids[s] for s in choice.missed)
    if blocking:
        notes.append(
            "no allowed set of recuts brings every seam under tolerance; these stay open: " + ", ".join(blocking)
        )
    if not choice.proven:
        notes.append("the list works but was not proven to be the shortest within the time allowed")
    return RecutPlan(decisions=decisions, feasible=not blocking, blocking_seams=blocking, notes=tuple(notes))


def _choose(given: PlanInput, limits: Limits, job: Job) -> tuple[Selection, str]:
    windows, undersize, radius = given.windows, given.undersize_mm, given.radius_mm
    settings = [job.settings(name) for name in given.ids]
    may = np.array([not s.keep for s in settings])
    up = np.array([s.facing == "up" for s in settings])
    cost = np.array([s.recut_cost for s in settings])
    if job.recut_facing in ("up", "down"):
        may &= up == (job.recut_facing == "up")
        return select_pieces(windows, undersize, radius, may, limits, cost=cost), ""
    if job.recut_facing == "one":
        trials = {
            f: select_pieces(windows, undersize, radius, may & side, limits, cost=cost)
            for f, side in (("up", up), ("down", ~up))
        }
        facing = min(trials, key=lambda f: (len(trials[f].missed), float(cost[trials[f].recut].sum())))
        return trials[facing], f"only pieces cut show face {facing} are recut, the facing that needs fewer"
    return select_pieces(windows, undersize, radius, may, limits, cost=cost), ""


def _u_changes(given: PlanInput, choice: Selection) -> FloatArray:
    """Standard uncertainty (P,) of each recut piece's change: its own size and the mean of its neighbours' sizes."""
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
    return u


def _known_fractions(design: Design, survey: GapSurvey, tolerance_mm: float) -> FloatArray:
    """Share (P,) of each piece's seams that was seen or cannot hide a gap over tolerance; 1 without seams."""
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    known, total = np.zeros(len(index)), np.zeros(len(index))
    for seam in survey.seams:
        own = [index[p] for p in seam.pieces]
        known[own] += int((seam.seen | (np.nan_to_num(seam.bound_mm, nan=np.inf) <= tolerance_mm)).sum())
        total[own] += len(seam.stations)
    return np.where(total > 0, known / np.maximum(total, 1), 1.0)


def _decide(given: PlanInput, k: int, choice: Selection, change: float, u_change: float, job: Job) -> PieceDecision:
    windows = given.windows
    beside = (windows.first == k) | (windows.second == k)
    measured = windows.measured_mm[beside]
    widest = float(np.nanmax(measured)) if np.isfinite(measured).any() else None
    verdict: Verdict = "keep"
    cause, reseat, outline = "fits", None, None
    # Known is what was seen, and what is hidden but cannot hide more than the tolerance.
    unsure = (
        given.known_fraction[k] < _FEWEST_KNOWN_FRACTION
        or given.u_undersize_mm[k] > _UNSURE_OF_TOLERANCE * job.tolerance_mm
    )
    if choice.recut[k]:
        verdict = "recut"
        cause = "cut too small" if change > 0 else "cut too large"
        outline = offset_outline(given.outlines[k], job.settings(given.ids[k]).offset_mm + change)
    elif unsure:
        verdict, cause = "unsure", "not enough of its edge was seen"
    else:
        shift = given.shift_mm[k]
        length, u = float(np.hypot(*shift)), float(np.hypot(*given.u_shift_mm[k]))
        wide = widest is not None and widest > job.tolerance_mm
        if wide and length > max(_SHIFT_NAMED_MM, 3 * u):
            cause, reseat = "sits shifted", (float(-shift[0]), float(-shift[1]))
    return PieceDecision(
        id=given.ids[k],
        verdict=verdict,
        offset_change_mm=change if verdict == "recut" else 0.0,
        standard_uncertainty_mm=u_change,
        cause=cause,
        widest_gap_mm=widest,
        reseat_mm=reseat,
        new_outline=outline,
    )

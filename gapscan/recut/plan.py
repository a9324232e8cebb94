"""From piece fit to decisions: which pieces to recut and by how much, which to seat again, which stay unsure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.offset import offset_outline
from gapscan.recut.select import SEAT_PLAY_OF_TOLERANCE, Limits, Selection, select_pieces
from gapscan.recut.types import PieceDecision, RecutPlan, Verdict
from gapscan.recut.windows import SeamWindows, seam_windows
from gapscan.solve.model import PARAMETERS
from gapscan.solve.types import PieceFit, PieceState

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FEWEST_KNOWN_FRACTION = 0.3
_UNSURE_OF_TOLERANCE = 0.35  # a piece whose size is known no better than this share of the tolerance stays unsure
_SHIFT_NAMED_MM = 0.04


def plan_recuts(design: Design, survey: GapSurvey, fit: PieceFit, job: Job) -> RecutPlan:
    """The shortest list of recuts, with the new outlines."""
    windows = seam_windows(design, survey, fit)
    undersize = np.array([p.undersize_mm for p in fit.pieces])
    radius = np.array(
        [
            float(np.hypot(*(np.asarray(p.polygon.exterior.coords) - p.polygon.centroid.coords[0]).T).max())
            for p in design.pieces
        ]
    )
    limits = Limits(job.tolerance_mm, job.press_mm)
    choice, facing_note = _choose(design, windows, undersize, radius, limits, job)
    change = _changes(windows, choice, limits, job)
    u_change = _u_changes(windows, choice, fit)
    decisions = tuple(
        _decide(design, survey, windows, fit.pieces[k], k, choice, float(change[k]), float(u_change[k]), job)
        for k in range(len(design.pieces))
    )
    notes = [facing_note] if facing_note else []
    blocking = tuple(survey.seams[s].id for s in choice.missed)
    if blocking:
        notes.append(
            "no allowed set of recuts brings every seam under tolerance; these stay open: " + ", ".join(blocking)
        )
    if not choice.proven:
        notes.append("the list works but was not proven to be the shortest within the time allowed")
    return RecutPlan(decisions=decisions, feasible=not blocking, blocking_seams=blocking, notes=tuple(notes))


def _choose(
    design: Design, windows: SeamWindows, undersize: FloatArray, radius: FloatArray, limits: Limits, job: Job
) -> tuple[Selection, str]:
    settings = [job.settings(piece.id) for piece in design.pieces]
    may = np.array([not s.keep for s in settings])
    up = np.array([s.facing == "up" for s in settings])
    if job.recut_facing in ("up", "down"):
        may &= up == (job.recut_facing == "up")
        return select_pieces(windows, undersize, radius, may, limits), ""
    if job.recut_facing == "one":
        trials = {
            f: select_pieces(windows, undersize, radius, may & side, limits) for f, side in (("up", up), ("down", ~up))
        }
        facing = min(trials, key=lambda f: (len(trials[f].missed), int(trials[f].recut.sum())))
        return trials[facing], f"only pieces cut show face {facing} are recut, the facing that needs fewer"
    return select_pieces(windows, undersize, radius, may, limits), ""


def _changes(windows: SeamWindows, choice: Selection, limits: Limits, job: Job) -> FloatArray:
    """Offset changes (P,) that leave ``aim_mm`` at recut seams on average, held within what the limits allow.

    Least squares over the runs next to a recut piece: where both sides are recut they share what is to be filled.
    """
    change = np.zeros(len(choice.recut))
    chosen = np.flatnonzero(choice.recut)
    if len(chosen) == 0:
        return change
    column = np.full(len(choice.recut), -1)
    column[chosen] = np.arange(len(chosen))
    near = choice.recut[windows.first] | choice.recut[windows.second]
    A = np.zeros((int(near.sum()), len(chosen)))
    rows = np.arange(len(A))
    for side in (windows.first[near], windows.second[near]):
        on = column[side] >= 0
        A[rows[on], column[side][on]] += 1.0
    weight = np.sqrt(windows.length_mm[near] / (windows.u_mm[near] ** 2 + 0.01**2))
    wanted = windows.seated_mm[near] - job.aim_mm
    solved, *_ = np.linalg.lstsq(A * weight[:, None], wanted * weight, rcond=None)
    change[chosen] = solved
    # Fall back to the solver's own feasible change where the mean would leave a run out of limits that it could mend.
    after = windows.seated_mm - change[windows.first] - change[windows.second]
    solver = windows.seated_mm - choice.change_mm[windows.first] - choice.change_mm[windows.second]
    slack = 2 * SEAT_PLAY_OF_TOLERANCE * limits.tolerance_mm + limits.sureness * windows.u_mm
    bad = near & ((after > limits.tolerance_mm + slack) | (after < -limits.press_mm - slack))
    mended = bad & (solver <= limits.tolerance_mm + slack) & (solver >= -limits.press_mm - slack)
    for piece in np.unique(np.r_[windows.first[mended], windows.second[mended]]):
        if choice.recut[piece]:
            change[piece] = choice.change_mm[piece]
    return change


def _u_changes(windows: SeamWindows, choice: Selection, fit: PieceFit) -> FloatArray:
    """Standard uncertainty (P,) of each recut piece's change: its own size and the mean of its neighbours' sizes."""
    covariance = fit.covariance[::PARAMETERS, ::PARAMETERS]
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


def _known_fraction(survey: GapSurvey, piece_id: str, tolerance_mm: float) -> float:
    """Share of a piece's seams that was seen or cannot hide a gap over tolerance; 1 for a piece without seams."""
    known = total = 0
    for seam in survey.seams:
        if piece_id in seam.pieces:
            known += int((seam.seen | (np.nan_to_num(seam.bound_mm, nan=np.inf) <= tolerance_mm)).sum())
            total += len(seam.stations)
    return known / total if total else 1.0


def _decide(
    design: Design,
    survey: GapSurvey,
    windows: SeamWindows,
    state: PieceState,
    k: int,
    choice: Selection,
    change: float,
    u_change: float,
    job: Job,
) -> PieceDecision:
    beside = (windows.first == k) | (windows.second == k)
    measured = windows.measured_mm[beside]
    widest = float(np.nanmax(measured)) if np.isfinite(measured).any() else None
    verdict: Verdict = "keep"
    cause, reseat, outline = "fits", None, None
    # Known is what was seen, and what is hidden but cannot hide more than the tolerance.
    known = _known_fraction(survey, state.id, job.tolerance_mm)
    unsure = known < _FEWEST_KNOWN_FRACTION or state.u_undersize_mm > _UNSURE_OF_TOLERANCE * job.tolerance_mm
    if choice.recut[k]:
        verdict = "recut"
        cause = "cut too small" if change > 0 else "cut too large"
        outline = offset_outline(design.pieces[k].polygon, job.settings(state.id).offset_mm + change)
    elif unsure:
        verdict, cause = "unsure", "not enough of its edge was seen"
    else:
        shift = np.array(state.shift_mm)
        length, u = float(np.hypot(*shift)), float(np.hypot(*state.u_shift_mm))
        wide = widest is not None and widest > job.tolerance_mm
        if wide and length > max(_SHIFT_NAMED_MM, 3 * u):
            cause, reseat = "sits shifted", (float(-shift[0]), float(-shift[1]))
    return PieceDecision(
        id=state.id,
        verdict=verdict,
        offset_change_mm=change if verdict == "recut" else 0.0,
        standard_uncertainty_mm=u_change,
        cause=cause,
        widest_gap_mm=widest,
        reseat_mm=reseat,
        new_outline=outline,
    )

"""Seams and pieces of a round held against those of the round before."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from gapscan.measure.types import GapSurvey
from gapscan.recut.types import PlanInput
from gapscan.report.summary import widest_gaps
from gapscan.rounds.types import Before, PieceChange, SeamChange, SeamLook, SeamState
from gapscan.solve.types import PieceFit

_ENOUGH = 0.5  # share of a seam that must be known before it is called right
_SURE, _VERY_SURE = 2.0, 3.0  # standard uncertainties
_NOT_SEEN = SeamLook("not seen", None, None)
# (before, now) -> words; "not seen" on either side is dealt with apart
_WORDS: dict[tuple[SeamState, SeamState], str] = {
    ("wide", "right"): "came right",
    ("pressing", "right"): "came right",
    ("wide", "wide"): "still wide",
    ("pressing", "pressing"): "still pressing",
    ("right", "wide"): "newly wide",
    ("pressing", "wide"): "newly wide",
    ("right", "pressing"): "newly pressing",
    ("wide", "pressing"): "newly pressing",
    ("right", "right"): "right as before",
}


def seam_looks(survey: GapSurvey, given: PlanInput, tolerance_mm: float, press_mm: float) -> dict[str, SeamLook]:
    """Every surveyed seam by id: wide where its widest gap (3 mm mean) is over tolerance; pressing where the pieces, seated
    as drawn, would overlap by more than ``press_mm`` for sure (2 u); right where half of it or more is known to be neither.
    """
    widest = {gap.pieces: gap for gap in widest_gaps(survey)}
    windows = given.windows
    pressing_runs = windows.seated_mm + _SURE * windows.u_mm < -press_mm
    pressing = {given.seam_ids[s] for s in np.unique(windows.seam[pressing_runs])}
    looks = {}
    for seam in survey.seams:
        gap = widest.get(seam.pieces)
        known = seam.seen | (np.nan_to_num(seam.bound_mm, nan=np.inf) <= tolerance_mm)
        state: SeamState = "right" if known.mean() >= _ENOUGH else "not seen"
        if gap is not None and gap.gap_mm > tolerance_mm:
            state = "wide"
        elif seam.id in pressing:
            state = "pressing"
        figures = (None, None) if gap is None else (gap.gap_mm, gap.u_gap_mm)
        looks[seam.id] = SeamLook(state, *figures)
    return looks


def seam_changes(before: Mapping[str, SeamLook], now: Mapping[str, SeamLook]) -> tuple[SeamChange, ...]:
    """All seams of both rounds, sorted by id."""
    found = []
    for name in sorted(set(before) | set(now)):
        was, is_now = before.get(name, _NOT_SEEN), now.get(name, _NOT_SEEN)
        if is_now.state == "not seen":
            verdict = "not seen now"
        elif was.state == "not seen":
            verdict = f"{is_now.state} now, not seen before"
        else:
            verdict = _WORDS[was.state, is_now.state]
        found.append(SeamChange(name, was, is_now, verdict))
    return tuple(found)


def piece_changes(before: Before, fit: PieceFit, asked: Mapping[str, float]) -> tuple[PieceChange, ...]:
    """All pieces, sorted by id. ``asked`` is the change of offset by id of those that were to be recut.

    What was got is the decrease of undersize, its uncertainty the two sizes' in quadrature: what both photos share of
    their errors would make it smaller, but how much they share is not known.
    """
    was = {state.id: state for state in before.inspection.fit.pieces}
    found = []
    for state in sorted(fit.pieces, key=lambda one: one.id):
        old = was[state.id]
        seen = state.seen_fraction > 0 and old.seen_fraction > 0
        got = old.undersize_mm - state.undersize_mm if seen else math.nan
        u = math.hypot(old.u_undersize_mm, state.u_undersize_mm) if seen else math.nan
        wanted = asked.get(state.id, 0.0)
        over = wanted if wanted != 0.0 else math.nan
        found.append(
            PieceChange(
                id=state.id,
                asked_mm=wanted,
                got_mm=got,
                u_got_mm=u,
                response=got / over,
                u_response=u / abs(over),
                finding=_finding(wanted if state.id in asked else None, got, u),
            )
        )
    return tuple(found)


def _finding(asked: float | None, got: float, u: float) -> str:
    if not (math.isfinite(got) and math.isfinite(u)):
        return "not seen"
    if asked is None:
        return "changed" if abs(got) > _VERY_SURE * u else "as it was"
    if abs(got - asked) <= _SURE * u:
        return "as asked" if abs(got) > _SURE * u else "too little to tell"
    if abs(got) <= _SURE * u:
        return "not recut"
    if got * asked < 0:
        return "went the other way"
    return "got less" if abs(got) < abs(asked) else "got more"

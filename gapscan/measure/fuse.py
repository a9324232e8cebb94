"""Several photos of one dry fit made one survey: each station takes what the photos that saw it say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import Budget, Disagreement, GapSurvey, Reason, RimEdges, SeamGaps
from gapscan.measure.uncertainty import combined

FloatArray = NDArray[np.float64]

_DISAGREE = 2.5  # times the uncertainty of the difference, at half of the stations or more
_FEWEST = 8
_MOST_TOLD = 6
_RUN_STATIONS = 9  # about 2 mm


def fuse_surveys(surveys: Sequence[GapSurvey]) -> GapSurvey:
    """Weighted mean station by station, weights from the stated uncertainties; reasons where no photo saw.

    The photos must be of one dry fit: their stations are the same. Noise is each photo's own and averages out. All
    other sources are taken as fully correlated from photo to photo (same camera, same lens, same lightbox, same frame),
    so that they add up linearly with the weights (JCGM 100, 5.2.2, note 1): the cautious choice, as more photos then
    never make a figure surer than its surest photo but for the noise. Where photos disagree by more than their
    uncertainty allows, every part of it grows to cover that (Birge ratio), and disagreements are listed.
    """
    if len(surveys) == 1:
        return surveys[0]
    seams, apart = [], []
    for same in zip(*(s.seams for s in surveys), strict=True):
        seams.append(_fuse_seam(same))
        apart += _disagreement(same)
    apart.sort(key=lambda d: -abs(d.apart_mm))
    warnings = [w for s in surveys for w in s.warnings] + _told(apart)
    return GapSurvey(
        seams=tuple(seams),
        rims=tuple(_fuse_rim(same) for same in zip(*(s.rims for s in surveys), strict=True)),
        blur_sigma_px=float(np.mean([s.blur_sigma_px for s in surveys])),
        warnings=tuple(dict.fromkeys(warnings)),
        disagreements=tuple(apart),
    )


def _told(apart: Sequence[Disagreement]) -> list[str]:
    if not apart:
        return []
    seams = ", ".join(f"{d.seam} by {abs(d.apart_mm):.3f} ± {d.u_apart_mm:.3f} mm" for d in apart[:_MOST_TOLD])
    more = f" and {len(apart) - _MOST_TOLD} more seams, listed in fit.json" if len(apart) > _MOST_TOLD else ""
    return [f"the photos disagree about {seams}{more}; did a piece move between them?"]


def _disagreement(same: Sequence[SeamGaps]) -> list[Disagreement]:
    """The pair of photos that disagree most about a seam, if any do: one or none."""
    worst, found = _DISAGREE, []
    for first, second in combinations(range(len(same)), 2):
        both = same[first].seen & same[second].seen
        if both.sum() < _FEWEST:
            continue
        difference = (same[first].gap_mm - same[second].gap_mm)[both]
        expected = combined(same[first].u_gap_mm[both], same[second].u_gap_mm[both])
        ratio = float(np.median(np.abs(difference) / np.maximum(expected, 1e-5)))
        if ratio > worst:
            worst = ratio
            size = float(np.copysign(np.median(np.abs(difference)), np.median(difference)))
            found = [Disagreement(same[first].id, (first, second), size, float(np.median(expected)))]
    return found


def _weights(values: FloatArray, u: FloatArray) -> FloatArray:
    """Weights (K, N) of K photos, 1/u², summing to one where any photo has a figure and to zero elsewhere."""
    weight = np.nan_to_num(np.where(np.isfinite(values), 1.0 / np.maximum(u, 1e-5) ** 2, 0.0))
    return np.asarray(weight / np.maximum(weight.sum(axis=0), 1e-12))


def _mean(values: FloatArray, share: FloatArray) -> FloatArray:
    """Weighted mean (N,); NaN where no photo has a figure."""
    return np.where(share.sum(axis=0) > 0, (share * np.nan_to_num(values)).sum(axis=0), np.nan)


def _birge(values: FloatArray, u: FloatArray, mean: FloatArray, stretch: NDArray[np.int64]) -> FloatArray:
    """√(χ²/(n − 1)) (N,), χ² averaged over some 2 mm of the stretch; at least one."""
    from scipy.ndimage import uniform_filter1d

    there = np.isfinite(values)
    z = np.where(there, (np.nan_to_num(values) - np.nan_to_num(mean)) / np.maximum(np.nan_to_num(u), 1e-5), 0.0)
    several = there.sum(axis=0) > 1
    chi2 = np.where(several, (z**2).sum(axis=0) / np.maximum(there.sum(axis=0) - 1, 1), 0.0)
    ratio2: FloatArray = np.ones(len(mean))
    for one in np.unique(stretch):
        own = stretch == one
        weight = uniform_filter1d(several[own].astype(float), _RUN_STATIONS, mode="nearest")
        run = uniform_filter1d(chi2[own], _RUN_STATIONS, mode="nearest") / np.maximum(weight, 1e-9)
        ratio2[own] = np.where(several[own], run, 1.0)
    return np.sqrt(np.maximum(ratio2, 1.0))


def _fuse_seam(same: Sequence[SeamGaps]) -> SeamGaps:
    first = same[0]
    gaps, us = np.stack([s.gap_mm for s in same]), np.stack([s.u_gap_mm for s in same])
    share = _weights(gaps, us)
    gap = _mean(gaps, share)
    grown = _birge(gaps, us, gap, first.stations.stretch)
    budget = _fuse_budget([s.budget for s in same], share, grown)
    if budget is None:  # only whole and shared part are known
        shared = grown * (share * np.nan_to_num([s.u_shared_mm for s in same])).sum(axis=0)
        own = np.sqrt(np.maximum(us**2 - np.stack([s.u_shared_mm for s in same]) ** 2, 0.0))
        total = combined(shared, grown * combined(*(share * np.nan_to_num(own))))
    else:
        shared, total = budget.shared, budget.total
    seen = np.stack([s.seen for s in same]).any(axis=0)
    centres, u_centres = np.stack([s.centre_mm for s in same]), np.stack([s.u_centre_mm for s in same])
    centre, u_centre = _weighted(centres, u_centres, first.stations.stretch)
    bounds = np.stack([s.bound_mm for s in same])
    known = np.isfinite(bounds).any(axis=0) & ~seen
    return SeamGaps(
        id=first.id,
        pieces=first.pieces,
        stations=first.stations,
        reason=_reason(np.stack([one.reason for one in same]), np.asarray(seen)),
        gap_mm=gap,
        u_gap_mm=np.where(seen, total, np.nan),
        u_shared_mm=np.where(seen, shared, np.nan),
        centre_mm=centre,
        u_centre_mm=u_centre,
        bound_mm=np.where(known, np.where(np.isfinite(bounds), bounds, np.inf).min(axis=0), np.nan),
        budget=budget,
    )


def _reason(reasons: NDArray[np.int8], seen: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Why no photo (P, N) saw a station (N,): what bounds the gap before what only hides it, outside a picture last."""
    rank = np.full(int(max(Reason)) + 1, 1)
    rank[Reason.SLANT], rank[Reason.OUTSIDE], rank[Reason.SEEN] = 0, 2, 3
    chosen = np.take_along_axis(reasons, rank[reasons].argmin(axis=0)[None], axis=0)[0]
    return np.where(seen, int(Reason.SEEN), chosen).astype(np.int8)


def _fuse_budget(budgets: Sequence[Budget | None], share: FloatArray, grown: FloatArray) -> Budget | None:
    """Contributions to a weighted mean: noise by root sum of squares, the rest linearly (see :func:`fuse_surveys`)."""
    known = [budget for budget in budgets if budget is not None]
    if len(known) < len(budgets):
        return None
    parts = {}
    for name in (f.name for f in fields(Budget)):
        each = share * np.where(share > 0, np.stack([getattr(budget, name) for budget in known]), 0.0)
        parts[name] = grown * (combined(*each) if name == "noise" else each.sum(axis=0))
    return Budget(**parts)


def _weighted(values: FloatArray, u: FloatArray, stretch: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Mean weighted by 1/u² (N,) and its standard uncertainty, independent from photo to photo, widened by Birge's
    ratio; NaN where no photo has a figure."""
    share = _weights(values, u)
    mean = _mean(values, share)
    own = combined(*(share * np.nan_to_num(u))) * _birge(values, u, mean, stretch)
    return mean, np.where(np.isfinite(mean), own, np.nan)


def _fuse_rim(same: Sequence[RimEdges]) -> RimEdges:
    first = same[0]
    edge, u_edge = _weighted(
        np.stack([r.edge_mm for r in same]), np.stack([r.u_edge_mm for r in same]), first.stations.stretch
    )
    seen = np.stack([r.seen for r in same]).any(axis=0)
    return RimEdges(
        piece=first.piece,
        stations=first.stations,
        reason=_reason(np.stack([one.reason for one in same]), np.asarray(seen)),
        edge_mm=edge,
        u_edge_mm=u_edge,
    )

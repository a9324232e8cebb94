"""Several photos of one dry fit made one survey: each station takes what the photos that saw it say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gapscan.measure.types import GapSurvey, Reason, RimEdges, SeamGaps


def fuse_surveys(surveys: Sequence[GapSurvey]) -> GapSurvey:
    """Weighted mean station by station, weights from the stated uncertainties; reasons where no photo saw.

    The photos must be of one dry fit: their stations are the same. Where photos disagree by more than their
    uncertainty allows, the uncertainty grows to cover it (Birge ratio) and a warning says so.
    """
    if len(surveys) == 1:
        return surveys[0]
    warnings = [w for s in surveys for w in s.warnings]
    seams, ratios = [], []
    for same in zip(*(s.seams for s in surveys), strict=True):
        fused, ratio = _fuse_seam(same)
        seams.append(fused)
        ratios.append(ratio)
    rims = tuple(_fuse_rim(same) for same in zip(*(s.rims for s in surveys), strict=True))
    apart = [seam.id for seam, ratio in zip(seams, ratios, strict=True) if ratio > 2.5]
    if apart:
        warnings.append(
            "the photos disagree about "
            + ", ".join(apart[:6])
            + ("…" if len(apart) > 6 else "")
            + "; did a piece move between them?"
        )
    return GapSurvey(
        tuple(seams), rims, float(np.mean([s.blur_sigma_px for s in surveys])), tuple(dict.fromkeys(warnings))
    )


def _weighted(values: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted mean (N,), its standard uncertainty, and the Birge ratio, over the first axis; NaN is not there."""
    weight = np.where(np.isfinite(values), 1.0 / np.maximum(u, 1e-5) ** 2, 0.0)
    weight = np.nan_to_num(weight)
    total = weight.sum(axis=0)
    some = total > 0
    mean = np.where(some, (weight * np.nan_to_num(values)).sum(axis=0) / np.where(some, total, 1), np.nan)
    count = (weight > 0).sum(axis=0)
    scatter = (weight * (np.nan_to_num(values) - np.nan_to_num(mean)) ** 2).sum(axis=0)
    birge = np.where(count > 1, np.sqrt(scatter / np.maximum(count - 1, 1)), 0.0)
    return mean, np.where(some, 1 / np.sqrt(np.where(some, total, 1)) * np.maximum(birge, 1.0), np.nan), birge


def _fuse_seam(same: Sequence[SeamGaps]) -> tuple[SeamGaps, float]:
    gap, u_gap, birge = _weighted(np.stack([s.gap_mm for s in same]), np.stack([s.u_gap_mm for s in same]))
    centre, u_centre, _ = _weighted(np.stack([s.centre_mm for s in same]), np.stack([s.u_centre_mm for s in same]))
    shared = np.stack([s.u_shared_mm for s in same])
    seen = np.stack([s.seen for s in same])
    least_shared = np.where(seen.any(axis=0), np.where(seen, shared, np.inf).min(axis=0), np.nan)
    reason = np.where(seen.any(axis=0), int(Reason.SEEN), same[0].reason).astype(np.int8)
    bounds = np.stack([s.bound_mm for s in same])
    known = np.isfinite(bounds).any(axis=0) & ~seen.any(axis=0)
    bound = np.where(known, np.where(np.isfinite(bounds), bounds, np.inf).min(axis=0), np.nan)
    both = seen.sum(axis=0) > 1
    ratio = float(np.median(birge[both])) if both.sum() >= 8 else 0.0
    first = same[0]
    return (
        SeamGaps(
            id=first.id,
            pieces=first.pieces,
            stations=first.stations,
            reason=reason,
            gap_mm=gap,
            u_gap_mm=u_gap,
            u_shared_mm=np.minimum(least_shared, u_gap),
            centre_mm=centre,
            u_centre_mm=u_centre,
            bound_mm=bound,
        ),
        ratio,
    )


def _fuse_rim(same: Sequence[RimEdges]) -> RimEdges:
    edge, u_edge, _ = _weighted(np.stack([r.edge_mm for r in same]), np.stack([r.u_edge_mm for r in same]))
    seen = np.stack([r.seen for r in same]).any(axis=0)
    first = same[0]
    return RimEdges(
        piece=first.piece,
        stations=first.stations,
        reason=np.where(seen, int(Reason.SEEN), first.reason).astype(np.int8),
        edge_mm=edge,
        u_edge_mm=u_edge,
    )

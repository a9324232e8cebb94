"""Figures of a seam or a piece drawn from its stations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import Budget, GapSurvey, Reason, SeamGaps, SeamSummary
from gapscan.measure.uncertainty import combined, independent_readings, mean_uncertainty

# The length over which a gap is averaged before it is held against the tolerance.
WINDOW_MM = 3.0


@dataclass(frozen=True)
class WidestGap:
    """The widest gap of a seam as a mean over 3 mm of it, and the two pieces beside it."""

    pieces: tuple[str, str]
    gap_mm: float
    u_gap_mm: float
    xy_mm: tuple[float, float]

    def neighbour(self, piece_id: str) -> str:
        """The piece across the gap."""
        return self.pieces[1] if self.pieces[0] == piece_id else self.pieces[0]


def summarise_seam(gaps: SeamGaps) -> SeamSummary:
    """Mean, median, 95th percentile and maximum of the gap over the seen stations, in mm.

    The standard uncertainty is that of the mean: the root sum of squares of :func:`seam_budget`, or, where the
    sources are not known, :func:`~gapscan.measure.uncertainty.mean_uncertainty`. Nothing seen gives None throughout.
    """
    seen = gaps.seen
    if not seen.any():
        return SeamSummary(0.0, None, None, None, None, None)
    gap = gaps.gap_mm[seen]
    return SeamSummary(
        seen_fraction=round(float(seen.mean()), 4),
        mean_mm=round(float(gap.mean()), 4),
        median_mm=round(float(np.median(gap)), 4),
        p95_mm=round(float(np.percentile(gap, 95.0)), 4),
        max_mm=round(float(gap.max()), 4),
        standard_uncertainty_mm=_finite(_mean_uncertainty(gaps, np.flatnonzero(seen))),
    )


def seam_budget(gaps: SeamGaps) -> dict[str, float] | None:
    """Standard uncertainty in mm of a seam's mean gap by source; None where nothing was seen or sources are unknown.

    Noise averages out over n = seen length / 0.5 mm independent readings (at least 1). Every other source is one
    influence on all stations of the seam, fully correlated, so that its contribution to the mean is the mean of its
    contributions (JCGM 100, 5.2.2, note 1). The sources are uncorrelated among each other: their root sum of squares
    is the standard uncertainty of the mean (JCGM 100, 5.1.2).
    """
    seen = np.flatnonzero(gaps.seen)
    if gaps.budget is None or len(seen) == 0:
        return None
    return _mean_budget(gaps.budget, seen, _step_mm(gaps))


def _mean_budget(budget: Budget, chosen: NDArray[np.intp], step_mm: float) -> dict[str, float]:
    independent = independent_readings(len(chosen), step_mm)
    parts = {}
    for name in (f.name for f in fields(Budget)):
        each = getattr(budget, name)[chosen]
        parts[name] = float(np.sqrt((each**2).mean() / independent) if name == "noise" else each.mean())
    return parts


def _mean_uncertainty(gaps: SeamGaps, chosen: NDArray[np.intp]) -> float:
    """Standard uncertainty of the mean gap over some of the seen stations."""
    if gaps.budget is None:
        return mean_uncertainty(gaps.u_gap_mm[chosen], gaps.u_shared_mm[chosen], step_mm=_step_mm(gaps))
    return float(combined(*_mean_budget(gaps.budget, chosen, _step_mm(gaps)).values()))


def widest_gaps(survey: GapSurvey) -> tuple[WidestGap, ...]:
    """The widest gap of every seam that was seen: the largest mean over up to 3 mm of seen stations.

    Stations of one window belong to one stretch, and at least half of the window (or of a shorter stretch)
    must have been seen; where no window has that much, any will do.
    """
    return tuple(_widest_window(seam) for seam in survey.seams if seam.seen.any())


def widest_gap(gaps: Sequence[WidestGap], piece_id: str, *, near_mm: float | None = None) -> WidestGap | None:
    """The widest gap of one piece among those of all seams; None when nothing was seen.

    With ``near_mm`` the seam is returned whose widest gap is nearest to that figure: the place of a widest gap that is
    already known.
    """
    found = [gap for gap in gaps if piece_id in gap.pieces]
    if not found:
        return None
    if near_mm is None or not np.isfinite(near_mm):
        return max(found, key=lambda widest: widest.gap_mm)
    return min(found, key=lambda widest: abs(widest.gap_mm - near_mm))


def _widest_window(seam: SeamGaps) -> WidestGap:
    step = _step_mm(seam)
    width = max(1, round(WINDOW_MM / step)) if step > 0 else 1
    seen, gap = seam.seen, np.where(seam.seen, seam.gap_mm, 0.0)
    best_mean, best_index = -np.inf, np.flatnonzero(seen)[:1]
    for enough in (0.5, 0.0):
        for stretch in np.unique(seam.stations.stretch):
            index = np.flatnonzero(seam.stations.stretch == stretch)
            span = min(width, index.size)
            total = np.convolve(gap[index], np.ones(span), "valid")
            count = np.convolve(seen[index].astype(float), np.ones(span), "valid")
            valid = count > max(enough * span - 1e-9, 0.5)
            if not valid.any():
                continue
            mean = np.where(valid, total / np.maximum(count, 1.0), -np.inf)
            at = int(mean.argmax())
            if mean[at] > best_mean:
                window = index[at : at + span]
                best_mean, best_index = float(mean[at]), window[seen[window]]
        if np.isfinite(best_mean):
            break
    x, y = seam.stations.xy_mm[best_index[best_index.size // 2]]
    return WidestGap(
        pieces=seam.pieces,
        gap_mm=best_mean,
        u_gap_mm=_mean_uncertainty(seam, best_index),
        xy_mm=(float(x), float(y)),
    )


def unseen_lengths(seams: Iterable[SeamGaps]) -> dict[str, float]:
    """Seam length in mm that was not seen, by reason in words, longest first."""
    lengths: dict[str, float] = {}
    for seam in seams:
        step = _step_mm(seam)
        for value, count in zip(*np.unique(seam.reason, return_counts=True), strict=True):
            if value != Reason.SEEN:
                words = Reason(int(value)).words
                lengths[words] = lengths.get(words, 0.0) + float(count * step)
    return dict(sorted(lengths.items(), key=lambda pair: -pair[1]))


def main_reason(seam: SeamGaps) -> str | None:
    """The most frequent reason why stations of this seam were not seen; None when all were."""
    missing = seam.reason[~seam.seen]
    if missing.size == 0:
        return None
    values, counts = np.unique(missing, return_counts=True)
    return Reason(int(values[counts.argmax()])).words


def _step_mm(seam: SeamGaps) -> float:
    """Spacing of the stations; 0 for a single one."""
    s = seam.stations.s_mm
    return float(np.median(np.diff(s))) if s.size > 1 else 0.0


def _finite(value: float) -> float | None:
    return round(value, 4) if np.isfinite(value) else None

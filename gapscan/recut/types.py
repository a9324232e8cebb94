"""The decision: which pieces to recut, by how much, and what to do with the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shapely.geometry import MultiPolygon, Polygon

Verdict = Literal["keep", "recut", "unsure"]


@dataclass(frozen=True)
class PieceDecision:
    """One piece's verdict.

    offset_change_mm  change of outward offset to apply at the recut; 0 for pieces that are kept
    reseat_mm         (x, y) by which a kept piece should be moved when the fit is taped again; None if it sits well
    widest_gap_mm     widest clear gap (3 mm mean) seen at its seams; None when nothing was seen
    new_outline       the drawn outline grown by offset_mm + offset_change_mm; None unless verdict is recut
    """

    id: str
    verdict: Verdict
    offset_change_mm: float
    standard_uncertainty_mm: float
    cause: str
    widest_gap_mm: float | None
    reseat_mm: tuple[float, float] | None
    new_outline: Polygon | MultiPolygon | None


@dataclass(frozen=True)
class RecutPlan:
    """Decisions (sorted by id) and what a person must know beside them.

    feasible        false when no set of allowed recuts brings every seam under tolerance
    blocking_seams  seams that stay over tolerance (empty when feasible)
    notes           sentences for the report
    """

    decisions: tuple[PieceDecision, ...]
    feasible: bool
    blocking_seams: tuple[str, ...]
    notes: tuple[str, ...]

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
    chance            probability that after the plan every seam of this piece is within limits
    settle            what would settle an unsure piece ("a photo turned by 90°"); empty where nothing is in doubt
    """

    id: str
    verdict: Verdict
    offset_change_mm: float
    standard_uncertainty_mm: float
    cause: str
    widest_gap_mm: float | None
    reseat_mm: tuple[float, float] | None
    new_outline: Polygon | MultiPolygon | None
    chance: float = 1.0
    settle: str = ""


@dataclass(frozen=True)
class Cause:
    """What the evidence supports for one piece or seam.

    id        of the piece or seam
    cause     in words ("cut too small", "sits shifted", ...), or "can't tell from this photo"
    strength  probability of that cause against the alternatives that were weighed, 0 to 1
    amount_mm how much of it, None where that says nothing
    tell      what would tell, where the photo does not; empty otherwise
    """

    id: str
    cause: str
    strength: float
    amount_mm: float | None
    tell: str


@dataclass(frozen=True)
class RecutPlan:
    """Decisions (sorted by id) and what a person must know beside them.

    feasible        false when no set of allowed recuts brings every seam under tolerance
    blocking_seams  seams that stay over tolerance (empty when feasible)
    notes           sentences for the report
    chance          probability that after the plan every seam is within limits
    adjust_all      how many pieces would be recut if every outline next to a seam over tolerance were adjusted
    bound_gap       how many recuts fewer than the plan's the solver has not ruled out; 0 where the plan is proven
    advice          what to try before recutting anything, cheapest first
    piece_causes, seam_causes  sorted by id
    """

    decisions: tuple[PieceDecision, ...]
    feasible: bool
    blocking_seams: tuple[str, ...]
    notes: tuple[str, ...]
    chance: float = 1.0
    adjust_all: int = 0
    bound_gap: float = 0.0
    advice: tuple[str, ...] = ()
    piece_causes: tuple[Cause, ...] = ()
    seam_causes: tuple[Cause, ...] = ()

"""What a plan is made from, and the decision: which pieces to recut, by how much, what to do with the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Verdict = Literal["keep", "recut", "unsure"]


@dataclass(frozen=True)
class SeamWindows:
    """Runs of about 3 mm of seam, all seams together.

    seam        (K,) index of the seam
    first, second (K,) piece indices
    normal      (K, 2) mean normal; cross_first, cross_second (K,) lever arms of a turn [mm/rad]
    place_mm    (K, 2) middle of the run, design coordinates
    length_mm   (K,)
    seated_mm   (K,) gap expected with both pieces at their drawn places: both undersizes plus what the measured gap
                shows beyond the piece model (raggedness, curved loss)
    u_mm        (K,) standard uncertainty of it
    measured_mm (K,) mean gap as it lies, NaN where too little of the run was seen
    reason      (K,) 0 where enough of the run was seen, else the commonest reason why not (measure.types.Reason)
    """

    seam: IntArray
    first: IntArray
    second: IntArray
    normal: FloatArray
    cross_first: FloatArray
    cross_second: FloatArray
    place_mm: FloatArray
    length_mm: FloatArray
    seated_mm: FloatArray
    u_mm: FloatArray
    measured_mm: FloatArray
    reason: IntArray


@dataclass(frozen=True)
class Past:
    """What earlier rounds of the same job say of the next cut.

    response, u_response  how much of an asked change of offset the shop's cut gives, and its standard uncertainty
    as_cut   (id, outline) of pieces that were cut last from an outline which is not the drawn one at an even offset:
             the next change of offset starts from that outline
    """

    response: float = 1.0
    u_response: float = 0.0
    as_cut: tuple[tuple[str, Polygon | MultiPolygon], ...] = ()


@dataclass(frozen=True)
class PlanInput:
    """All that a plan depends on beside the job: pieces (P, in the order of ids) and seams (in the order of their ids).

    undersize_mm, u_undersize_mm (P,); size_covariance (P, P) of undersize_mm [mm²]
    shift_mm, u_shift_mm (P, 2)  where each piece sits against the drawing
    radius_mm       (P,) largest distance of the outline from its centroid
    known_fraction  (P,) share of a piece's seams that was seen or cannot hide a gap over tolerance
    """

    ids: tuple[str, ...]
    outlines: tuple[Polygon, ...]
    seam_ids: tuple[str, ...]
    windows: SeamWindows
    undersize_mm: FloatArray
    u_undersize_mm: FloatArray
    size_covariance: FloatArray
    shift_mm: FloatArray
    u_shift_mm: FloatArray
    radius_mm: FloatArray
    known_fraction: FloatArray
    past: Past = Past()


@dataclass(frozen=True)
class PieceDecision:
    """One piece's verdict.

    offset_change_mm  change of outward offset to apply at the recut; 0 for pieces that are kept
    reseat_mm         (x, y) by which a kept piece should be moved when the fit is taped again; None if it sits well
    widest_gap_mm     widest clear gap (3 mm mean) seen at its seams; None when nothing was seen
    new_outline       the drawn outline grown by offset_mm + offset_change_mm (see Past.as_cut for the exception); None
                      unless verdict is recut
    chance            probability that after the plan every seam of this piece is within limits
    settle            what would settle an unsure piece ("a photo turned by 90°"); empty where nothing is in doubt
    seam_changes      (seam id, change of offset there) of every seam, where stretches of the outline are offset by
                      themselves; offset_change_mm is then their mean along the seams. Empty for an even offset
    response          (figure, standard uncertainty) by which the wanted change was divided, where earlier rounds tell
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
    seam_changes: tuple[tuple[str, float], ...] = ()
    response: tuple[float, float] | None = None


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

"""What passes between the steps that hold one round against the one before. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from shapely.geometry import MultiPolygon, Polygon

from gapscan.recut.record import RecordedPlan
from gapscan.report.types import Inspection

SeamState = Literal["wide", "pressing", "right", "not seen"]


@dataclass(frozen=True)
class Response:
    """How much of an asked change of offset a cut gives, with its standard uncertainty.

    pieces    how many recut pieces it rests on, those of earlier rounds not counted
    believed  false where what was seen lies outside the range that is believed, and the nearer end of it is used
    """

    figure: float
    u: float
    pieces: int = 0
    believed: bool = True


@dataclass(frozen=True)
class Before:
    """The round before, as its result folder tells it.

    name, sha256  of the folder, and of the bytes of its fit.json
    number    which round it was, 1 for the first
    offsets   every piece's outward offset that it was cut with then, by id
    changes   asked change of offset by id, of the pieces to recut
    earlier   all offsets that a piece was cut with up to then, for pieces that were recut before
    as_cut    outlines by id that pieces were to be cut from, where that is not the drawn one at an even offset
    prior     the response that its plan counted on
    notes     sentences about what could not be carried over
    """

    name: str
    sha256: str
    number: int
    record: dict[str, Any]
    recorded: RecordedPlan
    inspection: Inspection
    offsets: dict[str, float]
    changes: dict[str, float]
    earlier: dict[str, tuple[float, ...]]
    as_cut: dict[str, Polygon | MultiPolygon]
    prior: Response
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SeamLook:
    """One seam in one round: its widest gap (3 mm mean), None where nothing was seen, and how that is to be taken."""

    state: SeamState
    gap_mm: float | None
    u_gap_mm: float | None


@dataclass(frozen=True)
class SeamChange:
    """One seam before and now; ``verdict`` in words ("came right", "still wide", ...)."""

    id: str
    before: SeamLook
    now: SeamLook
    verdict: str


@dataclass(frozen=True)
class PieceChange:
    """One piece's size before and now.

    asked_mm  change of offset asked for, 0 for pieces that were to be kept
    got_mm, u_got_mm  decrease of its undersize and the standard uncertainty of that; NaN where a size was not seen
    response, u_response  got over asked; NaN where nothing was asked or seen
    finding   in words ("as asked", "got less", "not recut", ...)
    """

    id: str
    asked_mm: float
    got_mm: float
    u_got_mm: float
    response: float
    u_response: float
    finding: str

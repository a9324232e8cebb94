"""What the notebook holds: inspected jobs and, of every piece in them, its loss at the cut."""

from __future__ import annotations

from dataclasses import dataclass

Settings = tuple[tuple[str, str | float], ...]


@dataclass(frozen=True)
class Conditions:
    """What the loss of a piece is expected to hang on.

    material      as the job file names it; empty where it does not
    thickness_mm  of the sheet
    settings      the free keys of ``[cut]``, sorted by name
    facing        "up" or "down"
    radius_mm     equivalent radius, twice the area over the perimeter
    curvature     mean of tanh(5 mm · |κ|) along the outline, 0 (straight) to 1
    """

    material: str
    thickness_mm: float
    settings: Settings
    facing: str
    radius_mm: float
    curvature: float


@dataclass(frozen=True)
class PieceRecord:
    """One piece of an inspected job.

    loss_mm    how far the cut edge lay inside the outline that was sent to the laser: undersize against the drawing plus
               the offset it was cut with
    u_mm       standard uncertainty of it
    offset_mm  the offset it was cut with
    """

    piece: str
    conditions: Conditions
    loss_mm: float
    u_mm: float
    offset_mm: float


@dataclass(frozen=True)
class JobRecord:
    """One inspected dry fit.

    design          name of the design
    date            of the inspection, YYYY-MM-DD
    sha256          of its fit.json
    measured_sha256 of what was measured alone: the same in every plan made from it later
    unseen          pieces without a figure, of which nothing is kept
    """

    design: str
    date: str
    sha256: str
    measured_sha256: str
    pieces: tuple[PieceRecord, ...]
    unseen: tuple[str, ...] = ()

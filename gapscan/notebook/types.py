"""What the notebook holds: inspected jobs and, of every piece in them, its loss at the cut."""

from __future__ import annotations

from dataclasses import dataclass

Settings = tuple[tuple[str, str | float], ...]


@dataclass(frozen=True)
class PieceRecord:
    """One piece of an inspected job.

    material      as the job file names it; empty where it does not
    facing        "up" or "down": how the show face lay at the cut
    offset_mm     outward offset that it was cut with
    loss_mm       how far its edge, mean along the outline, lay inside the outline that was sent to the laser: undersize
                  against the drawing plus that offset; None where the piece was not seen
    u_mm          standard uncertainty of it; None with it
    u_common_mm   the part of u_mm that all pieces of the inspection share (light level, tone): their errors there are
                  one error
    bend_mm       how much further in the edge lay in tight bends than in straight parts; None where not seen
    u_bend_mm     standard uncertainty of it; None with it
    seen_fraction share of its boundary that was seen
    area_mm2, perimeter_mm  of the drawn outline, holes included
    curvature     mean of tanh(5 mm · |κ|) along the outline, 0 (straight) to 1
    outline       digest of the drawn outline: tells the same piece seen again from another one
    """

    piece: str
    material: str
    facing: str
    offset_mm: float
    loss_mm: float | None
    u_mm: float | None
    u_common_mm: float
    bend_mm: float | None
    u_bend_mm: float | None
    seen_fraction: float
    area_mm2: float
    perimeter_mm: float
    curvature: float
    outline: str

    @property
    def radius_mm(self) -> float:
        """Twice the area over the perimeter: the radius of a disc, half the width of a long strip."""
        return 2.0 * self.area_mm2 / self.perimeter_mm


@dataclass(frozen=True)
class JobRecord:
    """One inspected dry fit, an entry of the notebook.

    design          name of the design
    folder          where the fit record lay
    date            on which the fit record was written, YYYY-MM-DD
    sha256          of its fit.json
    measured_sha256 of what was measured alone: the same in every plan that was made from it later
    settings        the free keys of ``[cut]``, sorted by name
    """

    design: str
    folder: str
    date: str
    sha256: str
    measured_sha256: str
    thickness_mm: float
    taper_deg: float
    settings: Settings
    pieces: tuple[PieceRecord, ...]

    @property
    def seen(self) -> tuple[PieceRecord, ...]:
        """The pieces with a figure."""
        return tuple(piece for piece in self.pieces if piece.loss_mm is not None)


@dataclass(frozen=True)
class Added:
    """What became of one folder: the number of its entry, and whether it is new, known, or in another's place."""

    folder: str
    entry: int
    outcome: str

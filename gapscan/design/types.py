"""What the drawing says: pieces, the seams between them, and stations along those seams.

Design coordinates: millimetres, x to the right, y down, as in SVG. Arrays of points are ``(N, 2)`` in x, y order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Piece:
    """One piece as drawn: ``polygon`` is its flattened outline in mm (it may have holes).

    ``material`` is what the drawing's layers say, "" where they say nothing; the job file has the last word.
    """

    id: str
    polygon: Polygon
    material: str = ""


@dataclass(frozen=True)
class Stretch:
    """One unbroken run of shared boundary, from junction to junction.

    ``points_mm`` is ``(N, 2)``; on a closed stretch (a ring without a junction, such as an inlay inside one other
    piece) the last point repeats the first. The direction has no meaning: normals come with :class:`Stations`.
    """

    points_mm: FloatArray
    closed: bool


@dataclass(frozen=True)
class Seam:
    """Every stretch of boundary that two pieces share. ``pieces`` is sorted; ``id`` is ``"a|b"``."""

    id: str
    pieces: tuple[str, str]
    stretches: tuple[Stretch, ...]
    length_mm: float


@dataclass(frozen=True)
class Rim:
    """The boundary of one piece that faces no other piece (the outside of the assembly, or an open hole)."""

    piece: str
    stretches: tuple[Stretch, ...]
    length_mm: float


@dataclass(frozen=True)
class Stations:
    """Points along a seam or rim at even spacing.

    s_mm        (N,)   distance along the seam (stretches laid end to end)
    xy_mm       (N, 2) the point on the drawn line, design coordinates
    normal      (N, 2) unit normal from the first piece to the second (rim: out of the piece)
    curvature_per_mm (N,)  signed curvature of the drawn line, smoothed over about 1 mm; positive where the line
                       bends towards the first piece (the first piece is convex there)
    junction_mm (N,)   distance along the line to the nearer end of its stretch, or to a nearer corner in it
                       (direction change above 35°: the profile there is not that of a straight slit); inf on
                       a closed stretch without corners
    stretch     (N,)   index of the stretch
    """

    s_mm: FloatArray
    xy_mm: FloatArray
    normal: FloatArray
    curvature_per_mm: FloatArray
    junction_mm: FloatArray
    stretch: IntArray

    def __len__(self) -> int:
        return int(self.s_mm.shape[0])


@dataclass(frozen=True)
class Design:
    """A drawing understood: pieces sorted by id, seams sorted by id, rims, and what was ignored or mended.

    ``reading`` is how it was read ("closed shapes" or "line drawing"), ``units`` how its lengths were taken.
    """

    source: str
    pieces: tuple[Piece, ...]
    seams: tuple[Seam, ...]
    rims: tuple[Rim, ...]
    notes: tuple[str, ...]
    reading: str = "closed shapes"
    units: str = ""

    def piece(self, piece_id: str) -> Piece:
        """The piece with this id; raises KeyError."""
        for piece in self.pieces:
            if piece.id == piece_id:
                return piece
        raise KeyError(piece_id)

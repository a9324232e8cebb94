"""What was measured along the seams: gap and place of the slit, with uncertainty, or the reason for its absence."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Stations

FloatArray = NDArray[np.float64]


class Reason(IntEnum):
    """Why a station has no figure. SEEN means it has one."""

    SEEN = 0
    OUTSIDE = 1  # outside the picture, or under the frame
    JUNCTION = 2  # too near a junction: other slits shine in
    SLANT = 3  # no light, and the slanted view may hide a gap there
    COVERED = 4  # tape or something else over the seam
    CLIPPED = 5  # bare light clipped here
    UNCLEAR = 6  # the profile is not that of one slit (a neighbour's light, blur)
    SPECK = 7  # a grain of dust or a hair crosses the slit

    @property
    def words(self) -> str:
        """The reason as shown to a person."""
        return {
            Reason.SEEN: "seen",
            Reason.OUTSIDE: "outside the picture",
            Reason.JUNCTION: "next to a junction",
            Reason.SLANT: "hidden by the slanted view",
            Reason.COVERED: "covered",
            Reason.CLIPPED: "too bright to measure",
            Reason.UNCLEAR: "not a clear slit",
            Reason.SPECK: "dust or hair",
        }[self]


@dataclass(frozen=True)
class Budget:
    """Standard uncertainty of the gap at each station by source, all (N,) in mm.

    noise     pixel noise, grain and JPEG: falls with the number of stations
    bare_light level of the lightbox over the assembly
    tone      the camera's tone curve against the one assumed or found
    blur      the assumed shape of the blur
    glare     light spread over the seam from the bright surround
    slant     the camera's place
    scale     mm per pixel
    All but noise are shared by a whole seam.
    """

    noise: FloatArray
    bare_light: FloatArray
    tone: FloatArray
    blur: FloatArray
    glare: FloatArray
    slant: FloatArray
    scale: FloatArray

    @property
    def shared(self) -> FloatArray:
        """(N,) root sum of squares of all but the noise (JCGM 100, 5.1.2, uncorrelated sources)."""
        parts = (self.bare_light, self.tone, self.blur, self.glare, self.slant, self.scale)
        return np.asarray(np.sqrt(sum(part**2 for part in parts)))

    @property
    def total(self) -> FloatArray:
        """(N,) root sum of squares of all sources."""
        return np.asarray(np.hypot(self.noise, self.shared))

    def part(self, chosen: slice) -> Budget:
        """The budget of some of the stations."""
        return Budget(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class SeamGaps:
    """One seam, station by station. Figures are NaN exactly where ``reason`` is not SEEN.

    gap_mm     (N,) clear gap seen square-on
    u_gap_mm   (N,) its standard uncertainty, noise part and local systematic part together
    u_shared_mm (N,) the part of it that does not average out along the seam
    centre_mm  (N,) middle of the clear gap against the drawn line, along the normal, in design orientation
    u_centre_mm (N,)
    bound_mm   (N,) where reason is SLANT: the widest gap that could be hidden (else NaN)
    budget     the uncertainty by source; it means something only where there is a figure
    """

    id: str
    pieces: tuple[str, str]
    stations: Stations
    reason: NDArray[np.int8]
    gap_mm: FloatArray
    u_gap_mm: FloatArray
    u_shared_mm: FloatArray
    centre_mm: FloatArray
    u_centre_mm: FloatArray
    bound_mm: FloatArray
    budget: Budget | None = None

    @property
    def seen(self) -> NDArray[np.bool_]:
        """(N,) true where there is a figure."""
        return np.asarray(self.reason == Reason.SEEN)


@dataclass(frozen=True)
class RimEdges:
    """One piece's edge against bare light: where it lies against the drawn line, outward positive."""

    piece: str
    stations: Stations
    reason: NDArray[np.int8]
    edge_mm: FloatArray
    u_edge_mm: FloatArray

    @property
    def seen(self) -> NDArray[np.bool_]:
        """(N,) true where there is a figure."""
        return np.asarray(self.reason == Reason.SEEN)


@dataclass(frozen=True)
class SeamSummary:
    """Figures of one seam over its seen stations; None where nothing was seen."""

    seen_fraction: float
    mean_mm: float | None
    median_mm: float | None
    p95_mm: float | None
    max_mm: float | None
    standard_uncertainty_mm: float | None


@dataclass(frozen=True)
class Disagreement:
    """A seam about which two photos disagree by more than their uncertainty allows.

    photos    numbers of the two photos, in the order given
    apart_mm  median difference of their gaps over the stations that both see; u_apart_mm its standard uncertainty
              expected from what the two state
    """

    seam: str
    photos: tuple[int, int]
    apart_mm: float
    u_apart_mm: float


@dataclass(frozen=True)
class GapSurvey:
    """All seams (sorted by id) and rims of one dry fit; ``disagreements`` of its photos, largest first."""

    seams: tuple[SeamGaps, ...]
    rims: tuple[RimEdges, ...]
    blur_sigma_px: float
    warnings: tuple[str, ...]
    disagreements: tuple[Disagreement, ...] = ()

"""Pieces that cannot be called either way from these photos, and which photo would settle them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import Reason
from gapscan.recut.chance import over_chances
from gapscan.recut.selection import Limits, Selection
from gapscan.recut.types import PlanInput

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FEWEST_KNOWN_FRACTION = 0.3
_UNSURE_OF_TOLERANCE = 0.35  # a piece whose size is known no better than this share of the tolerance stays unsure
_ANSWERABLE = 0.25  # share of a gap's variance from which a piece's size has to do with the doubt


@dataclass(frozen=True)
class Doubt:
    """unsure (P,), why and what would settle it (P,), empty where nothing is in doubt."""

    unsure: BoolArray
    cause: tuple[str, ...]
    settle: tuple[str, ...]


def find_doubt(given: PlanInput, choice: Selection, limits: Limits) -> Doubt:
    """Pieces too little seen, and those beside a run that is as likely over tolerance as not and has no recut beside it.

    As likely as not: over tolerance with a probability above 1 − limits.sure, yet not so surely that the plan mends it.
    A run's doubt is laid at the piece whose size is behind it, at both where that is alike.
    """
    w = given.windows
    unseen = (given.known_fraction < _FEWEST_KNOWN_FRACTION) | (
        given.u_undersize_mm > _UNSURE_OF_TOLERANCE * limits.tolerance_mm
    )
    missed = np.isin(w.seam, choice.missed)
    left = ~(choice.recut[w.first] | choice.recut[w.second]) & ~missed
    open_runs = left & (over_chances(choice.after_mm, w.u_mm, limits.tolerance_mm) > 1.0 - limits.sure)
    variance = np.diag(given.size_covariance)
    sizes = variance[w.first] + variance[w.second]
    edge = np.zeros(len(given.ids), bool)
    concerned = np.zeros((len(w.seam), 2), bool)
    for column, piece in enumerate((w.first, w.second)):
        concerned[:, column] = open_runs & (variance[piece] >= _ANSWERABLE * sizes)
        edge[piece[concerned[:, column]]] = True
    unsure = (unseen | edge) & ~choice.recut
    cause, settle = [""] * len(unsure), [""] * len(unsure)
    for k in np.flatnonzero(unsure):
        beside = (w.first == k) | (w.second == k)
        doubtful = (concerned[:, 0] & (w.first == k)) | (concerned[:, 1] & (w.second == k))
        if unseen[k]:
            cause[k] = "not enough of its edge was seen"
            doubtful = (beside & (w.reason != Reason.SEEN)) if (beside & (w.reason != Reason.SEEN)).any() else beside
        else:
            cause[k] = "too near the tolerance to call"
        settle[k] = _photo(given, doubtful)
    return Doubt(unsure, tuple(cause), tuple(settle))


def _photo(given: PlanInput, runs: BoolArray) -> str:
    """The photo that would show what these runs hide: by the reason that hides most of their length, seams named."""
    w = given.windows
    if not runs.any():
        return "a closer photo of it"
    lengths = np.bincount(w.reason[runs], weights=w.length_mm[runs], minlength=len(Reason))
    # A run that was seen and is in doubt nonetheless matters only when nothing is hidden.
    why = Reason(int(lengths[1:].argmax()) + 1) if lengths[1:].any() else Reason.SEEN
    own = runs & (w.reason == why)
    by_seam = np.bincount(w.seam[own], weights=w.length_mm[own], minlength=len(given.seam_ids))
    worst = np.argsort(-by_seam, kind="stable")[: int(min(2, (by_seam > 0).sum()))]
    seams = " and ".join(given.seam_ids[s] for s in sorted(worst))
    return {
        Reason.SEEN: f"a closer photo of {seams}, or a second photo with the sheet turned by 90°",
        Reason.OUTSIDE: f"a photo that shows {seams} whole, clear of the frame",
        Reason.JUNCTION: f"a closer photo of {seams}",
        Reason.SLANT: f"a photo with the sheet turned by 180°, or moved until {seams} lies straight below the camera, so "
        "that the camera sees into the seam",
        Reason.COVERED: f"a photo without the tape over {seams}",
        Reason.CLIPPED: f"a darker photo: the light at {seams} is burnt out",
        Reason.UNCLEAR: f"a sharper, closer photo of {seams}",
        Reason.SPECK: f"a photo after {seams} was dusted off",
    }[why]

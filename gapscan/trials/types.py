"""Two dry fits of one drawing, and what comparing them gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.job import Job

FloatArray = NDArray[np.float64]
Finding = Literal["smaller", "larger", "alike", "can't tell"]


@dataclass(frozen=True)
class Trial:
    """What one inspected dry fit says of its cut; pieces (P) and seams (S) in the order of their ids.

    loss_mm          (P,) offset that a piece was cut with plus its undersize; NaN where nothing of it was seen
    own_covariance   (P, P) of it [mm²], without what all pieces share
    common_mm        (P,) standard uncertainty from what all pieces of one photo share (light, tone, scale, slant)
    curving          (P,) mean bend along the drawn outline, 0 straight to 1 tight (see solve/model.py)
    bend_mm, u_bend_mm  (P,) loss in tight bends beyond that of straight parts; NaN where not seen
    gap_mm           (S,) mean gap of a seam as taped; NaN where not seen
    u_gap_mm         (S,) standard uncertainty of it; shared_gap_mm (S,) the part that all seams share
    sides            (S, 2) piece numbers; length_mm (S,)
    """

    name: str
    job: Job
    ids: tuple[str, ...]
    outlines: tuple[Polygon, ...]
    loss_mm: FloatArray
    own_covariance: FloatArray
    common_mm: FloatArray
    curving: FloatArray
    bend_mm: FloatArray
    u_bend_mm: FloatArray
    seam_ids: tuple[str, ...]
    sides: NDArray[np.int64]
    length_mm: FloatArray
    gap_mm: FloatArray
    u_gap_mm: FloatArray
    shared_gap_mm: FloatArray


@dataclass(frozen=True)
class Estimate:
    """A mean difference B − A over ``count`` pieces or seams.

    mean_mm          positive: B loses more, or gaps wider
    u_mm             its standard uncertainty: own_mm (scatter between pieces) and common_mm (what a whole photo shares)
    low_mm, high_mm  95 % interval; NaN where a single piece tells nothing of the scatter
    spread_mm        standard deviation of the true differences from piece to piece
    freedom          effective degrees of freedom; p  two-sided probability of so large a mean if there were no difference
    """

    count: int
    mean_mm: float
    u_mm: float
    own_mm: float
    common_mm: float
    low_mm: float
    high_mm: float
    spread_mm: float
    freedom: float
    p: float


@dataclass(frozen=True)
class Group:
    """Pieces of one class: ``kind`` "all", "material", "size", "outline" or "facing"; ``left_out`` were not seen in both."""

    kind: str
    name: str
    estimate: Estimate | None
    left_out: int
    finding: Finding


@dataclass(frozen=True)
class SeamDifference:
    """Gap of one seam, B − A, as taped."""

    id: str
    difference_mm: float
    u_mm: float


@dataclass(frozen=True)
class Comparison:
    """B against A.

    whole             all pieces; groups by class, in the order in which they are shown
    bend              loss in bends beyond that of straight parts; None where not known
    gaps              mean gap over the seams seen in both, as taped; None where there are none
    unseen_seams      seams not seen in one of the two
    differences       what the two job files say was different in the cut, in words
    worth_mm          a difference that would matter
    more_pieces       pieces to cut and measure further, in each, to tell ``worth_mm``; 0 where these would do; None where no
                      number does
    """

    names: tuple[str, str]
    whole: Group
    groups: tuple[Group, ...]
    bend: Estimate | None
    gaps: Estimate | None
    seams: tuple[SeamDifference, ...]
    unseen_seams: int
    differences: tuple[str, ...]
    worth_mm: float
    more_pieces: int | None

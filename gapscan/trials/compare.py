"""B against A: difference of the loss by piece, pooled over all and over classes of pieces; difference of the gaps."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import InputError
from gapscan.trials.alike import cut_differences, refuse_other_drawings
from gapscan.trials.pooling import LEVEL, effective_freedom, pooled
from gapscan.trials.power import pieces_needed
from gapscan.trials.types import Comparison, Estimate, Finding, Group, SeamDifference, Trial

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# mm²; classes that mean the same in every drawing.
_SIZES = ((0.0, 100.0, "under 1 cm²"), (100.0, 400.0, "1 to 4 cm²"), (400.0, math.inf, "over 4 cm²"))
_CURVED_FROM = 0.2  # mean bend along the outline: as if all of it had a radius of 25 mm
_FEWEST = 2
WORTH_MM = 0.02


def compare(first: Trial, second: Trial, *, worth_mm: float = WORTH_MM) -> Comparison:
    """Compare two dry fits of one drawing.

    Raises InputError where they are not of one drawing, or no piece was seen in both.
    """
    refuse_other_drawings(first, second)
    second = _in_order(second, first)
    both = np.isfinite(first.loss_mm) & np.isfinite(second.loss_mm)
    if not both.any():
        raise InputError(f"{first.name} and {second.name}: no piece was seen in both; photograph them again")
    everything = _estimate(first, second, both)
    assert everything is not None
    groups = _found_by_holm(
        [
            Group(kind, name, _estimate(first, second, both & own), int((own & ~both).sum()), "can't tell")
            for kind, name, own in _classes(first, second)
        ]
    )
    seams = np.isfinite(first.gap_mm) & np.isfinite(second.gap_mm)
    return Comparison(
        names=(first.name, second.name),
        whole=Group("all", "all pieces", everything, int((~both).sum()), finding(everything, worth_mm)),
        groups=groups,
        bend=_bend(first, second, both),
        gaps=_gaps(first, second, seams),
        seams=tuple(
            SeamDifference(
                first.seam_ids[k],
                float(second.gap_mm[k] - first.gap_mm[k]),
                float(np.hypot(first.u_gap_mm[k], second.u_gap_mm[k])),
            )
            for k in np.flatnonzero(seams)
        ),
        unseen_seams=int((~seams).sum()),
        differences=cut_differences(first, second),
        worth_mm=worth_mm,
        more_pieces=_more(everything, worth_mm),
    )


def finding(estimate: Estimate, worth_mm: float | None = None) -> Finding:
    """What the 95 % interval says; "alike" where all of it lies within ``worth_mm`` either way, zero in it."""
    if not math.isfinite(estimate.low_mm):
        return "can't tell"
    if estimate.high_mm < 0.0:
        return "smaller"
    if estimate.low_mm > 0.0:
        return "larger"
    if worth_mm is not None and max(-estimate.low_mm, estimate.high_mm) < worth_mm:
        return "alike"
    return "can't tell"


def _in_order(trial: Trial, like: Trial) -> Trial:
    """Ids of pieces and seams are sorted by every writer; an edited record may not be."""
    if trial.ids != like.ids or trial.seam_ids != like.seam_ids:
        raise InputError(
            f"{like.name} and {trial.name}: list pieces or seams in another order; run gapscan inspect again"
        )
    return trial


def _estimate(first: Trial, second: Trial, chosen: BoolArray) -> Estimate | None:
    k = np.flatnonzero(chosen)
    if len(k) == 0:
        return None
    square = np.ix_(k, k)
    return pooled(
        (second.loss_mm - first.loss_mm)[k],
        first.own_covariance[square] + second.own_covariance[square],
        (first.common_mm[k], second.common_mm[k]),
    )


def _classes(first: Trial, second: Trial) -> list[tuple[str, str, BoolArray]]:
    """(kind, name, pieces (P,)) of every class; a kind that would hold all pieces in one class is left out."""
    found: list[tuple[str, str, BoolArray]] = []
    pairs = [(first.job.settings(name), second.job.settings(name)) for name in first.ids]
    materials = [a.material if a.material == b.material else f"{a.material} / {b.material}" for a, b in pairs]
    facings = [f"show face {a.facing}, then {b.facing}" if a.facing != b.facing else f"show face {a.facing} in both"
               for a, b in pairs]  # fmt: skip
    area = np.array([outline.area for outline in first.outlines])
    curved = first.curving >= _CURVED_FROM
    for kind, labels in (("material", [m or "not told" for m in materials]), ("facing", facings)):
        for label in sorted(set(labels)):
            found.append((kind, label, np.array([one == label for one in labels])))
    found += [("size", label, (area >= low) & (area < high)) for low, high, label in _SIZES]
    found += [("outline", "curved", curved), ("outline", "straight", ~curved)]
    found = [one for one in found if one[2].any()]
    order = ("material", "size", "outline", "facing")
    several = {kind for kind in order if sum(one[0] == kind for one in found) > 1}
    return sorted((one for one in found if one[0] in several), key=lambda one: order.index(one[0]))


def _found_by_holm(groups: list[Group]) -> tuple[Group, ...]:
    """Each group's finding, so that all together raise a false alarm in 5 % of cases at most.

    Holm's step-down procedure (Scandinavian Journal of Statistics 6, 1979, 65-70; from memory).
    """
    known = [k for k, group in enumerate(groups) if group.estimate is not None and group.estimate.count >= _FEWEST]
    done = list(groups)
    for rank, k in enumerate(sorted(known, key=lambda k: _p(groups[k]))):
        if _p(groups[k]) > (1.0 - LEVEL) / (len(known) - rank):
            break
        estimate = groups[k].estimate
        assert estimate is not None
        done[k] = Group(
            groups[k].kind,
            groups[k].name,
            estimate,
            groups[k].left_out,
            "smaller" if estimate.mean_mm < 0 else "larger",
        )
    return tuple(done)


def _p(group: Group) -> float:
    return 1.0 if group.estimate is None else group.estimate.p


def _bend(first: Trial, second: Trial, both: BoolArray) -> Estimate | None:
    """Loss in bends beyond straight parts. All pieces hang on one figure of the shop, whose uncertainty is taken to be that
    of the best known piece; it does not average out."""
    u2 = [np.square(trial.u_bend_mm) for trial in (first, second)]
    k = np.flatnonzero(both & np.isfinite(first.bend_mm + second.bend_mm + u2[0] + u2[1]))
    if len(k) < _FEWEST:
        return None
    shared = [float(one[k].min()) for one in u2]
    own = (u2[0] + u2[1])[k] - sum(shared)
    return pooled(
        (second.bend_mm - first.bend_mm)[k],
        np.diag(own),
        tuple(np.full(len(k), math.sqrt(one)) for one in shared),
    )


def _gaps(first: Trial, second: Trial, seams: BoolArray) -> Estimate | None:
    """Length-weighted mean change of the gaps as taped.

    Two seams of one piece move together, so that pieces, not seams, are left out in turn: the jackknife for figures of
    pairs (Snijders and Borgatti, Connections 22, 1999, 161-170; from memory), with as many degrees of freedom as pieces
    less two.
    """
    from scipy.stats import t as student

    k = np.flatnonzero(seams)
    pieces = np.unique(first.sides[k])
    if len(k) < _FEWEST or len(pieces) < 4:
        return None
    d, length = (second.gap_mm - first.gap_mm)[k], first.length_mm[k]
    mean = float(np.average(d, weights=length))
    without = []
    for piece in pieces:
        left = (first.sides[k] != piece).all(axis=1)
        if left.any():
            without.append(float(np.average(d[left], weights=length[left])))
    n = len(without)
    if n < 4:
        return None
    own2 = (n - 2) / (2 * n) * float(np.square(np.array(without) - np.mean(without)).sum())
    shared2 = sum(float(np.average(trial.shared_gap_mm[k], weights=length)) ** 2 for trial in (first, second))
    freedom = effective_freedom(own2, shared2, n - 2)
    u = math.sqrt(own2 + shared2)
    reach = float(student.ppf(0.5 + LEVEL / 2, freedom)) * u
    p = 2.0 * float(student.sf(abs(mean) / u, freedom)) if u > 0 else float(mean == 0.0)
    return Estimate(
        count=len(k),
        mean_mm=mean,
        u_mm=u,
        own_mm=math.sqrt(own2),
        common_mm=math.sqrt(shared2),
        low_mm=mean - reach,
        high_mm=mean + reach,
        spread_mm=math.nan,
        freedom=freedom,
        p=p,
    )


def _more(estimate: Estimate, worth_mm: float) -> int | None:
    if estimate.count < _FEWEST:
        return None
    wanted = pieces_needed(worth_mm, estimate.own_mm * math.sqrt(estimate.count), estimate.common_mm)
    return None if wanted is None else max(wanted - estimate.count, 0)
